"""What a message says, to whom, and what is attached; settings and addresses."""

from __future__ import annotations

import email
import email.policy
import io
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path

import pypdf
import pytest

import samples
from kitproof import deliver
from kitproof.errors import KitproofError
from kitproof.mail import message as message_module
from kitproof.mail.message import MailError, Report, address, compose, read_report
from kitproof.mail.settings import (
    Server,
    find_login,
    is_this_machine,
    parse_server,
    read_settings,
)
from kitproof.run import Result

LARGE = 10_000_000
ID = "<1@example.org>"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of a made-up take with findings."""
    measurements, pictures = samples.take(n_channels=3, n_findings=2, duration_s=20.0)
    files = deliver.write_all(
        Result(measurements=measurements, pictures=pictures), tmp_path_factory.mktemp("reports")
    )  # fmt: skip
    return files.pdf.parent


@pytest.fixture(scope="module")
def report(folder: Path) -> Report:
    """The same, read back."""
    return read_report(folder)


def written(report: Report, to: str = "bass@example.org", most_bytes: int = LARGE) -> EmailMessage:
    """A message as it goes over the line, read back by somebody else."""
    sender = address("Project room <room@example.org>")
    content = compose(report, sender, address(to), most_bytes=most_bytes, message_id=ID).as_bytes()
    assert content.isascii()
    message = email.message_from_bytes(content, policy=email.policy.default)
    assert isinstance(message, EmailMessage)
    return message


def text_of(message: EmailMessage) -> str:
    """The readable part."""
    body = message.get_body(("plain",))
    assert body is not None
    return str(body.get_content())


def test_a_message_says_the_verdict_what_decided_it_and_what_was_not_checked(report: Report) -> None:
    """In plain text; the whole PDF is attached under the take's name."""
    message = written(report)
    m = report.measurements
    assert m is not None
    text = " ".join(text_of(message).split())
    (pdf,) = message.iter_attachments()

    assert message["Subject"].startswith(f"{report.name}: ")
    assert m.verdict.sentence in text
    assert m.verdict.red_lines
    for i in m.verdict.red_lines:
        assert " ".join(m.findings[i].message.split()) in text
        assert " ".join(m.findings[i].action.split()) in text
    assert f"{len(m.not_checked)} things could not be checked" in text
    assert pdf.get_content() == report.pdf.read_bytes()
    assert (pdf.get_content_type(), pdf.get_filename()) == ("application/pdf", f"{report.name}.pdf")


def test_a_message_names_one_person_and_no_place_on_the_disk(report: Report, folder: Path) -> None:
    """No other recipients, no folder of the sender's."""
    message = written(report, "Bass <bass@example.org>")

    assert [a.addr_spec for a in message["To"].addresses] == ["bass@example.org"]
    assert message["Cc"] is None
    assert message["Bcc"] is None
    assert str(folder.parent) not in text_of(message)
    assert (message["Message-ID"], message["Auto-Submitted"]) == (ID, "auto-generated")


def test_names_in_any_letters_arrive(report: Report) -> None:
    """Of the take and of people, in headers, text and the attachment's name; on the line they are ASCII."""
    message = written(replace(report, name="Nebenstraße テイク 3"), "Jörg Großmann <joerg@example.org>")
    (pdf,) = message.iter_attachments()

    assert message["To"].addresses[0].display_name == "Jörg Großmann"
    assert message["Subject"].startswith("Nebenstraße テイク 3: ")
    assert pdf.get_filename() == "Nebenstraße テイク 3.pdf"


def test_a_name_cannot_add_a_header_or_a_folder(report: Report) -> None:
    """Line ends in a take's name are no line ends in a message, and a slash opens no folder."""
    injected = replace(report, name="take 1\r\nBcc: all@example.org\n\n../../etc")
    with pytest.raises(ValueError, match="linefeed"):
        written(injected)
    (pdf,) = written(replace(report, name="a/b\\c")).iter_attachments()

    assert pdf.get_filename() == "a_b_c.pdf"


def test_a_take_whose_name_has_line_ends_is_read_on_one_line(tmp_path: Path) -> None:
    """A folder may be called anything."""
    measurements, pictures = samples.take(n_channels=1, n_findings=0, duration_s=5.0)
    odd = replace(measurements, take=replace(measurements.take, name="take\n1"))
    files = deliver.write_all(Result(measurements=odd, pictures=pictures), tmp_path, small=True)

    assert written(read_report(files.pdf.parent))["Subject"].startswith("take 1: ")


