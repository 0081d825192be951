"""What the finer checks saw of the signal chain: gain, dynamics, time base and origin."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class GainStep:
    """The best single step of a channel's gain over the take, held against all other channels."""

    file: str
    step_db: float  # positive: louder afterwards
    error_db: float  # half-width of 68 %, from how far the kinds of strokes disagree
    time_s: float
    n_strokes: int
    n_kinds: int  # kinds of strokes (the same drums struck together) heard on both sides
    n_agreeing: int  # of them, whose own step is this one
    n_foreign: int  # of the agreeing ones, without the channel's own drum
    n_drums: int  # in the agreeing ones; 1 if they all share a drum
    rest: float  # scatter left over with the step, over the scatter without it
    slope_db: float  # best steady change from the first stroke to the last
    rest_slope: float  # scatter left over with the slope, over the scatter without it


@dataclass(frozen=True, slots=True, kw_only=True)
class Skip:
    """An instant at which the waves of several channels break off at the same sample."""

    time_s: float
    files: tuple[str, ...]  # in which it shows; under loud cymbals it hides


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """An instant at which one channel goes on somewhere else in the sound, as no sound does."""

    file: str
    time_s: float
    over_db: float  # error of predicting the sample from those before it, over the largest beside it


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """The steepest fall of a channel's treble over its loudest moments."""

    file: str
    wall_hz: float
    fall_db: float  # from just below to just above; a brick wall if large
    rest_db: float  # how far everything further up stays under what is just below


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """A channel that holds nothing at strokes of other drums although it sounds at others."""

    file: str
    n_foreign: int  # strokes of other drums, none of its own near
    n_swallowed: int
    shut_dbfs: float  # level at those, 4 ms
    n_falls: int  # times that it falls silent quicker than any ring
    times_s: tuple[float, ...]  # of the swallowed ones, at most 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Closing:
    """How often a shell's mic falls in all bands at once after a stroke, as a gate closes and no ring does."""

    file: str
    n_followed: int  # strokes of the own drum with nothing else struck while they ring
    n_closed: int
    depth_db: float  # median over the closed ones, or over all: by how much the fall exceeds the one just before it
    times_s: tuple[float, ...]  # of the closed ones, at most 20


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldBack:
    """The highest peaks of a channel that heap up at one height, and how much those strokes differ elsewhere."""

    file: str
    drum: str | None  # whose strokes; None: the highest moments, whatever was struck
    within_db: float  # of the highest peak: what counts to the heap
    ceiling_dbfs: float  # median height of the heap
    n_held: int  # strokes or moments in it
    n_as_loud: int  # strokes as loud as those elsewhere, held or not; without a drum, all moments down to 1 dB below
    n_held_as_loud: int  # of them, held
    range_db: float  # by how much the held ones differ in the other mics, 10th to 90th percentile
    agreement: float  # correlation of one half of the other mics with the other half, over the held ones
    times_s: tuple[float, ...]  # of the held ones, at most 20


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutedCopy:
    """A channel that holds its own signal a second time, its hiss too, which no room gives back."""

    file: str
    delay_ms: float
    level_db: float  # of the copy against the first
    inverted: bool
