"""Snare wires that answer other drums: what the snare's mic hears between 2 and 8 kHz after kick and toms.

A stroke of another drum reaches the snare's mic at once and is over soon; what the room gives back of it, and
cymbals struck along with it, the distant mics hear as well. Wires go on rattling for as long as the drum sounds,
and are heard by the snare's mic far more than by any other. So, for every drum and stroke by stroke:

1. the power 40 to 120 ms after the stroke, less what was there before it, in the snare's mic and in the distant ones;
2. how much the snare's mic hears of cymbals struck without a drum, in the same window, against each distant mic (if
   there are none: of the drum's own first 8 ms);
3. what the distant mic hears late, times that ratio, is what the snare's mic would hear without wires; or, if that is
   more, its own first 8 ms dying away as they do in the drum's own mic. The rest is the wires'. The hat stands right
   at the snare, so this expects too much rather than too little.

Conventions: powers are mean squares of the onset tracks, 1 ms frames; levels in dB against the first 60 ms of the
snare's own strokes, median against median.

Source
------
Own work; the window and the traps (spill that is short, ghost notes, cymbals struck along) are common practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.onsets import BAND_EDGES_HZ, FLOOR_POWER, OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.observed.instrument import WireBuzz
from kitproof.reasons import NEVER_WITHOUT_SNARE, NO_DISTANT_MIC, SNARE_NOT_HIT
from kitproof.roles import DISTANT_ROLES

Float64Array = NDArray[np.float64]

BAND_HZ = (2000.0, 8000.0)
LATE_S = (0.04, 0.12)
EARLY_S = (0.0, 0.008)
BEFORE_S = (-0.03, -0.005)
OWN_S = (0.0, 0.06)
SNARE_CLEAR_S = (0.25, 0.125)  # before and after: own strokes ring on for so long
DRUM_CLEAR_S = (0.15, 0.125)
CYMBAL_CLEAR_S = (0.05, 0.125)
NEXT_S = (0.01, 0.125)  # another tom, or the same one: in a fill they follow each other, and the wires rattle on
QUIET_PERCENT = 20.0  # of the take's frames: what is there between strokes, where a fill leaves no pause
CYMBAL_AFTER_S = {"snare": 0.25, "other": 0.2}
SOFT_SHARE = 0.3  # of the median strength: softer strokes set nothing off, and may be none at all
FEWEST_ALONE = 5
FEWEST = 6
CYMBALS = ("hi-hat", "ride", "unmiked")


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """One mic after the strokes of one drum: power per stroke, (n_strokes,) each."""

    before: Float64Array
    early: Float64Array
    late: Float64Array

    @property
    def late_more(self) -> Float64Array:
        """What the stroke added."""
        return np.asarray(np.maximum(self.late - self.before, FLOOR_POWER))

    @property
    def stands_out(self) -> bool:
        """Whether most strokes at least double what was there before."""
        return bool(np.median(self.late / np.maximum(self.before, FLOOR_POWER)) >= 2.0)

    @property
    def early_more(self) -> Float64Array:
        """What the stroke added at once."""
        return np.asarray(np.maximum(self.early - self.before, FLOOR_POWER))


@dataclass(frozen=True, slots=True)
class Mics:
    """Power over time, (n_frames,) each: the snare's mic, the struck drum's own, the distant ones."""

    here: Float64Array
    own: Float64Array | None
    distant: list[Float64Array]
    rate: float


def observe_wires(view: TakeView) -> Iterator[WireBuzz]:
    """For every kick and tom what the wires answer; nothing without a snare mic, or if no such drum was struck."""
    mic = next(
        (c.file for role in ("snare-bottom", "snare-top", "snare-side") for c in view.kit if c.role == role), None
    )
    if mic is None or "snare" not in view.drums:
        return
    bands = {c.file: high_power(view.tracks[c.file]) for c in view.kit if c.role in DISTANT_ROLES or c.file == mic}
    rate = view.tracks[mic].frames_per_s
    distant = [power for file, power in bands.items() if file != mic]
    times = {name: d.time_s for name, d in view.drums.items()}
    loud = {
        n: d.time_s[d.strength >= SOFT_SHARE * np.median(d.strength)] for n, d in view.drums.items() if len(d.time_s)
    }
    snare_power = float(np.median(mean_power(bands[mic], rate, times["snare"], OWN_S)))
    for drum in (d for d in times if d == "kick" or "tom" in d):
        own = high_power(view.tracks[view.own[drum]]) if drum in view.own else None
        yield wire_buzz(mic, drum, loud[drum], times, Mics(bands[mic], own, distant, rate), snare_power)


def high_power(track: OnsetTrack) -> Float64Array:
    """(n_frames,) power between 2 and 8 kHz."""
    first, last = (BAND_EDGES_HZ.index(hz) for hz in BAND_HZ)
    return np.asarray(track.band_power()[:, first:last].sum(axis=1), np.float64)


def mean_power(power: Float64Array, rate: float, time_s: Float64Array, span_s: tuple[float, float]) -> Float64Array:
    """(n_strokes,) mean of a track over a span after each stroke; the ends of the track are repeated."""
    offsets = np.arange(round(span_s[0] * rate), max(round(span_s[1] * rate), round(span_s[0] * rate) + 1))
    index = np.round(time_s * rate).astype(int)[:, None] + offsets[None, :]
    return np.asarray(power[np.clip(index, 0, len(power) - 1)].mean(axis=1))


def chosen_strokes(drum: str, mine: Float64Array, times: Mapping[str, Float64Array]) -> tuple[Float64Array, bool]:
    """Those of a drum's strokes that no other drum disturbs, and whether no cymbal does either."""
    alone = np.ones(len(mine), bool)
    no_drum = np.ones(len(mine), bool)
    for other, t in times.items():
        before, after = _clear_s(drum, other)
        t = np.sort(t)
        count = np.searchsorted(t, mine + after) - np.searchsorted(t, mine - before) - (other == drum)
        alone &= count == 0
        if other not in CYMBALS:
            no_drum &= count == 0
    return (mine[alone], True) if alone.sum() >= FEWEST_ALONE else (mine[no_drum], False)


