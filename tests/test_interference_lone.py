"""Cracks and knocks in one channel; sounds and ticks where nobody plays."""

from itertools import pairwise

import numpy as np
import pytest

from interferencekit import LAST_S, RATE_HZ, added, stems, view
from kitproof.measure.grid import ClickTrack
from kitproof.measure.interference_lone import find_lone_sounds
from kitproof.measure.interference_rests import find_late_sounds, find_rest_pulses, machine_pulses
from synth import amplitude


def spit(level_dbfs, seconds=0.002, seed=1):
    """A crack of a lead: a few steps, over at once."""
    n = round(seconds * RATE_HZ)
    return (
        amplitude(level_dbfs) * np.random.default_rng(seed).choice((-1.0, 1.0), n) * np.exp(-np.arange(n) / (0.3 * n))
    )


def bang(level_dbfs, seed=2):
    """A stick on the mic: broadband, then the stand booms."""
    t = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    x = np.random.default_rng(seed).standard_normal(len(t)) * np.exp(-t / 0.006) + np.sin(
        2 * np.pi * 85.0 * t
    ) * np.exp(-t / 0.035)
    return amplitude(level_dbfs) * x / np.abs(x).max()


def between(times, n, rng):
    """Moments at least 0.1 s from any stroke."""
    every = np.sort(np.concatenate(list(times.values())))
    free = [(a + b) / 2 for a, b in pairwise(every) if b - a > 0.25]
    return np.sort(rng.choice(free, n, replace=False))


# ---------------------------------------------------------------- in one channel
@pytest.mark.parametrize(("file", "level_dbfs"), [("snare.wav", -30.0), ("tom.wav", -30.0), ("left.wav", -35.0)])
def test_cracks_of_a_lead_are_found(file, level_dbfs):
    """Eight spits between the strokes, 20 dB under a close mic's strokes: each is found at its time."""
    signals, times = stems()
    at = between(times, 8, np.random.default_rng(3))
    signals[file] = added(signals[file], at, spit(level_dbfs))

    (found,) = find_lone_sounds(view(signals, times))

    assert (found.file, found.kind, found.n_sounds) == (file, "crackle", 8)
    # Levels are known once a millisecond, from windows of four.
    assert np.allclose(found.times_s, at, atol=0.005)


def test_a_groove_has_neither_cracks_nor_knocks():
    """Every stroke begins in every mic."""
    assert list(find_lone_sounds(view(*stems()))) == []


def test_a_dry_tick_that_every_mic_hears_is_no_crack():
    """Sticks that touch in the air are as short as a crack, but they are in the room."""
    signals, times = stems()
    at = between(times, 8, np.random.default_rng(3))
    heard = {f: added(x, at + 0.001 * k, spit(-30.0 - 3 * k)) for k, (f, x) in enumerate(signals.items())}

    assert list(find_lone_sounds(view(heard, times))) == []


def test_soft_strokes_that_only_their_own_mic_hears_are_no_cracks():
    """A ghost note whose bleed lies under the noise still rings."""
    signals, times = stems(noise_dbfs=-60.0)
    at = between(times, 8, np.random.default_rng(3))
    t = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    ghost = (
        amplitude(-36.0)
        * (np.sin(2 * np.pi * 500.0 * t) + 0.3 * np.random.default_rng(1).standard_normal(len(t)))
        * np.exp(-t / 0.025)
    )  # 20 dB in 58 ms
    signals["snare.wav"] = added(signals["snare.wav"], at, ghost)

    assert list(find_lone_sounds(view(signals, times))) == []


def test_a_knock_on_a_mic_is_found():
    """One bang 6 dB over the strokes, in one mic alone, in a pause between two strokes."""
    signals, times = stems()
    (at,) = between(times, 1, np.random.default_rng(5))
    signals["snare.wav"] = added(signals["snare.wav"], at, bang(-2.0))
    struck = {d: np.sort(np.append(t, at)) if d == "snare" else t for d, t in times.items()}  # it is taken for a stroke

    (found,) = find_lone_sounds(view(signals, struck))

    assert (found.file, found.kind, found.n_sounds) == ("snare.wav", "knock", 1)
    assert found.times_s[0] == pytest.approx(at, abs=0.01)  # the boom goes on rising for a few milliseconds


def test_a_bang_in_every_mic_is_no_knock():
    """A stand that falls over is heard all over the room."""
    signals, times = stems()
    (at,) = between(times, 1, np.random.default_rng(5))
    heard = {f: added(x, at + 0.002 * k, bang(-8.0 - 4 * k)) for k, (f, x) in enumerate(signals.items())}

    assert list(find_lone_sounds(view(heard, times))) == []


# ---------------------------------------------------------------- in the rests
def syllables(level_dbfs, n=3, seed=4):
    """Speech-like: a voice of 120 Hz in syllables of 0.25 s."""
    t = np.arange(round(0.3 * n * RATE_HZ)) / RATE_HZ
    voice = sum(np.sin(2 * np.pi * 120.0 * k * t) / k for k in range(3, 30))
    swell = np.clip(np.sin(2 * np.pi * t / 0.6 * 2), 0.0, 1.0)
    return amplitude(level_dbfs) * voice / np.abs(voice).max() * swell


