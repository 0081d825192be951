"""A rough stereo mix of the kit from its levels and roles alone: for playing to and to show where things are.

The rules, which the pack's README tells:

- A close mic is set by how loud its own drum's strokes are in it (mean square over 61 ms, median over strokes), a
  distant one by the snare, so that the snare stands in the middle of a pair; by the kick, or its loudest drum,
  where the snare is not heard. LEVEL_DB says where each kind goes, against the drums' own mics.
- Kick and snare stand in the middle; overheads, under-cymbal and room mics fully left and right; other drums stand
  where the overheads hear them, at most two thirds to a side, or where their role usually is.
- A second mic at a drum is turned over where the two are fuller that way.
- One gain for all then sets the true peak. No equaliser, no compressor, no delays.

Source: own choice of the levels; panning by role with constant power is common practice.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from kitproof.ingest.audiofile import SpanReader
from kitproof.measure.truepeak import TruePeakMeter
from kitproof.model import Channel, ChannelMeasures, Measurements
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE, NOT_A_KIT_MIC
from kitproof.units import db_to_amplitude

PEAK_DBTP = -1.0
BLOCK = 1 << 16
FULL_SIDE_DB = 12.0  # a drum that much louder in one overhead stands at its limit on that side
SIDE_LIMIT = 0.67
HIGHEST_MP3_RATE_HZ = 48000
# of a mic's own drum (distant mics: of the snare), against the main mics of kick, snare and toms
LEVEL_DB: Mapping[str, float] = {
    "hi-hat": -14.0, "ride": -12.0, "second": -6.0, "snare-bottom": -8.0,
    "overhead": -6.0, "overhead-left": -6.0, "overhead-right": -6.0,
    "underhead-left": -14.0, "underhead-right": -14.0, "room": -14.0, "room-left": -14.0, "room-right": -14.0,
}  # fmt: skip
# where a drum stands if the overheads do not tell: -1 left, 1 right, hi-hat on the left
USUAL_SIDE: Mapping[str, float] = {
    "hi-hat": -0.5, "rack-tom-1": -0.25, "rack-tom-2": 0.15, "rack-tom-3": 0.3, "rack-tom-4": 0.4,
    "floor-tom": 0.5, "floor-tom-2": 0.6, "ride": 0.5,
}  # fmt: skip
Stereo = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One channel in the mix."""

    channel: Channel
    gain_db: float
    side: float  # -1 left, 0 middle, 1 right
    inverted: bool = False

    def weights(self) -> tuple[float, float]:
        """Left and right amplitude, constant power."""
        angle = (self.side + 1.0) * math.pi / 4.0
        gain = db_to_amplitude(self.gain_db) * (-1.0 if self.inverted else 1.0)
        return gain * math.cos(angle), gain * math.sin(angle)


@dataclass(frozen=True, slots=True, kw_only=True)
class GuidePlan:
    """What is mixed and how, and what is not."""

    strips: tuple[Strip, ...]
    left_out: tuple[tuple[str, str], ...]  # (channel, why)
    rate_hz: int
    n_frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """The mix as written."""

    plan: GuidePlan
    true_peak_dbtp: float
    small: str  # file name of the compressed copy
    small_delay: int  # frames by which it comes later when it is decoded as it was encoded


# ---------------------------------------------------------------- the plan
def plan_guide(m: Measurements) -> GuidePlan:
    """Which channels are mixed, how loud, where and which way round."""
    measured = {c.file: c for c in m.channels}
    rates = Counter(c.rate_hz for c in m.channels)
    rate_hz = rates.most_common(1)[0][0]
    strips: list[Strip] = []
    left_out: list[tuple[str, str]] = []
    for c in m.take.channels:
        why = _why_not(c, measured.get(c.file), m, rate_hz)
        level = None if why else _level(c, m)
        if level is None:
            left_out.append((c.label or c.file, why or "its drum is not heard in it"))
            continue
        strips.append(Strip(channel=c, gain_db=_target(c, m) - level, side=_side(c, m), inverted=_turned(c, m)))
    n_frames = max((measured[s.channel.file].n_frames for s in strips), default=0)
    return GuidePlan(strips=tuple(strips), left_out=tuple(left_out), rate_hz=rate_hz, n_frames=n_frames)


