"""The outbox: never twice, never lost, and honest about what is not known. With a real server, and from a shell."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import mailkit
import samples
from kitproof import cli, deliver
from kitproof.mail import outbox as outbox_module
from kitproof.mail.message import MailError, read_report
from kitproof.mail.outbox import FIRST_PAUSE_S, LONGEST_PAUSE_S, LONGEST_WAIT_S, Letter, Outbox
from kitproof.mail.post import Postman, flush, put_in, route
from kitproof.mail.settings import Server, Settings
from kitproof.run import Result
from mailkit import PASSWORD, USER, Behaviour

BASS, KEYS = "bass@example.org", "keys@example.org"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report."""
    measurements, pictures = samples.take(n_channels=2, n_findings=2, duration_s=10.0)
    result = Result(measurements=measurements, pictures=pictures)
    return deliver.write_all(result, tmp_path_factory.mktemp("reports"), small=True).pdf.parent


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """For "localhost"."""
    return mailkit.make_certificate(tmp_path_factory.mktemp("certificate"))


@pytest.fixture(autouse=True)
def home(tmp_path: Path, certificate: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> Path:
    """State and settings of this test alone; the certificate is trusted; nobody's password is about."""
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate[0]))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("KITPROOF_SMTP_USER", raising=False)
    monkeypatch.delenv("KITPROOF_SMTP_PASSWORD", raising=False)
    return tmp_path


def box(home: Path) -> Outbox:
    """The outbox that the commands use."""
    return Outbox(home / "state" / "kitproof")


def mail(folder: Path, port: int, *more: str, to: tuple[str, ...] = (BASS,)) -> int:
    """The command, in this process."""
    people = [word for person in to for word in ("--to", person)]
    return cli.main(
        ["mail", str(folder), *people, "--from", "room@example.org", "--server", f"localhost:{port}", *more]
    )


def states(home: Path) -> dict[str, str]:
    """State by recipient."""
    with box(home)._open() as db:
        return dict(db.execute("SELECT recipient, state FROM mail").fetchall())


