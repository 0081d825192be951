"""Placement: channels that are late as a whole, and mics that hear a drum at another time than their partner.

A late channel is told from a far one by size: further than any mic of its kind can stand. What is late as a
whole is not judged again as a pair.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median

from kitproof.find.evidence import Evidence, drum_of, is_distant, is_room, sureness
from kitproof.find.texts import cm, counted, ms, number
from kitproof.model import Channel, Finding, PairEntry, Severity
from kitproof.observed.lateness import LateMic
from kitproof.reasons import ALREADY_SOUNDING
from kitproof.roles import PAIRS, drum_label
from kitproof.units import speed_of_sound_m_s

OWN_MIC_DISTANCE_M = 0.05  # of a close mic whose distance nobody measured: a hand's breadth


@dataclass(frozen=True, slots=True, kw_only=True)
class Lateness:
    """How late a whole channel is."""

    file: str
    excess_ms: float  # over what its place explains
    delay_ms: float  # as measured, nearest drum
    spread_ms: float
    n_hits: int
    n_drums: int


def findings_of(e: Evidence) -> Iterator[Finding]:
    """Late channels, second mics of a drum, spaced pairs, tape distances; each channel once."""
    late = late_channels(e)
    yield from (_late_finding(e, one) for one in late)
    named = {one.file for one in late}
    yield from _unheard(e, named)
    for found in (*_second_mics(e, named), *_spaced_pairs(e, named)):
        named |= set(found.files[:1]) if found.severity != "note" else set()
        yield found
    yield from _tape(e, named)


# ---------------------------------------------------------------- late as a whole
def late_channels(e: Evidence) -> list[Lateness]:
    """Channels later than any place explains, by the drum they hear first, or later than their partner on every drum.

    Delays known well go before those known roughly: one first sound picked too early would hide them all.
    """
    found = []
    for c in e.take.channels:
        heard = [p for p in e.pairs if p.b == c.file and _counts(e, p, c) and e.known_delay(p, "delay_spread_far_ms")]
        heard = [p for p in heard if e.known_delay(p)] or heard
        heard.sort(key=lambda p: p.delay_ms or 0.0)
        if heard and ((heard[0].delay_ms or 0.0) > _latest_ms(e, c) or _far_behind_partner(e, c, heard)):
            found.append((c, heard))
    late_files = {c.file for c, _ in found}
    return [_lateness(e, c, heard, late_files) for c, heard in found] + _late_own_mics(e, late_files)


def _counts(e: Evidence, p: PairEntry, c: Channel) -> bool:
    """Whether the pair counts from a drum's own mic, and to one of the places that the limits are made for."""
    return e.own_files.get(p.drum) == p.a and (is_distant(c.role) or drum_of(c.role) == p.drum)


def _latest_ms(e: Evidence, c: Channel) -> float:
    if not is_distant(c.role):
        return e.limits["late_close_ms"]
    return e.limits["late_room_ms" if is_room(c.role) else "late_overhead_ms"]


def _far_behind_partner(e: Evidence, c: Channel, heard: list[PairEntry]) -> bool:
    """Whether it hears two drums or more, and every one, later than the other side of its pair by no place's worth."""
    behind = [
        (p.delay_ms or 0.0) - (seen.delay_ms or 0.0)
        for p in heard for partner in _partners(e, c)
        if (seen := e.pair(p.a, partner.file, p.drum)) is not None and e.known_delay(seen)
    ]  # fmt: skip
    return len(behind) >= e.limits["late_fewest_drums"] and min(behind) > e.limits["late_partner_ms"]


def _partners(e: Evidence, c: Channel) -> tuple[Channel, ...]:
    """The other side of a channel's pair."""
    other = next((r for pair in PAIRS for r in pair if c.role in pair and r != c.role), None)
    return e.with_role(other) if other else ()


