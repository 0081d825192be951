"""Bleed: how loud each drum is in the other drums' close mics, as if every stroke stood alone.

Strokes that happen to stand alone are ghosts or fills, and other drums ring on under them. So the level
of a mic over the whole take is explained as the sum of all strokes of all drums at once: strength of
the stroke, known from the drum's own mic, times a course over time that is the same for all its strokes.

Conventions: powers are mean squares; strengths are powers in the drum's own mic; the energy window of a
stroke is BEFORE_S before its time to AFTER_S after it.

Source
------
Own work. The courses are non-negative and fitted with the Itakura-Saito divergence, as in coupling.py,
which weighs a quiet moment like a loud one. Tried and dropped: medians over strokes without another
within 200 ms (5 dB off, the lonely strokes are not the usual ones); least squares (the loudest moments
decide alone).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from kitproof.measure.bleedfit import Design, DrumInMic, Mic, explain
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.onsets import BAND_EDGES_HZ, N_BANDS, OnsetTrack
from kitproof.model import BleedEntry
from kitproof.reasons import BELOW, DRUM_NOT_HIT, FEW_STAND_OUT, HIDDEN, LIKE_OWN, NOT_ALONE, OWN_DRUM_HIDDEN

RISE = 1.25  # a stroke that stands out raises the level of RISE_S by this factor, 1 dB
WIDEST_SPREAD_DB = 10.0  # strokes that differ by more than this are not one coupling
LOW_HZ, HIGH_HZ = 250.0, 4000.0
FEWEST_HITS = 3  # for a spread
FEWEST_PLAIN = 0.15  # share of a drum's strokes that have to stand out in a mic
# As loud as the mic's own drum and alike in all three regions: no other drum sounds so next to this one, but strokes
# of its own do that were not found, as in a run of double kicks under a ride. Source: own choice.
LIKE_OWN_DB, LIKE_OWN_BANDS_DB = -3.0, 3.0
FLOOR_DB = -60.0  # quieter bleed than this is nobody's concern and mostly noise


@dataclass(frozen=True, slots=True, kw_only=True)
class MicBleed:
    """Bleed of all drums in one close mic."""

    entries: tuple[BleedEntry, ...]
    foreign_time_share: float | None  # None where the mic's own drum was not hit


@dataclass(frozen=True, slots=True, kw_only=True)
class BleedMeasures:
    """Bleed of all drums in all close mics."""

    entries: tuple[BleedEntry, ...]
    foreign_time_share: Mapping[str, float]  # by file of a close mic whose drum was hit


def measure_bleed(file: str, own_drum: str, track: OnsetTrack, drums: Sequence[DrumTimes]) -> MicBleed:
    """Bleed in one close mic: one entry for every drum of `drums` but its own.

    drums : all strokes, strength as amplitude in the own mic ("unmiked" may be among them, with the
    strength in the mic that heard it)
    """
    if not drums:
        return MicBleed(entries=(), foreign_time_share=None)
    design = Design(drums, len(track.band_db), track.frames_per_s)
    entries, share = _in_one_mic(file, own_drum, track, design, drums)
    return MicBleed(entries=tuple(entries), foreign_time_share=share)


def _in_one_mic(
    file: str, own_drum: str, track: OnsetTrack, design: Design, drums: Sequence[DrumTimes]
) -> tuple[list[BleedEntry], float | None]:
    names = [d.drum for d in drums]
    if own_drum not in names:
        why = DRUM_NOT_HIT.format(drum=own_drum)
        return [_none(d, file, why) for d in drums if d.drum != own_drum], None
    mic = explain(design, design.levels(track.band_power()), drums, names.index(own_drum))
    low = [b for b in range(N_BANDS) if BAND_EDGES_HZ[b + 1] <= LOW_HZ]
    high = [b for b in range(N_BANDS) if BAND_EDGES_HZ[b] >= HIGH_HZ]
    middle = [b for b in range(N_BANDS) if b not in low and b not in high]
    regions = {"bleed_db": [*low, *middle, *high], "bleed_low_db": low, "bleed_mid_db": middle, "bleed_high_db": high}
    own = names.index(own_drum)
    if _standing(mic.drums[own]).share < FEWEST_PLAIN:
        why = OWN_DRUM_HIDDEN.format(drum=own_drum)
        return [_none(d, file, why) for d in drums if d.drum != own_drum], None
    entries = []
    for i, d in enumerate(drums):
        if i == own:
            continue
        ratio = {name: _level_db(mic.drums[i], b) - _level_db(mic.drums[own], b) for name, b in regions.items()}
        at_most_db = _heard_db(mic.drums[i]) - _level_db(mic.drums[own], regions["bleed_db"])
        entries.append(_entry(d, file, ratio, at_most_db, _standing(mic.drums[i])))
    return entries, _foreign_share(mic)


def _level_db(drum: DrumInMic, bands: Sequence[int]) -> float:
    """Median energy of a drum's strokes in some bands, each as if it stood alone, dB."""
    return 10.0 * float(np.log10(np.median(drum.alone[:, bands].sum(axis=1)) + 1e-20))