def _why_not(c: Channel, measures: ChannelMeasures | None, m: Measurements, rate_hz: int) -> str:
    if measures is None:
        return "it could not be measured"
    if c.role in NOT_A_KIT_MIC:
        return "it is no mic of the kit" if c.role == "other" else f"it is the {c.role}"
    dead = measures.sample_peak_dbfs is None or any(f.code == "dead-channel" and c.file in f.files for f in m.findings)
    if dead:
        return "there is no drum in it"
    twin = next((d.a for d in m.duplicates if d.b == c.file), None)
    if twin is not None:
        return f"it is a copy of {_label(twin, m)}"
    if measures.rate_hz != rate_hz:
        return f"its rate is {measures.rate_hz} Hz, that of the others {rate_hz} Hz"
    return ""


def _label(file: str, m: Measurements) -> str:
    return next((c.label for c in m.take.channels if c.file == file), file)


def _level(c: Channel, m: Measurements) -> float | None:
    """How loud a mic's own drum is in it, in a distant mic the snare, kick or loudest; None where none is heard."""
    heard = {h.drum: h.level_dbfs for h in m.observed.heard if h.file == c.file}
    wanted = (
        [DRUM_OF_ROLE[c.role]]
        if c.role in DRUM_OF_ROLE
        else ["snare", "kick", *sorted(heard, key=heard.__getitem__)[-1:]]
    )
    return next((heard[drum] for drum in wanted if drum in heard), None)


def _target(c: Channel, m: Measurements) -> float:
    second = c.role in DRUM_OF_ROLE and c.file not in {d.file for d in m.drums}
    return LEVEL_DB.get(c.role, LEVEL_DB["second"] if second else 0.0)


def _side(c: Channel, m: Measurements) -> float:
    if c.role in DISTANT_ROLES:
        return -1.0 if c.role.endswith("-left") else 1.0 if c.role.endswith("-right") else 0.0
    drum = DRUM_OF_ROLE[c.role]
    if drum in ("kick", "snare"):
        return 0.0
    lean, middle = _lean_db(drum, m), _lean_db("snare", m)
    if lean is None or middle is None:
        return USUAL_SIDE[drum]
    return float(np.clip((lean - middle) / FULL_SIDE_DB, -1.0, 1.0)) * SIDE_LIMIT


def _lean_db(drum: str, m: Measurements) -> float | None:
    """How much louder a drum is in the right overhead than in the left one."""
    roles = {c.file: c.role for c in m.take.channels}
    at = {roles.get(h.file): h.level_dbfs for h in m.observed.heard if h.drum == drum}
    if "overhead-left" not in at or "overhead-right" not in at:
        return None
    return at["overhead-right"] - at["overhead-left"]


def _turned(c: Channel, m: Measurements) -> bool:
    """Whether a second mic at a drum makes it fuller when it is turned over."""
    own = next((d.file for d in m.drums if d.drum == DRUM_OF_ROLE.get(c.role)), None)
    pairs = [p for p in m.pairs if {p.a, p.b} == {own, c.file} and p.drum == DRUM_OF_ROLE.get(c.role)]
    return bool(pairs) and own != c.file and pairs[0].fuller == "flip"


# ---------------------------------------------------------------- the mix
def render_guide(plan: GuidePlan, root: Path, wav: Path) -> Guide | None:
    """Write the mix as WAV of 24 bits, and a compressed copy beside it; None if there is nothing to mix.

    The files are read twice, in blocks: once to know the peak, once to write.
    """
    peak = _true_peak(plan, root)
    if peak is None:
        return None
    plan = replace(plan, strips=tuple(replace(s, gain_db=s.gain_db + PEAK_DBTP - peak) for s in plan.strips))
    small = wav.with_suffix(".mp3" if _has_mp3(plan.rate_hz) else ".flac")
    kind = {"format": "MP3", "subtype": "MPEG_LAYER_III"} if small.suffix == ".mp3" else {"subtype": "PCM_16"}
    with (
        sf.SoundFile(wav, "w", plan.rate_hz, 2, subtype="PCM_24") as full,
        sf.SoundFile(small, "w", plan.rate_hz, 2, **kind) as copy,
    ):
        for block in mixed(plan, root):
            full.write(block)
            copy.write(block)
    delay = measured_delay(wav, small)
    return Guide(plan=plan, true_peak_dbtp=PEAK_DBTP, small=small.name, small_delay=delay)


