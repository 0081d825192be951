"""The song's grid of beats and bars, and how each limb lies against it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from kitproof.reasons import check_reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Where the beats are. At most one a take; none at all where no pulse stands out."""

    source: Literal["click", "declared", "strokes"]  # the click's stem, the declared tempo, the strokes alone
    tempo_bpm: float  # median over the beats
    tempo_spread_bpm: float  # interquartile range over stretches of eight beats; 0 for a click that keeps its tempo
    beats_s: tuple[float, ...]
    confidence: float  # 0..1
    beats_per_bar: int | None
    first_bar: int | None  # index into beats_s of the first beat of bar 1
    bar_source: Literal["declared", "click", "strokes"] | None
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("beats_per_bar", "first_bar", "bar_source")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """One drum's strokes against the grid, in one section; described, never marked."""

    drum: str
    section: str  # its name; "" for the whole take
    first_bar: int | None  # of the section; None for the whole take
    last_bar: int | None
    steps_per_beat: int  # of the grid the strokes are held against: 3 or 4
    n_strokes: int  # on a step
    n_between: int  # too far from any step to belong to it: flams, drags, rolls
    median_ms: float | None  # positive: after the beat
    spread_ms: float | None  # interquartile range
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("first_bar", "last_bar", "median_ms", "spread_ms")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeJump:
    """The moment and shift by which one channel would best be moved against all the others; mostly there is none."""

    file: str
    time_s: float  # to within a twentieth of the take
    jump_ms: float  # positive: later afterwards
    fit: float  # -1..1, how well what is heard around the strokes before fits that after it, moved by so much
    fit_unmoved: float  # and not moved
    n_drums: int  # timed by other mics, with enough strokes on both sides
    n_agreeing: int  # of them, that fit clearly better at this shift than unmoved, each by itself
