"""Whether a mic or a drum stands elsewhere, told by which arrivals changed.

A mic that was moved hears every drum sooner or later than before; a drum that crept, or whose own mic was moved, is
heard sooner or later by every other mic. So of all that could have moved, the one that explains the largest share of
its arrivals is named first, and what it explains is not held against others.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from kitproof.compare.align import Pairing
from kitproof.compare.limits import SIGMAS, limit, word
from kitproof.comparison import Move, Switch
from kitproof.reasons import ARRIVES_NOWHERE, NO_DRUM_ARRIVES
from kitproof.roles import DRUM_ORDER
from kitproof.units import ms_to_cm

OWN_ERROR_MS = 0.03  # of any delay, beside its spread: one and a half samples
CLEAR_SIGMAS = 3.0  # of a single arrival, as there are so many of them
LEAST_SHARE = 0.6  # of its arrivals that are sharp enough to tell must have changed before something has moved
LEAST_SIGMAS = (
    5.0  # of all changed arrivals together: spreads come from five groups of strokes and are rough themselves
)
SURE = 0.8  # of a polarity, in both takes
PLATES = ("hi-hat", "ride")  # their attack is noise, its sign by chance: no word about polarity from them
SEEN_FROM = ("snare", "kick", *DRUM_ORDER)  # the drum a mic's way is told from, best first


@dataclass(frozen=True)
class Arrival:
    """How much later one mic hears one drum than in the reference."""

    file: str
    drum: str
    change_ms: float
    error_ms: float

    @property
    def changed(self) -> bool:
        """Beyond its limit and three errors."""
        return abs(self.change_ms) > max(limit("move"), CLEAR_SIGMAS * self.error_ms)

    @property
    def stayed(self) -> bool:
        """Within its limit or two errors."""
        return abs(self.change_ms) <= max(limit("move"), SIGMAS * self.error_ms)


def arrivals(p: Pairing) -> list[Arrival]:
    """Every drum in every mic beside its own, as far as both takes know its delay and its spread."""
    before = {(x.a, x.b, x.drum): x for x in p.ref.measurements.pairs}
    found = []
    for x in p.other.measurements.pairs:
        a, b = p.here.get(x.a, ""), p.here.get(x.b, "")
        was = before.get((a, b, x.drum))
        if was is None or p.own.get(x.drum) != a:
            continue
        values = (was.delay_ms, x.delay_ms, was.delay_spread_ms, x.delay_spread_ms)
        if any(v is None for v in values):
            continue
        t0, t1, e0, e1 = (float(v or 0.0) for v in values)
        found.append(Arrival(b, x.drum, t1 - t0, hypot(e0, e1, OWN_ERROR_MS)))
    return found


@dataclass(frozen=True)
class Culprits:
    """What moved: mics by file, drums by name."""

    mics: frozenset[str]
    drums: frozenset[str]


def culprits(seen: Sequence[Arrival]) -> Culprits:
    """Name what moved, one after the other, the best explained first; a tie goes to the one with more arrivals."""
    left = list(seen)
    mics: set[str] = set()
    drums: set[str] = set()
    while True:
        groups = {("mic", a.file): [x for x in left if x.file == a.file] for a in left}
        groups |= {("drum", a.drum): [x for x in left if x.drum == a.drum] for a in left}
        scored = [(_score(g), key, g) for key, g in groups.items()]
        likely = [(s, key, g) for s, key, g in scored if s is not None and _enough(key, g)]
        if not likely:
            return Culprits(frozenset(mics), frozenset(drums))
        _, (kind, name), group = max(likely, key=lambda found: (found[0], found[1]))
        (mics if kind == "mic" else drums).add(name)
        left = [x for x in left if x not in group]


def _score(group: Sequence[Arrival]) -> tuple[float, int] | None:
    """Share of arrivals that changed, and how many; None if it is too small.

    An arrival speaks against a move if it stayed, and is sharp enough not to hide the largest of the changes.
    """
    changed = [a for a in group if a.changed]
    most = max((abs(a.change_ms) for a in changed), default=0.0)
    against = [a for a in group if a.stayed and CLEAR_SIGMAS * a.error_ms <= max(most, limit("move"))]
    sure = sqrt(sum((a.change_ms / a.error_ms) ** 2 for a in changed))
    if not changed or sure < LEAST_SIGMAS:
        return None
    share = len(changed) / (len(changed) + len(against))
    return (share, len(changed)) if share >= LEAST_SHARE else None


def _enough(key: tuple[str, str], group: Sequence[Arrival]) -> bool:
    """A drum needs two mics that say so: with one, that mic is as likely."""
    return key[0] == "mic" or sum(a.changed for a in group) >= 2


# ---------------------------------------------------------------- as records
def moves(p: Pairing, seen: Sequence[Arrival], found: Culprits) -> Iterator[Move]:
    """Every mic beside a drum's own, then every drum: moved, or the same."""
    own = set(p.own.values())
    for c, _ in p.channels:
        mine = [a for a in seen if a.file == c.file and (a.drum not in found.drums or c.file in found.mics)]
        if mine or (c.file not in own and c.role not in ("click", "talkback", "other")):
            yield _mic(p, c.file, mine, moved=c.file in found.mics)
    for drum in p.drums:
        mine = [a for a in seen if a.drum == drum]
        others = [a for a in mine if a.file not in found.mics]
        if drum in found.drums and not any(a.changed for a in others):
            others = mine  # named first, by arrivals in mics that were named after it
        yield _drum(p, drum, others, moved=drum in found.drums)


