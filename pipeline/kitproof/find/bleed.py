"""Bleed: which close mics belong to their drum, and which are part of the whole picture.

Bleed is a choice, or the room's; it is never to be fixed. Cymbal mics hear the whole kit by nature and get
no more than a note.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from kitproof.find.evidence import Evidence, drum_of
from kitproof.find.texts import db, listed, number
from kitproof.model import BleedEntry, Finding
from kitproof.roles import drum_label

CYMBAL_MICS = ("hi-hat", "ride")


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding per drum mic that another drum dominates, and one note for all shared mics."""
    strong = {c.file: entries for c in e.kit if (entries := _above(e, c.file, "bleed_not_close_db"))}
    looked = {
        file: plain
        for file, entries in strong.items()
        if _role(e, file) not in CYMBAL_MICS and (plain := [b for b in entries if _plain(e, b)])
    }
    for file, entries in looked.items():
        yield _not_close(e, file, entries)
    shared = {
        c.file: entries for c in e.kit if c.file not in looked and (entries := _above(e, c.file, "bleed_shared_db"))
    }
    if shared:
        yield _shared(e, shared)


def _role(e: Evidence, file: str) -> str:
    channel = e.channel(file)
    return channel.role if channel is not None else ""


def _above(e: Evidence, file: str, limit: str) -> list[BleedEntry]:
    """What bleeds into a mic by more than a limit, loudest first; only figures from enough strokes of both drums."""
    own = drum_of(_role(e, file))
    if own is None or e.n_hits(own) < e.limits["bleed_fewest_own_hits"]:
        return []
    found = [
        b for b in e.bleed
        if b.file == file and b.bleed_db is not None and b.bleed_db > e.limits[limit]
        and b.spread_db is not None and b.spread_db <= e.limits["bleed_spread_db"]
        and b.n_hits >= e.limits["bleed_fewest_hits"] and _struck_apart(e, b.drum, own)
    ]  # fmt: skip
    return sorted(found, key=lambda b: -(b.bleed_db or 0.0))


def _plain(e: Evidence, b: BleedEntry) -> bool:
    """Whether it is the mic's place that lets a drum in, and not what is played or what is in the low end alone.

    The figure compares usual strokes. Of a snare these are often ghosts, so here the other drum is held against its
    hard ones. And low end reaches every mic wherever it stands: the middle must show it too.
    """
    own = drum_of(_role(e, b.file))
    limit = e.limits["bleed_not_close_db"]
    strengths = [h.strength_db for h in e.hits if h.drum == own and h.strength_db is not None]
    hard_db = max(0.0, float(np.percentile(strengths, e.limits["bleed_hard_percentile"]))) if strengths else 0.0
    return all(level is not None and level - hard_db > limit for level in (b.bleed_db, b.bleed_mid_db))


def _struck_apart(e: Evidence, drum: str, own: str) -> bool:
    """Whether a drum is struck without the mic's own often enough to tell the two apart."""
    gap_s = e.limits["bleed_apart_s"]
    times = np.array([h.time_s for h in e.hits if h.drum == drum])
    others = np.array([h.time_s for h in e.hits if h.drum == own])
    if not len(others):
        return len(times) > 0
    apart = np.array([np.abs(others - t).min() > gap_s for t in times])
    return len(apart) > 0 and float(apart.mean()) >= e.limits["bleed_apart_share"]


def _not_close(e: Evidence, file: str, entries: list[BleedEntry]) -> Finding:
    label, worst = e.label(file), entries[0]
    level = worst.bleed_db or 0.0
    word = "above" if level > 0 else "below"
    rest = listed([_drum(b) for b in entries[1:]])
    return Finding(
        code="bleed", severity="look", files=(file,),
        message=f"{e.head(file)} hears {_drum(worst)} only {db(abs(level))} {word} its own drum"
        + (f"; {rest} nearly as much." if rest else "."),
        action=f"Move {label} nearer to its head and turn its deaf side towards {_drum(worst)}, "
        "or plan to use it as part of the whole picture.",
        value=level, unit="dB", confidence=_confidence(e, entries), drum=drum_of(_role(e, file)),
        else_maybe="Its own drum was played far more softly than the rest.",
    )  # fmt: skip


def _shared(e: Evidence, shared: dict[str, list[BleedEntry]]) -> Finding:
    files = sorted(shared, key=lambda f: -(shared[f][0].bleed_db or 0.0))
    worst = shared[files[0]][0]
    return Finding(
        code="bleed", severity="note", files=tuple(files),
        message=f"{e.head(*files)}: another drum is within {number(-e.limits['bleed_shared_db'], 0)} dB of the own; "
        f"the most is {_drum(worst)} in {e.label(worst.file)} at {db(worst.bleed_db or 0.0)}.",
        action="Treat these mics as part of the picture: what is done to one drum here is heard on the others.",
        value=worst.bleed_db, unit="dB", confidence=_confidence(e, shared[files[0]]),
        else_maybe="A light touch on these drums.",
    )  # fmt: skip


def _drum(b: BleedEntry) -> str:
    if b.drum == "unmiked":
        return "a drum without a mic"
    return drum_label(b.drum) if b.drum.startswith("rack") else f"the {drum_label(b.drum)}"


def _confidence(e: Evidence, entries: list[BleedEntry]) -> float:
    """Less sure the more the ratio varies from stroke to stroke."""
    spread = entries[0].spread_db or 0.0
    return round(0.95 - 0.35 * min(1.0, spread / e.limits["bleed_spread_db"]), 2)
