"""What sounds along when another drum is struck: the snare's wires, toms at their own pitch; what changes for good."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import counted, db, listed, seconds
from kitproof.model import DelayCourse, Finding
from kitproof.observed.instrument import DrumSound, HatDecay, SympatheticRing, WireBuzz, WireShare
from kitproof.roles import drum_label


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding for all drums that set the wires off, the loudest first; one for each tom that rings along;
    one if the wires were set otherwise during the take; one for each drum whose strokes
    changed; one for hats that ring ever longer."""
    sure = [b for b in e.records(WireBuzz) if _is_sure(e, b)]
    if sure:
        yield _buzz(e, sorted(sure, key=lambda b: -(b.level_db or -200.0)))
    yield from (_wires_changed(e, w) for w in e.records(WireShare) if _has_step(e, w))
    yield from (_drum_changed(e, d) for d in e.records(DrumSound) if _sounds_otherwise(e, d))
    for h in e.records(HatDecay):
        yield from _hats_open(e, h)
    along = [s for s in e.records(SympatheticRing) if _rings_along(e, s)]
    for drum in dict.fromkeys(s.drum for s in along):
        yield _along(e, max((s for s in along if s.drum == drum), key=lambda s: s.level_db or -200.0))


def _is_sure(e: Evidence, b: WireBuzz) -> bool:
    if b.level_db is None or b.over_noise_db is None or b.over_spill_db is None or b.share is None:
        return False
    fewest = e.limits["buzz_fewest_tom_hits" if "tom" in b.drum else "buzz_fewest_hits"]
    return (
        b.n_strokes >= fewest and b.share >= e.limits["buzz_share"] and b.level_db >= e.limits["buzz_note_db"]
        and b.over_noise_db >= e.limits["buzz_over_noise_db"] and b.over_spill_db >= e.limits["buzz_over_spill_db"]
    )  # fmt: skip


def _buzz(e: Evidence, heard: list[WireBuzz]) -> Finding:
    worst = heard[0]
    level = worst.level_db or 0.0
    texts = [f"the {drum_label(b.drum)} ({db(-(b.level_db or 0.0))} under the snare's own strokes)" for b in heard]
    n = sum(b.n_strokes for b in heard)
    return Finding(
        code="snare-buzz", severity="look" if level >= e.limits["buzz_look_db"] else "note", files=(worst.file,),
        message=f"The snare's wires answer {listed(texts)}: {counted(n, 'stroke')} looked at.",
        action=f"Tune the {drum_label(worst.drum)} or the snare's bottom head a little away from each other, then try "
        "the strainer half a turn tighter.",
        value=level, unit="dB", times_s=worst.times_s, n_times=worst.n_strokes, drum=worst.drum,
        confidence=round(min(0.95, 0.5 + 0.03 * (worst.over_spill_db or 0.0)), 2),
        else_maybe="Ghost notes on the snare together with the other drum.",
    )  # fmt: skip


def _rings_along(e: Evidence, s: SympatheticRing) -> bool:
    if s.level_db is None or s.rise_db is None or s.tone_db is None:
        return False
    return (
        s.level_db >= e.limits["along_note_db"] and s.rise_db >= e.limits["along_rise_db"]
        and s.tone_db >= e.limits["along_tone_db"] and s.n_strokes >= e.limits["along_fewest_hits"]
    )  # fmt: skip


def _along(e: Evidence, s: SympatheticRing) -> Finding:
    level, tom, other = s.level_db or 0.0, drum_label(s.drum), drum_label(s.by)
    return Finding(
        code="sympathetic-ring", severity="look" if level >= e.limits["along_look_db"] else "note", files=(s.file,),
        message=f"The {tom} rings at its own pitch whenever the {other} is struck, {db(-level)} under what its own "
        f"strokes leave ringing: median of {counted(s.n_strokes, 'stroke')}.",
        action=f"Tune the {tom} and the {other} apart or damp the {tom} a little; on the recording, a gate or edits "
        "on its channel.",
        value=level, unit="dB", confidence=0.8, drum=s.drum,
        else_maybe=f"A resonance of the {other} at the same pitch.",
    )  # fmt: skip


def _has_step(e: Evidence, w: WireShare) -> bool:
    if w.step_db is None or w.rest is None or w.overlap is None or w.drum_step_db is None:
        return False
    return (
        abs(w.step_db) >= e.limits["wires_step_db"] and w.rest <= e.limits["wires_step_rest"]
        and w.overlap <= e.limits["wires_step_overlap"] and abs(w.drum_step_db) < e.limits["wires_step_drum_db"]
    )  # fmt: skip


