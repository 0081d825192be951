"""Sound that is in a distant mic's channel a second time, a little later: a copy that colours, or an echo.

A copy that comes dt later adds a ripple to the spectrum, with a notch every 1/dt from 1/(2 dt) on. Every drum has a
spectrum of its own, and floor and ceiling send each back at another delay, up to half as much again over the width
of a kit; what the spectra of most drums and cymbals have in common is a second path of the channel, a surface at the
mic, or an echo. An ordinary ceiling over a spaced pair is therefore not found. For every drum:

1. the mean of the logarithmic spectra over its strokes, up to 9 kHz, tapered;
2. its transform, the cepstrum: a copy with the amplitude a, against the direct sound, is a peak of 2 a at its delay
   (from log|1 + a z|), whatever the drum sounds like, as long as the drum itself does not repeat;
3. the delay at which the median over drums is highest, near which every drum may have its peak, as drums stand at
   different places; it counts if most drums have at least half of it there.

Conventions: excerpts float64 (n_strokes, n), starting just before the stroke; delays in ms, levels of the copy against
the direct sound in dB. Silence and fewer than FEWEST_DRUMS drums give None with a reason.

Source
------
The cepstrum for echoes: Bogert, Healy and Tukey 1963. Slaps at 10 ms and more: common practice. Ranges and
tolerances: own choice; how much the delays differ after the modelled kit under a bare ceiling.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, signal

from kitproof.measure.excerpts import DrumTimes, read_excerpts
from kitproof.measure.views import ChannelView
from kitproof.observed.room import Reflection
from kitproof.reasons import FEW_DRUMS, NO_COPY, NOT_AGAIN
from kitproof.roles import DISTANT_ROLES

Float64Array = NDArray[np.float64]
Kind = Literal["comb", "echo"]

LEAD_S = 0.005
TAIL_S = 0.245
MOST_STROKES = 20
FEWEST_STROKES = 4
FEWEST_DRUMS = 3
LOW_HZ, TOP_HZ = 150.0, 9000.0
AGAIN = 0.1  # height below which what is at twice the delay may be chance
FLOOR = 1e-7  # of the mean power of a line: 70 dB under it nothing counts


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """Where one kind of copy is looked for."""

    kind: Kind
    window_s: float
    from_s: float
    to_s: float
    near_s: float  # a drum's own peak may lie so far from that of all
    least: float  # height of the median: what clean takes reach, and more
    shared: float  # part of the drums that have half of it


SEARCHES = (
    Search(kind="comb", window_s=0.09, from_s=0.001, to_s=0.010, near_s=0.00015, least=0.30, shared=0.75),
    Search(kind="echo", window_s=0.25, from_s=0.012, to_s=0.080, near_s=0.001, least=0.36, shared=0.75),
)


def find_reflections(view: ChannelView) -> Iterator[Reflection]:
    """One record of each kind for every distant mic; the close ones hear too little of the room."""
    if view.brief.channel.role not in DISTANT_ROLES:
        return
    strokes = {d.drum: _excerpts(view, d) for d in view.brief.drums.values() if len(d.time_s) >= FEWEST_STROKES}
    for search in SEARCHES:
        yield shared_reflection(view.file, strokes, view.rate_hz, search)


def _excerpts(view: ChannelView, drum: DrumTimes) -> Float64Array:
    n = len(drum.time_s)
    chosen = drum.time_s[np.linspace(0, n - 1, min(n, MOST_STROKES)).round().astype(int)]
    index = view.brief.channel.index_in_file
    return np.asarray(read_excerpts(view.reader, index, chosen, lead_s=LEAD_S, tail_s=TAIL_S), np.float64)


def shared_reflection(file: str, strokes: Mapping[str, Float64Array], rate_hz: int, search: Search) -> Reflection:
    """The copy that most drums share in one mic. strokes : drum -> (n_strokes, n) from LEAD_S before the stroke."""
    n = round(search.window_s * rate_hz)
    courses = [c for x in strokes.values() if (c := cepstrum(x[:, :n], rate_hz)) is not None]
    if len(courses) < FEWEST_DRUMS:
        return _none(file, search.kind, len(courses), FEW_DRUMS.format(least=FEWEST_DRUMS))
    table = np.array([c[: min(len(c) for c in courses)] for c in courses])
    width = max(1, 2 * round(search.near_s * rate_hz) + 1)
    near = ndimage.maximum_filter1d(table, width, axis=1)
    first, last = round(search.from_s * rate_hz), round(search.to_s * rate_hz)
    at = first + int(np.argmax(np.median(near, axis=0)[first:last]))
    heights = near[:, at]
    height = float(np.median(heights))
    share = float(np.mean(heights >= 0.5 * height))
    if height < search.least or share < search.shared:
        return _none(file, search.kind, len(courses), NO_COPY)
    half = width // 2
    peaks = at - half + np.argmax(table[:, at - half : at + half + 1], axis=1)
    delay_s = float(np.median(peaks[heights >= 0.5 * height])) / rate_hz
    twice = float(np.median(near[:, min(round(2.0 * delay_s * rate_hz), table.shape[1] - 1)]))
    again_db = _again(twice, height)
    return Reflection(
        file=file, kind=search.kind, n_drums=len(courses), delay_ms=1e3 * delay_s,
        level_db=20.0 * math.log10(height / 2.0), share=share, again_db=again_db,
        unmeasured={} if again_db is not None else {"again_db": NOT_AGAIN},
    )  # fmt: skip


def _again(twice: float, height: float) -> float | None:
    """Level of what comes back at twice the delay, dB.

    Copies of amplitude a, a**2, a**3 have a height of a**2 there (from log(1 - a z)), a lone copy one of -a**2.
    """
    return 20.0 * math.log10(twice) if twice > max(AGAIN, 0.4 * (0.5 * height) ** 2) else None


def _none(file: str, kind: Kind, n: int, why: str) -> Reflection:
    return Reflection(
        file=file, kind=kind, n_drums=n, delay_ms=None, level_db=None, share=None, again_db=None,
        unmeasured=dict.fromkeys(("delay_ms", "level_db", "share", "again_db"), why),
    )  # fmt: skip


def cepstrum(excerpts: Float64Array, rate_hz: int) -> Float64Array | None:
    """(n,) cepstrum of the mean logarithmic spectrum: 2 a at the delay of a copy of amplitude a; None for silence."""
    n = excerpts.shape[1]
    size = int(fft.next_fast_len(2 * n, real=True))
    power = np.abs(fft.rfft(excerpts * signal.windows.tukey(n, 0.2), size, axis=1)) ** 2
    level = power.mean(axis=1, keepdims=True)
    sounding = level[:, 0] > 1e-18
    if sounding.sum() < FEWEST_STROKES:
        return None
    logs = np.log(power[sounding] / level[sounding] + FLOOR).mean(axis=0)
    hz = fft.rfftfreq(size, 1.0 / rate_hz)
    top = min(TOP_HZ, 0.45 * rate_hz)
    weight = np.where((hz >= LOW_HZ) & (hz < top), np.cos(0.5 * math.pi * hz / top) ** 2, 0.0)
    centred = (logs - float(np.sum(logs * weight) / weight.sum())) * weight
    return np.asarray(fft.irfft(centred, size) * (size / weight.sum()))
