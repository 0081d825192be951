"""What sounds where nobody plays: in the count-in, in rests, after the last stroke.

After a stroke a kit only falls silent. Where the level rises again in several mics and no stroke did it, somebody
spoke, a stool creaked, a door fell shut; where it stops falling far over the floor, a fan has started. Short sounds
that keep time to half a millisecond come from a machine: a click in the headphones.

Conventions: levels are RMS, dB re 1.0, one frame a millisecond, all channels on one time line; strokes of all drums.

Source
------
Events without a drum's arrival before the decay reaches the noise, and a tick locked to the beat in the rests: common
practice. Players keep time to 5 to 12 ms at best, so half a millisecond is
no player. Own choices: the limits.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from kitproof.measure.grid import ClickTrack
from kitproof.measure.onsets import OnsetTrack
from kitproof.measure.views import TakeView
from kitproof.observed.interference import LateSound, RestPulses

BANDS = slice(2, 7)  # 250 Hz to 8 kHz: voices, creaks, fans
REST_S = 1.2  # shorter, and the strokes around it fill it
AFTER_S, BEFORE_S, EDGE_S = 0.15, 0.10, 0.10
SMOOTH_MS, LONG_MS = 30, 100
RISE_DB, LASTS_MS = 10.0, 60
FEWEST_MICS = 2
STRUCK_MS, NEAR_TOP_DB = 35, 2.0  # a stroke is up to its full level at once, a syllable takes twice as long
PITCH_MS = 9  # a low voice's period: within it the level may fall to nothing
UNDER_DB = 20.0  # the loudest moments of the take: what comes nearer to them is more likely a stroke that was missed
STEADY_S, STEADY_DB, STEADY_SLOPE = 0.7, 10.0, 2.5  # dB/s; the slowest cymbals fall by 6
PULSE_DB = 10.0
FEWEST_PULSES = 5
JITTER_MS, OFF_MS = 0.5, 1.2
PERIOD_S = (0.14, 1.5)  # eighths at 214, quarters at 40 beats a minute
ON_PULSE = 0.7  # of the short sounds in the rests: a click is alone there
MOST_TIMES = 200
Floats = NDArray[np.float32]
Place = Literal["count-in", "rest", "ending"]


@dataclass(frozen=True, slots=True)
class Rest:
    """A stretch without strokes, s."""

    start_s: float
    end_s: float
    place: Place


def rests_of(strokes_s: NDArray[np.float64], duration_s: float) -> list[Rest]:
    """All stretches without strokes that are long enough, in order."""
    if len(strokes_s) == 0:
        return []
    t = np.sort(strokes_s)
    spans = [Rest(EDGE_S, float(t[0]) - BEFORE_S, "count-in")]
    spans += [Rest(a + AFTER_S, b - BEFORE_S, "rest") for a, b in pairwise(t.tolist()) if b - a > REST_S]
    spans.append(Rest(float(t[-1]) + AFTER_S, duration_s - EDGE_S, "ending"))
    return [s for s in spans if s.end_s - s.start_s >= 0.3]


def find_late_sounds(view: TakeView) -> Iterator[LateSound]:
    """Sounds that no stroke made."""
    rests, powers = _prepare(view)
    if not powers:
        return
    rate = view.tracks[view.kit[0].file].frames_per_s
    for rest in rests:
        yield from late_sounds(rest, powers, rate)
    yield from _steady(rests, powers, rate)


def _prepare(view: TakeView) -> tuple[list[Rest], dict[str, Floats]]:
    strokes = [d.time_s for d in view.drums.values()]
    tracks = [view.tracks[c.file] for c in view.kit]
    if not strokes or not tracks:
        return [], {}
    seconds = len(tracks[0].band_db) / tracks[0].frames_per_s
    return rests_of(np.concatenate(strokes), seconds), {c.file: _power(view.tracks[c.file]) for c in view.kit}


def _power(track: OnsetTrack) -> Floats:
    return np.asarray(track.band_power()[:, BANDS].sum(axis=1))


def late_sounds(rest: Rest, powers: dict[str, Floats], rate: float) -> Iterator[LateSound]:
    """Sounds in one rest that are heard in several mics.

    powers : (n_frames,) by file
    """
    a, b = round(rest.start_s * rate), round(rest.end_s * rate)
    loud = {f: 10.0 * np.log10(np.percentile(power, 99.0)) for f, power in powers.items()}
    over, level, sharp = {}, {}, {}
    for file, power in powers.items():
        db = 10.0 * np.log10(ndimage.uniform_filter1d(power[a:b], SMOOTH_MS))
        over[file], level[file] = db - np.minimum.accumulate(db), db
        sharp[file] = 10.0 * np.log10(ndimage.uniform_filter1d(power[a:b], PITCH_MS))
    n_heard = np.sum([o >= RISE_DB for o in over.values()], axis=0) if over else np.zeros(0)
    for first, last in _runs(n_heard >= FEWEST_MICS):
        if last - first < LASTS_MS * rate / 1000.0:
            continue
        peak = {f: float(level[f][first:last].max()) for f in over if over[f][first:last].max() >= RISE_DB}
        files = sorted(peak, key=lambda f: -peak[f])
        if peak[files[0]] > loud[files[0]] - UNDER_DB or _struck(sharp[files[0]], first, last):
            continue
        yield LateSound(
            start_s=(a + first) / rate, end_s=(a + last) / rate, files=tuple(files), level_dbfs=peak[files[0]],
            rise_db=float(max(over[f][first:last].max() for f in files)), place=rest.place, kind="sound",
        )  # fmt: skip


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    steps = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return list(zip(steps[::2].tolist(), steps[1::2].tolist(), strict=True))


def _struck(level: NDArray[np.floating], first: int, last: int) -> bool:
    """Whether it begins as a stroke does, which may have been missed: up at once, and falling from there."""
    part = ndimage.maximum_filter1d(level[max(0, first - 120) : last], PITCH_MS)
    low = float(np.median(part[:60]))
    near = int(np.flatnonzero(part >= part.max() - NEAR_TOP_DB)[0])
    up = np.flatnonzero(part[: near + 1] <= low + 3.0)
    return bool(near - (up[-1] if len(up) else 0) <= STRUCK_MS)


def _steady(rests: Sequence[Rest], powers: dict[str, Floats], rate: float) -> Iterator[LateSound]:
    """Noise in the ending that came during the take and stayed."""
    if not rests or rests[-1].place != "ending" or rests[-1].end_s - rests[-1].start_s < STEADY_S:
        return
    last = round(rests[-1].end_s * rate)
    first = last - round(STEADY_S * rate)
    found: list[tuple[float, float, str]] = []
    for file, power in powers.items():
        db = 10.0 * np.log10(ndimage.uniform_filter1d(power, LONG_MS)[LONG_MS // 2 : -LONG_MS // 2])
        tail = db[first - LONG_MS // 2 : last - LONG_MS]
        slope = float(np.polyfit(np.arange(len(tail)) / rate, tail, 1)[0])
        rise = float(np.median(tail) - np.percentile(db[:first], 1))
        if rise >= STEADY_DB and abs(slope) <= STEADY_SLOPE:
            found.append((float(np.median(tail)), rise, file))
    if len(found) >= FEWEST_MICS:
        found.sort(reverse=True)
        yield LateSound(
            start_s=first / rate, end_s=last / rate, files=tuple(f for _, _, f in found), level_dbfs=found[0][0],
            rise_db=max(r for _, r, _ in found), place="ending", kind="steady",
        )  # fmt: skip


def find_rest_pulses(view: TakeView) -> Iterator[RestPulses]:
    """A click in the rests of a take that has no click of its own; at most one record."""
    if view.of_kind(ClickTrack):
        return
    rests, powers = _prepare(view)
    found = []
    for file in powers:
        times, level = short_sounds(view.tracks[file], rests)
        kept = machine_pulses(times, view.take.tempo_bpm)
        if kept is not None:
            index, period, jitter = kept
            found.append((float(np.median(level[index])), file, times[index], period, jitter))
    if not found:
        return
    found.sort(key=lambda one: (-len(one[2]), -one[0]))
    level_db, _, times, period, jitter = found[0]
    same = [one for one in found if abs(one[3] / period - round(one[3] / period)) < 0.01 or one is found[0]]
    yield RestPulses(
        files=tuple(one[1] for one in same), times_s=tuple(times[:MOST_TIMES].tolist()), n_pulses=len(times),
        period_s=period, jitter_ms=jitter, level_dbfs=level_db,
    )  # fmt: skip


def short_sounds(track: OnsetTrack, rests: Sequence[Rest]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(n,) times, s, and (n,) levels, dB, of what begins at once in the rests of one channel, 500 Hz to 16 kHz."""
    rate, fine = track.frames_per_s, track.edges_per_s
    db = 10.0 * np.log10(track.band_power()[:, 3:].sum(axis=1))
    before = ndimage.maximum_filter1d(db, 27)
    times, levels = [], []
    for rest in rests:
        a, b = round(rest.start_s * rate) + 40, round(rest.end_s * rate)
        if b - a < 60:
            continue
        part, old = db[a:b], before[a - 17 : b - 17]
        top = (part - old >= PULSE_DB) & (part >= ndimage.maximum_filter1d(db, 41)[a:b])
        for k in np.flatnonzero(top).tolist():
            # The steepest moment of a click is the same each time; its loudest frame moves with the frames.
            i = max(0, round((a + k) / rate * fine) - 24)
            times.append((i + _start(track.edge_db[i : i + 36], track.mid_db[i : i + 36])) / fine)
            levels.append(float(part[k]))
    return np.array(times), np.array(levels)


