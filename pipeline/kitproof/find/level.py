"""Level: flat tops at full scale, peaks too near to it, and a wave off its centre line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from statistics import median

from kitproof.find.evidence import Evidence, drum_of
from kitproof.find.texts import counted, dbfs, listed, number
from kitproof.model import ChannelMeasures, Finding, Severity

VITAL = ("kick", "snare")


def findings_of(e: Evidence) -> Iterator[Finding]:
    """Clipping per channel, one finding on hot levels, offsets per channel."""
    for c in e.channels:
        if c.clip_runs_n:
            yield _clipped(e, c)
    yield from _hot(e)
    for c in e.kit:
        yield from _offset(e, c)


def clipped_times(e: Evidence, c: ChannelMeasures) -> list[float]:
    """Start of every flat place, s: runs nearer together than one stroke lasts count once."""
    times: list[float] = []
    last = -1.0
    for run in sorted(c.clip_runs, key=lambda r: r.start_s):
        if last < 0.0 or run.start_s - last > e.limits["clip_gap_s"]:
            times.append(run.start_s)
        last = run.start_s
    return times


def own_hits_clipped(e: Evidence, c: ChannelMeasures, times: Sequence[float]) -> tuple[int, int]:
    """(strokes of the channel's own drum with a flat place, strokes in all)."""
    own = [h.time_s for h in e.hits if h.drum == drum_of(c.role)]
    before, after = e.limits["clip_before_s"], e.limits["clip_gap_s"]
    struck = sum(any(-before <= t - hit <= after for t in times) for hit in own)
    return struck, len(own)


def drums_at(e: Evidence, times: Sequence[float]) -> str:
    """Whose strokes these times fall on: the drum that most of them follow, then the one that most of the rest do."""
    before, after = e.limits["clip_before_s"], e.limits["clip_gap_s"]
    left = list(times)
    named: list[str] = []
    while left and len(named) < 2:
        near = Counter(
            drum
            for t in left
            for drum in {h.drum for h in e.hits if -before <= t - h.time_s <= after and h.drum != "unmiked"}
        )
        if not near:
            break
        drum, n = near.most_common(1)[0]
        named.append(f"of the {drum} ({n})")
        left = [t for t in left if not any(h.drum == drum and -before <= t - h.time_s <= after for h in e.hits)]
    return f", with strokes {listed(named)}" if named else ""


def _clipped(e: Evidence, c: ChannelMeasures) -> Finding:
    label, times = e.label(c.file), clipped_times(e, c)
    n_own, n_hits = own_hits_clipped(e, c, times)
    ceiling = median(r.level_dbfs for r in c.clip_runs)
    counted_all = len(c.clip_runs) == c.clip_runs_n
    places = ("" if counted_all else "at least ") + counted(len(times), "place")
    strokes = f", {n_own} of the {counted(n_hits, 'stroke')} of its own drum" if n_hits else drums_at(e, times)
    return Finding(
        code="clipping", severity=_clip_severity(e, c, n_own, n_hits, len(times)), files=(c.file,),
        message=f"{e.head(c.file)} is cut off flat at {dbfs(ceiling)} in {places}{strokes}.",
        action=f"Turn the preamp of {label} down by 6 dB or put its pad in, and play it again.",
        value=ceiling, unit="dBFS", confidence=0.95 if len(times) > 1 else 0.8,
        times_s=tuple(times[:20]), n_times=len(times), drum=drum_of(c.role),
        else_maybe="The file was brought up to full scale after recording." if len(times) == 1 else "",
    )  # fmt: skip


def _clip_severity(e: Evidence, c: ChannelMeasures, n_own: int, n_hits: int, n_places: int) -> Severity:
    if drum_of(c.role) is None and c not in e.kit:
        return "note"  # a clipped click or talkback harms no drum
    if drum_of(c.role) in VITAL and n_own:
        bad = n_own >= e.limits["clip_fix_hits"] or n_own > e.limits["clip_fix_share"] * n_hits
        return "fix" if bad else "look"
    return "fix" if n_places >= e.limits["clip_fix_others"] else "look"


def _hot(e: Evidence) -> Iterator[Finding]:
    """One finding for all channels that come close to full scale without a flat top."""
    peaks = {
        c.file: max(c.sample_peak_dbfs, c.true_peak_dbtp if c.true_peak_dbtp is not None else c.sample_peak_dbfs)
        for c in e.kit if c.sample_peak_dbfs is not None and not c.clip_runs_n
    }  # fmt: skip
    hot = sorted((f for f, peak in peaks.items() if peak > e.limits["hot_dbfs"]), key=lambda f: -peaks[f])
    if not hot:
        return
    top = peaks[hot[0]]
    yield Finding(
        code="hot-level", severity="note", files=tuple(hot),
        message=f"{e.head(*hot)}: less than {number(-e.limits['hot_dbfs'], 0)} dB under full scale, at {dbfs(top)}"
        + (" the loudest." if len(hot) > 1 else "."),
        action="Turn these preamps down by 6 dB before the next take: players hit harder once it counts.",
        value=top, unit="dBFS", else_maybe="Files brought up after recording.",
        times_s=_peak_times(e, hot), n_times=len(_peak_times(e, hot)),
    )  # fmt: skip


def _peak_times(e: Evidence, files: Sequence[str]) -> tuple[float, ...]:
    found = [e.measured(f) for f in files]
    return tuple(c.sample_peak_time_s for c in found if c is not None and c.sample_peak_time_s is not None)[:20]


def _offset(e: Evidence, c: ChannelMeasures) -> Iterator[Finding]:
    if c.dc_fraction is None or abs(c.dc_fraction) < e.limits["dc_fraction"]:
        return
    label = e.label(c.file)
    yield Finding(
        code="dc-offset", severity="look", files=(c.file,),
        message=f"{e.head(c.file)} sits off its centre line by {number(100.0 * c.dc_fraction, 2)} % of full scale.",
        action=f"Try {label} on another converter input; if the offset goes along, a low cut at the mix removes it.",
        value=c.dc_fraction, unit="of full scale", confidence=0.95, drum=c.drum,
    )  # fmt: skip
