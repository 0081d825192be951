"""Origin: files that were something else before they came here."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence
from kitproof.find.texts import db, number
from kitproof.model import Finding
from kitproof.observed.chain import Origin


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding for all channels of lossy origin, one for all that were converted up; empty sides file by file."""
    walls = [o for o in e.records(Origin) if _is_wall(e, o)]
    low = e.limits["upsampled_lowest_hz"]
    lossy = [o for o in walls if o.wall_hz < low]
    raised = [
        o for o in walls
        if low <= o.wall_hz <= e.limits["upsampled_highest_hz"] and _rate(e, o.file) >= e.limits["upsampled_rate_hz"]
    ]  # fmt: skip
    if lossy:
        yield _lossy(e, lossy)
    if raised:
        yield _raised(e, raised)
    yield from _empty_sides(e)


def _empty_sides(e: Evidence) -> Iterator[Finding]:
    """Second channels that nothing was ever recorded on: a mono mic stored as two."""
    for c in e.channels:
        declared = e.channel(c.file)
        if declared is None or declared.role != "other" or c.sample_peak_dbfs is not None:
            continue
        beside = [m for m in e.kit if (o := e.channel(m.file)) is not None and o.path == declared.path]
        for mic in beside[:1]:
            yield Finding(
                code="empty-side", severity="note", files=(mic.file, c.file),
                message=f"{e.head(mic.file)} is stored with an empty second side: every sample of it is zero.",
                action=f"Export {e.label(mic.file)} as a mono file; with an empty side it plays off to one side.",
                confidence=0.95, drum=mic.drum, else_maybe="A second mic that never reached the recorder.",
            )  # fmt: skip


def _is_wall(e: Evidence, o: Origin) -> bool:
    return (
        o.fall_db >= e.limits["wall_fall_db"] and o.rest_db >= e.limits["wall_rest_db"]
        and o.wall_hz >= e.limits["wall_lowest_hz"]
    )  # fmt: skip


def _rate(e: Evidence, file: str) -> float:
    c = e.measured(file)
    return 0.0 if c is None else c.rate_hz


def _steepest(walls: list[Origin]) -> Origin:
    return max(walls, key=lambda o: o.fall_db)


def _lossy(e: Evidence, walls: list[Origin]) -> Finding:
    files, best = tuple(o.file for o in walls), _steepest(walls)
    return Finding(
        code="lossy-origin", severity="look", files=files,
        message=f"{e.head(*files)}: the treble ends like a wall at {number(0.001 * best.wall_hz)} kHz, "
        f"{db(best.fall_db)} down at once, which no mic does: the sound went through a lossy format.",
        action="Ask for the original files of the recorder, and look which export or transfer made these.",
        value=best.wall_hz, unit="Hz", confidence=0.9 if len(files) > 1 else 0.8,
        else_maybe="A steep low-pass filter in the recording path.",
    )  # fmt: skip


def _raised(e: Evidence, walls: list[Origin]) -> Finding:
    files, best = tuple(o.file for o in walls), _steepest(walls)
    return Finding(
        code="upsampled", severity="note", files=files,
        message=f"{e.head(*files)}: nothing lies above {number(0.001 * best.wall_hz)} kHz, though the sample rate "
        "has room for twice that: recorded at a lower rate and converted up.",
        action="Ask at which rate the recorder ran, and keep the files of that rate.",
        value=best.wall_hz, unit="Hz", confidence=0.9,
        else_maybe="A converter that filters its high rates like its low ones.",
    )  # fmt: skip
