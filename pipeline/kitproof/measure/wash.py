"""Cymbals in the drums' mics: what a tom's mic hears between its own strokes, and the hat in the snare's.

A tom is struck in fills only, so by time its mic hears others nearly always, which says nothing. What matters later:

1. the wash: level of the tom's mic while nothing but cymbals sounds, that is after the strokes of any drum have died
   away, in windows of 50 ms; median, and the level it rarely goes over;
2. against that, the tom's own strokes: energy of their first 60 ms, usual and softest, and how long their ring stands
   over the wash before it is drowned;
3. both above 4 kHz too, where a tom is brightened.

For the snare: the first 60 ms of hat strokes that stand alone against those of its loud strokes, above 4 kHz.

Conventions: powers are mean squares of the onset tracks, 1 ms frames; levels in dB, wash against own strokes. Silence
and too few strokes give None with a reason.

Source
------
Own work; that cymbal wash is the reason to edit toms, and hats in the snare's mic the first complaint when a snare is
brightened, is common practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.onsets import BAND_EDGES_HZ, FLOOR_POWER, OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.observed.room import HatInSnare, Wash
from kitproof.reasons import CYMBALS_NEVER_ALONE, FEW_HATS, FEW_OWN

Float64Array = NDArray[np.float64]

HIGH_HZ = 4000.0
OWN_S = 0.060
WINDOW_S = 0.050
DRUM_OVER_S = 0.20  # after a stroke of another drum only cymbals are left
OWN_OVER_S = 1.5  # a tom rings on for longer, but then it is the tom
BEFORE_S = 0.01
LEAST_S = 1.0  # of cymbals alone
FEWEST_OWN = 3
FEWEST_HATS = 8
RARELY = 90.0  # percentile
SOFT = 10.0
LOUD_SHARE = 0.5  # of the snare's 90th percentile: ghost notes are softer
HAT_CLEAR_S = (0.25, 0.06)  # no snare before, nothing else after
CYMBALS = ("hi-hat", "ride", "unmiked")
RING_OVER_DB = 6.0
RING_MOST_S = 1.2


def observe_wash(view: TakeView) -> Iterator[Wash | HatInSnare]:
    """One record for the mic of every tom that was struck; one for the hat in the snare's mic, if both were."""
    if not any(d in view.drums for d in CYMBALS):
        return
    for drum, file in view.own.items():
        if "tom" in drum and drum in view.drums:
            yield wash_of(drum, file, view.tracks[file], view.drums)
    if "snare" in view.own and {"snare", "hi-hat"} <= set(view.drums):
        yield hat_in_snare(view.own["snare"], view.tracks[view.own["snare"]], view.drums)


