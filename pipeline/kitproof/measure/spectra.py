"""The spectrum of a mic around the strokes of its own drum, and around those of others while its own is silent.

Laid over one another they show where an equaliser on this channel finds its drum and where it finds the rest of the
kit. Excerpts of a tenth of a second; the mean power of them all in the bands of bands.py, so that the curves can be
held against the channel's noise. What it costs: at most twice MOST excerpts a channel, however long the take.

The own drum rings on, which must not be taken for others: their strokes are used as long after the last own one as
enough of them can be had (SILENT_S), and none with an own one in the excerpt. Strokes of several drums within
TOGETHER_S are one.

Conventions: times in s, powers mean squares within the excerpt's window, (n_bands,). Silence has power 0.

Source
------
Own choice. Windows about as long as the energy of bleed.py is counted over, longer by 30 ms for the bands below 60 Hz.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from kitproof.ingest.audiofile import SpanReader
from kitproof.measure.bands import band_centres_hz, band_edges_hz, band_matrix
from kitproof.measure.excerpts import DrumTimes, read_excerpts
from kitproof.measure.views import ChannelView
from kitproof.model import SPECTRA_AT_STROKES
from kitproof.reasons import FEW_OWN, NEVER_ALONE, NO_SINGLE_DRUM

Float64Array = NDArray[np.float64]

LEAD_S, TAIL_S = 0.003, 0.090
RISE_S, FALL_S = 0.002, 0.030  # of the window: a stroke begins at once, and is cut off gently
MOST = 48  # strokes of a curve; more would not make the mean better
FEWEST_OWN, FEWEST_FOREIGN = 3, 6
SILENT_S = (2.0, 1.0, 0.5, 0.25)  # since the last own stroke: a tom takes longer than a snare
ENOUGH = 20  # strokes, and no shorter silence is tried
TOGETHER_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class MicSpectra:
    """A clue for the channel's picture. A None has its reason in `unmeasured`, by the names of the picture's fields."""

    file: str
    own: Float64Array | None  # (n_bands,) mean power
    bleed: Float64Array | None  # (n_bands,)
    n_own: int  # strokes it was taken from
    n_foreign: int
    unmeasured: Mapping[str, str]


def hear_spectra(view: ChannelView) -> Iterator[MicSpectra]:
    """The two curves of one mic, or why there are none."""
    brief, index = view.brief, view.brief.channel.index_in_file
    why: dict[str, str] = {}
    own = bleed = None
    own_s = foreign_s = np.zeros(0)
    struck = brief.drums.get(brief.own_drum or "")
    if brief.own_drum is None:
        why = dict.fromkeys(SPECTRA_AT_STROKES, NO_SINGLE_DRUM)
    elif struck is None or len(struck.time_s) < FEWEST_OWN:
        why = dict.fromkeys(SPECTRA_AT_STROKES, FEW_OWN.format(least=FEWEST_OWN))
    else:
        own_s = _spread(struck.time_s[struck.clear] if struck.clear.sum() >= FEWEST_OWN else struck.time_s)
        own = mean_power(view.reader, index, own_s)
        others = [d for name, d in brief.drums.items() if name != brief.own_drum]
        foreign_s = foreign_alone(struck, others)
        if len(foreign_s):
            bleed = mean_power(view.reader, index, foreign_s)
        else:
            why = {"bleed_spectrum_dbfs": NEVER_ALONE.format(least=FEWEST_FOREIGN)}
    yield MicSpectra(
        file=view.file, own=own, bleed=bleed, n_own=len(own_s), n_foreign=len(foreign_s), unmeasured=why
    )  # fmt: skip


def foreign_alone(own: DrumTimes, others: list[DrumTimes]) -> Float64Array:
    """(n,) times of other drums' strokes while the own drum is silent, at most MOST; empty with too few of them."""
    every = np.sort(np.concatenate([np.zeros(0), *(d.time_s for d in others)]))
    time_s = every[np.diff(every, prepend=-np.inf) >= TOGETHER_S]
    following = np.searchsorted(own.time_s, time_s)
    since_s = time_s - np.concatenate(([-np.inf], own.time_s))[following]
    until_s = np.append(own.time_s, np.inf)[following] - time_s
    undisturbed = until_s >= TAIL_S + LEAD_S
    found = np.zeros(0)
    for silent_s in SILENT_S:
        found = time_s[undisturbed & (since_s >= silent_s)]
        if len(found) >= ENOUGH:
            break
    return _spread(found) if len(found) >= FEWEST_FOREIGN else np.zeros(0)


def _spread(time_s: Float64Array) -> Float64Array:
    """At most MOST of them, spread over the take."""
    if len(time_s) <= MOST:
        return time_s
    return np.asarray(time_s[np.linspace(0, len(time_s) - 1, MOST).round().astype(int)])


def mean_power(reader: SpanReader, index: int, time_s: Float64Array) -> Float64Array:
    """(n_bands,) mean over strokes of the mean square in each band of band_centres_hz."""
    excerpts = read_excerpts(reader, index, time_s, lead_s=LEAD_S, tail_s=TAIL_S)
    window, matrix = _window(reader.rate_hz, excerpts.shape[1])
    spectra = fft.rfft(excerpts * window[: excerpts.shape[1]], len(window), axis=1)
    power = np.mean(spectra.real**2 + spectra.imag**2, axis=0, dtype=np.float64)
    return np.asarray(power @ matrix, np.float64)


@lru_cache(maxsize=4)
def _window(rate_hz: int, n: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The window, zeros after it to a length that transforms fast, and the matrix of the bands for that length."""
    rise, fall = round(RISE_S * rate_hz), round(FALL_S * rate_hz)
    window = np.zeros(fft.next_fast_len(n, real=True), np.float32)
    window[:n] = 1.0
    window[:rise] = np.sin(np.pi / 2 * (np.arange(rise) + 0.5) / rise) ** 2
    window[n - fall : n] = np.cos(np.pi / 2 * (np.arange(fall) + 0.5) / fall) ** 2
    edges = band_edges_hz()[: len(band_centres_hz(rate_hz)) + 1]
    return window, band_matrix(rate_hz, len(window), edges, window)
