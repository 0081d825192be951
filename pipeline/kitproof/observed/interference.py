"""What the finer checks saw of sounds that are not the kit: telephones, lines, cracks, talk, and how a file ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from kitproof.reasons import check_reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class FileEnds:
    """How loud one channel is where its file begins and ends: RMS over 10 ms, about the file's mean."""

    file: str
    head_dbfs: float | None
    tail_dbfs: float | None
    tail_fall_db: float | None  # of the last 0.1 s under what came half a second before
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("head_dbfs", "tail_dbfs", "tail_fall_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneBursts:
    """Pulses of a mobile telephone in one channel; only channels that have them."""

    file: str
    bursts_s: tuple[tuple[float, float], ...]  # start and end of each, at most 200
    step_dbfs: float  # mean step of a pulse's edge from sample to sample, strongest burst
    over_db: float  # the same over what lies between the pulses


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyLine:
    """A tone whose pitch and level do not change from the start of the take to its end."""

    hz: float
    level_dbfs: float  # peak amplitude
    over_db: float  # over the lines around it, where it is quietest


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyLines:
    """The steady tones of one channel over 300 Hz, multiples of the mains told from the others."""

    file: str
    lines: tuple[SteadyLine, ...]  # no multiples of the mains; the loudest ones, at most 20
    buzz_hz: float | None  # mains frequency whose multiples reach over 1 kHz
    buzz_reach_hz: float | None  # its highest multiple that stands out
    buzz_dbfs: float | None  # RMS of its multiples over 300 Hz
    n_buzz: int  # of these multiples
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("buzz_hz", "buzz_reach_hz", "buzz_dbfs")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoneSounds:
    """Sounds in one channel while nothing begins in any other: not in the room, but in the mic or its lead."""

    file: str
    kind: Literal["crackle", "knock"]  # over at once, without any ring; or loud, with one
    times_s: tuple[float, ...]  # at most 200
    n_sounds: int
    level_dbfs: float  # of the loudest, RMS over 4 ms above 250 Hz
    rise_db: float  # over the 30 ms before, median


@dataclass(frozen=True, slots=True, kw_only=True)
class LateSound:
    """A sound in a rest, in the count-in or after the last stroke that no stroke made."""

    start_s: float
    end_s: float
    files: tuple[str, ...]  # that hear it, the loudest first
    level_dbfs: float  # loudest 30 ms, 250 Hz to 8 kHz, in the first of them
    rise_db: float  # over the quietest moment since the last stroke
    place: Literal["count-in", "rest", "ending"]
    kind: Literal["sound", "steady"]  # comes and goes; or noise that came and stayed


@dataclass(frozen=True, slots=True, kw_only=True)
class RestPulses:
    """Short sounds in the rests that keep time like a machine: a click without a stem of its own."""

    files: tuple[str, ...]  # that hear it, the loudest first
    times_s: tuple[float, ...]  # at most 200
    n_pulses: int
    period_s: float
    jitter_ms: float  # standard deviation about an even pulse
    level_dbfs: float  # RMS over 4 ms above 500 Hz, median, in the first of the files
