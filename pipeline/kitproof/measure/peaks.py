"""How high does the signal stand: sample peak, RMS, crest factor, offset, word length, flat tops at full scale.

Conventions: audio float64, shape (n,), full scale 1.0; levels relative to amplitude 1.0, so a full-scale
sine has an RMS of -3.01 dBFS. The RMS covers the whole file, silence and offset included.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from kitproof.errors import StageInputError
from kitproof.model import ClipRun, FloatArray
from kitproof.reasons import FLOATING, SHORT_FOR_OFFSET, SILENT
from kitproof.units import amplitude_to_db

DC_MIN_S = 10.0  # over less, the lopsided swing of a few drum hits passes for an offset
CLIP_MIN_SAMPLES = 3
CLIP_FROM = 10.0 ** (-0.1 / 20.0)  # near full scale: some converters stop a few steps short of it
CREST_STEP = 4.0 * 2.0**-15  # a rounded crest leaves its top value by at most this (see ClipMeter)
MAX_CLIP_RUNS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakResult:
    """Levels of one channel, names as in model.ChannelMeasures; each None has its reason in `unmeasured`."""

    sample_peak_dbfs: float | None
    sample_peak_time_s: float | None  # first sample that stands there
    rms_dbfs: float | None
    crest_db: float | None
    dc_fraction: float | None
    used_bits: int | None
    clip_runs_n: int
    clip_runs: tuple[ClipRun, ...]  # the first MAX_CLIP_RUNS
    unmeasured: Mapping[str, str] = field(default_factory=dict)


class PeakMeter:
    """Sample peak, RMS, crest factor, offset, used word length and clipped runs of one channel.

    Parameters
    ----------
    rate_hz : int > 0
    integer_bits : word length of an integer file (8 to 32), None for a floating-point file

    Silence gives None for the levels and the word length, 0.0 for the offset.

    Raises
    ------
    StageInputError : a sample lies between the steps of `integer_bits`

    Source
    ------
    Crest factor: peak over RMS, the common definition. Offset: mean over 10 s or more, common practice.
    Word length: own choice, down to the lowest bit that is ever set.
    """

    def __init__(self, rate_hz: int, integer_bits: int | None) -> None:
        self._rate_hz = rate_hz
        self._n = 0
        self._sum = 0.0
        self._squares = 0.0
        self._peak = 0.0
        self._peak_at = 0
        self._clips = ClipMeter(rate_hz)
        self._bits = integer_bits
        self._bits_seen = 0

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples."""
        if len(block) == 0:
            return
        peak = float(max(block.max(), -block.min()))
        if peak > self._peak:
            self._peak = peak
            self._peak_at = self._n + int(np.argmax(np.abs(block)))
        self._sum += float(block.sum())
        self._squares += float(block @ block)
        self._clips.push(block, peak)
        if self._bits is not None and not self._bits_seen & 1:  # the lowest bit is set: nothing left to learn
            self._bits_seen |= _bits_set(block, self._bits)
        self._n += len(block)

    def result(self) -> PeakResult:
        """All levels; call once, after the last block."""
        missing: dict[str, str] = {}
        if self._peak == 0.0:
            names = ("sample_peak_dbfs", "sample_peak_time_s", "rms_dbfs", "crest_db", "used_bits")
            missing.update(dict.fromkeys(names, SILENT))
        if self._bits is None:
            missing["used_bits"] = FLOATING
        if self._n < DC_MIN_S * self._rate_hz:
            missing["dc_fraction"] = SHORT_FOR_OFFSET.format(least_s=DC_MIN_S)
        peak_db = amplitude_to_db(self._peak)
        rms_db = amplitude_to_db((self._squares / self._n) ** 0.5) if self._n else None
        n_runs, runs = self._clips.result()
        return PeakResult(
            sample_peak_dbfs=peak_db,
            sample_peak_time_s=None if peak_db is None else self._peak_at / self._rate_hz,
            rms_dbfs=rms_db,
            crest_db=None if peak_db is None or rms_db is None else peak_db - rms_db,
            dc_fraction=None if "dc_fraction" in missing else self._sum / self._n,
            used_bits=None if self._bits is None or "used_bits" in missing else _used(self._bits, self._bits_seen),
            clip_runs_n=n_runs,
            clip_runs=runs,
            unmeasured=missing,
        )


