"""Messages on disk until they are with a server, and the memory of those that were.

States of a message:

    waiting   not sent; tried again from `next_try` on
    sending   the last dot was about to go; after a crash this reads as maybe
    sent      a server has taken it; its content is dropped
    maybe     handed over, but no answer came: never sent again by itself, and told of until somebody decides
    refused   a server wants nothing of it, or it has waited too long; kept, not tried again

A message has a key: the same report to the same person is the same message, however often it is put in.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from kitproof.errors import OutputError

State = Literal["waiting", "sending", "sent", "maybe", "refused"]
FIRST_PAUSE_S, LONGEST_PAUSE_S = 60.0, 4 * 3600.0
LONGEST_WAIT_S = 5 * 86400.0  # RFC 5321, section 4.5.4.1: give up after four to five days at the earliest
_TABLE = """
CREATE TABLE IF NOT EXISTS mail (
    key TEXT PRIMARY KEY, state TEXT NOT NULL, sender TEXT NOT NULL, recipient TEXT NOT NULL, subject TEXT NOT NULL,
    host TEXT NOT NULL, port INTEGER NOT NULL, insecure_plain INTEGER NOT NULL, user TEXT,
    content BLOB, said TEXT NOT NULL DEFAULT '', n_tries INTEGER NOT NULL DEFAULT 0,
    put_unix_s REAL NOT NULL, next_try_unix_s REAL NOT NULL, changed_unix_s REAL NOT NULL)
"""
_FIELDS = (
    "key", "state", "sender", "recipient", "subject", "host", "port", "insecure_plain", "user", "content", "said",
    "n_tries", "put_unix_s", "next_try_unix_s", "changed_unix_s",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """One message in the outbox; `sender` and `recipient` are bare addresses."""

    key: str
    sender: str
    recipient: str
    subject: str
    host: str
    port: int
    insecure_plain: bool
    user: str | None
    content: bytes | None
    state: State = "waiting"
    said: str = ""
    n_tries: int = 0
    put_unix_s: float = 0.0
    next_try_unix_s: float = 0.0
    changed_unix_s: float = 0.0


class Outbox:
    """The outbox in a folder. Opened anew for every call, so any number of processes may use it.

    Raises
    ------
    OutputError : the folder cannot be made or written to, or the file in it is damaged
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / "outbox.sqlite"
        self._lock_path = folder / "sending.lock.sqlite"
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as error:
            raise OutputError(f"{folder}: cannot be made ({error.strerror or error})") from error
        with self._open() as db:
            db.execute(_TABLE)
        self.path.chmod(0o600)  # messages are nobody else's

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self.path, timeout=10.0, isolation_level=None)) as db:
                db.execute("PRAGMA journal_mode=WAL")
                db.execute("PRAGMA synchronous=FULL")
                yield db
        except sqlite3.Error as error:
            raise OutputError(f"{self.path}: cannot be used ({error}); free some room, or move it away") from error

    def put(self, letter: Letter) -> Letter:
        """Put a message in; if it is there already, nothing changes. Returns it as it is there now."""
        now = time.time()
        marks = ", ".join("?" * len(_FIELDS))
        values = [getattr(letter, name) for name in _FIELDS[:-3]]
        with self._open() as db:
            db.execute(f"INSERT OR IGNORE INTO mail ({', '.join(_FIELDS)}) VALUES ({marks})", (*values, now, now, now))
        return self.get(letter.key) or letter

    def get(self, key: str) -> Letter | None:
        """One message."""
        found = self._letters("WHERE key = ?", key)
        return found[0] if found else None

    def newest(self, key: str) -> Letter | None:
        """The message of a key, or the last one that was made of it by sending it again ("key-...")."""
        found = self._letters("WHERE key = ? OR key GLOB ? ORDER BY put_unix_s DESC LIMIT 1", key, f"{key}-*")
        return found[0] if found else None

    def forget(self, key: str | None = None) -> list[Letter]:
        """Drop what may have been sent or was refused, of one key and what was made of it, or of all; returns it."""
        which = "WHERE state IN ('maybe', 'refused')"
        values: tuple[str, ...] = ()
        if key is not None:
            which, values = f"{which} AND (key = ? OR key GLOB ?)", (key, f"{key}-*")
        dropped = self._letters(which, *values)
        with self._open() as db:
            db.execute(f"DELETE FROM mail {which}", values)
        return dropped

    def due(self, now_unix_s: float) -> list[Letter]:
        """What waits and whose pause is over, oldest first."""
        return self._letters("WHERE state = 'waiting' AND next_try_unix_s <= ? ORDER BY put_unix_s, key", now_unix_s)

    def unsettled(self) -> list[Letter]:
        """Everything that is not sent."""
        return self._letters("WHERE state != 'sent' ORDER BY put_unix_s, key")

    def mark(self, key: str, state: State, said: str = "") -> None:
        """Bring a message into a state. On disk when this returns."""
        with self._open() as db:
            db.execute(
                "UPDATE mail SET state = ?, said = ?, changed_unix_s = ?, "
                "content = CASE WHEN ? = 'sent' THEN NULL ELSE content END WHERE key = ?",
                (state, said, time.time(), state, key),
            )

    def put_off(self, letter: Letter, said: str, now_unix_s: float) -> State:
        """Note a try that came to nothing: wait twice as long as before, or give up after days."""
        pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(letter.n_tries, 20))
        state: State = "refused" if now_unix_s - letter.put_unix_s > LONGEST_WAIT_S else "waiting"
        with self._open() as db:
            db.execute(
                "UPDATE mail SET state = ?, said = ?, n_tries = n_tries + 1, next_try_unix_s = ?, changed_unix_s = ? "
                "WHERE key = ?",
                (state, said, now_unix_s + pause_s, now_unix_s, letter.key),
            )
        return state

    @contextmanager
    def alone(self) -> Iterator[bool]:
        """True inside if nobody else is sending; the right to send ends with the process that has it.

        Messages that a sender who died left as sending are maybe from then on.
        """
        with closing(sqlite3.connect(self._lock_path, timeout=0.0, isolation_level=None)) as lock:
            try:
                lock.execute("BEGIN EXCLUSIVE")
            except sqlite3.OperationalError:
                yield False
                return
            with self._open() as db:
                db.execute(
                    "UPDATE mail SET state = 'maybe', said = 'sending was cut off just as it ended' "
                    "WHERE state = 'sending'"
                )
            yield True

    def _letters(self, clause: str, *values: object) -> list[Letter]:
        with self._open() as db:
            rows = db.execute(f"SELECT {', '.join(_FIELDS)} FROM mail {clause}", values).fetchall()
        letters = [dict(zip(_FIELDS, row, strict=True)) for row in rows]
        return [Letter(**{**row, "insecure_plain": bool(row["insecure_plain"])}) for row in letters]
