"""Ceilings below full scale: clipping that a preamp or the mic itself did, which no meter shows, and limiters.

Both end the loudest strokes at one level. What is cut off is flat there: the samples beside the highest one
stand as high. A limiter turns the whole wave down, so its tops stay round and one alone of each stroke comes
up to the ceiling; or it shows only by strokes that end at one height here and differ in the other mics. Flat
tops at full scale are level.py's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from kitproof.find.evidence import Evidence, drum_of
from kitproof.find.level import VITAL, drums_at, own_hits_clipped
from kitproof.find.texts import counted, db, dbfs
from kitproof.model import ChannelFaults, ChannelMeasures, Finding, Plateau, Severity
from kitproof.observed.chain import HeldBack
from kitproof.roles import drum_label


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding per channel of the kit with a ceiling and no flat top at full scale."""
    every_held = {h.file: h for h in e.records(HeldBack)}
    plateaus = {f.file: _sure(e, f) for f in e.records(ChannelFaults)}
    for c in e.kit:
        sure, held = plateaus.get(c.file, []), every_held.get(c.file)
        flat = is_flat(e, sure) if sure else None
        if c.clip_runs_n:
            continue
        if flat is not True and held is not None and _is_held(e, held, sure):
            yield _held(e, c, held)
        elif flat is False:
            yield from _limited(e, c, sure)
        elif sure:
            yield _ceiling(e, c, sure, unclear=flat is None)


def cut_off_times(e: Evidence, file: str) -> list[float]:
    """Places at which a channel is cut off flat below full scale, s; empty for a limiter."""
    for f in e.records(ChannelFaults):
        if f.file == file and is_flat(e, _sure(e, f)):
            return _places(e, _sure(e, f))
    return []


def _sure(e: Evidence, f: ChannelFaults) -> list[Plateau]:
    return [p for p in f.plateaus if p.confidence >= e.limits["ceiling_sure"] or p.n_moments == 1]


def is_flat(e: Evidence, plateaus: Sequence[Plateau]) -> bool | None:
    """Whether the wave is cut off at these ceilings; False: a limiter's round tops; None: too short to tell."""
    beside, level = sum(p.n_beside for p in plateaus), sum(p.n_level for p in plateaus)
    if beside >= e.limits["ceiling_fewest_beside"]:
        share = level / beside
        return True if share >= e.limits["ceiling_flat"] else False if share <= e.limits["ceiling_round"] else None
    # Tops of a single sample: a wave that is cut off meets the ceiling again and again within one stroke.
    n_tops, n_moments = sum(p.n_tops for p in plateaus), sum(p.n_moments for p in plateaus)
    once = n_tops <= e.limits["ceiling_tops_per_stroke"] * n_moments and n_tops >= e.limits["limited_fewest"]
    return False if once and not level else None


def _places(e: Evidence, plateaus: Sequence[Plateau]) -> list[float]:
    return _together(sorted(t for p in plateaus for t in p.times_s), e.limits["clip_gap_s"])


def _ceiling(e: Evidence, c: ChannelMeasures, plateaus: list[Plateau], *, unclear: bool) -> Finding:
    label, drum = e.label(c.file), drum_of(c.role)
    value = max(p.ceiling_dbfs for p in plateaus)
    times = _places(e, plateaus)
    n = max(len(times), max(p.n_moments for p in plateaus))
    n_own, n_hits = own_hits_clipped(e, c, times)
    strokes = f", {n_own} of the {counted(n_hits, 'stroke')} of its own drum" if n_own else drums_at(e, times)
    side = "on both sides" if len(plateaus) > 1 else f"on the {plateaus[0].side} side only"
    severity = "look" if unclear else _severity(e, drum, n_own, n_hits, n)
    return Finding(
        code="clipping", severity=severity, files=(c.file,),
        message=f"{e.head(c.file)} is cut off flat at {dbfs(value)}, {side}, in {counted(n, 'place')}{strokes}: "
        "something before the converter is overdriven.",
        action=f"Put in the pad of {label}'s preamp or of the mic and turn down; if the ceiling moves with the gain, "
        "it is the mic or its input.",
        value=value, unit="dBFS",
        confidence=round(min(0.6 if unclear else 1.0, max(p.confidence for p in plateaus)), 2),
        times_s=tuple(times[:20]), n_times=n, drum=drum,
        else_maybe="A limiter: the tops are too short to tell." if unclear
        else "A file that was clipped at full scale and turned down afterwards.",
    )  # fmt: skip


def _limited(e: Evidence, c: ChannelMeasures, plateaus: list[Plateau]) -> Iterator[Finding]:
    times = _places(e, plateaus)
    n = max(len(times), max(p.n_moments for p in plateaus))
    if n < e.limits["limited_fewest"]:
        return
    value, label = max(p.ceiling_dbfs for p in plateaus), e.label(c.file)
    n_own, n_hits = own_hits_clipped(e, c, times)
    strokes = f", {n_own} of the {counted(n_hits, 'stroke')} of its own drum" if n_own else drums_at(e, times)
    yield Finding(
        code="limited", severity="look", files=(c.file,),
        message=f"{e.head(c.file)} ends at exactly {dbfs(value)} in {counted(n, 'place')}{strokes}, with round tops: "
        "a limiter is printed into the recording.",
        action=f"Ask whether the limiter on {label} was wanted; if not, take it out of the recording path and play "
        "it again.",
        value=value, unit="dBFS", confidence=round(max(p.confidence for p in plateaus), 2),
        times_s=tuple(times[:20]), n_times=n, drum=drum_of(c.role),
        else_maybe="A stage that rounds its peaks before it clips.",
    )  # fmt: skip


def _is_held(e: Evidence, h: HeldBack, plateaus: Sequence[Plateau]) -> bool:
    """Whether so many strokes end at one height, and differ by so much in the other mics, that no player does it.

    Fewer do where they differ by far more, or where the wave itself was seen to end at one height, with no sample
    beside its tops as high.
    """
    wide = h.within_db >= e.limits["held_wide_db"]
    least = e.limits["held_distant_db" if h.drum is None else "held_soft_db" if wide else "held_least_db"]
    ends = bool(plateaus) and not sum(p.n_level for p in plateaus)
    few = ends or h.range_db >= e.limits["held_clear"] * least
    fewest = e.limits["limited_fewest" if few else "held_fewest"]
    return (
        h.n_held >= fewest and h.range_db >= least and h.agreement >= e.limits["held_agreement"]
        and h.n_held_as_loud >= e.limits["held_share"] * h.n_as_loud
    )  # fmt: skip


def _held(e: Evidence, c: ChannelMeasures, h: HeldBack) -> Finding:
    label = e.label(c.file)
    what = f"{counted(h.n_held, 'stroke')} of the {drum_label(h.drum)}" if h.drum else f"{h.n_held} loud moments"
    return Finding(
        code="limited", severity="look", files=(c.file,),
        message=f"{e.head(c.file)}: {what} end within {db(h.within_db)} at {dbfs(h.ceiling_dbfs)}, although they "
        f"differ by {db(h.range_db)} in the other mics: a limiter or compressor is printed into the recording.",
        action=f"Ask whether the limiter on {label} was wanted; if not, take it out of the recording path and play "
        "it again.",
        value=h.ceiling_dbfs, unit="dBFS", confidence=round(min(0.95, 0.5 + 0.5 * h.agreement), 2),
        times_s=h.times_s, n_times=h.n_held, drum=drum_of(c.role),
        else_maybe="A sample that a trigger plays.",
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