def _mic(p: Pairing, file: str, mine: Sequence[Arrival], *, moved: bool) -> Move:
    shown = [a for a in mine if a.changed] if moved else list(mine)
    seen_from = next((a for d in SEEN_FROM for a in shown if a.drum == d), None)
    n = sum(a.changed for a in mine)
    if seen_from is None:
        return _nothing(p, "mic", file, None, NO_DRUM_ARRIVES)
    value, error = seen_from.change_ms, seen_from.error_ms
    if not moved and len(mine) > 1:
        value, error = _mean(mine)
    return _move(p, "mic", file, seen_from.drum, value, error, n, len(mine), moved=moved)


def _drum(p: Pairing, drum: str, others: Sequence[Arrival], *, moved: bool) -> Move:
    if not others:
        return _nothing(p, "drum", None, drum, ARRIVES_NOWHERE)
    shown = [a for a in others if a.changed] if moved else others
    value, error = _mean(shown)
    return _move(p, "drum", None, drum, value, error, sum(a.changed for a in others), len(others), moved=moved)


def _mean(seen: Sequence[Arrival]) -> tuple[float, float]:
    """Weighted median's place is taken by the plain one; its error from the scatter and the errors."""
    values = np.array([a.change_ms for a in seen])
    own = sqrt(float(np.mean([a.error_ms**2 for a in seen])) / len(seen))
    scatter = 1.25 * float(np.median(np.abs(values - np.median(values)))) * 1.48 / sqrt(len(seen))
    return float(np.median(values)), hypot(own, scatter)


def _move(
    p: Pairing, what: str, file: str | None, drum: str, value: float, error: float, n: int, n_seen: int, *, moved: bool
) -> Move:
    said = word(value, error, limit("move"))
    if not moved and said == "changed":
        said = "unclear"  # some arrivals changed, too few to name what moved
    path = ms_to_cm(value, p.other.measurements.take.temperature_c)
    return Move(take=p.number, what="mic" if what == "mic" else "drum", file=file, drum=drum, delay_ms=value,
                error_ms=error, path_cm=path, limit_ms=limit("move"), word="changed" if moved else said, n_changed=n,
                n_seen=n_seen)  # fmt: skip


def _nothing(p: Pairing, what: str, file: str | None, drum: str | None, reason: str) -> Move:
    return Move(take=p.number, what="mic" if what == "mic" else "drum", file=file, drum=drum, delay_ms=None,
                error_ms=None, path_cm=None, limit_ms=limit("move"), word=None, n_changed=0, n_seen=0,
                unmeasured=dict.fromkeys(Move.NULLABLE, reason))  # fmt: skip


# ---------------------------------------------------------------- polarity
def polarity_switches(p: Pairing) -> Iterator[Switch]:
    """Channels that are turned over against the reference: the fewest that explain the pairs that turned."""
    before = {(x.a, x.b, x.drum): x for x in p.ref.measurements.pairs}
    votes: list[tuple[str, str, bool]] = []
    for x in p.other.measurements.pairs:
        a, b = p.here.get(x.a, ""), p.here.get(x.b, "")
        was = before.get((a, b, x.drum))
        if was is None or min(was.polarity_confidence or 0.0, x.polarity_confidence or 0.0) < SURE:
            continue
        if x.drum not in PLATES and "unclear" not in (was.polarity, x.polarity):
            votes.append((a, b, was.polarity != x.polarity))
    turned: set[str] = set()
    while True:
        share: dict[str, tuple[float, int]] = {}
        for file in {f for a, b, _ in votes for f in (a, b)}:
            mine = [t ^ (a in turned) ^ (b in turned) for a, b, t in votes if file in (a, b)]
            share[file] = (sum(mine) / len(mine), sum(mine))
        best = max(sorted(share), key=lambda f: share[f], default=None)
        if best is None or best in turned or share[best][0] < LEAST_SHARE:
            break
        turned.add(best)
    for file in sorted(turned):
        n = sum(file in (a, b) for a, b, _ in votes)
        yield Switch(take=p.number, kind="polarity", file=file, before="as it was", after="turned over", n=n)
