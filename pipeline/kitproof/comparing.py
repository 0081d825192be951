"""Channels compared as wholes: copies of one another, and the click in the mics."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from pathlib import Path

from kitproof.measure.clickbleed import click_onsets, measure_click_bleed
from kitproof.measure.duplicates import alike, confirm
from kitproof.measure.grid import ClickTrack
from kitproof.model import Channel, ClickBleed, Duplicate, Take
from kitproof.scanning import ScannedChannel

Place = tuple[Path, int, str]  # path, index in the file, file


def find_copies(take: Take, scanned: Mapping[str, ScannedChannel], executor: Executor) -> tuple[Duplicate, ...]:
    """Channels that carry one signal: alike in level all along, and nothing left when one is taken from the other."""
    prints = {file: s.fingerprint for file, s in scanned.items()}
    places = {c.file: _place(take, c) for c in take.channels}
    jobs = [
        executor.submit(confirm, places[a], places[b], prints[a].power) for a, b in alike(prints)
    ]  # fmt: skip
    return tuple(found for job in jobs if (found := job.result()) is not None)


def read_click(take: Take, scanned: Mapping[str, ScannedChannel], executor: Executor) -> ClickTrack | None:
    """The onsets of the click's own stem; None without one."""
    clicks = [c for c in take.channels if c.role == "click" and c.file in scanned]
    if not clicks:
        return None
    path, index, file = _place(take, clicks[0])
    times, levels = executor.submit(click_onsets, path, index).result()
    return ClickTrack(file=file, time_s=times, level_db=levels)


def hear_click(
    take: Take, kit: Sequence[Channel], click: ClickTrack | None, executor: Executor
) -> tuple[ClickBleed, ...]:
    """The click in every mic of the kit; nothing without a channel that holds it."""
    if click is None:
        return ()
    source = next(_place(take, c)[:2] for c in take.channels if c.file == click.file)
    jobs = [executor.submit(measure_click_bleed, c.file, _place(take, c)[:2], source, click.time_s) for c in kit]
    return tuple(job.result() for job in jobs)


def _place(take: Take, c: Channel) -> Place:
    return Path(take.folder) / c.path, c.index_in_file, c.file
