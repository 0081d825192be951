"""Bar by bar, and which take: by what stands against each, ties shown as ties."""

from dataclasses import replace

import pytest

import comparekit
from comparekit import finding, with_hits
from kitproof.compare import Reading, compare
from kitproof.comparison import Comparison
from kitproof.model import Measurements, Section
from kitproof.observed import Observed

STRAIGHT = {"kick": [float(b) for b in range(0, 96, 2)], "snare": [float(b) for b in range(1, 96, 2)]}  # 24 bars


def song(number: int = 1, **options: object) -> Measurements:
    """Kick and snare in turn for 24 bars of four beats, two seconds each."""
    return with_hits(comparekit.take(number, **options), STRAIGHT)  # type: ignore[arg-type]


def together(*takes: Measurements) -> Comparison:
    return compare([Reading(m) for m in takes])


def marks(c: Comparison) -> set[tuple[int, int, str]]:
    return {(x.take, x.bar, x.reason) for x in c.bar_reasons}


# ---------------------------------------------------------------- the map
def test_findings_mark_the_bars_they_fall_into() -> None:
    """Clipping at 4.1 s and samples lost at 9 s, bars of two seconds: bars 3 and 5."""
    found = (finding("clipping", "fix", times_s=(4.1,)), finding("dropout", "fix", times_s=(9.0,)))
    c = together(song(), song(2, findings=found))
    assert marks(c) == {(2, 3, "clipping"), (2, 5, "lost")}
    assert [b.last_bar for b in c.bars] == [24, 24]


def test_a_note_marks_nothing() -> None:
    """Only what is to be fixed or looked at stands against a bar."""
    assert marks(together(song(), song(2, findings=(finding("clipping", "note", times_s=(4.1,)),)))) == set()


def test_a_finding_that_lists_only_some_of_its_places_says_so() -> None:
    """Twenty of sixty places are listed: the map may be incomplete."""
    c = together(song(), song(2, findings=(finding("clipping", "fix", times_s=(4.1,), n=60),)))
    assert [b.incomplete for b in c.bars] == [(), ("clipping",)]


def test_a_stroke_off_the_drums_own_habit_is_marked() -> None:
    """40 ms late on the second beat of bar 4, where all others of that drum are on it."""
    late = STRAIGHT | {"snare": [b + (0.08 if b == 13.0 else 0.0) for b in STRAIGHT["snare"]]}
    c = together(song(), with_hits(comparekit.take(2), late))
    assert marks(c) == {(2, 4, "timing")}
    assert c.bar_reasons[0].value_ms == pytest.approx(40.0, abs=0.1)  # half a second a beat


def test_a_drum_that_always_lies_behind_is_not_marked() -> None:
    """A habit is feel; only what leaves it is marked."""
    laid_back = STRAIGHT | {"snare": [b + 0.08 for b in STRAIGHT["snare"]]}
    assert marks(together(song(), with_hits(comparekit.take(2), laid_back))) == set()


def test_what_another_take_plays_there_too_is_meant() -> None:
    """Both takes are late at the same place."""
    late = STRAIGHT | {"snare": [b + (0.08 if b == 13.0 else 0.0) for b in STRAIGHT["snare"]]}
    assert marks(together(with_hits(comparekit.take(), late), with_hits(comparekit.take(2), late))) == set()


def test_a_flam_is_not_off() -> None:
    """A grace note 40 ms ahead belongs to its stroke."""
    flam = STRAIGHT | {"snare": sorted([*STRAIGHT["snare"], 12.92])}
    assert marks(together(song(), with_hits(comparekit.take(2), flam))) == set()


def test_a_stroke_that_the_others_have_is_missed() -> None:
    """With three takes; with two nobody can say which is right."""
    fewer = STRAIGHT | {"kick": [b for b in STRAIGHT["kick"] if b != 20.0]}
    assert marks(together(song(), song(2), with_hits(comparekit.take(3), fewer))) == {(3, 6, "missing")}
    assert marks(together(song(), with_hits(comparekit.take(2), fewer))) == set()


def test_bars_that_do_not_line_up_miss_nothing() -> None:
    """Another song, or bar 1 elsewhere: half of all strokes would be missing, so none is."""
    other = {"kick": STRAIGHT["snare"], "snare": STRAIGHT["kick"]}
    c = together(song(), song(2), with_hits(comparekit.take(3), other))
    assert marks(c) == set()
    assert "missing-strokes" in c.bars[2].incomplete


def test_without_beats_there_is_no_map_and_a_reason() -> None:
    """No map, no comp, and each take says why."""
    bare = [replace(song(n), observed=Observed()) for n in (1, 2)]
    c = together(*bare)
    assert [(b.last_bar, b.unmeasured["last_bar"]) for b in c.bars] == [(None, "no beat was found")] * 2
    assert (c.bar_reasons, c.comp) == ((), ())


# ---------------------------------------------------------------- the choice
def test_fewest_things_to_fix_come_before_all_else() -> None:
    """One thing to fix outweighs three to look at."""
    look = tuple(finding("bleed", "look", role) for role in ("kick", "ride", "hi-hat"))
    c = together(song(findings=(finding("hum", "fix"),)), song(2, findings=look))
    assert [r.best for r in c.ranks] == [False, True]


def test_then_the_damaged_places_count() -> None:
    """Of two takes with one clipping each, the one with fewer clipped places."""
    a, b = (finding("clipping", "fix", times_s=(1.0,), n=n) for n in (40, 3))
    c = together(song(findings=(a,)), song(2, findings=(b,)))
    assert [(r.n_damaged, r.best) for r in c.ranks] == [(40, False), (3, True)]


def test_a_tie_is_shown_as_a_tie() -> None:
    """Three alike are all best."""
    assert [r.best for r in together(song(), song(2), song(3)).ranks] == [True, True, True]


def test_a_take_that_nobody_could_judge_is_not_best() -> None:
    """Nothing found in a take that could not be judged is no merit."""
    c = together(song(findings=(finding("hum", "fix"),)), song(2, verdict="unknown"))
    assert [(r.judged, r.best) for r in c.ranks] == [(True, True), (False, False)]


def test_each_stretch_has_its_own_best_takes() -> None:
    """Eight bars each in a long song: one take is marked in the first, the other in the last."""
    c = together(song(findings=(finding("clipping", "fix", times_s=(3.0,)),)),
                 song(2, findings=(finding("clipping", "fix", times_s=(40.0,)),)))  # fmt: skip
    assert [(b.first_bar, b.last_bar, b.takes) for b in c.comp] == [(1, 8, (2,)), (9, 16, (1, 2)), (17, 24, (1,))]


def test_declared_sections_are_the_stretches() -> None:
    """Named as declared, with what comes before the first of them."""
    first = song()
    sections = (Section(name="verse", bar=3), Section(name="chorus", bar=11))
    c = together(replace(first, take=replace(first.take, sections=sections)), song(2))
    assert [(b.name, b.first_bar, b.last_bar) for b in c.comp] == [("", 1, 2), ("verse", 3, 10), ("chorus", 11, 24)]


def test_a_take_that_ends_early_is_not_put_forward_for_what_it_lacks() -> None:
    """Half a take has no last chorus."""
    half = {drum: [b for b in beats if b < 48.0] for drum, beats in STRAIGHT.items()}
    c = together(song(findings=(finding("clipping", "fix", times_s=(40.0,)),)), with_hits(comparekit.take(2), half))
    assert c.comp[-1].n_marked == (1, None)
    assert c.comp[-1].takes == (1,)
