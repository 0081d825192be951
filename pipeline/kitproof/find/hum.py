"""Hum of the mains: one finding for all channels that share it."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import dbfs, listed, number
from kitproof.model import ChannelFaults, Finding, Hum

MAINS_HZ = (50.0, 60.0)


def findings_of(e: Evidence) -> Iterator[Finding]:
    """At most one finding for each mains frequency."""
    kit = {c.file for c in e.kit}
    heard = [(f.file, f.hum) for f in e.records(ChannelFaults) if f.file in kit and f.hum.level_dbfs is not None]
    for mains in MAINS_HZ:
        here = [(file, h) for file, h in heard if abs((h.fundamental_hz or 0.0) - mains) < 5.0]
        if here:
            yield _hum(e, sorted(here, key=lambda one: -(one[1].level_dbfs or -200.0)))


def _hum(e: Evidence, heard: list[tuple[str, Hum]]) -> Finding:
    files = tuple(file for file, _ in heard)
    loudest = heard[0][1]
    level, hz = loudest.level_dbfs or 0.0, loudest.fundamental_hz or 0.0
    which = listed([f"{line.harmonic}" for line in loudest.lines])
    where = f", strongest on {e.label(files[0])}" if len(files) > 1 else ""
    return Finding(
        code="hum", severity="look" if level > e.limits["hum_note_dbfs"] else "note", files=files,
        message=f"{e.head(*files)} {'hum' if len(files) > 1 else 'hums'}: {number(hz, 2)} Hz and its multiples "
        f"({which}) at {dbfs(level)}{where}.",
        action=f"Move the lead of {e.label(files[0])} away from mains leads and transformers, put everything on one "
        "supply strip, and try balanced leads; never lift the safety earth.",
        value=hz, unit="Hz", confidence=round(max(h.confidence or 0.0 for _, h in heard), 2),
        else_maybe="" if len(loudest.lines) > 2 else "A motor that runs in step with the mains.",
    )  # fmt: skip
