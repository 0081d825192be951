"""The grid of beats and bars: from the click's stem, from the declared tempo, or from the strokes alone.

1. A click's own onsets are the beats; where it accents every n-th, these are the bars.
2. Without a click, the pulse is looked for in the strokes: how often two strokes lie a period apart gives the
   period (a declared tempo narrows the search to 4 %), dynamic programming gives the beats, which may breathe.
3. The bar line, if neither declared nor accented, is where kicks, crashes and backbeats say so plainly. Otherwise
   there are beats and no bars: a bar number that is two beats off is worse than none.

Conventions: strokes as (n,) seconds with a weight each; a beat's index counts from 0.

Source
------
Beats by dynamic programming over an onset function: Ellis, Beat tracking by dynamic programming, J. New Music
Research 36 (2007) 51-60. The weights and limits are own choices, the resting place at 110 beats a minute too: two
readings of a pulse, one at twice the tempo of the other, are both right.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitproof.measure.views import TakeView
from kitproof.observed.timing import Grid
from kitproof.reasons import NO_BAR_LINE

Floats = NDArray[np.float64]
FRAMES_PER_S = 100.0
BLUR_S = 0.015  # strokes on one beat lie this close together
SLOWEST_BPM, FASTEST_BPM, RESTING_BPM = 55.0, 210.0, 110.0
DECLARED_TOLERANCE = 0.04
TIGHTNESS = 100.0  # what a beat out of step costs against what strokes pull; Ellis' value
FEWEST_STROKES, FEWEST_BEATS = 16, 8
OPENING_S = 60.0
READINGS = (1.0, 2.0, 0.5, 1.5, 2 / 3, 4 / 3, 0.75)
NEAR_BEAT = 0.10  # of a beat: a stroke this near is on it
ON_STEP = 0.07  # of a beat, from a quarter or a third of it; by chance 0.56 to 0.8 of all strokes are
SURE_ALONE = 0.88  # of 60 takes, human ones too, no wrong reading of the pulse came over 0.86
SURE_DECLARED = 0.4  # the tempo is known, only where its beats are is asked
ACCENT_DB = 1.5
WEIGHTS = {"kick": 1.0, "snare": 1.0, "unmiked": 0.7}
OTHER_WEIGHT = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickTrack:
    """The onsets of the click's own stem; a clue for the grid."""

    file: str
    time_s: Floats  # (n,)
    level_db: Floats  # (n,) peak of each


def find_grid(view: TakeView) -> Iterator[Grid]:
    """The take's grid, if there is one."""
    clicks = view.of_kind(ClickTrack)
    strokes = {drum: d.time_s for drum, d in view.drums.items()}
    grid = from_click(clicks[0], view) if clicks else None
    if grid is None:
        grid = from_strokes(strokes, view.take.tempo_bpm, view)
    if grid is not None:
        yield grid


def from_click(click: ClickTrack, view: TakeView) -> Grid | None:
    """Beats from the click; None if it is too short or jumps about."""
    beats = click.time_s
    if len(beats) < FEWEST_BEATS:
        return None
    gaps = np.diff(beats)
    steady = float(np.mean(np.abs(gaps - np.median(gaps)) < 0.05 * np.median(gaps)))
    if steady < 0.8:
        return None
    n, first = accents(click.level_db)
    bars = _bars(view, beats, n, first, "click") if n else None
    strokes = {drum: d.time_s for drum, d in view.drums.items()}
    return _grid("click", beats, steady, bars or _bars_of_strokes(view, beats, strokes))


def accents(level_db: Floats) -> tuple[int, int]:
    """(beats per bar, index of the first accented one); (0, 0) if no regular accent stands out."""
    best = (0.0, 0, 0)
    for n in range(2, 8):
        for first in range(n):
            accented = np.zeros(len(level_db), bool)
            accented[first::n] = True
            if accented.sum() < 3:
                continue
            over = float(np.percentile(level_db[accented], 20) - np.percentile(level_db[~accented], 80))
            if over > ACCENT_DB and over > best[0] + 0.5:
                best = (over, n, first)
    return best[1], best[2]


def from_strokes(strokes: Mapping[str, Floats], tempo_bpm: float | None, view: TakeView) -> Grid | None:
    """Beats from the strokes; None where no pulse stands out."""
    if sum(map(len, strokes.values())) < FEWEST_STROKES:
        return None
    pull = _pull(strokes)
    period_s = _period_s(pull, tempo_bpm)
    if period_s is None:
        return None
    if tempo_bpm is None:
        period_s = _best_reading(period_s, pull, strokes)
    beats = _refined(_track(pull, period_s * FRAMES_PER_S) / FRAMES_PER_S, strokes)
    if len(beats) < FEWEST_BEATS:
        return None
    _, sure = steps_of(beats, strokes)
    if sure < (SURE_ALONE if tempo_bpm is None else SURE_DECLARED):
        return None
    return _grid("strokes" if tempo_bpm is None else "declared", beats, sure, _bars_of_strokes(view, beats, strokes))


