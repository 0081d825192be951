"""Channels that hold their own signal a second time by an electronic path: a monitor return, a printed effect."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import db, ms
from kitproof.model import Finding
from kitproof.observed.chain import RoutedCopy


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding for all channels with the same delay, the loudest copy first."""
    kit = {c.file for c in e.kit}
    open_ = [r for r in e.records(RoutedCopy) if r.file in kit and r.level_db >= e.limits["routed_least_db"]]
    open_.sort(key=lambda r: -r.level_db)
    while open_:
        same = [r for r in open_ if abs(r.delay_ms - open_[0].delay_ms) <= e.limits["routed_same_ms"]]
        open_ = [r for r in open_ if r not in same]
        yield _finding(e, same)


def _finding(e: Evidence, same: list[RoutedCopy]) -> Finding:
    worst, files = same[0], tuple(r.file for r in same)
    turned = ", upside down" if worst.inverted else ""
    return Finding(
        code="routed-copy", severity="fix" if worst.level_db >= e.limits["routed_fix_db"] else "look", files=files,
        message=f"{e.head(*files)}: everything is there a second time {ms(worst.delay_ms)} later, "
        f"{db(-worst.level_db)} softer{turned}, the hiss of rests too, which no wall gives back.",
        action="Look for a second path into the recording input (monitor return, direct monitoring, a printed effect), "
        "take it out and play it again.",
        value=worst.delay_ms, unit="ms", confidence=0.9,
        else_maybe="An effect that is meant to be printed.",
    )  # fmt: skip
