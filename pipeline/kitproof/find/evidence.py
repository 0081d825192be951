"""Everything that is known about a take when it is judged, and the look-ups that every family of checks needs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar

from kitproof.find.texts import listed, upper_first
from kitproof.find.thresholds import Thresholds
from kitproof.model import (
    BleedEntry,
    Channel,
    ChannelMeasures,
    DrumMeasures,
    FileFacts,
    Hit,
    PairEntry,
    Severity,
    Take,
)  # fmt: skip
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE, NOT_A_KIT_MIC, PAIRS

Record = TypeVar("Record")


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """The measured records of one take. `faults` are records of signal-level measures, each family picks its own."""

    take: Take
    channels: tuple[ChannelMeasures, ...]
    drums: tuple[DrumMeasures, ...]
    hits: tuple[Hit, ...]
    bleed: tuple[BleedEntry, ...]
    pairs: tuple[PairEntry, ...]
    faults: tuple[object, ...] = ()
    limits: Thresholds = field(default_factory=Thresholds)

    @cached_property
    def _declared(self) -> dict[str, Channel]:
        return {c.file: c for c in self.take.channels}

    @cached_property
    def _measured(self) -> dict[str, ChannelMeasures]:
        return {c.file: c for c in self.channels}

    @cached_property
    def _facts(self) -> dict[str, FileFacts]:
        return {f.path: f for f in self.take.files}

    @cached_property
    def own_files(self) -> dict[str, str]:
        """drum -> the mic its hits are timed by."""
        return {d.drum: d.file for d in self.drums}

    @cached_property
    def kit(self) -> tuple[ChannelMeasures, ...]:
        """Measured mics at the kit, without click, talkback and unknown ones."""
        return tuple(c for c in self.channels if c.role not in NOT_A_KIT_MIC)

    @cached_property
    def spaced_pairs(self) -> tuple[tuple[Channel, Channel], ...]:
        """Left and right mic of every kind that has both; of several in one role the first."""
        return tuple(
            (a, b) for left, right in PAIRS for a in self.with_role(left)[:1] for b in self.with_role(right)[:1]
        )

    def records(self, kind: type[Record]) -> list[Record]:
        """The signal-level records of one type."""
        return [r for r in self.faults if isinstance(r, kind)]

    def label(self, file: str) -> str:
        """How a channel is called; the file's own name if it is not declared."""
        channel = self._declared.get(file)
        return channel.label if channel is not None else file

    def labels(self, files: Sequence[str]) -> list[str]:
        """The same for several."""
        return [self.label(f) for f in files]

    def head(self, *files: str) -> str:
        """Channels at the start of a sentence: with a capital, unless it is a file's own name."""
        text = listed(self.labels(files))
        first = self._declared.get(files[0])
        return upper_first(text) if first is not None and first.role != "other" else text

    def channel(self, file: str) -> Channel | None:
        """What is declared about a channel."""
        return self._declared.get(file)

    def measured(self, file: str) -> ChannelMeasures | None:
        """A channel's measures, None if it could not be read."""
        return self._measured.get(file)

    def facts(self, file: str) -> FileFacts | None:
        """What the header of a channel's file says."""
        channel = self._declared.get(file)
        return self._facts.get(channel.path) if channel is not None else None

    def files_of_path(self, path: str) -> tuple[str, ...]:
        """The channels of one audio file; its path if nobody declares it."""
        return tuple(c.file for c in self.take.channels if c.path == path) or (path,)

    def with_role(self, *roles: str) -> tuple[Channel, ...]:
        """Declared channels of these roles, in the order of the roles."""
        return tuple(c for role in roles for c in self.take.channels if c.role == role)

    def pair(self, a: str, b: str, drum: str) -> PairEntry | None:
        """The entry for one drum in two files, turned so that it counts from `a`."""
        for p in self.pairs:
            if p.drum == drum and (p.a, p.b) == (a, b):
                return p
            if p.drum == drum and (p.a, p.b) == (b, a):
                return _turned(p)
        return None

    def n_hits(self, drum: str) -> int:
        """Strokes of a drum."""
        return next((d.n_hits for d in self.drums if d.drum == drum), 0)

    def known_delay(self, p: PairEntry | None, spread: str = "delay_spread_ms") -> bool:
        """Whether a pair's delay is known well enough to judge by; `spread` names the threshold."""
        return (
            p is not None and p.delay_ms is not None and p.delay_spread_ms is not None
            and p.delay_spread_ms <= self.limits[spread] and p.n_hits >= self.limits["delay_fewest_hits"]
        )  # fmt: skip

    def at_most(self, severity: Severity, n_hits: int) -> Severity:
        """A severity, but no fix from a few strokes only."""
        return "look" if severity == "fix" and n_hits < self.limits["fix_fewest_hits"] else severity


def is_distant(role: str) -> bool:
    """Overheads, under-cymbal and room mics."""
    return role in DISTANT_ROLES


def is_room(role: str) -> bool:
    """Room mics."""
    return role.startswith("room")


def drum_of(role: str) -> str | None:
    """The drum a role stands at."""
    return DRUM_OF_ROLE.get(role)


def sureness(margin: float, spread: float, n: int, *, least: float = 0.5) -> float:
    """Confidence that a figure is really `margin` beyond its limit, 0.5 to 0.99.

    From a normal error of one `spread`; a spread from fewer than 10 strokes is itself unsure and is widened.
    """
    widened = max(spread, 1e-9) * (1.0 + 5.0 / max(n, 1))
    share = 0.5 * (1.0 + math.erf(margin / widened / math.sqrt(2.0)))
    return round(min(max(share, least), 0.99), 2)


def _turned(p: PairEntry) -> PairEntry:
    return replace(
        p, a=p.b, b=p.a,
        delay_ms=None if p.delay_ms is None else -p.delay_ms,
        path_cm=None if p.path_cm is None else -p.path_cm,
    )  # fmt: skip
