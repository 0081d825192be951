"""Bar by bar: what stands against each take, from findings with places and from strokes against the grid."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kitproof.compare.align import Reading
from kitproof.compare.limits import limit
from kitproof.comparison import BarReason, Reason, TakeBars
from kitproof.model import Hit
from kitproof.observed.timing import Grid
from kitproof.reasons import NO_BAR_START, NO_BEAT, NOT_OFF

# finding -> what a bar is marked with; others concern the whole take
REASON_OF: Mapping[str, Reason] = {
    "clipping": "clipping", "dropout": "lost", "skip": "lost", "phone-burst": "noise", "crackle": "noise",
    "knocked-mic": "noise", "late-noise": "noise", "click-bleed": "noise",
}  # fmt: skip
FEWEST_STROKES = 8  # of a drum, for a habit
SURE = 0.7  # confidence of a stroke that may be called off
SOFTEST_DB = -12.0  # softer strokes are ornaments
LOUD_DB = -6.0  # a stroke that others are missed for
GRACE_S = 0.06  # strokes of one drum this close are a flam or a drag, and meant
AROUND_BEATS = 1.0  # whose strokes say where the beat is, where nothing else does
WANDERING = 2.0  # times the limit, where beats were laid through the strokes
ALIKE_MS = 15.0  # a stroke so close to the same place in another take is meant
MOST_TAKES = 2.0 / 3.0  # of the others must have a stroke before it is missed
FEWEST_OTHERS = 2
OTHER_SONG = 0.25  # of the strokes missed: the bars do not line up, so nothing is said

MISSED = "missing-strokes"


@dataclass(frozen=True)
class Song:
    """Bars and beats of one take. `beats_s` : (n,) seconds."""

    beats_s: NDArray[np.float64]
    first: int
    per_bar: int
    heard: bool  # beats laid through the strokes, which may wander for a few bars

    def at(self, seconds: float) -> float:
        """Beats since bar 1 began; goes on at the median tempo before the first beat and after the last."""
        beats, n = self.beats_s, len(self.beats_s)
        period = float(np.median(np.diff(beats)))
        if seconds < beats[0]:
            return (seconds - float(beats[0])) / period - self.first
        if seconds >= beats[-1]:
            return n - 1 + (seconds - float(beats[-1])) / period - self.first
        return float(np.interp(seconds, beats, np.arange(n))) - self.first

    def seconds(self, beat: float) -> float:
        """When a beat, counted from bar 1, comes."""
        place, n = beat + self.first, len(self.beats_s)
        period = float(np.median(np.diff(self.beats_s)))
        over = max(place - (n - 1), 0.0) + min(place, 0.0)
        return float(np.interp(place, np.arange(n), self.beats_s)) + over * period

    def bar(self, seconds: float) -> int:
        """Bar of a moment, from 1; a moment an eighth of a beat ahead of the bar line belongs to it."""
        return int((self.at(seconds) + 0.125) // self.per_bar) + 1


def song_of(r: Reading) -> Song | None:
    """The bars of a take; None without."""
    grids: tuple[Grid, ...] = r.measurements.observed.grids
    usable = [g for g in grids if g.first_bar is not None and g.beats_per_bar and len(g.beats_s) > 1]
    if not usable:
        return None
    g = usable[0]
    return Song(np.array(g.beats_s, dtype=np.float64), g.first_bar or 0, g.beats_per_bar or 4, g.source != "click")


def bar_map(readings: Sequence[Reading]) -> tuple[tuple[TakeBars, ...], tuple[BarReason, ...]]:
    """The bars of every take, and what stands against them, in order of take and bar."""
    songs = {n: s for n, r in enumerate(readings, 1) if (s := song_of(r)) is not None}
    steps = {n: _steps(readings[n - 1], song) for n, song in songs.items()}
    reasons: list[BarReason] = []
    about: list[TakeBars] = []
    for n, r in enumerate(readings, 1):
        if n not in songs:
            why = NO_BAR_START if r.measurements.observed.grids else NO_BEAT
            about.append(TakeBars(take=n, last_bar=None, incomplete=(), unmeasured={"last_bar": why}))
            continue
        song = songs[n]
        found, incomplete = _of_findings(n, r, song)
        missing = list(_missing(n, song, steps))
        if len(missing) > OTHER_SONG * max(len(_all_places(steps)), 1):
            missing, incomplete = [], (*incomplete, MISSED)
        reasons += [*found, *_off(n, song, steps), *missing]
        times = [h.time_s for h in r.measurements.hits]
        last = max(song.bar(max(times)), 1) if times else 1
        about.append(TakeBars(take=n, last_bar=last, incomplete=incomplete))
    last_bars = {b.take: b.last_bar or 0 for b in about}
    kept = [x for x in reasons if 1 <= x.bar <= last_bars[x.take]]
    return tuple(about), tuple(sorted(kept, key=lambda x: (x.take, x.bar, x.time_s, x.reason)))


def _of_findings(n: int, r: Reading, song: Song) -> tuple[list[BarReason], tuple[str, ...]]:
    """Places of findings, and the codes of those that list only some of them."""
    found, incomplete = [], []
    for f in r.measurements.findings:
        if f.code not in REASON_OF or f.severity == "note":
            continue
        if f.n_times > len(f.times_s) and f.code not in incomplete:
            incomplete.append(f.code)
        for t in f.times_s:
            found.append(_reason(n, song.bar(t), REASON_OF[f.code], t, code=f.code,
                                 file=f.files[0] if f.files else None, drum=f.drum))  # fmt: skip
    return found, tuple(incomplete)


def _reason(
    n: int, bar: int, reason: Reason, time_s: float, *, code: str = "", file: str | None = None,
    drum: str | None = None, value_ms: float | None = None,
) -> BarReason:  # fmt: skip
    why = {} if value_ms is not None else {"value_ms": NOT_OFF}
    return BarReason(take=n, bar=bar, reason=reason, code=code, file=file, drum=drum, time_s=time_s,
                     value_ms=value_ms, unmeasured=why)  # fmt: skip


# ---------------------------------------------------------------- strokes
@dataclass(frozen=True)
class _Step:
    """One stroke on the grid: which step since bar 1, how far behind it, against the drum's habit."""

    hit: Hit
    beat: float  # of the step, in beats since bar 1
    off_ms: float