def _start(*views: NDArray[np.float16]) -> int:
    """Where a sound begins, in whichever of the views it stands out more: half way up from the noise, 6 dB at most."""
    wide = [v.astype(np.float64) for v in views]
    stands = [float(v.max() - np.median(v[:12])) for v in wide]
    best = int(np.argmax(stands))
    return int(np.flatnonzero(wide[best] >= wide[best].max() - min(6.0, 0.5 * stands[best]))[0])


def machine_pulses(
    times_s: NDArray[np.float64], tempo_bpm: float | None
) -> tuple[NDArray[np.int64], float, float] | None:
    """Which of the times keep a pulse as no player does, its period, s, and its jitter, ms; None if they do not."""
    n = len(times_s)
    if n < FEWEST_PULSES:
        return None
    steps = np.concatenate([np.diff(times_s), times_s[2:] - times_s[:-2]])
    steps = np.unique(np.round(steps[(steps >= PERIOD_S[0]) & (steps <= PERIOD_S[1])], 4))
    if tempo_bpm is not None:
        steps = np.append(steps, [60.0 / tempo_bpm, 30.0 / tempo_bpm])
    best: tuple[NDArray[np.int64], float, float] | None = None
    for step in steps[:200].tolist():
        kept = _on_pulse(times_s, step)
        if kept is not None and (best is None or len(kept[0]) > len(best[0])):
            best = kept
    return best if best is not None and len(best[0]) >= ON_PULSE * n else None


def _on_pulse(times_s: NDArray[np.float64], step: float) -> tuple[NDArray[np.int64], float, float] | None:
    """Grown from each time in turn, period and start fitted anew with every one that is taken in."""
    best: tuple[NDArray[np.int64], float, float] | None = None
    for start in range(len(times_s) - FEWEST_PULSES + 1):
        index, count, period = [start], [0], step
        for k in range(start + 1, len(times_s)):
            beats = (times_s[k] - times_s[index[-1]]) / period
            if round(beats) >= 1 and abs(beats - round(beats)) * period <= OFF_MS / 1000.0 * max(1.0, round(beats) / 2):
                index.append(k)
                count.append(count[-1] + round(beats))
                if len(index) > 2:
                    period = float(np.polyfit(count, times_s[index], 1)[0])
        if len(index) < FEWEST_PULSES or max(np.diff(count)) > 64:
            continue
        off = times_s[index] - np.polyval(np.polyfit(count, times_s[index], 1), count)
        jitter = 1000.0 * float(np.sqrt(np.sum(off**2) / (len(off) - 2)))
        if jitter <= JITTER_MS and (best is None or len(index) > len(best[0])):
            best = (np.array(index), period, jitter)
    return best
