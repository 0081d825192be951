"""The one pass over every channel of a take: which can be read, what each meter says, what was found wrong."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kitproof.cache import Memory
from kitproof.errors import StemError
from kitproof.ingest.audiofile import SpanReader, file_sha256, read_blocks, with_damage
from kitproof.measure.candidates import Rises, find_rises
from kitproof.measure.dropouts import DropoutMeter
from kitproof.measure.duplicates import Print, PrintMeter
from kitproof.measure.hum import LowBandMeter, find_hum
from kitproof.measure.observers import PASS_OBSERVERS
from kitproof.measure.onsets import OnsetMeter, OnsetTrack
from kitproof.measure.plateaus import PlateauMeter
from kitproof.measure.scan import MAX_RATE_HZ, MIN_RATE_HZ, ChannelScan, scan_channel
from kitproof.model import Channel, ChannelFaults, FileFacts, Progress, Take


@dataclass(frozen=True, slots=True, kw_only=True)
class ScannedChannel:
    """What the one pass over a channel gave."""

    scan: ChannelScan
    track: OnsetTrack
    rises: Rises  # of the track
    faults: ChannelFaults
    fingerprint: Print
    low: NDArray[np.float32]  # low end, at low_rate_hz
    low_rate_hz: float
    rate_hz: int
    n_frames: int
    damage: str | None
    records: tuple[object, ...] = ()  # of the observers of the pass


def scan_all(
    take: Take,
    executor: Executor,
    tell: Progress,
    on_failure: Callable[[str, Exception], None],
    memory: Memory | None = None,
) -> tuple[Take, dict[str, ScannedChannel]]:
    """Every readable channel scanned, by file; files get their checksums and what was found wrong with them.

    on_failure : called with the channel and the error if a channel fails for another reason than its file
    memory : what is known of the take's channels already, and where what is found now is kept
    """
    root = Path(take.folder)
    facts = {f.path: _with_rate_problem(f) for f in take.files}
    bits = {c.file: _integer_bits(facts[c.path]) for c in take.channels}
    readable = [c for c in take.channels if facts[c.path].problem in (None, "truncated")]
    scanned = _remembered(readable, bits, memory)
    n_known = len(scanned)
    jobs: dict[Future[ScannedChannel], str] = {
        executor.submit(scan_job, root / c.path, c.index_in_file, c.file, bits[c.file]): c.file
        for c in readable
        if c.file not in scanned
    }
    known_sums = {} if memory is None else memory.sums
    sums = {executor.submit(file_sha256, root / f.path): f.path for f in take.files if f.path not in known_sums}
    channel_of = {c.file: c for c in take.channels}
    path_of = {c.file: c.path for c in take.channels}
    for n, job in enumerate(as_completed(jobs), 1 + n_known):
        file = jobs[job]
        try:
            scanned[file] = job.result()
            if memory is not None:
                memory.keep_channel(channel_of[file], bits[file], scanned[file])
        except StemError as error:
            facts[path_of[file]] = _unreadable(facts[path_of[file]], str(error))
        except Exception as error:
            on_failure(file, error)
        tell("channels", n, n_known + len(jobs))
    for file in (c.file for c in take.channels if c.file in scanned):
        facts[path_of[file]] = _with_damage_once(facts[path_of[file]], scanned[file].damage)
    for path, known in known_sums.items():
        facts[path] = replace(facts[path], sha256=known)
    for sum_job, path in sums.items():
        try:
            facts[path] = replace(facts[path], sha256=sum_job.result())
        except StemError as error:
            facts[path] = _unreadable(facts[path], str(error))
    files = tuple(facts[f.path] for f in take.files)
    return replace(take, files=files), {c.file: scanned[c.file] for c in take.channels if c.file in scanned}


def _remembered(
    channels: Sequence[Channel], bits: Mapping[str, int | None], memory: Memory | None
) -> dict[str, ScannedChannel]:
    if memory is None:
        return {}
    kept = {c.file: memory.channel(c, bits[c.file]) for c in channels}
    return {file: found for file, found in kept.items() if isinstance(found, ScannedChannel)}


def scan_job(path: Path, index: int, file: str, integer_bits: int | None) -> ScannedChannel:
    """One pass over one channel of a file: every meter sees every sample once."""
    with SpanReader(path) as reader:
        rate_hz, n_frames = reader.rate_hz, reader.n_frames
    damage: list[str] = []
    onsets, plateaus, dropouts = OnsetMeter(rate_hz), PlateauMeter(rate_hz), DropoutMeter(rate_hz)
    low_band, prints = LowBandMeter(rate_hz), PrintMeter(rate_hz)
    observers = [observer(rate_hz, file) for observer in PASS_OBSERVERS]
    blocks = (block[:, index] for block in read_blocks(path, on_damage=damage.append))
    scan = scan_channel(
        blocks, rate_hz=rate_hz, n_frames=n_frames, integer_bits=integer_bits, file=file,
        extra=(onsets, plateaus, dropouts, low_band, prints, *observers),
    )  # fmt: skip
    low, track = low_band.result(), onsets.result()
    hum = find_hum(low, low_band.low_rate_hz)
    faults = ChannelFaults(file=file, plateaus=plateaus.result(), gaps=dropouts.result(), hum=hum)
    return ScannedChannel(
        scan=scan, track=track, rises=find_rises(track), faults=faults, fingerprint=prints.result(), low=low,
        low_rate_hz=low_band.low_rate_hz, rate_hz=rate_hz,
        n_frames=n_frames, damage=damage[0] if damage else None,
        records=tuple(record for observer in observers for record in observer.records()),
    )  # fmt: skip


def _with_rate_problem(facts: FileFacts) -> FileFacts:
    """A file at a rate that no meter is made for cannot be used, which is no reason to give up the others."""
    if facts.rate_hz is None or MIN_RATE_HZ <= facts.rate_hz <= MAX_RATE_HZ:
        return facts
    name = facts.path.rsplit("/", 1)[-1]
    return _unreadable(
        facts,
        f"{name}: its header says {facts.rate_hz} Hz, {MIN_RATE_HZ} to {MAX_RATE_HZ} Hz can be measured; "
        "export it again at the rate of the others",
    )


def _unreadable(facts: FileFacts, text: str) -> FileFacts:
    """What was found first stays."""
    if facts.problem in ("unreadable", "empty"):
        return facts
    return replace(facts, problem="unreadable", problem_text=text)


def _with_damage_once(facts: FileFacts, damage: str | None) -> FileFacts:
    """The channels of one file all meet the same damage, which is said once."""
    known = damage is not None and facts.problem_text is not None and damage in facts.problem_text
    return facts if known else with_damage(facts, damage)


def _integer_bits(facts: FileFacts) -> int | None:
    floating = facts.encoding is not None and ("FLOAT" in facts.encoding or "DOUBLE" in facts.encoding)
    return None if floating else facts.bit_depth
