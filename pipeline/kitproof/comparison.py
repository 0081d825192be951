"""What a comparison of takes says: the records of comparison.json. COMPARISON.md explains every key.

Takes count from 1; the first is the reference, all others are held against it. `file` is the channel's key in
the reference take, or in the other take if the reference lacks it. A value is "other take minus reference".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from kitproof.reasons import check_reasons

COMPARISON_VERSION = 1

Word = Literal["same", "changed", "unclear"]
Kind = Literal[
    "gain", "all-levels", "strength", "closeness", "noise", "hum", "click-bleed", "pitch", "decay", "wires",
    "hat-closing", "tone", "bleed", "attack", "crest", "tempo",
]  # fmt: skip
Quantity = Literal["arrival", "level", "bleed", "attack", "crest", "notch", "noise"]
Reason = Literal["clipping", "lost", "noise", "timing", "missing"]

NOTHING: Mapping[str, str] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedTake:
    """One take as it was handed over."""

    number: int  # place in the comparison, from 1
    name: str  # of its folder
    song: str | None
    take: int | None  # number as declared
    n_channels: int
    n_hits: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelMatch:
    """One microphone through all takes."""

    file: str
    files: tuple[str | None, ...]  # its key in every take, None where it is not there


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One figure of one take against the reference. A None has its reason in `unmeasured`."""

    take: int
    kind: Kind
    file: str | None  # the channel, if it is about one
    drum: str | None  # the drum, if it is about one
    value: float | None
    unit: str
    error: float | None  # half-width of 68 %
    limit: float  # up to this, nobody calls it a change
    word: Word | None
    n: int  # observations, or pairs of strokes, that it rests on
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("value", "error", "word")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """Where a mic or a drum stands, against the reference, as the arrivals tell."""

    take: int
    what: Literal["mic", "drum"]
    file: str | None  # the mic
    drum: str | None  # of a mic: the drum it is seen from; else the drum that moved, or its own mic
    delay_ms: float | None  # positive: further from that drum; of a drum: heard later in the other mics
    error_ms: float | None  # half-width of 68 %
    path_cm: float | None
    limit_ms: float
    word: Word | None
    n_changed: int  # arrivals that changed
    n_seen: int  # arrivals that could be compared
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("delay_ms", "error_ms", "path_cm", "word")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """Something that is one thing in the reference and another one here."""

    take: int
    kind: Literal["polarity", "format", "role", "channel-gone", "channel-new", "hum"]
    file: str
    before: str  # "" for nothing
    after: str
    n: int  # pairs that say so, of a polarity; 1 else


@dataclass(frozen=True, slots=True, kw_only=True)
class BarReason:
    """Why one bar of one take is not clean."""

    take: int
    bar: int  # from 1
    reason: Reason
    code: str  # of the finding; "" for a stroke
    file: str | None
    drum: str | None
    time_s: float
    value_ms: float | None  # of a stroke that lies off: against the take's own habit
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("value_ms",)

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeBars:
    """The bars of one take; None with a reason where it has none."""

    take: int
    last_bar: int | None
    incomplete: tuple[str, ...]  # codes of findings that list only some of their places
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("last_bar",)

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rank:
    """What stands against one take."""

    take: int
    n_fix: int
    n_damaged: int  # places at which strokes were clipped or samples lost
    n_look: int
    best: bool  # none stands better; several are a tie
    judged: bool  # false where nothing could be judged


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A stretch of the song: which take has the fewest bars with something in them."""

    name: str  # the section's; "" for a plain block of bars
    first_bar: int
    last_bar: int
    n_marked: tuple[int | None, ...]  # bars with something, by take; None: the take lacks the stretch
    takes: tuple[int, ...]  # the best; several are a tie


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacementRow:
    """One figure of a mic before and after it was moved."""

    quantity: Quantity
    drum: str | None
    partner: str | None  # of a notch: file of the other mic
    before: float | None
    after: float | None
    difference: float | None
    error: float | None  # half-width of 68 %
    unit: str
    word: Word | None
    n: int  # strokes, or pairs of them
    unmeasured: Mapping[str, str] = field(default_factory=dict)

    NULLABLE = ("before", "after", "difference", "error", "word")

    def __post_init__(self) -> None:
        check_reasons(self, self.NULLABLE, self.unmeasured)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """A mic that moved, before and after."""

    take: int
    file: str
    rows: tuple[PlacementRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSaid:
    """A limit in force."""

    name: str
    value: float
    unit: str
    reason: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Everything that is said about the takes together."""

    takes: tuple[ComparedTake, ...]
    channels: tuple[ChannelMatch, ...]
    changes: tuple[Change, ...]
    moves: tuple[Move, ...]
    switches: tuple[Switch, ...]
    bars: tuple[TakeBars, ...]
    bar_reasons: tuple[BarReason, ...]
    ranks: tuple[Rank, ...]
    comp: tuple[Block, ...]
    placements: tuple[Placement, ...]
    limits: tuple[LimitSaid, ...]
    versions: Mapping[str, str]
    comparison_version: int = COMPARISON_VERSION
