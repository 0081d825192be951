"""A drum's tuning log: late ring, decay, the pitch of its strokes, drift; and what must not be taken for them."""

import numpy as np
import pytest

import synth
from kitproof.demo import NO_PLAN, TakeSpec, set_up, single_hit
from kitproof.demo.kit import generator
from kitproof.demo.membranes import head_modes
from kitproof.measure import ring
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.tuning import drift, observe_tuning
from kitproof.measure.views import ChannelBrief, ChannelView
from kitproof.model import Channel

RATE_HZ = 48000
TOM_HZ = 112.0
RING_CENTS = 5.0  # how far late rings of one recorded drum differ among themselves: no more can be asked
DECAY_SHARE = 0.03  # an exact exponential through a window of 0.15 s


class Samples:
    """An open file of one channel that lives in memory."""

    def __init__(self, x, rate_hz):
        self.x, self.rate_hz, self.n_frames = x, rate_hz, len(x)

    def read(self, start, n):
        out = np.zeros((n, 1))
        first, last = max(start, 0), min(start + n, len(self.x))
        if last > first:
            out[first - start : last - start, 0] = self.x[first:last]
        return out


def records_of(x, times_s, strengths, *, drum="rack-tom-1", rate_hz=RATE_HZ, is_own=True, others=None):
    """What is observed of a drum in the samples of its own mic; `others`: stroke times of other drums."""
    times_s = np.asarray(times_s, float)
    channel = Channel(
        file="t.wav", path="t.wav", index_in_file=0, role=drum, role_source="take.toml", label=drum
    )  # fmt: skip
    strokes = {
        name: DrumTimes(
            drum=name, own_file="t.wav", time_s=np.asarray(t, float), strength=np.broadcast_to(s, len(t)),
            clear=np.ones(len(t), bool),
        )
        for name, (t, s) in {drum: (times_s, strengths), **{n: (t, 1.0) for n, t in (others or {}).items()}}.items()
    }  # fmt: skip
    brief = ChannelBrief(
        channel=channel, own_drum=drum, is_own_mic=is_own, drums=strokes, quiet_runs=(),
    )  # fmt: skip
    return list(observe_tuning(ChannelView(brief=brief, reader=Samples(x, rate_hz))))


def log_of(*args, **kw):
    """The tuning log of a drum; None if there is none."""
    return next(iter(records_of(*args, **kw)), None)


def stroke(hz, strength, *, decay_s=2.0, glide=0.2, glide_s=0.08, seconds=2.5, rate_hz=RATE_HZ):
    """A decaying tone that starts sharp, the more the harder it is struck."""
    t = np.arange(synth.n_samples(seconds, rate_hz)) / rate_hz
    turned = 2.0 * np.pi * hz * (t + strength * glide * glide_s * (1.0 - np.exp(-t / glide_s)))
    return strength * np.sin(turned) * 10.0 ** (-3.0 * t / decay_s)


def played(times_s, waves, seconds, rate_hz=RATE_HZ, noise_dbfs=-80.0, seed=1):
    x = synth.room_tone(seconds, noise_dbfs, np.random.default_rng(seed), rate_hz)
    for t, wave in zip(times_s, waves, strict=True):
        at = round(t * rate_hz)
        part = wave[: len(x) - at]
        x[at : at + len(part)] += part
    return x


TIMES_S = 1.0 + 3.0 * np.arange(8)
STRENGTHS = np.array([0.05, 0.5, 0.1, 0.4, 0.2, 0.3, 0.5, 0.08])


def off_cents(hz, true_hz):
    return 1200.0 * np.log2(hz / true_hz)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_the_late_ring_is_the_pitch_however_hard_the_strokes(rate_hz):
    """Strokes over 20 dB that start up to three semitones sharp all settle on one pitch."""
    waves = [stroke(TOM_HZ, s, rate_hz=rate_hz) for s in STRENGTHS]
    found = log_of(played(TIMES_S, waves, 27.0, rate_hz), TIMES_S, STRENGTHS, rate_hz=rate_hz)

    assert found.late_n == 8
    assert off_cents(found.late_hz, TOM_HZ) == pytest.approx(0.0, abs=RING_CENTS)
    assert (found.pitch, round(found.pitch_cents)) == ("A2", 31)
    assert found.late_spread_cents < RING_CENTS
    assert found.glide_semitones > 0.5  # soft ones start 0.2 semitones sharp, hard ones 1.6, over 130 ms less
    assert found.beat_hz is None


