"""Sides: do two spaced pairs show the kit the same way round?

Every drum has a place from left to right in each pair: how much later the right mic hears it than the left.
Two pairs that agree order the drums alike; a swapped one orders them the other way. Only the order between
drums counts, so a pair that is late or unequal as a whole does not disturb it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import median

from kitproof.find.evidence import Evidence
from kitproof.find.texts import listed, upper_first
from kitproof.model import Channel, Finding
from kitproof.roles import drum_label

HAT_SIDE = ("hi-hat", "rack-tom-1")
FLOOR_SIDE = ("floor-tom-2", "floor-tom", "ride", "rack-tom-4", "rack-tom-3", "rack-tom-2")


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two spaced pairs against each other."""

    first: tuple[Channel, Channel]
    second: tuple[Channel, Channel]
    drums: tuple[str, ...]
    first_ms: tuple[float, ...]  # right minus left, per drum
    second_ms: tuple[float, ...]
    correlation: float | None  # None: too few drums, or all in the middle


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding for two pairs that show the kit opposite ways."""
    for c in comparisons(e):
        if c.correlation is not None and c.correlation < e.limits["sides_correlation"]:
            yield _swapped(e, c)


def comparisons(e: Evidence) -> list[Comparison]:
    """Every two spaced pairs of the take, compared."""
    return [_compare(e, one, other) for one, other in combinations(e.spaced_pairs, 2)]


def side_ms(e: Evidence, pair: tuple[Channel, Channel], drum: str) -> tuple[float, float] | None:
    """How much later the right mic hears a drum than the left one, and how far that may be off; None if unheard."""
    own = e.own_files.get(drum)
    if own is None:
        return None
    left, right = (e.pair(own, c.file, drum) for c in pair)
    if left is None or right is None or left.delay_ms is None or right.delay_ms is None:
        return None
    if min(left.n_hits, right.n_hits) < e.limits["sides_fewest_hits"]:
        return None
    unknown = e.limits["sides_unknown_spread_ms"]
    spreads = (unknown if p.delay_spread_ms is None else p.delay_spread_ms for p in (left, right))
    return right.delay_ms - left.delay_ms, math.hypot(*spreads)


def _compare(e: Evidence, first: tuple[Channel, Channel], second: tuple[Channel, Channel]) -> Comparison:
    rows = [(d, side_ms(e, first, d), side_ms(e, second, d)) for d in e.own_files]
    known = [(d, a, b) for d, a, b in rows if a is not None and b is not None]
    one, other = tuple(a[0] for _, a, _ in known), tuple(b[0] for _, _, b in known)
    # A drum counts by how well its place is known; none is known better than the ear's smallest shift.
    base = e.limits["sides_base_spread_ms"]
    weights = [1.0 / (base**2 + a[1] ** 2 + b[1] ** 2) for _, a, b in known]
    enough = bool(known) and _effective(weights) >= e.limits["sides_fewest_drums"]
    wide = enough and min(_width(one, weights), _width(other, weights)) >= e.limits["sides_width_ms"]
    return Comparison(
        first=first, second=second, drums=tuple(d for d, _, _ in known), first_ms=one, second_ms=other,
        correlation=_correlation(one, other, weights) if wide else None,
    )  # fmt: skip


def _effective(weights: Sequence[float]) -> float:
    """As how many equally well known drums these count."""
    return math.fsum(weights) ** 2 / math.fsum(w * w for w in weights)


def _product(x: Sequence[float], y: Sequence[float], weights: Sequence[float]) -> float:
    """Weighted covariance."""
    total = math.fsum(weights)
    mx, my = (math.fsum(w * v for w, v in zip(weights, values, strict=True)) / total for values in (x, y))
    return math.fsum(w * (a - mx) * (b - my) for w, a, b in zip(weights, x, y, strict=True)) / total


def _width(x: Sequence[float], weights: Sequence[float]) -> float:
    """Weighted standard deviation."""
    return math.sqrt(_product(x, x, weights))


def _correlation(x: Sequence[float], y: Sequence[float], weights: Sequence[float]) -> float:
    return _product(x, y, weights) / (_width(x, weights) * _width(y, weights))


def hat_is_left(drums: Sequence[str], side: Sequence[float]) -> bool | None:
    """Whether the hi-hat's end of the kit is on the left; None if neither end was heard.

    Against the middle of all other drums: one of them may carry a wrong name.
    """
    place = dict(zip(drums, side, strict=True))
    for names, sign in ((HAT_SIDE, 1.0), (FLOOR_SIDE, -1.0)):
        end = next((d for d in names if d in place), None)
        others = [ms for d, ms in place.items() if d != end]
        if end is not None and others:
            return sign * (place[end] - median(others)) > 0.0
    return None


def _swapped(e: Evidence, c: Comparison) -> Finding:
    """Which pair is the wrong one cannot be heard; the one with the hi-hat on the right is the less usual."""
    left_in_first = hat_is_left(c.drums, c.first_ms)
    wrong, right = (c.second, c.first) if left_in_first else (c.first, c.second)
    names = f"{wrong[0].label} and {wrong[1].label}"
    others = f"{right[0].label} and {right[1].label}"
    drums = listed([drum_label(d) for d in c.drums])
    return Finding(
        code="left-right-swapped", severity="look", files=(wrong[0].file, wrong[1].file),
        message=f"{upper_first(names)} show the kit the other way round than {others}: {drums} come in opposite order.",
        action=f"Tap {wrong[0].label} to see which file moves, then swap the two names; do not swap the audio.",
        confidence=round(min(0.97, 0.6 + 0.1 * len(c.drums) * abs(c.correlation or 0.0)), 2),
        else_maybe=f"{upper_first(others)} are the swapped ones, or one pair is meant from the audience's side.",
    )  # fmt: skip
