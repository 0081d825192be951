"""Dropouts: samples lost on the way to the disk, in one channel or in all at once."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import counted, listed, seconds
from kitproof.model import ChannelFaults, Finding, Gap


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding per channel with holes; one for all channels in which the sound jumps at the same instant."""
    kit = {c.file for c in e.kit}
    records = [f for f in e.records(ChannelFaults) if f.file in kit]
    for f in records:
        holes = [g for g in f.gaps if g.kind != "jump"]
        if holes:
            yield _holes(e, f.file, holes)
    yield from _skips(e, records)


def _holes(e: Evidence, file: str, holes: list[Gap]) -> Finding:
    longest = max(g.n_samples for g in holes)
    c = e.measured(file)
    length = f", the longest {seconds(longest / c.rate_hz)}" if c is not None else ""
    return Finding(
        code="dropout", severity="fix", files=(file,),
        message=f"{e.head(file)} has {counted(len(holes), 'hole')} while it sounds{length}: samples were lost.",
        action="Close other programs, enlarge the buffer, check the cable of the interface, and play it again.",
        value=holes[0].start_s, unit="s", confidence=0.95,
        times_s=tuple(g.start_s for g in holes[:20]), n_times=len(holes), drum=None if c is None else c.drum,
        else_maybe="An edit without a fade.",
    )  # fmt: skip


def _skips(e: Evidence, records: list[ChannelFaults]) -> Iterator[Finding]:
    """Jumps that several channels share: a lone one may be a crackling lead and is left alone."""
    jumps = sorted((g.start_s, f.file) for f in records for g in f.gaps if g.kind == "jump")
    times: list[float] = []
    files: list[str] = []
    for t, _ in jumps:
        near = {file for other, file in jumps if abs(other - t) <= 0.001 * e.limits["gap_side_ms"]}
        if len(near) >= 2 and (not times or t - times[-1] > 0.001 * e.limits["gap_side_ms"]):
            times.append(t)
            files += sorted(near - set(files))
    if times:
        yield Finding(
            code="dropout", severity="fix", files=tuple(files),
            message=f"The sound jumps in {listed(e.labels(files))} at the same instant, "
            f"{counted(len(times), 'time')}: samples were lost in every channel.",
            action="Close other programs, enlarge the buffer, and play it again; listen at the times given.",
            value=times[0], unit="s", confidence=0.8, times_s=tuple(times[:20]), n_times=len(times),
            else_maybe="An edit without a fade across all channels.",
        )  # fmt: skip
