"""Takes that begin or end in the sound: the head or the tail was cut off."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from kitproof.find.evidence import Evidence
from kitproof.find.texts import db, dbfs
from kitproof.model import Finding
from kitproof.observed.interference import FileEnds, LateSound

Side = Literal["head", "tail"]


def findings_of(e: Evidence) -> Iterator[Finding]:
    """At most one finding for each end of the take."""
    yield from _cut(e, "head")
    yield from _cut(e, "tail")


def _cut(e: Evidence, side: Side) -> Iterator[Finding]:
    kit = {c.file for c in e.kit}
    found = [(over, level, r.file) for r in e.records(FileEnds) if r.file in kit for over, level in _over(e, r, side)]
    if not found:
        return
    found.sort(reverse=True)
    over, level, _ = found[0]
    files = tuple(file for _, _, file in found)
    begins, edge = ("begins", "first") if side == "head" else ("ends", "last")
    where = f", most on {e.label(files[0])}" if len(files) > 1 else ""
    yield Finding(
        code="start-cut" if side == "head" else "ending-cut",
        severity="fix" if over >= e.limits["end_fix_db"] else "look", files=files,
        message=f"{e.head(*files)} {begins if len(files) == 1 else begins[:-1]} in the sound: the {edge} 10 ms are at "
        f"{dbfs(level)}, {db(over)} over the noise{where}.",
        action="Export again from the recording, from 2 s before the first stroke to 10 s after the last; if it was "
        "not recorded, play that part again.",
        value=over, unit="dB", confidence=0.9 if len(files) > 1 else 0.75,
        else_maybe="Parts that are meant to follow one another without a break.",
    )  # fmt: skip


def _still(e: Evidence, r: FileEnds) -> bool:
    """Whether the level stands still at the end: a ring falls, and a stroke cut short has just risen."""
    return r.tail_fall_db is not None and abs(r.tail_fall_db) < e.limits["end_still_db"]


def _over(e: Evidence, r: FileEnds, side: Side) -> Iterator[tuple[float, float]]:
    """(dB over the noise, dBFS) if it is too much, else nothing."""
    level = r.head_dbfs if side == "head" else r.tail_dbfs
    c, facts = e.measured(r.file), e.facts(r.file)
    if level is None or c is None or (side == "tail" and facts is not None and facts.problem == "truncated"):
        return
    if side == "tail" and (_still(e, r) or any(s.kind == "steady" for s in e.records(LateSound))):
        return  # noise that came up during the take is no ring
    if c.noise_floor_dbfs is not None:
        floor = c.noise_floor_dbfs
    elif c.sample_peak_dbfs is not None:
        # It never falls silent, so the floor lies at least as far under the peak as a common room's.
        floor = c.sample_peak_dbfs - e.limits["end_room_db"]
    else:
        return
    if level > e.limits["end_least_dbfs"] and level - floor > e.limits["end_over_noise_db"]:
        yield level - floor, level
