"""Clock drift and moved mics: a channel's delay against the others that grows, or steps once, while the take runs."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import ms, number, seconds
from kitproof.model import DelayCourse, Finding

CYMBALS = ("hi-hat", "ride")  # they swing on their stands, and are struck here and there


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding per channel whose delay is not steady."""
    for c in e.records(DelayCourse):
        if c.shape == "drift" and c.drift_ppm is not None:
            yield from _drift(e, c, c.drift_ppm)
        elif c.shape == "step" and c.step_ms is not None:
            yield from _step(e, c, c.step_ms)


def _drift(e: Evidence, c: DelayCourse, ppm: float) -> Iterator[Finding]:
    measured = e.measured(c.file)
    total_ms = abs(ppm) * 1e-3 * (measured.duration_s if measured is not None else 0.0)
    if abs(ppm) < e.limits["drift_ppm"] or total_ms < e.limits["drift_least_ms"]:
        return
    label = e.label(c.file)
    way = "later" if ppm > 0.0 else "earlier"
    yield Finding(
        code="clock-drift", severity="fix" if total_ms >= e.limits["drift_fix_ms"] else "look", files=(c.file,),
        message=f"{e.head(c.file)} gets ever {way} against the others: {number(abs(ppm))} ppm, {ms(total_ms)} over "
        f"the take, ±{number(c.drift_error_ppm or 0.0)} ppm.",
        action=f"Let one clock lead: sync the recorder of {label} to the others, or record all on one machine. "
        "This take: resample by the ratio.",
        value=ppm, unit="ppm", confidence=0.9,
        else_maybe="A stand that sinks slowly.", drum=measured.drum if measured is not None else None,
    )  # fmt: skip


def _step(e: Evidence, c: DelayCourse, step_ms: float) -> Iterator[Finding]:
    measured = e.measured(c.file)
    swings = measured is not None and measured.drum in CYMBALS
    few = c.n_strokes < e.limits["moved_fewest_strokes"]
    if few or abs(step_ms) < e.limits["moved_cymbal_ms" if swings else "moved_ms"]:
        return
    at = c.step_time_s or 0.0
    way = "later" if step_ms > 0.0 else "earlier"
    yield Finding(
        code="moved-mic", severity="fix" if abs(step_ms) >= e.limits["moved_fix_ms"] else "look", files=(c.file,),
        message=f"{e.head(c.file)} hears the drums {ms(abs(step_ms))} {way} from about {seconds(at)} on than before, "
        f"±{ms(c.step_error_ms or 0.0)}.",
        action=f"Look at the stand and clamp of {e.label(c.file)}, put it back, mark the place with tape, "
        "and play the later part again.",
        value=step_ms, unit="ms", confidence=0.9, times_s=(at,), n_times=1,
        else_maybe="The drum itself was moved or turned, or an edit slipped.",
        drum=measured.drum if measured is not None else None,
    )  # fmt: skip