@pytest.mark.parametrize("decay_s", [0.7, 1.5, 3.0, 6.0])
def test_exact_decays_are_read_back(decay_s):
    """A ring that falls by 60 dB in a known time, shorter than the excerpt and far longer.

    Source: definition of decay and of the evaluation ranges T20 and T30, ISO 3382-1.
    """
    waves = [stroke(TOM_HZ, s, decay_s=decay_s, glide=0.0) for s in STRENGTHS]
    found = log_of(played(TIMES_S, waves, 27.0, noise_dbfs=-100.0), TIMES_S, STRENGTHS)

    assert found.decay_s == pytest.approx(decay_s, rel=DECAY_SHARE)
    assert found.decay_range_db == pytest.approx(min(30.0, 60.0 * 1.1 / decay_s), rel=0.25)
    # The course falls at that rate until 40 dB down, where the noise begins; saved to a tenth of a decibel.
    course = np.array(found.fall_db)
    course = course[course > -40.0]
    time_s = found.fall_from_s + found.fall_step_s * np.arange(len(course))
    assert len(course) >= 8
    assert course - course[0] == pytest.approx(-60.0 * (time_s - time_s[0]) / decay_s, abs=1.0)


@pytest.mark.parametrize(
    ("hz", "name", "cents"),
    [(440.0, "A4", 0.0), (55.0, "A1", 0.0), (82.407, "E2", 0.0), (261.626, "C4", 0.0), (61.6, "B1", -3.8)],
)
def test_pitches_have_the_names_of_equal_temperament(hz, name, cents):
    """Source: ISO 16 (A4 = 440 Hz), and the usual table of equal temperament made from it."""
    found = ring.nearest_pitch(hz)

    assert found[0] == name
    assert found[1] == pytest.approx(cents, abs=0.1)  # the table has three decimals


def test_other_drums_in_the_tail_do_not_move_the_pitch():
    """A kick at 60 Hz follows every stroke, as loud as the ring by then."""
    kick = 0.1 * stroke(60.0, 1.0, decay_s=0.4, glide=0.0)
    waves = [stroke(TOM_HZ, s) for s in STRENGTHS]
    x = played(TIMES_S, waves, 27.0) + played(TIMES_S + 0.5, [kick] * 8, 27.0, noise_dbfs=-100.0)
    found = log_of(x, TIMES_S, STRENGTHS)

    assert off_cents(found.late_hz, TOM_HZ) == pytest.approx(0.0, abs=RING_CENTS)


def test_a_tone_that_starts_later_is_not_taken_for_the_drum():
    """A cymbal's low tone 5 % under the drum's, after every stroke and soon louder: no pitch, or the right one."""
    cymbal = 0.2 * stroke(TOM_HZ * 0.95, 1.0, decay_s=8.0, glide=0.0)
    waves = [stroke(TOM_HZ, s) for s in STRENGTHS]
    x = played(TIMES_S, waves, 27.0) + played(TIMES_S + 0.35, [cymbal] * 8, 27.0, noise_dbfs=-100.0)
    found = log_of(x, TIMES_S, STRENGTHS)

    assert found.late_hz is None or abs(off_cents(found.late_hz, TOM_HZ)) < RING_CENTS


def test_two_tones_near_one_another_are_said_to_beat():
    """Two modes 5 Hz apart: their distance is given, and no pitch, as neither is the drum's more than the other."""
    waves = [stroke(TOM_HZ, s, glide=0.0) + 0.8 * stroke(TOM_HZ + 5.0, s, glide=0.0) for s in STRENGTHS]
    found = log_of(played(TIMES_S, waves, 27.0), TIMES_S, STRENGTHS)

    assert found.beat_hz == pytest.approx(5.0, abs=0.5)  # a quarter of the window's width, 1 / 0.5 s
    assert found.late_hz is None
    assert found.unmeasured["late_hz"]


@pytest.mark.parametrize("true_cents", [-60.0, 35.0])
def test_a_drum_that_goes_off_during_the_take_is_found(true_cents):
    """Twenty strokes, each a little lower or higher than the last; right to within three of its own errors."""
    rng = np.random.default_rng(3)
    times_s = 1.0 + 2.0 * np.arange(20)
    strengths = rng.uniform(0.1, 0.5, 20)
    waves = [
        stroke(TOM_HZ * 2.0 ** (true_cents * k / 19.0 / 1200.0), s, seconds=1.9)
        for k, s in enumerate(strengths)
    ]  # fmt: skip
    found = log_of(played(times_s, waves, 42.0), times_s, strengths)

    assert found.drift_from == "late"
    assert abs(found.drift_cents - true_cents) < 3.0 * found.drift_error_cents
    assert found.drift_error_cents < 5.0