def wash_of(drum: str, file: str, track: OnsetTrack, drums: Mapping[str, DrumTimes]) -> Wash:
    """The cymbals in one tom's mic."""
    own = drums[drum].time_s
    full, high = _powers(track)
    rate = track.frames_per_s
    left = _cymbals_alone(len(full), rate, drum, drums)
    size = round(WINDOW_S * rate)
    windows = [p[: len(p) // size * size].reshape(-1, size).mean(axis=1) for p in (full, high)]
    alone = left[: len(full) // size * size].reshape(-1, size).all(axis=1)
    if len(own) < FEWEST_OWN or alone.sum() * WINDOW_S < LEAST_S:
        why = FEW_OWN.format(least=FEWEST_OWN) if len(own) < FEWEST_OWN else CYMBALS_NEVER_ALONE
        return _no_wash(drum, file, len(own), why)
    strokes, bright = (_first(p, rate, own) for p in (full, high))
    usual, loud = (float(np.percentile(windows[0][alone], p)) for p in (50.0, RARELY))
    usual_high, loud_high = (float(np.percentile(windows[1][alone], p)) for p in (50.0, RARELY))
    return Wash(
        drum=drum, file=file, n_strokes=len(own), alone_s=float(alone.sum() * WINDOW_S),
        wash_db=_db(usual, float(np.median(strokes))), wash_high_db=_db(usual_high, float(np.median(bright))),
        wash_high_loud_db=_db(loud_high, float(np.median(bright))),
        soft_over_db=_db(float(np.percentile(strokes, SOFT)), loud), ring_clear_s=_ring_clear(full, rate, own, usual),
    )  # fmt: skip


def _no_wash(drum: str, file: str, n: int, why: str) -> Wash:
    names = Wash.NULLABLE
    return Wash(
        drum=drum, file=file, n_strokes=n, alone_s=0.0, wash_db=None, wash_high_db=None, wash_high_loud_db=None,
        soft_over_db=None, ring_clear_s=None, unmeasured=dict.fromkeys(names, why),
    )  # fmt: skip


def _powers(track: OnsetTrack) -> tuple[Float64Array, Float64Array]:
    """(n_frames,) power of the whole, and above HIGH_HZ."""
    bands = track.band_power()
    first = BAND_EDGES_HZ.index(HIGH_HZ)
    return np.asarray(bands.sum(axis=1), np.float64), np.asarray(bands[:, first:].sum(axis=1), np.float64)


def _cymbals_alone(n: int, rate: float, drum: str, drums: Mapping[str, DrumTimes]) -> NDArray[np.bool_]:
    """(n_frames,) true from the first cymbal stroke to the last where no drum has been struck for a while."""
    cymbals = np.concatenate([d.time_s for name, d in drums.items() if name in CYMBALS])
    left = np.zeros(n, bool)
    left[max(0, round(cymbals.min() * rate)) : round((cymbals.max() + 0.5) * rate)] = True
    for name, d in drums.items():
        if name not in CYMBALS:
            over_s = OWN_OVER_S if name == drum else DRUM_OVER_S
            for t in d.time_s:
                left[max(0, round((t - BEFORE_S) * rate)) : max(0, round((t + over_s) * rate))] = False
    return left


def _first(power: Float64Array, rate: float, time_s: Float64Array) -> Float64Array:
    """(n_strokes,) mean power of the first 60 ms."""
    n = round(OWN_S * rate)
    starts = np.clip(np.round(time_s * rate).astype(int), 0, max(0, len(power) - n))
    return np.array([power[s : s + n].mean() for s in starts])


def _ring_clear(power: Float64Array, rate: float, own: Float64Array, wash: float) -> float:
    """How long the median of the strokes stays RING_OVER_DB over the usual wash, s; at most RING_MOST_S."""
    n, size = round(RING_MOST_S * rate), round(0.02 * rate)
    starts = np.round(own * rate).astype(int)
    rows = [power[s : s + n] for s in starts if s >= 0 and s + n <= len(power)]
    if not rows:
        return 0.0
    course = np.median(rows, axis=0)[: n // size * size].reshape(-1, size).mean(axis=1)
    under = np.flatnonzero(course[1:] < wash * 10.0 ** (RING_OVER_DB / 10.0))
    return float((under[0] + 1) * size / rate) if len(under) else RING_MOST_S


def hat_in_snare(file: str, track: OnsetTrack, drums: Mapping[str, DrumTimes]) -> HatInSnare:
    """The hat against the snare in the snare's own mic, above 4 kHz."""
    snare, hats = drums["snare"], drums["hi-hat"].time_s
    loud = snare.time_s[snare.strength >= LOUD_SHARE * np.percentile(snare.strength, RARELY)]
    others = np.sort(np.concatenate([d.time_s for name, d in drums.items() if name != "hi-hat"]))
    snares = np.sort(snare.time_s)
    lonely = (np.searchsorted(snares, hats) == np.searchsorted(snares, hats - HAT_CLEAR_S[0])) & (
        np.searchsorted(others, hats + HAT_CLEAR_S[1]) == np.searchsorted(others, hats - HAT_CLEAR_S[1])
    )
    if lonely.sum() < FEWEST_HATS or len(loud) < FEWEST_OWN:
        few = lonely.sum() < FEWEST_HATS
        why = FEW_HATS.format(least=FEWEST_HATS) if few else FEW_OWN.format(least=FEWEST_OWN)
        return HatInSnare(
            file=file, n_hats=int(lonely.sum()), n_snares=len(loud), high_db=None, loud_db=None,
            unmeasured=dict.fromkeys(HatInSnare.NULLABLE, why),
        )  # fmt: skip
    _, high = _powers(track)
    heard, own = (_first(high, track.frames_per_s, t) for t in (hats[lonely], loud))
    usual = float(np.median(own))
    return HatInSnare(
        file=file, n_hats=int(lonely.sum()), n_snares=len(loud), high_db=_db(float(np.median(heard)), usual),
        loud_db=_db(float(np.percentile(heard, RARELY)), usual),
    )  # fmt: skip


def _db(a: float, b: float) -> float:
    return float(10.0 * np.log10(max(a, FLOOR_POWER) / max(b, FLOOR_POWER)))
