"""Cymbals in the drums' mics, and what can still be done with them later.

bleed.py judges how loud one drum is in another's mic; a tom, struck in fills only, hardly ever has the strokes for
that. Here it is what sounds between the fills that counts, and the treble in which a drum is brightened.
"""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import counted, db, listed, seconds
from kitproof.model import Finding
from kitproof.observed.room import HatInSnare, Wash
from kitproof.roles import drum_label


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding for all toms under cymbals, the worst first; one for the hat in the snare's mic."""
    kit = {c.file for c in e.kit}
    toms = [w for w in e.records(Wash) if w.file in kit and _washed(e, w)]
    if toms:
        yield _wash(e, sorted(toms, key=lambda w: -(w.wash_high_db or 0.0)))
    yield from (_hat(e, h) for h in e.records(HatInSnare) if h.file in kit and _strong(e, h))


def _washed(e: Evidence, w: Wash) -> bool:
    if w.wash_high_db is None or w.wash_high_loud_db is None or w.n_strokes < e.limits["wash_fewest_hits"]:
        return False
    often, loud = w.wash_high_db >= e.limits["wash_note_db"], w.wash_high_loud_db >= e.limits["wash_loud_note_db"]
    return often or loud or _no_gate(e, w)


def _no_gate(e: Evidence, w: Wash) -> bool:
    return w.soft_over_db is not None and w.soft_over_db < e.limits["wash_gate_db"]


def _wash(e: Evidence, toms: list[Wash]) -> Finding:
    worst, names = toms[0], listed([drum_label(w.drum) for w in toms])
    level, files = worst.wash_high_db or 0.0, tuple(w.file for w in toms)
    usual, loudest = (f"{db(abs(x))} {'over' if x > 0 else 'under'}" for x in (level, worst.wash_high_loud_db or 0.0))
    plain = any(_no_gate(e, w) or (w.wash_high_db or 0.0) >= e.limits["wash_look_db"] for w in toms)
    return Finding(
        code="cymbal-wash", severity="look" if plain else "note", files=files,
        message=f"Cymbals wash over the mics of {names}: above 4 kHz they usually stand {usual} the strokes of "
        f"{drum_label(worst.drum)}, now and then {loudest}. {_left(e, toms)}",
        action="Lower the angle of these mics or raise the cymbals over them; later, open these mics in fills only and "
        "brighten nothing but what is opened.",
        value=level, unit="dB", confidence=0.85, drum=worst.drum,
        else_maybe="Toms that were struck softly in this song.",
    )  # fmt: skip


def _left(e: Evidence, toms: list[Wash]) -> str:
    """What treatment is left. The loudest of the other drums opens a gate as well as a cymbal does."""
    window = {d.drum: d.gate_window_db for d in e.drums}
    narrow = [w for w in toms if (window.get(w.drum) or 0.0) < e.limits["wash_gate_db"] or _no_gate(e, w)]
    if narrow:
        hand = listed([drum_label(w.drum) for w in narrow])
        return f"A gate cannot tell soft strokes of {hand} from the rest; only edits by hand can."
    shortest = min(w.ring_clear_s or 0.0 for w in toms)
    if shortest >= 1.0:
        return "A gate still opens at their strokes, and their ring stands over the cymbals for a second or longer."
    return f"A gate still opens at their strokes; their ring is drowned after {seconds(shortest)}."


def _strong(e: Evidence, h: HatInSnare) -> bool:
    """Where the hat is louder over all, bleed.py says so already."""
    said = any(
        b.file == h.file and b.drum == "hi-hat" and b.bleed_db is not None
        and b.bleed_db > e.limits["bleed_shared_db"]
        for b in e.bleed
    )  # fmt: skip
    return not said and h.high_db is not None and h.high_db >= e.limits["hat_note_db"]


def _hat(e: Evidence, h: HatInSnare) -> Finding:
    level, label = h.high_db or 0.0, e.label(h.file)
    enough = min(h.n_hats, h.n_snares) >= e.limits["hat_look_fewest"]
    return Finding(
        code="hat-in-snare", files=(h.file,),
        severity="look" if enough and level >= e.limits["hat_look_db"] else "note",
        message=f"{e.head(h.file)}: above 4 kHz the hi-hat alone is {db(abs(level))} "
        f"{'over' if level > 0 else 'under'} the snare's loud strokes ({counted(h.n_hats, 'stroke')} of the hi-hat): "
        "brighten the snare and the hi-hat comes with it.",
        action=f"Turn the deaf side of {label} to the hi-hat, raise the hi-hat or put something between; ask for a "
        "lighter hand on it first.",
        value=level, unit="dB", confidence=0.85, drum="snare",
        else_maybe="An open hi-hat, or a snare played softly or with brushes.",
    )  # fmt: skip
