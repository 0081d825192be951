"""What the pages look up again and again: labels, findings by channel and by rank, hits by drum."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import kitproof
from kitproof.model import (
    Channel,
    ChannelMeasures,
    ChannelPicture,
    FileFacts,
    Finding,
    Hit,
    HitPicture,
    Measurements,
    MomentPicture,
    Pictures,
    Severity,
)
from kitproof.observed.instrument import DrumRing
from kitproof.report import numbers
from kitproof.report.bars import Bars
from kitproof.report.wording import Words
from kitproof.roles import DRUM_OF_ROLE, DRUM_ORDER, LABELS, PAIRS

SEVERITIES: tuple[Severity, ...] = ("fix", "look", "note")


@dataclass(frozen=True)
class RankedFinding:
    """A finding with the number it carries all over the report."""

    number: int
    finding: Finding

    @property
    def anchor(self) -> str:
        """Where it is told in full."""
        return f"finding:{self.number}"


class Context:
    """One take's records, indexed."""

    def __init__(self, measurements: Measurements, pictures: Pictures, words: Words, *, small: bool) -> None:
        self.measurements = measurements
        self.take = measurements.take
        self.words = words
        self.small = small
        self._pictures = pictures

    # ------------------------------------------------------------ the take
    @cached_property
    def song(self) -> str:
        """What the take is of; its folder's name if no song is declared."""
        return self.take.song or self.take.name

    @cached_property
    def version(self) -> str:
        """Version of the package that measured the take."""
        return self.measurements.versions.get("kitproof", kitproof.__version__)

    @cached_property
    def heading(self) -> str:
        """Song and take: "Tidewall, take 3"."""
        if self.take.number is None:
            return self.song if self.take.song is None else f"{self.song}, {self.take.name}"
        return self.words("common.take_of", song=self.song, number=self.take.number)

    @cached_property
    def duration_s(self) -> float:
        """Length of the longest channel; 0 if nothing could be read."""
        lengths = [c.duration_s for c in self.measurements.channels]
        return max([*lengths, *(p.duration_s for p in self._pictures.channels)], default=0.0)

    def when(self, seconds: float) -> str:
        """A time for the reader: "1:04.2", with bar and beat where these are known."""
        place = self.bars.at(seconds)
        if place is not None and place.bar >= 1:
            return self.words("common.time_and_bar", time=numbers.clock(seconds), bar=place.bar, beat=place.beat)
        return numbers.clock(seconds)

    def limit(self, name: str) -> float | None:
        """One of the limits that were in force; None if the measurements are older than it."""
        limit = self.measurements.settings.get("thresholds", {}).get(name)
        return None if limit is None else float(limit["value"])

    @cached_property
    def bars(self) -> Bars:
        """The bar lines; false where they are not known."""
        return Bars(self.measurements.observed.grids)

    @cached_property
    def hat_side(self) -> bool | None:
        """Whether the overheads hear the hi-hat on the left; None where that is not clear."""
        base_ms = self.limit("sides_base_spread_ms")
        if base_ms is None:
            return None
        heard: dict[str, tuple[float, float]] = {}
        for p in self.measurements.pairs:
            role = next((c.role for c in self.channels if c.file == p.b), "")
            if p.drum == "hi-hat" and role in PAIRS[0] and p.delay_ms is not None and p.a != p.b:
                spread_ms = base_ms if p.delay_spread_ms is None else p.delay_spread_ms
                heard.setdefault(role, (p.delay_ms, base_ms + 2.0 * spread_ms))
        if len(heard) < 2:
            return None
        (left, unsure), (right, unsure_too) = (heard[role] for role in PAIRS[0])
        return None if abs(right - left) < unsure + unsure_too else right > left

    # ------------------------------------------------------------ channels
    @cached_property
    def channels(self) -> tuple[Channel, ...]:
        """All channels, as declared."""
        return self.take.channels

    @cached_property
    def _labels(self) -> dict[str, str]:
        labels = [self.role_label(c) for c in self.channels]
        times = Counter(labels)
        return {
            c.file: label if times[label] == 1 else self.words("common.same_label", label=label, number=n)
            for n, (c, label) in enumerate(zip(self.channels, labels, strict=True), start=1)
        }

    def role_label(self, channel: Channel) -> str:
        """A channel's label with its role in the reader's language; what else it holds is a name and stays."""
        english = LABELS.get(channel.role, "")
        if not english or not channel.label.startswith(english):
            return channel.label
        return self.words.or_text(f"role.{channel.role}", english) + channel.label[len(english) :]

    @cached_property
    def mics(self) -> tuple[Channel, ...]:
        """Channels that are microphones, as far as is known: no click, no talkback."""
        return tuple(c for c in self.channels if c.role not in ("click", "talkback"))

    def label(self, file: str) -> str:
        """How the report calls a channel; with its place in the input list where two share a label."""
        return self._labels.get(file, file)

    @cached_property
    def measures(self) -> dict[str, ChannelMeasures]:
        """file -> its numbers."""
        return {c.file: c for c in self.measurements.channels}

    @cached_property
    def pictures(self) -> dict[str, ChannelPicture]:
        """file -> its picture."""
        return {p.file: p for p in self._pictures.channels}

    @cached_property
    def facts(self) -> dict[str, FileFacts]:
        """path -> what the header says."""
        return {f.path: f for f in self.take.files}

    def channel_anchor(self, file: str) -> str:
        """Where a channel has its own page."""
        return f"channel:{file}"

    def why_missing(self, channel: Channel) -> str:
        """Why a channel has no numbers or no picture."""
        facts = self.facts.get(channel.path)
        if facts is None or facts.problem is None:
            return self.words("common.no_picture")
        told = self.words.or_text(f"problem.{facts.problem}", "")
        return (facts.problem_text or told) if self.words.native else told

    def hit_picture(self, file: str, drum: str | None) -> HitPicture | None:
        """The mean stroke to show for a channel: its own drum's; for a mic of no drum the snare's, or what there is."""
        mine = {p.drum: p for p in self._pictures.hits if p.file == file}
        order = [drum] if drum else ["snare", "kick", *DRUM_ORDER]
        return next((mine[d] for d in order if d in mine), None)

    def ring(self, file: str) -> DrumRing | None:
        """The tuning log of the drum that a mic is the own mic of."""
        return next((r for r in self.measurements.observed.rings if r.file == file), None)

    def moment(self, finding: Finding) -> MomentPicture | None:
        """All mics around the first place of a finding, if that was kept."""
        mine = (m for m in self._pictures.moments if (m.code, m.finding_files) == (finding.code, finding.files))
        return next(mine, None)

    # ------------------------------------------------------------ drums and hits
    @cached_property
    def hits_by_drum(self) -> dict[str, list[Hit]]:
        """drum -> its hits, kit order, drums that were hit only."""
        found: dict[str, list[Hit]] = {}
        for drum in (*DRUM_ORDER, *sorted({h.drum for h in self.measurements.hits} - set(DRUM_ORDER))):
            hits = [h for h in self.measurements.hits if h.drum == drum]
            if hits:
                found[drum] = hits
        return found

    def drum(self, drum: str) -> str:
        """How the report calls a drum."""
        return self.words.drum(drum)

    def drum_of(self, channel: Channel) -> str | None:
        """The drum a microphone stands at."""
        return DRUM_OF_ROLE.get(channel.role)

    # ------------------------------------------------------------ findings
    @cached_property
    def findings(self) -> tuple[RankedFinding, ...]:
        """All findings, what has to be fixed first; within a severity the red lines first, then as found."""
        red = {index: place for place, index in enumerate(self.measurements.verdict.red_lines)}
        order = sorted(
            range(len(self.measurements.findings)),
            key=lambda i: (SEVERITIES.index(self.measurements.findings[i].severity), red.get(i, len(red)), i),
        )
        return tuple(RankedFinding(n, self.measurements.findings[i]) for n, i in enumerate(order, start=1))

    @cached_property
    def red_lines(self) -> tuple[RankedFinding, ...]:
        """The findings that decide the verdict."""
        chosen = [self.measurements.findings[i] for i in self.measurements.verdict.red_lines]
        return tuple(next(r for r in self.findings if r.finding is f) for f in chosen)

    def findings_of(self, file: str) -> tuple[RankedFinding, ...]:
        """The findings about one channel."""
        return tuple(r for r in self.findings if file in r.finding.files)

    def count(self, severity: Severity) -> int:
        """How many findings have this severity."""
        return sum(f.severity == severity for f in self.measurements.findings)

    def subject(self, finding: Finding, most: int = 3) -> str:
        """Which channels a finding is about: "kick in, kick out and 3 more"."""
        labels = [self.label(f) for f in finding.files]
        if not labels:
            return self.words("common.whole_take")
        return self.listing(labels, most)

    def listing(self, items: Sequence[str], most: int) -> str:
        """A list in words, cut after `most` items: "a, b and 3 more"."""
        shown, rest, comma = list(items[:most]), len(items) - most, self.words("common.comma")
        if rest > 0:
            return self.words("common.and_more", items=comma.join(shown), n=rest)
        if len(shown) > 1:
            return self.words("common.and_last", items=comma.join(shown[:-1]), last=shown[-1])
        return shown[0] if shown else ""
