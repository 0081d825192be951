"""The order of the stages, and what happens when one cannot finish.

    read_take -> scan every channel -> find hits -> second look at every channel -> pairs, bleed -> judge

Every job that touches samples is a plain function of plain arguments, handed to one concurrent.futures
executor; another executor (a cluster's) can take its place. A channel that cannot be read, or a stage
that fails, does not stop the take: the rest is measured, and what is missing is named.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from kitproof.assemble import channel_measures, drum_measures, hits_of
from kitproof.cache import Memory
from kitproof.comparing import find_copies, hear_click, read_click
from kitproof.errors import TakeError
from kitproof.evidence import picture_moments
from kitproof.find import Thresholds, judge
from kitproof.measure.bleed import BleedMeasures, MicBleed, measure_bleed
from kitproof.measure.courses import delay_courses
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.grid import ClickTrack
from kitproof.measure.hits import Stroke
from kitproof.measure.look import ChannelLook, look_at_channel
from kitproof.measure.lowend import measure_low_end
from kitproof.measure.observers import TAKE_OBSERVERS, observe_channel
from kitproof.measure.pairs import measure_pair, wanted_pairs
from kitproof.measure.picture import with_strokes
from kitproof.measure.timeline import common_tracks
from kitproof.measure.views import ChannelBrief, TakeView
from kitproof.model import (
    Channel,
    ChannelFaults,
    ClickBleed,
    DelayCourse,
    Duplicate,
    Hit,
    LowEndPair,
    Measurements,
    MomentPicture,
    NotChecked,
    PairEntry,
    Pictures,
    Progress,
    Result,
    Take,
)  # fmt: skip
from kitproof.observed import Observed
from kitproof.observed.lateness import LateMic
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE, NOT_A_KIT_MIC
from kitproof.scanning import ScannedChannel, scan_all
from kitproof.struck import (
    OwnStrokes,
    drum_times,
    find_late,
    find_strokes,
    known_rises,
    look_at_strokes,
    own_mics,
    tracks_in_time,
)
from kitproof.versions import versions

T = TypeVar("T")


@dataclass(slots=True)
class _Course:
    """What has gone wrong so far; `strict` lets the first failing stage stop the take."""

    strict: bool
    missing: list[NotChecked] = field(default_factory=list)

    def attempt(self, what: str, stage: Callable[[], T], otherwise: T) -> T:
        """The stage's result, or `otherwise` and a note of what could not be checked."""
        try:
            return stage()
        except Exception as error:
            self.note(what, error)
            return otherwise

    def note(self, what: str, error: Exception) -> None:
        """Remember that something failed; with `strict`, raise its error instead."""
        if self.strict:
            raise error
        self.missing.append(
            NotChecked(check=what, reason=f"this stage failed: {type(error).__name__}: {error}", code="stage")
        )