def test_a_crescendo_is_no_drift():
    """Pitches that hang on strength alone, in a take that gets louder and louder."""
    strength = np.geomspace(0.05, 0.5, 20)
    rng = np.random.default_rng(4)
    strength = strength * 10.0 ** (rng.normal(0.0, 3.0, 20) / 20.0)
    hz = 100.0 * 2.0 ** ((2.0 * 20.0 * np.log10(strength) + rng.normal(0.0, 2.0, 20)) / 1200.0)
    found = drift(np.arange(20.0), hz, strength)

    assert found is not None
    assert abs(found[0]) < 3.0 * found[1]


def test_strokes_far_off_the_rest_do_not_make_a_drift():
    """Two of fourteen strokes are read a semitone too low."""
    rng = np.random.default_rng(5)
    hz = 100.0 * 2.0 ** (rng.normal(0.0, 2.0, 14) / 1200.0)
    hz[[3, 11]] *= 2.0 ** (-1.0 / 12.0)
    found = drift(np.arange(14.0), hz, np.full(14, 0.3))

    assert found is not None
    assert abs(found[0]) < 10.0  # 2 cents of scatter; with the two strokes it would be some 30


def test_noise_has_no_pitch():
    """Strokes that are only noise: no figure at all, each with a reason."""
    found = log_of(synth.noise(27.0, -40.0, np.random.default_rng(6)), TIMES_S, STRENGTHS)

    assert (found.late_hz, found.decay_s, found.drift_cents, found.beat_hz) == (None,) * 4
    assert found.unmeasured.keys() >= {"late_hz", "decay_s", "drift_cents", "beat_hz"}


def test_the_course_of_a_ring_ends_where_strokes_run_out():
    """Each stroke is followed until the next: where fewer than half of them reach, no course is given."""
    time_s = np.arange(-0.05, 1.0, 0.01)
    levels = np.tile(-20.0 * time_s, (5, 1))
    levels[:3, time_s > 0.505] = np.nan

    course = ring.common_fall(time_s, levels)

    assert course == pytest.approx(-20.0 * (0.05 * np.arange(8)), abs=0.11)  # 0.15 to 0.5 s, rounded to a tenth
    assert ring.common_fall(time_s, levels[:2]) == ()


@pytest.mark.parametrize("n", [1, 2])
def test_too_few_strokes_say_so(n):
    """One or two strokes make no median."""
    waves = [stroke(TOM_HZ, 0.5)] * n
    found = log_of(played(TIMES_S[:n], waves, 9.0), TIMES_S[:n], STRENGTHS[:n])

    assert found.n_strokes == n
    assert found.unmeasured["late_hz"] == "too few strokes"
    assert found.unmeasured["early_hz"] == "too few strokes"


def test_a_damped_drum_has_the_pitch_of_its_strokes_only():
    """A snare that is gone after 0.2 s: 215 Hz at once, no late ring; the pitch of its strokes is what is followed."""
    times_s = 1.0 + 1.2 * np.arange(24)
    strengths = np.tile(STRENGTHS, 3)
    waves = [stroke(215.0, s, decay_s=0.2, glide=0.0) for s in strengths]
    found = log_of(played(times_s, waves, 31.0, noise_dbfs=-70.0), times_s, strengths, drum="snare")

    assert found.late_hz is None
    assert off_cents(found.early_hz, 215.0) == pytest.approx(0.0, abs=15.0)  # a line of 130 ms, skewed by the decay
    assert found.drift_from == "early"
    assert abs(found.drift_cents) < 3.0 * found.drift_error_cents


def test_soft_and_hard_strokes_of_different_modes_have_no_pitch():
    """A kick whose soft strokes show 82 Hz and whose hard third shows 52: a head that is hit harder rises."""
    times_s = 1.0 + 1.2 * np.arange(24)
    strengths = np.linspace(0.05, 1.0, 24)
    waves = [stroke(52.0 if s > 0.7 else 82.0, s, decay_s=0.2, glide=0.0) for s in strengths]
    found = log_of(played(times_s, waves, 31.0, noise_dbfs=-90.0), times_s, strengths, drum="kick")

    assert (found.early_hz, found.early_soft_hz, found.glide_semitones) == (None, None, None)
    assert found.unmeasured["early_hz"] == "the strokes disagree"


