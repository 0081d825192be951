"""A drum whose strokes change their tone during the take, and playing that only looks like it."""

from dataclasses import replace

import numpy as np
import pytest

import findkit
from findkit import file_of, grave, the, told
from kitproof.measure.drumsound import attack_db, drum_sound
from kitproof.measure.onsets import N_BANDS, OnsetTrack
from kitproof.measure.steps import kinds, struck_along
from kitproof.model import DelayCourse
from kitproof.observed.instrument import DrumSound, WireShare

N = 60
TIMES = np.arange(float(N))
HEARD = np.arange(N)
DARKER = np.array([4.0, 3.0, 1.0, -1.0, -3.0, -4.0])  # sum 0; root mean square 2.94
SCATTER_DB = 0.7
ALONE = np.zeros((N, 0), bool)


def strokes(seed=1):
    """Strengths and octaves of steady playing; hard strokes are brighter, 0.2 dB an octave for each dB of strength."""
    rng = np.random.default_rng(seed)
    level = rng.uniform(-20.0, -8.0, N)
    slope = 0.2 * (np.arange(6) - 2.5)
    octaves = level[:, None] * (1.0 + slope) + rng.normal(0.0, SCATTER_DB, (N, 6))
    return level, octaves


def sound(octaves, level, along=ALONE, n=N):
    return drum_sound("snare", "s.wav", TIMES[:n], level[:n], octaves[:n], along[:n])


@pytest.mark.parametrize("seed", range(4))
def test_a_steady_drum_has_no_step(seed):
    """The best of all steps is small and explains next to nothing."""
    level, octaves = strokes(seed)
    found = sound(octaves, level)

    assert found.step_db < 1.0
    assert found.rest > 0.8
    assert found.overlap > 0.15


@pytest.mark.parametrize("at", [12, 35, 50])
def test_a_step_is_found_with_its_size_and_its_moment(at):
    """From one stroke on every octave has moved."""
    level, octaves = strokes()
    found = sound(octaves + DARKER * (at <= HEARD)[:, None], level)

    # four standard errors of medians of 10 strokes
    assert found.step_db == pytest.approx(2.94, abs=0.6)
    assert found.step_time_s == pytest.approx(TIMES[at], abs=1.0)
    assert found.darker_db == pytest.approx(8.6, abs=1.5)  # of the line through all six octaves
    assert found.rest < 0.6
    assert found.overlap < 0.1
    assert found.sudden == pytest.approx(1.0, abs=0.3)  # medians of six strokes


def test_a_hand_that_wanders_is_not_sudden():
    """Ever nearer to the edge, from the first stroke to the last."""
    level, octaves = strokes()
    found = sound(octaves + 3.0 * DARKER * np.linspace(-0.5, 0.5, N)[:, None], level)

    assert found.sudden < 0.5


def test_a_passage_played_otherwise_is_no_step():
    """A third of the take on the rim, then as before."""
    level, octaves = strokes()
    rim = (HEARD >= 20) & (HEARD < 40)
    found = sound(octaves + 2.0 * DARKER * rim[:, None], level)

    assert found.rest > 0.6


def test_playing_ever_harder_is_no_step():
    """Brighter because harder is no new tone."""
    level, octaves = strokes()
    slope = 0.2 * (np.arange(6) - 2.5)
    more = 8.0 * (HEARD >= 30)
    found = sound(octaves + more[:, None] * (1.0 + slope), level + more)

    assert found.step_db < 1.0
    assert found.louder_db == pytest.approx(8.0, abs=3.0)  # two medians of 30 strokes over 12 dB


def test_another_cymbal_with_it_is_no_step():
    """The hat gives way to the ride: every second stroke has it along, and hears it in the highest octaves."""
    level, octaves = strokes()
    cymbal = HEARD % 2 == 0
    hat, ride = cymbal & (HEARD < 30), cymbal & (HEARD >= 30)
    octaves = octaves + 9.0 * hat[:, None] * (np.arange(6) == 5) + 3.0 * ride[:, None] * (np.arange(6) == 4)
    times = {"hi-hat": TIMES[hat] + 0.004, "ride": TIMES[ride] - 0.004}

    assert sound(octaves, level, struck_along(TIMES, times)).step_db < 1.0
    assert sound(octaves, level).step_db > 1.0


