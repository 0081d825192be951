"""Drums with two heads: a struck head, the air it pushes, the other head, and snare wires.

Signals are sound pressure at 1 m from one head, positive while the head accelerates downwards (into the
shell for the struck head, out of it for the other). Which sign that gives at a mic is the business of paths.py.

Model
-----
- Each mode of a circular membrane swings at j_mn times a common speed (Rossing, Science of Percussion
  Instruments), slowed by the air it carries along: by potential flow, a standing wave of wavenumber k drags an
  air mass of density/k per side and area. The low modes are slowed most, so ratios are not the textbook's.
- The lowest mode is split by the air between the heads, which acts as a spring: two coupled oscillators.
- Sound is the acceleration of the head: with a contact pulse p(t), the derivative of p convolved with the sum
  of decaying cosines. Before the head swings back, what is heard first is the stroke itself.
- Strong strokes stretch the head: the pitch starts high and glides down. Own choice of size.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.signal import butter, lfilter, oaconvolve, sosfilt
from scipy.special import jn_zeros, jv

from kitproof.demo.scenario import Shell
from kitproof.model import FloatArray

N_MODES = 26
UNEVEN_LUGS = 0.02  # spread of the higher modes about their place, as no head is tuned evenly
AIR_DENSITY_KG_M3 = 1.2
AIR_STIFFNESS_PA = 1.42e5  # density times speed of sound squared
LN10 = float(np.log(10.0))
# How much a mode with m node diameters is heard, against m = 0: its halves cancel at a distance.
HEARD_BY_DIAMETERS = np.array([1.0, 0.62, 0.46, 0.36, 0.30, 0.25, 0.21, 0.18, 0.16, 0.14, 0.13, 0.12, 0.11])


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadModes:
    """Modes of one drum: (n,) arrays, the two split lowest ones first."""

    diameters: FloatArray  # m
    bessel_zero: FloatArray  # j_mn
    hz: FloatArray
    damping_per_s: FloatArray
    batter_share: FloatArray  # how much of a blow to the struck head shows in it
    front_share: FloatArray  # the same in the other head; sums to 0: it starts at rest


@dataclass(frozen=True, slots=True, kw_only=True)
class ShellHit:
    """One stroke: pressure at 1 m from the struck head and from the other head, (n,) each."""

    batter: FloatArray
    front: FloatArray


@cache
def membrane_zeros(n: int) -> tuple[tuple[int, float], ...]:
    """The n lowest modes of an ideal circular membrane as (node diameters, Bessel zero), lowest first."""
    table = [(m, float(z)) for m in range(len(HEARD_BY_DIAMETERS)) for z in jn_zeros(m, 8)]
    return tuple(sorted(table, key=lambda row: row[1])[:n])


def air_slowing(bessel_zero: FloatArray, radius_m: float, area_mass_kg_m2: float) -> FloatArray:
    """Factor below 1 by which the air on both sides slows each mode."""
    air_mass = 2.0 * AIR_DENSITY_KG_M3 * radius_m / bessel_zero
    return np.asarray(1.0 / np.sqrt(1.0 + air_mass / area_mass_kg_m2))


def head_modes(shell: Shell, f01_hz: float, rng: np.random.Generator) -> HeadModes:
    """Frequencies, damping and shares of all modes of a drum tuned to `f01_hz`; `rng` makes its lugs uneven."""
    m, zero = (np.array(column) for column in zip(*membrane_zeros(N_MODES), strict=True))
    slowing = air_slowing(zero, shell.radius_m, shell.area_mass_kg_m2)
    hz = f01_hz * (zero / zero[0]) * (slowing / slowing[0])
    split_hz, batter, front = _split_lowest(shell, f01_hz)
    uneven = np.exp(rng.normal(0.0, UNEVEN_LUGS, len(hz) - 1))
    hz = np.concatenate([split_hz, hz[1:] * uneven])
    damping = LN10 / (shell.decay_ms / 1e3) * (hz / hz[0]) ** shell.decay_slope
    damping[1] *= 1.4  # both heads push air outwards together: it radiates, and so dies, sooner
    return HeadModes(
        diameters=np.concatenate([[0], m]),
        bessel_zero=np.concatenate([[zero[0]], zero]),
        hz=hz,
        damping_per_s=damping,
        batter_share=np.concatenate([batter, np.ones(len(hz) - 2)]),
        front_share=np.concatenate([front, np.zeros(len(hz) - 2)]),
    )


def _split_lowest(shell: Shell, f01_hz: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Two coupled oscillators: both heads in their lowest mode and the air spring between them."""
    zero = membrane_zeros(1)[0][1]
    moving_kg_m2 = shell.area_mass_kg_m2 + 2.0 * AIR_DENSITY_KG_M3 * shell.radius_m / zero
    # 4/j² is the share of the lowest mode that changes the enclosed volume.
    spring = shell.coupling * AIR_STIFFNESS_PA * (4.0 / zero**2) / (shell.depth_m * moving_kg_m2)
    batter, front = (2 * np.pi * f01_hz) ** 2, (2 * np.pi * f01_hz * shell.front_ratio) ** 2
    squares, shapes = np.linalg.eigh(np.array([[batter + spring, -spring], [-spring, front + spring]]))
    return np.sqrt(squares) / (2 * np.pi), shapes[0] ** 2, shapes[0] * shapes[1]