def measure(
    take: Take, executor: Executor, tell: Progress, *, strict: bool = False, memory: Memory | None = None
) -> Result:
    """Every stage, one after the other; with `strict` the first that fails stops the take.

    memory : what is known of the take's channels already, and where what is found now is kept

    Raises
    ------
    TakeError : no channel of the take can be read
    """
    course = _Course(strict)
    root = Path(take.folder)
    take, scanned = scan_all(take, executor, tell, course.note, memory)
    if not scanned:
        said = (*(f.problem_text for f in take.files if f.problem_text), *(m.reason for m in course.missing))
        first = next(iter(said), "no channel could be read")
        raise TakeError(f"{root}: nothing could be measured; {first}")
    kit = [c for c in take.channels if c.file in scanned and c.role not in NOT_A_KIT_MIC]
    own = own_mics(kit, scanned)
    tell("hits", 0, 1)
    tracks = common_tracks({c.file: scanned[c.file].track for c in kit})
    late: tuple[LateMic, ...] = course.attempt(
        "late mics", lambda: find_late(root, take, kit, own, tracks, scanned, executor), ()
    )
    late_s = {m.file: m.late_ms / 1000.0 for m in late}
    tracks = tracks_in_time(tracks, late_s)
    strokes: tuple[Stroke, ...] = course.attempt("hits", lambda: find_strokes(kit, own, tracks, scanned), ())
    tell("hits", 1, 1)
    nobody: dict[tuple[str, str], OwnStrokes] = {}
    own_strokes = course.attempt("hits", lambda: look_at_strokes(root, take, strokes, late_s, executor), nobody)
    hits = hits_of(own_strokes.values())
    drums = drum_times(own_strokes)
    nothing: dict[str, ChannelLook] = {}
    looks = course.attempt("arrival", lambda: _look_at_all(root, kit, own, drums, late_s, executor, tell), nothing)
    pairs: tuple[PairEntry, ...] = course.attempt(
        "arrival and polarity", lambda: _pairs(kit, own, drums, looks, take), ()
    )
    click = course.attempt("click", lambda: read_click(take, scanned, executor), None)
    channel_jobs = _observe_channels(root, kit, scanned, own, drums, late_s, executor)
    faults = _faults(take, kit, scanned, own, looks, click, executor, course)
    # The longest jobs come last: nothing waits for them, so they run beside what this process does itself.
    bleed_jobs = {
        file: executor.submit(measure_bleed, file, drum, tracks[file], list(drums.values()))
        for drum, file in own.items()
    }
    clues: tuple[object, ...] = course.attempt(
        "finer checks of each channel", lambda: _seen_in_channels(channel_jobs, scanned, course), ()
    )
    view = TakeView(
        take=take, kit=tuple(kit), own=own, drums=drums, tracks=tracks, pairs=pairs,
        rises=known_rises(tracks, scanned), low={file: (s.low, s.low_rate_hz) for file, s in scanned.items()},
        clues=clues if click is None else (*clues, click),
    )  # fmt: skip
    heard = [level for look in looks.values() for level in look.levels]
    observed = Observed.of((*clues, *heard, *late, *_observe_take(view, course)))
    no_bleed = BleedMeasures(entries=(), foreign_time_share={})
    bleed = course.attempt("bleed", lambda: _bleed(bleed_jobs), no_bleed)
    result = _result(take, scanned, own, hits, bleed, pairs, looks, faults, observed)
    m = result.measurements
    moments: tuple[MomentPicture, ...] = course.attempt(
        "pictures of the findings", lambda: picture_moments(root, kit, m.findings, executor), ()
    )
    channels = with_strokes(result.pictures.channels, clues)
    return Result(
        measurements=replace(m, not_checked=(*course.missing, *m.not_checked)),
        pictures=replace(result.pictures, channels=channels, moments=moments),
    )


def _look_at_all(
    root: Path,
    kit: Sequence[Channel],
    own: Mapping[str, str],
    drums: Mapping[str, DrumTimes],
    late_s: Mapping[str, float],
    executor: Executor,
    tell: Progress,
) -> dict[str, ChannelLook]:
    miked = [d for d in drums.values() if d.drum in own]
    jobs = {
        executor.submit(
            look_at_channel, root / c.path, c.index_in_file, c.file, _heard_here(c, miked),
            DRUM_OF_ROLE.get(c.role), late_s.get(c.file, 0.0),
        ): c.file
        for c in kit
    }  # fmt: skip
    looks = {}
    for n, job in enumerate(as_completed(jobs), 1):
        looks[jobs[job]] = job.result()
        tell("arrival", n, len(jobs))
    return {c.file: looks[c.file] for c in kit}


def _heard_here(c: Channel, miked: Sequence[DrumTimes]) -> list[DrumTimes]:
    """The drums whose arrival in a channel anyone asks for: all in a distant mic, its own in a close one."""
    return [d for d in miked if c.role in DISTANT_ROLES or DRUM_OF_ROLE.get(c.role) == d.drum]


def _pairs(
    kit: Sequence[Channel],
    own: Mapping[str, str],
    drums: Mapping[str, DrumTimes],
    looks: Mapping[str, ChannelLook],
    take: Take,
) -> tuple[PairEntry, ...]:
    wanted = wanted_pairs(kit, own, [d for d in own if d in drums])
    return tuple(
        measure_pair(looks[a], looks[b], drum, take.temperature_c) for a, b, drum in wanted if a in looks and b in looks
    )


def _bleed(jobs: Mapping[str, Future[MicBleed]]) -> BleedMeasures:
    found = {file: job.result() for file, job in jobs.items()}
    shares = {file: m.foreign_time_share for file, m in found.items() if m.foreign_time_share is not None}
    return BleedMeasures(entries=tuple(e for m in found.values() for e in m.entries), foreign_time_share=shares)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Faults:
    """What the signals show beyond levels."""

    channels: tuple[ChannelFaults, ...]
    duplicates: tuple[Duplicate, ...]
    click_bleed: tuple[ClickBleed, ...]
    courses: tuple[DelayCourse, ...]
    low_end: tuple[LowEndPair, ...]


def _faults(
    take: Take,
    kit: Sequence[Channel],
    scanned: Mapping[str, ScannedChannel],
    own: Mapping[str, str],
    looks: Mapping[str, ChannelLook],
    click: ClickTrack | None,
    executor: Executor,
    course: _Course,
) -> _Faults:
    lags = [lag for look in looks.values() for lag in look.lags]
    return _Faults(
        channels=tuple(s.faults for s in scanned.values()),
        duplicates=course.attempt("copies", lambda: find_copies(take, scanned, executor), ()),
        click_bleed=course.attempt("click", lambda: hear_click(take, kit, click, executor), ()),
        courses=course.attempt("drift and moved mics", lambda: delay_courses(lags, own), ()),
        low_end=course.attempt("low end", lambda: _low_end(kit, scanned), ()),
    )


