"""From measurements to findings, open checks and a verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kitproof.find import unchecked
from kitproof.find.evidence import Evidence
from kitproof.find.registry import CODE_ORDER, FAMILIES, SEVERITIES
from kitproof.find.thresholds import Thresholds
from kitproof.find.verdict import verdict
from kitproof.model import (
    BleedEntry,
    ChannelMeasures,
    DrumMeasures,
    Finding,
    Hit,
    NotChecked,
    PairEntry,
    Take,
    Verdict,
)  # fmt: skip
from kitproof.roles import DRUM_OF_ROLE

# A channel with no drum in it, or no audio, has nothing else worth saying.
SILENCING = ("unreadable-file", "dead-channel")
FILE_CODES = ("unreadable-file", "damaged-file", "truncated-file", "format-mismatch", "length-mismatch", "dead-channel")
# code -> what, found on the same channel, explains it better
BETTER = {
    "noise": "hum",
    "moved-mic": "clock-drift",
    "mislabelled-channel": "duplicate-channel",
    "foreign-stem": "clock-drift",
    "knocked-mic": "foreign-stem",
}
# What is said of a drum that goes by another's name is said of the wrong drum.
OF_A_NAME = (
    "pair-offset", "late-channel", "polarity", "bleed", "low-level", "moved-mic", "foreign-stem",
    "room-mic-close", "cymbal-wash", "hat-in-snare", "port-air",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What the measurements of one take mean."""

    findings: tuple[Finding, ...]
    not_checked: tuple[NotChecked, ...]
    verdict: Verdict


def judge(
    take: Take,
    channels: Sequence[ChannelMeasures],
    drums: Sequence[DrumMeasures],
    hits: Sequence[Hit],
    bleed: Sequence[BleedEntry],
    pairs: Sequence[PairEntry],
    faults: Sequence[object] = (),
    limits: Thresholds | None = None,
) -> Judgement:
    """Judge one take. Pure: the same records give the same judgement.

    Parameters
    ----------
    faults : records of signal-level measures; each family takes those of its own type
    limits : thresholds, the common ones if None

    A take without any measured channel gives the verdict "unknown"; missing figures are listed in
    `not_checked` and never counted as fine.
    """
    evidence = Evidence(
        take=take, channels=tuple(channels), drums=tuple(drums), hits=tuple(hits), bleed=tuple(bleed),
        pairs=tuple(pairs), faults=tuple(faults), limits=limits or Thresholds(),
    )  # fmt: skip
    found = ordered(take, sounding(rightly_named(take, once([f for family in FAMILIES for f in family(evidence)]))))
    return Judgement(findings=found, not_checked=unchecked.not_checked(evidence), verdict=verdict(evidence, found))


def sounding(findings: Sequence[Finding]) -> list[Finding]:
    """Findings without what is said of the sound of a channel that has none, or explained better by another."""
    silent = {file for f in findings if f.code in SILENCING for file in f.files}
    codes = {(f.code, file) for f in findings for file in f.files}
    return [
        f for f in findings
        if (f.code in FILE_CODES or not silent & set(f.files))
        and not any((BETTER.get(f.code), file) in codes for file in f.files)
    ]  # fmt: skip


def rightly_named(take: Take, findings: Sequence[Finding]) -> list[Finding]:
    """Findings without what follows from a wrong name, on the channels concerned and on the drums they stand for."""
    wrong = {file for f in findings if f.code == "mislabelled-channel" for file in f.files}
    drums = {DRUM_OF_ROLE[c.role] for c in take.channels if c.file in wrong and c.role in DRUM_OF_ROLE}
    return [f for f in findings if f.code not in OF_A_NAME or not (wrong & set(f.files) or f.drum in drums)]


def once(findings: Sequence[Finding]) -> list[Finding]:
    """Each matter once: of findings with the same code on the same channels the gravest, then the surest."""
    best: dict[tuple[str, frozenset[str]], Finding] = {}
    for f in findings:
        key = (f.code, frozenset(f.files))
        if key not in best or _gravity(f) < _gravity(best[key]):
            best[key] = f
    return list(best.values())


def _gravity(f: Finding) -> tuple[int, float]:
    return SEVERITIES.index(f.severity), -f.confidence


def ordered(take: Take, findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """By severity, then what can only be mended today, then in the order of the channels."""
    place = {c.file: i for i, c in enumerate(take.channels)}
    rank = {code: i for i, code in enumerate(CODE_ORDER)}

    def key(f: Finding) -> tuple[int, int, int]:
        first = place.get(f.files[0], len(place)) if f.files else -1
        return SEVERITIES.index(f.severity), rank.get(f.code, len(rank)), first

    return tuple(sorted(findings, key=key))
