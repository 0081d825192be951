"""The second look at one channel: what it hears of every drum's strokes.

One function per job that stages.py hands to the executor; each opens its own file and reads only around
the strokes. What comes back is small: arrivals, low-band spectra per stroke, one picture.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from kitproof.ingest.audiofile import SpanReader
from kitproof.measure.arrival import Arrival, locate
from kitproof.measure.excerpts import LEAD_S, TAIL_S, DrumTimes, pick_hits, read_excerpts, start_error_s
from kitproof.measure.lags import StrokeLags, stroke_lags
from kitproof.measure.ownmic import StrokeMeasures, measure_strokes
from kitproof.measure.stacking import align_strokes, aligned
from kitproof.model import HitPicture
from kitproof.observed.heard import Heard

FEWEST_HITS = 2  # a stack of one is not a stack
# Where a drum's weight lies and the sum of two mics is judged by, Hz. Common practice; cymbals have none.
LOW_BAND_HZ: dict[str, tuple[float, float]] = {
    "kick": (40.0, 120.0), "snare": (120.0, 400.0), "rack-tom": (70.0, 250.0), "floor-tom": (50.0, 200.0),
}  # fmt: skip
LINE_HZ = 10.0  # the excerpts are just under 0.1 s long, and tell no finer
PICTURE_S = (-0.003, 0.060)
HEARD_S = (-0.001, 0.060)  # as bleed is counted
PICTURE_POINTS = 800


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelLook:
    """What one channel hears of every drum."""

    file: str
    arrivals: Mapping[str, Arrival]  # by drum
    n_hits: Mapping[str, int]
    low_lines: Mapping[str, NDArray[np.complex64]] = field(default_factory=dict)  # drum -> (n_hits, n_lines)
    picture: HitPicture | None = None
    lags: tuple[StrokeLags, ...] = ()  # of the drums that are heard clearly
    levels: tuple[Heard, ...] = ()


def look_at_own(path: Path, index: int, time_s: NDArray[np.float64]) -> StrokeMeasures:
    """Exact times and numbers of a drum's strokes, from its own mic."""
    with SpanReader(path) as reader:
        excerpts = read_excerpts(reader, index, time_s)
        begin_s = time_s - LEAD_S + start_error_s(time_s, reader.rate_hz)
        return measure_strokes(excerpts, begin_s, time_s, reader.rate_hz)


def look_at_channel(
    path: Path, index: int, file: str, drums: Sequence[DrumTimes], own_drum: str | None, behind_s: float = 0.0
) -> ChannelLook:
    """Arrivals of all drums in one channel, and the mean stroke of its own drum as a picture.

    behind_s : by how much an own mic is late as a whole, against the times of its strokes
    """
    arrivals: dict[str, Arrival] = {}
    n_hits: dict[str, int] = {}
    lines: dict[str, NDArray[np.complex64]] = {}
    picture = None
    lags: list[StrokeLags] = []
    levels: list[Heard] = []
    with SpanReader(path) as reader:
        rate = reader.rate_hz
        for d in drums:
            n_hits[d.drum] = len(d.time_s)
            if len(d.time_s) < FEWEST_HITS:
                continue
            chosen = d.take(pick_hits(len(d.time_s), d.clear))
            excerpts = read_excerpts(reader, index, chosen.time_s)
            late_s = start_error_s(chosen.time_s, rate)
            arrivals[d.drum] = locate(align_strokes(file, rate, chosen, excerpts, late_s))
            band = next((b for name, b in LOW_BAND_HZ.items() if d.drum.startswith(name)), None)
            waves = aligned(excerpts, late_s, rate)
            if band is not None:
                lines[d.drum] = low_lines(waves, rate, band)
            if d.drum == own_drum:
                picture = hit_picture(file, d.drum, waves, chosen.strength, rate)
            if d.drum == own_drum or chosen.clear.any():
                levels.append(how_loud(file, chosen, waves, rate))
            heard_s = behind_s if file == d.own_file else arrivals[d.drum].time_s
            if heard_s is not None:
                lags.append(stroke_lags(file, d.drum, chosen.time_s, waves, rate, heard_s))
    return ChannelLook(
        file=file,
        arrivals=arrivals,
        n_hits=n_hits,
        low_lines=lines,
        picture=picture,
        lags=tuple(lags),
        levels=tuple(levels),
    )


def arrivals_in(path: Path, index: int, file: str, drums: Sequence[DrumTimes]) -> dict[str, Arrival]:
    """When the direct sound of some drums reaches one channel, by drum; those hit too seldom are left out."""
    with SpanReader(path) as reader:
        return {d.drum: _arrival(reader, index, file, d) for d in drums if len(d.time_s) >= FEWEST_HITS}


