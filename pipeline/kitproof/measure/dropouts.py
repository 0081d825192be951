"""Dropouts: samples that are missing while the channel sounds.

Two signs: a run of zeros or of one held value with a step at its edge, and a jump, one step from sample
to sample far larger than any beside it, where samples were cut out. A gate or an editor also leaves zeros,
but fades into them, or opens on a stroke; silence before the start and after the end has no sound beside it.

Conventions: audio float64, shape (n,), full scale 1.0.
"""

from __future__ import annotations

import numpy as np

from kitproof.model import FloatArray, Gap
from kitproof.units import db_to_amplitude

SHORTEST = 16  # equal samples. Common practice
LONGEST_S = 0.5  # longer, and it is an edit
SIDE_S = 0.003  # looked at on either side
SIDE_FLOOR = 3e-4  # -70 dBFS, ten steps of 16 bits: both sides must sound at least as loud
ATTACK_DB = 18.0  # louder afterwards by more than this: a gate that opens on a stroke
EDGE = 4.0  # step at an edge over the usual step from sample to sample beside it
BESIDE_S = 0.0006  # or, where the wave is so quick that no step stands out: as loud beside the hole as
UNFADED = 0.4  # this part of SIDE_S; a gate fades
JUMP = 12.0  # a jump over the largest of the steps beside it
JUMP_FLOOR = 3e-3
JUMP_BESIDE = 24
CELL = 32
MARGIN = 2048
MOST = 400


def _swing(samples: FloatArray, *, offset: bool = False) -> float:
    """RMS, without the mean unless `offset`."""
    return float(np.sqrt(np.mean(np.square(samples if offset else samples - samples.mean()))))


class DropoutMeter:
    """Held values and jumps of one channel.

    Source
    ------
    16 or more identical or zero samples with a step at the edges, while the channel sounds: common practice.
    Jumps: own choice, one step JUMP times as large as all others within JUMP_BESIDE samples; a stick's attack
    goes on with steps as large.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._n = 0
        self._margin = max(MARGIN, round(4.0 * SIDE_S * rate_hz))
        self._tail: FloatArray = np.zeros(0)
        self._open: tuple[int, float, FloatArray] | None = None  # start, value, samples before
        self._gaps: dict[int, Gap] = {}
        self._steps = np.empty(0)  # room to work in: fresh memory for every block would cost more than the work

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        if len(block) == 0:
            return
        n_old = min(len(self._tail), self._margin)
        wave = np.concatenate((self._tail, block))
        start = self._n - len(self._tail)
        self._held(wave, start, n_old)
        self._jumps(wave, start)
        self._n += len(block)
        self._tail = wave[-self._margin :].copy()

    def result(self) -> tuple[Gap, ...]:
        """What was found, in order of time, at most MOST; call after the last block."""
        return tuple(self._gaps[k] for k in sorted(self._gaps))[:MOST]

    def _held(self, wave: FloatArray, start: int, n_old: int) -> None:
        equal = wave[1:] == wave[:-1]
        n = len(equal) // 8 * 8
        # A run of SHORTEST equal samples fills at least one whole group of eight comparisons.
        if self._open is None and not (equal[:n].view(np.uint64) == 0x0101010101010101).any():
            return
        marks = np.flatnonzero(np.diff(equal.astype(np.int8), prepend=0, append=0))
        firsts, lasts = marks[::2], marks[1::2]  # samples firsts..lasts inclusive are equal
        if self._open is not None:
            at, value, before = self._open
            if len(firsts) and firsts[0] <= max(n_old - 1, 0) and wave[max(n_old - 1, 0)] == value:
                end = int(lasts[0])
                if end == len(wave) - 1:
                    return
                self._open = None
                self._judge(before, at, start + end - at + 1, value, wave[end + 1 :])
                firsts, lasts = firsts[1:], lasts[1:]
            else:
                self._open = None
        long = lasts - firsts + 1 >= SHORTEST
        for first, last in zip(firsts[long].tolist(), lasts[long].tolist(), strict=True):
            before = wave[max(0, first - self._margin // 4) : first]
            if last == len(wave) - 1:
                self._open = (start + first, float(wave[first]), before.copy())
            else:
                self._judge(before, start + first, last - first + 1, float(wave[first]), wave[last + 1 :])

    def _judge(self, before: FloatArray, at: int, length: int, value: float, after: FloatArray) -> None:
        n, m = round(SIDE_S * self._rate_hz), round(BESIDE_S * self._rate_hz)
        before, after = before[-n:], after[:n]
        if len(before) < n or len(after) < n or length > LONGEST_S * self._rate_hz:
            return
        loud = [_swing(side) for side in (before, after)]
        if min(loud) < SIDE_FLOOR or loud[1] > loud[0] * db_to_amplitude(ATTACK_DB):
            return
        # A rounded crest or an overdriven top is also held: it stands at the very top of its side of the wave.
        sign = 1.0 if value > 0.0 else -1.0
        if value != 0.0 and sign * value >= 0.98 * max((sign * before).max(), (sign * after).max()):
            return
        steps = [abs(float(before[-1]) - value), abs(float(after[0]) - value)]
        usual = [float(np.median(np.abs(np.diff(side)))) + 1e-9 for side in (before, after)]
        ratio = max(steps[0] / usual[0], steps[1] / usual[1])
        beside = [_swing(before[-m:] - value, offset=True), _swing(after[:m] - value, offset=True)]
        unfaded = [b > UNFADED * side for b, side in zip(beside, loud, strict=True)]
        # A gate fades out and may open at once, on something louder.
        cut = unfaded[0] or (unfaded[1] and loud[1] < 2.0 * loud[0])
        if ratio < EDGE and not cut:
            return
        self._add(at, length, "zeros" if value == 0.0 else "held", ratio)

    def _jumps(self, wave: FloatArray, start: int) -> None:
        n = (len(wave) - 1) // CELL
        if n < 3:
            return
        if len(self._steps) < n * CELL:
            self._steps = np.empty(n * CELL)
        step = self._steps[: n * CELL]
        np.subtract(wave[1 : n * CELL + 1], wave[: n * CELL], out=step)
        np.abs(step, out=step)
        top = np.maximum.reduceat(step, np.arange(0, n * CELL, CELL))
        around = np.maximum(np.maximum(top[:-2], top[2:]), JUMP_FLOOR / JUMP)
        for c in (np.flatnonzero(top[1:-1] > 0.5 * JUMP * around) + 1).tolist():
            at = c * CELL + int(step[c * CELL : (c + 1) * CELL].argmax())
            low, high = at - JUMP_BESIDE, at + JUMP_BESIDE + 1
            if low < 0 or high > len(step) or step[at] < JUMP_FLOOR:
                continue
            beside = np.concatenate((step[low:at], step[at + 1 : high]))
            ratio = float(step[at] / (beside.max() + 1e-9))
            # Out of silence or into it nothing is missing: that is where an edit or a gate ends.
            quiet = min(np.count_nonzero(step[low:at]), np.count_nonzero(step[at + 1 : high])) < JUMP_BESIDE // 2
            if ratio >= JUMP and not quiet:
                self._add(start + at + 1, 0, "jump", ratio)

    def _add(self, at: int, length: int, kind: str, ratio: float) -> None:
        if len(self._gaps) < MOST and at not in self._gaps:
            self._gaps[at] = Gap(
                start_s=at / self._rate_hz, n_samples=length,
                kind="jump" if kind == "jump" else "zeros" if kind == "zeros" else "held",
                step_db=float(20.0 * np.log10(ratio)),
            )  # fmt: skip