# ------------------------------------------------------------------------------------ sent once
def test_each_person_gets_a_message_of_their_own_once(
    home: Path, folder: Path, certificate: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """Over one connection; asked for again, nothing is sent; with --again it is, as another message."""
    with mailkit.running(certificate) as (port, server):
        assert mail(folder, port, to=(BASS, KEYS, BASS.upper())) == 0
        assert sorted(to for _, to, _ in server.got) == [BASS.upper(), KEYS]
        assert server.n_connections == 1
        assert mail(folder, port, to=(KEYS,)) == 0
        assert "already; --again sends it once more" in capsys.readouterr().out
        assert len(server.got) == 2
        assert mail(folder, port, "--again", to=(KEYS,)) == 0
    ids = [line for _, _, content in server.got for line in content.splitlines() if line.startswith(b"Message-ID")]

    assert len(server.got) == len(set(ids)) == 3
    assert all(content.count(b"@example.org\r\n") >= 1 for _, _, content in server.got)
    assert not any(KEYS.encode() in content for _, to, content in server.got if to != KEYS)


def test_what_is_sent_is_not_kept(home: Path, folder: Path, certificate: tuple[Path, Path]) -> None:
    """Only that it was; and nobody else may read the outbox."""
    with mailkit.running(certificate) as (port, _):
        mail(folder, port)
    with box(home)._open() as db:
        (content,) = db.execute("SELECT content FROM mail").fetchone()

    assert content is None
    assert box(home).path.stat().st_mode & 0o077 == 0


# ------------------------------------------------------------------------------------ not lost
def test_what_cannot_be_sent_waits_and_goes_unchanged_when_it_can(
    home: Path, folder: Path, certificate: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 1 and the reason; --flush sends it later, with the Message-ID it had."""
    with mailkit.running(certificate, Behaviour(at="rcpt", reply="451 busy")) as (port, server):
        assert mail(folder, port) == 1
        assert "451 busy" in capsys.readouterr().err
        (waiting,) = box(home).unsettled()
        assert cli.main(["mail", "--flush"]) == 1
        server.at = ""
        assert cli.main(["mail", "--flush"]) == 0

    assert waiting.content is not None
    assert [content for _, _, content in server.got] == [waiting.content]
    assert states(home) == {BASS: "sent"}


def test_one_refused_person_keeps_nobody_else_from_it(
    home: Path, folder: Path, certificate: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """For good: status 2, not tried again, but told of by every --flush."""
    with mailkit.running(certificate, Behaviour(at="rcpt", reply="550 who?", only_for=BASS)) as (port, server):
        assert mail(folder, port, to=(BASS, KEYS)) == 2
        assert cli.main(["mail", "--flush"]) == 2

    assert [to for _, to, _ in server.got] == [KEYS]
    assert states(home) == {BASS: "refused", KEYS: "sent"}
    assert capsys.readouterr().err.count("550 who?") == 2


def test_a_server_that_is_gone_is_asked_once_for_all(
    home: Path, folder: Path, certificate: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """Not once a message; all wait."""
    with mailkit.running(certificate, Behaviour(at="mail")) as (port, server):
        assert mail(folder, port, to=(BASS, KEYS)) == 1

    assert server.n_connections == 1
    assert states(home) == {BASS: "waiting", KEYS: "waiting"}


def test_pauses_grow_and_end_after_days(home: Path) -> None:
    """Twice as long each time up to a limit; after five days it is given up, and kept."""
    letter = Letter(
        key="k", sender="a@b.c", recipient=BASS, subject="s", host="h", port=1, insecure_plain=False, user=None,
        content=b"x",
    )  # fmt: skip
    letter = box(home).put(letter)
    pauses = []
    now = letter.put_unix_s
    for _ in range(10):
        assert box(home).put_off(letter, "busy", now) == "waiting"
        letter = box(home).get("k") or letter
        pauses.append(letter.next_try_unix_s - now)
    ended = box(home).put_off(letter, "busy", letter.put_unix_s + LONGEST_WAIT_S + 1.0)

    # sums of times since 1970 are good to a microsecond
    assert pauses[:3] == pytest.approx([FIRST_PAUSE_S, 2 * FIRST_PAUSE_S, 4 * FIRST_PAUSE_S], abs=1e-3)
    assert pauses[-1] == pytest.approx(LONGEST_PAUSE_S, abs=1e-3)
    assert ended == "refused"
    assert box(home).due(now + 1e9) == []
    assert [found.content for found in box(home).unsettled()] == [b"x"]


def test_before_its_pause_is_over_a_message_is_left_alone(home: Path, folder: Path) -> None:
    """Unless somebody asks for it by hand."""
    way = route(Settings(server=Server(host="localhost", port=1), sender="a@example.org", to=(BASS,)))
    put_in(box(home), read_report(folder), way)
    said: list[str] = []
    for _ in range(3):
        flush(box(home), said.append, said.append)

    assert len(said) == 1
    assert box(home).unsettled()[0].n_tries == 1


# ------------------------------------------------------------------------------------ not known
def test_no_answer_to_the_end_is_never_tried_again_by_itself(
    home: Path, folder: Path, certificate: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """It is told of as what it is, by every --flush; sent once more only when asked."""
    with mailkit.running(certificate, Behaviour(at="end")) as (port, server):
        assert mail(folder, port) == 2
        assert "may have been sent, or not" in capsys.readouterr().err
        server.at = ""
        assert cli.main(["mail", "--flush"]) == 2
        assert "may have been sent, or not" in capsys.readouterr().err
        assert mail(folder, port) == 2
        assert len(server.got) == 1
        assert mail(folder, port, "--again") == 0
        assert len(server.got) == 2
        assert cli.main(["mail", "--flush"]) == 0  # settled by that


def test_what_is_not_known_can_be_forgotten(
    home: Path, folder: Path, certificate: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """It came after all, says the bass player: no more of it. What waits is not dropped by that."""
    with mailkit.running(certificate, Behaviour(at="end")) as (port, server):
        mail(folder, port)
        server.at, server.reply = "mail", "451 busy"
        mail(folder, port, to=(KEYS,))
    assert cli.main(["mail", "--forget"]) == 0

    assert f"{BASS}: " in capsys.readouterr().out
    assert states(home) == {KEYS: "waiting"}


def test_what_waits_is_not_made_two_by_asking_again(home: Path, folder: Path, certificate: tuple[Path, Path]) -> None:
    """--again for a message that has not gone yet sends that one."""
    with mailkit.running(certificate, Behaviour(at="rcpt", reply="451 busy")) as (port, server):
        mail(folder, port)
        mail(folder, port, "--again")
        server.at = ""
        assert mail(folder, port, "--again") == 0

    assert len(server.got) == 1


SENDER = """
import sys, time
from kitproof.mail import smtp
from kitproof import cli
end = smtp.Connection._end
def slow_end(self):
    print("at the end", flush=True)
    time.sleep(600)
smtp.Connection._end = slow_end
cli.main(sys.argv[1:])
"""


def test_killed_between_the_data_and_its_end_it_is_maybe(
    home: Path, folder: Path, certificate: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """`kill -9` at the only moment that matters: the next run says so, and sends nothing."""
    with mailkit.running(certificate) as (port, server):
        argv = ["mail", str(folder), "--to", BASS, "--from", "r@example.org", "--server", f"localhost:{port}"]
        with subprocess.Popen([sys.executable, "-c", SENDER, *argv], stdout=subprocess.PIPE, text=True) as sender:
            assert sender.stdout is not None
            assert sender.stdout.readline() == "at the end\n"
            assert flush(box(home), print, print) is False  # the other one is at it
            os.kill(sender.pid, signal.SIGKILL)
        assert cli.main(["mail", "--flush"]) == 2
        assert "cut off just as it ended" in capsys.readouterr().err

    assert server.got == []
    assert states(home) == {BASS: "maybe"}


# ------------------------------------------------------------------------------------ secrets
def test_the_password_is_in_no_file_and_no_line(
    home: Path, folder: Path, certificate: tuple[Path, Path], capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Sent, refused or waiting: it goes to the server and nowhere else."""
    monkeypatch.setenv("KITPROOF_SMTP_USER", USER)
    monkeypatch.setenv("KITPROOF_SMTP_PASSWORD", PASSWORD)
    with mailkit.running(certificate, login=True) as (port, server):
        assert mail(folder, port, "--verbose") == 0
        server.at, server.reply = "rcpt", f"451 {PASSWORD} is what you said"
        assert mail(folder, port, "--again", "--verbose") == 1
    printed = capsys.readouterr()

    assert server.logins == [(USER, PASSWORD)] * 2
    assert PASSWORD not in printed.out + printed.err
    assert not any(PASSWORD.encode() in p.read_bytes() for p in home.rglob("*") if p.is_file())


# ------------------------------------------------------------------------------------ the command
def test_a_dry_run_writes_what_would_be_sent(home: Path, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One file a person; no server is needed, nothing goes into the outbox."""
    argv = ["mail", str(folder), "--to", BASS, "--to", KEYS, "--from", "room@example.org"]

    assert cli.main([*argv, "--dry-run", str(home / "m.eml")]) == 0
    assert f"To: {BASS}".encode() in (home / "m.eml").read_bytes()
    assert f"To: {KEYS}".encode() in (home / "m-2.eml").read_bytes()
    assert not (home / "state").exists()
    assert cli.main([*argv, "--dry-run", str(folder / "report.pdf")]) == 2
    assert "end in .eml" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("argv", "said"),
    [
        ([], "give a report, or --flush"), (["R"], "nobody to send to"), (["R", "--to", BASS], "no mail server"),
        (["R", "--to", BASS, "--server", "localhost"], "no sender"),
        (["R", "--to", "x", "--server", "localhost", "--from", BASS], "is no mail address"),
        (["R", "--to", BASS, "--server", "mail.example.org", "--insecure-plain", "--from", BASS], "this machine only"),
    ],
)  # fmt: skip
def test_what_is_missing_is_told_in_a_line(
    folder: Path, argv: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2, before anything is sent."""
    assert cli.main(["mail", *(str(folder) if word == "R" else word for word in argv)]) == 2
    printed = capsys.readouterr().err
    assert said in printed
    assert printed.count("\n") == 1


def test_a_damaged_outbox_is_told_of(home: Path) -> None:
    """By its name; nothing is thrown away."""
    (home / "state" / "kitproof").mkdir(parents=True)
    (home / "state" / "kitproof" / "outbox.sqlite").write_bytes(b"no database" * 999)

    with pytest.raises(outbox_module.OutputError, match=r"outbox\.sqlite: cannot be used"):
        box(home)


# ------------------------------------------------------------------------------------ for a watch
def test_a_postman_sends_in_the_background_and_a_report_twice_put_in_goes_once(
    home: Path, folder: Path, certificate: tuple[Path, Path]
) -> None:
    """As after a crash of the watch between the report and its note in the ledger."""
    said: list[str] = []
    with mailkit.running(certificate) as (port, server):
        way = route(Settings(server=Server(host="localhost", port=port), sender="r@example.org", to=(BASS, KEYS)))
        postman = Postman(box(home), way, said.append, said.append)
        postman.start()
        postman.put_in(folder)
        postman.put_in(folder)
        end_s = time.monotonic() + 30.0
        while len(server.got) < 2 and time.monotonic() < end_s:
            time.sleep(0.02)
        postman.end()

    assert sorted(to for _, to, _ in server.got) == [BASS, KEYS]
    assert [line.split(":")[0] for line in sorted(said)] == [BASS, KEYS]


def test_a_watch_that_cannot_mail_says_so_before_it_begins(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Not after the first take."""
    assert cli.main(["watch", str(tmp_path), "--to", str(tmp_path / "out"), "--once", "--mail", BASS]) == 2
    assert "no mail server" in capsys.readouterr().err
    with pytest.raises(MailError):
        route(Settings())