def test_strokes_are_of_a_kind_if_the_same_drums_are_heard_along():
    """Twelve milliseconds count as together; a drum that makes no difference does not count."""
    times = {"ride": TIMES[::2] + 0.011, "kick": TIMES[::3] - 0.005, "crash": TIMES[::4] + 0.02}
    along = struck_along(TIMES, times)
    kind = kinds(np.where(along[:, :1], 4.0, 0.0) + np.zeros((N, 6)), along)

    assert along[:, :2].sum(axis=0).tolist() == [N // 2, N // 3]
    assert not along[:, 2].any()
    assert len({int(k) for k in kind[::2]}) == len({int(k) for k in kind[1::2]}) == 1
    assert kind[0] != kind[1]


def test_the_attack_is_what_the_stroke_adds_to_what_was_there():
    """An octave that does not double is not heard; the others are worth their mean over 10 ms."""
    db = np.full((400, N_BANDS), -60.0, np.float16)
    db[200:210, 1:7] = (-30.0, -40.0, -50.0, -56.0, -59.0, -20.0)
    track = OnsetTrack(
        band_db=db, edge_db=np.zeros(0, np.float16), mid_db=np.zeros(0, np.float16), frames_per_s=1000.0,
        edges_per_s=4000.0,
    )  # fmt: skip
    level = attack_db(track, np.array([0.2]))[0]

    assert level[:3] == pytest.approx([-30.0, -40.04, -50.46], abs=0.05)  # half precision keeps 0.03 dB there
    assert np.isnan(level[4])
    assert level[5] == pytest.approx(-20.0, abs=0.05)


def test_too_few_strokes_and_covered_ones_say_so():
    """No figure without a reason."""
    level, octaves = strokes()

    assert sound(octaves, level, n=15).unmeasured["step_db"] == "too few strokes"
    assert sound(octaves, level, n=0).unmeasured["rest"] == "too few strokes"
    covered = sound(np.where(HEARD[:, None] % 3 == 0, np.nan, octaves), level)
    assert "sound already" in covered.unmeasured["step_db"]


SOUND = DrumSound(
    drum="kick", file=file_of("kick"), n_strokes=60, step_db=4.0, step_time_s=30.0, darker_db=9.0, scatter_db=0.7,
    overlap=0.02, sudden=1.0, rest=0.4, louder_db=-0.5,
)  # fmt: skip


def judged(*records):
    return told(findkit.kit() | {"faults": records})


def test_a_changed_drum_is_worth_a_decision():
    """It says when, how much and which way."""
    f = the(judged(SOUND), "drum-changed")

    assert (f.severity, f.drum, f.value, f.times_s) == ("look", "kick", 4.0, (30.0,))
    assert "darker" in f.message
    assert "brighter" in the(judged(replace(SOUND, darker_db=-9.0)), "drum-changed").message
    assert "otherwise" in the(judged(replace(SOUND, darker_db=1.0)), "drum-changed").message


@pytest.mark.parametrize(
    "change", [{"step_db": 1.7}, {"rest": 0.7}, {"overlap": 0.2}, {"sudden": 0.4}, {"louder_db": -7.0}]
)
def test_what_playing_does_is_no_finding(change):
    """A small step, one that explains little, strokes like the other side's, a slow one, another strength."""
    assert grave(judged(replace(SOUND, **change))) == []


def test_a_drum_with_few_strokes_is_named_as_not_checked():
    """Nothing found is not the same as nothing looked for."""
    names = ("step_db", "step_time_s", "darker_db", "scatter_db", "overlap", "sudden", "rest", "louder_db")
    few = replace(SOUND, n_strokes=9, unmeasured=dict.fromkeys(names, "too few strokes"), **dict.fromkeys(names))
    found = judged(replace(few, drum="floor-tom", file=file_of("floor-tom")), SOUND)

    assert [n.drums for n in found.not_checked if n.code == "kept-sound"] == [("floor-tom",)]


def test_a_mic_that_moved_or_wires_that_slipped_are_said_once():
    """The same moment, the same cause."""
    moved = DelayCourse(
        file=file_of("kick"), n_strokes=60, drift_ppm=0.0, drift_error_ppm=1.0, step_ms=0.4, step_error_ms=0.02,
        step_time_s=31.0, shape="step",
    )  # fmt: skip
    slipped = WireShare(
        file=file_of("snare-bottom"), n_strokes=48, share_db=-8.0, step_db=-6.0, step_time_s=29.0, scatter_db=0.3,
        overlap=0.0, rest=0.3, drum_step_db=0.1,
    )  # fmt: skip
    snare = replace(SOUND, drum="snare", file=file_of("snare-top"))

    assert grave(judged(SOUND, moved)) == [("look", "moved-mic")]
    assert grave(judged(snare, slipped)) == [("look", "snares-loose")]
