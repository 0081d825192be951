"""Tuning and ring: a drum whose pitch moved during the take, and drums that ring on for seconds."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence, sureness
from kitproof.find.texts import listed, number
from kitproof.model import Finding, Severity
from kitproof.observed.instrument import DrumRing
from kitproof.roles import drum_label


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding per drum whose pitch moved, or one for all if they moved together; one for all that ring long."""
    rings = e.records(DrumRing)
    yield from _drifts(e, rings)
    yield from _long(e, rings)


def _drifts(e: Evidence, rings: list[DrumRing]) -> Iterator[Finding]:
    moved = [r for r in rings if _moved(e, r)]
    together = [
        r for r in moved
        if any(o.drum != r.drum and 0.5 <= (o.drift_cents or 0.0) / (r.drift_cents or 1.0) <= 2.0 for o in moved)
    ]  # fmt: skip
    if len(together) >= e.limits["tuning_together_drums"]:
        yield _all_moved(e, together)
        moved = [r for r in moved if r not in together]
    for r in moved:
        yield _one_moved(e, r)


def _moved(e: Evidence, r: DrumRing) -> bool:
    if r.drift_cents is None or r.drift_error_cents is None:
        return False
    least = e.limits["tuning_look_cents" if r.drift_from == "late" else "tuning_early_look_cents"]
    return abs(r.drift_cents) >= max(least + r.drift_error_cents, e.limits["tuning_errors"] * r.drift_error_cents)


def _one_moved(e: Evidence, r: DrumRing) -> Finding:
    cents, error = r.drift_cents or 0.0, r.drift_error_cents or 0.0
    fix = e.limits["tuning_fix_cents" if r.drift_from == "late" else "tuning_early_fix_cents"]
    severity: Severity = "fix" if abs(cents) - 2.0 * error >= fix else "look"
    way = "down" if cents < 0.0 else "up"
    name = drum_label(r.drum)
    return Finding(
        code="tuning-drift", severity=severity, files=(r.file,),
        message=f"The {name} went {way} by {number(abs(cents), 0)} cents during the take, ±{number(error, 0)} cents"
        f"{_pitch(r)}.",
        action=f"Retune the {name} to the pitch it began with, lock its lugs, and play the take again from where it "
        "sounds off.",
        value=cents, unit="cents", drum=r.drum,
        confidence=sureness(abs(cents) - e.limits["tuning_look_cents"] * 0.5, error, max(r.late_n, 10)),
        else_maybe="The head was still settling, or the strokes moved from the middle towards the rim.",
    )  # fmt: skip


def _all_moved(e: Evidence, rings: list[DrumRing]) -> Finding:
    cents = sorted(r.drift_cents or 0.0 for r in rings)[len(rings) // 2]
    names = listed([drum_label(r.drum) for r in rings])
    return Finding(
        code="tuning-drift", severity="note", files=tuple(r.file for r in rings),
        message=f"The {names} went {'down' if cents < 0.0 else 'up'} together during the take, by about "
        f"{number(abs(cents), 0)} cents: heads follow the warmth and the damp of the room.",
        action="Let kit and room settle, then check the tuning before the next take.",
        value=cents, unit="cents", confidence=0.8,
        else_maybe="A recorder whose speed changed: then cymbals would have moved as well.",
    )  # fmt: skip


def _long(e: Evidence, rings: list[DrumRing]) -> Iterator[Finding]:
    long = [r for r in rings if (r.decay_s or 0.0) >= e.limits["ring_long_s"]]
    if not long:
        return
    worst = max(long, key=lambda r: r.decay_s or 0.0)
    texts = [f"{drum_label(r.drum)} about {number(r.decay_s or 0.0)} s at {_named(r)}" for r in long]
    yield Finding(
        code="ring", severity="note", files=tuple(r.file for r in long),
        message=f"Rings long, to fall by 60 dB: {listed(texts)}.",
        action=f"If it is not wanted, damp the {drum_label(worst.drum)} a little near the rim; in the mix a gate or an "
        "edit between its strokes does the same.",
        value=worst.decay_s, unit="s", confidence=0.8, drum=worst.drum if len(long) == 1 else None,
    )  # fmt: skip


def _pitch(r: DrumRing) -> str:
    return "" if r.late_hz is None else f"; its ring lies at {_named(r)} on the whole"


def _named(r: DrumRing) -> str:
    return f"{number(r.late_hz or 0.0)} Hz ({r.pitch}, {number(r.pitch_cents or 0.0, 0)} cents)"
