"""Clipping below full scale: a ceiling that a preamp or the mic itself set, which no meter shows.

Flat tops at full scale are level.py's.
"""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence, drum_of
from kitproof.find.level import VITAL, own_hits_clipped
from kitproof.find.texts import counted, dbfs
from kitproof.model import ChannelFaults, ChannelMeasures, Finding, Plateau, Severity


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding per channel of the kit with a ceiling and no flat top at full scale."""
    for f in e.records(ChannelFaults):
        c = e.measured(f.file)
        if c is None or c.clip_runs_n or c not in e.kit:
            continue
        sure = [p for p in f.plateaus if p.confidence >= e.limits["ceiling_sure"] or p.n_moments == 1]
        if sure:
            yield _ceiling(e, c, sure)


def _ceiling(e: Evidence, c: ChannelMeasures, plateaus: list[Plateau]) -> Finding:
    label, drum = e.label(c.file), drum_of(c.role)
    value = max(p.ceiling_dbfs for p in plateaus)
    times = _together(sorted(t for p in plateaus for t in p.times_s), e.limits["clip_gap_s"])
    n = max(len(times), max(p.n_moments for p in plateaus))
    n_own, n_hits = own_hits_clipped(e, c, times)
    side = "on both sides" if len(plateaus) > 1 else f"on the {plateaus[0].side} side only"
    return Finding(
        code="clipping", severity=_severity(e, drum, n_own, n_hits, n), files=(c.file,),
        message=f"{e.head(c.file)} is cut off flat at {dbfs(value)}, {side}, in {counted(n, 'place')}: "
        "something before the converter is overdriven.",
        action=f"Put in the pad of {label}'s preamp or of the mic and turn down; if the ceiling moves with the gain, "
        "it is the mic or its input.",
        value=value, unit="dBFS", confidence=round(max(p.confidence for p in plateaus), 2),
        times_s=tuple(times[:20]), n_times=n, drum=drum,
        else_maybe="A file that was clipped at full scale and turned down afterwards.",
    )  # fmt: skip


def _together(times: list[float], gap_s: float) -> list[float]:
    out: list[float] = []
    last = -1.0
    for t in times:
        if last < 0.0 or t - last > gap_s:
            out.append(t)
        last = t
    return out


def _severity(e: Evidence, drum: str | None, n_own: int, n_hits: int, n_places: int) -> Severity:
    if drum in VITAL and n_own:
        bad = n_own >= e.limits["clip_fix_hits"] or n_own > e.limits["clip_fix_share"] * n_hits
        return "fix" if bad else "look"
    return "fix" if n_places >= e.limits["clip_fix_others"] else "look"