def strike_shell(shell: Shell, modes: HeadModes, strength: float, rng: np.random.Generator, rate_hz: int) -> ShellHit:
    """One stroke with its own place, level, contact time and noise. Level as the shell's, unscaled."""
    spot = float(np.clip(abs(rng.normal(shell.spot, 0.07)), 0.02, 0.75))
    soft_ms, hard_ms = shell.contact_ms
    contact_s = (soft_ms + (hard_ms - soft_ms) * strength) / 1e3 * float(rng.uniform(0.94, 1.06))
    ringing, front_ringing = _swing(shell, modes, strength, spot, rng, rate_hz)
    pulse = _contact_slope(contact_s, rate_hz)
    batter = oaconvolve(ringing, pulse)
    through = _low_pass(batter, shell.through_hz, rate_hz)
    front = shell.front_gain * (oaconvolve(front_ringing, pulse) + 0.55 * through)
    gain = 10.0 ** (-shell.range_db * (1.0 - strength) / 20.0)
    batter, front = gain * batter, gain * front
    click_gain = gain * 10.0 ** (shell.click_db / 20.0) * (0.35 + 0.65 * strength) * float(rng.uniform(0.8, 1.2))
    _add(batter, click_gain * _click(shell, rng, rate_hz) * _peak(batter) / gain)
    if shell.wires_db > -100.0:
        wires = _wires(front, strength, rng, rate_hz) * 10.0 ** (shell.wires_db / 20.0)
        front = front + wires
        batter = batter + 0.22 * wires
    return ShellHit(batter=batter, front=front)


