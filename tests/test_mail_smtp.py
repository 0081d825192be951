"""Handing over to a real server: what is sent, and what is known when it hangs up, refuses or falls silent."""

from __future__ import annotations

import smtplib
import socket
import warnings
from pathlib import Path

import pytest

import mailkit
from kitproof.mail import smtp
from kitproof.mail.settings import Login, Server
from kitproof.mail.smtp import Outcome, connect
from mailkit import PASSWORD, USER, Behaviour

MESSAGE = b"Subject: x\r\n\r\nHello,\r\n.a line that begins with a dot\r\n.\r\nthe end\r\n"
FROM, TO = "room@example.org", "bass@example.org"
TIMEOUT_S = 1.0


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """For "localhost", trusted by whoever is told to."""
    return mailkit.make_certificate(tmp_path_factory.mktemp("certificate"))


@pytest.fixture(autouse=True)
def trusted(certificate: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """This process trusts it, as a system trusts the authorities that came with it."""
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate[0]))


def hand_over(
    port: int, content: bytes = MESSAGE, *, login: Login | None = None, plain: bool = False, host: str = "localhost"
) -> tuple[Outcome, list[str]]:
    """(outcome, whether the caller was asked before the end)."""
    asked: list[str] = []
    server = Server(host=host, port=port, timeout_s=TIMEOUT_S, insecure_plain=plain)
    with connect(server, login) as connection:
        if isinstance(connection, Outcome):
            return connection, asked
        return connection.hand_over(FROM, TO, content, before_end=lambda: asked.append("asked")), asked


def test_a_message_arrives_as_it_is_over_tls(certificate: tuple[Path, Path]) -> None:
    """The server takes nothing without STARTTLS; dots at the start of a line are kept."""
    with mailkit.running(certificate) as (port, server):
        outcome, asked = hand_over(port)

    assert outcome.fate == "sent"
    assert asked == ["asked"]
    assert server.got == [(FROM, TO, MESSAGE)]


