"""Life: is there a drum in the channel at all, and was it recorded loud enough?"""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median

from kitproof.find.evidence import Evidence, is_distant
from kitproof.find.texts import db, dbfs
from kitproof.model import ChannelMeasures, Finding
from kitproof.roles import PAIRS


def findings_of(e: Evidence) -> Iterator[Finding]:
    """Dead channels, then quiet ones; of a stub of a file neither is known, and that it is one is said elsewhere."""
    longest_s = max((c.duration_s for c in e.kit), default=0.0)
    for c in e.kit:
        if c.duration_s < e.limits["dead_least_share"] * longest_s:
            continue
        reason = dead(e, c)
        if reason:
            yield _dead_finding(e, c, reason)
        else:
            yield from _low(e, c)


def dead(e: Evidence, c: ChannelMeasures) -> str:
    """Why nothing but noise is in a channel; empty if there is something."""
    if c.sample_peak_dbfs is None or c.rms_dbfs is None or c.crest_db is None:
        return "every sample is zero"
    if c.crest_db < e.limits["dead_crest_db"] and c.n_own_hits == 0 and c.noise_floor_dbfs is not None:
        over = c.rms_dbfs - c.noise_floor_dbfs
        if over < e.limits["dead_over_noise_db"]:
            return f"steady noise at {dbfs(c.rms_dbfs)} from end to end, peaks included"
    others = _other_peaks(e, c)
    if is_distant(c.role) or c.n_own_hits or not others:
        return ""
    quiet = c.sample_peak_dbfs < e.limits["trace_peak_dbfs"]
    if quiet and c.sample_peak_dbfs < median(others) - e.limits["trace_under_others_db"]:
        return f"it never rises above {dbfs(c.sample_peak_dbfs)}, a trace of the other drums"
    return ""


def _other_peaks(e: Evidence, c: ChannelMeasures) -> list[float]:
    return [o.sample_peak_dbfs for o in e.kit if o.file != c.file and o.sample_peak_dbfs is not None]


def _dead_finding(e: Evidence, c: ChannelMeasures, reason: str) -> Finding:
    silent = c.sample_peak_dbfs is None
    label = e.label(c.file)
    return Finding(
        code="dead-channel", severity="fix", files=(c.file,),
        message=f"There is no drum in {label}: {reason}.",
        action=f"Tap the {label} mic; check phantom power, cable and patch until its meter moves, then record again.",
        value=c.sample_peak_dbfs, unit="" if silent else "dBFS", confidence=0.99 if silent else 0.95,
        else_maybe="A channel left empty on purpose." if silent else "", drum=c.drum,
    )  # fmt: skip


def _far_under_partner(e: Evidence, c: ChannelMeasures) -> bool:
    """Whether the other side of its pair is much louder: nobody means one half of a pair to be quiet."""
    others = [b if c.role == a else a for a, b in PAIRS if c.role in (a, b)]
    peaks = [o.sample_peak_dbfs for o in e.kit if o.role in others and o.sample_peak_dbfs is not None]
    under = e.limits["low_level_under_others_db"]
    return bool(peaks) and c.sample_peak_dbfs is not None and c.sample_peak_dbfs < max(peaks) - under


def _low(e: Evidence, c: ChannelMeasures) -> Iterator[Finding]:
    own = next((d.loudest_peak_dbfs for d in e.drums if d.file == c.file), None)
    peak = c.sample_peak_dbfs if own is None else own
    lone = is_distant(c.role) and not _far_under_partner(e, c)
    limit = e.limits["low_level_distant_dbfs" if lone else "low_level_dbfs"]
    if peak is None or peak >= limit:
        return
    label = e.label(c.file)
    room = None if c.noise_floor_dbfs is None else peak - c.noise_floor_dbfs
    hisses = room is not None and room < e.limits["low_level_room_db"]
    others = _other_peaks(e, c)
    alone = not others or peak < median(others) - e.limits["low_level_under_others_db"]
    above = "" if room is None else f", {db(room)} above its noise"
    unpowered = bool(others) and peak < median(others) - e.limits["trace_under_others_db"]
    power = f" If {label} needs phantom power, mute it and see that it gets it; keep phantom power off ribbon mics."
    what = "peaks at" if own is None else "is quiet: its loudest stroke peaks at"
    yield Finding(
        code="low-level", severity="fix" if hisses and alone else ("look" if alone else "note"), files=(c.file,),
        message=f"{e.head(c.file)} {what} {dbfs(peak)}{above}.",
        action=f"Take the pad out or raise the preamp of {label} until the loudest strokes reach "
        f"about \u221210 dBFS.{power if unpowered else ''}",
        value=peak, unit="dBFS", confidence=0.95 if alone else 0.7, drum=c.drum,
        else_maybe="A mic without its phantom power." if unpowered else "Brushes, or a mic kept far away on purpose.",
    )  # fmt: skip