def _lateness(e: Evidence, c: Channel, heard: list[PairEntry], late: set[str]) -> Lateness:
    excess = [(p.delay_ms or 0.0) - _expected_ms(e, c, p, late) for p in heard]
    best = min(heard, key=lambda p: p.delay_spread_ms or 0.0)
    return Lateness(
        file=c.file, excess_ms=median(excess), delay_ms=heard[0].delay_ms or 0.0,
        spread_ms=best.delay_spread_ms or 0.0, n_hits=best.n_hits, n_drums=len(heard),
    )  # fmt: skip


def _expected_ms(e: Evidence, c: Channel, p: PairEntry, late: set[str]) -> float:
    """What the place explains: by tape, else as much as the partner's, else the least that is usual."""
    by_tape = tape_ms(e, p)
    if by_tape is not None:
        return by_tape
    for partner in _partners(e, c):
        seen = e.pair(p.a, partner.file, p.drum)
        if partner.file not in late and seen is not None and e.known_delay(seen) and seen.delay_ms is not None:
            return seen.delay_ms
    usual = {"snare-bottom": "usual_snare_bottom_ms", "kick-out": "usual_kick_out_ms"}.get(c.role)
    return e.limits[usual] if usual else 0.0


def _late_own_mics(e: Evidence, late: set[str]) -> list[Lateness]:
    """A drum's own mic that hears its drum after mics further away do is itself late."""
    found = [
        Lateness(
            file=m.file, excess_ms=m.late_ms, delay_ms=m.late_ms, spread_ms=m.spread_ms,
            n_hits=m.n_hits, n_drums=max(1, m.n_drums),
        )
        for m in e.records(LateMic)
    ]  # fmt: skip
    known = {one.file for one in found}
    for drum, file in e.own_files.items():
        if file in known:
            continue
        heard = [
            p for p in e.pairs
            if p.a == file and p.drum == drum and p.b not in late | known and e.known_delay(p, "delay_spread_far_ms")
        ]  # fmt: skip
        early = [p for p in heard if p.delay_ms is not None and p.delay_ms < e.limits["early_ms"]]
        if len(early) >= 2 and 2 * len(early) > len(heard):
            worst = min(early, key=lambda p: p.delay_ms or 0.0)
            by = -(worst.delay_ms or 0.0)
            found.append(
                Lateness(
                    file=file, excess_ms=by, delay_ms=by, spread_ms=worst.delay_spread_ms or 0.0,
                    n_hits=worst.n_hits, n_drums=1,
                )
            )  # fmt: skip
    return found


def _late_finding(e: Evidence, late: Lateness) -> Finding:
    label = e.label(late.file)
    metres = late.excess_ms / 1000.0 * speed_of_sound_m_s(e.take.temperature_c)
    drums = f" on {counted(late.n_drums, 'drum')}" if late.n_drums > 1 else ""
    if late.spread_ms > e.limits["delay_spread_far_ms"]:
        how_much = (
            f"about {number(late.excess_ms, 0)} ms later than the mics around it, give or take {ms(late.spread_ms)}"
        )
    else:
        how_much = f"{ms(late.excess_ms)} later than its place explains{drums}"
    limit = e.limits["late_close_ms"]
    return Finding(
        code="late-channel", files=(late.file,),
        severity="look" if late.excess_ms <= 2.0 * late.spread_ms else e.at_most("fix", late.n_hits * late.n_drums),
        message=f"{e.head(late.file)} is {how_much}: "
        f"it would have to stand {metres:.1f} m away.",
        action=f"Look for a second conversion or an effect in the path of {label} and take it out; note the delay.",
        value=late.excess_ms, unit="ms",
        confidence=sureness(min(late.excess_ms, limit), late.spread_ms, late.n_hits, least=0.7),
        else_maybe="The file was moved in the session before export.",
    )  # fmt: skip


