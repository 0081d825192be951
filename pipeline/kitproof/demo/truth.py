"""What is true of a demo take: everything a measurement could be compared with, in the words of model.py."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoHit:
    """One stroke. `time_s` is when its direct sound reaches `role`, its drum's own mic or the loudest one."""

    time_s: float
    drum: str  # "unmiked" for a crash
    role: str
    instrument: str  # as in the scenario: "hi-hat-open", "crash-left"
    strength: float  # 0..1


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoFault:
    """One thing that is wrong with the take: code and units as the findings use them, details by name."""

    code: str
    role: str
    details: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoTruth:
    """The truth about one take.

    arrival_ms and sign are keyed by sounding drum ("snare", "crash-left") and role. Arrivals are those of the
    direct sound by geometry, relative to the drum's own mic. A sign is that of the first motion in the file:
    +1 up, -1 down, 0 where physics leaves it unclear; inversions at the preamp are in it. bleed_db is keyed by
    drum ("unmiked" for the crashes together) and role: median energy from 1 ms before to 60 ms after the hit's
    time, strokes rendered alone before any overload, against the median of the mic's own drum.
    """

    name: str  # folder name
    song: str
    number: int
    rate_hz: int
    n_frames: int
    tempo_bpm: float
    temperature_c: float
    tuning: str
    room: str
    files: Mapping[str, str]  # role -> file name
    hits: tuple[DemoHit, ...]
    arrival_ms: Mapping[str, Mapping[str, float]]
    sign: Mapping[str, Mapping[str, int]]
    bleed_db: Mapping[str, Mapping[str, float]]
    gain_db: Mapping[str, float]  # preamp, from the model's unit to full scale
    noise_floor_dbfs: Mapping[str, float]  # RMS of the mic's own noise, without hum
    peak_dbfs: Mapping[str, float]
    inverted: tuple[str, ...]  # roles inverted at the preamp
    faults: tuple[DemoFault, ...]
