"""Click bleed: the headphone click in a mic, looked for with the click's own channel.

Every click is cut out of its own channel and, at the same time, out of the mic. The mic is compared with
the click at every lag at which sound from headphones could arrive, and the comparisons are averaged, each
click weighted by the inverse of what else the mic hears at that moment, so that the rests decide. What the
same average finds at lags before the click, where no bleed can be, says how large chance is.

Conventions: excerpts (n_clicks, n), full scale 1.0; a delay is positive when the mic has the click later.

Source
------
Matched filter, as for known pulses in noise: common knowledge. Own choices: the weights; lags before the
click as control; the clicks must agree with one another.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from kitproof.ingest.audiofile import SpanReader
from kitproof.model import ClickBleed, FloatArray
from kitproof.reasons import CLICK_OTHER_RATE, CLICK_UNHEARD, FEW_CLICKS, SILENT
from kitproof.units import power_to_db

CLICK_S = 0.030  # of a click
BEFORE_S, AFTER_S = 0.060, 0.040  # of the mic around it
LATEST_S = 0.020  # headphones to a mic 4 m away, and a converter's delay
CLEAR_OF_S = 0.004  # lags around zero that are no control
FEWEST_CLICKS = 8
MOST_CLICKS = 400
SURE = 6.5  # standard errors over the clicks; at 5.5 one of 450 channels of drums without a click was taken to have one
OVER_HIGHEST = 1.4  # of the best lag over the highest of the control lags
OVER_CHANCE = 3.2  # and over their root mean square
APART_S = 0.1
Float64Array = NDArray[np.float64]


def click_onsets(path: Path, index: int, *, threshold_db: float = 20.0) -> tuple[Float64Array, Float64Array]:
    """(n_clicks,) onsets of a click channel, s, and (n_clicks,) the peak of each over CLICK_S, dBFS.

    An onset is where the channel rises within threshold_db of its peak after a pause.
    """
    found: list[float] = []
    peaks: list[float] = []
    with SpanReader(path) as reader:
        rate, n = reader.rate_hz, reader.n_frames
        size = rate * 30
        peak = max((float(np.abs(reader.read(s, size)[:, index]).max()) for s in range(0, n, size)), default=0.0)
        if peak < 1e-4:
            return np.zeros(0), np.zeros(0)
        last = -np.inf
        for s in range(0, n, size):
            loud = np.flatnonzero(np.abs(reader.read(s, size)[:, index]) >= peak * 10.0 ** (-threshold_db / 20.0))
            for k in (s + loud[np.diff(loud, prepend=-rate) > 0.01 * rate]).tolist():
                if k / rate - last >= APART_S:
                    found.append(k / rate)
                    peaks.append(float(np.abs(reader.read(k, round(CLICK_S * rate))[:, index]).max()))
                    last = k / rate
    return np.asarray(found), 20.0 * np.log10(np.maximum(np.asarray(peaks), 1e-9))


def measure_click_bleed(file: str, mic: tuple[Path, int], click: tuple[Path, int], times_s: Float64Array) -> ClickBleed:
    """The click in one mic; paths with the index in the file. Raises StemError if a file cannot be read."""
    if len(times_s) < FEWEST_CLICKS:
        return _none(file, len(times_s), FEW_CLICKS.format(n=len(times_s), least=FEWEST_CLICKS))
    times_s = times_s[np.linspace(0, len(times_s) - 1, min(len(times_s), MOST_CLICKS)).round().astype(int)]
    with SpanReader(mic[0]) as ears, SpanReader(click[0]) as source:
        rate = ears.rate_hz
        if source.rate_hz != rate:
            return _none(file, len(times_s), CLICK_OTHER_RATE)
        starts = np.round(times_s * rate).astype(int)
        n_click, n_before = round(CLICK_S * rate), round(BEFORE_S * rate)
        n_mic = n_before + round(AFTER_S * rate) + n_click
        clicks = np.stack([source.read(int(s) - rate // 1000, n_click)[:, click[1]] for s in starts])
        heard = np.stack([ears.read(int(s) - rate // 1000 - n_before, n_mic)[:, mic[1]] for s in starts])
    return find_click(file, clicks, heard, rate, n_before)


def find_click(file: str, clicks: FloatArray, heard: FloatArray, rate_hz: int, n_before: int) -> ClickBleed:
    """The click in excerpts of a mic.

    Parameters
    ----------
    clicks : (n_clicks, n) of the click's channel; heard : (n_clicks, m > n) of the mic, from n_before
    samples earlier
    """
    n = len(clicks)
    if n < FEWEST_CLICKS:
        return _none(file, n, FEW_CLICKS.format(n=n, least=FEWEST_CLICKS))
    if not heard.any():
        return _none(file, n, SILENT)
    course, weight = _courses(clicks, heard)
    first = n_before
    lags = slice(first, first + round(LATEST_S * rate_hz))
    control = slice(round(0.002 * rate_hz), first - round(CLEAR_OF_S * rate_hz))
    mean = weight @ course / weight.sum()
    k = first + int(np.argmax(np.abs(mean[lags])))
    share = weight / weight.sum()
    gain = float(mean[k])
    error = float(np.sqrt(np.sum((share * (course[:, k] - gain)) ** 2))) + 1e-15
    highest = float(np.abs(mean[control]).max()) + 1e-15
    chance = float(np.sqrt(np.mean(np.square(mean[control])))) + 1e-15
    sure = abs(gain) >= SURE * error and abs(gain) >= OVER_HIGHEST * highest and abs(gain) >= OVER_CHANCE * chance
    if not sure:
        bound = max(SURE * error, OVER_HIGHEST * highest, OVER_CHANCE * chance)
        return _none(file, n, CLICK_UNHEARD.format(bound_db=20.0 * np.log10(bound)))
    snr_db = 20.0 * float(np.log10(abs(gain) / chance))
    level = power_to_db(float(mean[k]) ** 2)
    return ClickBleed(file=file, level_db=level, delay_ms=1000.0 * (k - first) / rate_hz, snr_db=snr_db, n_clicks=n)


def _courses(clicks: FloatArray, heard: FloatArray) -> tuple[Float64Array, Float64Array]:
    """(n_clicks, n_lags) gain of the click in the mic at each lag, and (n_clicks,) weights.

    Both are filtered to where the click is louder than its own mean, so that drums elsewhere do not count.
    """
    n_fft = int(fft.next_fast_len(heard.shape[1] + clicks.shape[1], real=True))
    source = fft.rfft(clicks, n_fft, axis=1)
    power = np.mean(np.abs(source) ** 2, axis=0)
    smooth = np.convolve(power, signal.windows.hann(9) / 4.0, mode="same")
    keep = smooth / (smooth + 0.1 * smooth.max())
    lines = fft.rfft(heard, n_fft, axis=1) * keep
    course = fft.irfft(lines * np.conj(source * keep), n_fft, axis=1)[:, : heard.shape[1] - clicks.shape[1]]
    energy = np.sum(np.abs(source * keep) ** 2, axis=1)
    energy = (2.0 * energy) / n_fft
    course = course / (energy[:, None] + 1e-30)
    band = fft.irfft(lines, n_fft, axis=1)[:, : heard.shape[1]]
    noise = np.mean(np.square(band), axis=1) / (energy + 1e-30)
    return np.asarray(course), np.asarray(1.0 / (noise + 0.3 * np.median(np.sort(noise)[: max(3, len(noise) // 8)])))


def _none(file: str, n_clicks: int, reason: str) -> ClickBleed:
    return ClickBleed(
        file=file, level_db=None, delay_ms=None, snr_db=None, n_clicks=n_clicks,
        unmeasured=dict.fromkeys(ClickBleed.NULLABLE, reason),
    )  # fmt: skip
