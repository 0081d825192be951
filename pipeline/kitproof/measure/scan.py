"""One pass over one channel: every block of samples goes through all meters once, and is then forgotten."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Protocol

import numpy as np

from kitproof.errors import StageInputError, StemError
from kitproof.measure.loudness import LoudnessMeter
from kitproof.measure.noise import NoiseMeter, noise_bands
from kitproof.measure.peaks import PeakMeter
from kitproof.measure.picture import PictureMeter
from kitproof.measure.truepeak import TruePeakMeter
from kitproof.model import ChannelPicture, ClipRun, FloatArray, NoiseBand

CHUNK = 1 << 16  # large enough to forget the cost of a call, small enough for the processor's cache
MAX_ENERGY = 1e18  # of one chunk; beyond, it is a number of another kind, and single precision is in danger
MIN_RATE_HZ, MAX_RATE_HZ = 16000, 400000


class Meter(Protocol):
    """Anything that takes a channel block by block."""

    def push(self, block: FloatArray) -> None:
        """Take the next (n,) samples, float64, full scale 1.0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelScan:
    """What one pass over a channel gives. Names and meanings are those of model.ChannelMeasures."""

    sample_peak_dbfs: float | None
    sample_peak_time_s: float | None
    true_peak_dbtp: float | None
    rms_dbfs: float | None
    crest_db: float | None
    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    loudness_range_lu: float | None
    noise_floor_dbfs: float | None
    noise_bands: tuple[NoiseBand, ...]
    dc_fraction: float | None
    used_bits: int | None
    clip_runs_n: int
    clip_runs: tuple[ClipRun, ...]
    unmeasured: Mapping[str, str] = field(default_factory=dict)
    picture: ChannelPicture
    quiet_runs: tuple[tuple[float, float], ...]  # where the noise floor was taken, start and end, s
    noise_at_most_dbfs: float | None  # bound for a floor hidden under the ring

    def measures(self) -> dict[str, Any]:
        """The fields that model.ChannelMeasures has too, `unmeasured` among them, by name."""
        extra = {"picture", "quiet_runs", "noise_at_most_dbfs"}
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name not in extra}


def scan_channel(
    blocks: Iterable[FloatArray],
    *,
    rate_hz: int,
    n_frames: int,
    integer_bits: int | None,
    file: str,
    extra: Sequence[Meter] = (),
) -> ChannelScan:
    """Measure one channel in one pass.

    Parameters
    ----------
    blocks : (n,) arrays of any lengths, float64, full scale 1.0, n_frames samples in all
    rate_hz : int, MIN_RATE_HZ to MAX_RATE_HZ
    n_frames : int > 0
    integer_bits : word length of an integer file, None for a floating-point file
    file : key of the channel
    extra : further meters that get the same samples, in blocks of CHUNK

    Raises
    ------
    StemError : a sample is not a finite number
    StageInputError : no samples, a number of samples other than n_frames, or an unusual rate
    """
    if n_frames <= 0 or not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        raise StageInputError(f"{file}: cannot scan {n_frames} frames at {rate_hz} Hz")
    peaks, true_peak = PeakMeter(rate_hz, integer_bits), TruePeakMeter(rate_hz)
    loudness, noise = LoudnessMeter(rate_hz), NoiseMeter(rate_hz)
    picture = PictureMeter(rate_hz, n_frames, file)
    meters: tuple[Meter, ...] = (peaks, true_peak, loudness, noise, picture, *extra)
    n_seen = 0
    for block in _checked(rechunked(blocks, CHUNK), file):
        n_seen += len(block)
        if n_seen > n_frames:
            break
        for meter in meters:
            meter.push(block)
    if n_seen != n_frames:
        raise StageInputError(f"{file}: {n_frames} frames were announced, {n_seen} or more came")
    picture.finish()
    floor = noise.result()
    band_power, low_s, high_s = picture.power_within(floor.quiet_runs)
    results = (peaks.result(), true_peak.result(), loudness.result())
    values = {f.name: getattr(r, f.name) for r in results for f in fields(r)}
    reasons = {name: text for r in (*results, floor) for name, text in r.unmeasured.items()}
    return ChannelScan(
        **values | {"unmeasured": reasons},
        noise_floor_dbfs=floor.noise_floor_dbfs,
        noise_bands=noise_bands(band_power, low_s, high_s, rate_hz),
        picture=picture.picture(floor.quiet_runs),
        quiet_runs=floor.quiet_runs,
        noise_at_most_dbfs=floor.at_most_dbfs,
    )


def rechunked(blocks: Iterable[FloatArray], size: int) -> Iterator[FloatArray]:
    """The same samples in blocks of `size`, the last one shorter."""
    held: list[FloatArray] = []
    n_held = 0
    for block in blocks:
        start = 0
        while n_held + len(block) - start >= size:
            end = start + size - n_held
            yield np.concatenate((*held, block[start:end])) if held else block[start:end]
            held, n_held, start = [], 0, end
        if start < len(block):
            held.append(block[start:].copy())  # the reader may use its buffer again
            n_held += len(block) - start
    if held:
        yield np.concatenate(held)


def _checked(blocks: Iterable[FloatArray], file: str) -> Iterator[FloatArray]:
    n_seen = 0
    for block in blocks:
        with np.errstate(all="ignore"):
            energy = float(block @ block)
        if not energy < MAX_ENERGY:  # also true of NaN
            bad = np.flatnonzero(~np.isfinite(block))
            at = int(bad[0]) if len(bad) else int(np.argmax(np.abs(block)))
            raise StemError(
                f"{file}: sample {n_seen + at} is {block[at]}, expected a number around full scale 1.0; "
                "export the file again, or leave it out"
            )
        n_seen += len(block)
        yield block
