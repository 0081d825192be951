"""What a channel's page is drawn from: outline of the waveform, spectrogram, mean and noise spectrum.

Conventions: columns are equal stretches of time over the whole file, however long; levels per band (nine
to the octave, see bands.py), dBFS relative to amplitude 1.0. Minus infinity: no level, or none known.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.bands import BandSpectrum, QuietRuns, band_centres_hz
from kitproof.measure.spectra import MicSpectra
from kitproof.model import ChannelPicture, FloatArray

WAVE_COLUMNS = 2000
SPECTRUM_COLUMNS = 1000


class PictureMeter:
    """Picture of one channel, in a size that does not grow with the file.

    Parameters
    ----------
    rate_hz : int
    n_frames : int > 0, length of the file, known beforehand
    file : key of the channel

    A short file gets fewer columns: no more than samples for the waveform, than windows for the spectrogram.
    A column of the spectrogram keeps its loudest moment, so no stroke disappears in a long file.
    """

    def __init__(self, rate_hz: int, n_frames: int, file: str) -> None:
        self._rate_hz, self._n_frames, self._file = rate_hz, n_frames, file
        self._n_columns = min(WAVE_COLUMNS, n_frames)
        self._low = np.full(self._n_columns, np.inf)
        self._high = np.full(self._n_columns, -np.inf)
        self._bands = BandSpectrum(rate_hz, n_frames, SPECTRUM_COLUMNS)
        self._n = 0

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        if len(block) == 0:
            return
        first = self._n * self._n_columns // self._n_frames
        last = (self._n + len(block) - 1) * self._n_columns // self._n_frames
        starts = -(-np.arange(first, last + 1) * self._n_frames // self._n_columns) - self._n
        starts[0] = 0
        columns = slice(first, last + 1)
        self._low[columns] = np.minimum(self._low[columns], np.minimum.reduceat(block, starts))
        self._high[columns] = np.maximum(self._high[columns], np.maximum.reduceat(block, starts))
        self._bands.push(block)
        self._n += len(block)

    def finish(self) -> None:
        """End of the channel; call once, before the two questions below."""
        self._bands.flush()

    def power_within(self, runs: QuietRuns) -> tuple[NDArray[np.float64], float, float]:
        """Mean power per band inside `runs`, NaN where no window fits, and the seconds below and above 355 Hz."""
        parts, seconds = [], []
        for track in (self._bands.low, self._bands.high):
            found = track.mean_within(runs)
            parts.append(np.full(len(track.mean()), np.nan) if found is None else found[0])
            seconds.append(0.0 if found is None else found[1])
        return np.concatenate(parts), seconds[0], seconds[1]

    def picture(self, quiet_runs: QuietRuns) -> ChannelPicture:
        """The picture; the noise spectrum is the mean over the windows that lie wholly inside `quiet_runs`."""
        low, high = self._bands.low, self._bands.high
        noise = self.power_within(quiet_runs)[0]
        return ChannelPicture(
            file=self._file,
            duration_s=self._n_frames / self._rate_hz,
            wave_min=_frozen(self._low),
            wave_max=_frozen(self._high),
            band_hz=_frozen(band_centres_hz(self._rate_hz)),
            spectrogram_dbfs=_frozen(_db(np.concatenate((low.loudest(), high.loudest()), axis=1).T)),
            spectrum_dbfs=_frozen(_db(np.concatenate((low.mean(), high.mean())))),
            noise_spectrum_dbfs=_frozen(_db(np.nan_to_num(noise, nan=0.0))),
        )


def with_strokes(pictures: Iterable[ChannelPicture], clues: Iterable[object]) -> tuple[ChannelPicture, ...]:
    """The pictures with the spectra around strokes, which only a second look at the channels can give."""
    heard = {clue.file: clue for clue in clues if isinstance(clue, MicSpectra)}
    return tuple(_with_spectra(p, heard[p.file]) if p.file in heard else p for p in pictures)


def _with_spectra(picture: ChannelPicture, heard: MicSpectra) -> ChannelPicture:
    return replace(
        picture, n_own_strokes=heard.n_own, n_foreign_strokes=heard.n_foreign, unmeasured=heard.unmeasured,
        own_spectrum_dbfs=None if heard.own is None else _frozen(_db(heard.own)),
        bleed_spectrum_dbfs=None if heard.bleed is None else _frozen(_db(heard.bleed)),
    )  # fmt: skip


def _db(power: FloatArray) -> NDArray[np.float64]:
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(power.astype(np.float64)))


def _frozen(values: FloatArray) -> NDArray[np.float32]:
    out = np.ascontiguousarray(values, dtype=np.float32)
    out.flags.writeable = False
    return out