def _steps(r: Reading, song: Song) -> dict[str, list[_Step]]:
    """Strokes by drum; without ornaments, unsure ones and drums that have no habit yet."""
    per_beat = {t.drum: t.steps_per_beat for t in r.measurements.observed.timings if t.first_bar is None}
    by_drum: dict[str, list[Hit]] = defaultdict(list)
    for h in r.measurements.hits:
        if h.drum != "unmiked":
            by_drum[h.drum].append(h)
    found = {}
    for drum, hits in by_drum.items():
        if len(hits) < FEWEST_STROKES:
            continue
        n = per_beat.get(drum, 4)
        raw = []
        for h in _plain(hits):
            beat = round(song.at(h.time_s) * n) / n
            raw.append((h, beat, 1000.0 * (h.time_s - song.seconds(beat))))
        habit = float(np.median([ms for *_, ms in raw])) if raw else 0.0
        found[drum] = [_Step(h, beat, ms - habit) for h, beat, ms in raw]
    return _against_each_other(found) if song.heard else found


def _against_each_other(found: Mapping[str, list[_Step]]) -> dict[str, list[_Step]]:
    """The same with what all strokes around share taken out: there the beats found are off, not the player."""
    every = sorted((s.beat, s.off_ms) for some in found.values() for s in some)
    beats, offs = np.array([b for b, _ in every]), np.array([ms for _, ms in every])

    def shared(beat: float) -> float:
        return float(np.median(offs[np.abs(beats - beat) <= AROUND_BEATS]))

    def apart(s: _Step) -> float:
        around = shared(s.beat)
        return 0.0 if abs(around) > limit("stroke-off") else s.off_ms - around  # beats so wrong say nothing of a stroke

    return {d: [replace(s, off_ms=apart(s)) for s in some] for d, some in found.items()}


def _plain(hits: Sequence[Hit]) -> list[Hit]:
    """Sure strokes that are neither ornaments nor within GRACE_S of another of the same drum."""
    times = sorted(h.time_s for h in hits)
    kept = []
    for h in hits:
        i = bisect_left(times, h.time_s)
        near = [abs(t - h.time_s) for t in (*times[max(i - 1, 0) : i], *times[i + 1 : i + 2])]
        if h.confidence >= SURE and (h.strength_db or 0.0) >= SOFTEST_DB and min(near, default=1.0) > GRACE_S:
            kept.append(h)
    return kept


Steps = Mapping[int, Mapping[str, Sequence[_Step]]]


def _off(n: int, song: Song, steps: Steps) -> Iterator[BarReason]:
    """Strokes off the drum's own habit that no other take plays there."""
    elsewhere = {
        (drum, s.beat, round(s.off_ms, 3)) for m, by_drum in steps.items() if m != n for drum, some in by_drum.items()
        for s in some
    }  # fmt: skip
    meant: dict[tuple[str, float], list[float]] = defaultdict(list)
    for drum, beat, off in elsewhere:
        meant[(drum, beat)].append(off)
    most = limit("stroke-off") * (WANDERING if song.heard else 1.0)
    for drum, some in steps[n].items():
        for s in some:
            alike = any(abs(s.off_ms - off) <= ALIKE_MS for off in meant[(drum, s.beat)])
            if abs(s.off_ms) > most and not alike:
                yield _reason(n, song.bar(song.seconds(s.beat)), "timing", s.hit.time_s, file=s.hit.file, drum=drum,
                              value_ms=s.off_ms)  # fmt: skip


def _all_places(steps: Steps) -> set[tuple[str, float]]:
    return {(drum, s.beat) for by_drum in steps.values() for drum, some in by_drum.items() for s in some}


def _missing(n: int, song: Song, steps: Steps) -> Iterator[BarReason]:
    """Loud strokes that most other takes have and this one has not; needs two others at least."""
    others = [m for m in steps if m != n]
    if len(others) < FEWEST_OTHERS:
        return
    struck: dict[tuple[str, float], int] = defaultdict(int)
    for m in others:
        for place in {(d, s.beat) for d, some in steps[m].items() for s in some if (s.hit.strength_db or 0) > LOUD_DB}:
            struck[place] += 1
    here = {(d, s.beat) for d, some in steps[n].items() for s in some}
    drums = {d for d, _ in here}
    for (drum, beat), count in sorted(struck.items()):
        if count >= MOST_TAKES * len(others) and drum in drums and (drum, beat) not in here:
            t = song.seconds(beat)
            yield _reason(n, song.bar(t), "missing", t, drum=drum)
