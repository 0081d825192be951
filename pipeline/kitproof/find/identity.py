"""Identity: do the toms stand in the order of their names?

Seen from the hi-hat, rack toms 1 to 4 and then the floor tom go round the kit. A tom that two spaced pairs
hear on the wrong side of another one carries the wrong name, or the kit is set up unlike others. One pair
alone, or neighbours that stand close together, do not tell and are left alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from kitproof.find import sides
from kitproof.find.evidence import Evidence
from kitproof.find.texts import ms
from kitproof.model import Channel, Finding

ROUND_THE_KIT = ("rack-tom-1", "rack-tom-2", "rack-tom-3", "rack-tom-4", "floor-tom")


@dataclass(frozen=True, slots=True, kw_only=True)
class Inversion:
    """Two toms in the wrong order."""

    nearer: str  # to the hi-hat, by its name
    further: str
    by_ms: float  # least over the pairs


def findings_of(e: Evidence) -> Iterator[Finding]:
    """At most one finding: the two toms that are furthest on each other's side."""
    found = inversions(e)
    if not found:
        return
    worst = max(found, key=lambda i: i.by_ms)
    files = (e.own_files[worst.nearer], e.own_files[worst.further])
    a, b = e.labels(files)
    yield Finding(
        code="mislabelled-channel", severity="look", files=files,
        message=f"{e.head(files[0])} stands further from the hi-hat than {b}, by {ms(worst.by_ms)} from left to right: "
        "their names may be swapped.",
        action=f"Tap {a} and see which file moves; rename the files now, not at the mix.",
        confidence=0.75, else_maybe="A kit whose toms are not in the usual order.",
    )  # fmt: skip


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