def test_a_large_report_is_sent_with_coarser_pictures_and_a_larger_one_not_at_all(report: Report) -> None:
    """The limit is that of the whole message; without the PDF the text says where it is."""
    whole = len(written(report).as_bytes())
    coarse = written(report, most_bytes=whole - 1000)
    none = written(report, most_bytes=20_000)
    (pdf,) = coarse.iter_attachments()

    assert len(coarse.as_bytes()) <= whole - 1000
    assert b"%PDF" in pdf.get_content()[:8]
    assert len(pdf.get_content()) < len(report.pdf_bytes)
    assert "coarser pictures" in text_of(coarse)
    assert list(none.iter_attachments()) == []
    assert str(report.pdf) in text_of(none)
    with pytest.raises(MailError, match="--max-mb"):
        written(report, most_bytes=100)


def test_where_only_little_fits_the_edition_for_a_phone_is_sent(report: Report) -> None:
    """Verdict, band's page and findings take less than pictures; where the whole lies is said as well."""
    short = written(report, most_bytes=160_000)
    (pdf,) = short.iter_attachments()

    assert pypdf.PdfReader(io.BytesIO(pdf.get_content())).pages[0].mediabox.width < 300
    assert str(report.pdf) in text_of(short)


def test_a_report_that_fits_is_not_drawn_anew(report: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    """Drawing takes seconds for each person; only one that is too large is worth them."""
    monkeypatch.setattr(message_module, "write_report", lambda *a, **k: pytest.fail("drawn all the same"))

    assert len(list(written(report).iter_attachments())) == 1


def test_a_coarser_report_is_in_the_same_language_and_on_the_same_paper(tmp_path: Path) -> None:
    """Whoever reads Japanese on letter paper gets that in the small one too."""
    measurements, pictures = samples.take(n_channels=3, n_findings=0, duration_s=20.0)
    result = Result(measurements=measurements, pictures=pictures)
    report = read_report(deliver.write_all(result, tmp_path, page_size="letter", language="ja").pdf.parent)
    (pdf,) = written(report, most_bytes=len(written(report).as_bytes()) - 1000).iter_attachments()
    drawn = pypdf.PdfReader(io.BytesIO(pdf.get_content()))

    assert len(pdf.get_content()) < len(report.pdf_bytes)
    assert drawn.root_object["/Lang"] == "ja"
    assert drawn.pages[0].mediabox.upper_right == (612, 792)


def test_a_pdf_alone_can_be_sent(report: Report, tmp_path: Path) -> None:
    """Without its numbers there is no verdict to tell; the file is there."""
    (tmp_path / "Tidewall.pdf").write_bytes(report.pdf_bytes)
    alone = read_report(tmp_path / "Tidewall.pdf")
    message = written(alone)

    assert alone.measurements is None
    assert message["Subject"] == "Tidewall: technical check"
    assert len(list(message.iter_attachments())) == 1


@pytest.mark.parametrize("kind", ["missing", "empty folder", "no pdf", "damaged numbers"])
def test_what_is_no_report_is_refused_by_name(report: Report, tmp_path: Path, kind: str) -> None:
    """Before anybody is written to."""
    path = tmp_path / "it"
    if kind != "missing":
        path.mkdir()
    if kind == "no pdf":
        (path / "report.pdf").write_bytes(b"RIFF")
    if kind == "damaged numbers":
        (path / "report.pdf").write_bytes(report.pdf_bytes)
        (path / "measurements.json").write_text("{")

    with pytest.raises(KitproofError, match="it"):
        read_report(path)


def test_the_same_report_is_known_wherever_it_lies(folder: Path, tmp_path: Path) -> None:
    """And another is another."""
    copy = tmp_path / "copy"
    copy.mkdir()
    for file in folder.iterdir():
        (copy / file.name).write_bytes(file.read_bytes())
    same = read_report(copy).identity
    text = (copy / "measurements.json").read_text("utf-8")
    (copy / "measurements.json").write_text(text.replace('"confidence": ', '"confidence":  '), "utf-8")

    assert same == read_report(folder).identity
    assert read_report(copy).identity != same


# ------------------------------------------------------------------------------------ addresses
@pytest.mark.parametrize(
    ("text", "spec"),
    [
        ("a@example.org", "a@example.org"), ("A B <a.b+c@example.org>", "a.b+c@example.org"),
        ('"B, A" <a@example.org>', "a@example.org"), ("a@bücher.example", "a@xn--bcher-kva.example"),
    ],
)  # fmt: skip
def test_an_address_is_read(text: str, spec: str) -> None:
    """With or without a name; a domain in any letters goes out in ASCII."""
    assert address(text).addr_spec == spec


@pytest.mark.parametrize(
    "text",
    ["", "a", "@example.org", "a@", "a@b@c", "a@example.org\nBcc: b@example.org", "a@example.org, b@example.org",
     "jörg@example.org", "A <a@example.org>\r\nX: y", "a b@example.org"],
)  # fmt: skip
def test_what_is_no_address_of_one_person_is_refused(text: str) -> None:
    """Above all anything with a line end in it."""
    with pytest.raises(MailError, match="no mail address"):
        address(text)


# ------------------------------------------------------------------------------------ settings
def test_settings_are_read_from_toml(tmp_path: Path) -> None:
    """Every key that the help lists."""
    path = tmp_path / "mail.toml"
    path.write_text(
        'server = "mail.example.org:465"\nfrom = "r@example.org"\nto = ["a@example.org"]\nuser = "r"\nmax_mb = 3'
    )
    s = read_settings(path)

    assert s.server == Server(host="mail.example.org", port=465)
    assert (s.sender, s.to, s.user, s.max_mb) == ("r@example.org", ("a@example.org",), "r", 3.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('password = "x"', "holds a password"), ('smtp_passwd = "x"', "holds a password"), ("sever = 1", "not known"),
        ("server = 1", "server is 1"), ("to = [1]", "to is"), ("to = ", "no TOML"),
        ('server = "mail.example.org"\ninsecure_plain = true', "this machine only"),
    ],
)  # fmt: skip
def test_settings_that_cannot_be_are_refused(tmp_path: Path, text: str, said: str) -> None:
    """With the file and the reason; a password in a file is one, and is not repeated."""
    path = tmp_path / "mail.toml"
    path.write_text(text)

    with pytest.raises(MailError, match=said) as refused:
        read_settings(path)
    assert '"x"' not in str(refused.value)


