"""Noise: a floor far above the other channels' and above what its place tolerates."""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median

from kitproof.find.evidence import Evidence, is_distant
from kitproof.find.life import dead
from kitproof.find.texts import db, dbfs
from kitproof.model import ChannelMeasures, Finding


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding per noisy channel."""
    for c in e.kit:
        if c.noise_floor_dbfs is not None and not dead(e, c):
            yield from _noisy(e, c, c.noise_floor_dbfs)


def _noisy(e: Evidence, c: ChannelMeasures, floor: float) -> Iterator[Finding]:
    others = [o.noise_floor_dbfs for o in e.kit if o.file != c.file and o.noise_floor_dbfs is not None]
    if len(others) < e.limits["noise_fewest_others"]:
        return
    far = is_distant(c.role)
    limit = e.limits["noise_distant_dbfs" if far else "noise_close_dbfs"]
    step = e.limits["noise_over_others_distant_db" if far else "noise_over_others_db"]
    over = floor - median(others)
    if floor <= limit or over <= step:
        return
    label = e.label(c.file)
    yield Finding(
        code="noise", severity="look", files=(c.file,),
        message=f"{e.head(c.file)} has a noise floor of {dbfs(floor)}, {db(over)} above the middle of the others.",
        action=f"Listen to {label} alone between strokes, then swap its cable, its input and its mic in turn.",
        value=floor, unit="dBFS", confidence=round(min(0.95, 0.6 + 0.03 * (over - step)), 2), drum=c.drum,
        else_maybe="A fan or rain near that mic, or far more gain than the others need.",
    )  # fmt: skip
