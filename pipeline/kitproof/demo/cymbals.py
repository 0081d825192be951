"""Cymbals and hats: many inharmonic plate modes, noise, and a stick.

Signals are sound pressure at 1 m above the plate. By thin-plate theory there are about as many modes in every
hertz of bandwidth, far too many to hear singly; their phases after a stroke are as good as random, so the attack
looks like noise. After a hard stroke energy climbs from the low modes to the high ones within some ten
milliseconds. Levels, decays and rises are own choices, set so that single strokes look like miked ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from kitproof.demo.scenario import Cymbal
from kitproof.model import FloatArray

GROUPS_PER_BAND = 2  # strokes weigh the groups anew, so no two strokes sound the same modes
LN10 = float(np.log(10.0))
CUT_DB = 75.0  # a group is followed until it has fallen this far


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateGroup:
    """The sum of some modes of one band, (n,) float32, RMS 1 at the start, before the rise."""

    band: int
    ringing: NDArray[np.float32]


def plate_groups(cymbal: Cymbal, rng: np.random.Generator, rate_hz: int) -> tuple[PlateGroup, ...]:
    """All mode groups of a plate; `rng` decides its modes, so it belongs to the kit, not to the stroke."""
    groups = []
    for band, n_modes in enumerate(cymbal.n_modes):
        low, high = cymbal.edges_hz[band], min(cymbal.edges_hz[band + 1], 0.45 * rate_hz)
        for _ in range(GROUPS_PER_BAND):
            hz = rng.uniform(low, high, n_modes)
            decay_s = cymbal.decay_ms[band] / 1e3 * np.exp(rng.normal(0.0, 0.18, n_modes))
            amplitude = rng.rayleigh(1.0, n_modes)
            if cymbal.ping_db and low < 3000.0 <= high:
                amplitude[:3] *= 10.0 ** (cymbal.ping_db / 20.0)
            start = amplitude * np.exp(2j * np.pi * rng.random(n_modes))
            n = int(cymbal.decay_ms[band] / 1e3 * CUT_DB / 20.0 * rate_hz)
            ringing = modal_sum(start / np.sqrt(0.5 * np.sum(amplitude**2)), hz, LN10 / decay_s, n, rate_hz)
            groups.append(PlateGroup(band=band, ringing=ringing))
    return tuple(groups)


def modal_sum(
    start: NDArray[np.complex128], hz: FloatArray, damping_per_s: FloatArray, n: int, rate_hz: int
) -> NDArray[np.float32]:
    """Real part of sum_k start_k exp((-damping_k + 2 pi i f_k) t), (n,).

    Written as one matrix product: t is a coarse step plus a fine step, and the exponential of a sum is a
    product. That needs 2 sqrt(n) exponentials per mode instead of n.
    """
    step = int(np.ceil(np.sqrt(n)))
    z = (-damping_per_s + 2j * np.pi * hz) / rate_hz
    coarse = np.exp(np.outer(np.arange(step) * step, z)).astype(np.complex64)
    fine = (start[:, None] * np.exp(np.outer(z, np.arange(step)))).astype(np.complex64)
    return np.ascontiguousarray((coarse @ fine).real.ravel()[:n], dtype=np.float32)


def strike_cymbal(
    cymbal: Cymbal,
    groups: tuple[PlateGroup, ...],
    strength: float,
    rng: np.random.Generator,
    rate_hz: int,
    choke_s: float | None = None,
) -> FloatArray:
    """One stroke, (n,), level as the cymbal's, unscaled."""
    out = np.zeros(max(len(g.ringing) for g in groups), dtype=np.float32)
    darker_db = (1.0 - strength) * np.array([0.0, 0.0, 2.0, 5.0, 9.0])
    for group in groups:
        level_db = cymbal.level_db[group.band] - darker_db[group.band] + rng.normal(0.0, 1.5)
        # A hard stroke hands energy upwards faster and further than a soft one.
        rise_s = cymbal.rise_ms[group.band] / 1e3 * (1.5 - 0.5 * strength)
        _add_risen(out, group.ringing, 10.0 ** (level_db / 20.0) / np.sqrt(GROUPS_PER_BAND), rise_s, rate_hz)
    _add_noise(out, cymbal, float(darker_db[4]), rng, rate_hz)
    _add_click(out, cymbal, strength, rng, rate_hz)
    if cymbal.pedal_spread:  # the foot holds closed hats now tighter, now looser
        quicker = max(float(rng.normal(0.0, cymbal.pedal_spread)), -0.3) * LN10 / (cymbal.decay_ms[2] / 1e3)
        out *= np.exp(np.float32(-quicker / rate_hz) * np.arange(len(out), dtype=np.float32))
    if choke_s is not None:
        t = np.arange(len(out), dtype=np.float32) / rate_hz
        out *= np.exp(-np.maximum(t - choke_s, 0.0) / 0.012)
        out = out[: int((choke_s + 0.15) * rate_hz)]
    return np.asarray(out * np.float32(10.0 ** (-cymbal.range_db * (1.0 - strength) / 20.0)))


def _add_risen(
    out: NDArray[np.float32], ringing: NDArray[np.float32], gain: float, rise_s: float, rate_hz: int
) -> None:
    """Add `ringing`, faded in over `rise_s`; after eight time constants the fade is 1 and is left out."""
    n = len(ringing)
    head = min(int(8 * rise_s * rate_hz) + 1, n)
    fade = 1.0 - np.exp(-np.arange(head, dtype=np.float32) / np.float32(rise_s * rate_hz))
    out[:head] += np.float32(gain) * fade * ringing[:head]
    out[head:n] += np.float32(gain) * ringing[head:]


def _add_noise(
    out: NDArray[np.float32], cymbal: Cymbal, darker_db: float, rng: np.random.Generator, rate_hz: int
) -> None:
    """The modes too dense to count: high-passed noise that decays like the fourth band."""
    decay_s, rise_s = cymbal.decay_ms[3] / 1e3, cymbal.rise_ms[3] / 1e3
    n = min(int(decay_s * 3.0 * rate_hz), len(out))
    t = np.arange(n, dtype=np.float32) / np.float32(rate_hz)
    high = butter(1, 4500.0, btype="highpass", fs=rate_hz, output="sos")
    noise = sosfilt(high, rng.standard_normal(n, dtype=np.float32)).astype(np.float32)
    gain = 10.0 ** ((cymbal.noise_db - 0.6 * darker_db) / 20.0)
    out[:n] += (
        np.float32(gain) * noise * (1.0 - np.exp(-t / np.float32(rise_s))) * np.exp(-t * np.float32(LN10 / decay_s))
    )


def _add_click(
    out: NDArray[np.float32], cymbal: Cymbal, strength: float, rng: np.random.Generator, rate_hz: int
) -> None:
    """Wood on metal: a burst of a few milliseconds between 2 and 9 kHz."""
    t = np.arange(int(0.012 * rate_hz)) / rate_hz
    band = butter(2, [1800.0, 9000.0], btype="bandpass", fs=rate_hz, output="sos")
    burst = sosfilt(band, rng.standard_normal(len(t))) * (1.0 - np.exp(-t / 1.5e-4)) * np.exp(-t / 0.0016)
    gain = 10.0 ** (cymbal.click_db / 20.0) * (0.4 + 0.6 * strength) * 4.0
    out[: len(t)] += (gain * burst / np.max(np.abs(burst))).astype(np.float32)