def place(beats_s: Floats, time_s: Floats) -> Floats:
    """(n,) times as beats, fractions between two beats; beyond the first and last one the pulse goes on."""
    index = np.arange(len(beats_s), dtype=float)
    out = np.interp(time_s, beats_s, index)
    before, after = beats_s[1] - beats_s[0], beats_s[-1] - beats_s[-2]
    out = np.where(time_s < beats_s[0], (time_s - beats_s[0]) / before, out)
    return np.asarray(np.where(time_s > beats_s[-1], index[-1] + (time_s - beats_s[-1]) / after, out))


# ---------------------------------------------------------------- the pulse
def _pull(strokes: Mapping[str, Floats]) -> Floats:
    """(n_frames,) where strokes are, each a bell of BLUR_S."""
    last = max(float(t.max()) for t in strokes.values() if len(t))
    n = int((last + 1.0) * FRAMES_PER_S)
    train = np.zeros(n)
    for drum, time_s in strokes.items():
        np.add.at(train, np.round(time_s * FRAMES_PER_S).astype(int), WEIGHTS.get(drum, OTHER_WEIGHT))
    train = np.minimum(train, 1.5)  # many drums at once are one beat, not five
    width = np.arange(-round(4 * BLUR_S * FRAMES_PER_S), round(4 * BLUR_S * FRAMES_PER_S) + 1)
    return np.asarray(np.convolve(train, np.exp(-0.5 * (width / (BLUR_S * FRAMES_PER_S)) ** 2), mode="same"))


def _period_s(pull: Floats, tempo_bpm: float | None) -> float | None:
    """The period at which strokes repeat, s."""
    slow, fast = SLOWEST_BPM, FASTEST_BPM
    if tempo_bpm is not None:
        slow, fast = tempo_bpm * (1 - DECLARED_TOLERANCE), tempo_bpm * (1 + DECLARED_TOLERANCE)
    longest = round(60.0 / slow * FRAMES_PER_S * 4) + 2
    if len(pull) <= longest:
        return None
    spectrum = np.fft.rfft(pull - pull.mean(), 2 * len(pull))
    alike = np.fft.irfft(np.abs(spectrum) ** 2)[:longest]
    bpm = np.arange(slow, fast, 0.1)
    lags = 60.0 / bpm * FRAMES_PER_S
    score = np.zeros(len(bpm))
    for times in (1, 2, 4):  # a period that is right is right for half notes and bars too
        score += np.interp(lags * times, np.arange(longest), alike)
    if score.max() <= 0:
        return None
    if tempo_bpm is None:
        score = score * np.exp(-0.5 * (np.log2(bpm / RESTING_BPM) / 0.9) ** 2)
    return float(60.0 / bpm[np.argmax(score)])


def _best_reading(period_s: float, pull: Floats, strokes: Mapping[str, Floats]) -> float:
    """The period, or one in a simple ratio to it, on whose steps most strokes of the first minute are.

    A groove in threes repeats after two thirds of a beat, one with dotted figures after three quarters.
    """
    opening = {drum: t[t < OPENING_S] for drum, t in strokes.items() if len(t) and t[0] < OPENING_S}
    best = (0.0, period_s)
    for ratio in READINGS:
        period = period_s * ratio
        if not 60.0 / FASTEST_BPM <= period <= 60.0 / SLOWEST_BPM or not opening:
            continue
        beats = _refined(_track(pull[: int(OPENING_S * FRAMES_PER_S)], period * FRAMES_PER_S) / FRAMES_PER_S, opening)
        if len(beats) < FEWEST_BEATS:
            continue
        sure = steps_of(beats, opening)[1] * np.exp(-0.5 * (np.log2(60.0 / period / RESTING_BPM) / 1.2) ** 2)
        heavy = np.concatenate([t for drum, t in opening.items() if drum in WEIGHTS] or list(opening.values()))
        where = place(beats, heavy)
        on_beat = float(np.mean(np.abs(where - np.round(where)) < NEAR_BEAT))  # two readings may share their steps
        best = max(best, (float(sure) * (1.0 + on_beat) * (1.0 if ratio == 1.0 else 0.95), period))
    return best[1]


def _track(pull: Floats, period: float) -> Floats:
    """(n_beats,) frames of the beats: the path on which strokes pull most and spacing changes least."""
    reach = np.arange(round(0.6 * period), round(1.5 * period) + 1)
    cost = -TIGHTNESS * np.log(reach / period) ** 2
    score, back = pull / pull.std(), np.full(len(pull), -1)
    for t in range(int(reach[0]), len(pull)):
        sources = t - reach
        usable = sources >= 0
        options = score[sources[usable]] + cost[usable]
        k = int(np.argmax(options))
        if options[k] > 0:
            score[t] += options[k]
            back[t] = sources[usable][k]
    tail = max(0, len(pull) - round(1.5 * period))
    t = tail + int(np.argmax(score[tail:]))
    path = [t]
    while back[t] >= 0:
        t = int(back[t])
        path.append(t)
    return np.asarray(path[::-1], float)