def _heard_db(drum: DrumInMic) -> float:
    """Median energy of all that the mic hears at a drum's strokes, dB: they can be no louder themselves."""
    return 10.0 * float(np.log10(np.median(drum.seen.sum(axis=1)) + 1e-20))


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far a drum stands out of what a mic hears."""

    share: float  # of its strokes that make up at least half of some band in their window, a band that matters
    n: int  # number of those
    spread_db: float  # interquartile range over those, against the fitted course


def _standing(drum: DrumInMic) -> Standing:
    """Judged in the bands that hold most of the drum's energy in this mic."""
    energy = np.median(drum.alone, axis=0)
    main = energy >= 0.25 * energy.max()
    part, whole = drum.part[:, main].sum(axis=1), drum.whole[:, main].sum(axis=1)
    left = np.maximum(drum.seen - (drum.whole - drum.part), 0.05 * drum.part)[:, main].sum(axis=1)
    # A drum that bleeds into a mic is heard to begin there; one that is only explained into it is not.
    begins = drum.after[:, main].sum(axis=1) > RISE * drum.before[:, main].sum(axis=1)
    plain = np.asarray((part > 0.5 * whole) & begins)
    if not plain.any():
        return Standing(share=0.0, n=0, spread_db=0.0)
    low, high = np.percentile(10.0 * np.log10(np.maximum(left, 1e-20) / np.maximum(part, 1e-20))[plain], [25, 75])
    return Standing(share=float(plain.mean()), n=int(plain.sum()), spread_db=float(high - low))


def _foreign_share(mic: Mic) -> float:
    """Share of the time with sound in a mic in which the other drums make up more than half of it."""
    struck, mine = mic.model.sum(axis=1) - mic.noise.sum(), mic.own.sum(axis=1)
    sounding = struck > mic.quietest.sum()
    if not sounding.any():
        return 0.0
    return float(np.mean(mine[sounding] < 0.5 * struck[sounding]))


def _entry(d: DrumTimes, file: str, ratio: Mapping[str, float], at_most_db: float, plain: Standing) -> BleedEntry:
    if plain.share < FEWEST_PLAIN:
        return _none(d, file, HIDDEN, at_most_db)
    if ratio["bleed_db"] > LIKE_OWN_DB and max(ratio.values()) - min(ratio.values()) < LIKE_OWN_BANDS_DB:
        return _none(d, file, LIKE_OWN, at_most_db)
    if plain.n >= FEWEST_HITS and plain.spread_db > WIDEST_SPREAD_DB:
        return _none(d, file, NOT_ALONE.format(spread_db=plain.spread_db), at_most_db)
    levels = {name: db if db >= FLOOR_DB else None for name, db in ratio.items()}
    reasons = {name: BELOW.format(least_db=FLOOR_DB) for name, db in levels.items() if db is None}
    if plain.n < FEWEST_HITS:
        reasons["spread_db"] = FEW_STAND_OUT.format(n=plain.n)
    return BleedEntry(
        drum=d.drum, file=file, bleed_db=levels["bleed_db"], bleed_low_db=levels["bleed_low_db"],
        bleed_mid_db=levels["bleed_mid_db"], bleed_high_db=levels["bleed_high_db"],
        spread_db=plain.spread_db if plain.n >= FEWEST_HITS else None, n_hits=len(d.time_s), unmeasured=reasons,
        at_most_db=FLOOR_DB if levels["bleed_db"] is None else None,
    )  # fmt: skip


def _none(d: DrumTimes, file: str, why: str, at_most_db: float | None = None) -> BleedEntry:
    names = ("bleed_db", "bleed_low_db", "bleed_mid_db", "bleed_high_db", "spread_db")
    return BleedEntry(
        drum=d.drum, file=file, bleed_db=None, bleed_low_db=None, bleed_mid_db=None, bleed_high_db=None,
        spread_db=None, n_hits=len(d.time_s), unmeasured=dict.fromkeys(names, why), at_most_db=at_most_db,
    )  # fmt: skip
