"""What the drum that a mic stands at sounds like."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from kitproof.reasons import check_reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class MicVoice:
    """The voice of the drum in one mic, whatever the mic is called: medians over its loud strokes."""

    file: str
    n_loud: int  # loud events in this mic, whoever was hit
    n_first: int  # of those, heard here before any other mic hears them
    n_strokes: int  # that the voice is made of; 0: nothing is heard here that is surely the drum's own
    behind_ms: float | None  # median time of the loud events behind the mic that hears them first; negative: ahead
    tilt_db: float | None  # new energy below 500 Hz over new energy above 4 kHz
    body_db: float | None  # new energy from 250 Hz to 1 kHz over new energy below 120 Hz
    low_fall_db: float | None  # level below 250 Hz 135 ms after the stroke, over that of its first 20 ms
    high_fall_db: float | None  # the same above 4 kHz
    pitch_hz: float | None  # of the ring, 80 to 450 ms after the stroke
    pitch_agreement: float | None  # share of the purest half of the strokes within 1.5 semitones of it
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = (
        "behind_ms", "tilt_db", "body_db", "low_fall_db", "high_fall_db", "pitch_hz", "pitch_agreement",
    )  # fmt: skip

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineUp:
    """Whether the loud onsets of one mic come together with those of another, always after the same while."""

    file: str
    n_onsets: int
    share: float | None  # of them that do, with the mic with which most do, beyond what chance gives; 0 to 1
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("share",)

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)