def test_no_settings_file_is_no_error_unless_it_was_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The usual place may be empty."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))

    assert read_settings(None).server is None
    with pytest.raises(MailError, match="cannot be read"):
        read_settings(tmp_path / "mail.toml")


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [("mail.example.org", "mail.example.org", 587), ("mail.example.org:465", "mail.example.org", 465),
     ("[::1]:2525", "::1", 2525), ("::1", "::1", 587)],
)  # fmt: skip
def test_a_server_is_read(text: str, host: str, port: int) -> None:
    """With its port or without."""
    assert parse_server(text) == Server(host=host, port=port)


@pytest.mark.parametrize("text", ["", ":25", "a b", "mail:x", "mail:70000", "a\nb"])
def test_what_is_no_server_is_refused(text: str) -> None:
    """Rather than looked up."""
    with pytest.raises(MailError, match="is no server"):
        parse_server(text)


@pytest.mark.parametrize(
    ("host", "is_here"),
    [("localhost", True), ("127.3.2.1", True), ("::1", True), ("10.0.0.1", False), ("localhost.example.org", False)],
)
def test_only_loopback_is_this_machine(host: str, is_here: bool) -> None:
    """A name that merely sounds like it is not."""
    assert is_this_machine(host) is is_here


def test_the_password_comes_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """A user without one is told how to give it; no user, no login."""
    server = Server(host="mail.example.org")
    monkeypatch.delenv("KITPROOF_SMTP_USER", raising=False)
    monkeypatch.setenv("KITPROOF_SMTP_PASSWORD", "pw")
    login = find_login(server, "me")
    assert login is not None
    assert (login.user, login.password) == ("me", "pw")
    assert find_login(server, None) is None
    monkeypatch.delenv("KITPROOF_SMTP_PASSWORD")
    monkeypatch.setattr("kitproof.mail.settings._from_keyring", lambda server, user: None)
    with pytest.raises(MailError, match="KITPROOF_SMTP_PASSWORD"):
        find_login(server, "me")


def test_the_password_comes_from_the_keyring(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the system, under the server's name; a keyring that fails is none."""
    import types

    class Ring(types.ModuleType):
        def get_password(self, service: str, user: str) -> str:
            if user == "nobody":
                raise RuntimeError("locked")
            return f"{service}/{user}"

    monkeypatch.setitem(__import__("sys").modules, "keyring", Ring("keyring"))
    monkeypatch.delenv("KITPROOF_SMTP_USER", raising=False)
    monkeypatch.delenv("KITPROOF_SMTP_PASSWORD", raising=False)
    login = find_login(Server(host="mail.example.org"), "me")

    assert login is not None
    assert login.password == "kitproof:mail.example.org/me"
    with pytest.raises(MailError, match="no password for nobody"):
        find_login(Server(host="mail.example.org"), "nobody")