def _wires_changed(e: Evidence, w: WireShare) -> Finding:
    step, at = w.step_db or 0.0, w.step_time_s or 0.0
    how = "less" if step < 0.0 else "more"
    return Finding(
        code="snares-loose", severity="look", files=(w.file,),
        message=f"From {seconds(at)} on the snare's strokes hold {db(abs(step))} {how} of the wires than before, "
        "the drum itself being as it was.",
        action="Set the strainer as it was, mark its place, and play the other part again, unless it was meant.",
        value=step, unit="dB", confidence=round(min(0.95, 1.0 - 0.5 * (w.rest or 0.0)), 2), times_s=(at,), n_times=1,
        drum="snare", else_maybe="A passage played with the stick on the rim, or towards the edge.",
    )  # fmt: skip


def _sounds_otherwise(e: Evidence, d: DrumSound) -> bool:
    if d.step_db is None or d.rest is None or d.overlap is None or d.sudden is None or d.louder_db is None:
        return False
    return (
        d.step_db >= e.limits["changed_step_db"] and d.rest <= e.limits["changed_rest"]
        and d.overlap <= e.limits["changed_overlap"] and d.sudden >= e.limits["changed_sudden"]
        and abs(d.louder_db) <= e.limits["changed_louder_db"]
        and not _known_already(e, d)
    )  # fmt: skip


def _known_already(e: Evidence, d: DrumSound) -> bool:
    """Whether its mic moved, or the wires were set otherwise, at the same moment."""
    moved = [c.step_time_s for c in e.records(DelayCourse) if c.file == d.file and c.shape == "step"]
    wires = [w.step_time_s for w in e.records(WireShare) if d.drum == "snare" and _has_step(e, w)]
    at = d.step_time_s or 0.0
    return any(t is not None and abs(t - at) <= e.limits["changed_same_s"] for t in (*moved, *wires))


def _drum_changed(e: Evidence, d: DrumSound) -> Finding:
    step, darker, at, drum = d.step_db or 0.0, d.darker_db or 0.0, d.step_time_s or 0.0, drum_label(d.drum)
    how = "otherwise" if abs(darker) < step else ("darker" if darker > 0.0 else "brighter")
    what = "beater" if d.drum == "kick" else "sticks"
    return Finding(
        code="drum-changed", severity="look", files=(d.file,),
        message=f"From {seconds(at)} on the {drum}'s strokes sound {how} than before, by {db(step)} on the mean of "
        f"their octaves at equal strength: {counted(d.n_strokes, 'stroke')}.",
        action=f"Look at the {drum}'s head and at the {what} before anything else is played, then play the later part "
        "again.",
        value=step, unit="dB", confidence=round(min(0.95, 1.0 - 0.5 * (d.rest or 0.0)), 2), times_s=(at,), n_times=1,
        drum=d.drum, else_maybe="Another stick or way of playing, or its mic was turned.",
    )  # fmt: skip


def _hats_open(e: Evidence, h: HatDecay) -> Iterator[Finding]:
    """A creeping clutch asks for a look; a sudden change for good may as well be played, and is a note."""
    if h.span_s is None or h.first_db is None or h.last_db is None or h.span_s < e.limits["opens_least_s"]:
        return
    rise, at = h.last_db - h.first_db, h.rise_time_s or 0.0
    creeps = (h.smallest_rise_db or 0.0) >= e.limits["opens_smallest_share"] * rise
    creeps &= (h.largest_rise_db or 0.0) <= e.limits["opens_largest_share"] * rise
    if rise < e.limits["opens_look_db"] or not (creeps or (h.apart_db or 0.0) >= e.limits["opens_apart_db"]):
        return
    said = "The hi-hat's shortest strokes ring ever longer, at the end"
    if not creeps:
        said = f"From about {seconds(at)} on the hi-hat's shortest strokes ring longer than any before, at the end"
    yield Finding(
        code="hats-open", severity="look" if creeps else "note", files=(h.file,),
        message=f"{said} {db(rise)} louder after 0.1 s than at first: {counted(h.n_strokes, 'stroke')}.",
        action="Look whether the clutch has slipped, lock it and play the later part again, unless the hats were meant "
        "to open.",
        value=rise, unit="dB", confidence=0.8 if creeps else 0.6, times_s=(at,), n_times=1, drum="hi-hat",
        else_maybe="A foot that eases off on purpose, from part to part.",
    )  # fmt: skip
