"""A mic that moved, before and after: what the new place does, with loudness taken out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import hypot

import numpy as np

from kitproof.compare.align import Pairing
from kitproof.compare.levels import LEVEL_ERROR_DB, NOISE_ERROR_DB, Levels
from kitproof.compare.limits import limit, word
from kitproof.compare.matched import (
    ATTACK_ERROR_MS,
    BLEED_ERROR_DB,
    CREST_ERROR_DB,
    FEWEST_PAIRS,
    couples,
    figure,
    median_change,
)
from kitproof.compare.places import OWN_ERROR_MS
from kitproof.comparison import Change, Kind, Move, Placement, PlacementRow, Quantity, Word
from kitproof.model import BleedEntry, PairEntry
from kitproof.observed.heard import Heard
from kitproof.reasons import FEW_EQUAL, NO_ARRIVAL_IN_BOTH, NOT_IN_BOTH, ONE_DRUM

ROW_UNITS: dict[Quantity, str] = {
    "arrival": "ms",
    "level": "dB",
    "bleed": "dB",
    "attack": "ms",
    "crest": "dB",
    "notch": "Hz",
    "noise": "dB",
}


def placements(p: Pairing, moves: Sequence[Move], changes: Sequence[Change], levels: Levels) -> Iterator[Placement]:
    """One for every mic that was moved, told by its arrivals or by how close it stands to its own drum."""
    files = [m.file for m in moves if m.what == "mic" and m.word == "changed"]
    files += [c.file for c in changes if c.kind == "closeness" and c.word == "changed"]
    for file in dict.fromkeys(f for f in files if f is not None):
        rows = (*_arrivals(p, file), *_levels(p, file), *_bleed(p, file, levels), *_strokes(p, file, levels),
                *_notches(p, file), _noise(p, file))  # fmt: skip
        yield Placement(take=p.number, file=file, rows=rows)


def _row(
    quantity: Quantity, drum: str | None, before: float | None, after: float | None, error: float | None, reason: str,
    *, most: float, n: int = 1, said: Word | None = None, partner: str | None = None,
) -> PlacementRow:  # fmt: skip
    """One row; `said` where the word does not follow from the difference, `reason` for whatever is None."""
    if before is None or after is None or error is None:
        why = {name: reason for name, x in (("before", before), ("after", after)) if x is None}
        why |= dict.fromkeys(("difference", "error", "word"), reason)
        return PlacementRow(quantity=quantity, drum=drum, partner=partner, before=before, after=after,
                            difference=None, error=None, unit=ROW_UNITS[quantity], word=None, n=n,
                            unmeasured=why)  # fmt: skip
    difference = after - before
    return PlacementRow(quantity=quantity, drum=drum, partner=partner, before=before, after=after,
                        difference=difference, error=error, unit=ROW_UNITS[quantity],
                        word=said or word(difference, error, most), n=n)  # fmt: skip


def _entries(p: Pairing, file: str) -> list[tuple[PairEntry, PairEntry]]:
    """The pairs this mic is the second of, in both takes."""
    before = {(x.a, x.b, x.drum): x for x in p.ref.measurements.pairs if x.b == file}
    found = []
    for x in p.other.measurements.pairs:
        was = before.get((p.here.get(x.a, ""), p.here.get(x.b, ""), x.drum))
        if was is not None:
            found.append((was, x))
    return found


def _delay_error(a: PairEntry, b: PairEntry) -> float | None:
    if a.delay_spread_ms is None or b.delay_spread_ms is None:
        return None
    return hypot(a.delay_spread_ms, b.delay_spread_ms, OWN_ERROR_MS)


def _arrivals(p: Pairing, file: str) -> Iterator[PlacementRow]:
    for a, b in _entries(p, file):
        if p.own.get(a.drum) == a.a:
            n = min(a.n_hits, b.n_hits)
            error = _delay_error(a, b)
            yield _row("arrival", a.drum, a.delay_ms, b.delay_ms, error, NO_ARRIVAL_IN_BOTH, most=limit("move"), n=n)


def _levels(p: Pairing, file: str) -> Iterator[PlacementRow]:
    """Every drum against the stroke in its own mic, the mic's own change of level taken out."""
    before = {h.drum: h for h in p.ref.measurements.observed.heard if h.file == file}
    after = {h.drum: h for h in p.other.measurements.observed.heard if p.here.get(h.file) == file}
    both: list[tuple[Heard, Heard]] = [(h, after[d]) for d, h in before.items() if d in after and d in p.own]
    louder = float(np.median([b.over_own_db - a.over_own_db for a, b in both])) if both else 0.0
    for a, b in both:
        error = hypot(a.error_db, b.error_db, LEVEL_ERROR_DB)
        n = min(a.n_strokes, b.n_strokes)
        if len(both) == 1:
            yield _row("level", a.drum, None, None, None, ONE_DRUM, most=limit("level-matched"))
            continue
        matched = b.over_own_db - louder
        yield _row("level", a.drum, a.over_own_db, matched, error, "", most=limit("level-matched"), n=n)


