"""Toms in the wrong order round the kit, from spaced pairs.

Two spaced pairs that both hear a tom on the wrong side of another speak for swapped names, if the hi-hat and the
middle of the kit say which way round the kit stands. One pair alone, or neighbours that stand close together, do
not tell and are left alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

from kitproof.find import sides
from kitproof.find.evidence import Evidence
from kitproof.model import Channel

ROUND_THE_KIT = ("rack-tom-1", "rack-tom-2", "rack-tom-3", "rack-tom-4", "floor-tom")


@dataclass(frozen=True, slots=True, kw_only=True)
class Inversion:
    """Two toms in the wrong order."""

    nearer: str  # to the hi-hat, by its name
    further: str
    by_ms: float  # least over the pairs


def inversions(e: Evidence) -> list[Inversion]:
    """Toms whose order both of two spaced pairs deny."""
    out = []
    for c in sides.comparisons(e):
        toms = [t for t in ROUND_THE_KIT if t in c.drums]
        for nearer, further in combinations(toms, 2):
            by = [_wrong_by_ms(e, pair, nearer, further) for pair in (c.first, c.second)]
            one, other = (e.limits["order_ms"] if w is None else w for w in by)
            if min(one, other) > e.limits["order_ms"] and one + other > 2.0 * e.limits["order_mean_ms"]:
                out.append(Inversion(nearer=nearer, further=further, by_ms=min(one, other)))
    return out


def _wrong_by_ms(e: Evidence, pair: tuple[Channel, Channel], nearer: str, further: str) -> float | None:
    """How far, in one pair, the tom named as nearer to the hi-hat is beyond the other; None if it cannot be told."""
    hat = sides.side_ms(e, pair, "hi-hat")
    middle = sides.side_ms(e, pair, "snare") or sides.side_ms(e, pair, "kick")
    one, other = sides.side_ms(e, pair, nearer), sides.side_ms(e, pair, further)
    if hat is None or middle is None or one is None or other is None:
        return None
    if abs(hat[0] - middle[0]) < hat[1] + middle[1]:
        return None  # which way the hi-hat lies is not sure
    towards_hat = 1.0 if hat[0] > middle[0] else -1.0
    return towards_hat * (other[0] - one[0])
