"""The spectrum of a mic around the strokes of its own drum, and what strokes of others add while its own is silent.

Laid over one another they show where an equaliser on this channel finds its drum and where it finds the rest of the
kit. Excerpts of a tenth of a second, their mean power in the bands of bands.py, so that the curves can be held against
the channel's noise.

The own drum rings on, and a stroke of it may have been missed; neither is bleed. So for the others

1. their strokes are taken as long after the last own one as enough of them can be had, none with an own one in the
   excerpt; strokes of several drums within TOGETHER_S are one;
2. of these the third before which this mic was quietest, or 12;
3. what was there before is taken off, band by band; where they do not raise a band, with its neighbours, to STANDS
   times that, or only by chance, nothing is known of the bleed in it.

What it costs: at most MOST and MOST_TRIED excerpts a channel, however long the take.

Conventions: times in s, powers mean squares within the excerpt's window, (n_bands,). Silence has power 0.

Source
------
Own choice; steps 2 and 3 take off what bleed.py does. Against single hits of a recorded kit, all bands together: median
0.6 dB low, three mics of 32 off by more than 3 dB. Tried and dropped: the mean of all strokes 0.25 s after the own drum
and later, nothing taken off (kicks and toms that ring came out up to 12 dB high).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special

from kitproof.ingest.audiofile import SpanReader
from kitproof.measure.bands import band_centres_hz, band_edges_hz, band_matrix
from kitproof.measure.excerpts import DrumTimes, read_excerpts
from kitproof.measure.views import ChannelView
from kitproof.model import SPECTRA_AT_STROKES
from kitproof.reasons import FEW_OWN, NEVER_ALONE, NO_OTHER_DRUM, NO_SINGLE_DRUM

Float64Array = NDArray[np.float64]

LEAD_S, TAIL_S = 0.003, 0.090
RISE_S, FALL_S = 0.002, 0.030  # of the window: a stroke begins at once, and is cut off gently
MOST, MOST_TRIED = 48, 72  # strokes of its own, and of others; more would not make the means better
FEWEST_OWN, FEWEST_FOREIGN = 3, 6
SILENT_S = (2.0, 1.0, 0.5, 0.25, 0.1)  # since the last own stroke: a tom takes longer than a snare
ENOUGH = 36  # strokes, and no shorter silence is tried
QUIETEST, FEWEST_TAKEN = 1.0 / 3.0, 12
TOGETHER_S = 0.02
STANDS = 2.0  # 3 dB: the level is then at most 3 dB low, should all that was there before have ended with the stroke
CHANCE = 1e-5  # that noise raises one band so far: once in a thousand mics
LEAST_LEFT = 0.1  # of a band's power, where noise leaves less than nothing in one that stands out with its neighbours


@dataclass(frozen=True, slots=True, kw_only=True)
class MicSpectra:
    """A clue for the channel's picture. A None has its reason in `unmeasured`, by the names of the picture's fields."""

    file: str
    own: Float64Array | None  # (n_bands,) mean power
    bleed: Float64Array | None  # (n_bands,)
    n_own: int  # strokes it was taken from
    n_foreign: int  # that were taken for the second
    unmeasured: Mapping[str, str]


def hear_spectra(view: ChannelView) -> Iterator[MicSpectra]:
    """The two curves of one mic, or why there are none."""
    brief, index = view.brief, view.brief.channel.index_in_file
    why: dict[str, str] = {}
    own = bleed = None
    own_s, n_foreign = np.zeros(0), 0
    struck = brief.drums.get(brief.own_drum or "")
    if brief.own_drum is None:
        why = dict.fromkeys(SPECTRA_AT_STROKES, NO_SINGLE_DRUM)
    elif struck is None or len(struck.time_s) < FEWEST_OWN:
        why = dict.fromkeys(SPECTRA_AT_STROKES, FEW_OWN.format(least=FEWEST_OWN))
    else:
        own_s = _spread(struck.time_s[struck.clear] if struck.clear.sum() >= FEWEST_OWN else struck.time_s, MOST)
        own = _power(read_excerpts(view.reader, index, own_s, lead_s=LEAD_S, tail_s=TAIL_S), view.rate_hz).mean(axis=0)
        foreign_s = foreign_alone(struck, [d for name, d in brief.drums.items() if name != brief.own_drum])
        if len(foreign_s):
            bleed, n_foreign = added_power(view.reader, index, foreign_s)
        if bleed is None:
            never = NEVER_ALONE.format(least=FEWEST_FOREIGN)
            why = {"bleed_spectrum_dbfs": NO_OTHER_DRUM if len(foreign_s) else never}
    yield MicSpectra(
        file=view.file, own=own, bleed=bleed, n_own=len(own_s), n_foreign=n_foreign, unmeasured=why
    )  # fmt: skip


def foreign_alone(own: DrumTimes, others: list[DrumTimes]) -> Float64Array:
    """(n,) times of other drums' strokes while the own drum is silent; empty with too few of them."""
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
    return _spread(found, MOST_TRIED) if len(found) >= FEWEST_FOREIGN else np.zeros(0)


