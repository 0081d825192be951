"""take.toml: what the user says about a take and its microphones.

A mistake in it costs the entry, not the take: it is told in a remark, and what it concerns is taken
as not declared. Only a file that is no TOML at all stops the reading, because half of it might be
missing without anyone noticing.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from kitproof.errors import TakeError
from kitproof.ingest.names import role_from_name
from kitproof.model import Section
from kitproof.remarks import (
    ENTRY_NO_TABLE,
    NO_FILE,
    NO_NUMBER,
    NO_SUCH_ROLE,
    NO_SUCH_ROLE_NEAR,
    NO_TABLE,
    NO_TABLES,
    NO_TEXT,
    NO_WHOLE_NUMBER,
    ROLE_AND_ROLES,
    ROLE_NO_TEXT,
    ROLES_NO_LIST,
    SECTION_INCOMPLETE,
    SINGLE_BRACKETS,
    UNKNOWN_KEY,
    UNKNOWN_KEY_NEAR,
)
from kitproof.roles import LABELS

_TAKE_KEYS = ("song", "number", "tempo_bpm", "beats_per_bar", "first_bar_s", "temperature_c")
_SECTION_KEYS = ("name", "bar")
_CHANNEL_KEYS = ("file", "role", "roles", "mic", "preamp", "position", "note", "to_own_drum_m", "to_snare_m")
# lowest and highest value that is believed; the temperatures are those that units.py is good for
TEMPO_BPM = (20.0, 400.0)
BEATS_PER_BAR = (1, 32)
FIRST_BAR_S = (0.0, 3600.0)
BARS = (1, 9999)
TEMPERATURE_C = (-30.0, 50.0)
DISTANCE_M = (0.0, 50.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredChannel:
    """One [[channel]] entry. `roles` has None where the role written is none; it is empty if there is none."""

    file: str  # as written
    roles: tuple[str | None, ...] = ()
    is_list: bool = False  # roles = [...], one per channel
    mic: str | None = None
    preamp: str | None = None
    position: str | None = None
    note: str | None = None
    to_own_drum_m: float | None = None
    to_snare_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredTake:
    """A take.toml, read; without one, all is None and empty."""

    song: str | None = None
    number: int | None = None
    tempo_bpm: float | None = None
    beats_per_bar: int | None = None
    first_bar_s: float | None = None
    sections: tuple[Section, ...] = ()
    temperature_c: float | None = None
    channels: tuple[DeclaredChannel, ...] = ()
    limits: Mapping[str, Any] = field(default_factory=dict)  # [limits]: values as written, not looked at here
    remarks: tuple[str, ...] = ()


def read_declared(path: Path) -> DeclaredTake:
    """Read a take.toml.

    Raises
    ------
    TakeError : it cannot be opened, or is no TOML; the line says where
    """
    try:
        content = tomllib.loads(path.read_bytes().decode("utf-8-sig"))  # some editors put a mark in front
    except OSError as error:
        raise TakeError(f"{path}: cannot be opened ({error.strerror or error}); check that it may be read") from error
    except UnicodeDecodeError as error:
        raise TakeError(
            f"{path}: byte {error.start + 1} is not UTF-8, which TOML asks for; save it as UTF-8"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise TakeError(
            f"{path}: no valid TOML, {error}; texts stand in quotes, a backslash in a text is written twice. "
            "Mend that line, or move the file away to take roles from the file names"
        ) from error
    return _Reader().read(content)


class _Reader:
    """Goes through the tables once and collects remarks."""

    def __init__(self) -> None:
        self.remarks: list[str] = []

    def read(self, content: Mapping[str, Any]) -> DeclaredTake:
        self._unknown_keys("take.toml", content, ("take", "channel", "section", "limits"))
        take = content.get("take", {})
        if not isinstance(take, dict):
            self._say(NO_TABLE, "take.toml", word="take")
            take = {}
        where = "take.toml, [take]"
        self._unknown_keys(where, take, _TAKE_KEYS)
        limits = content.get("limits", {})
        if not isinstance(limits, dict):
            self._say(NO_TABLE, "take.toml", word="limits")
            limits = {}
        entries = [self._channel(n, entry) for n, entry in enumerate(self._entries(content, "channel"), 1)]
        sections = [self._section(n, entry) for n, entry in enumerate(self._entries(content, "section"), 1)]
        return DeclaredTake(
            song=self._text(where, take, "song"),
            number=self._whole(where, take, "number", (0, 9999)),
            tempo_bpm=self._number(where, take, "tempo_bpm", TEMPO_BPM),
            beats_per_bar=self._whole(where, take, "beats_per_bar", BEATS_PER_BAR),
            first_bar_s=self._number(where, take, "first_bar_s", FIRST_BAR_S),
            sections=tuple(sorted((s for s in sections if s is not None), key=lambda s: s.bar)),
            temperature_c=self._number(where, take, "temperature_c", TEMPERATURE_C),
            channels=tuple(entry for entry in entries if entry is not None),
            limits=limits,
            remarks=tuple(self.remarks),
        )

    def _entries(self, content: Mapping[str, Any], what: str) -> list[Any]:
        entries = content.get(what, [])
        if isinstance(entries, dict):
            self._say(SINGLE_BRACKETS, "take.toml", word=what)
            return [entries]
        if not isinstance(entries, list):
            self._say(NO_TABLES, "take.toml", word=what)
            return []
        return entries

    def _section(self, n: int, entry: Any) -> Section | None:
        where = f"take.toml, section {n}"
        if not isinstance(entry, dict):
            self._say(ENTRY_NO_TABLE, where, word="section")
            return None
        self._unknown_keys(where, entry, _SECTION_KEYS)
        name, bar = self._text(where, entry, "name"), self._whole(where, entry, "bar", BARS)
        if name is None or bar is None:
            if {"name", "bar"} <= set(entry):  # what is wrong with them has been said
                return None
            self._say(SECTION_INCOMPLETE, where)
            return None
        return Section(name=name, bar=bar)

    def _channel(self, n: int, entry: Any) -> DeclaredChannel | None:
        where = f"take.toml, channel {n}"
        if not isinstance(entry, dict):
            self._say(ENTRY_NO_TABLE, where, word="channel")
            return None
        file = self._text(where, entry, "file")
        if file is None:
            self._say(NO_FILE, where)
            return None
        where = f'{where} ("{file}")'
        self._unknown_keys(where, entry, _CHANNEL_KEYS)
        return DeclaredChannel(
            file=file,
            roles=self._roles(where, entry),
            is_list="roles" in entry,
            mic=self._text(where, entry, "mic"),
            preamp=self._text(where, entry, "preamp"),
            position=self._text(where, entry, "position"),
            note=self._text(where, entry, "note"),
            to_own_drum_m=self._number(where, entry, "to_own_drum_m", DISTANCE_M),
            to_snare_m=self._number(where, entry, "to_snare_m", DISTANCE_M),
        )

    def _roles(self, where: str, entry: Mapping[str, Any]) -> tuple[str | None, ...]:
        if "role" in entry and "roles" in entry:
            self._say(ROLE_AND_ROLES, where)
        if "roles" in entry:
            roles = entry["roles"]
            if isinstance(roles, list):
                return tuple(self._role(where, role) for role in roles)
            self._say(ROLES_NO_LIST, where)
            return ()
        return (self._role(where, entry["role"]),) if entry.get("role", "") != "" else ()

    def _role(self, where: str, written: Any) -> str | None:
        if not isinstance(written, str):
            self._say(ROLE_NO_TEXT, where, value=repr(written))
            return None
        role = "-".join(written.lower().replace("_", " ").replace("-", " ").split())
        if role in LABELS:
            return role
        meant, source = role_from_name(written)
        near = [meant] if source == "file name" else difflib.get_close_matches(role, LABELS, n=1)
        if near:
            self._say(NO_SUCH_ROLE_NEAR, where, value=written, near=near[0])
        else:
            self._say(NO_SUCH_ROLE, where, value=written, roles=", ".join(LABELS))
        return None

    def _text(self, where: str, table: Mapping[str, Any], key: str) -> str | None:
        value = table.get(key)
        if value is None or isinstance(value, str):
            return (value or "").strip() or None
        self._say(NO_TEXT, where, word=key, value=repr(value))
        return None

    def _number(
        self, where: str, table: Mapping[str, Any], key: str, limits: tuple[float, float], *, whole: bool = False
    ) -> float | None:
        value = table.get(key)
        if value is None:
            return None
        low, high = limits
        is_number = not isinstance(value, bool) and isinstance(value, (int, float)) and low <= value <= high
        if not is_number or (whole and value != int(value)):
            said = NO_WHOLE_NUMBER if whole else NO_NUMBER
            self._say(said, where, word=key, value=repr(value), low=f"{low:g}", high=f"{high:g}")
            return None
        return float(value)

    def _whole(self, where: str, table: Mapping[str, Any], key: str, limits: tuple[float, float]) -> int | None:
        number = self._number(where, table, key, limits, whole=True)
        return None if number is None else int(number)

    def _unknown_keys(self, where: str, table: Mapping[str, Any], known: Collection[str]) -> None:
        for key in table:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                if near:
                    self._say(UNKNOWN_KEY_NEAR, where, word=key, near=near[0])
                else:
                    self._say(UNKNOWN_KEY, where, word=key, keys=", ".join(known))

    def _say(self, text: str, where: str, **values: str) -> None:
        self.remarks.append(text.format(where=where, **values))