def _observe_channels(
    root: Path,
    kit: Sequence[Channel],
    scanned: Mapping[str, ScannedChannel],
    own: Mapping[str, str],
    drums: Mapping[str, DrumTimes],
    late_s: Mapping[str, float],
    executor: Executor,
) -> dict[str, Future[tuple[list[object], list[Exception]]]]:
    """The jobs of the observers of each channel, by file."""
    own_files = set(own.values())
    jobs = {}
    for c in kit:
        scan, late = scanned[c.file].scan, late_s.get(c.file, 0.0)
        seen_here = {name: replace(d, time_s=d.time_s + late) for name, d in drums.items()} if late else drums
        brief = ChannelBrief(
            channel=c, own_drum=DRUM_OF_ROLE.get(c.role), is_own_mic=c.file in own_files, drums=seen_here,
            quiet_runs=scan.quiet_runs,
        )  # fmt: skip
        jobs[c.file] = executor.submit(observe_channel, root / c.path, brief)
    return jobs


def _seen_in_channels(
    jobs: Mapping[str, Future[tuple[list[object], list[Exception]]]],
    scanned: Mapping[str, ScannedChannel],
    course: _Course,
) -> tuple[object, ...]:
    """What the observers of the pass and those of each channel saw, channel by channel."""
    records: list[object] = []
    for file, s in scanned.items():
        records += s.records
        if file in jobs:
            seen, failed = jobs[file].result()
            records += seen
            for error in failed:
                course.note(f"finer checks of {file}", error)
    return tuple(records)


def _observe_take(view: TakeView, course: _Course) -> list[object]:
    """What shows only when the channels are put together; an observer that fails costs its own figures only.

    Each is shown what those before it found.
    """
    records: list[object] = []
    for observer in TAKE_OBSERVERS:
        nothing: list[object] = []
        seen = replace(view, clues=(*view.clues, *records))
        records += course.attempt(observer.__name__.replace("_", " "), partial(_ask, observer, seen), nothing)
    return records


def _ask(observer: Callable[[TakeView], Iterable[object]], view: TakeView) -> list[object]:
    return list(observer(view))


def _low_end(kit: Sequence[Channel], scanned: Mapping[str, ScannedChannel]) -> tuple[LowEndPair, ...]:
    """Of the channels at the rate that most have: others cannot be laid on top of them sample by sample."""
    rates = Counter(scanned[c.file].low_rate_hz for c in kit)
    rate_hz = rates.most_common(1)[0][0] if rates else 0.0
    low = {c.file: scanned[c.file].low for c in kit if scanned[c.file].low_rate_hz == rate_hz}
    return measure_low_end(kit, low, rate_hz)


def _result(
    take: Take,
    scanned: Mapping[str, ScannedChannel],
    own: Mapping[str, str],
    hits: tuple[Hit, ...],
    bleed: BleedMeasures,
    pairs: tuple[PairEntry, ...],
    looks: Mapping[str, ChannelLook],
    faults: _Faults,
    observed: Observed,
) -> Result:
    channels = tuple(
        channel_measures(c, scanned[c.file].scan, scanned[c.file].rate_hz, scanned[c.file].n_frames, hits, own)
        for c in take.channels
        if c.file in scanned
    )
    drums = drum_measures(own, hits, bleed)
    records = (*faults.channels, *faults.duplicates, *faults.click_bleed, *faults.courses, *observed.records())
    limits, said = Thresholds().accept(take.limits)
    take = replace(take, remarks=(*take.remarks, *said))
    judgement = judge(take, channels, drums, hits, bleed.entries, pairs, records, limits)
    measurements = Measurements(
        take=take, channels=channels, drums=drums, hits=hits, bleed=bleed.entries, pairs=pairs,
        findings=judgement.findings, not_checked=judgement.not_checked, verdict=judgement.verdict,
        settings={"temperature_c": take.temperature_c, "thresholds": limits.as_settings()}, versions=versions(),
        faults=faults.channels, duplicates=faults.duplicates, click_bleed=faults.click_bleed, courses=faults.courses,
        low_end=faults.low_end, observed=observed,
    )  # fmt: skip
    pictures = Pictures(
        channels=tuple(scanned[c.file].scan.picture for c in channels),
        hits=tuple(look.picture for look in looks.values() if look.picture is not None),
    )
    return Result(measurements=measurements, pictures=pictures)