def _bleed(p: Pairing, file: str, levels: Levels) -> Iterator[PlacementRow]:
    """The loudest foreign drum of a close mic, then and now, both drums' strengths taken out."""
    mine = next((drum for drum, f in p.own.items() if f == file), None)
    if mine is None:
        return
    before = {b.drum: b for b in p.ref.measurements.bleed if b.file == file and b.bleed_db is not None}
    after = {b.drum: b for b in p.other.measurements.bleed if p.here.get(b.file) == file and b.bleed_db is not None}
    shared = [d for d in before if d in after]
    if not shared:
        yield _row("bleed", None, None, None, None, NOT_IN_BOTH, most=limit("bleed"))
        return
    drum = max(shared, key=lambda d: _db(before[d]))
    harder = levels.harder_db(drum, mine)
    a, b = before[drum], after[drum]
    error = hypot(BLEED_ERROR_DB, *(1.25 * (x.spread_db or 0.0) / 1.35 / max(x.n_hits, 1) ** 0.5 for x in (a, b)))
    n = min(a.n_hits, b.n_hits)
    yield _row("bleed", drum, a.bleed_db, _db(b) - harder, error, "", most=limit("bleed"), n=n)


def _db(b: BleedEntry) -> float:
    return float(b.bleed_db or 0.0)


def _strokes(p: Pairing, file: str, levels: Levels) -> Iterator[PlacementRow]:
    drum = next((d for d, f in p.own.items() if f == file), None)
    if drum is None:
        return
    found = couples(p, drum, levels)
    figures: tuple[tuple[Quantity, Kind, float], ...] = (
        ("attack", "attack", ATTACK_ERROR_MS), ("crest", "crest", CREST_ERROR_DB),
    )  # fmt: skip
    for quantity, kind, floor in figures:
        both = [(figure(g, kind), figure(h, kind)) for g, h in found]
        known = [(a, b) for a, b in both if a is not None and b is not None]
        if len(known) < FEWEST_PAIRS:
            few = FEW_EQUAL.format(least=FEWEST_PAIRS)
            yield _row(quantity, drum, None, None, None, few, most=limit(quantity))
            continue
        before = float(np.median([a for a, _ in known]))
        value, error = median_change([a for a, _ in known], [b for _, b in known])
        yield _row(quantity, drum, before, before + value, hypot(error, floor), "", most=limit(quantity), n=len(known))


def _notches(p: Pairing, file: str) -> Iterator[PlacementRow]:
    """First frequency the sum with its partner loses; called changed where the delay behind it changed."""
    for a, b in _entries(p, file):
        error = _delay_error(a, b)
        if a.first_notch_hz is None or b.first_notch_hz is None or error is None or not a.delay_ms or not b.delay_ms:
            continue
        hz = hypot(a.first_notch_hz * error / abs(a.delay_ms), b.first_notch_hz * error / abs(b.delay_ms)) / 2**0.5
        said = word(b.delay_ms - a.delay_ms, error, limit("move"))
        if a.a not in p.own.values() or a.drum in ("snare", "kick"):
            n = min(a.n_hits, b.n_hits)
            yield _row("notch", a.drum, a.first_notch_hz, b.first_notch_hz, hz, "", most=0.0, n=n, said=said,
                       partner=a.a)  # fmt: skip


def _noise(p: Pairing, file: str) -> PlacementRow:
    before = next((c.noise_floor_dbfs for c in p.ref.measurements.channels if c.file == file), None)
    there = p.there.get(file)
    after = next((c.noise_floor_dbfs for c in p.other.measurements.channels if c.file == there), None)
    return _row("noise", None, before, after, NOISE_ERROR_DB, NOT_IN_BOTH, most=limit("noise"))