def _spread(time_s: Float64Array, most: int) -> Float64Array:
    """At most so many of them, spread over the take."""
    if len(time_s) <= most:
        return time_s
    return np.asarray(time_s[np.linspace(0, len(time_s) - 1, most).round().astype(int)])


def added_power(reader: SpanReader, index: int, time_s: Float64Array) -> tuple[Float64Array | None, int]:
    """(n_bands,) mean power that strokes add, 0 in bands in which they do not stand out, and how many were taken.

    None where they stand out in no band at all.
    """
    excerpts = read_excerpts(reader, index, time_s, lead_s=2.0 * LEAD_S + TAIL_S, tail_s=TAIL_S)
    half = excerpts.shape[1] // 2
    before, after = (_power(part, reader.rate_hz) for part in (excerpts[:, :half], excerpts[:, half : 2 * half]))
    order = np.argsort(before.sum(axis=1), kind="stable")
    quietest = order[: max(FEWEST_TAKEN, int(QUIETEST * len(time_s)))]
    was, came = before[quietest].mean(axis=0), after[quietest].mean(axis=0)
    around = np.ones(3)  # a band with its neighbours: a third of an octave
    raised = np.convolve(came, around, "same") / (np.convolve(was, around, "same") + 1e-30)
    added = np.maximum(came - was, LEAST_LEFT * came)
    level = np.where(raised >= _beyond_chance(len(quietest), len(was)), added, 0.0)
    return (level if level.any() else None), len(quietest)


@lru_cache(maxsize=32)
def _beyond_chance(n_strokes: int, n_bands: int) -> Float64Array:
    """(n_bands,) ratio of two mean powers, STANDS or more, that noise alone hardly ever reaches (CHANCE).

    Each line of a spectrum counts two degrees of freedom; lines lie as far apart as the excerpt is long.
    """
    edges = band_edges_hz()
    wide = edges[np.minimum(np.arange(n_bands) + 2, n_bands)] - edges[np.maximum(np.arange(n_bands) - 1, 0)]
    freedom = 2.0 * n_strokes * np.maximum(1.0, 0.8 * wide * (LEAD_S + TAIL_S))
    return np.asarray(np.maximum(STANDS, special.fdtri(freedom, freedom, 1.0 - CHANCE)))


def _power(excerpts: NDArray[np.float32], rate_hz: int) -> Float64Array:
    """(n_strokes, n_bands) mean square in each band of band_centres_hz."""
    window, matrix = _window(rate_hz, excerpts.shape[1])
    spectra = fft.rfft(excerpts * window[: excerpts.shape[1]], len(window), axis=1)
    return np.asarray((spectra.real**2 + spectra.imag**2) @ matrix, np.float64)


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
