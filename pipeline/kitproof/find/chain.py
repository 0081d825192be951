"""The signal chain behind one mic: gain that was touched, power that fades, a gate in the way."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence, sureness
from kitproof.find.texts import counted, db, dbfs, number, seconds
from kitproof.model import DelayCourse, Finding, Severity
from kitproof.observed.chain import Closing, GainStep, Gate


def findings_of(e: Evidence) -> Iterator[Finding]:
    """At most one finding on gain and one on a gate per channel."""
    moved = {
        c.file for c in e.records(DelayCourse) if c.shape == "step" and abs(c.step_ms or 0.0) >= e.limits["moved_ms"]
    }
    for g in e.records(GainStep):
        if g.file not in moved:  # a mic that moved hears everything at another level, too
            step = g.rest <= g.rest_slope and _severity(e, g) is not None
            yield from _gain_step(e, g) if step else _fade(e, g)
    shut = [finding for gate in e.records(Gate) for finding in _gated(e, gate)]
    yield from shut
    named = {file for finding in shut for file in finding.files}
    for closing in e.records(Closing):
        if closing.file not in named:
            yield from _closing(e, closing)


def _fade(e: Evidence, g: GainStep) -> Iterator[Finding]:
    """A level that sinks from the first stroke to the last, whichever drum is struck."""
    if g.slope_db > -e.limits["fade_db"] or g.rest_slope > e.limits["fade_rest"]:
        return
    if g.n_kinds < e.limits["fade_fewest_kinds"] or g.rest_slope > e.limits["fade_over_step"] * g.rest:
        return
    label, c = e.label(g.file), e.measured(g.file)
    yield Finding(
        code="unpowered-mic", severity="fix", files=(g.file,),
        message=f"{e.head(g.file)} fades by {db(-g.slope_db)} from the first stroke to the last, whichever drum is "
        "struck: a mic that loses its power does that.",
        action=f"Mute {label}, see whether it needs phantom power and gets it, wait a minute and play it again; keep "
        "phantom power off ribbon mics.",
        value=g.slope_db, unit="dB", confidence=0.8, drum=None if c is None else c.drum,
        else_maybe="A battery, a supply or a preamp that drifts.",
    )  # fmt: skip


def _gated(e: Evidence, g: Gate) -> Iterator[Finding]:
    if g.n_swallowed < e.limits["gate_fewest_swallowed"] or g.n_falls < e.limits["gate_fewest_falls"]:
        return
    label, c = e.label(g.file), e.measured(g.file)
    yield Finding(
        code="gated", severity="look", files=(g.file,),
        message=f"{e.head(g.file)} is shut between its strokes: at {g.n_swallowed} of "
        f"{counted(g.n_foreign, 'stroke')} of other drums it holds nothing ({dbfs(g.shut_dbfs)}), "
        "which no open mic does.",
        action=f"Take the gate out of the recording path of {label} and play it again: soft strokes and tails are "
        "lost for good, and a gate can be added at the mix.",
        value=float(g.n_swallowed), unit="strokes", confidence=0.95, times_s=g.times_s, n_times=g.n_swallowed,
        drum=None if c is None else c.drum, else_maybe="Silence that was cut in between the strokes by hand.",
    )  # fmt: skip


def _closing(e: Evidence, g: Closing) -> Iterator[Finding]:
    """Turned down between its strokes, not shut."""
    if g.n_closed < e.limits["closing_fewest"] or g.n_closed < e.limits["closing_share"] * g.n_followed:
        return
    label, c = e.label(g.file), e.measured(g.file)
    yield Finding(
        code="gated", severity="look", files=(g.file,),
        message=f"{e.head(g.file)} falls by {db(g.depth_db)} and more at once, in all bands, after {g.n_closed} of "
        f"{counted(g.n_followed, 'stroke')} that can be followed: a gate or an expander closes.",
        action=f"Take the gate out of the recording path of {label} and play it again: soft strokes and tails are "
        "lost for good, and a gate can be added at the mix.",
        value=float(g.n_closed), unit="strokes", confidence=0.9, times_s=g.times_s, n_times=g.n_closed,
        drum=None if c is None else c.drum, else_maybe="Fades that were drawn in after the strokes by hand.",
    )  # fmt: skip


def _gain_step(e: Evidence, g: GainStep) -> Iterator[Finding]:
    severity = _severity(e, g)
    if severity is None:
        return
    label, c = e.label(g.file), e.measured(g.file)
    way, back = ("louder", "down") if g.step_db > 0.0 else ("quieter", "up")
    size = db(abs(g.step_db))
    yield Finding(
        code="gain-step", severity=severity, files=(g.file,),
        message=f"{e.head(g.file)} is {size} {way} from about {seconds(g.time_s)} on, whichever drum is struck: "
        f"its gain was touched (±{number(g.error_db)} dB, {counted(g.n_strokes, 'stroke')}).",
        action=f"Play it again with the gain of {label} left alone, or turn the part after {seconds(g.time_s)} {back} "
        f"by {size} in a copy.",
        value=g.step_db, unit="dB", confidence=sureness(abs(g.step_db) - 0.5, max(g.error_db, 0.2), g.n_strokes),
        times_s=(g.time_s,), n_times=1, drum=None if c is None else c.drum,
        else_maybe="The mic was turned or moved." if g.n_drums > 1 else "The drum itself was played another way.",
    )  # fmt: skip


def _severity(e: Evidence, g: GainStep) -> Severity | None:
    """How grave, None if it is not proven: several kinds of strokes agree, foreign ones among them."""
    size = abs(g.step_db)
    fewest = e.limits["gain_clear_kinds" if g.rest < e.limits["gain_clear_rest"] else "gain_fewest_kinds"]
    agree = g.n_agreeing >= max(fewest, e.limits["gain_agree_share"] * g.n_kinds)
    better = g.rest < e.limits["gain_rest"] and g.rest < e.limits["gain_over_slope"] * g.rest_slope
    known = g.error_db <= e.limits["gain_error_share"] * size
    if not (agree and better and known and g.n_foreign):
        return None
    if g.n_drums < 2:  # one drum is in all of them: it may sound different rather than be recorded so
        return "look" if size >= e.limits["gain_alone_db"] else None
    if size >= e.limits["gain_fix_db"]:
        return "fix"
    return "look" if size >= e.limits["gain_look_db"] else "note" if size >= e.limits["gain_note_db"] else None
