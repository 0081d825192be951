"""A left and a right mic in the lows: whether one of them has a low cut that the other has not.

Under 100 Hz a wave is longer than 3 m, and the two mics of a pair hear the same but for the room's modes, which lift
and lower single bands in either by some 10 dB. A low cut takes 12 to 18 dB an octave away under some 80 Hz, on and on.

Of the strokes of the kick and the toms, the drums with lows: mean power in thirds of an octave from 25 to 400 Hz in
either mic over 0.4 s; the left mic over the right one, against what lies above 160 Hz, which takes gain and distance
out. Three figures are enough: at the bottom a cut is deep, an octave further up half as deep, above 80 Hz there is
little of it. A mode does not fall so.

Tried and dropped: the whole take (hum, fans and traffic differ between mics); the fit of a filter's curve (modes bend
it so far that its order means nothing); toms against toms and kick in against kick out (each drum's own modes lie where
the cut would be).

Conventions: low ends as the pass keeps them (about 2 kHz); levels in dB, left over right.

Source
------
A fall of 12 to 18 dB an octave under some 80 Hz against a sibling: common practice. Bands: own choice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from kitproof.measure.views import TakeView
from kitproof.observed.pairs import PairLows
from kitproof.reasons import FEW_STROKES, NOTHING_LOW
from kitproof.roles import PAIRS

Float64Array = NDArray[np.float64]
Float32Array = NDArray[np.float32]

DRUMS = ("kick", "floor-tom", "rack-tom")
LENGTH_S, LEAD_S = 0.4, 0.08
MOST = 120
FEWEST = 10
BANDS_HZ = (25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0)
LOWEST, LOW, UPPER, REFERENCE = slice(0, 2), slice(2, 4), slice(6, 8), slice(8, 13)
STANDS_OUT = 4.0  # the strokes over what is there between them, in the mic that has more of the lowest bands
QUIET_PERCENT = 10.0
LEAST_POWER = 1e-16


def observe_lows(view: TakeView) -> Iterator[PairLows]:
    """One record for every left and right mic."""
    times = [d.time_s for name, d in view.drums.items() if name.startswith(DRUMS)]
    strokes = np.sort(np.concatenate([np.zeros(0), *times]))
    if len(strokes) > MOST:
        strokes = strokes[np.linspace(0, len(strokes) - 1, MOST).round().astype(int)]
    by_role = {c.role: c.file for c in view.kit if c.file in view.low}
    for left, right in PAIRS:
        if left in by_role and right in by_role:
            a, b = by_role[left], by_role[right]
            yield pair_lows(a, b, view.low[a][0], view.low[b][0], view.low[a][1], strokes)


def pair_lows(
    a: str, b: str, left: Float32Array, right: Float32Array, rate_hz: float, strokes_s: Float64Array
) -> PairLows:
    """Two mics' low ends, (n,) each at rate_hz, around the strokes."""
    n = round(LENGTH_S * rate_hz)
    start = np.round((strokes_s - LEAD_S) * rate_hz).astype(int)
    start = start[(start >= 0) & (start + n <= min(len(left), len(right)))]
    names = ("lowest_db", "low_db", "upper_db")
    nothing = {"lowest_db": None, "low_db": None, "upper_db": None}
    if len(start) < FEWEST:
        return PairLows(a=a, b=b, n_strokes=len(start), unmeasured=dict.fromkeys(names, FEW_STROKES), **nothing)
    (one, quiet_one), (other, quiet_other) = (_bands(x, start, n, rate_hz) for x in (left, right))
    fuller, quiet = (one, quiet_one) if one[LOWEST].sum() > other[LOWEST].sum() else (other, quiet_other)
    if fuller[LOWEST].sum() < STANDS_OUT * quiet[LOWEST].sum() or min(one.min(), other.min()) <= LEAST_POWER:
        return PairLows(a=a, b=b, n_strokes=len(start), unmeasured=dict.fromkeys(names, NOTHING_LOW), **nothing)
    ratio = 10.0 * np.log10(one / other)
    ratio -= ratio[REFERENCE].mean()
    lowest, low, upper = (float(ratio[part].mean()) for part in (LOWEST, LOW, UPPER))
    return PairLows(a=a, b=b, n_strokes=len(start), lowest_db=lowest, low_db=low, upper_db=upper)


def _bands(low: Float32Array, start: NDArray[np.int64], n: int, rate_hz: float) -> tuple[Float64Array, Float64Array]:
    """(n_bands,) mean power after the strokes, and of the quietest tenth of all stretches as long."""
    window, groups = _window(n), _groups(n, rate_hz)
    strokes = low[start[:, None] + np.arange(n)[None, :]]
    whole = low[: len(low) // n * n].reshape(-1, n)
    power = (np.abs(fft.rfft(x * window, axis=1)) ** 2 @ groups for x in (strokes, whole))
    after, anywhere = (np.asarray(p, np.float64) / n for p in power)
    return after.mean(axis=0), np.percentile(anywhere, QUIET_PERCENT, axis=0)


@lru_cache(maxsize=4)
def _window(n: int) -> Float32Array:
    """No edge at either end: what leaks from 60 Hz would fill the lowest bands of a mic with a low cut."""
    return np.asarray(np.hanning(n), np.float32)


@lru_cache(maxsize=4)
def _groups(n: int, rate_hz: float) -> Float32Array:
    """(n_lines, n_bands) which line of the spectrum lies in which third of an octave."""
    hz = fft.rfftfreq(n, 1.0 / rate_hz)[:, None]
    centre = np.array(BANDS_HZ)[None, :]
    return np.asarray((hz >= centre * 2.0 ** (-1 / 6)) & (hz < centre * 2.0 ** (1 / 6)), np.float32)
