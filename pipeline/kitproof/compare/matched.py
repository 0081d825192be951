"""Strokes of two takes put side by side by their strength, so that a harder player is not taken for another mic."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from math import hypot, sqrt

import numpy as np

from kitproof.compare.align import Pairing, Reading
from kitproof.compare.levels import IQR, MEDIAN, Levels
from kitproof.compare.sound import PLATES, made
from kitproof.comparison import Change, Kind
from kitproof.model import Hit
from kitproof.reasons import FEW_BLEEDING, FEW_EQUAL, NOT_IN_BOTH

WITHIN_DB = 1.5  # common practice: strokes closer than this sound equally hard
FEWEST_PAIRS = 5
NEIGHBOURS = 8  # strokes on either side that are tried; more would pair what is further apart
ATTACK_ERROR_MS = 0.05  # of a median difference, beside its scatter
CREST_ERROR_DB = 0.4
PLATE_ERROR = 3.0  # times as much for hi-hat and ride, over whose strokes everything else sounds
BLEED_ERROR_DB = 1.0  # of a difference of two bleed figures, beside their scatter

FEWEST_BLEEDING = 8  # strokes behind a bleed figure that is compared

Couple = tuple[Hit, Hit]


def couples(p: Pairing, drum: str, levels: Levels) -> list[Couple]:
    """Strokes of one drum, each with the nearest free one of the other take within WITHIN_DB, closest first.

    Strengths are against each take's own median, so the other take's are shifted by how much harder it was played,
    as far as that is known.
    """
    first = _known(p.ref, drum)
    second = _known(p.other, drum)
    shift = levels.strength_db(drum)
    theirs = [(h.strength_db or 0.0) + shift for h in second]
    near = []
    for i, g in enumerate(first):
        mine = g.strength_db or 0.0
        place = bisect_left(theirs, mine)
        around = range(max(place - NEIGHBOURS, 0), min(place + NEIGHBOURS, len(theirs)))
        near += [(abs(theirs[j] - mine), i, j) for j in around]
    near.sort()
    used: tuple[set[int], set[int]] = (set(), set())
    found = []
    for distance, i, j in near:
        if distance > WITHIN_DB:
            break
        if i not in used[0] and j not in used[1]:
            used[0].add(i)
            used[1].add(j)
            found.append((first[i], second[j]))
    return found


def _known(r: Reading, drum: str) -> list[Hit]:
    """Its strokes of known strength, softest first."""
    known = [h for h in r.measurements.hits if h.drum == drum and h.strength_db is not None]
    return sorted(known, key=lambda h: (h.strength_db or 0.0, h.time_s))


def median_change(before: Sequence[float], after: Sequence[float]) -> tuple[float, float]:
    """Median difference of pairs and its standard error. before, after : (n,), n at least 1."""
    difference = np.array(after) - np.array(before)
    low, high = np.percentile(difference, [25, 75])
    return float(np.median(difference)), MEDIAN * float(high - low) / IQR / sqrt(len(difference))


def changes(p: Pairing, levels: Levels) -> Iterator[Change]:
    """Attack and crest factor of every drum at equal strength, and bleed with both drums' strengths taken out."""
    for drum in p.drums:
        found = couples(p, drum, levels)
        yield from (stroke_change(p, kind, drum, found) for kind in ("attack", "crest"))
    yield from _bleed(p, levels)


def stroke_change(p: Pairing, kind: Kind, drum: str, found: Sequence[Couple]) -> Change:
    """One figure of a drum's strokes, pair by pair."""
    unit, floor = ("ms", ATTACK_ERROR_MS) if kind == "attack" else ("dB", CREST_ERROR_DB)
    both = [(figure(g, kind), figure(h, kind)) for g, h in found]
    known = [(a, b) for a, b in both if a is not None and b is not None]
    if len(known) < FEWEST_PAIRS:
        few = FEW_EQUAL.format(least=FEWEST_PAIRS)
        return made(p, kind, None, None, few, unit=unit, file=p.own[drum], drum=drum)
    value, error = median_change([a for a, _ in known], [b for _, b in known])
    floor *= PLATE_ERROR if drum in PLATES else 1.0
    return made(p, kind, value, hypot(error, floor), "", unit=unit, file=p.own[drum], drum=drum, n=len(known))


def figure(h: Hit, kind: Kind) -> float | None:
    """Attack or crest factor of a stroke."""
    return h.attack_ms if kind == "attack" else h.crest_db


def _bleed(p: Pairing, levels: Levels) -> Iterator[Change]:
    drum_of = {file: drum for drum, file in p.own.items()}
    before = {(b.file, b.drum): b for b in p.ref.measurements.bleed}
    for b in p.other.measurements.bleed:
        file = p.here.get(b.file, "")
        was = before.get((file, b.drum))
        if was is None or b.drum not in p.own or file not in drum_of:
            continue
        if was.bleed_db is None or b.bleed_db is None:
            yield made(p, "bleed", None, None, NOT_IN_BOTH, file=file, drum=b.drum)
            continue
        if min(was.n_hits, b.n_hits) < FEWEST_BLEEDING:
            few = FEW_BLEEDING.format(least=FEWEST_BLEEDING)
            yield made(p, "bleed", None, None, few, file=file, drum=b.drum)
            continue
        harder = levels.harder_db(b.drum, drum_of[file])
        spreads = [MEDIAN * (x.spread_db or 0.0) / IQR / sqrt(max(x.n_hits, 1)) for x in (was, b)]
        unsure = [e.error or 0.0 for d in (b.drum, drum_of[file]) if (e := levels.strength.get(d)) is not None]
        error = hypot(BLEED_ERROR_DB, *spreads, *unsure)
        value = b.bleed_db - was.bleed_db - harder
        yield made(p, "bleed", value, error, "", file=file, drum=b.drum, n=min(was.n_hits, b.n_hits))