def _unheard(e: Evidence, named: set[str]) -> Iterator[Finding]:
    """A kick or snare that most other mics hear before its own mic does, and none after: it may lag behind them all.

    Without a delay there is no figure and no certainty, so this asks for a look and no more.
    """
    for drum in ("kick", "snare"):
        heard = [p for p in e.pairs if p.drum == drum and p.a == e.own_files.get(drum)]
        few = len(heard) < e.limits["unheard_fewest_mics"] or e.n_hits(drum) < e.limits["unheard_fewest_hits"]
        before = sum(p.unmeasured.get("delay_ms") == ALREADY_SOUNDING for p in heard)
        told = 2 * before > len(heard) and all(p.delay_ms is None for p in heard)
        if few or not told or e.own_files[drum] in named:
            continue
        own = e.own_files[drum]
        yield Finding(
            code="late-channel", severity="look", files=(own,),
            message=f"In none of {counted(len(heard), 'mic')} does the {drum_label(drum)} begin after "
            f"{e.label(own)} hears it: this channel may be late.",
            action=f"Zoom into one stroke of the {drum_label(drum)} on all channels: {e.label(own)} must begin first.",
            confidence=0.5, drum=drum, else_maybe="Another drum is always played together with it.",
        )  # fmt: skip


# ---------------------------------------------------------------- two mics of one drum
def _second_mics(e: Evidence, named: set[str]) -> Iterator[Finding]:
    for p in e.pairs:
        c = e.channel(p.b)
        if c is None or is_distant(c.role) or {p.a, p.b} & named or drum_of(c.role) != p.drum or not e.known_delay(p):
            continue
        delay, spread = p.delay_ms or 0.0, p.delay_spread_ms or 0.0
        latest = e.limits["kick_out_late_ms" if p.drum == "kick" else "same_drum_late_ms"]
        margin = max(delay - latest, e.limits["same_drum_early_ms"] - delay)
        if margin <= 2.0 * spread:
            continue
        word = "after" if delay > 0 else "before"
        yield Finding(
            code="pair-offset", severity="look", files=(p.b, p.a),
            message=f"{e.head(p.b)} hears the {drum_label(p.drum)} {ms(abs(delay))} {word} "
            f"{e.label(p.a)}; its place explains {ms(latest)} at most.",
            action=f"Compare the inputs of {e.label(p.b)} and {e.label(p.a)}: one conversion or effect too many "
            "in one of them; move the mic only if it really stands that far off.",
            value=delay, unit="ms", confidence=sureness(margin, spread, p.n_hits), drum=p.drum,
            else_maybe="A mic set up further away on purpose.",
        )  # fmt: skip


# ---------------------------------------------------------------- left and right of a spaced pair
def _spaced_pairs(e: Evidence, named: set[str]) -> Iterator[Finding]:
    for left, right in PAIRS:
        for a in e.with_role(left):
            for b in e.with_role(right):
                p = e.pair(a.file, b.file, "snare")
                if p is not None and not {a.file, b.file} & named and e.known_delay(p):
                    yield from _spaced(e, a, b, p)


def _spaced(e: Evidence, a: Channel, b: Channel, p: PairEntry) -> Iterator[Finding]:
    """Judged by what is left after the declared distances; declared equal ones are judged more strictly."""
    delay, spread = p.delay_ms or 0.0, p.delay_spread_ms or 0.0
    declared = _declared_difference_m(a, b)
    if declared is not None and abs(declared) > e.limits["pair_equal_m"]:
        return  # unequal on purpose: the tape's own check follows
    severity, limit = _spaced_severity(e, a, declared is not None, abs(delay), spread)
    if severity is None:
        return
    later, sooner = (b, a) if delay > 0 else (a, b)
    equal = ", although the tape says they are equal" if declared is not None else ""
    path = abs(delay) / 1000.0 * speed_of_sound_m_s(e.take.temperature_c)
    yield Finding(
        code="pair-offset", severity=e.at_most(severity, p.n_hits), files=(later.file, sooner.file),
        message=f"The snare reaches {later.label} {ms(abs(delay))} ({cm(path)}) after {sooner.label}{equal}.",
        action=f"Move {later.label} {cm(path)} nearer to the snare, or note it if the lean is wanted.",
        value=abs(delay), unit="ms", confidence=sureness(abs(delay) - limit, spread, p.n_hits), drum="snare",
        else_maybe=_same_for_kick(e, p, delay),
    )  # fmt: skip