def in_all(signals, at, what, fall_db=2.0):
    """Heard by every mic, a little later and softer in each."""
    return {
        f: added(x, at + 0.001 * k, what * amplitude(-fall_db * k)) for k, (f, x) in enumerate(signals.items())
    }  # fmt: skip


def test_talk_after_the_last_stroke_is_found():
    """A voice in the last ring, 30 dB under the strokes and 30 dB over the noise."""
    signals, times = stems()
    found = list(find_late_sounds(view(in_all(signals, 13.0, syllables(-40.0)), times)))

    assert found
    assert {(s.place, s.kind) for s in found} == {("ending", "sound")}
    assert found[0].start_s == pytest.approx(13.0, abs=0.15)  # a syllable swells
    assert len(found[0].files) == 4


def test_talk_in_the_count_in_is_told_apart():
    """Said as such, so that it can be a note."""
    signals, times = stems()
    found = list(find_late_sounds(view(in_all(signals, 0.4, syllables(-40.0, n=2)), times)))
    assert {s.place for s in found} == {"count-in"}


def test_a_last_stroke_that_was_missed_is_no_talk():
    """A stroke is up at once; that the search for strokes missed it makes no voice of it."""
    signals, times = stems()
    missed = {d: t[t < LAST_S - 2.5] for d, t in times.items()}
    assert list(find_late_sounds(view(signals, missed))) == []


def test_the_ring_of_the_last_stroke_is_no_late_sound():
    """It only falls."""
    assert list(find_late_sounds(view(*stems()))) == []


def test_noise_that_comes_up_during_the_take_is_found_at_its_end():
    """A fan from the ninth second on, 20 dB over what was there before."""
    signals, times = stems()
    rng = np.random.default_rng(8)
    for file, x in signals.items():
        up = np.clip((np.arange(len(x)) / RATE_HZ - 9.0) / 0.5, 0.0, 1.0)
        signals[file] = x + amplitude(-58.0) * up * rng.standard_normal(len(x))

    (found,) = find_late_sounds(view(signals, times))

    assert (found.kind, found.place, len(found.files)) == ("steady", "ending", 4)
    # From the quietest hundredth of one level to the middle of the other; each moves by 0.5 dB over 0.2 s.
    assert found.rise_db == pytest.approx(20.0, abs=1.5)


def tick(level_dbfs):
    t = np.arange(round(0.01 * RATE_HZ)) / RATE_HZ
    return amplitude(level_dbfs) * np.sin(2 * np.pi * 1800.0 * t) * np.exp(-t / 0.002)


@pytest.mark.parametrize("n_mics", [1, 3])
def test_a_click_without_a_stem_is_heard_in_the_rests(n_mics):
    """104 a minute, -50 dBFS, from the first to the last second; the rests before and after the playing show it."""
    signals, times = stems()
    beats = np.arange(0.2, 15.8, 60.0 / 104.0)
    for file in list(signals)[:n_mics]:
        signals[file] = added(signals[file], beats, tick(-50.0))

    (found,) = find_rest_pulses(view(signals, times))

    assert len(found.files) == n_mics
    assert found.period_s == pytest.approx(60.0 / 104.0, abs=0.001)
    assert found.jitter_ms < 0.3  # edges are known to a quarter of a millisecond


def test_with_a_stem_of_the_click_the_rests_are_not_asked():
    """Then there is something better to compare with."""
    signals, times = stems()
    beats = np.arange(0.2, 15.8, 60.0 / 104.0)
    heard = {f: added(x, beats, tick(-50.0)) for f, x in signals.items()}
    clue = ClickTrack(file="click.wav", time_s=beats, level_db=np.full(len(beats), -6.0))

    assert list(find_rest_pulses(view(heard, times, clues=(clue,)))) == []


def test_a_take_without_a_click_has_none():
    """Playing that keeps exact time is no click: only rests are looked at."""
    assert list(find_rest_pulses(view(*stems(jitter_s=0.0)))) == []


def test_players_are_no_machines():
    """Count-ins of 4 to 8 sticks that scatter by 5 ms, the least that good players do: at most one in a hundred."""
    taken = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        n = int(rng.integers(4, 9))
        taken += machine_pulses(np.arange(n) * 0.577 + rng.normal(0.0, 0.005, n), 104.0) is not None
    assert taken <= 2


def test_a_machine_is_one_though_some_of_its_ticks_are_covered():
    """Eight ticks of which three are missing, with the quarter of a millisecond that times are known to."""
    at = 0.3 + np.delete(np.arange(8), [2, 3, 5]) * 0.577
    index, period, jitter = machine_pulses(np.round(at * 4000) / 4000, None)
    assert len(index) == 5
    assert period == pytest.approx(0.577, abs=0.0005)
    assert jitter < 0.2
