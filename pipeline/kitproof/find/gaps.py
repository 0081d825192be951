"""Dropouts: samples lost on the way to the disk, in one channel or in all at once."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import counted, listed, seconds
from kitproof.model import ChannelFaults, Finding, Gap
from kitproof.observed.chain import Break, Skip
from kitproof.observed.interference import LoneSounds


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding per channel with holes or breaks; one for all in which the sound jumps at the same instant."""
    kit = {c.file for c in e.kit}
    records = [f for f in e.records(ChannelFaults) if f.file in kit]
    for f in records:
        holes = [g for g in f.gaps if g.kind != "jump"]
        if holes:
            yield _holes(e, f.file, holes)
    lost = _losses(e)
    if lost:
        yield _skip(e, lost)
    yield from _jumps(e, records, [s.time_s for s in lost])
    for f in records:
        yield from _breaks(e, f)


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


def _breaks(e: Evidence, f: ChannelFaults) -> Iterator[Finding]:
    """Breaks of one channel that no hole, cracking lead or overload explains; a lone small one is worth a note."""
    c, near_s = e.measured(f.file), e.limits["break_apart_s"]
    if c is None:
        return
    holes = [(g.start_s, g.start_s + g.n_samples / c.rate_hz) for g in f.gaps if g.kind != "jump"]
    clipped = [(r.start_s, r.start_s + r.n_samples / c.rate_hz) for r in c.clip_runs]
    cracks = [(t, t) for s in e.records(LoneSounds) if s.file == f.file for t in s.times_s]
    known = [*holes, *clipped, *cracks]
    found = [
        b for b in e.records(Break)
        if b.file == f.file and not any(a - near_s <= b.time_s <= z + near_s for a, z in known)
    ]  # fmt: skip
    if not found:
        return
    sure = len(found) >= e.limits["break_fewest"] or found[0].over_db >= e.limits["break_alone_db"]
    yield Finding(
        code="dropout", severity="look" if sure else "note", files=(f.file,),
        message=f"{e.head(f.file)} jumps from one sample to the next, {counted(len(found), 'time')}, while the other "
        "channels go on: samples were lost there.",
        action="Listen at the times given; if it clicks, enlarge the buffer, check the cable of the interface, "
        "and play it again.",
        value=found[0].time_s, unit="s", confidence=0.75 if sure else 0.5,
        times_s=tuple(b.time_s for b in found[:20]), n_times=len(found), drum=c.drum,
        else_maybe="An edit without a fade, or a cracking lead.",
    )  # fmt: skip


def _losses(e: Evidence) -> list[Skip]:
    """Instants at which the kit breaks off: proven by one that most mics show, others may hide under cymbals.

    A stroke that leaks from one preamp into its neighbours bends a few channels at one sample, too.
    """
    n_kit = len(e.kit)
    skips = e.records(Skip)
    if not any(len(s.files) >= e.limits["skip_share"] * n_kit for s in skips):
        return []
    return [s for s in skips if len(s.files) >= e.limits["skip_also_share"] * n_kit]


def _skip(e: Evidence, lost: list[Skip]) -> Finding:
    files = tuple(c.file for c in e.kit)
    most = max(len(s.files) for s in lost)
    return Finding(
        code="skip", severity="fix", files=files,
        message=f"The sound breaks off at the same sample in up to {most} of {counted(len(files), 'mic')}, "
        f"{counted(len(lost), 'time')}: samples were lost or doubled in every channel.",
        action="Close other programs, enlarge the buffer, and play it again; listen at the times given.",
        value=lost[0].time_s, unit="s", confidence=0.9, times_s=tuple(s.time_s for s in lost[:20]), n_times=len(lost),
        else_maybe="An edit without a fade across all channels.",
    )  # fmt: skip


def _jumps(e: Evidence, records: list[ChannelFaults], known_s: list[float]) -> Iterator[Finding]:
    """Jumps that several channels share: a lone one may be a crackling lead and is left alone."""
    side_s = 0.001 * e.limits["gap_side_ms"]
    jumps = sorted(
        (g.start_s, f.file) for f in records for g in f.gaps
        if g.kind == "jump" and not any(abs(g.start_s - t) <= 4.0 * side_s for t in known_s)
    )  # fmt: skip
    times: list[float] = []
    files: list[str] = []
    for t, _ in jumps:
        near = {file for other, file in jumps if abs(other - t) <= side_s}
        if len(near) >= 2 and (not times or t - times[-1] > side_s):
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