def _clear_s(drum: str, other: str) -> tuple[float, float]:
    if other in CYMBALS:
        return CYMBAL_CLEAR_S
    if other == "snare":
        return SNARE_CLEAR_S
    return NEXT_S if drum == other or ("tom" in drum and "tom" in other) else DRUM_CLEAR_S


def wire_buzz(
    mic: str,
    drum: str,
    loud: Float64Array,
    times: Mapping[str, Float64Array],
    mics: Mics,
    snare_power: float,
) -> WireBuzz:
    """What the wires answer to one drum."""
    strokes, alone = chosen_strokes(drum, loud, times)
    names = ("level_db", "over_noise_db", "over_spill_db", "share")
    reason = None
    if len(strokes) < (FEWEST_ALONE if alone else FEWEST):
        reason = NEVER_WITHOUT_SNARE
    elif not mics.distant:
        reason = NO_DISTANT_MIC
    elif snare_power <= FLOOR_POWER:
        reason = SNARE_NOT_HIT
    if reason is not None:
        return WireBuzz(
            file=mic, drum=drum, n_strokes=len(strokes), alone=alone, level_db=None, over_noise_db=None,
            over_spill_db=None, share=None, times_s=(), unmeasured=dict.fromkeys(names, reason),
        )  # fmt: skip
    here = heard(mics.here, mics.rate, strokes, "tom" in drum)
    spill = np.maximum(_distant_spill(here, mics, strokes, times, "tom" in drum), _own_spill(here, mics, strokes))
    ratio_db = 10.0 * np.log10(here.late_more / spill)
    noise_db = 10.0 * np.log10(np.maximum(here.late, FLOOR_POWER) / np.maximum(here.before, FLOOR_POWER))
    return WireBuzz(
        file=mic, drum=drum, n_strokes=len(strokes), alone=alone,
        level_db=10.0 * float(np.log10(np.median(here.late_more) / snare_power)),
        over_noise_db=float(np.median(noise_db)), over_spill_db=float(np.median(ratio_db)),
        share=float(np.mean((ratio_db > 6.0) & (noise_db > 6.0))),
        times_s=tuple(strokes[np.argsort(-here.late_more)][:20].tolist()),
    )  # fmt: skip


def heard(power: Float64Array, rate: float, strokes: Float64Array, in_fills: bool) -> Heard:
    """One mic's power around strokes; in fills, what is there just before a stroke is still that of the last."""
    before, early, late = (mean_power(power, rate, strokes, span) for span in (BEFORE_S, EARLY_S, LATE_S))
    if in_fills:
        before = np.minimum(before, np.percentile(power, QUIET_PERCENT))
    return Heard(before=before, early=early, late=late)


def _own_spill(here: Heard, mics: Mics, strokes: Float64Array) -> float:
    """What a mic would hear late if the drum died away there as it does in its own mic."""
    if mics.own is None:
        return FLOOR_POWER
    own = heard(mics.own, mics.rate, strokes, False)
    return float(np.median(here.early_more) * np.median(own.late_more / own.early_more))


def _distant_spill(
    here: Heard, mics: Mics, strokes: Float64Array, times: Mapping[str, Float64Array], in_fills: bool
) -> Float64Array:
    """(n_strokes,) what it would hear late if it were as far below the distant mics as with cymbals; their median."""
    cymbals = cymbals_alone(times)
    return np.asarray(
        np.median(
            [
                _spill(here, heard(p, mics.rate, strokes, in_fills), cymbals, mics.here, p, mics.rate)
                for p in mics.distant
            ],
            axis=0,
        )
    )


def _spill(
    here: Heard, there: Heard, cymbals: list[Float64Array], power: Float64Array, far: Float64Array, rate: float
) -> Float64Array:
    """(n_strokes,) what a mic would hear late if it heard late as much more or less than there as cymbals do."""
    ratios = []
    for strokes in cymbals:
        a, b = heard(power, rate, strokes, False), heard(far, rate, strokes, False)
        if b.stands_out:
            # Where the cymbal is not heard here, what was there before is a bound for it.
            most = a.late_more if a.stands_out else np.maximum(a.late_more, a.before)
            ratios.append(float(np.median(most)) / float(np.median(b.late_more)))
    if not ratios:
        ratios.append(float(np.median(here.early_more)) / float(np.median(there.early_more)))
    return np.asarray(np.maximum(there.late_more * max(ratios), FLOOR_POWER))


def cymbals_alone(times: Mapping[str, Float64Array]) -> list[Float64Array]:
    """Strokes of each cymbal that no drum disturbs, of those that have enough of them."""
    out = []
    for cymbal in (c for c in CYMBALS if c in times):
        mine = times[cymbal]
        alone = np.ones(len(mine), bool)
        for other, t in times.items():
            if other not in CYMBALS:
                since = mine - CYMBAL_AFTER_S["snare" if other == "snare" else "other"]
                alone &= np.searchsorted(np.sort(t), mine + LATE_S[1]) == np.searchsorted(np.sort(t), since)
        if alone.sum() >= FEWEST:
            out.append(mine[alone])
    return out
