"""What the finer checks saw of the room and of what does not belong in a mic: reflections, decay, wash, air."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from kitproof.reasons import check_reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class Reflection:
    """A copy of the direct sound that most drums share in one distant mic, later by `delay_ms`."""

    file: str
    kind: Literal["comb", "echo"]  # 1 to 10 ms: colours the sound; 12 to 80 ms: is heard apart
    n_drums: int  # that were looked at
    delay_ms: float | None
    level_db: float | None  # of the copy against the direct sound, median over drums
    share: float | None  # of the drums that have at least half of it
    again_db: float | None  # of what comes back at twice the delay
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("delay_ms", "level_db", "share", "again_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wash:
    """Cymbals in a tom's own mic while no drum sounds, against the tom's own strokes (first 60 ms)."""

    drum: str
    file: str
    n_strokes: int  # of the tom
    alone_s: float  # how long cymbals sound alone
    wash_db: float | None  # usual level against the usual stroke
    wash_high_db: float | None  # the same above 4 kHz
    wash_high_loud_db: float | None  # what it rarely goes over (90th percentile), above 4 kHz
    soft_over_db: float | None  # the softest strokes (10th percentile) over what the wash rarely goes over
    ring_clear_s: float | None  # how long the ring of a stroke stands 6 dB over the usual wash; 1.2 or longer
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("wash_db", "wash_high_db", "wash_high_loud_db", "soft_over_db", "ring_clear_s")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class HatInSnare:
    """Strokes of the hat alone in the snare's own mic, against the snare's loud strokes, above 4 kHz, first 60 ms."""

    file: str
    n_hats: int
    n_snares: int
    high_db: float | None  # median
    loud_db: float | None  # 90th percentile of the hat
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("high_db", "loud_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class KickAir:
    """What one kick mic shows below 25 Hz in the first 150 ms of the kick's loud strokes."""

    file: str
    n_strokes: int
    uneven: float | None  # share of that energy which is not the shape that all strokes share, 0..1
    air_db: float | None  # of the uneven part against the drum's body, 35 to 140 Hz
    over_before_db: float | None  # of the uneven part over what was there before the stroke
    one_sided: float | None  # -1..1: excursion up against down, median
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("uneven", "air_db", "over_before_db", "one_sided")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class OctaveDecay:
    """How the snare dies away in one octave, in a distant mic and in its own."""

    centre_hz: float
    early_s: float | None  # time for 60 dB from the first 10 dB
    t20_s: float | None  # time for 60 dB from -5 to -25 dB
    drum_s: float | None  # the latter in the snare's own mic
    room_s: float | None  # t20_s where the drum is so much shorter that it is the room's
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("early_s", "t20_s", "drum_s", "room_s")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomDecay:
    """The snare as one distant mic hears it die away."""

    file: str
    n_strokes: int  # of the snare with a free tail; no octaves where there are too few
    free_s: float  # how long nothing follows them
    early_over_late_db: float | None  # first 50 ms from the direct sound on over what follows, 250 Hz to 4 kHz, median
    early_spread_db: float | None  # interquartile range over strokes
    octaves: tuple[OctaveDecay, ...]
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("early_over_late_db", "early_spread_db")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)
