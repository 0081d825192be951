#!/usr/bin/env python3
"""Time and memory of kitproof on a synthetic take, against the plainest readers of the same files.

    bench.py [--quick] [--keep FOLDER]

Writes a take of 14 mics (48 kHz, 24 bits, four minutes; half a minute with --quick) into a temporary
folder, and prints for each step its seconds, its share of real time, its ratio to the ffmpeg pass, and
its peak memory:

    decode      every sample read in blocks and thrown away, two processes: nothing can be faster
    ffmpeg      loudness and true peak of each file by ffmpeg's ebur128 filter, two files at a time:
                the yardstick, as it looks at every sample once
    measure     `kitproof measure`
    report      `kitproof report`: the same and the PDF

All steps find the files in the system's cache, since they have just been written. Memory is that of the
whole tree of processes, shared pages counted once (PSS), sampled every 0.1 s; Linux only.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import platform
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import soundfile as sf

RATE_HZ = 48000
TEMPO_BPM = 104.0
BEAT_S = 60.0 / TEMPO_BPM
TILE_BEATS = 16
N_WORKERS = 2
SAMPLING_S = 0.1
BLOCK_FRAMES = 65536
KITPROOF = Path(sys.executable).with_name("kitproof")

# drum -> beats of the tile on which it is struck
GROOVE: dict[str, tuple[float, ...]] = {
    "kick": (0, 2.5, 4, 6.5, 8, 10.5, 12),
    "snare": (1, 3, 5, 7, 9, 11, 13),
    "hi-hat": tuple(x / 2 for x in range(26)),
    "rack-tom-1": (14, 14.25),
    "rack-tom-2": (14.5, 14.75),
    "rack-tom-3": (15, 15.25),
    "floor-tom": (15.5, 15.75),
    "ride": (13.5,),
}
# drum -> tone in Hz, decay of the tone in s, share of noise, decay of the noise in s
VOICES: dict[str, tuple[float, float, float, float]] = {
    "kick": (58.0, 0.09, 0.10, 0.004),
    "snare": (190.0, 0.06, 0.60, 0.07),
    "hi-hat": (7000.0, 0.01, 0.90, 0.03),
    "rack-tom-1": (150.0, 0.15, 0.10, 0.01),
    "rack-tom-2": (120.0, 0.17, 0.10, 0.01),
    "rack-tom-3": (100.0, 0.19, 0.10, 0.01),
    "floor-tom": (75.0, 0.22, 0.10, 0.01),
    "ride": (5200.0, 0.30, 0.50, 0.25),
}
# role -> the drum it stands at (None: it hears all alike), and its distance to the kit's middle in metres
MICS: dict[str, tuple[str | None, float]] = {
    "kick-in": ("kick", 0.8), "kick-out": ("kick", 1.1),
    "snare-top": ("snare", 0.7), "snare-bottom": ("snare", 0.8), "hi-hat": ("hi-hat", 0.9),
    "rack-tom-1": ("rack-tom-1", 0.6), "rack-tom-2": ("rack-tom-2", 0.6), "rack-tom-3": ("rack-tom-3", 0.7),
    "floor-tom": ("floor-tom", 0.9), "ride": ("ride", 0.9),
    "overhead-left": (None, 1.2), "overhead-right": (None, 1.2), "room-left": (None, 4.0), "room-right": (None, 4.3),
}  # fmt: skip
BLEED_GAIN = 0.08  # -22 dB, a usual distance between own drum and bleed
NOISE_RMS = 1e-4  # -80 dBFS


# ---------------------------------------------------------------- the take
def stroke(drum: str, rng: np.random.Generator) -> np.ndarray:
    """One stroke of a drum, shape (n,), peak 0.4."""
    tone_hz, tone_s, noise_share, noise_s = VOICES[drum]
    t = np.arange(int(1.0 * RATE_HZ)) / RATE_HZ
    tone = np.sin(2 * np.pi * tone_hz * t) * np.exp(-t / tone_s)
    noise = rng.uniform(-1.0, 1.0, t.size) * np.exp(-t / noise_s)
    sound = (1 - noise_share) * tone + noise_share * noise
    return np.asarray(0.4 * sound / np.abs(sound).max())


def tile(role: str, strokes: dict[str, np.ndarray]) -> np.ndarray:
    """Four bars as one mic hears them, shape (n,), float32; what rings on at the end comes in at the start."""
    own, distance_m = MICS[role]
    n = round(TILE_BEATS * BEAT_S * RATE_HZ)
    heard = np.zeros(n)
    for drum, beats in GROOVE.items():
        near = drum == own
        gain = 1.0 if near else 0.3 if own is None else BLEED_GAIN
        delay_s = 0.0 if near else distance_m / 343.0
        sound = gain * strokes[drum]
        for beat in beats:
            start = round((beat * BEAT_S + delay_s) * RATE_HZ)
            np.add.at(heard, np.arange(start, start + sound.size) % n, sound)
    return heard.astype(np.float32)


def write_take(folder: Path, duration_s: float) -> list[Path]:
    """Write the take, always the same samples; each round of four bars is played a little harder or softer."""
    rng = np.random.default_rng(14)
    strokes = {drum: stroke(drum, rng) for drum in GROOVE}
    n_frames = round(duration_s * RATE_HZ)
    n_tile = round(TILE_BEATS * BEAT_S * RATE_HZ)
    gains = 10 ** (rng.uniform(-2.0, 2.0, -(-n_frames // n_tile)) / 20)
    folder.mkdir(parents=True)
    paths = []
    for i, role in enumerate(MICS):
        sound = tile(role, strokes)
        path = folder / f"{i + 1:02d} {role}.wav"
        with sf.SoundFile(path, "w", RATE_HZ, 1, "PCM_24") as stem:
            for round_n, gain in enumerate(gains):
                part = sound[: n_frames - round_n * n_tile]
                stem.write(part * gain + NOISE_RMS * rng.standard_normal(part.size, dtype=np.float32))
        paths.append(path)
    channels = "".join(f'\n[[channel]]\nfile = "{p.name}"\nrole = "{r}"\n' for p, r in zip(paths, MICS, strict=True))
    (folder / "take.toml").write_text(f"[take]\nsong = 'Tidewall'\nnumber = 1\ntempo_bpm = {TEMPO_BPM}\n{channels}")
    return paths


# ---------------------------------------------------------------- the steps
def decode(path: Path) -> int:
    """Read one file in blocks; returns the frames read."""
    return sum(len(block) for block in sf.blocks(path, BLOCK_FRAMES, dtype="float64"))


def ffmpeg_pass(path: Path) -> None:
    """Loudness and true peak of one file by ffmpeg."""
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-nostdin", "-i", str(path)]
    command += ["-af", "ebur128=peak=true", "-f", "null", "-"]
    subprocess.run(command, check=True, stdin=subprocess.DEVNULL, capture_output=True)


def kitproof(arguments: list[str], result: Path) -> None:
    """Run the installed command; it must end with 0 or 1 and leave `result` (a file, or a folder with a PDF)."""
    done = subprocess.run([str(KITPROOF), *arguments], stdin=subprocess.DEVNULL, capture_output=True, text=True)
    written = result.is_file() or any(result.rglob("*.pdf"))
    if done.returncode not in (0, 1) or not written:
        said = (done.stderr.strip() or done.stdout.strip() or "nothing").splitlines()[-1]
        raise RuntimeError(f"kitproof {arguments[0]} ended with status {done.returncode}, said: {said}")


# ---------------------------------------------------------------- time and memory
@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What one step took."""

    seconds: float
    peak_bytes: int | None  # None where the system does not tell


def descendants(pid: int) -> Iterator[int]:
    """All processes below `pid`, as the kernel lists them."""
    for children in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):  # a thread or process may end while it is looked at
            for child in map(int, children.read_text().split()):
                yield child
                yield from descendants(child)


def memory_bytes(pid: int) -> int:
    """Proportional set size of one process; 0 once it has ended."""
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                return 1024 * int(line.split()[1])
    return 0


def cost_of(step: Callable[[], object]) -> Cost:
    """Run a step and watch the processes below this one meanwhile."""
    done = threading.Event()
    peak_bytes = 0

    def watch() -> None:
        nonlocal peak_bytes
        while True:
            peak_bytes = max(peak_bytes, sum(map(memory_bytes, descendants(os.getpid()))))
            if done.wait(SAMPLING_S):
                return

    watcher = threading.Thread(target=watch)
    watcher.start()
    start = time.perf_counter()
    try:
        step()
        seconds = time.perf_counter() - start
    finally:
        done.set()
        watcher.join()
    return Cost(seconds=seconds, peak_bytes=peak_bytes or None)


def decode_all(paths: list[Path]) -> Cost:
    """The bare decoding, without the time that the two processes take to start."""
    with ProcessPoolExecutor(N_WORKERS, mp_context=get_context("spawn")) as pool:
        list(pool.map(decode, paths))  # starts the processes
        return cost_of(lambda: list(pool.map(decode, paths)))


