"""Origin: was this file something else before? A lossy copy, or a recording at a lower rate.

A lossy encoder cuts everything off above a frequency of its own, 16 to 20 kHz, and a file converted up from a
lower rate ends where that rate did. Either way the spectrum falls off like a wall while cymbals and sticks
sound: from plain sound to nothing but rounding within a few hundred hertz. Microphones, air and heads fall
slowly. Looked at where the channel has most treble.

Conventions: spectra as mean power per bin; `wall_hz` is where the fall is steepest.

Source
------
Brick wall near 16 to 20 kHz: common practice. The strokes with most treble, medians on either side: own choice.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from kitproof.measure.views import ChannelView
from kitproof.observed.chain import Origin

N_FFT_S = 0.085  # 12 Hz apart
SMOOTH_HZ = 200.0  # bins are joined over this
LOWEST_HZ, HIGHEST_SHARE = 10_000.0, 0.46  # of the sample rate: above, every converter's own filter falls
BELOW_HZ, GAP_HZ = 1000.0, 400.0  # compared: as far below the wall and above, leaving out its slope
MOST_STROKES, LOUDEST = 48, 12
Float64Array = NDArray[np.float64]


def observe_origin(view: ChannelView) -> Iterator[Origin]:
    """One record per channel that strokes were found in."""
    times = np.sort(np.concatenate([d.time_s for d in view.brief.drums.values()] or [np.zeros(0)]))
    if len(times) == 0:
        return
    if len(times) > MOST_STROKES:
        times = times[np.linspace(0, len(times) - 1, MOST_STROKES).round().astype(int)]
    n = 1 << int(np.ceil(np.log2(N_FFT_S * view.rate_hz)))
    waves = np.array([view.read(round(t * view.rate_hz) - n // 8, n) for t in times.tolist()])
    yield find_wall(view.file, waves, view.rate_hz)


def find_wall(file: str, waves: Float64Array, rate_hz: int) -> Origin:
    """The steepest fall of the spectrum of some excerpts (n_excerpts, n); of 0 dB in silence."""
    window = signal.windows.blackmanharris(waves.shape[1], sym=False)  # its own skirts lie 92 dB down
    power = np.abs(np.fft.rfft(waves * window, axis=1)) ** 2
    hz = np.fft.rfftfreq(waves.shape[1], 1.0 / rate_hz)
    treble = power[:, (hz > LOWEST_HZ) & (hz < 0.7 * HIGHEST_SHARE * rate_hz)].sum(axis=1)
    loud = power[np.argsort(treble)[-LOUDEST:]].mean(axis=0)
    width = max(1, round(SMOOTH_HZ / (hz[1] - hz[0])))
    n = len(loud) // width
    db = 10.0 * np.log10(np.maximum(loud[: n * width].reshape(n, width).mean(axis=1), 1e-30))
    step_hz = width * (hz[1] - hz[0])
    below, gap = round(BELOW_HZ / step_hz), round(GAP_HZ / step_hz)
    best_fall, best = 0.0, 0
    for i in range(max(round(LOWEST_HZ / step_hz), below), int(HIGHEST_SHARE * rate_hz / step_hz) - gap):
        fall = float(np.median(db[i - below : i]) - np.median(db[i + gap : i + gap + below]))
        if fall > best_fall:
            best_fall, best = fall, i
    level = float(np.median(db[max(0, best - below) : best])) if best else 0.0
    foot = best + int(np.argmax(db[best:] < level - 0.5 * best_fall))
    above = db[foot + gap :]
    return Origin(
        file=file, wall_hz=float(foot * step_hz), fall_db=best_fall,
        rest_db=level - float(np.max(above)) if best and len(above) else 0.0,
    )  # fmt: skip
