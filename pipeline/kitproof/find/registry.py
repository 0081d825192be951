"""All families of checks, in the order they are asked. One module per family, each with findings_of(evidence)."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from kitproof.find import (
    bleed,
    chain,
    clicks,
    clipping,
    copies,
    courses,
    endings,
    files,
    foreign,
    gaps,
    hum,
    identity,
    instrument,
    interference,
    jumps,
    level,
    life,
    naming_distance,
    noise,
    origin,
    pairs,
    placement,
    polarity,
    room,
    routed,
    sides,
    tuning,
    wash,
)
from kitproof.find.evidence import Evidence
from kitproof.model import Finding

FAMILIES: tuple[Callable[[Evidence], Iterator[Finding]], ...] = (
    files.findings_of,
    life.findings_of,
    gaps.findings_of,
    level.findings_of,
    clipping.findings_of,
    copies.findings_of,
    identity.findings_of,
    naming_distance.findings_of,
    foreign.findings_of,
    placement.findings_of,
    polarity.findings_of,
    sides.findings_of,
    courses.findings_of,
    jumps.findings_of,
    pairs.findings_of,
    chain.findings_of,
    hum.findings_of,
    noise.findings_of,
    origin.findings_of,
    clicks.findings_of,
    routed.findings_of,
    interference.findings_of,
    endings.findings_of,
    bleed.findings_of,
    tuning.findings_of,
    instrument.findings_of,
    wash.findings_of,
    room.findings_of,
)

SEVERITIES = ("fix", "look", "note")
# What can only be mended today comes first: the recording itself, then what it is, where it stands, how it sounds.
CODE_ORDER = (
    "unreadable-file", "damaged-file", "truncated-file", "ending-cut", "start-cut", "dropout", "skip",
    "dead-channel", "unpowered-mic", "clipping", "duplicate-channel", "mislabelled-channel", "foreign-stem",
    "length-mismatch", "format-mismatch", "rate-flag", "clock-drift", "channel-jump", "moved-mic", "gain-step",
    "late-channel", "left-right-swapped", "pair-offset", "polarity", "low-level", "hum", "noise", "phone-burst",
    "crackle", "knocked-mic", "buzz", "whine", "late-noise", "click-bleed", "routed-copy", "dc-offset", "limited",
    "gated", "low-cut", "lossy-origin", "tuning-drift", "snares-loose", "drum-changed", "hats-open", "snare-buzz",
    "sympathetic-ring", "bleed", "cymbal-wash", "hat-in-snare", "port-air", "comb", "slap", "hot-level", "pair-gain",
    "upsampled", "empty-side", "ring", "room-mic-close",
)  # fmt: skip
