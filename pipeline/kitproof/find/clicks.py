"""Click bleed: the headphone click in the mics; in several, one finding names them all."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import db, ms
from kitproof.model import ClickBleed, Finding


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding for leakage, one per channel into which the click was routed."""
    heard = [(b.level_db, b) for b in e.records(ClickBleed) if b.level_db is not None]
    heard.sort(key=lambda one: -one[0])
    for level, b in heard:
        if level > e.limits["click_routed_db"]:
            yield Finding(
                code="click-bleed", severity="fix", files=(b.file,),
                message=f"{e.head(b.file)} has the click in it, {db(level)} against the click's own channel: "
                "more than headphones leak.",
                action=f"Take the click out of the route to {e.label(b.file)}, and play it again.",
                value=level, unit="dB", confidence=0.95,
            )  # fmt: skip
    leaks = [(level, b) for level, b in heard if level <= e.limits["click_routed_db"]]
    if leaks:
        yield _leak(e, leaks)


def _leak(e: Evidence, leaks: list[tuple[float, ClickBleed]]) -> Finding:
    level, loudest = leaks[0]
    files = tuple(b.file for _, b in leaks)
    where = f" on {e.label(files[0])}" if len(files) > 1 else ""
    return Finding(
        code="click-bleed", severity="look" if level > e.limits["click_note_db"] else "note", files=files,
        message=f"{e.head(*files)}: the click of the headphones is heard, {db(level)} against its own channel{where}, "
        f"{ms(loudest.delay_ms or 0.0)} after it.",
        action="Turn the click down or choose a softer sound, close the headphones, and stop it before the last decay.",
        value=level, unit="dB", confidence=round(min(0.95, 0.6 + 0.02 * (loudest.snr_db or 0.0)), 2),
        else_maybe="Strokes that fall on the click again and again.",
    )  # fmt: skip
