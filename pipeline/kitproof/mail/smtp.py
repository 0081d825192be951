"""One message handed to a server, and exactly how far that got.

A server answers for a message from the moment it confirms the end of the data, and must not deliver one whose
end it never saw. So there is one moment only at which nobody can know: the last dot is on its way and the answer
never comes. Before it, trying again is safe; after it, it might be the second time.

Source
------
RFC 5321, sections 4.1.1.4, 4.2.5 and 6.1; TLS from the start or by STARTTLS: RFC 8314, RFC 3207.
"""

from __future__ import annotations

import re
import smtplib
import socket
import ssl
from base64 import b64encode
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Literal

from kitproof.mail.settings import IMPLICIT_TLS_PORT, Login, Server, is_this_machine

Fate = Literal["sent", "later", "refused", "maybe"]
MOST_LETTERS = 200  # of what a server says: it goes into a line on a terminal

_OF_THE_SERVER = (421, 530, 535, 538)  # closing; no login, a wrong one, one that wants TLS (RFC 4954, section 6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one message: sent; later: not sent, may be tried again; refused: not sent, for good; maybe."""

    fate: Fate
    said: str
    is_server_trouble: bool = False  # the server, not this message: others need not be tried now


class _NotHandedOverError(Exception):
    """Something ended the attempt before the message was handed over."""

    def __init__(self, outcome: Outcome) -> None:
        super().__init__(outcome.said)
        self.outcome = outcome


class Connection:
    """A session with a server, logged in, over TLS; hands over any number of messages.

    Opened by `connect`.
    """

    def __init__(self, smtp: smtplib.SMTP, secrets: tuple[str, ...]) -> None:
        self._smtp, self._secrets = smtp, secrets

    def hand_over(self, sender: str, to: str, content: bytes, before_end: Callable[[], None]) -> Outcome:
        """Hand over one message.

        Parameters
        ----------
        sender, to : bare addresses, ASCII
        content : the message, lines ended by CRLF
        before_end : called when all but the last dot is with the server; what it raises stops the message in time
        """
        try:
            self._expect("MAIL FROM", self._smtp.mail(sender), (250,))
            self._expect("RCPT TO", self._smtp.rcpt(to), (250, 251))
            self._expect("DATA", self._smtp.docmd("DATA"), (354,))
            self._socket().sendall(_on_the_wire(content))
            before_end()
        except _NotHandedOverError as trouble:
            with suppress(OSError, smtplib.SMTPException):
                self._smtp.rset()
            return trouble.outcome
        except (OSError, smtplib.SMTPException) as error:
            return Outcome(fate="later", said=self._clean(f"the connection was lost: {error}"), is_server_trouble=True)
        return self._end()

    def _end(self) -> Outcome:
        """The last dot, and the answer to it."""
        try:
            self._socket().sendall(b".\r\n")
            code, text = self._smtp.getreply()
        except (OSError, smtplib.SMTPException) as error:
            said = self._clean(f"no answer after the whole message was handed over: {error}")
            return Outcome(fate="maybe", said=said, is_server_trouble=True)
        try:
            self._expect("end of the message", (code, text), (250,))
        except _NotHandedOverError as trouble:
            return trouble.outcome
        return Outcome(fate="sent", said=self._clean(text.decode("utf-8", "replace")))

    def close(self) -> None:
        """Say good-bye."""
        with suppress(OSError, smtplib.SMTPException):
            self._smtp.quit()
        self._smtp.close()

    def _socket(self) -> socket.socket:
        sock = self._smtp.sock
        if sock is None:
            raise smtplib.SMTPServerDisconnected("the server hung up")
        return sock

    def _expect(self, step: str, reply: tuple[int, bytes], wanted: tuple[int, ...]) -> None:
        code, text = reply
        if code in wanted:
            return
        said = self._clean(f"{step} was answered with {code} {text.decode('utf-8', 'replace')}")
        is_of_server = code in _OF_THE_SERVER or code <= 0
        fate: Fate = "refused" if 500 <= code < 600 and not is_of_server else "later"
        raise _NotHandedOverError(Outcome(fate=fate, said=said, is_server_trouble=is_of_server))

    def _clean(self, text: str) -> str:
        return _clean(text, self._secrets)


@contextmanager
def connect(server: Server, login: Login | None) -> Iterator[Connection | Outcome]:
    """A connection ready for messages, or the outcome "later" that every message of now has."""
    secrets = _forms_of(login)
    try:
        smtp = _open(server, login)
    except (OSError, smtplib.SMTPException, ValueError) as error:
        yield Outcome(fate="later", said=_clean(_in_words(server, error), secrets), is_server_trouble=True)
        return
    connection = Connection(smtp, secrets)
    try:
        yield connection
    finally:
        connection.close()


def _open(server: Server, login: Login | None) -> smtplib.SMTP:
    context = ssl.create_default_context()
    if server.insecure_plain and not is_this_machine(server.host):
        raise ValueError("mail without TLS is for servers on this machine only")
    if server.port == IMPLICIT_TLS_PORT and not server.insecure_plain:
        smtp: smtplib.SMTP = smtplib.SMTP_SSL(server.host, server.port, timeout=server.timeout_s, context=context)
    else:
        smtp = smtplib.SMTP(server.host, server.port, timeout=server.timeout_s)
    try:
        smtp.ehlo_or_helo_if_needed()
        if not server.insecure_plain and server.port != IMPLICIT_TLS_PORT:
            smtp.starttls(context=context)  # raises if the server does not offer it
            smtp.ehlo()
        if login is not None:
            smtp.login(login.user, login.password)
    except BaseException:
        smtp.close()
        raise
    return smtp


def _in_words(server: Server, error: Exception) -> str:
    where = f"{server.host}:{server.port}"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"{where}: its certificate cannot be trusted ({error.verify_message})"
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return f"{where}: does not offer what is needed ({error}); TLS is on port 465, or STARTTLS on 587"
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return f"{where}: user name or password is refused ({error.smtp_code})"
    return f"{where}: cannot be reached ({error or type(error).__name__})"


def _on_the_wire(content: bytes) -> bytes:
    """Lines ended by CRLF, the first of two dots kept from being taken for the end (RFC 5321, section 4.5.2)."""
    lines = re.sub(rb"\r\n|\r|\n", b"\r\n", content)
    doubled = re.sub(rb"(?m)^\.", b"..", lines)
    return doubled if doubled.endswith(b"\r\n") else doubled + b"\r\n"


def _forms_of(login: Login | None) -> tuple[str, ...]:
    """The password as it may come back in what a server says: as it is, and as it goes over the line."""
    if login is None:
        return ()
    both = b64encode(f"\0{login.user}\0{login.password}".encode()).decode()
    return (login.password, b64encode(login.password.encode()).decode(), both)


def _clean(text: str, secrets: tuple[str, ...]) -> str:
    """What a server said as one short printable line, without the password."""
    for secret in secrets:
        text = text.replace(secret, "***")
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= MOST_LETTERS else line[: MOST_LETTERS - 3] + "..."
