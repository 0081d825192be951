"""Foreign stems: a file of another take among the mics of this one, or one that was pushed along the time line."""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median

from kitproof.find.evidence import Evidence, drum_of
from kitproof.find.jumps import jumps
from kitproof.find.texts import number
from kitproof.model import Finding, Severity
from kitproof.observed.identity import LineUp


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding for every stem whose loud onsets meet those of the others by chance only.

    Kick mics are left out: what they hear of the kit has no edges.
    """
    rows = [r for r in e.records(LineUp) if _counts(e, r)]
    if len(rows) < e.limits["foreign_fewest_mics"]:
        return
    jumped = {j.file for j in jumps(e)}
    for row in rows:
        if row.file in jumped:
            continue
        others = median(r.share or 0.0 for r in rows if r is not row)
        apart = (row.share or 0.0) < e.limits[_limit(e, row)] and others >= e.limits["foreign_others_share"]
        if apart and not _arrives(e, row.file):
            yield _foreign(e, row, others)


def _arrives(e: Evidence, file: str) -> bool:
    """Whether the strokes of a mic are heard in another one, always after the same time: then both were there.

    Accents that always come with the hats, which the other mics hear first, have no edges of their own there.
    """
    fewest = e.limits["foreign_arrival_hits"]
    return any(file in (p.a, p.b) and p.n_hits >= fewest and e.known_delay(p, "foreign_arrival_ms") for p in e.pairs)


def _counts(e: Evidence, row: LineUp) -> bool:
    c = e.channel(row.file)
    enough = row.share is not None and row.n_onsets >= e.limits["foreign_fewest_onsets"]
    return enough and c is not None and e.measured(row.file) is not None and drum_of(c.role) != "kick"


def _limit(e: Evidence, row: LineUp) -> str:
    """A second mic of a drum lines up with the first above all: if that one is foreign, it is left with few."""
    return "foreign_look_share" if _first_mic(e, row) is None else "foreign_fix_share"


def _first_mic(e: Evidence, row: LineUp) -> str | None:
    """The file of the drum's first mic where this is another of its mics: either may be the stranger then."""
    c = e.channel(row.file)
    first = e.own_files.get(drum_of(c.role) or "") if c is not None else None
    return None if first == row.file else first


def _foreign(e: Evidence, row: LineUp, others: float) -> Finding:
    share = row.share or 0.0
    plain = share < e.limits["foreign_fix_share"]
    severity: Severity = "fix" if plain else "look"
    label, first = e.label(row.file), _first_mic(e, row)
    if first is not None:
        return Finding(
            code="foreign-stem", severity=severity, files=(row.file, first),
            message=f"{e.head(row.file)} and {e.label(first)} do not line up: {number(100.0 * share, 0)} % of the "
            f"{row.n_onsets} loud onsets of {label} meet those of any other mic. One of the two is not of this take.",
            action=f"Listen to {label} and {e.label(first)} together, and look for the file that belongs to this take.",
            confidence=0.8,
            else_maybe="The file was moved in the session before export, or its clock ran apart.",
        )  # fmt: skip
    return Finding(
        code="foreign-stem", severity=severity, files=(row.file,),
        message=f"{e.head(row.file)} does not line up with the other mics: {number(100.0 * share, 0)} % of its "
        f"{row.n_onsets} loud onsets meet theirs, of the other channels' {number(100.0 * others, 0)} %.",
        action=f"Look for the file of {label} that belongs to this take, and see that all files start together.",
        confidence=0.9 if plain else 0.7,
        else_maybe="The file was moved in the session before export, or its clock ran apart.",
    )  # fmt: skip
