"""Takes held against one another: pure functions over measurements, no audio."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.compare import align, bars, choose, levels, matched, placement, places, sound
from kitproof.compare.align import Reading
from kitproof.compare.limits import LIMITS
from kitproof.comparison import Change, ComparedTake, Comparison, Move, Placement, Switch
from kitproof.errors import StageInputError
from kitproof.model import Section

__all__ = ["MOST_TAKES", "Reading", "compare"]

MOST_TAKES = 12


def compare(readings: Sequence[Reading]) -> Comparison:
    """Hold two to twelve takes against one another; the first is the reference.

    A take held against itself gives "same" for all that is known of it.

    Raises
    ------
    StageInputError : fewer than two takes, or more than MOST_TAKES

    Source
    ------
    Own choice of what is compared; each module says what its figures rest on.
    """
    if not 2 <= len(readings) <= MOST_TAKES:
        raise StageInputError(f"{len(readings)} takes to compare; give 2 to {MOST_TAKES}")
    changes: list[Change] = []
    moves: list[Move] = []
    switches: list[Switch] = []
    placed: list[Placement] = []
    for number, other in enumerate(readings[1:], 2):
        p = align.pair(readings[0], other, number)
        seen = places.arrivals(p)
        culprits = places.culprits(seen)
        found = levels.estimate(p, culprits.mics)
        mine = [*levels.changes(p, found), *sound.changes(p, found), *matched.changes(p, found)]
        moved = list(places.moves(p, seen, culprits))
        changes += mine
        moves += moved
        switches += [*places.polarity_switches(p), *align.switches(p), *sound.hum_switches(p)]
        placed += placement.placements(p, moved, mine, found)
    about, reasons = bars.bar_map(readings)
    return Comparison(
        takes=tuple(_take(n, r) for n, r in enumerate(readings, 1)), channels=align.matches(readings),
        changes=tuple(changes), moves=tuple(moves), switches=tuple(switches), bars=about, bar_reasons=reasons,
        ranks=choose.ranks(readings), comp=choose.comp(about, reasons, _sections(readings)),
        placements=tuple(placed), limits=tuple(LIMITS.values()), versions=readings[0].measurements.versions,
    )  # fmt: skip


def _take(number: int, r: Reading) -> ComparedTake:
    m = r.measurements
    return ComparedTake(number=number, name=m.take.name, song=m.take.song, take=m.take.number,
                        n_channels=len(m.channels), n_hits=len(m.hits))  # fmt: skip


def _sections(readings: Sequence[Reading]) -> tuple[Section, ...]:
    return next((r.measurements.take.sections for r in readings if r.measurements.take.sections), ())
