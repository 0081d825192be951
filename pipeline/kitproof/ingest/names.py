"""Roles from file names, for one name or for the names of a whole folder.

A folder says more than a name: what stands in front of all names is the song, not a drum; "OH 1"
and "OH 2" are a pair; "low" is rack tom 2 or 3. What remains unclear gets the role "other" and a
remark that says what to write into take.toml.

Rules (Source: own choice where practice differs):

- Snare without a place is the top mic, kick without a place the plain kick.
- The front head, the port and a low-end microphone in front of the kick ("sub") are kick-out; a
  named "out" goes before them.
- Rack toms keep the numbers in their names. Toms called hi, mid, low take the free numbers in that
  order, so "low" is rack tom 2 without a "mid" and 3 with one, whether or not there is a floor tom.
  After them come toms told apart by size, then those told apart by nothing, in the order of names.
- A tom of 14 inches or more is a floor tom unless its name says rack.
- Floor toms are numbered by their numbers, else by size, else by the order of names.
- Hat side is left and ride side right: the player's view of a right-handed kit. An overhead named by the snare
  ("OH SN", with nothing in front) is left, too, and one named by the floor tom right.
- Two overheads (under-cymbal mics, room mics) without sides, whose names differ at most by a number: the
  lower number, else the earlier name, is left. Two that differ by the letters G and D, I and D, or E and D are
  left and right, in this order.
- A role is given once: to the name that says it outright, then to the lower number, the nearer
  mic, the earlier name. The others become "other".
- Triggers, samples, mixes and spot mics for crashes have no role of their own: "other".
- A mic under the hi-hat or the ride is that cymbal's own mic, not an under-cymbal mic.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from kitproof.ingest.own_words import own_words
from kitproof.ingest.reading import DISTANT, Reading, read_words
from kitproof.ingest.words import split_name
from kitproof.remarks import (
    BY_CYMBAL,
    BY_NUMBER,
    BY_ORDER,
    FOUR_RACK_TOMS,
    NAMES_NO_DRUM,
    NO_KIT_MIC,
    NO_ROLE,
    ROLE_GIVEN,
    ROLE_OF_ANOTHER,
    SPARE_CHANNELS,
    TOM_BOTTOM,
    TWO_FLOOR_TOMS,
    WHICH_SIDE,
)

RoleSource = Literal["file name", "unknown"]

SMALLEST_FLOOR_TOM_INCH = 14
_RACK_TOMS = tuple(f"rack-tom-{n}" for n in (1, 2, 3, 4))
_FLOOR_TOMS = ("floor-tom", "floor-tom-2")
_REPEATABLE = ("other", "talkback")
# Left and right in one letter mean something as a pair only: French, Spanish, Portuguese
_LETTER_PAIRS = (("g", "d"), ("i", "d"), ("e", "d"))


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedRoles:
    """The roles of one file, one per channel, as far as its name tells."""

    name: str
    roles: tuple[str, ...]
    source: RoleSource
    remarks: tuple[str, ...] = ()


def role_from_name(name: str) -> tuple[str, RoleSource]:
    """Role of one file (mono), from its name alone: ("other", "unknown") if the name names no drum."""
    reading = read_words(split_name(name))
    return _role(reading, 1), "file name" if reading.drum else "unknown"


def roles_from_names(
    names: Sequence[str],
    *,
    n_channels: Sequence[int] | None = None,
    settled: Mapping[str, Collection[str]] | None = None,
) -> tuple[NamedRoles, ...]:
    """Roles of all files of one folder, in the order given.

    Parameters
    ----------
    names : file names, in natural order (the order settles what nothing else does)
    n_channels : channels of each file, as far as known; 1 each if left out
    settled : files whose roles take.toml gives, and these roles; their names only help to find out
        what all names share, and what comes back for them says nothing
    """
    folder = _Folder(names, n_channels or [1] * len(names), settled or {})
    folder.place_floor_toms()
    folder.place_rack_toms()
    for drum in DISTANT:
        folder.place_pair(drum)
    folder.explain()
    folder.give_each_role_once()
    return tuple(folder.result(i) for i in range(len(names)))


def roles_of_channels(role: str, n_channels: int) -> tuple[str, ...]:
    """Roles of an interleaved file's channels: a stereo "room" is left and right, else the first channel has it."""
    if n_channels == 2 and role in DISTANT:
        return f"{role}-left", f"{role}-right"
    first = "other" if role == "underhead" else role
    return (first, *["other"] * (n_channels - 1))