def _refined(beats: Floats, strokes: Mapping[str, Floats]) -> Floats:
    """Beats moved onto a smooth course: a line through nine beats' strokes each, which one early stroke cannot bend."""
    if len(beats) < FEWEST_BEATS:
        return beats
    time_s = np.sort(np.concatenate([t for d, t in strokes.items() if d in WEIGHTS] or list(strokes.values())))
    where = place(beats, time_s)
    near = np.abs(where - np.round(where)) < NEAR_BEAT
    index, time_s = np.round(where[near]).astype(int), time_s[near]
    out = beats.copy()
    for i in range(len(beats)):
        inside = np.abs(index - i) <= 4
        if len(set(index[inside].tolist())) >= 3:
            slope, start = np.polyfit(index[inside] - i, time_s[inside], 1)
            if abs(start - beats[i]) < 0.25 * slope:
                out[i] = start
    return out if (np.diff(out) > 0).all() else beats


def steps_of(beats_s: Floats, strokes: Mapping[str, Floats]) -> tuple[int, float]:
    """(steps per beat, 3 or 4; 0 to 1: how many more strokes are on such a step than chance would put there)."""
    where = place(beats_s, np.concatenate(list(strokes.values())))
    found = []
    for steps in (4, 3):
        share = float(np.mean(np.abs(where * steps - np.round(where * steps)) / steps < ON_STEP))
        chance = min(0.95, 2 * ON_STEP * steps)
        found.append((steps, max(0.0, (share - chance) / (1.0 - chance))))
    return max(found, key=lambda one: one[1])


# ---------------------------------------------------------------- bars
@dataclass(frozen=True, slots=True, kw_only=True)
class _Bars:
    n: int
    first: int
    source: str


def _bars(view: TakeView, beats: Floats, n: int, phase: int, source: str) -> _Bars:
    """Bar 1 is the declared one, else the one in which the kit begins."""
    n = view.take.beats_per_bar or n
    if view.take.first_bar_s is not None:
        at = int(np.argmin(np.abs(beats - view.take.first_bar_s)))
        return _Bars(n=n, first=at, source="declared")
    starts = [float(d.time_s[0]) for d in view.drums.values() if len(d.time_s)]
    begin = float(place(beats, np.array([min(starts)]))[0]) + NEAR_BEAT if starts else 0.0
    return _Bars(n=n, first=max(phase % n, int((begin - phase) // n * n + phase)), source=source)


def _bars_of_strokes(view: TakeView, beats: Floats, strokes: Mapping[str, Floats]) -> _Bars | None:
    """Bars of four from kicks on one, backbeats on two and four, and crashes on one; None unless they agree plainly."""
    if view.take.first_bar_s is not None:
        return _bars(view, beats, 4, 0, "declared")
    if view.take.beats_per_bar not in (None, 4):
        return None
    counts = {drum: _on_beats(beats, strokes.get(drum)) for drum in ("kick", "snare", "unmiked")}
    if counts["kick"].sum() < 8 or counts["snare"].sum() < 8:
        return None
    score = np.zeros(4)
    for phase in range(4):
        turned = {drum: np.roll(c, -phase) for drum, c in counts.items()}
        kick, snare, crash = (c / max(c.sum(), 1.0) for c in turned.values())
        score[phase] = kick[0] + 0.5 * kick[2] + snare[1] + snare[3] + 0.6 * (crash[0] - crash[2])
    first, second = np.sort(score)[::-1][:2]
    if first - second < 0.25:
        return None
    return _bars(view, beats, 4, int(np.argmax(score)), "strokes")


def _on_beats(beats: Floats, time_s: Floats | None) -> Floats:
    """(4,) strokes on every fourth beat, from the first, second, third and fourth on."""
    if time_s is None or not len(time_s):
        return np.zeros(4)
    where = place(beats, time_s)
    on = np.round(where[np.abs(where - np.round(where)) < NEAR_BEAT]).astype(int)
    return np.bincount(on % 4, minlength=4).astype(float)


def _grid(source: str, beats: Floats, sure: float, bars: _Bars | None) -> Grid:
    gaps = np.diff(beats)
    eights = np.array([gaps[i : i + 8].mean() for i in range(0, max(1, len(gaps) - 7), 8)])
    low, high = np.percentile(60.0 / eights, [25, 75])
    return Grid(
        source=source,  # type: ignore[arg-type]
        tempo_bpm=round(float(60.0 / np.median(eights)), 2), tempo_spread_bpm=round(float(high - low), 2),
        beats_s=tuple(np.round(beats, 4).tolist()), confidence=round(float(np.clip(sure, 0.0, 0.99)), 2),
        beats_per_bar=bars.n if bars else None, first_bar=bars.first if bars else None,
        bar_source=bars.source if bars else None,  # type: ignore[arg-type]
        unmeasured={} if bars else dict.fromkeys(Grid.NULLABLE, NO_BAR_LINE),
    )  # fmt: skip
