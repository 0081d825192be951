"""Snare wires that rattle along with other drums."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import counted, db, listed
from kitproof.model import Finding
from kitproof.observed.instrument import WireBuzz
from kitproof.roles import drum_label


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding for all drums that set the wires off, the loudest first."""
    sure = [b for b in e.records(WireBuzz) if _is_sure(e, b)]
    if sure:
        yield _buzz(e, sorted(sure, key=lambda b: -(b.level_db or -200.0)))


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
