"""Wires that slip during the take, and playing that only looks like it."""

import numpy as np
import pytest

from kitproof.measure.snareshare import wire_share
from kitproof.measure.steps import struck_along

N = 60
SCATTER_DB = 0.5
ALIKE = np.zeros((N, 0), bool)


def strokes(seed=1):
    """Times, strengths and the drum's own level of steady playing; the share hangs on strength a little."""
    rng = np.random.default_rng(seed)
    level = rng.uniform(-20.0, -6.0, N)
    share = -8.0 - 0.2 * (level + 12.0) + rng.normal(0.0, SCATTER_DB, N)
    drum = level - 10.0 + rng.normal(0.0, SCATTER_DB, N)
    return np.arange(float(N)), level, share, drum


@pytest.mark.parametrize("seed", range(4))
def test_steady_wires_have_no_step(seed):
    """Any step that is found explains next to nothing."""
    found = wire_share("b.wav", *strokes(seed), ALIKE)

    assert found.rest > 0.85
    assert abs(found.step_db) < 1.0


@pytest.mark.parametrize("step_db", [-12.0, -4.0, 4.0])
def test_a_step_is_found_with_its_size_and_its_moment(step_db):
    """Wires that slip after two thirds of the take; the drum stays."""
    times, level, share, drum = strokes()
    found = wire_share("b.wav", times, level, share + step_db * (times >= 40.0), drum, ALIKE)

    assert found.step_db == pytest.approx(step_db, abs=0.6)  # four standard errors of two medians
    assert found.step_time_s == pytest.approx(40.0, abs=1.0)
    assert found.rest < 0.6
    assert found.overlap < 0.1
    assert abs(found.drum_step_db) < 1.0


def test_playing_ever_harder_is_no_step():
    """A share that follows strength, in a take whose second half is played 10 dB harder."""
    times, level, share, drum = strokes()
    harder = 10.0 * (times >= 30.0)
    found = wire_share("b.wav", times, level + harder, share - 0.2 * harder, drum + harder, ALIKE)

    assert abs(found.step_db) < 1.0


def test_a_passage_on_the_rim_is_no_step():
    """Fewer wires and less drum for a third of the take, then as before."""
    times, level, share, drum = strokes()
    rim = (times >= 20.0) & (times < 40.0)
    found = wire_share("b.wav", times, level, share - 8.0 * rim, drum - 10.0 * rim, ALIKE)

    assert found.rest > 0.6 or abs(found.drum_step_db) > 3.0


def test_too_few_strokes_say_so():
    """With twenty strokes a step cannot be told from chance; with none there is no share either."""
    few = wire_share("b.wav", *(x[:20] for x in strokes()), ALIKE[:20])
    none = wire_share("b.wav", *(x[:0] for x in strokes()), ALIKE[:0])

    assert few.share_db is not None
    assert few.unmeasured["step_db"] == "too few strokes"
    assert none.unmeasured["share_db"] == "too few strokes"


def test_another_cymbal_along_with_it_is_no_step():
    """A ride from the middle on, with two strokes of three, is heard where the wires are; the third tells."""
    times, level, share, drum = strokes()
    ride = (times >= 30.0) & (np.arange(N) % 3 > 0)
    hat = (times < 30.0) & (np.arange(N) % 3 > 0)
    along = struck_along(times, {"ride": times[ride] + 0.02, "hi-hat": times[hat]}, (-0.012, 0.06))
    share = share + 6.0 * ride
    found = wire_share("t.wav", times, level, share, drum, along)

    assert wire_share("t.wav", times, level, share, drum, ALIKE).step_db > 3.0
    assert abs(found.step_db) < 1.0
