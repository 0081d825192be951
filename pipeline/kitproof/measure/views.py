"""What an observer is given: one channel with the strokes of all drums, or the whole take.

Observers are the finer checks of `observers.py`. Each is a generator of frozen records of `observed/`; what is
of another type is a clue for the observers that come later and is not saved.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from kitproof.ingest.audiofile import SpanReader
from kitproof.measure.candidates import Rises
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.onsets import OnsetTrack
from kitproof.model import Channel, FloatArray, PairEntry, Take

Record = TypeVar("Record")


class PassObserver(Protocol):
    """A meter of the one pass over a channel, which ends in records."""

    def push(self, block: FloatArray) -> None:
        """Take the next samples, shape (n,), full scale 1.0."""

    def records(self) -> tuple[object, ...]:
        """What was seen, once every sample has passed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelBrief:
    """What a job on one channel has to know; small, and free of open files."""

    channel: Channel
    own_drum: str | None  # the drum this mic belongs to, whether or not its strokes are timed here
    is_own_mic: bool  # the drum's strokes are timed here
    drums: Mapping[str, DrumTimes]  # strokes of every drum, "unmiked" among them
    quiet_runs: tuple[tuple[float, float], ...]  # where the noise floor was taken: start and end, s


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelView:
    """One channel, open for reading around the strokes: read excerpts, never the whole file."""

    brief: ChannelBrief
    reader: SpanReader

    @property
    def file(self) -> str:
        """The channel's key."""
        return self.brief.channel.file

    @property
    def rate_hz(self) -> int:
        """Samples a second."""
        return self.reader.rate_hz

    @property
    def n_frames(self) -> int:
        """Length of the file."""
        return self.reader.n_frames

    def read(self, start: int, n: int) -> NDArray[np.float64]:
        """(n,) samples of this channel from frame `start` on; zero where there is no file."""
        return np.asarray(self.reader.read(start, n)[:, self.brief.channel.index_in_file], np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeView:
    """The whole take, without its samples."""

    take: Take
    kit: tuple[Channel, ...]  # measured mics at the kit
    own: Mapping[str, str]  # drum -> file of its own mic
    drums: Mapping[str, DrumTimes]
    tracks: Mapping[str, OnsetTrack]  # by file, on one time line
    pairs: tuple[PairEntry, ...]
    clues: tuple[object, ...]  # all records so far
    rises: Mapping[str, Rises] = field(default_factory=dict)  # by file: where its level rises, if that is known
    low: Mapping[str, tuple[NDArray[np.float32], float]] = field(default_factory=dict)  # by file: low end and its rate

    def of_kind(self, kind: type[Record]) -> list[Record]:
        """The records of one type."""
        return [c for c in self.clues if isinstance(c, kind)]
