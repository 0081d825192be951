"""A report as a message: the verdict in plain words, the PDF attached, one person addressed.

A message never names the other recipients, nor where the takes lie on the sender's disk, unless the report is too
large to be attached: then it says where the sender finds it.
"""

from __future__ import annotations

import hashlib
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import formatdate, parseaddr
from pathlib import Path

from kitproof import saved
from kitproof.errors import KitproofError, OutputError, SavedError
from kitproof.model import Measurements
from kitproof.report import PAGES, PageSize, write_report

# 7 bits only, so that every server on the way takes the message as it is.
POLICY = SMTP.clone(cte_type="7bit")
# RFC 5322, section 3.2.3: dot-atom; what would need quotes there, or letters beyond ASCII, hardly any server takes
_LOCAL_PART = re.compile(r"[\w!#$%&'*+/=?^`{|}~.-]+", re.ASCII)
# how a report says what language it is in, and how large its paper is (PDF 1.7: Lang, MediaBox)
_LANGUAGE = re.compile(rb"/Lang \((\w+)\)")
_MEDIA_BOX = re.compile(rb"/MediaBox \[ 0 0 ([\d.]+) [\d.]+ \]")
VERDICTS = {"keep": "keep it", "fix-and-redo": "fix something and redo", "redo": "redo", "unknown": "no verdict"}
GREETING = "Hello,\n\nthis is the technical check of a drum take, made from its recordings alone."
FAREWELL = "It can be wrong both ways: before anything is deleted, listen."


class MailError(KitproofError):
    """A message cannot be made or sent as asked; its text says what to change."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What there is to send of one take."""

    name: str
    pdf: Path
    pdf_bytes: bytes
    measurements: Measurements | None  # None: a PDF without its numbers beside it
    identity: str  # the same for the same report, whenever and wherever it is sent from


def read_report(path: Path) -> Report:
    """Read a report's folder, or its PDF and what lies beside it.

    Raises
    ------
    MailError : there is no report
    SavedError : its measurements are damaged
    """
    pdf = path / "report.pdf" if path.is_dir() else path
    try:
        content = pdf.read_bytes()
    except OSError as error:
        raise MailError(f"{pdf}: cannot be read ({error.strerror or error}); give a report's folder or PDF") from error
    if not content.startswith(b"%PDF"):
        raise MailError(f"{pdf}: is no PDF; give a report's folder or its report.pdf")
    numbers = pdf.parent / "measurements.json"
    m = saved.read_measurements(numbers) if pdf.name == "report.pdf" and numbers.exists() else None
    name = m.take.name if m is not None else pdf.resolve().parent.name if pdf.name == "report.pdf" else pdf.stem
    identity = hashlib.sha256(numbers.read_bytes() if m is not None else content).hexdigest()
    return Report(name=_plain(name), pdf=pdf, pdf_bytes=content, measurements=m, identity=identity)


def address(text: str) -> Address:
    """ "a@example.org" or "A Name <a@example.org>", checked; a name may hold any letters, the address may not.

    Raises
    ------
    MailError : it is no address of one person
    """
    name, spec = parseaddr(text)
    local, _, domain = spec.rpartition("@")
    if text.count("@") != 1 or not text.isprintable() or not _LOCAL_PART.fullmatch(local) or not domain:
        raise MailError(f"{text!r} is no mail address; expected name@domain, or Name <name@domain>")
    try:
        return Address(display_name=name, username=local, domain=_ascii_domain(domain))
    except (ValueError, UnicodeError) as error:
        raise MailError(f"{text!r} is no mail address that any server takes ({error})") from error


def compose(report: Report, sender: Address, to: Address, *, most_bytes: int, message_id: str) -> EmailMessage:
    """The message to one person. If it would be larger than `most_bytes`, a smaller PDF is attached, the short
    edition for a phone, or none.

    Raises
    ------
    MailError : not even the text alone is small enough
    """
    for content, note in _attachments(report):
        message = _message(report, sender, to, message_id, content, note)
        if len(message.as_bytes()) <= most_bytes:
            return message
    raise MailError(f"a message of {most_bytes} bytes cannot hold even the text; allow more with --max-mb")


