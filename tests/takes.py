"""Takes as folders, small and of a known truth, for the tests of the whole run.

folder, truth = takes.short_take(tmp_path)      # thirteen seconds of the modelled kit, every drum a few times
takes.strokes_take(tmp_path / "x", {"kick.wav": [0.5, 1.0], "sn top.wav": [0.75, 1.25]})
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import soundfile as sf

import synth
from kitproof.demo import DemoTruth, Stroke, TakeSpec, render_take, write_take

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


def strokes_take(
    folder: Path,
    files: Mapping[str, Sequence[float]],
    *,
    seconds: float = 3.0,
    rate_hz: int = 44100,
    bleed: float = 0.05,
) -> Path:
    """A folder of mono files, each with strokes of its own at the given times and a little of all the others'."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(3)
    hz = {name: 90.0 * 1.7**i for i, name in enumerate(files)}
    alone = {
        name: synth.strokes(times, seconds=seconds, hz=hz[name], rng=rng, rate_hz=rate_hz)
        for name, times in files.items()
    }
    everybody = np.sum(list(alone.values()), axis=0)
    for name, wave in alone.items():
        heard = wave + bleed * (everybody - wave) + synth.room_tone(seconds, -75.0, rng, rate_hz)
        sf.write(folder / name, np.clip(heard, -0.99, 0.99), rate_hz, subtype="PCM_24")
    return folder


def fingerprint(folder: Path) -> dict[str, str]:
    """Name and SHA-256 of everything below a folder, and when it was last written to."""
    return {
        str(p.relative_to(folder)): f"{hashlib.sha256(p.read_bytes()).hexdigest()} {p.stat().st_mtime_ns}"
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }
