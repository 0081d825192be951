"""Faults of the time base and of the files: clocks, lost samples, moved mics, headers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from injectors import Damage, Scene, Signal, changed, peak
from scipy.ndimage import map_coordinates, spline_filter1d
from scipy.signal import butter, resample_poly, sosfiltfilt

LISTED_TIMES = 3  # places a fault of single moments is put at


def warped(x: Signal, late_samples: Signal) -> Signal:
    """The channel read late by as many samples as given for each, (n,) both: cubic splines, silence outside."""
    coefficients = spline_filter1d(x, order=3, mode="mirror")
    at = np.arange(len(x)) - late_samples
    return np.asarray(map_coordinates(coefficients, at[None], order=3, mode="constant", prefilter=False))


def clock_drift(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A recorder of its own, whose clock makes it ever later by `amount` ppm."""
    return changed(role, warped(scene.stems[role], np.arange(scene.n) * amount * 1e-6), amount)


def moved_mic(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A stand slips half-way, within 0.4 s, by `amount` ms of path."""
    return _moving(scene, role, amount, 0.4)


def creeping_mic(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A boom sinks through a quarter of the take, and then stays."""
    return _moving(scene, role, amount, scene.n / scene.rate_hz / 4.0)


def _moving(scene: Scene, role: str, amount: float, within_s: float) -> Damage:
    start = 0.5 * scene.n - 0.5 * within_s * scene.rate_hz
    ramp = np.clip((np.arange(scene.n) - start) / (within_s * scene.rate_hz), 0.0, 1.0)
    return changed(role, warped(scene.stems[role], ramp * amount * 1e-3 * scene.rate_hz), amount)


def uneven_edit(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """From half-way on one channel comes `amount` ms early: cut and closed up in it alone, with a crossfade."""
    x, at, n = scene.stems[role], scene.n // 2, round(amount * 1e-3 * scene.rate_hz)
    fade = np.clip((np.arange(scene.n) - at) / (0.01 * scene.rate_hz), 0.0, 1.0)
    return changed(role, (1.0 - fade) * x + fade * np.concatenate([x[n:], x[-n:][::-1]]), -amount)


def knocked_mic(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A stick hits the mic half-way: a bang of `amount` of full scale, then 0.3 ms further off and 2 dB softer."""
    moved = _moving(scene, role, 0.3, 0.02).stems[role]
    moved[scene.n // 2 :] *= 0.8
    n = round(0.12 * scene.rate_hz)
    t = np.arange(n) / scene.rate_hz
    bang = rng.standard_normal(n) * np.exp(-t / 0.006) + 1.5 * np.sin(2 * np.pi * 85.0 * t) * np.exp(-t / 0.035)
    moved[scene.n // 2 : scene.n // 2 + n] += amount * bang / peak(bang)
    return changed(role, np.clip(moved, -0.999, 0.999))


# --------------------------------------------------------------------------------------------- lost samples
def dropout(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """`amount` ms of zeros, three times, 15 ms into a stroke."""
    at, x = _moments(scene, role, rng), scene.stems[role].copy()
    for t in at:
        x[round(t * scene.rate_hz) : round((t + amount * 1e-3) * scene.rate_hz)] = 0.0
    return changed(role, x, at[0])


def dropout_held(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """The last sample held for `amount` ms."""
    at, x = _moments(scene, role, rng), scene.stems[role].copy()
    for t in at:
        i = round(t * scene.rate_hz)
        x[i : round(i + amount * 1e-3 * scene.rate_hz)] = x[i]
    return changed(role, x, at[0])


def dropout_jump(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """`amount` ms missing in one channel, three times; a quarter of a second later it is in step again."""
    at, x = _moments(scene, role, rng), scene.stems[role].copy()
    for t in at:
        i, gap, n = round(t * scene.rate_hz), round(amount * 1e-3 * scene.rate_hz), round(0.25 * scene.rate_hz)
        x[i : i + n - gap] = x[i + gap : i + n].copy()
    return changed(role, x, at[0])


def _moments(scene: Scene, role: str, rng: np.random.Generator) -> list[float]:
    hits = [t for t in scene.own_hits_s(role) if t < scene.n / scene.rate_hz - 0.6]
    chosen = rng.choice(len(hits), min(LISTED_TIMES, len(hits)), replace=False)
    return sorted(hits[int(k)] + 0.015 for k in chosen)


def skip(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """`amount` ms lost in every channel at the same sample, half-way."""
    at, n = scene.n // 2, round(amount * 1e-3 * scene.rate_hz)
    stems = {r: np.concatenate([x[:at], x[at + n :], np.zeros(n)]) for r, x in scene.stems.items()}
    for r, x in stems.items():  # a tail of zeros would be a fault of its own
        x[-n:] = scene.stems[r][-2 * n : -n][::-1]
    return Damage(roles=tuple(stems), stems=stems, value=at / scene.rate_hz)


def clock_slips(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A second box without a common clock: its channels creep by one sample and snap back, `amount` times a second."""
    group = tuple(r for r in scene.stems if r.startswith(role))
    phase = np.arange(scene.n) * amount / scene.rate_hz
    saw = phase - np.floor(phase)
    return Damage(roles=group, stems={r: warped(scene.stems[r], saw) for r in group}, value=None)


def ending_cut(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Every channel stopped `amount` s early, into the last ring."""
    n = scene.n - round(amount * scene.rate_hz)
    return Damage(roles=tuple(scene.stems), stems={r: x[:n] for r, x in scene.stems.items()})


# ---------------------------------------------------------------------------------------------------- files
def lossy_origin(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Everything above `amount` kHz taken away with a wall, as a lossy convenience copy leaves it."""
    sos = butter(24, amount * 1e3, fs=scene.rate_hz, output="sos")
    return changed(role, sosfiltfilt(sos, scene.stems[role]))


def other_rate(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Exported at another rate than the rest."""
    rate_hz = 48000 if scene.rate_hz == 44100 else 44100
    up, down = (160, 147) if (rate_hz, scene.rate_hz) == (48000, 44100) else (147, 160 * scene.rate_hz // 48000)
    return Damage(roles=(role,), stems={role: resample_poly(scene.stems[role], up, down)}, rate_hz={role: rate_hz})


def other_depth(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """Exported with 16 bits where the rest has 24."""
    return Damage(roles=(role,), stems={role: scene.stems[role]}, subtype={role: "PCM_16"})


def too_short(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """One file ends `amount` s before the others."""
    n = scene.n - round(amount * scene.rate_hz)
    return changed(role, scene.stems[role][:n], -amount)


def starts_late(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """One file lacks its first `amount` s, and so runs ahead of the others."""
    return changed(role, scene.stems[role][round(amount * scene.rate_hz) :], -amount)


def truncated(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A transfer broken off: the last `amount` s of the file are missing, and the header does not know."""

    def cut(path: Path) -> None:
        data = path.read_bytes()
        path.write_bytes(data[: len(data) - 3 * round(amount * scene.rate_hz)])

    return Damage(roles=(role,), stems={role: scene.stems[role]}, spoil={role: cut}, value=amount)


def unreadable(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A file of noise where a recording was."""
    noise = rng.bytes(50_000)
    return Damage(roles=(role,), stems={role: scene.stems[role]}, spoil={role: lambda path: _overwrite(path, noise)})


def empty_file(scene: Scene, role: str, amount: float, rng: np.random.Generator) -> Damage:
    """A file of no bytes at all."""
    return Damage(roles=(role,), stems={role: scene.stems[role]}, spoil={role: lambda path: _overwrite(path, b"")})


def _overwrite(path: Path, data: bytes) -> None:
    path.write_bytes(data)
