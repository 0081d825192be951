"""Decibels, time and distance: the few conversions everything shares.

Conventions, kept in the whole package: audio is float, full scale 1.0; dBFS is relative to an
amplitude of 1.0, so a full-scale sine has an RMS of -3.01 dBFS (AES17 would write 0 dB FS).
Silence has no level: where a level of nothing would be minus infinity, it is None.
"""

from __future__ import annotations

import math

ABSOLUTE_ZERO_C = -273.15


def amplitude_to_db(amplitude: float) -> float | None:
    """20 log10 of an amplitude >= 0; None for zero."""
    return 20.0 * math.log10(amplitude) if amplitude > 0.0 else None


def power_to_db(power: float) -> float | None:
    """10 log10 of a power >= 0; None for zero."""
    return 10.0 * math.log10(power) if power > 0.0 else None


def db_to_amplitude(db: float) -> float:
    """Amplitude ratio of a level in dB."""
    return float(10.0 ** (db / 20.0))


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in dry air, m/s: 331.3 sqrt(1 + T/273.15), the usual ideal-gas form.

    Range -30 to 50 degrees C. Humidity raises it by up to 0.4 % at 20 C, which is not modelled.
    """
    return 331.3 * math.sqrt(1.0 + temperature_c / -ABSOLUTE_ZERO_C)


def ms_to_cm(delay_ms: float, temperature_c: float) -> float:
    """Path difference in cm that a delay in ms stands for."""
    return delay_ms * speed_of_sound_m_s(temperature_c) / 10.0
