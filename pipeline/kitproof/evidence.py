"""Evidence for the report: a few hundredths of a second of all mics, at the places where findings are.

Read once the take has been judged; what comes back is small and saved with the pictures, so that the report can be
drawn without the audio.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kitproof.ingest.audiofile import SpanReader
from kitproof.model import Channel, Finding, MomentPicture

BEFORE_S, AFTER_S = 0.005, 0.015
POINTS = 800
MOST_MOMENTS = 8  # two to a page
Moment = tuple[Finding, float]


def picture_moments(
    root: Path, kit: Sequence[Channel], findings: Sequence[Finding], executor: Executor
) -> tuple[MomentPicture, ...]:
    """The first place of each of the gravest findings that have one, in all mics."""
    chosen = worth_a_picture(findings)
    if not chosen or not kit:
        return ()
    times = [time_s for _, time_s in chosen]
    jobs = [executor.submit(read_moments, root / c.path, c.index_in_file, times) for c in kit]
    waves = np.stack([job.result() for job in jobs])  # (channels, moments, points)
    return tuple(
        MomentPicture(
            code=finding.code, finding_files=finding.files, time_s=time_s, files=tuple(c.file for c in kit),
            start_ms=-1000.0 * BEFORE_S, span_ms=1000.0 * (BEFORE_S + AFTER_S), wave=waves[:, n],
        )
        for n, (finding, time_s) in enumerate(chosen)
    )  # fmt: skip


def worth_a_picture(findings: Sequence[Finding]) -> list[Moment]:
    """Findings with a time, what is to fix first; notes need no proof."""
    return [(f, f.times_s[0]) for f in findings if f.times_s and f.severity != "note"][:MOST_MOMENTS]


def read_moments(path: Path, index: int, times_s: Sequence[float]) -> NDArray[np.float32]:
    """(n_times, POINTS) of one channel around each time, on the same instants whatever its rate."""
    out = np.zeros((len(times_s), POINTS), np.float32)
    with SpanReader(path) as reader:
        rate = reader.rate_hz
        for n, time_s in enumerate(times_s):
            start = int(np.floor((time_s - BEFORE_S) * rate)) - 1
            length = int(np.ceil((BEFORE_S + AFTER_S) * rate)) + 4
            part = reader.read(start, length)[:, index]
            wanted = time_s - BEFORE_S + np.arange(POINTS) * (BEFORE_S + AFTER_S) / POINTS
            out[n] = np.interp(wanted, (start + np.arange(length)) / rate, part)
    return out