def _swing(
    shell: Shell, modes: HeadModes, strength: float, spot: float, rng: np.random.Generator, rate_hz: int
) -> tuple[FloatArray, FloatArray]:
    """Velocity of both heads after a blow of no length: sums of decaying, gliding cosines."""
    drive = np.abs(jv(modes.diameters, modes.bessel_zero * spot)) * HEARD_BY_DIAMETERS[modes.diameters.astype(int)]
    drive = drive * (modes.bessel_zero / modes.bessel_zero[0]) ** -shell.overtone_fall
    drive = drive * np.exp(rng.normal(0.0, 0.16, len(drive)))
    drive[1] = drive[0]  # the halves of the split mode share one drive, so the other head starts at rest
    rise = (shell.glide[0] + (shell.glide[1] - shell.glide[0]) * strength**2) * float(rng.uniform(0.92, 1.08))
    glide_s = shell.glide_ms / 1e3
    lengths = np.ceil(8.0 / modes.damping_per_s * rate_hz).astype(int)  # down by 70 dB
    t = np.arange(lengths.max()) / rate_hz
    stretched = 2 * np.pi * (t + rise * glide_s * (1.0 - np.exp(-t / glide_s)))
    batter, front = np.zeros(len(t)), np.zeros(len(t))
    for k in np.flatnonzero(modes.hz * (1.0 + rise) < 0.45 * rate_hz):
        n = lengths[k]
        wave = drive[k] * np.cos(modes.hz[k] * stretched[:n]) * np.exp(-modes.damping_per_s[k] * t[:n])
        batter[:n] += modes.batter_share[k] * wave
        if modes.front_share[k]:
            front[:n] += modes.front_share[k] * wave
    return batter, front


def _contact_slope(contact_s: float, rate_hz: int) -> FloatArray:
    """Derivative of a smooth contact pulse of unit area, as FIR taps: first lobe positive."""
    n = max(round(contact_s * rate_hz), 8)
    phase = 2 * np.pi * (np.arange(n) + 0.5) / n
    return np.asarray(np.sin(phase) * (2 * np.pi / (contact_s**2 * rate_hz)))


def _click(shell: Shell, rng: np.random.Generator, rate_hz: int) -> FloatArray:
    """Stick or beater on the skin: a short burst of band noise, peak 1, that starts softly."""
    t = np.arange(int(6 * shell.click_ms / 1e3 * rate_hz)) / rate_hz
    band = butter(2, shell.click_hz, btype="bandpass", fs=rate_hz, output="sos")
    envelope = (1.0 - np.exp(-t / 2e-4)) * np.exp(-t / (shell.click_ms / 1e3))
    burst = sosfilt(band, rng.standard_normal(len(t))) * envelope
    return np.asarray(burst / _peak(burst))


def _wires(front: FloatArray, strength: float, rng: np.random.Generator, rate_hz: int) -> FloatArray:
    """Snare wires: noise as loud as the head under them moves, and some more."""
    driven = _low_pass(np.abs(front), 60.0, rate_hz)
    t = np.arange(len(front)) / rate_hz
    # Wires that have left the head keep slapping after it is still, longer after a hard stroke.
    slapping = (1 - np.exp(-t / 0.0025)) * np.exp(-t / (0.016 + 0.012 * strength))
    return wire_noise(len(front), rng, rate_hz) * (0.5 * driven + _peak(driven) * slapping)


def wire_noise(n: int, rng: np.random.Generator, rate_hz: int) -> FloatArray:
    """Noise of wires slapping a head, RMS 1: uneven, from about 1.5 to 9 kHz."""
    raw = rng.standard_normal(n)
    band = butter(1, [1800.0, 8000.0], btype="bandpass", fs=rate_hz, output="sos")
    noise = sosfilt(band, raw * np.abs(raw) ** 0.25)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def buzz(drive: FloatArray, rng: np.random.Generator, rate_hz: int) -> FloatArray:
    """What the snare wires answer when another drum's sound `drive` reaches them."""
    envelope = _low_pass(np.abs(drive), 25.0, rate_hz)
    return wire_noise(len(drive), rng, rate_hz) * envelope


def _low_pass(x: FloatArray, corner_hz: float, rate_hz: int) -> FloatArray:
    pole = float(np.exp(-2 * np.pi * corner_hz / rate_hz))
    return np.asarray(lfilter([1.0 - pole], [1.0, -pole], x))


def _peak(x: FloatArray) -> float:
    return float(np.max(np.abs(x), initial=0.0))


def _add(x: FloatArray, y: FloatArray) -> None:
    """Add y to the start of x in place."""
    n = min(len(x), len(y))
    x[:n] += y[:n]