def _role(reading: Reading, n_channels: int) -> str:
    """Role of one name without its folder; "underhead" only for a stereo file, which gives it two sides."""
    drum, place = reading.drum, reading.place
    match drum:
        case "kick":
            return {"in": "kick-in", "out": "kick-out", "sub": "kick-out", "reso": "kick-out"}.get(place, "kick")
        case "snare":
            return {"bottom": "snare-bottom", "reso": "snare-bottom", "side": "snare-side"}.get(place, "snare-top")
        case "tom" | "floor" if place in ("bottom", "reso"):
            return "other"
        case "floor":
            return _FLOOR_TOMS[1] if reading.number == 2 else _FLOOR_TOMS[0]
        case "tom":
            return _rack_tom(reading)
        case "overhead" | "room" | "underhead" if reading.side in ("left", "right"):
            return f"{drum}-{reading.side}"
        case "underhead":
            return drum if n_channels == 2 else "other"
        case "hat":
            return "hi-hat"
        case "overhead" | "room" | "ride" | "click" | "talkback":
            return drum
    return "other"


def _rack_tom(reading: Reading) -> str:
    if (reading.size_inch or 0) >= SMALLEST_FLOOR_TOM_INCH and not (reading.is_rack or reading.number or reading.rank):
        return _FLOOR_TOMS[0]
    number = reading.number or {"1 hi": 1, "2 hi-mid": 2, "3 mid": 2, "4 low-mid": 3, "5 low": 3}.get(reading.rank, 1)
    return _RACK_TOMS[number - 1] if number <= len(_RACK_TOMS) else "other"


