"""Spare hits, listened to once more: a cymbal struck together with a drum may have no mic and not be known as a stroke.

A cymbal rings on where a drum's attack has died away. A stroke is taken out if, in an overhead or under-cymbal mic,
above 6 kHz, the level 150 to 250 ms after it is at least 12 dB over that before it and less than 10 dB under that of
its first 50 ms. A cymbal that rang before already, or a soft one under a loud drum, is not noticed that way.

Source: own choice; the limits lie between lone strokes (rise up to 7 dB, or fall over 24 dB) and crashes (27 dB, 4 dB
up) of the modelled kit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import signal

from kitproof.ingest.audiofile import SpanReader
from kitproof.model import Channel, Measurements
from kitproof.pack.spares import Coverage

ABOVE_HZ = 6000.0
BEFORE_S, FIRST_S, LATE_S = (-0.05, -0.005), (0.0, 0.05), (0.15, 0.25)
RISE_DB, FALL_DB = 12.0, 10.0
_LEAD_S = 0.1
_ROLES = ("overhead", "overhead-left", "overhead-right", "underhead-left", "underhead-right")
_SILENCE = 1e-14


def without_cymbals(covered: Sequence[Coverage], m: Measurements, root: Path) -> tuple[Coverage, ...]:
    """The same without the strokes of drums that a ringing cymbal covers; as they are where no mic can tell."""
    rings: set[float] = set()
    times = [h.time_s for c in covered if c.drum not in ("hi-hat", "ride") for h in c.hits]
    measured = {c.file for c in m.channels}
    for c in (c for c in m.take.channels if c.role in _ROLES and c.file in measured):
        rings |= _rings(c, root, times)
    return tuple(replace(c, hits=tuple(h for h in c.hits if h.time_s not in rings)) for c in covered)


def _rings(c: Channel, root: Path, times_s: Sequence[float]) -> set[float]:
    found = set()
    with SpanReader(root / c.path) as reader:
        rate = reader.rate_hz
        band = signal.butter(4, ABOVE_HZ, "highpass", fs=rate, output="sos")
        for time_s in times_s:
            start = round((time_s - _LEAD_S) * rate)
            samples = reader.read(start, round((_LEAD_S + LATE_S[1]) * rate))[:, c.index_in_file]
            power = signal.sosfilt(band, samples) ** 2
            before, first, late = (
                float(np.mean(power[round((_LEAD_S + a) * rate) : round((_LEAD_S + b) * rate)])) + _SILENCE
                for a, b in (BEFORE_S, FIRST_S, LATE_S)
            )
            if late > before * 10.0 ** (RISE_DB / 10.0) and late > first * 10.0 ** (-FALL_DB / 10.0):
                found.add(time_s)
    return found