def test_tls_from_the_start_on_its_port(certificate: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """On port 465, which a test may not have, nothing is said before TLS."""
    with mailkit.running(certificate, tls="implicit") as (port, server):
        monkeypatch.setattr(smtp, "IMPLICIT_TLS_PORT", port)
        outcome, _ = hand_over(port)

    assert outcome.fate == "sent"
    assert server.got == [(FROM, TO, MESSAGE)]


def test_a_certificate_nobody_vouches_for_ends_it(
    certificate: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is sent; the message may be tried again."""
    monkeypatch.delenv("SSL_CERT_FILE")
    with mailkit.running(certificate) as (port, server):
        outcome, _ = hand_over(port)

    assert (outcome.fate, outcome.is_server_trouble) == ("later", True)
    assert "certificate cannot be trusted" in outcome.said
    assert server.got == []


def test_a_certificate_of_another_server_ends_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Trusted, but made out to somebody else."""
    other = mailkit.make_certificate(tmp_path, "elsewhere.example")
    monkeypatch.setenv("SSL_CERT_FILE", str(other[0]))
    with mailkit.running(other) as (port, _):
        outcome, _ = hand_over(port)

    assert outcome.fate == "later"
    assert "certificate cannot be trusted" in outcome.said


def test_a_server_without_tls_gets_nothing(certificate: tuple[Path, Path]) -> None:
    """Neither message nor password, unless it is on this machine and that was asked for."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the server warns that it asks for passwords in the open
        with mailkit.running(certificate, tls="none", login=True) as (port, server):
            refused, _ = hand_over(port, login=Login(user=USER, password=PASSWORD))
            asked_for, _ = hand_over(port, login=Login(user=USER, password=PASSWORD), plain=True)

    assert refused.fate == "later"
    assert "does not offer what is needed" in refused.said
    assert asked_for.fate == "sent"
    assert len(server.got) == len(server.logins) == 1


def test_plain_mail_to_another_machine_is_never_sent() -> None:
    """Even if the settings got that far."""
    outcome, _ = hand_over(25, host="192.0.2.1", plain=True)

    assert "this machine only" in outcome.said


def test_a_login_is_made_over_tls(certificate: tuple[Path, Path]) -> None:
    """With the user name and password given."""
    with mailkit.running(certificate, login=True) as (port, server):
        outcome, _ = hand_over(port, login=Login(user=USER, password=PASSWORD))

    assert outcome.fate == "sent"
    assert server.logins == [(USER, PASSWORD)]


def test_a_refused_login_keeps_the_password_to_itself(certificate: tuple[Path, Path]) -> None:
    """The message waits; what is said names neither password nor what went over the line; nor does a record's text."""
    login = Login(user=USER, password="wrong-but-secret")
    with mailkit.running(certificate, login=True) as (port, server):
        outcome, _ = hand_over(port, login=login)

    assert (outcome.fate, outcome.is_server_trouble) == ("later", True)
    assert "user name or password is refused (535)" in outcome.said
    assert "secret" not in outcome.said + repr(login)
    assert server.got == []


def test_a_login_that_is_missing_is_the_servers_trouble(certificate: tuple[Path, Path]) -> None:
    """Code 530: the message is not refused for good because a password was forgotten."""
    with mailkit.running(certificate, login=True) as (port, _):
        outcome, _ = hand_over(port)

    assert (outcome.fate, outcome.is_server_trouble) == ("later", True)


@pytest.mark.parametrize("step", ["mail", "rcpt", "end"])
@pytest.mark.parametrize(
    ("code", "fate"), [("451 busy", "later"), ("550 no such person", "refused"), ("421 closing", "later")]
)
def test_refusals_are_for_now_or_for_good_as_the_server_says(
    certificate: tuple[Path, Path], step: str, code: str, fate: str
) -> None:
    """4xx and 5xx at every step; what the server said is passed on."""
    with mailkit.running(certificate, Behaviour(at=step, reply=code)) as (port, server):
        outcome, asked = hand_over(port)

    assert outcome.fate == fate
    assert code in outcome.said
    assert asked == (["asked"] if step == "end" else [])
    assert server.got == []


@pytest.mark.parametrize("step", ["greeting", "ehlo", "mail", "rcpt"])
def test_a_server_that_hangs_up_early_has_got_nothing(certificate: tuple[Path, Path], step: str) -> None:
    """To try again is safe."""
    with mailkit.running(certificate, Behaviour(at=step)) as (port, server):
        outcome, asked = hand_over(port)

    assert (outcome.fate, outcome.is_server_trouble) == ("later", True)
    assert asked == []
    assert server.got == []


def test_a_server_that_hangs_up_in_the_middle_of_the_data_has_got_nothing(certificate: tuple[Path, Path]) -> None:
    """A message too long for any buffer: its end was never sent."""
    large = b"x" * 70 + b"\r\n"
    with mailkit.running(certificate, Behaviour(at="data begun")) as (port, server):
        outcome, asked = hand_over(port, large * 300_000)

    assert outcome.fate == "later"
    assert asked == []
    assert server.got == []


@pytest.mark.parametrize("step", ["ehlo", "mail", "rcpt"])
def test_a_server_that_falls_silent_is_left(certificate: tuple[Path, Path], step: str) -> None:
    """After the time-out; nothing was sent."""
    with mailkit.running(certificate, Behaviour(at=step, reply="wait")) as (port, server):
        outcome, asked = hand_over(port)

    assert outcome.fate == "later"
    assert asked == []
    assert server.got == []


def test_a_server_that_never_greets_is_left() -> None:
    """It takes the connection and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        outcome, asked = hand_over(silent.getsockname()[1], host="127.0.0.1")

    assert (outcome.fate, outcome.is_server_trouble) == ("later", True)
    assert asked == []


@pytest.mark.parametrize("reply", [None, "wait"])
def test_no_answer_to_the_last_dot_is_not_known_to_be_sent_or_not(
    certificate: tuple[Path, Path], reply: str | None
) -> None:
    """Here the server has got it; another that says as little may not. So: maybe."""
    with mailkit.running(certificate, Behaviour(at="end", reply=reply)) as (port, server):
        outcome, asked = hand_over(port)

    assert outcome.fate == "maybe"
    assert asked == ["asked"]
    assert len(server.got) == 1


def test_a_caller_who_cannot_note_it_stops_it_in_time(certificate: tuple[Path, Path]) -> None:
    """A full disk just before the end: the error goes on, and nothing was sent."""

    class DiskFullError(Exception):
        pass

    def fail() -> None:
        raise DiskFullError

    with mailkit.running(certificate) as (port, server):
        with connect(Server(host="localhost", port=port, timeout_s=TIMEOUT_S), None) as connection:
            assert not isinstance(connection, Outcome)
            with pytest.raises(DiskFullError):
                connection.hand_over(FROM, TO, MESSAGE, before_end=fail)
        assert server.got == []


def test_nobody_at_the_port_is_told_by_its_name(certificate: tuple[Path, Path]) -> None:
    """With the reason of the system."""
    with mailkit.running(certificate) as (port, _):
        pass
    outcome, _ = hand_over(port)

    assert outcome.fate == "later"
    assert outcome.said.startswith(f"localhost:{port}: cannot be reached (")


def test_what_a_server_says_is_one_short_line(certificate: tuple[Path, Path]) -> None:
    """No control characters reach a terminal, and no essay."""
    with mailkit.running(certificate, Behaviour(at="rcpt", reply="550 \x1b[31m" + "no " * 150)) as (port, _):
        outcome, _ = hand_over(port)

    assert outcome.said.isprintable()
    assert len(outcome.said) <= smtp.MOST_LETTERS


def test_the_library_talks_to_nobody_while_it_debugs() -> None:
    """smtplib prints passwords at its debug level; it is off."""
    assert smtplib.SMTP.debuglevel == 0
