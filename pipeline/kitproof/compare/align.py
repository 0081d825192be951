"""Which channel of one take is which of another: by file and role, by role alone, by file alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from kitproof.comparison import ChannelMatch, Switch
from kitproof.model import Channel, ChannelMeasures, HitPicture, Measurements


@dataclass(frozen=True)
class Reading:
    """One take to be compared: its measurements, and the mean strokes if its pictures are there."""

    measurements: Measurements
    strokes: tuple[HitPicture, ...] = ()


@dataclass(frozen=True)
class Pairing:
    """The reference and one other take, and which channel is which."""

    number: int  # of the other take, from 1
    ref: Reading
    other: Reading
    here: Mapping[str, str]  # file in the other take -> the same mic's file in the reference

    @cached_property
    def there(self) -> dict[str, str]:
        """File in the reference -> file in the other take."""
        return {ref: other for other, ref in self.here.items()}

    @cached_property
    def channels(self) -> tuple[tuple[ChannelMeasures, ChannelMeasures], ...]:
        """Measured channels that both takes have."""
        others = {c.file: c for c in self.other.measurements.channels}
        ours = self.ref.measurements.channels
        return tuple((c, others[self.there[c.file]]) for c in ours if self.there.get(c.file) in others)

    @cached_property
    def drums(self) -> tuple[str, ...]:
        """Drums that were struck in both, each with the same own mic."""
        others = {d.drum: d for d in self.other.measurements.drums if d.n_hits}
        ours = [d for d in self.ref.measurements.drums if d.n_hits and d.drum in others]
        return tuple(d.drum for d in ours if self.here.get(others[d.drum].file) == d.file)

    @cached_property
    def own(self) -> dict[str, str]:
        """Drum -> its own mic's file in the reference."""
        return {d.drum: d.file for d in self.ref.measurements.drums if d.drum in self.drums}


def pair(ref: Reading, other: Reading, number: int) -> Pairing:
    """Find out which channel of the other take is which of the reference's."""
    return Pairing(number, ref, other, match(ref.measurements.take.channels, other.measurements.take.channels))


def match(ref: Sequence[Channel], other: Sequence[Channel]) -> dict[str, str]:
    """File in `other` -> file in `ref`, for every channel that is in both.

    The same file with the same role first; then the only one of its role in both; then the same file with another
    role, which somebody renamed. Source: own choice; files are often named after the take, roles are not.
    """
    found = {c.file: c.file for c in other if any((r.file, r.role) == (c.file, c.role) for r in ref)}
    mine, yours = [[c for c in side if c.file not in found] for side in (ref, other)]
    for role in _single(mine) & _single(yours):
        a, b = (next(c.file for c in side if c.role == role) for side in (mine, yours))
        found[b] = a
    left = {r.file for r in ref} - set(found.values())
    return found | {c.file: c.file for c in other if c.file not in found and c.file in left}


def _single(channels: Sequence[Channel]) -> set[str]:
    """Roles that one channel only has; "other" names none."""
    return {role for role, n in Counter(c.role for c in channels).items() if n == 1 and role != "other"}


def matches(readings: Sequence[Reading]) -> tuple[ChannelMatch, ...]:
    """Every microphone through all takes, in the reference's order; those it lacks come after, take by take."""
    pairings = [pair(readings[0], r, n) for n, r in enumerate(readings[1:], 2)]
    rows = [
        ChannelMatch(file=c.file, files=(c.file, *(p.there.get(c.file) for p in pairings)))
        for c in readings[0].measurements.take.channels
    ]
    for p in pairings:
        for c in p.other.measurements.take.channels:
            if c.file not in p.here:
                files = tuple(c.file if n == p.number else None for n in range(1, len(readings) + 1))
                rows.append(ChannelMatch(file=c.file, files=files))
    return tuple(rows)


def switches(p: Pairing) -> Iterator[Switch]:
    """Channels that came, went or have another role or format now."""
    ref = {c.file: c for c in p.ref.measurements.take.channels}
    other = {c.file: c for c in p.other.measurements.take.channels}
    for file, c in ref.items():
        if file not in p.there:
            yield Switch(take=p.number, kind="channel-gone", file=file, before=c.label, after="", n=1)
        elif other[p.there[file]].role != c.role:
            after = other[p.there[file]].role
            yield Switch(take=p.number, kind="role", file=file, before=c.role, after=after, n=1)
    for file, c in other.items():
        if file not in p.here:
            yield Switch(take=p.number, kind="channel-new", file=file, before="", after=c.label, n=1)
    for file in ref:
        before, after = (_format(m, f) for m, f in _sides(p, file))
        if before and after and before != after:
            yield Switch(take=p.number, kind="format", file=file, before=before, after=after, n=1)


def _sides(p: Pairing, file: str) -> tuple[tuple[Measurements, str], tuple[Measurements, str]]:
    return (p.ref.measurements, file), (p.other.measurements, p.there.get(file, ""))


def _format(m: Measurements, file: str) -> str:
    """ "48000 Hz, 24 bit"; "" if the header tells nothing."""
    path = next((c.path for c in m.take.channels if c.file == file), None)
    facts = next((f for f in m.take.files if f.path == path), None)
    if facts is None or facts.rate_hz is None:
        return ""
    return f"{facts.rate_hz} Hz" if facts.bit_depth is None else f"{facts.rate_hz} Hz, {facts.bit_depth} bit"