def ffmpeg_all(paths: list[Path]) -> Cost:
    """The ffmpeg pass over all files."""
    with ThreadPoolExecutor(N_WORKERS) as pool:
        return cost_of(lambda: list(pool.map(ffmpeg_pass, paths)))


# ---------------------------------------------------------------- the table
def line(name: str, cost: Cost, yardstick: Cost, duration_s: float) -> str:
    """One line of the table."""
    memory = "n/a" if cost.peak_bytes is None else f"{cost.peak_bytes / 1e6:.0f}"
    return (
        f"{name:<32}{cost.seconds:>9.2f}{cost.seconds / duration_s:>13.3f}"
        f"{cost.seconds / yardstick.seconds:>11.2f}{memory:>12}"
    )


def bench(folder: Path, duration_s: float) -> int:
    """All steps, in order; returns the exit status."""
    start = time.perf_counter()
    take = folder / "take"
    paths = write_take(take, duration_s)
    size_mb = sum(path.stat().st_size for path in paths) / 1e6
    print(f"Take: {len(paths)} channels, {duration_s:.0f} s, {RATE_HZ} Hz, 24 bits, {size_mb:.0f} MB,", end=" ")
    print(f"written in {time.perf_counter() - start:.1f} s")
    print(f"On: {os.cpu_count()} cores, {platform.system()}, Python {platform.python_version()},", end=" ")
    print(f"numpy {np.__version__}, ffmpeg {imageio_ffmpeg.get_ffmpeg_version()}\n")
    print(f"{'':<32}{'seconds':>9}{'of the take':>13}{'of ffmpeg':>11}{'memory, MB':>12}", flush=True)

    decoding = decode_all(paths)
    yardstick = ffmpeg_all(paths)
    print(line("decode, 2 processes", decoding, yardstick, duration_s))
    print(line("ffmpeg ebur128, 2 at a time", yardstick, yardstick, duration_s), flush=True)
    json, out = folder / "measurements.json", folder / "report"
    status = 0
    for name, arguments, result in (
        ("kitproof measure", ["measure", str(take), "--json", str(json)], json),
        ("kitproof report", ["report", str(take), "-o", str(out)], out),
    ):
        try:
            cost = cost_of(partial(kitproof, arguments, result))
        except RuntimeError as error:
            print(f"{name:<32}failed: {error}", flush=True)
            status = 1
        else:
            print(line(name, cost, yardstick, duration_s), flush=True)
    return status


def main() -> int:
    """Read the arguments and run; returns the exit status."""
    parser = argparse.ArgumentParser(description="Time and memory of kitproof on a synthetic take.")
    parser.add_argument("--quick", action="store_true", help="half a minute of audio instead of four minutes")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="write into this new folder and leave it there")
    arguments = parser.parse_args()
    duration_s = 30.0 if arguments.quick else 240.0
    if arguments.keep:
        return bench(arguments.keep, duration_s)
    with tempfile.TemporaryDirectory(prefix="kitproof-bench-") as folder:
        return bench(Path(folder), duration_s)


if __name__ == "__main__":
    sys.exit(main())
