"""Beats and bars: from the click, from the declared tempo, from the strokes; and the strokes against them."""

from types import SimpleNamespace

import numpy as np
import pytest

from kitproof.measure.grid import ClickTrack, find_grid, place
from kitproof.measure.timing import measure_timing
from kitproof.model import Section

BEAT_S = 60.0 / 104.0


class View:
    """A take of which only its strokes and clues are known."""

    def __init__(self, strokes, clues=(), **declared):
        known = {"tempo_bpm": None, "beats_per_bar": None, "first_bar_s": None, "sections": ()}
        self.take = SimpleNamespace(**(known | declared))
        self.drums = {drum: SimpleNamespace(time_s=np.sort(np.asarray(t, float))) for drum, t in strokes.items()}
        self.clues = clues

    def of_kind(self, kind):
        return [c for c in self.clues if isinstance(c, kind)]

    def with_clues(self, *clues):
        self.clues = (*self.clues, *clues)
        return self


def rock(seed=1, n_bars=16, beat_s=BEAT_S, start_s=1.3, jitter_ms=6.0, late_ms=None):
    """Eighths on the hi-hat, kicks on one and three, snares on two and four, a crash on every fourth one."""
    rng = np.random.default_rng(seed)
    beats = np.arange(4 * n_bars)
    steps = {
        "hi-hat": np.arange(8 * n_bars) / 2, "kick": beats[::2], "snare": beats[1::2], "unmiked": beats[::16],
    }  # fmt: skip
    late = {"hi-hat": 0.0, "kick": 0.0, "snare": 0.0, "unmiked": 0.0} | (late_ms or {})
    return {
        drum: start_s + where * beat_s + (late[drum] + rng.normal(0, jitter_ms, len(where))) / 1000.0
        for drum, where in steps.items()
    }


def click(n=70, beat_s=BEAT_S, start_s=0.2, accent=4):
    times = start_s + np.arange(n) * beat_s
    levels = np.where(np.arange(n) % accent == 0, -6.0, -10.0)
    return ClickTrack(file="click.wav", time_s=times, level_db=levels)


def grid_of(view):
    return next(iter(find_grid(view)), None)


def test_the_click_gives_beats_and_its_accents_give_bars():
    """Bar 1 is the accented bar in which the kit begins, after the count-in."""
    strokes = rock(start_s=0.2 + 8 * BEAT_S)
    grid = grid_of(View(strokes, (click(),)))
    assert (grid.source, grid.bar_source, grid.beats_per_bar, grid.first_bar) == ("click", "click", 4, 8)
    assert grid.tempo_bpm == pytest.approx(104.0, abs=0.01)


def test_a_click_in_threes_gives_bars_of_three():
    """A waltz's accents are every third click."""
    assert grid_of(View(rock(), (click(accent=3),))).beats_per_bar == 3


def test_a_click_without_accents_gives_no_bars_of_its_own():
    """Equal clicks do not tell the bar line; the strokes may."""
    even = ClickTrack(file="c", time_s=click().time_s, level_db=np.full(70, -8.0))
    hats = {"hi-hat": even.time_s[8:60]}
    grid = grid_of(View(hats, (even,)))
    assert grid.first_bar is None
    assert "declared" in grid.unmeasured["first_bar"]


@pytest.mark.parametrize("bpm", [72.0, 104.0, 137.0, 176.0])
def test_the_strokes_alone_give_the_tempo(bpm):
    """Within 0.3 %: 80 beats with 6 ms of human spread each, so the line through them is known far better.

    Half or twice the tempo is the same pulse, counted in slower or faster beats.
    """
    grid = grid_of(View(rock(beat_s=60.0 / bpm, n_bars=20)))
    assert grid.source == "strokes"
    assert min(abs(grid.tempo_bpm * reading / bpm - 1.0) for reading in (0.5, 1.0, 2.0)) < 0.003


def test_the_strokes_tell_the_bar_line_where_kick_backbeat_and_crash_agree():
    """The first kick with the crash on it begins bar 1."""
    strokes = rock()
    grid = grid_of(View(strokes))
    assert grid.bar_source == "strokes"
    assert grid.beats_s[grid.first_bar] == pytest.approx(1.3, abs=0.03)  # two spreads of one stroke, and the blur