def _bits_set(block: FloatArray, bits: int) -> int:
    """All bits that are set in any sample, seen as integers of `bits` bits."""
    scaled = block * 2.0 ** (bits - 1)
    whole = scaled.astype(np.int64)
    if np.any(whole != scaled):
        raise StageInputError(f"samples lie between the steps of {bits}-bit audio; give the file's own word length")
    return int(np.bitwise_or.reduce(np.abs(whole)))


def _used(bits: int, seen: int) -> int:
    """Word length down to the lowest bit set."""
    return bits - ((seen & -seen).bit_length() - 1)


@dataclass(frozen=True, slots=True)
class _Run:
    start: int
    length: int
    value: float
    step_in: float  # from the sample before, 0 at the start of the file


class ClipMeter:
    """Runs of three or more equal samples within 0.1 dB of full scale or above it, on either side.

    One sample at full scale is no clip, nor is a floating-point value above 1.0 by itself. A low note that
    was brought up to full scale in 16 bits also stands for a few samples on its top step, but leaves it by
    a step or two; a run that is both entered and left within four 16-bit steps (0.001 dB) is such a rounded
    crest and is not counted.

    Source
    ------
    Three equal samples at the top code: common practice. Rounded crests: own choice, from the parabola at
    the top of a sine, which after a run of three or more on one step is at most 2.8 steps down.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._n = 0
        self._before: float | None = None
        self._open: _Run | None = None
        self._count = 0
        self._kept: list[ClipRun] = []

    def push(self, block: FloatArray, block_peak: float) -> None:
        """Take the next (n,) samples, n > 0, and their largest magnitude."""
        if self._open is not None or block_peak >= CLIP_FROM:
            self._search(block)
        self._before = float(block[-1])
        self._n += len(block)

    def result(self) -> tuple[int, tuple[ClipRun, ...]]:
        """How many runs there are in all, and the first MAX_CLIP_RUNS."""
        if self._open is not None:
            self._close(self._open, after=self._open.value)
            self._open = None
        return self._count, tuple(self._kept)

    def _search(self, block: FloatArray) -> None:
        hot = np.flatnonzero(np.abs(block) >= CLIP_FROM)
        opened, self._open = self._open, None
        if opened is not None and (len(hot) == 0 or hot[0] != 0 or block[0] != opened.value):
            self._close(opened, after=float(block[0]))
            opened = None
        if len(hot) == 0:
            return
        values = block[hot]
        new = np.flatnonzero((np.diff(hot) != 1) | (np.diff(values) != 0.0)) + 1
        starts = np.concatenate(([0], new))
        lengths = np.diff(np.concatenate((starts, [len(hot)])))
        keep = lengths >= CLIP_MIN_SAMPLES
        keep[0] |= opened is not None
        keep[-1] |= hot[-1] == len(block) - 1
        for at, length in zip(hot[starts[keep]].tolist(), lengths[keep].tolist(), strict=True):
            run = opened if opened is not None and at == 0 else None
            self._take(block, at, length, run)

    def _take(self, block: FloatArray, at: int, length: int, opened: _Run | None) -> None:
        value = float(block[at])
        if opened is not None:
            run = _Run(opened.start, opened.length + length, value, opened.step_in)
        else:
            before = float(block[at - 1]) if at else self._before
            run = _Run(self._n + at, length, value, 0.0 if before is None else abs(value - before))
        if at + length == len(block):
            self._open = run
        else:
            self._close(run, after=float(block[at + length]))

    def _close(self, run: _Run, *, after: float) -> None:
        rounded = max(run.step_in, abs(run.value - after)) <= CREST_STEP
        if run.length < CLIP_MIN_SAMPLES or rounded:
            return
        self._count += 1
        if len(self._kept) < MAX_CLIP_RUNS:
            level = amplitude_to_db(abs(run.value))
            self._kept.append(
                ClipRun(
                    start_s=run.start / self._rate_hz,
                    n_samples=run.length,
                    level_dbfs=0.0 if level is None else level,
                    side="positive" if run.value > 0.0 else "negative",
                )
            )