def mixed(plan: GuidePlan, root: Path) -> Iterator[Stereo]:
    """The mix in blocks, (n, 2); a file shorter than the longest is silent after its end."""
    by_path: dict[str, list[Strip]] = {}
    for strip in plan.strips:
        by_path.setdefault(strip.channel.path, []).append(strip)
    with ExitStack() as stack:
        readers = {path: stack.enter_context(SpanReader(root / path)) for path in by_path}
        for start in range(0, plan.n_frames, BLOCK):
            n = min(BLOCK, plan.n_frames - start)
            out = np.zeros((n, 2))
            for path, strips in by_path.items():
                samples = readers[path].read(start, n)
                for strip in strips:
                    out += np.outer(samples[:, strip.channel.index_in_file], strip.weights())
            yield out


def _true_peak(plan: GuidePlan, root: Path) -> float | None:
    """dBTP of the mix as planned; None for silence."""
    meters = TruePeakMeter(plan.rate_hz), TruePeakMeter(plan.rate_hz)
    for block in mixed(plan, root):
        for meter, side in zip(meters, block.T, strict=True):
            meter.push(np.ascontiguousarray(side))
    peaks = [meter.result().true_peak_dbtp for meter in meters]
    return max((p for p in peaks if p is not None), default=None)


def _has_mp3(rate_hz: int) -> bool:
    """Whether this machine's library can write it (libsndfile 1.1 and later), and the format knows the rate."""
    return rate_hz in (32000, 44100, HIGHEST_MP3_RATE_HZ) and "MP3" in sf.available_formats()


def measured_delay(wav: Path, copy: Path, seconds: float = 20.0) -> int:
    """Frames by which a decoded copy lags behind its original: the peak of their correlation around the loudest part.

    Encoders add a lead of some thousand samples; files say how much of it a decoder is to drop, not all do.
    """
    with sf.SoundFile(wav) as a, sf.SoundFile(copy) as b:
        n = min(int(seconds * a.samplerate), a.frames)
        start = _loud_part(a, n)
        parts = [_mono(f, start, n) for f in (a, b)]
    size = 1 << (2 * n - 1).bit_length()
    spectra = [np.fft.rfft(part, size) for part in parts]
    correlation = np.fft.irfft(spectra[1] * spectra[0].conj(), size)
    lag = int(np.argmax(correlation))
    return lag if lag < size // 2 else lag - size


def _loud_part(file: sf.SoundFile, n: int) -> int:
    """Where the loudest block begins, as far as n frames after it are there."""
    file.seek(0)
    energy = [float(np.sum(block**2)) for block in file.blocks(BLOCK, dtype="float64", always_2d=True)]
    last: int = file.frames - n
    return max(0, min(int(np.argmax(energy)) * BLOCK if energy else 0, last))


def _mono(file: sf.SoundFile, start: int, n: int) -> NDArray[np.float64]:
    file.seek(start)
    samples: Stereo = file.read(n, dtype="float64", always_2d=True)
    return np.asarray(samples.mean(axis=1))


def strip_words(strips: Sequence[Strip]) -> list[tuple[str, ...]]:
    """(channel, gain, side, remark) of each, as text."""
    out: list[tuple[str, ...]] = []
    for s in strips:
        side = "middle" if abs(s.side) < 0.005 else f"{abs(s.side):.0%} {'left' if s.side < 0 else 'right'}"
        turned = "turned over, fuller that way" if s.inverted else ""
        out.append((s.channel.label or s.channel.file, f"{s.gain_db:+.1f} dB", side, turned))
    return out