def test_a_pulse_that_breathes_is_followed():
    """From 100 to 108 beats a minute over 16 bars the beats stay within 15 ms of the played ones."""
    beat = np.cumsum(60.0 / np.linspace(100.0, 108.0, 64))
    strokes = {"kick": beat[::2], "snare": beat[1::2], "hi-hat": np.sort(np.r_[beat, beat[:-1] + np.diff(beat) / 2])}
    found = np.asarray(grid_of(View(strokes)).beats_s)
    nearest = np.array([np.abs(found - t).min() for t in beat[4:-4]])
    assert nearest.max() < 0.015


@pytest.mark.parametrize("seed", range(5))
def test_strokes_without_a_pulse_give_no_grid(seed):
    """Random strokes are no beat, whatever they are lined up with."""
    rng = np.random.default_rng(seed)
    strokes = {drum: np.cumsum(rng.exponential(0.4, 80)) for drum in ("kick", "snare", "hi-hat")}
    assert grid_of(View(strokes)) is None


def test_few_strokes_give_no_grid():
    """A line check of four taps has no tempo."""
    assert grid_of(View({"kick": [1.0, 2.0, 3.0, 4.0]})) is None
    assert grid_of(View({})) is None


def test_a_declared_first_bar_is_bar_one():
    """Whatever the strokes suggest."""
    grid = grid_of(View(rock(), tempo_bpm=104.0, beats_per_bar=4, first_bar_s=1.3 + 4 * BEAT_S))
    assert (grid.source, grid.bar_source) == ("declared", "declared")
    assert grid.beats_s[grid.first_bar] == pytest.approx(1.3 + 4 * BEAT_S, abs=0.03)


def test_places_go_on_beyond_the_first_and_last_beat():
    """A pick-up before the first beat has a negative place."""
    assert place(np.array([1.0, 1.5, 2.5]), np.array([0.5, 1.25, 3.5])) == pytest.approx([-1.0, 0.5, 3.0])


# ---------------------------------------------------------------- timing
def timings(view):
    grid = grid_of(view)
    return {(t.drum, t.first_bar): t for t in measure_timing(view.with_clues(grid))}


def test_a_snare_behind_the_click_is_told_with_its_spread():
    """12 ms late with a spread of 6 ms: an interquartile range of 8.1 ms (1.349 standard deviations)."""
    strokes = rock(start_s=0.2 + 8 * BEAT_S, n_bars=15, late_ms={"snare": 12.0})
    snare = timings(View(strokes, (click(),)))["snare", None]
    assert snare.median_ms == pytest.approx(12.0, abs=4.0)  # three standard errors of a median of 30
    assert snare.spread_ms == pytest.approx(8.1, abs=5.0)
    assert (snare.n_strokes, snare.n_between) == (30, 0)


def test_flams_are_counted_apart():
    """A grace note 30 ms ahead of a sixteenth at 104 lies 0.2 of a step off and belongs to it; 60 ms does not."""
    strokes = rock(start_s=0.2 + 8 * BEAT_S, n_bars=15, jitter_ms=1.0)
    strokes["snare"] = np.r_[strokes["snare"], strokes["snare"][:6] - 0.060]
    snare = timings(View(strokes, (click(),)))["snare", None]
    assert snare.n_between == 6


def test_declared_sections_are_measured_one_by_one():
    """The verse dead on, the chorus pushed by 10 ms."""
    strokes = rock(start_s=0.2 + 8 * BEAT_S, n_bars=15, jitter_ms=1.0)
    late = strokes["snare"] > 0.2 + (8 + 8 * 4) * BEAT_S
    strokes["snare"] = strokes["snare"] - 0.010 * late
    parts = (Section(name="Verse", bar=1), Section(name="Chorus", bar=9))
    found = timings(View(strokes, (click(),), sections=parts))
    assert found["snare", 1].section == "Verse"
    assert found["snare", 1].median_ms == pytest.approx(0.0, abs=1.0)
    assert found["snare", 9].median_ms == pytest.approx(-10.0, abs=1.0)


def test_without_a_grid_nothing_is_said():
    """No pulse, no timing."""
    assert list(measure_timing(View(rock()))) == []
