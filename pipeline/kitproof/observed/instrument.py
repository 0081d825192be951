"""What the finer checks saw of the instrument itself: tuning, ring, wires."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from kitproof.reasons import check_reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumRing:
    """One drum's tuning log: the pitch it settles on, its decay, the pitch of its strokes; own mic."""

    drum: str
    file: str
    n_strokes: int  # that were looked at
    late_hz: float | None  # median over strokes of the ring after late_from_s
    late_spread_cents: float | None  # robust standard deviation over strokes
    late_n: int  # strokes whose late ring stands out
    late_from_s: float | None  # 0.9, 0.6 or 0.4
    pitch: str | None  # nearest equal-tempered pitch, A4 = 440 Hz
    pitch_cents: float | None  # of late_hz over it
    decay_s: float | None  # of the late mode, to fall by 60 dB
    decay_range_db: float | None  # that it was read from
    beat_hz: float | None  # distance of a second mode that is nearly as strong
    early_hz: float | None  # median over strokes, first 130 ms
    early_spread_cents: float | None
    early_soft_hz: float | None  # the softest third
    early_hard_hz: float | None  # the hardest third
    glide_semitones: float | None  # hard over soft
    drift_cents: float | None  # of the pitch from the first stroke used to the last, at equal strength
    drift_error_cents: float | None  # half-width of 68 %
    drift_span_s: float | None  # from the first stroke used to the last
    drift_from: Literal["late", "early"] | None  # the pitch that was followed
    fall_db: tuple[float, ...] = ()  # of the late mode against its highest, median over strokes; empty without one
    fall_from_s: float = 0.15  # when the first of these is, after the stroke
    fall_step_s: float = 0.05  # from one to the next
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = (
        "late_hz", "late_spread_cents", "late_from_s", "pitch", "pitch_cents", "decay_s", "decay_range_db", "beat_hz",
        "early_hz", "early_spread_cents", "early_soft_hz", "early_hard_hz", "glide_semitones",
        "drift_cents", "drift_error_cents", "drift_span_s", "drift_from",
    )  # fmt: skip

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class WireBuzz:
    """What the snare's wires answer to one other drum."""

    file: str  # the snare's mic: bottom, else top, else side
    drum: str  # that sets them off
    n_strokes: int  # that no other drum disturbs
    alone: bool  # nor any cymbal
    level_db: float | None  # 40 to 120 ms after the stroke, 2 to 8 kHz, against the snare's own first 60 ms
    over_noise_db: float | None  # against what was there before the stroke
    over_spill_db: float | None  # against what the distant mics let expect
    share: float | None  # of the strokes, 6 dB over both
    times_s: tuple[float, ...]  # the loudest, at most 20
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("level_db", "over_noise_db", "over_spill_db", "share")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class SympatheticRing:
    """How a tom rings along with another drum, in its own mic."""

    file: str
    drum: str  # the tom that rings
    by: str  # the drum that was struck
    n_strokes: int  # of that drum, while the tom itself was silent
    level_db: float | None  # its mode 0.2 to 0.65 s after them, against the same after its own strokes
    rise_db: float | None  # against before the stroke
    tone_db: float | None  # against the higher of the two bands beside the mode
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("level_db", "rise_db", "tone_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class WireShare:
    """How much of the snare's strokes is wires, and the best single step of it over the take."""

    file: str
    n_strokes: int  # without ghost notes
    share_db: float | None  # 2 to 8 kHz against 120 to 500 Hz, median over strokes
    step_db: float | None  # at equal strength, negative: fewer wires afterwards
    step_time_s: float | None
    scatter_db: float | None  # robust standard deviation beside the step
    overlap: float | None  # share of the strokes that sound rather like those of the other side
    rest: float | None  # scatter with the step over scatter without it
    drum_step_db: float | None  # of the drum itself there, at equal strength
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("share_db", "step_db", "step_time_s", "scatter_db", "overlap", "rest", "drum_step_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumSound:
    """The tone of one drum's attack, in octaves of its own mic, and the best single step of it over the take."""

    drum: str
    file: str
    n_strokes: int  # without soft ones
    step_db: float | None  # at equal strength: root mean square over the octaves, each against the mean of all
    step_time_s: float | None
    darker_db: float | None  # of it, lows over highs: positive darker, negative brighter
    scatter_db: float | None  # robust standard deviation beside the step
    overlap: float | None  # share of the strokes that sound rather like those of the other side
    sudden: float | None  # share of the step that lies between the six strokes before it and the six after it
    rest: float | None  # scatter with the step over scatter without it
    louder_db: float | None  # median strength after it over before it
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("step_db", "step_time_s", "darker_db", "scatter_db", "overlap", "sudden", "rest", "louder_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class HatDecay:
    """How long the hi-hat's shortest strokes ring, in five blocks of as many strokes over the take; its own mic."""

    file: str
    n_strokes: int  # that nothing but the kick disturbs
    span_s: float | None  # from the first of them to the last
    first_db: float | None  # shortest eighth of the first block: 60 to 100 ms on, above 4 kHz, against the attack
    last_db: float | None  # of the last block
    largest_rise_db: float | None  # from one block to the next
    smallest_rise_db: float | None  # negative: a fall
    rise_time_s: float | None  # where the largest rise begins
    apart_db: float | None  # shortest strokes after it over the longest before it
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("span_s", "first_db", "last_db", "largest_rise_db", "smallest_rise_db", "rise_time_s", "apart_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)
