"""From the pressure at a capsule to the samples in a file: gain, noise, overload, hum, inversion.

Conventions: levels in dBFS re amplitude 1.0; noise as RMS, hum and ceilings as peak amplitude.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from kitproof.model import FloatArray
from kitproof.units import db_to_amplitude

CEILING_DBFS = -4.0  # where the preamp's output stage ends, below the converter's full scale
LOWER_SIDE = 0.985  # the negative side ends a little earlier, as real stages do
COUPLING_HZ = 1.5  # AC coupling after the stage: a flat top comes out slightly tilted
CONVERTER_NOISE_DBFS = -100.0
MAINS_HZ = 50.0
HUM_HARMONICS_DB = {1: 0.0, 2: -7.0, 3: -4.0, 5: -11.0, 7: -17.0}


def room_tone(n: int, rms_dbfs: float, rng: np.random.Generator, rate_hz: int) -> FloatArray:
    """Noise of a quiet room and a microphone: falling above 400 Hz, then flat; RMS exactly as asked."""
    white = rng.standard_normal(n, dtype=np.float32).astype(np.float64)
    pole = float(np.exp(-2 * np.pi * 400.0 / rate_hz))
    noise = lfilter([1.0 - pole], [1.0, -pole], white) + 0.06 * white
    return np.asarray(noise * (db_to_amplitude(rms_dbfs) / np.sqrt(np.mean(noise**2))))


def overload(x: FloatArray, rng: np.random.Generator, rate_hz: int) -> FloatArray:
    """A stage that ends at CEILING_DBFS, AC-coupled into a converter with a little noise of its own."""
    ceiling = db_to_amplitude(CEILING_DBFS)
    pole = float(np.exp(-2 * np.pi * COUPLING_HZ / rate_hz))
    coupled = lfilter([1.0, -1.0], [1.0, -pole], np.clip(x, -LOWER_SIDE * ceiling, ceiling))
    return np.asarray(coupled + db_to_amplitude(CONVERTER_NOISE_DBFS) * rng.standard_normal(len(x)))


def hum(n: int, fundamental_dbfs: float, rng: np.random.Generator, rate_hz: int) -> FloatArray:
    """Mains tone and harmonics; the fundamental's peak amplitude is as asked."""
    t = np.arange(n) / rate_hz
    out = np.zeros(n)
    for order, below_db in HUM_HARMONICS_DB.items():
        phase = float(rng.uniform(0.0, 2 * np.pi))
        out += db_to_amplitude(fundamental_dbfs + below_db) * np.sin(2 * np.pi * MAINS_HZ * order * t + phase)
    return out
