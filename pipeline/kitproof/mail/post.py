"""Reports into the outbox, and out of it to the server."""

from __future__ import annotations

import hashlib
import secrets
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from email.headerregistry import Address
from itertools import groupby
from pathlib import Path

from kitproof.errors import KitproofError
from kitproof.mail.message import MailError, Report, address, compose, read_report
from kitproof.mail.outbox import Letter, Outbox, State
from kitproof.mail.settings import Server, Settings, find_login
from kitproof.mail.smtp import Outcome, connect
from kitproof.wholefile import whole_file

LOOK_EVERY_S = 5.0
Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """Where mail goes from and to, all of it checked."""

    server: Server
    sender: Address
    to: tuple[Address, ...]
    user: str | None
    most_bytes: int


def route(settings: Settings, *, needs_server: bool = True) -> Route:
    """The settings, checked.

    Raises
    ------
    MailError : something is missing or wrong
    """
    if not settings.to:
        raise MailError("nobody to send to; give --to name@domain")
    if settings.server is None and needs_server:
        raise MailError("no mail server; give --server host:port, or server = ... in the settings file")
    if settings.sender is None:
        raise MailError("no sender; give --from name@domain, or from = ... in the settings file")
    by_spec = {a.addr_spec.lower(): a for a in map(address, settings.to)}
    return Route(
        server=settings.server or Server(host="localhost"),
        sender=address(settings.sender),
        to=tuple(by_spec.values()),
        user=settings.user,
        most_bytes=round(settings.max_mb * 1e6),
    )


def put_in(outbox: Outbox, report: Report, way: Route, *, again: bool = False) -> list[Letter]:
    """One message a person into the outbox; one that is there already, sent or not, stays as it is.

    `again` makes it another message, unless it still waits; what was not known or refused before is settled by that.
    """
    letters = []
    for person in way.to:
        key = _key(report, person)
        known = outbox.newest(key)
        if known is not None and again and known.state != "waiting":
            outbox.forget(key)
            known, key = None, f"{key}-{secrets.token_hex(8)}"
        if known is None:
            message = compose(report, way.sender, person, most_bytes=way.most_bytes, message_id=_message_id(key, way))
            known = outbox.put(
                Letter(
                    key=key, sender=way.sender.addr_spec, recipient=person.addr_spec, subject=str(message["Subject"]),
                    host=way.server.host, port=way.server.port, insecure_plain=way.server.insecure_plain,
                    user=way.user, content=message.as_bytes(),
                )
            )  # fmt: skip
        letters.append(known)
    return letters


def write_dry(report: Report, way: Route, path: Path) -> list[Path]:
    """Write the messages as files instead: `path`, and for more people `path` with -2, -3 added.

    Raises
    ------
    MailError : the name does not end in .eml
    OutputError : a file cannot be written
    """
    if path.suffix.lower() != ".eml":
        raise MailError(f"{path}: messages are written into files that end in .eml")
    written = []
    for n, person in enumerate(way.to, 1):
        target = path if n == 1 else path.with_stem(f"{path.stem}-{n}")
        key = _key(report, person)
        message = compose(report, way.sender, person, most_bytes=way.most_bytes, message_id=_message_id(key, way))
        with whole_file(target) as file:
            file.write(message.as_bytes())
        written.append(target)
    return written


def flush(
    outbox: Outbox, tell: Tell, complain: Tell, *, only: Iterable[str] | None = None, instead: Server | None = None,
    now: bool = False,
) -> bool:  # fmt: skip
    """Try to send what is due; every message that changes its state is told of.

    Parameters
    ----------
    only : keys of the messages to try; all by default
    instead : a server to use in place of the one each message was put in with
    now : do not wait for the pauses between tries to be over

    Returns
    -------
    False if another process is sending just now
    """
    with outbox.alone() as is_alone:
        if not is_alone:
            return False
        wanted = None if only is None else set(only)
        due = outbox.due(float("inf") if now else time.time())
        letters = [letter for letter in due if wanted is None or letter.key in wanted]
        for (host, port, plain, user), group in groupby(sorted(letters, key=_way_of), key=_way_of):
            server = instead or Server(host=host, port=port, insecure_plain=plain)
            _send_all(outbox, server, user or None, list(group), tell, complain)
    return True


