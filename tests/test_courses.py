"""Courses: lags of strokes, drift and steps, and who of two mics moved."""

import numpy as np
import pytest
from scipy import fft

import synth
from kitproof.measure.courses import delay_courses
from kitproof.measure.excerpts import LEAD_S, TAIL_S
from kitproof.measure.lags import StrokeLags, stroke_lags

RATE = synth.RATE_HZ
SPAN_S = 30.0
DRIFT_PPM = 5.0  # the goal
STEP_MS = 0.1  # the goal
OWN = {"snare": "sn", "kick": "kk"}


def stroke_waves(lag_s, seed, *, noise=0.02):
    """(n_hits, n) one stroke, moved by each lag, a little different each time."""
    rng = np.random.default_rng(seed)
    n = round((LEAD_S + TAIL_S) * RATE)
    one = synth.strokes([LEAD_S], seconds=n / RATE, hz=200.0, decay_s=0.02, peak_dbfs=-6.0, rng=rng)
    hz = fft.rfftfreq(n, 1.0 / RATE)
    moved = fft.irfft(fft.rfft(one) * np.exp(-2j * np.pi * hz * np.asarray(lag_s)[:, None]), n)
    return moved * rng.uniform(0.5, 1.0, (len(lag_s), 1)) + noise * rng.standard_normal(moved.shape)


def series(file, drum, lag_s, time_s, seed, *, scatter_s=2e-5):
    lag = np.asarray(lag_s) + np.random.default_rng(seed).normal(0.0, scatter_s, len(time_s))
    return StrokeLags(file=file, drum=drum, time_s=time_s, lag_s=lag - np.median(lag), likeness=np.ones(len(time_s)))


def take(moved="", course=lambda t: 0.0 * t, seed=1, n_strokes=40):
    """Lags of two drums in their own mics and in two overheads, one of the channels on a course of its own.

    A stroke's time is taken from its own mic: one that moves makes the drum early everywhere else.
    """
    times = {"snare": np.linspace(1.0, SPAN_S, n_strokes), "kick": np.linspace(1.3, SPAN_S - 1.0, n_strokes)}
    out = []
    for drum, time in times.items():
        for k, file in enumerate((OWN[drum], "oh-l", "oh-r")):
            shift = (course(time) if file == moved else 0.0) - (course(time) if OWN[drum] == moved else 0.0)
            out.append(series(file, drum, shift + 0.0 * time, time, 10 * seed + 3 * k + len(drum)))
    return {c.file: c for c in delay_courses(out, OWN)}


# ---------------------------------------------------------------- lags
@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_lags_of_strokes_are_found_between_samples(noise):
    """Each stroke is laid over the mean of the others, to a fraction of a sample."""
    truth = np.random.default_rng(3).uniform(-5e-4, 5e-4, 20)
    found = stroke_lags("m", "snare", np.arange(20.0), stroke_waves(truth, 4, noise=noise), RATE, 0.0)

    assert found.lag_s == pytest.approx(truth - np.median(truth), abs=1e-5)  # s; half a sample


def test_silent_and_lone_strokes_have_no_lag():
    """Nothing to compare with."""
    silent = stroke_lags("m", "snare", np.arange(3.0), np.zeros((3, 4800)), RATE, 0.0)
    lone = stroke_lags("m", "snare", np.arange(1.0), stroke_waves([0.0], 5), RATE, 0.0)

    assert np.isnan(silent.lag_s).all()
    assert np.isnan(lone.lag_s).all()


def test_a_stroke_unlike_the_others_has_no_lag():
    """Another sound in the excerpt does not become a lag."""
    waves = stroke_waves(np.zeros(10), 6)
    waves[4] = np.random.default_rng(7).standard_normal(waves.shape[1])
    found = stroke_lags("m", "snare", np.arange(10.0), waves, RATE, 0.0)

    assert np.flatnonzero(np.isnan(found.lag_s)).tolist() == [4]


