"""Whether a drum sounds the same from its first stroke to its last: a head that splits, a stick that breaks, a beater
that works loose.

Per stroke, in the drum's own mic: power in octaves during the first 10 ms, less what was there before, each octave
against the mean of them all. That is the tone of the attack, whatever its loudness. The best single step over the
take is the one that leaves least scatter (sum of distances). A head that goes changes the tone at once and for good;
a passage on the rim, with brushes or towards the edge goes and comes back, which one step does not explain, and a hand
that wanders has less of the change in the strokes next to it than in the rest.

Three things change the tone without being a fault, and are taken out first:

- How hard the stroke was: a slope per octave, the median of slopes between strokes next to one another in time.
- What is struck along with it: strokes are held only against those with the same other drums within 12 ms, or a hat
  that gives way to the ride would be a new snare.
- Soft strokes, which are played elsewhere on the head, are not asked.

Tried and dropped: the distance of stroke spectra without kinds (bleeding hats make steps of 2 dB at every change from
hat to ride); the spectrum from 10 to 60 ms (it holds the ring, which a muffled hand or the strainer changes too).

Conventions: levels in dB; a step is what an octave gained against the others.

Source
------
A step of the attack spectrum that persists, and its traps: common practice. Method: own choice.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.onsets import BAND_EDGES_HZ, FLOOR_POWER, OnsetTrack
from kitproof.measure.steps import best_step, kinds, slopes, struck_along
from kitproof.measure.views import TakeView
from kitproof.observed.instrument import DrumSound
from kitproof.reasons import ALREADY_SOUNDING, FEW_STROKES

Float64Array = NDArray[np.float64]

DRUMS = ("kick", "snare", "rack-tom", "floor-tom")
FROM_HZ, TO_HZ = 120.0, 8000.0  # below, 10 ms tell little; above, a close mic hears cymbals as well
ATTACK_S, BEFORE_S = (0.0, 0.010), (-0.020, -0.004)
STANDS_OUT = 2.0  # an octave counts where the stroke doubles what was there
HEARD_SHARE = 0.8  # of the strokes, or the octave is left out
FEWEST_BANDS = 3
APART_S = 0.030  # a stroke of the same drum so shortly before it still sounds
SOFT_SHARE, HARD_PERCENT = 0.3, 75.0  # softer than so much of a hard stroke: of a drum with ghosts the median is one
FEWEST = 16


def observe_drum_sound(view: TakeView) -> Iterator[DrumSound]:
    """One record for every kick, snare and tom that has a mic of its own and was struck."""
    for name, drum in view.drums.items():
        file = view.own.get(name)
        if file is not None and file in view.tracks and name.startswith(DRUMS) and len(drum.time_s):
            hard = drum.strength >= SOFT_SHARE * np.percentile(drum.strength, HARD_PERCENT)
            hard &= np.diff(drum.time_s, prepend=-np.inf) >= APART_S
            times = drum.time_s[hard]
            others = {n: d.time_s for n, d in view.drums.items() if n != name}
            level_db = 20.0 * np.log10(drum.strength[hard])
            yield drum_sound(
                name, file, times, level_db, attack_db(view.tracks[file], times), struck_along(times, others)
            )


def attack_db(track: OnsetTrack, time_s: Float64Array) -> Float64Array:
    """(n_strokes, n_octaves) level of each stroke's first moments; NaN where it does not stand out."""
    octaves = slice(BAND_EDGES_HZ.index(FROM_HZ), BAND_EDGES_HZ.index(TO_HZ))
    before, attack = (track.mean_power(time_s, span, octaves) for span in (BEFORE_S, ATTACK_S))
    level = 10.0 * np.log10(np.maximum(attack - before, FLOOR_POWER))
    return np.asarray(np.where(attack > STANDS_OUT * np.maximum(before, FLOOR_POWER), level, np.nan))


def drum_sound(
    drum: str,
    file: str,
    time_s: Float64Array,
    level_db: Float64Array,
    octaves_db: Float64Array,
    along: NDArray[np.bool_],
) -> DrumSound:
    """The best single step of a drum's tone; one row or entry per stroke, in order of time."""
    heard = np.isfinite(octaves_db).mean(axis=0) >= HEARD_SHARE if len(time_s) else np.zeros(0, bool)
    whole = np.isfinite(octaves_db[:, heard]).all(axis=1)
    reason = FEW_STROKES if len(time_s) < FEWEST else ALREADY_SOUNDING
    step = None
    if heard.sum() >= FEWEST_BANDS and whole.sum() >= FEWEST:
        tone = octaves_db[whole][:, heard]
        tone = tone - tone.mean(axis=1, keepdims=True)
        tone = tone - np.outer(level_db[whole] - np.median(level_db[whole]), slopes(level_db[whole], tone))
        step, reason = best_step(tone, kinds(tone, along[whole])), FEW_STROKES
    if step is None:
        names = ("step_db", "step_time_s", "darker_db", "scatter_db", "overlap", "sudden", "rest", "louder_db")
        return DrumSound(
            drum=drum, file=file, n_strokes=len(time_s), step_db=None, step_time_s=None, darker_db=None,
            scatter_db=None, overlap=None, sudden=None, rest=None, louder_db=None,
            unmeasured=dict.fromkeys(names, reason),
        )  # fmt: skip
    level = level_db[whole]
    weights = np.linspace(1.0, -1.0, tone.shape[1])
    return DrumSound(
        drum=drum, file=file, n_strokes=len(time_s),
        step_db=float(np.sqrt(np.mean(step.change_db**2))), step_time_s=float(time_s[whole][step.index]),
        darker_db=float(np.sum(weights * step.change_db) / np.sum(weights**2) * 2.0), scatter_db=step.scatter_db,
        overlap=step.overlap, sudden=step.sudden, rest=step.rest,
        louder_db=float(np.median(level[step.index :]) - np.median(level[: step.index])),
    )  # fmt: skip
