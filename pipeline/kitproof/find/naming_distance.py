"""Names by distance: is a close mic close, a distant one distant, and the top mic of a snare on top?

Loud sounds reach some mic first. A close mic is often that one, an overhead 2 to 4 ms behind it, a room mic 5 ms
and more; a mic that is called close and never is first, and another called distant that often is, have exchanged
their names. On a snare the sound leaves the top head first; a bottom mic that is ahead is on top.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from kitproof.find.evidence import Evidence, drum_of, is_distant, is_room
from kitproof.find.texts import ms, number
from kitproof.model import Channel, Finding
from kitproof.observed.identity import MicVoice
from kitproof.observed.lateness import LateMic
from kitproof.roles import OWN_MIC_ORDER, PAIRS

CYMBALS = ("hi-hat", "ride")  # their mics often stand back, and overheads hear crashes first
TOP, BOTTOM = "snare-top", "snare-bottom"


def findings_of(e: Evidence) -> Iterator[Finding]:
    """At most one finding of each kind."""
    voices = {v.file: v for v in e.records(MicVoice) if v.n_loud >= e.limits["distance_fewest_loud"]}
    yield from _close_and_distant(e, voices)
    yield from _overhead_and_room(e, voices)
    yield from _top_and_bottom(e, voices)


def _close_and_distant(e: Evidence, voices: dict[str, MicVoice]) -> Iterator[Finding]:
    """One close mic of a drum that is never first, one distant one that often is, at what sounds like a drum."""
    first_roles = {roles[0] for roles in OWN_MIC_ORDER.values()} | {"kick-in", "kick"}
    late = {m.file: m.late_ms for m in e.records(LateMic)}  # its sounds were moved into time before they were judged
    far = [
        v for c, v in _with_voice(e, voices)
        if c.role in first_roles and (drum_of(c.role) or "") not in CYMBALS
        and (v.file in late or (v.n_first <= e.limits["distance_far_share"] * v.n_loud
                                and (v.behind_ms or 0.0) >= e.limits["distance_far_ms"]))
    ]  # fmt: skip
    near = [
        v for c, v in _with_voice(e, voices)
        if is_distant(c.role) and not c.role.startswith("underhead")
        and v.n_first >= e.limits["distance_near_share"] * v.n_loud
        and (v.tilt_db is None or v.tilt_db >= e.limits["voice_drum_tilt_db"])
    ]  # fmt: skip
    if len(far) != 1 or len(near) != 1:
        return
    a, b = e.labels((far[0].file, near[0].file))
    behind_ms = late.get(far[0].file, far[0].behind_ms or 0.0)
    yield _exchanged(
        e, (far[0].file, near[0].file), 0.9, "fix",
        f"{e.head(far[0].file)} never hears a stroke first and lies {number(behind_ms)} ms behind, while {b} is first "
        f"at {near[0].n_first} of {near[0].n_loud} loud sounds: their names are exchanged.",
        f"{a} was moved away from its drum, and {b} close to one.",
    )  # fmt: skip


def _overhead_and_room(e: Evidence, voices: dict[str, MicVoice]) -> Iterator[Finding]:
    """An overhead further away than a room mic, while their partners are the right way round."""
    overheads, rooms = PAIRS[0], PAIRS[2]
    by_role = {c.role: v for c, v in _with_voice(e, voices) if v.behind_ms is not None}
    if not {*overheads, *rooms} <= set(by_role):
        return
    late = max(overheads, key=lambda r: by_role[r].behind_ms or 0.0)
    early = min(rooms, key=lambda r: by_role[r].behind_ms or 0.0)
    partners = [next(r for r in pair if r != odd) for pair, odd in ((overheads, late), (rooms, early))]
    wrong = (by_role[late].behind_ms or 0.0) - (by_role[early].behind_ms or 0.0)
    right = (by_role[partners[1]].behind_ms or 0.0) - (by_role[partners[0]].behind_ms or 0.0)
    if min(wrong, right) < e.limits["distance_apart_ms"]:
        return
    files = (by_role[late].file, by_role[early].file)
    a, b = e.labels(files)
    yield _exchanged(
        e, files, 0.85, "fix",
        f"{e.head(files[0])} hears the kit {ms(wrong)} later than {b}, although it is to hang nearer: their names are "
        "exchanged.",
        f"{b} stands nearer to the kit than {a} hangs.",
    )  # fmt: skip


def _top_and_bottom(e: Evidence, voices: dict[str, MicVoice]) -> Iterator[Finding]:
    """A bottom mic that hears the snare before the top one, and less of the wires than it."""
    for top in e.with_role(TOP)[:1]:
        for bottom in e.with_role(BOTTOM)[:1]:
            a, b = voices.get(top.file), voices.get(bottom.file)
            if a is None or b is None or a.behind_ms is None or b.behind_ms is None:
                continue
            ahead_ms, duller_db = a.behind_ms - b.behind_ms, (b.tilt_db or 0.0) - (a.tilt_db or 0.0)
            if a.tilt_db is None or b.tilt_db is None or duller_db < e.limits["bottom_duller_db"]:
                continue
            if ahead_ms > e.limits["bottom_ahead_ms"]:
                yield _exchanged(
                    e, (top.file, bottom.file), 0.75, "look",
                    f"{e.head(bottom.file)} hears the snare before {top.label} and less of the wires: their names may "
                    "be exchanged.",
                    "A bottom mic nearer to its head than the top one.",
                )  # fmt: skip


def _exchanged(
    e: Evidence, files: tuple[str, str], confidence: float, severity: str, message: str, else_maybe: str
) -> Finding:
    a, b = e.labels(files)
    return Finding(
        code="mislabelled-channel", severity=severity, files=files, message=message,  # type: ignore[arg-type]
        action=f"Tap {a} and then {b}, see which file moves, and exchange the two names now, not at the mix.",
        confidence=confidence, else_maybe=else_maybe,
    )  # fmt: skip


def _with_voice(e: Evidence, voices: dict[str, MicVoice]) -> Sequence[tuple[Channel, MicVoice]]:
    return [
        (c, voices[c.file]) for c in e.take.channels
        if c.file in voices and (drum_of(c.role) is not None or is_distant(c.role) or is_room(c.role))
    ]  # fmt: skip
