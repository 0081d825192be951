"""Power per frequency band over time, in one pass: nine bands to the octave, two window lengths.

Conventions: power is mean square (a full-scale sine has 0.5 in its band); bands are nine to each of the ten
octaves from 22.4 Hz to 22.4 kHz (IEC 61260-1, base ten), so nine neighbours add up to a standard octave
band. Below 355 Hz a window lasts about 171 ms, because a kick's 60 Hz needs that to stand apart from its
80 Hz; above, about 43 ms, so that strokes stay apart. Windows are Hann and centred on their time.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.fft
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import signal

from kitproof.model import FloatArray

BANDS_PER_OCTAVE = 9
N_OCTAVES = 10
N_LOW_BANDS = 4 * BANDS_PER_OCTAVE  # the octaves 31.5 to 250 Hz take the long windows
_LOWEST_EXPONENT = 3.0 - 0.3 * 5 - 0.15  # 1 kHz, five octaves and a half down
_OVERLAP = 4  # hops per window: a stroke reads at most 1 dB lower for falling between two windows
_FRAMES_AT_ONCE = 64  # always the same number, so that results do not depend on how the file was read
_MAX_GROUPS = 16384  # bounds the memory for files of any length

_STEP = 4
_STEP_TAPS = signal.firwin(8 * _STEP + 1, 0.29, window=("kaiser", 9.0)).astype(np.float32)

QuietRuns = Sequence[tuple[float, float]]  # start and end in seconds


def octave_edges_hz() -> NDArray[np.float64]:
    """(11,) edges of the octave bands 31.5 Hz to 16 kHz.

    Source: IEC 61260-1, base-ten system: mid-bands 1000 * 10^(0.3 k), edges 10^(0.15) to either side.
    """
    return band_edges_hz()[::BANDS_PER_OCTAVE]


def band_edges_hz() -> NDArray[np.float64]:
    """(91,) edges of all bands; see octave_edges_hz for the source."""
    exponent = _LOWEST_EXPONENT + 0.3 / BANDS_PER_OCTAVE * np.arange(N_OCTAVES * BANDS_PER_OCTAVE + 1)
    return np.asarray(10.0**exponent)


def band_centres_hz(rate_hz: int) -> NDArray[np.float64]:
    """(n_bands,) geometric centres of the bands that exist at this rate: 90 at 44.1 kHz and above."""
    edges = band_edges_hz()
    centres = np.sqrt(edges[1:] * edges[:-1])
    return np.asarray(centres[centres < rate_hz / 2])


class Decimator:
    """Every fourth sample of a stream, low-passed (90 dB), without delay: output m stands at input 4 m."""

    def __init__(self) -> None:
        self._held = np.zeros(len(_STEP_TAPS) // 2, dtype=np.float32)

    def push(self, block: NDArray[np.float32]) -> NDArray[np.float32]:
        """The outputs that the samples so far allow."""
        held = np.concatenate((self._held, block))
        n_out = max(0, (len(held) - len(_STEP_TAPS)) // _STEP + 1)
        self._held = held[n_out * _STEP :]
        first = (len(_STEP_TAPS) - 1) // _STEP
        return np.asarray(signal.upfirdn(_STEP_TAPS, held, down=_STEP)[first : first + n_out], dtype=np.float32)

    def flush(self) -> NDArray[np.float32]:
        """The outputs still owed at the end."""
        return self.push(np.zeros(len(_STEP_TAPS) // 2, dtype=np.float32))


class BandTrack:
    """Band powers of one stream in windows of one length: loudest per column, mean, and a coarse history.

    Parameters
    ----------
    rate_hz : float > 0, of this stream
    size, hop : int, samples of a window and between windows
    edges_hz : (n_bands + 1,) rising
    n_samples : length of the whole stream, known beforehand
    n_columns : int > 0, equal stretches of the whole stream
    """

    def __init__(
        self, rate_hz: float, size: int, hop: int, edges_hz: NDArray[np.float64], n_samples: int, n_columns: int
    ) -> None:
        self._rate_hz, self._size, self._hop, self._n_samples = rate_hz, size, hop, n_samples
        self._n_frames = -(-n_samples // hop)
        self._next = 0
        self._held = np.zeros(size // 2, dtype=np.float32)
        self._window = signal.get_window("hann", size).astype(np.float32)
        self._matrix = band_matrix(rate_hz, size, edges_hz, self._window)
        n_bands = len(edges_hz) - 1
        self._loudest = np.full((n_columns, n_bands), -1.0, dtype=np.float32)
        self._sum = np.zeros(n_bands)
        self._per_group = -(-self._n_frames // _MAX_GROUPS)
        self._groups = np.zeros((-(-self._n_frames // self._per_group), n_bands), dtype=np.float32)

    def push(self, block: NDArray[np.float32]) -> None:
        """Take the next samples."""
        self._held = np.concatenate((self._held, block))
        stride = _FRAMES_AT_ONCE * self._hop
        while len(self._held) >= stride - self._hop + self._size:
            self._take(self._held[: stride - self._hop + self._size])
            self._held = self._held[stride:]

    def flush(self) -> None:
        """Analyse what is left, with silence after the end."""
        left = self._n_frames - self._next
        if left > 0:
            whole = np.zeros((left - 1) * self._hop + self._size, dtype=np.float32)
            whole[: len(self._held)] = self._held[: len(whole)]
            self._take(whole)

    def loudest(self) -> NDArray[np.float32]:
        """(n_columns, n_bands) power of the loudest moment; a column without a window shows its neighbour's."""
        filled = np.flatnonzero(self._loudest[:, 0] >= 0.0)
        nearest = np.interp(np.arange(len(self._loudest)), filled, np.arange(len(filled)))
        return np.asarray(self._loudest[filled[np.round(nearest).astype(np.int64)]])

    def mean(self) -> NDArray[np.float64]:
        """(n_bands,) mean power over the stream."""
        return self._sum / max(self._next, 1)

    def mean_within(self, runs: QuietRuns) -> tuple[NDArray[np.float64], float] | None:
        """Mean power over the windows that lie wholly inside `runs`, and the seconds they cover; None without any."""
        n = len(self._groups)
        half = self._size / 2
        first = np.arange(n) * self._per_group
        last = np.minimum(first + self._per_group, self._n_frames) - 1
        starts, ends = (first * self._hop - half) / self._rate_hz, (last * self._hop + half) / self._rate_hz
        inside = np.zeros(n, dtype=np.bool_)
        covered = 0.0
        for start, end in runs:
            here = (starts >= start) & (ends <= end)
            inside |= here
            covered += float(ends[here].max() - starts[here].min()) if here.any() else 0.0
        if not inside.any():
            return None
        frames = float(np.sum(last[inside] - first[inside] + 1))
        return self._groups[inside].sum(axis=0, dtype=np.float64) / frames, covered

    def _take(self, samples: NDArray[np.float32]) -> None:
        frames = sliding_window_view(samples, self._size)[:: self._hop] * self._window
        spectra = scipy.fft.rfft(frames)
        power = (spectra.real**2 + spectra.imag**2) @ self._matrix
        index = self._next + np.arange(len(power))
        columns = index * self._hop * len(self._loudest) // self._n_samples
        at, where = np.unique(columns, return_index=True)
        self._loudest[at] = np.maximum(self._loudest[at], np.maximum.reduceat(power, where))
        groups, where = np.unique(index // self._per_group, return_index=True)
        self._groups[groups] += np.add.reduceat(power, where)
        self._sum += power.sum(axis=0, dtype=np.float64)
        self._next += len(power)


def band_matrix(
    rate_hz: float, size: int, edges_hz: NDArray[np.float64], window: NDArray[np.float32]
) -> NDArray[np.float32]:
    """(size/2 + 1, n_bands) that turns squared magnitudes into band powers; a bin is shared where an edge cuts it."""
    step = rate_hz / size
    bins = np.arange(size // 2 + 1) * step
    low = np.maximum(edges_hz[:-1], bins[:, None] - step / 2)
    high = np.minimum(edges_hz[1:], bins[:, None] + step / 2)
    share = np.clip((high - low) / step, 0.0, None)
    both_sides = np.where((bins > 0.0) & (bins < rate_hz / 2), 2.0, 1.0)
    scale = size * np.sum(window.astype(np.float64) ** 2)
    return np.asarray(share * both_sides[:, None] / scale, dtype=np.float32)


class BandSpectrum:
    """Both tracks of one channel, fed from the same samples.

    Parameters
    ----------
    rate_hz : int, 16000 to 400000
    n_samples : length of the channel, > 0
    max_columns : int > 0

    Source
    ------
    Short-time Fourier transform, Hann windows overlapped by three quarters; own choice.
    The tracks meet at 355 Hz; a tone within 25 Hz of that is seen by both, up to 1.2 dB high or 1.9 dB low in all.
    """

    def __init__(self, rate_hz: int, n_samples: int, max_columns: int) -> None:
        short = 2 ** round(np.log2(rate_hz * 2048 / 48000))
        hop = short // _OVERLAP
        n_columns = min(max_columns, -(-n_samples // hop))
        edges = band_edges_hz()[: len(band_centres_hz(rate_hz)) + 1]
        n_steps = round(np.log(rate_hz / 3000) / np.log(_STEP))
        slower = _STEP**n_steps
        self._decimators = [Decimator() for _ in range(n_steps)]
        long = 4 * short // slower
        low_edges, high_edges = edges[: N_LOW_BANDS + 1], edges[N_LOW_BANDS:]
        self.low = BandTrack(rate_hz / slower, long, long // _OVERLAP, low_edges, -(-n_samples // slower), n_columns)
        self.high = BandTrack(rate_hz, short, hop, high_edges, n_samples, n_columns)

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        samples = block.astype(np.float32)
        self.high.push(samples)
        for decimator in self._decimators:
            samples = decimator.push(samples)
        self.low.push(samples)

    def flush(self) -> None:
        """End of the channel."""
        self.high.flush()
        rest = np.zeros(0, dtype=np.float32)
        for decimator in self._decimators:
            rest = np.concatenate((decimator.push(rest), decimator.flush()))
        self.low.push(rest)
        self.low.flush()