def test_cymbals_and_second_mics_have_no_tuning_log():
    """Only a drum's own mic gives one, and a hat has no pitch."""
    x = synth.silence(4.0)

    assert log_of(x, [1.0], [0.1], drum="hi-hat") is None
    assert log_of(x, [1.0], [0.1], is_own=False) is None


@pytest.mark.parametrize("tuning", ["deep", "high"])
def test_the_modelled_kit_is_tuned_as_it_was_set(tuning):
    """Three strokes of a tom in its room: pitch and decay of its lowest mode, as the model has them.

    Source: the model's own modes (demo.membranes), which follow Rossing's drum with two heads.
    """
    stage = set_up(TakeSpec(plan=NO_PLAN, tuning=tuning))
    shell = stage.scenario.instruments["floor-tom"]
    modes = head_modes(shell, shell.f01_hz[tuning], generator(stage.spec.seed, "lugs", shell.name))
    strengths = np.array([0.4, 0.7, 1.0])
    waves = [0.05 * single_hit("floor-tom", s, stage=stage)["floor-tom"] for s in strengths]
    times_s = np.array([1.0, 4.0, 7.0])
    found = log_of(played(times_s, waves, 10.0, noise_dbfs=-110.0), times_s, strengths, drum="floor-tom")

    assert off_cents(found.late_hz, modes.hz[0]) == pytest.approx(0.0, abs=RING_CENTS)
    assert found.decay_s == pytest.approx(3.0 * np.log(10.0) / modes.damping_per_s[0], rel=0.1)  # the room adds its own


# ------------------------------------------------------------------------------- ringing along
KICKS_S = 26.0 + 1.5 * np.arange(12)  # the tom is last struck at 22 s


def along(tail, **kw):
    """How the tom answers the kick, whose strokes leave `tail` in its mic."""
    waves = [stroke(TOM_HZ, s, glide=0.0) for s in STRENGTHS]
    x = played(TIMES_S, waves, 46.0) + played(KICKS_S, [tail] * 12, 46.0, noise_dbfs=-100.0)
    found = records_of(x, TIMES_S, STRENGTHS, others={"kick": KICKS_S, **kw})
    return next(r for r in found[1:] if r.by == "kick")


@pytest.mark.parametrize("level_db", [-20.0, -35.0])
def test_a_tom_that_rings_along_with_the_kick_is_measured(level_db):
    """The kick and, below it, the tom's own mode, so far under what its own strokes leave."""
    median = 0.25  # of STRENGTHS, whose power is what the level is held against
    tom = stroke(TOM_HZ, median * 10.0 ** (level_db / 20.0), glide=0.0)
    found = along(tom + 0.1 * stroke(62.0, 1.0, decay_s=0.25, glide=0.0))

    assert found.level_db == pytest.approx(level_db, abs=1.0)  # median of powers against power of the median
    assert found.tone_db > 15.0
    assert found.rise_db > 10.0


def test_a_kick_that_rings_itself_is_no_tom():
    """A kick with a long ring 14 Hz under the tom's pitch: no tone at the tom's."""
    assert along(0.1 * stroke(TOM_HZ - 14.0, 1.0, decay_s=0.8, glide=0.0)).tone_db < 10.0


def test_kicks_while_the_tom_itself_rings_are_not_asked():
    """With a tom stroke before every kick there is no figure."""
    waves = [stroke(TOM_HZ, s, glide=0.0) for s in STRENGTHS]
    kicks = TIMES_S + 1.0
    found = records_of(played(TIMES_S, waves, 27.0), TIMES_S, STRENGTHS, others={"kick": kicks})[1]

    assert (found.level_db, found.n_strokes) == (None, 0)
    assert found.unmeasured["level_db"]


def test_a_roll_gives_no_late_ring_and_no_error():
    """Strokes 50 ms apart: nothing rings free, whatever else can be said."""
    times_s = 1.0 + 0.05 * np.arange(60)
    found = log_of(played(times_s, [stroke(TOM_HZ, 0.3)] * 60, 4.2), times_s, np.full(60, 0.3))

    assert found.late_hz is None
    assert found.drift_cents is None