def unsettled_lines(outbox: Outbox) -> list[str]:
    """What is not sent, a line each."""
    return [in_words(letter) for letter in outbox.unsettled()]


def in_words(letter: Letter) -> str:
    """How a message stands."""
    head = f"{letter.recipient}: {letter.subject}"
    if letter.state == "sent":
        return f"{head}: sent {time.strftime('%Y-%m-%d %H:%M', time.localtime(letter.changed_unix_s))}"
    if letter.state == "maybe":
        return (
            f"{head}: may have been sent, or not: {letter.said}. It is not sent again by itself; "
            "ask, and if it has not come, run kitproof mail with --again"
        )
    if letter.state == "refused":
        return f"{head}: not sent: {letter.said}. Mend that, then run kitproof mail with --again"
    return f"{head}: waits ({letter.said or 'not tried yet'}); kitproof mail --flush tries again"


def _send_all(
    outbox: Outbox, server: Server, user: str | None, letters: Sequence[Letter], tell: Tell, complain: Tell
) -> None:
    """Send messages over one connection; if the server fails, the rest of them wait."""
    try:
        login = find_login(server, user)
    except MailError as error:
        _all_later(outbox, letters, str(error), complain)
        return
    with connect(server, login) as connection:
        if isinstance(connection, Outcome):
            _all_later(outbox, letters, connection.said, complain)
            return
        for n, letter in enumerate(letters):
            outcome = connection.hand_over(
                letter.sender, letter.recipient, letter.content or b"",
                before_end=lambda key=letter.key: outbox.mark(key, "sending"),  # type: ignore[misc]
            )  # fmt: skip
            state = _note(outbox, letter, outcome)
            now = outbox.get(letter.key) or letter
            (tell if state == "sent" else complain)(in_words(now))
            if outcome.is_server_trouble:
                _all_later(outbox, letters[n + 1 :], outcome.said, complain)
                return


def _note(outbox: Outbox, letter: Letter, outcome: Outcome) -> State:
    if outcome.fate == "later":
        return outbox.put_off(letter, outcome.said, time.time())
    outbox.mark(letter.key, outcome.fate, outcome.said)
    return outcome.fate


def _all_later(outbox: Outbox, letters: Sequence[Letter], said: str, complain: Tell) -> None:
    for letter in letters:
        outbox.put_off(letter, said, time.time())
    if letters:
        waiting = "1 message waits" if len(letters) == 1 else f"{len(letters)} messages wait"
        complain(f"mail: {said}; {waiting} in the outbox")


def _way_of(letter: Letter) -> tuple[str, int, bool, str]:
    return letter.host, letter.port, letter.insecure_plain, letter.user or ""


def _key(report: Report, person: Address) -> str:
    return hashlib.sha256(f"{report.identity} {person.addr_spec.lower()}".encode()).hexdigest()


def _message_id(key: str, way: Route) -> str:
    return f"<{hashlib.sha256(key.encode()).hexdigest()[:32]}.kitproof@{way.sender.domain}>"


class Postman:
    """Sends in the background, for a watch: what a server keeps waiting must not keep takes waiting."""

    def __init__(self, outbox: Outbox, way: Route, tell: Tell, complain: Tell) -> None:
        self._outbox, self._way, self._tell, self._complain = outbox, way, tell, complain
        self._wake = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Begin to send what waits, and go on."""
        self._thread.start()

    def put_in(self, folder: Path) -> None:
        """Put a new report into the outbox; doing it twice is as good as once."""
        put_in(self._outbox, read_report(folder), self._way)
        self._wake.set()

    def end(self, most_s: float = 10.0) -> None:
        """Let a message that is on its way arrive, and stop."""
        self._ended = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(most_s)

    def flush(self) -> None:
        """Try once, here and now."""
        try:
            flush(self._outbox, self._tell, self._complain)
        except KitproofError as error:
            self._complain(str(error))
        except Exception as error:  # or no mail would be sent any more, and nobody told
            self._complain(f"mail: this should not happen: {type(error).__name__}: {error}")

    def _run(self) -> None:
        while not self._ended:
            self.flush()
            self._wake.wait(LOOK_EVERY_S)
            self._wake.clear()
