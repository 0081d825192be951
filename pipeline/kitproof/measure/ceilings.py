"""Ceilings met again and again: tops too short to look flat, or too few strokes, that all end at one height.

How high the tops of a round wave reach is chance, so near the highest they lie loosely; between neighbouring heights
there are about as many as the step between them is wide. Where something cuts the wave off, they crowd at the
ceiling. What follows the overload and blocks direct current lowers each top by what the wave held shortly before,
2 pi f times its integral; with the right corner f the crowd is one line, and with any f a round wave's tops are not.

One recorded stroke that is played again ends at one height by itself, so of strokes with the same shape one counts.

Conventions: heights are amplitudes of one side, turned up; `lean` is the wave's integral over LEAN_S before a top,
amplitude times seconds, on the same side.

Source
------
Own choice. Chance is a binomial tail; the limit lies well beyond what a thousand channels without a ceiling gave.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

LEAN_S = 0.1  # of the wave before a top: the time constant of a corner at 1.6 Hz
CORNERS_HZ = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0)  # of what blocks direct current; none at all among them
CROWD_DB = 0.03  # heights that a ceiling gives, noise and steps of 16 bits at -30 dBFS among them
BELOW_DB = 0.5  # with as many tops by chance as it is wider than the crowd
MOST_ABOVE = 2  # tops over the crowd: the corner is known roughly
CHANCE = 1e-6
FEWEST_TOPS = 6
SHORT_S = 0.030  # tops closer than this belong to one stroke
LONGEST_S = 0.4  # tops that go on for so long are a tone
SAME_SHAPE = 0.012  # difference of the shoulders: the same sound once more
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tops:
    """The highest tops of one side of a channel, in order of time."""

    at_s: Float64Array  # (n,)
    height: Float64Array  # (n,)
    lean: Float64Array  # (n,)
    shoulders: Float64Array  # (n, 2) samples beside the top, over its height
    known_from: float  # height from which on every top is here

    def of(self, index: NDArray[np.int64]) -> Tops:
        """The tops at the given indexes."""
        return Tops(
            at_s=self.at_s[index], height=self.height[index], lean=self.lean[index],
            shoulders=self.shoulders[index], known_from=self.known_from,
        )  # fmt: skip


def crowd(tops: Tops) -> NDArray[np.int64]:
    """Indexes of the tops that crowd at a ceiling; none if chance explains them."""
    none = np.zeros(0, np.int64)
    kept = different_strokes(tops)
    if len(kept) < FEWEST_TOPS:
        return none
    some = tops.of(kept)
    found = [c for hz in CORNERS_HZ for c in _crowds(_under_highest_db(some, hz), _known_db(some))]
    chance, index = min(found, key=lambda c: c[0], default=(1.0, none))
    return kept[index] if chance <= CHANCE and len(index) >= FEWEST_TOPS else none


def different_strokes(tops: Tops) -> NDArray[np.int64]:
    """Indexes of the tops of all strokes but those that repeat an earlier one, and of tones."""
    if not len(tops.at_s):
        return np.zeros(0, np.int64)
    strokes = np.split(np.arange(len(tops.at_s)), np.flatnonzero(np.diff(tops.at_s) > SHORT_S) + 1)
    seen: list[Float64Array] = []
    kept: list[NDArray[np.int64]] = [np.zeros(0, np.int64)]
    for stroke in strokes:
        shape = tops.shoulders[stroke[int(np.argmax(tops.height[stroke]))]]
        again = any(float(np.abs(shape - s).max()) < SAME_SHAPE for s in seen)
        if not again and tops.at_s[stroke[-1]] - tops.at_s[stroke[0]] <= LONGEST_S:
            seen.append(shape)
            kept.append(stroke)
    return np.concatenate(kept)


def _under_highest_db(tops: Tops, hz: float) -> Float64Array:
    """(n,) heights before the corner lowered them, under the highest, dB."""
    before = tops.height + 2.0 * np.pi * hz * tops.lean
    highest = max(float(before.max()), 1e-9)
    return np.asarray(20.0 * np.log10(np.maximum(before / highest, 1e-6)))


def _known_db(tops: Tops) -> float:
    return float(20.0 * np.log10(max(tops.known_from, 1e-9) / max(float(tops.height.max()), 1e-9)))


def _crowds(db: Float64Array, known_db: float) -> list[tuple[float, NDArray[np.int64]]]:
    """(chance, indexes) of the crowds under the highest top and under the next ones."""
    found = []
    for n_above, top in enumerate(np.sort(db)[::-1][: MOST_ABOVE + 1].tolist()):
        below = min(BELOW_DB, top - CROWD_DB - known_db)
        if below < CROWD_DB:
            continue
        inside = (db <= top) & (db > top - CROWD_DB)
        n, n_all = int(inside.sum()), int(np.count_nonzero((db <= top) & (db > top - CROWD_DB - below))) + n_above
        found.append((_at_least(n, n_all, CROWD_DB / (CROWD_DB + below)), np.flatnonzero(inside)))
    return found


def _at_least(n: int, n_all: int, share: float) -> float:
    """Chance that n or more of n_all fall into a range that takes up this share."""
    return float(betainc(n, n_all - n + 1, share)) if n else 1.0
