"""What room and air do to a mic: a copy of every drum shortly after, an echo, the blast of a kick's port, no room."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence, is_room
from kitproof.find.texts import counted, db, listed, ms, number
from kitproof.model import Channel, Finding, PairEntry, Severity
from kitproof.observed.chain import RoutedCopy
from kitproof.observed.room import KickAir, Reflection
from kitproof.roles import drum_label
from kitproof.units import ms_to_cm


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding for each mic that hears a copy, one for all that hear an echo, one for each mic in the wind."""
    kit = {c.file for c in e.kit}
    heard = [r for r in e.records(Reflection) if r.file in kit and r.level_db is not None and r.delay_ms is not None]
    heard = [r for r in heard if not _is_routed(e, r)]
    yield from (_comb(e, r) for r in heard if r.kind == "comb" and _level(r) >= e.limits["comb_note_db"])
    echoes = [r for r in heard if r.kind == "echo" and _level(r) >= e.limits["slap_note_db"]]
    if echoes:
        yield _echo(e, sorted(echoes, key=lambda r: -_level(r)))
    yield from (_air(e, a) for a in e.records(KickAir) if a.file in kit and _is_air(e, a))
    yield from (finding for c in e.with_role("room", "room-left", "room-right") for finding in _close_room(e, c))


def _is_routed(e: Evidence, r: Reflection) -> bool:
    """Whether the channel's hiss comes back after the same time: no wall does that, and it is said as such."""
    near_ms = e.limits["routed_near_ms"]
    return any(c.file == r.file and abs(c.delay_ms - (r.delay_ms or 0.0)) <= near_ms for c in e.records(RoutedCopy))


def _level(r: Reflection) -> float:
    return r.level_db if r.level_db is not None else -200.0


def _comb(e: Evidence, r: Reflection) -> Finding:
    label, level, later = e.label(r.file), _level(r), r.delay_ms or 0.0
    channel = e.channel(r.file)
    further_cm = ms_to_cm(later, e.take.temperature_c)
    # Room mics stand near floors and walls by nature, so theirs is never more than a note.
    room = channel is not None and is_room(channel.role)
    loud = level >= e.limits["comb_look_db"] and not room
    return Finding(
        code="comb", severity="look" if loud else "note", files=(r.file,),
        message=f"{e.head(r.file)} holds every drum a second time {ms(later)} later, {db(-level)} under the direct "
        f"sound: the first notch lies at {number(500.0 / later, 0)} Hz, {counted(r.n_drums, 'drum')} looked at.",
        action=f"Look for a second, later path of {label} in the desk or the interface (a monitor return, an effect); "
        f"if there is none, for a surface that makes the way {number(further_cm, 0)} cm longer, and cover it.",
        value=later, unit="ms", confidence=_confidence(r),
        else_maybe="A pair that was mixed into one channel.",
    )  # fmt: skip


def _echo(e: Evidence, heard: list[Reflection]) -> Finding:
    worst, files = heard[0], tuple(r.file for r in heard)
    level, later = _level(worst), worst.delay_ms or 0.0
    metres = ms_to_cm(later, e.take.temperature_c) / 100.0
    again = ", and again after that" if worst.again_db is not None else ""
    severity: Severity = "look" if level >= e.limits["slap_look_db"] else "note"
    return Finding(
        code="slap", severity=severity, files=files,
        message=f"{e.head(*files)}: every drum comes back as an echo {ms(later)} later{again}, {db(-level)} under the "
        f"direct sound in {e.label(worst.file)}; its way is {number(metres)} m longer.",
        action=f"Damp one of two bare walls that face each other, or move {listed(e.labels(files))} nearer to the kit, "
        "unless the echo is wanted.",
        value=later, unit="ms", confidence=_confidence(worst),
        else_maybe="A room that is meant to be heard, or a delayed copy from a monitor path.",
    )  # fmt: skip


def _confidence(r: Reflection) -> float:
    return round(0.5 + 0.45 * (r.share or 0.0), 2)


def _is_air(e: Evidence, a: KickAir) -> bool:
    if a.uneven is None or a.air_db is None or a.over_before_db is None or a.one_sided is None:
        return False
    return (
        a.air_db >= e.limits["air_note_db"] and a.uneven >= e.limits["air_uneven"]
        and a.over_before_db >= e.limits["air_over_before_db"] and abs(a.one_sided) >= e.limits["air_one_sided"]
    )  # fmt: skip


def _air(e: Evidence, a: KickAir) -> Finding:
    level, label = a.air_db or 0.0, e.label(a.file)
    return Finding(
        code="port-air", severity="look" if level >= e.limits["air_look_db"] else "note", files=(a.file,),
        message=f"Air hits {label} after the beater: below 25 Hz it is pushed to one side, by every stroke otherwise, "
        f"{db(abs(level))} {'over' if level > 0 else 'under'} the drum's body ({counted(a.n_strokes, 'stroke')} "
        "looked at).",
        action=f"Move {label} off the axis of the port, further out or behind a screen; never put a ribbon mic where "
        "a hand feels the air: it tears.",
        value=level, unit="dB", confidence=round(min(0.9, 0.6 + 0.5 * abs(a.one_sided or 0.0)), 2), drum="kick",
        else_maybe="A stand that is shaken by the pedal.",
    )  # fmt: skip


def _close_room(e: Evidence, c: Channel) -> Iterator[Finding]:
    """A room mic that hears drums no later than an overhead does, or the snare as soon as one usually does."""
    heard = [p for drum, own in e.own_files.items() if (p := e.pair(own, c.file, drum)) is not None]
    heard = [p for p in heard if e.known_delay(p, "delay_spread_far_ms")]
    behind = [(p, late) for p in heard if (late := _behind_overheads_ms(e, p)) is not None]
    level = len(behind) >= e.limits["room_level_drums"] and all(_is_level(e, p, b) for p, b in behind)
    snare = [p for p in heard if p.drum == "snare" and (p.delay_ms or 0.0) < e.limits["room_close_ms"]]
    if not (level or snare):
        return
    p = snare[0] if snare else min((p for p, _ in behind), key=lambda p: p.delay_spread_ms or 0.0)
    drums = listed([f"the {drum_label(q.drum)}" for q, _ in behind])
    also = f", and {drums} no later than an overhead does" if level else ", as soon as an overhead does"
    yield Finding(
        code="room-mic-close", severity="look" if level else "note", files=(c.file,), drum=p.drum, value=p.delay_ms,
        unit="ms",
        message=f"{e.head(c.file)} hears the {drum_label(p.drum)} {ms(p.delay_ms or 0.0)} after its own mic{also}: it "
        "adds little that is not there already.",
        action="Move it further away or turn it from the kit, or call it a third overhead.",
        confidence=0.9 if level else 0.8, else_maybe="A small room, in which there is no further away.",
    )  # fmt: skip


def _is_level(e: Evidence, p: PairEntry, behind_ms: float) -> bool:
    """At the kit itself: overheads that are late make any room mic seem early."""
    return behind_ms <= e.limits["room_level_ms"] and (p.delay_ms or 0.0) <= e.limits["room_near_ms"]


def _behind_overheads_ms(e: Evidence, p: PairEntry) -> float | None:
    """How much later than the later of the overheads a mic hears a drum; None if that is not known of any."""
    others = [e.pair(p.a, c.file, p.drum) for c in e.with_role("overhead", "overhead-left", "overhead-right")]
    known = [o.delay_ms for o in others if o is not None and o.delay_ms is not None and e.known_delay(o)]
    return (p.delay_ms or 0.0) - max(known) if known else None