class _Folder:
    """The names of one folder on their way to roles; each method settles one question."""

    def __init__(self, names: Sequence[str], n_channels: Sequence[int], settled: Mapping[str, Collection[str]]) -> None:
        self.names = names
        self.n_channels = n_channels
        self.settled = settled
        self.taken = {role for roles in settled.values() for role in roles}
        words = own_words([split_name(name) for name in names])
        self.readings = [
            Reading() if name in settled else read_words(own) for name, own in zip(names, words, strict=True)
        ]
        self.wordings = [tuple(w.text for w in own if w.kind != "number") for own in words]
        self.roles = [_role(reading, n) for reading, n in zip(self.readings, n_channels, strict=True)]
        self.remarks: dict[int, list[str]] = defaultdict(list)

    def result(self, i: int) -> NamedRoles:
        n = self.n_channels[i]
        roles = roles_of_channels(self.roles[i], n)
        if n > 1 and roles[1] == "other":
            self._remark(i, SPARE_CHANNELS, n=n)
        source: RoleSource = "file name" if self.readings[i].drum else "unknown"
        return NamedRoles(name=self.names[i], roles=roles, source=source, remarks=tuple(self.remarks[i]))

    def _remark(self, i: int, text: str, **values: object) -> None:
        self.remarks[i].append(text.format(file=self.names[i], **values))

    def _files(self, drum: str) -> list[int]:
        """Files that speak of `drum` from above its head; the bottom mic of a tom has no role."""
        return [i for i, r in enumerate(self.readings) if r.drum == drum and r.place not in ("bottom", "reso")]

    def place_floor_toms(self) -> None:
        floors = [i for i, role in enumerate(self.roles) if role in _FLOOR_TOMS]
        numbers = [self.readings[i].number or 1 for i in floors]
        if len(set(numbers)) == len(floors) and set(numbers) <= {1, 2}:
            return
        told_apart = len({self._floor_order(i)[:2] for i in floors}) == len(floors)
        for place, i in enumerate(sorted(floors, key=self._floor_order)):
            self.roles[i] = _FLOOR_TOMS[place] if place < 2 else "other"
            if place >= 2:
                self._remark(i, TWO_FLOOR_TOMS)
            elif not told_apart:
                self._remark(i, BY_ORDER, role=self.roles[i])

    def _floor_order(self, i: int) -> tuple[int, int, str, int]:
        r = self.readings[i]
        return r.number or 0, r.size_inch or 0, r.rank or {"left": "1", "right": "2"}.get(r.side, ""), i

    def place_rack_toms(self) -> None:
        toms = [i for i in self._files("tom") if self.roles[i] not in _FLOOR_TOMS]
        numbered = [i for i in toms if self.readings[i].number]
        free = [role for role in _RACK_TOMS if role not in self.taken | {self.roles[i] for i in numbered}]
        waiting = sorted((i for i in toms if i not in numbered), key=self._tom_order)
        orders = [self._tom_order(i)[:3] for i in waiting]
        for place, i in enumerate(waiting):
            self.roles[i] = free[place] if place < len(free) else "other"
            if orders.count(orders[place]) > 1 or self.readings[i].side:
                self._remark(i, BY_ORDER, role=self.roles[i])

    def _tom_order(self, i: int) -> tuple[str, str, int, int]:
        """Hi to low first, then left to right, then by size, then as the names stand."""
        r = self.readings[i]
        return r.rank or "9", r.side or "z", r.size_inch or 0, i

    def place_pair(self, drum: str) -> None:
        """Two mics that only a number tells apart, or the letters for the sides, are left and right."""
        both = [i for i, r in enumerate(self.readings) if r.drum == drum]
        for i in both:
            if self.readings[i].side_from_cymbal:
                self._remark(i, BY_CYMBAL, role=f"{drum}-{self.readings[i].side}")
        if len(both) != 2 or any(self.readings[i].side or self.n_channels[i] > 1 for i in both):
            return
        for first, second in (both, both[::-1]):
            if self._letters_apart(first, second) in _LETTER_PAIRS:
                self.roles[first], self.roles[second] = f"{drum}-left", f"{drum}-right"
                return
        if self.wordings[both[0]] != self.wordings[both[1]]:
            return
        for side, i in zip(("left", "right"), sorted(both, key=self._pair_order), strict=True):
            self.roles[i] = f"{drum}-{side}"
            self._remark(i, BY_NUMBER, role=self.roles[i])

    def _letters_apart(self, a: int, b: int) -> tuple[str, str] | None:
        """The one word in which two names of equal length differ, in each."""
        first, second = self.wordings[a], self.wordings[b]
        differing = [(x, y) for x, y in zip(first, second, strict=False) if x != y]
        return differing[0] if len(first) == len(second) and len(differing) == 1 else None

    def _pair_order(self, i: int) -> tuple[int, int]:
        return self.readings[i].number or 0, i

    def explain(self) -> None:
        """Say why a file has no role of its own."""
        for i, reading in enumerate(self.readings):
            if self.roles[i] != "other" or self.remarks[i] or self.names[i] in self.settled:
                continue
            match reading.drum:
                case "":
                    self._remark(i, NAMES_NO_DRUM)
                case "no-mic":
                    self._remark(i, NO_KIT_MIC)
                case "spot":
                    self._remark(i, NO_ROLE)
                case "underhead":
                    self._remark(i, WHICH_SIDE)
                case _ if reading.place in ("bottom", "reso"):
                    self._remark(i, TOM_BOTTOM)
                case _:
                    self._remark(i, FOUR_RACK_TOMS)

    def give_each_role_once(self) -> None:
        """Where two names read the same, the clearer one keeps the role."""
        holder: dict[str, str] = {}
        for i in sorted(range(len(self.names)), key=self._claim):
            for role in roles_of_channels(self.roles[i], self.n_channels[i])[:2]:
                if role in _REPEATABLE:
                    continue
                if role in self.taken or role in holder:
                    if role in holder:
                        self._remark(i, ROLE_OF_ANOTHER, role=role, other=holder[role])
                    else:
                        self._remark(i, ROLE_GIVEN, role=role)
                    self.roles[i] = "other"
                    break
                holder[role] = self.names[i]

    def _claim(self, i: int) -> tuple[bool, bool, int, bool, int]:
        """Sort key: who may have a role first."""
        r = self.readings[i]
        vague = r.drum in ("kick", "snare") and r.place not in ("in", "out", "top", "bottom", "side")
        return r.place == "sub", vague, r.number or 1, r.place == "far", i
