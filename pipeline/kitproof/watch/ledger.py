"""What a watch has done, on disk, so that it can be killed at any moment and go on.

One row for each report asked for: a take, its number (1, 2, ... for each new export) and the fingerprint of its
files. States of a row:

    measuring   begun; worth nothing after a crash, so it is taken back on the next start
    placing     the report is whole and lies in the working folder; after a crash it is put in place, not made again
    reported    in place
    failed      no report could be made; asked again only when the files change

A take that has not come to rest has no row, only a sighting: since when it has looked as it does.

The file is held open for its owner alone, which a dying process gives up by itself: two watches can never
write to one place. Held like that, SQLite's write-ahead log needs no shared memory and so works on a network
share too.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from kitproof.errors import OutputError
from kitproof.watch.settle import Sighting

LEDGER_NAME = ".kitproof-ledger.sqlite"
VERSION = 1
State = Literal["measuring", "placing", "reported", "failed"]
_TABLES = """
CREATE TABLE IF NOT EXISTS takes (
    take TEXT NOT NULL, number INTEGER NOT NULL, fingerprint TEXT NOT NULL, listing TEXT NOT NULL,
    state TEXT NOT NULL, token TEXT NOT NULL, content TEXT, status INTEGER, said TEXT NOT NULL DEFAULT '',
    changed_unix_s REAL NOT NULL, PRIMARY KEY (take, number));
CREATE TABLE IF NOT EXISTS sightings (take TEXT PRIMARY KEY, witness TEXT NOT NULL, since_unix_s REAL NOT NULL);
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One report asked for."""

    take: str
    number: int
    fingerprint: str
    listing: str
    state: State
    token: str  # the working folder it is made in
    content: str | None = None  # hash over the contents of its files; None: not known
    status: int | None = None  # 0 nothing to fix, 1 something to fix
    said: str = ""


class Ledger:
    """The ledger of one place that reports go to; a context manager.

    Raises
    ------
    OutputError : another watch has it, it is damaged, or its folder cannot be written to
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / LEDGER_NAME
        try:
            self._db = sqlite3.connect(self.path, timeout=0.0, isolation_level=None)
            for line in ("locking_mode=EXCLUSIVE", "journal_mode=WAL", "synchronous=FULL"):
                self._db.execute(f"PRAGMA {line}")
            self._db.execute("BEGIN EXCLUSIVE")  # takes the lock, which locking_mode then keeps
            self._db.execute("COMMIT")
            self._db.executescript(_TABLES)
            (version,) = self._db.execute("PRAGMA user_version").fetchone()
            self._db.execute(f"PRAGMA user_version={VERSION}")
        except sqlite3.Error as error:
            raise OutputError(_why_not(folder, self.path, error)) from error
        if version not in (0, VERSION):
            self.close()
            raise OutputError(f"{self.path}: of another version of kitproof; move it away, and all takes are reported")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the place free."""
        self._db.close()

    # ------------------------------------------------------------ reports
    def last(self, take: str) -> Row | None:
        """The newest row of a take."""
        rows = self._rows("WHERE take = ? ORDER BY number DESC LIMIT 1", _text(take))
        return rows[0] if rows else None

    def rows(self, state: State | None = None) -> list[Row]:
        """All rows, or those in one state, in the order of their takes."""
        return self._rows("WHERE state = ? ORDER BY take, number", state) if state else self._rows(
            "ORDER BY take, number"
        )  # fmt: skip

    def begin(self, take: str, fingerprint: str, listing: str, token: str) -> Row:
        """A new row, measuring, numbered after the last one."""
        last = self.last(take)
        row = Row(
            take=_text(take), number=last.number + 1 if last else 1, fingerprint=fingerprint, listing=listing,
            state="measuring", token=token,
        )  # fmt: skip
        self._run(
            "INSERT INTO takes (take, number, fingerprint, listing, state, token, changed_unix_s) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (row.take, row.number, fingerprint, listing, row.state, token, time.time()),
        )
        return row

    def move(self, row: Row, state: State, *, content: str | None, status: int | None = None, said: str = "") -> None:
        """Bring a row into another state. On disk when this returns."""
        self._run(
            "UPDATE takes SET state = ?, content = ?, status = ?, said = ?, changed_unix_s = ? "
            "WHERE take = ? AND number = ?",
            (state, content, status, _text(said), time.time(), row.take, row.number),
        )

    def take_back(self, row: Row) -> None:
        """Forget a row, as if it had never been begun."""
        self._run("DELETE FROM takes WHERE take = ? AND number = ?", (row.take, row.number))

    def renew(self, row: Row, fingerprint: str) -> None:
        """Note that a take's files have got new times, but not new contents."""
        self._run("UPDATE takes SET fingerprint = ? WHERE take = ? AND number = ?", (fingerprint, row.take, row.number))

    def _rows(self, clause: str, *values: object) -> list[Row]:
        names = ("take", "number", "fingerprint", "listing", "state", "token", "content", "status", "said")
        found = self._run(f"SELECT {', '.join(names)} FROM takes {clause}", values)
        return [Row(**dict(zip(names, entry, strict=True))) for entry in found]

    def _run(self, line: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """All rows of one statement. OutputError if the disk or the file will not have it."""
        try:
            with closing(self._db.execute(line, values)) as found:
                return found.fetchall()
        except sqlite3.Error as error:
            raise OutputError(f"{self.path}: cannot be written or read ({error}); make room on its disk") from error

    # ------------------------------------------------------------ sightings
    def sightings(self, now_s: float) -> dict[str, Sighting]:
        """What an earlier run saw, its times turned into those of the clock that shows `now_s`."""
        ages = self._run("SELECT take, witness, ? - since_unix_s FROM sightings", (time.time(),))
        return {take: Sighting(witness, now_s - age_s) for take, witness, age_s in ages if age_s >= 0}

    def keep_sightings(self, sightings: Mapping[str, Sighting], now_s: float) -> None:
        """Replace the sightings kept."""
        wall_s = time.time() - now_s
        seen = [(_text(take), s.witness, wall_s + s.since_s) for take, s in sightings.items()]
        try:
            with self._db:  # one transaction
                self._db.execute("BEGIN")
                self._db.execute("DELETE FROM sightings")
                self._db.executemany("INSERT OR REPLACE INTO sightings VALUES (?, ?, ?)", seen)
        except sqlite3.Error as error:
            raise OutputError(f"{self.path}: cannot be written ({error}); make room on its disk") from error


def _text(name: str) -> str:
    """A name as SQLite can hold it: bytes that are no text become escapes."""
    return name.encode("utf-8", "backslashreplace").decode()


def _why_not(folder: Path, path: Path, error: sqlite3.Error) -> str:
    if "locked" in str(error):
        return f"{folder}: another kitproof watch writes its reports there; stop it, or choose another folder with --to"
    if "not a database" in str(error) or "malformed" in str(error):
        return f"{path}: damaged; move it away, and all takes are reported again"
    return f"{path}: cannot be opened ({error}); check that its folder may be written to"
