"""Takes as folders, small and of a known truth, for the tests of the whole run.

folder, truth = takes.short_take(tmp_path)      # thirteen seconds of the modelled kit, every drum a few times
takes.strokes_take(tmp_path / "x", {"kick.wav": [0.5, 1.0], "sn top.wav": [0.75, 1.25]})
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile as sf

import synth
from kitproof.demo import DemoTruth, Stroke, TakeSpec, render_take, write_take
from kitproof.run import Result, measure_take

STEP_S = 60.0 / 104.0 / 4.0
# Four bars of sixteen steps; 1 to 9 is the strength. Each drum alone often enough to be told from the others.
BARS: tuple[Mapping[str, str], ...] = (
    {"kick": "9.......8.......", "snare": "....8.......9...", "hi-hat": "7.6.8.6.7.6.8.6."},
    {"kick": "8.....7.9.......", "snare": "....9.......8...", "ride": "8.6.8.6.7.6.8.6.", "crash-left": "8" + 15 * "."},
    {"kick": "9...........7...", "snare": "....8.......9...", "hi-hat": "8.6.7.6.8.6.7.6."},
    {"rack-tom-1": "9.8.7.8.........", "rack-tom-2": "........9.8.7.8.", "kick": "8" + 15 * "."},
    {"floor-tom": "9...8...7...9...", "snare": "..8...7...9.....", "hi-hat": 12 * "." + "8.7."},
)
LENGTH_S = 13.0


def strokes() -> tuple[Stroke, ...]:
    """The bars as played: up to 6 ms off the grid, of slightly uneven strength."""
    rng = np.random.default_rng(7)
    out = [
        Stroke(
            time_s=0.6 + (16 * bar + step) * STEP_S + float(rng.uniform(-0.006, 0.006)),
            instrument=name,
            strength=float(np.clip(int(mark) / 9.0 + rng.normal(0.0, 0.03), 0.1, 1.0)),
        )
        for bar, lines in enumerate(BARS)
        for name, line in lines.items()
        for step, mark in enumerate(line)
        if mark != "."
    ]
    return tuple(sorted(out, key=lambda s: s.time_s))


def short_take(folder: Path, *, rate_hz: int = 48000, number: int = 1) -> tuple[Path, DemoTruth]:
    """Five bars in the demo's room with everything that is wrong in its take `number`, written below `folder`."""
    stems, truth = render_take(TakeSpec(number=number, rate_hz=rate_hz, strokes=strokes(), length_s=LENGTH_S))
    return write_take(folder, stems, truth), truth


@dataclass(frozen=True)
class MeasuredTake:
    """A take with its truth, as it lay there before and after it was measured, and what was found."""

    folder: Path
    truth: DemoTruth
    before: Mapping[str, str]
    after: Mapping[str, str]
    result: Result

    @property
    def roles(self) -> dict[str, str]:
        """Role by file."""
        return {file: role for role, file in self.truth.files.items()}


def measured_take(folder: Path) -> MeasuredTake:
    """The short take at 44.1 kHz, measured in this process."""
    take, truth = short_take(folder, rate_hz=44100)
    before = fingerprint(take)
    with ThreadPoolExecutor(1) as executor:
        result = measure_take(take, executor, strict=True)
    return MeasuredTake(take, truth, before, fingerprint(take), result)


LATE_S = 0.003  # a metre between the drums


def strokes_take(
    folder: Path, files: Mapping[str, Sequence[float]], *, seconds: float = 3.0, rate_hz: int = 44100
) -> Path:
    """A folder of mono files, each with strokes of its own at the given times.

    The others' strokes are heard there too, 26 dB softer and a metre later, or 10 dB softer where a file has none.
    """
    folder.mkdir(parents=True)
    for i, (name, times) in enumerate(files.items()):
        wave = np.zeros(round(seconds * rate_hz))
        for k, (other, struck) in enumerate(files.items()):
            late, peak_dbfs = (0.0, -6.0) if other == name else (LATE_S, -32.0 if times else -16.0)
            wave += synth.strokes(
                [t + late for t in struck], seconds=seconds, hz=90.0 * 2.1**k, peak_dbfs=peak_dbfs,
                rng=np.random.default_rng(k), rate_hz=rate_hz,
            )  # fmt: skip
        wave += synth.room_tone(seconds, -75.0, np.random.default_rng(50 + i), rate_hz)
        sf.write(folder / name, np.clip(wave, -0.99, 0.99), rate_hz, subtype="PCM_24")
    return folder


def alter(path: Path) -> None:
    """Change one sample of a mono file, and nothing about its length."""
    samples, rate = sf.read(path)
    samples[1000] += 0.25
    sf.write(path, samples, rate, subtype="PCM_24")


def fingerprint(folder: Path) -> dict[str, str]:
    """Name and SHA-256 of everything below a folder, and when it was last written to."""
    return {
        str(p.relative_to(folder)): f"{hashlib.sha256(p.read_bytes()).hexdigest()} {p.stat().st_mtime_ns}"
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }
