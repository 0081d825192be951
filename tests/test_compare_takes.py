"""Takes rendered with known differences, measured and compared: what was changed is reported, the rest is the same."""

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

import takes
from kitproof.compare import Reading, compare
from kitproof.comparison import Comparison
from kitproof.demo import TakeSpec, render_take, write_take
from kitproof.demo.scenario import TakePlan, load_scenario
from kitproof.run import measure_take
from takes import MeasuredTake

SIGMAS = 3.0  # one figure in 370 is further from the truth by chance; the seeds are fixed
FURTHER_CM = 20.0  # overhead right, in the demo's first take


def rendered(folder: Path, plan: TakePlan, gain_db: Mapping[str, float]) -> Reading:
    """The short take once more: other noise, no stroke like another, preamps as before but for the plan."""
    spec = TakeSpec(number=plan.number, rate_hz=44100, plan=plan, gain_db=gain_db, strokes=takes.strokes(),
                    length_s=takes.LENGTH_S)  # fmt: skip
    stems, truth = render_take(spec)
    with ThreadPoolExecutor(1) as executor:
        result = measure_take(write_take(folder, stems, truth), executor, strict=True)
    return Reading(result.measurements, result.pictures.hits)


@pytest.fixture(scope="module")
def first(measured: MeasuredTake) -> Reading:
    return Reading(measured.result.measurements, measured.result.pictures.hits)


@pytest.fixture(scope="module")
def again(measured: MeasuredTake, tmp_path_factory: pytest.TempPathFactory) -> Reading:
    """Nothing was touched."""
    plan = replace(load_scenario().takes[1], number=4)
    return rendered(tmp_path_factory.mktemp("again"), plan, measured.truth.gain_db)


@pytest.fixture(scope="module")
def c(measured: MeasuredTake, first: Reading, tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    """Overhead right put back, snare side turned down, overhead left turned up, snare bottom turned over."""
    plan = replace(load_scenario().takes[2], gain_step_db={"snare-side": -13.0, "overhead-left": 4.0})
    return compare([first, rendered(tmp_path_factory.mktemp("changed"), plan, measured.truth.gain_db)])


def roles(measured: MeasuredTake, files: set[str | None]) -> set[str]:
    return {measured.roles[f] for f in files if f is not None}


def test_nothing_touched_is_nothing_changed(first: Reading, again: Reading) -> None:
    """Another performance and other noise: no gain, no place, no tuning, no polarity is called changed."""
    c = compare([first, again])
    assert [(x.kind, x.file, x.drum, x.value) for x in c.changes if x.word == "changed"] == []
    assert [(m.file, m.drum) for m in c.moves if m.word == "changed"] == []
    assert c.switches == ()


def test_a_take_against_itself_is_the_same(first: Reading) -> None:
    """With all that a real take holds."""
    c = compare([first, first])
    assert {x.word for x in (*c.changes, *c.moves)} == {"same", None}
    assert (c.switches, c.placements) == ((), ())


def test_the_gains_that_were_turned_are_reported_and_no_other(c: Comparison, measured: MeasuredTake) -> None:
    """By as much as they were, within their error."""
    gains = {measured.roles[x.file or ""]: x for x in c.changes if x.kind == "gain" and x.word == "changed"}
    assert set(gains) == {"snare-side", "overhead-left"}
    for role, db in (("snare-side", -13.0), ("overhead-left", 4.0)):
        value, error = gains[role].value, gains[role].error
        assert value is not None
        assert error is not None
        assert abs(value - db) <= SIGMAS * error


def test_the_mic_that_was_moved_is_reported_and_no_other(c: Comparison, measured: MeasuredTake) -> None:
    """Overhead right hangs 20 cm nearer to the snare again."""
    moved = [m for m in c.moves if m.word == "changed"]
    assert [(m.what, measured.roles[m.file or ""], m.drum) for m in moved] == [("mic", "overhead-right", "snare")]
    assert moved[0].path_cm is not None
    # The way to the snare's own mic, 12 cm beside its middle, shortens by a little less than that to the middle.
    assert moved[0].path_cm == pytest.approx(-FURTHER_CM, abs=4.0)


def test_the_mic_that_was_turned_over_is_reported_and_no_other(c: Comparison, measured: MeasuredTake) -> None:
    """Snare bottom, from the one pair it is in."""
    assert roles(measured, {s.file for s in c.switches if s.kind == "polarity"}) == {"snare-bottom"}


def test_the_moved_mic_is_shown_side_by_side(c: Comparison, measured: MeasuredTake) -> None:
    """Its arrival at the snare before and after, and the notch with the other overhead, are numbers."""
    (p,) = c.placements
    assert measured.roles[p.file] == "overhead-right"
    snare = {r.quantity: r for r in p.rows if r.drum == "snare" and r.difference is not None}
    assert {"arrival", "level", "notch"} <= set(snare)
    assert snare["arrival"].word == "changed"


def test_the_take_without_clipping_is_put_forward(c: Comparison) -> None:
    """The first take is clipped, the second is not."""
    assert [r.best for r in c.ranks] == [False, True]
    assert c.ranks[0].n_damaged > 5  # the snare side clips at every backbeat