def _arrival(reader: SpanReader, index: int, file: str, drum: DrumTimes) -> Arrival:
    chosen = drum.take(pick_hits(len(drum.time_s), drum.clear))
    excerpts = read_excerpts(reader, index, chosen.time_s)
    return locate(align_strokes(file, reader.rate_hz, chosen, excerpts, start_error_s(chosen.time_s, reader.rate_hz)))


def how_loud(file: str, drum: DrumTimes, waves: NDArray[np.float64], rate_hz: int) -> Heard:
    """How loud a drum is in a channel: energy from 1 ms before to 60 ms after its direct sound at the own mic.

    Only strokes without another drum at almost the same time, if there are any. `over_own_db` is taken stroke by
    stroke, so how hard the player hits does not come into it; its error is that of a median.
    """
    first, last = (round((LEAD_S + s) * rate_hz) for s in HEARD_S)
    use = drum.clear if drum.clear.any() else np.ones(len(waves), bool)
    energy = np.mean(waves[use, first:last] ** 2, axis=1) + 1e-20
    level = 10.0 * np.log10(energy)
    over = level - 20.0 * np.log10(drum.strength[use])
    low, high = np.percentile(over, [25, 75])
    return Heard(
        file=file, drum=drum.drum, n_strokes=int(use.sum()), level_dbfs=round(float(np.median(level)), 2),
        over_own_db=round(float(np.median(over)), 2), error_db=round(float(high - low) / 1.35 / np.sqrt(use.sum()), 3),
    )  # fmt: skip


def low_lines(waves: NDArray[np.float64], rate_hz: int, band_hz: tuple[float, float]) -> NDArray[np.complex64]:
    """(n_hits, n_lines) spectrum of each stroke within a band, from 2 ms before it to the end of the excerpt.

    The lines are LINE_HZ apart whatever the rate, so that two channels of different rates can be added.
    """
    first, last = round((LEAD_S - 0.002) * rate_hz), round((LEAD_S + TAIL_S) * rate_hz)
    part = waves[:, first:last]
    hz = np.arange(np.ceil(band_hz[0] / LINE_HZ), np.floor(band_hz[1] / LINE_HZ) + 1.0) * LINE_HZ
    time_s = np.arange(first, first + part.shape[1]) / rate_hz - LEAD_S
    turning = np.exp(-2j * np.pi * time_s[:, None] * hz[None, :])
    return np.asarray((part * signal.windows.tukey(part.shape[1], 0.1)) @ turning / rate_hz, np.complex64)


def hit_picture(
    file: str, drum: str, waves: NDArray[np.float64], strength: NDArray[np.float64], rate_hz: int
) -> HitPicture:
    """Mean stroke with its 10th and 90th percentile over strokes scaled to the median strength."""
    scaled = waves / strength[:, None] * float(np.median(strength))
    first, last = (round((LEAD_S + s) * rate_hz) for s in PICTURE_S)
    part = scaled[:, first:last]
    step = max(1, part.shape[1] // PICTURE_POINTS)
    power = np.mean(np.abs(fft.rfft(scaled * signal.windows.tukey(scaled.shape[1], 0.1), axis=1)) ** 2, axis=0)
    hz = fft.rfftfreq(scaled.shape[1], 1.0 / rate_hz)
    spectrum_hz, level = _third_octaves(hz, power, scaled.shape[1])
    low, high = np.percentile(part, [10, 90], axis=0)
    return HitPicture(
        file=file, drum=drum, rate_hz=rate_hz, n_hits=len(waves),
        time_ms=(np.arange(part.shape[1]) / rate_hz + PICTURE_S[0])[::step] * 1000.0,
        mean=part.mean(axis=0)[::step], low=low[::step], high=high[::step],
        spectrum_hz=spectrum_hz, spectrum_dbfs=level,
    )  # fmt: skip


def _third_octaves(
    hz: NDArray[np.float64], power: NDArray[np.float64], n: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Third-octave levels, dBFS, on the base-ten series of IEC 61260-1; bands without a line are left out."""
    centres = 1000.0 * 10.0 ** (0.1 * np.arange(-16, 14))
    kept, levels = [], []
    for c in centres:
        inside = (hz >= c * 10**-0.05) & (hz < c * 10**0.05)
        if inside.any():
            kept.append(c)
            levels.append(10.0 * np.log10(2.0 * power[inside].sum() / n**2 + 1e-20))
    return np.array(kept), np.array(levels)
