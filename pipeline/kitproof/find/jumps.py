"""Channels that from some moment on are ahead of all the others or behind: an edit in one only, or lost samples."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import counted, ms, seconds
from kitproof.model import Finding
from kitproof.observed.timing import TimeJump


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding per channel that jumps."""
    for j in jumps(e):
        measured = e.measured(j.file)
        way = "later" if j.jump_ms > 0.0 else "earlier"
        yield Finding(
            code="channel-jump", files=(j.file,),
            severity="fix" if _fits(e, j) and j.n_agreeing >= e.limits["jump_fix_drums"] else "look",
            message=f"{e.head(j.file)} is {ms(abs(j.jump_ms))} {way} than the other channels from about "
            f"{seconds(j.time_s)} on, on {counted(j.n_agreeing, 'drum')}, and was not before.",
            action=f"Look in the session for an edit in {e.label(j.file)} alone and move what follows back by as much; "
            "if there is none, its recorder lost samples: play it again.",
            value=j.jump_ms, unit="ms", confidence=min(0.95, round(j.fit + 0.1 * (j.n_agreeing - 1), 2)),
            times_s=(j.time_s,), n_times=1, drum=None if measured is None else measured.drum,
            else_maybe="From there on the file is of another take at the same tempo.",
        )  # fmt: skip


def jumps(e: Evidence) -> list[TimeJump]:
    """The jumps that are sure: several drums fit where they were moved to, and do not fit where they were.

    Kick mics are left out: what they hear of the kit has no edges.
    """
    return [
        j for j in e.records(TimeJump)
        if (c := e.measured(j.file)) is not None and c.drum != "kick"
        and abs(j.jump_ms) >= e.limits["jump_least_ms"] and (_fits(e, j) or _all_agree(e, j))
    ]  # fmt: skip


def _fits(e: Evidence, j: TimeJump) -> bool:
    """Moved it fits well, on three drums or more and half of them at least."""
    several = j.n_agreeing >= e.limits["jump_fewest_drums"] and j.n_agreeing >= e.limits["jump_share"] * j.n_drums
    return several and j.fit >= e.limits["jump_fit"] and j.fit_unmoved <= e.limits["jump_unmoved"]


def _all_agree(e: Evidence, j: TimeJump) -> bool:
    """In a short take nothing fits well; that three drums or more, and all of them, say the same is no chance."""
    agree = j.n_agreeing == j.n_drums >= e.limits["jump_fewest_drums"]
    return agree and j.fit >= e.limits["jump_fit_all"] and j.fit_unmoved <= e.limits["jump_unmoved_all"]
