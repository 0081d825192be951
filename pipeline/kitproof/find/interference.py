"""Sounds that are not the kit: telephones, buzz, whine, cracks, knocks, talk, a click that has no stem."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from kitproof.find.evidence import Evidence, drum_of
from kitproof.find.hum import MAINS_HZ
from kitproof.find.texts import counted, db, dbfs, listed, number, seconds
from kitproof.model import ChannelFaults, ClickBleed, DelayCourse, Finding
from kitproof.observed.interference import (
    LateSound,
    LoneSounds,
    PhoneBursts,
    RestPulses,
    SteadyLine,
    SteadyLines,
)

MOST_TIMES = 20
PLACES = {"count-in": "in the count-in", "rest": "in a rest", "ending": "after the last stroke"}


def findings_of(e: Evidence) -> Iterator[Finding]:
    """What was heard that nobody played, each source once."""
    yield from _phone(e)
    yield from _buzz(e)
    yield from _whine(e)
    for sounds in e.records(LoneSounds):
        yield from _crackle(e, sounds) if sounds.kind == "crackle" else _knock(e, sounds)
    yield from _click(e)
    yield from _late(e)


def _where(e: Evidence, files: Sequence[str]) -> str:
    return f", strongest on {e.label(files[0])}" if len(files) > 1 else ""


# ---------------------------------------------------------------- from outside
def _phone(e: Evidence) -> Iterator[Finding]:
    heard = sorted(e.records(PhoneBursts), key=lambda p: -p.step_dbfs)
    if not heard:
        return
    files = tuple(p.file for p in heard)
    starts = _merged([t for p in heard for t, _ in p.bursts_s], 1.0)
    under = [(_peak(e, p.file) or 0.0) - p.step_dbfs for p in heard]
    grave = min(under) < e.limits["phone_fix_under_peak_db"]
    yield Finding(
        code="phone-burst", severity="fix" if grave else "look", files=files,
        message=f"{e.head(*files)}: bursts of a mobile telephone, {counted(len(starts), 'time')}, "
        f"their pulses' edges at {dbfs(heard[0].step_dbfs)}{_where(e, files)}.",
        action="Switch every telephone off or take it out of the room, and record that passage again.",
        value=heard[0].step_dbfs, unit="dBFS", confidence=min(0.99, round(0.7 + 0.03 * heard[0].over_db, 2)),
        times_s=tuple(starts[:MOST_TIMES]), n_times=len(starts),
    )  # fmt: skip


def _buzz(e: Evidence) -> Iterator[Finding]:
    heard = [(r.buzz_dbfs, r) for r in e.records(SteadyLines) if r.buzz_dbfs is not None]
    if not heard:
        return
    heard.sort(key=lambda one: -one[0])
    level, loudest = heard[0]
    files = tuple(r.file for _, r in heard)
    hz, reach = loudest.buzz_hz or 0.0, loudest.buzz_reach_hz or 0.0
    yield Finding(
        code="buzz", severity="look" if level > e.limits["buzz_note_dbfs"] else "note", files=files,
        message=f"{e.head(*files)} {'buzz' if len(files) > 1 else 'buzzes'}: multiples of {number(hz, 2)} Hz up to "
        f"{number(reach / 1000.0, 1)} kHz at {dbfs(level)}{_where(e, files)}.",
        action="Switch dimmed lamps and switching supplies off one by one and listen; then another outlet, and "
        "balanced leads away from mains leads; never lift the safety earth.",
        value=hz, unit="Hz", confidence=round(min(0.99, 0.75 + 0.01 * loudest.n_buzz), 2),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Tone:
    line: SteadyLine
    file: str


def _whine(e: Evidence) -> Iterator[Finding]:
    """One finding: the loudest tone, with all channels in which it or another one is heard."""
    least = e.limits["whine_least_dbfs"]
    tones = [
        _Tone(line, r.file)
        for r in e.records(SteadyLines)
        for line in r.lines
        if line.level_dbfs > least and not _is_hum(e, r.file, line)
    ]
    if not tones:
        return
    tones.sort(key=lambda t: -t.line.level_dbfs)
    first = tones[0].line
    files = tuple(dict.fromkeys(t.file for t in tones))
    pitches = [first.hz]
    for t in tones:
        if all(abs(t.line.hz - p) > e.limits["whine_same_hz"] for p in pitches):
            pitches.append(t.line.hz)
    audible = first.level_dbfs > e.limits["whine_note_dbfs"] and first.hz < e.limits["whine_heard_hz"]
    yield Finding(
        code="whine", severity="look" if audible else "note", files=files,
        message=f"{e.head(*files)}: {'a steady tone' if len(pitches) == 1 else 'steady tones'} at "
        f"{listed([f'{number(p, 0)} Hz' for p in pitches], 3)}, up to {dbfs(first.level_dbfs)}{_where(e, files)}, "
        "whatever is played.",
        action="Mute and unplug one thing at a time while listening: computer leads, chargers, lamps, wireless gear; "
        "then a balanced lead and another outlet.",
        value=first.hz, unit="Hz", confidence=round(min(0.97, 0.6 + 0.012 * first.over_db), 2),
        else_maybe="A multiple of the mains." if any(_is_multiple(e, first.hz, m) for m in MAINS_HZ) else "",
    )  # fmt: skip


def _is_hum(e: Evidence, file: str, line: SteadyLine) -> bool:
    hz = next((f.hum.fundamental_hz for f in e.records(ChannelFaults) if f.file == file), None)
    return hz is not None and line.hz < e.limits["whine_hum_top_hz"] and _is_multiple(e, line.hz, hz)


def _is_multiple(e: Evidence, hz: float, of_hz: float) -> bool:
    return abs(hz - of_hz * round(hz / of_hz)) < e.limits["whine_mains_hz"]


# ---------------------------------------------------------------- in one channel
def _crackle(e: Evidence, s: LoneSounds) -> Iterator[Finding]:
    if _ticks(e, s.file):
        return  # a click in one mic alone is as short as a crack
    times = _without(e, s)
    n = s.n_sounds - len(s.times_s) + len(times)
    if n < e.limits["crackle_fewest"]:
        return
    under = (_peak(e, s.file) or 0.0) - s.level_dbfs
    grave = n >= e.limits["crackle_fix_fewest"] and under < e.limits["crackle_fix_under_peak_db"]
    channel = e.channel(s.file)
    # Inside a kick the pedal and the beater make short sounds that nobody else hears.
    in_kick = channel is not None and drum_of(channel.role) == "kick"
    yield Finding(
        code="crackle", severity="note" if in_kick else "fix" if grave else "look", files=(s.file,),
        message=f"{e.head(s.file)} crackles: {counted(n, 'time')} a crack that no other mic hears and that does not "
        f"ring, up to {dbfs(s.level_dbfs)}.",
        action=f"Change the lead of {e.label(s.file)}, then the mic, and listen while you move both; record again.",
        value=s.level_dbfs, unit="dBFS", confidence=round(min(0.97, 0.65 + 0.03 * n), 2),
        times_s=tuple(times[:MOST_TIMES]), n_times=n,
        else_maybe="The pedal or the beater." if in_kick else "A damp capsule, a loose plug, or cuts in the file.",
    )  # fmt: skip


def _ticks(e: Evidence, file: str) -> bool:
    stem = any(b.level_db is not None for b in e.records(ClickBleed) if b.file == file)
    return stem or any(file in p.files for p in e.records(RestPulses))


def _without(e: Evidence, s: LoneSounds) -> list[float]:
    """Its times without lost samples and telephones, which are told elsewhere."""
    gaps = [g.start_s for f in e.records(ChannelFaults) if f.file == s.file for g in f.gaps]
    calls = [b for p in e.records(PhoneBursts) for b in p.bursts_s]
    near_s, around_s = e.limits["crackle_gap_s"], e.limits["crackle_phone_s"]
    return [
        t for t in s.times_s
        if all(abs(t - g) > near_s for g in gaps) and not any(a - around_s <= t <= b + around_s for a, b in calls)
    ]  # fmt: skip


def _knock(e: Evidence, s: LoneSounds) -> Iterator[Finding]:
    """A bang in one mic; graver if from then on it hears the kit at another time."""
    cracks = [c for c in e.records(LoneSounds) if c.file == s.file and c.kind == "crackle"]
    times = _without(e, s)
    if not 0 < len(times) <= e.limits["knock_most"] or any(
        len(_without(e, c)) >= e.limits["crackle_fewest"] for c in cracks
    ):
        return
    step = next((c for c in e.records(DelayCourse) if c.file == s.file and c.shape == "step"), None)
    moved = step is not None and any(abs((step.step_time_s or 0.0) - t) < e.limits["knock_step_s"] for t in times)
    then = " From then on it hears the kit at another distance." if moved else ""
    yield Finding(
        code="knocked-mic", severity="fix" if moved else "look", files=(s.file,),
        message=f"{e.head(s.file)}: {'a bang' if len(times) == 1 else 'bangs'} at "
        f"{listed([seconds(t) for t in times])}, {dbfs(s.level_dbfs)}, that no other mic hears.{then}",
        action=f"Look whether {e.label(s.file)} still stands where it did, fasten it, and record again from there on.",
        value=s.level_dbfs, unit="dBFS", confidence=0.9 if moved else 0.7, times_s=tuple(times), n_times=len(times),
        else_maybe="A crack of its lead, or a stroke that the other mics cannot hear.",
    )  # fmt: skip


# ---------------------------------------------------------------- where nobody plays
def _click(e: Evidence) -> Iterator[Finding]:
    if any(b.level_db is not None for b in e.records(ClickBleed)):
        return
    for p in e.records(RestPulses):
        yield Finding(
            code="click-bleed", severity="look" if p.level_dbfs > e.limits["click_alone_note_dbfs"] else "note",
            files=p.files,
            message=f"{e.head(*p.files)}: {counted(p.n_pulses, 'tick')} in the rests, {number(60.0 / p.period_s)} a "
            f"minute to {number(p.jitter_ms)} ms, at {dbfs(p.level_dbfs)}{_where(e, p.files)}; there is no stem of the "
            "click to compare with.",
            action="Turn the click down or choose a softer sound, close the headphones, and stop it before the last "
            "decay.",
            value=p.level_dbfs, unit="dBFS", confidence=round(min(0.95, 0.65 + 0.03 * p.n_pulses), 2),
            times_s=p.times_s[:MOST_TIMES], n_times=p.n_pulses,
            else_maybe="A clock in the room.",
        )  # fmt: skip


def _late(e: Evidence) -> Iterator[Finding]:
    """Sounds in rests and in the ending in one finding, those of the count-in in another."""
    calls = [b for p in e.records(PhoneBursts) for b in p.bursts_s]
    heard = [s for s in e.records(LateSound) if not any(a < s.end_s and s.start_s < b for a, b in calls)]
    early = [s for s in heard if s.place == "count-in"]
    late = [s for s in heard if s.place != "count-in" and s.kind == "sound"]
    steady = [s for s in heard if s.kind == "steady"]
    if late:
        yield _sounds(e, late, "look")
    if steady:
        yield _came(e, steady[0])
    elif early and not late:
        yield _sounds(e, early, "note")


def _sounds(e: Evidence, sounds: Sequence[LateSound], severity: str) -> Finding:
    loudest = max(sounds, key=lambda s: s.level_dbfs)
    where = listed(list(dict.fromkeys(PLACES[s.place] for s in sounds)))
    starts = _merged([s.start_s for s in sounds], 0.5)
    return Finding(
        code="late-noise", severity="look" if severity == "look" else "note", files=loudest.files,
        message=f"{e.head(*loudest.files)}: {'a sound' if len(starts) == 1 else 'sounds'} {where} that no stroke made, "
        f"at {listed([seconds(t) for t in starts])}, up to {dbfs(loudest.level_dbfs)}.",
        action="Listen there: a voice, the stool, a pedal. Keep still for 10 s after the last note and record the "
        "ending again.",
        value=loudest.level_dbfs, unit="dBFS", confidence=0.75 if loudest.rise_db < 20.0 else 0.85,
        times_s=tuple(starts[:MOST_TIMES]), n_times=len(starts),
        else_maybe="A cymbal that is bowed, swelled or brushed.",
    )  # fmt: skip


def _came(e: Evidence, s: LateSound) -> Finding:
    return Finding(
        code="late-noise", severity="look", files=s.files,
        message=f"{e.head(*s.files)}: noise came up during the take, to {dbfs(s.level_dbfs)} at its end, "
        f"{db(s.rise_db)} over its quietest moments.",
        action="Find what started: a fan, heating, rain, a valve; switch it off or wait, and record again.",
        value=s.level_dbfs, unit="dBFS", confidence=0.85, times_s=(s.start_s,), n_times=1,
        else_maybe="A long fade-in at the start of the files.",
    )  # fmt: skip


def _peak(e: Evidence, file: str) -> float | None:
    c = e.measured(file)
    return None if c is None else c.sample_peak_dbfs


def _merged(times_s: Sequence[float], apart_s: float) -> list[float]:
    """In order, without those that follow another by less."""
    kept: list[float] = []
    for t in sorted(times_s):
        if not kept or t - kept[-1] >= apart_s:
            kept.append(t)
    return kept