def _attachments(report: Report) -> Iterator[tuple[bytes | None, str]]:
    """What may be attached, largest first, with the sentence that says so; drawn only when it is asked for."""
    yield report.pdf_bytes, "The whole report is attached. Its first page is for everyone."
    small = _small_pdf(report)
    if small is not None:
        yield small, "The report is attached, with coarser pictures to keep it small."
    size_mb = len(report.pdf_bytes) / 1e6
    where = (
        f"The report is too large for mail ({size_mb:.1f} MB). It lies with the sender: {_plain(str(report.pdf))}\n"
        "Ask for it."
    )
    short = _small_pdf(report, "phone")
    if short is not None:
        yield short, f"Its short edition, for a phone, is attached. {where}"
    yield None, where


def _small_pdf(report: Report, page_size: PageSize | None = None) -> bytes | None:
    """The report written anew from what is saved, in its language; None if it is not all there.

    None too if it becomes no smaller. page_size : of another edition, else the report's own
    """
    if report.measurements is None:
        return None
    said = _LANGUAGE.search(report.pdf_bytes)
    language = said[1].decode() if said is not None else "en"
    box = _MEDIA_BOX.search(report.pdf_bytes)
    widths = {size[0]: name for name, size in PAGES.items()}
    own = widths.get(float(box[1]), "a4") if box is not None else "a4"
    try:
        pictures = saved.read_pictures(report.pdf.parent / "pictures.npz")
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "report.pdf"
            write_report(report.measurements, pictures, path, page_size=page_size or own, language=language, small=True)
            content = path.read_bytes()
    except (SavedError, OutputError):
        return None
    return content if len(content) < len(report.pdf_bytes) else None


def _message(
    report: Report, sender: Address, to: Address, message_id: str, pdf: bytes | None, note: str
) -> EmailMessage:
    m = report.measurements
    message = EmailMessage(policy=POLICY)
    verdict = VERDICTS[m.verdict.word] if m is not None else "technical check"
    message["Subject"] = f"{report.name}: {verdict}"
    message["From"] = sender
    message["To"] = to
    message["Date"] = formatdate(localtime=True)
    message["Message-ID"] = message_id
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's absence note answers it
    message.set_content("\n\n".join([GREETING, *_what_was_found(report.name, m), note, FAREWELL]) + "\n")
    if pdf is not None:
        message.add_attachment(pdf, maintype="application", subtype="pdf", filename=f"{_file_name(report.name)}.pdf")
    return message


def _what_was_found(name: str, m: Measurements | None) -> list[str]:
    """The verdict, what decided it, what to do, and how much was left unchecked."""
    if m is None:
        return [name]
    said = [f"{name}: {m.verdict.sentence}"]
    red = [m.findings[i] for i in m.verdict.red_lines]
    if red:
        said.append("\n".join(f"{n}. {_plain(f.message)}\n   {_plain(f.action)}" for n, f in enumerate(red, 1)))
    n = len(m.not_checked)
    if n:
        things = "One thing" if n == 1 else f"{n} things"
        said.append(f"{things} could not be checked; the report says what, and why.")
    return said


def _plain(text: str) -> str:
    """Text on one line, without control characters and without bytes that are no letters."""
    clean = text.encode("utf-8", "replace").decode()
    return " ".join("".join(c if c.isprintable() else " " for c in clean).split())


def _file_name(name: str) -> str:
    return "".join("_" if c in '/\\:*?"<>|' else c for c in name).strip(". ") or "report"


def _ascii_domain(domain: str) -> str:
    return domain if domain.isascii() else domain.encode("idna").decode()
