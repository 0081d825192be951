"""Time jumps: a channel that from some moment on runs ahead of all the others, or behind, by a constant time.

An edit made in one channel only, or a recorder that lost a buffer and went on, moves everything that follows. A mic
that slumps moves by a millisecond (courses.py); this looks for more. Around every stroke of a drum a mic hears a
pattern of beginnings that is usual there: the drum itself at its delay, its echoes, and what is mostly played with it.
For every other drum than the mic's own, the mean pattern before a moment is laid over that after it. If the channel
has jumped, the patterns of several drums fit at the same shift, and at none they do not fit.

Only strokes timed by other mics count, so a mic that jumps does not make the others jump: these differ on one drum, its
own, and two have to agree.

Conventions: edge tracks as in onsets.py, all on one time line; a jump is positive when the channel is later afterwards.

Source
------
Own work. Mean patterns of 44 clean takes fit best within 0.5 ms of where they were, or badly, or for one drum only, but
for kick mics, which hear no edges. Of channels moved by 5 to 40 ms half-way ten of nineteen fit at the true shift at
0.6 to 0.9, and those of a short take at 0.45 to 0.55; hats of which mostly the snare is heard do not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from kitproof.measure.onsets import OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.observed.timing import TimeJump

REACH_S = 0.100  # of a pattern, before and after the stroke
MOST_S = 0.060  # shifts that are tried
BACK_S = 0.005  # a beginning stands out from so much before it
RISE_DB, MOST_DB = 6.0, 20.0  # by more than this; what is over this counts no more
SAME_S = 0.00075  # drums agree that fit so near to the shift of all
GAIN = 0.25  # better by so much than not moved
FEWEST_STROKES = 8  # of a drum
FEWEST_BESIDE = 4  # of them, on either side
EDGES = (0.12, 0.88)  # strokes between which a moment is tried
N_MOMENTS = 17
Floats = NDArray[np.float32]
Float64Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Patterns:
    """What a channel hears around the strokes of one drum."""

    time_s: Float64Array  # (n,)
    total: Float64Array  # (n, bins) running sum over the strokes

    def sides(self, at_s: float) -> tuple[Float64Array, Float64Array, int] | None:
        """Mean pattern before a moment and after it, and the strokes of the smaller side."""
        k, n = int(np.searchsorted(self.time_s, at_s)), len(self.time_s)
        if min(k, n - k) < FEWEST_BESIDE:
            return None
        before, after = self.total[k - 1] / k, (self.total[-1] - self.total[k - 1]) / (n - k)
        return before - before.mean(), after - after.mean(), min(k, n - k)


def time_jumps(view: TakeView) -> Iterator[TimeJump]:
    """The best jump of every channel in which two other drums or more are heard often enough, however good it is."""
    drum_of = {file: drum for drum, file in view.own.items()}
    for c in view.kit:
        track = view.tracks[c.file]
        begins = beginnings(track)
        heard = [
            p for name, d in view.drums.items()
            if name in view.own and name != drum_of.get(c.file)
            and (p := _patterns(begins, track.edges_per_s, d.time_s)) is not None
        ]  # fmt: skip
        if len(heard) > 1:
            yield from _best(c.file, heard, track.edges_per_s)


def beginnings(track: OnsetTrack) -> Floats:
    """(n_bins,) by how many dB more than RISE_DB each bin rises over the BACK_S before it, at most MOST_DB."""
    edge = track.edge_db.astype(np.float32)
    back = round(BACK_S * track.edges_per_s)
    before = np.full(len(edge), np.inf, np.float32)
    if len(edge) > back:
        loudest = ndimage.maximum_filter1d(edge, back, origin=back // 2 - (back + 1) % 2, mode="nearest")
        before[1:] = loudest[:-1]
    rise: Floats = np.clip(edge - before - RISE_DB, 0.0, MOST_DB)
    return np.asarray(ndimage.uniform_filter1d(rise, 3))


def _patterns(begins: Floats, per_s: float, time_s: Float64Array) -> _Patterns | None:
    reach = round(REACH_S * per_s)
    at = np.round(time_s * per_s).astype(np.int64)
    inside = (at >= reach) & (at + reach < len(begins))
    if np.count_nonzero(inside) < FEWEST_STROKES:
        return None
    rows = begins[at[inside][:, None] + np.arange(-reach, reach + 1)]
    return _Patterns(time_s[inside], np.cumsum(rows, axis=0, dtype=np.float64))


def _best(file: str, heard: list[_Patterns], per_s: float) -> Iterator[TimeJump]:
    """The moment and the shift at which the patterns gain most by being shifted."""
    moments = np.quantile(np.concatenate([p.time_s for p in heard]), np.linspace(*EDGES, N_MOMENTS))
    found = [j for t in moments.tolist() if (j := _at(file, heard, t, per_s)) is not None]
    if found:
        yield max(found, key=lambda j: j.fit - j.fit_unmoved)


def _at(file: str, heard: list[_Patterns], at_s: float, per_s: float) -> TimeJump | None:
    sides = [s for p in heard if (s := p.sides(at_s)) is not None]
    most = round(MOST_S * per_s)
    fits = [(f, np.sqrt(n)) for before, after, n in sides if (f := _fits(before, after, most)) is not None]
    if len(fits) < 2:
        return None
    each = np.array([f for f, _ in fits])
    together = np.average(each, axis=0, weights=[w for _, w in fits])
    k = int(together.argmax())
    same = round(SAME_S * per_s)
    gain = each[:, max(0, k - same) : k + same + 1].max(axis=1) - each[:, most]
    agree = gain >= GAIN
    return TimeJump(
        file=file, time_s=at_s, jump_ms=round(1000.0 * (k - most) / per_s, 2), fit=round(float(together[k]), 3),
        fit_unmoved=round(float(together[most]), 3), n_drums=len(fits), n_agreeing=int(agree.sum()),
    )  # fmt: skip


def _fits(before: Float64Array, after: Float64Array, most: int) -> Float64Array | None:
    """(2 most + 1,) correlation of two patterns at every shift of the second."""
    size = float(np.sqrt(np.sum(before**2) * np.sum(after**2)))
    if size < 1e-9:
        return None
    n = int(fft.next_fast_len(2 * len(before), real=True))
    course = fft.irfft(fft.rfft(after, n) * np.conj(fft.rfft(before, n)), n) / size
    return np.concatenate((course[-most:], course[: most + 1]))