def _spaced_severity(
    e: Evidence, a: Channel, meant_equal: bool, size: float, spread: float
) -> tuple[Severity | None, float]:
    note, look, fix = (e.limits[n] for n in ("pair_note_ms", "pair_look_ms", "pair_fix_ms"))
    steps: tuple[tuple[Severity, float], ...]
    if a.role.startswith("underhead"):
        steps = (("note", look),)  # each over its own cymbal: unequal by design
    elif is_room(a.role):
        steps = (("look", fix), ("note", look))
    elif meant_equal:
        steps = (("fix", look), ("look", note))
    else:
        steps = (("fix", fix), ("look", look), ("note", note))
    # A limit has to be passed by more than the figure's own error, or it is not passed.
    return next(((s, limit) for s, limit in steps if size - 2.0 * spread > limit), (None, 0.0))


def _declared_difference_m(a: Channel, b: Channel) -> float | None:
    if a.to_snare_m is None or b.to_snare_m is None:
        return None
    return b.to_snare_m - a.to_snare_m


def _same_for_kick(e: Evidence, p: PairEntry, delay: float) -> str:
    kick = e.pair(p.a, p.b, "kick")
    if kick is None or not e.known_delay(kick) or kick.delay_ms is None:
        return "A wide pair set up on purpose."
    if kick.delay_ms * delay > 0.0 and 2.0 * abs(kick.delay_ms) > abs(delay):
        return f"A delay in the wiring: the kick comes late on the same side, by {ms(abs(kick.delay_ms))}."
    return "A wide pair set up on purpose; the kick does not come late on that side, which speaks against the wiring."


# ---------------------------------------------------------------- tape against sound
def tape_ms(e: Evidence, p: PairEntry) -> float | None:
    """Delay that the declared distances of two mics stand for; None if they do not tell."""
    a, b = e.channel(p.a), e.channel(p.b)
    if a is None or b is None:
        return None
    far: float | None
    if is_distant(b.role) and p.drum == "snare":
        near, far = a.to_own_drum_m or a.to_snare_m or OWN_MIC_DISTANCE_M, b.to_snare_m
    elif drum_of(b.role) == p.drum and p.drum != "kick" and a.to_own_drum_m is not None:
        near, far = a.to_own_drum_m, b.to_own_drum_m
    else:
        return None  # a kick's outside mic is measured from the other head
    return None if far is None else 1000.0 * (far - near) / speed_of_sound_m_s(e.take.temperature_c)


def _tape(e: Evidence, named: set[str]) -> Iterator[Finding]:
    for p in e.pairs:
        expected = tape_ms(e, p)
        if expected is None or {p.a, p.b} & named or not e.known_delay(p) or e.own_files.get(p.drum) != p.a:
            continue
        delay, spread = p.delay_ms or 0.0, p.delay_spread_ms or 0.0
        margin = abs(delay - expected) - e.limits["tape_tolerance_ms"]
        if margin <= 2.0 * spread:
            continue
        speed = speed_of_sound_m_s(e.take.temperature_c) / 1000.0
        label = e.label(p.b)
        yield Finding(
            code="pair-offset", severity="look", files=(p.b,),
            message=f"By tape {label} is {cm(expected * speed)} further from the {drum_label(p.drum)} than "
            f"{e.label(p.a)}, by sound {cm(delay * speed)}: {ms(abs(delay - expected))} apart.",
            action=f"Measure {label} again with the tape and correct the sheet; if the tape is right, "
            "look for a delay in its path.",
            value=delay - expected, unit="ms", confidence=sureness(margin, spread, p.n_hits), drum=p.drum,
            else_maybe=f"The direct path is covered, so {label} hears a way round first.",
        )  # fmt: skip