# ---------------------------------------------------------------- courses
@pytest.mark.parametrize("file", ["oh-l", "sn"])
@pytest.mark.parametrize("ppm", [40.0, -40.0, 13.0])
def test_drift_is_laid_to_the_channel_that_drifts(file, ppm):
    """Also if it is a drum's own mic, whose drum then wanders in all the others."""
    found = take(file, lambda t: ppm * 1e-6 * t)

    assert found[file].shape == "drift"
    assert found[file].drift_ppm == pytest.approx(ppm, abs=DRIFT_PPM)
    assert {c.shape for f, c in found.items() if f != file} == {"steady"}


@pytest.mark.parametrize("file", ["oh-r", "kk"])
@pytest.mark.parametrize("step_ms", [0.8, -0.25])
def test_a_step_is_laid_to_the_mic_that_moved(file, step_ms):
    """Its size, its sign and its instant, to within the pause between strokes."""
    found = take(file, lambda t: 1e-3 * step_ms * (t > 14.2))

    assert found[file].shape == "step"
    assert found[file].step_ms == pytest.approx(step_ms, abs=STEP_MS)
    assert found[file].step_time_s == pytest.approx(14.2, abs=2.0 * SPAN_S / 33)  # instants that are tried
    assert {c.shape for f, c in found.items() if f != file} == {"steady"}


@pytest.mark.parametrize(("step_ms", "takes_s"), [(0.8, 9.0), (-0.4, 5.0)])
def test_a_boom_that_sinks_and_stays_is_a_step_and_no_drift(step_ms, takes_s):
    """It goes on for a part of the take only, which no clock does."""
    found = take("oh-l", lambda t: 1e-3 * step_ms * np.clip((t - 12.0) / takes_s, 0.0, 1.0))

    assert found["oh-l"].shape == "step"
    assert found["oh-l"].step_ms == pytest.approx(step_ms, abs=STEP_MS)
    assert 12.0 < found["oh-l"].step_time_s < 12.0 + takes_s
    assert {c.shape for f, c in found.items() if f != "oh-l"} == {"steady"}


@pytest.mark.parametrize("seed", range(6))
def test_a_steady_take_has_neither(seed):
    """And what is measured lies within its own error."""
    for c in take(seed=seed).values():
        assert c.shape == "steady"
        assert abs(c.drift_ppm) < 3.0 * c.drift_error_ppm


def test_strokes_on_another_cycle_do_not_move_a_mic():
    """A tenth of the lags off by a period of the drum."""
    time = np.linspace(1.0, SPAN_S, 40)
    off = np.zeros(40)
    off[[3, 17, 25, 33]] = 2e-3
    lags = [series("sn", "snare", 0.0 * time, time, 1), series("oh", "snare", off, time, 2)]
    found = {c.file: c for c in delay_courses(lags, OWN)}

    assert {c.shape for c in found.values()} == {"steady"}


def test_two_fills_on_a_tom_do_not_move_its_mic():
    """However many strokes: that the second fill is played further from the rim is no stand that slumps."""
    time = np.concatenate([np.linspace(7.5, 8.6, 6), np.linspace(15.1, 16.2, 6)])
    later = np.where(time > 10.0, 2.5e-4, 0.0)
    lags = [series("tom", "rack-tom-2", 0.0 * time, time, 1)]
    lags += [series(f, "rack-tom-2", -later, time, k) for k, f in enumerate(("oh-l", "oh-r", "room"), 2)]
    found = {c.file: c for c in delay_courses(lags, {"rack-tom-2": "tom"})}

    assert {c.shape for c in found.values()} == {None}


def test_few_strokes_and_short_takes_have_reasons():
    """Not enough to go by is said."""
    few = take(n_strokes=5)["oh-l"]
    time = np.linspace(0.0, 7.0, 20)
    short = delay_courses([series(f, "snare", 0.0 * time, time, 1) for f in ("sn", "oh")], OWN)[1]

    assert "fewer than" in few.unmeasured["shape"]
    assert "span 7 s" in short.unmeasured["shape"]
    assert delay_courses([], OWN) == ()
