"""Arrival: the delay of a drum between two mics, its sign, its spread, and when there is none to be had."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

import stroke_sets as st
from kitproof.demo import LEAD_S as STRUCK_AFTER_S
from kitproof.demo import NO_PLAN, Stage, TakeSpec, set_up, single_hit
from kitproof.demo.known import arrivals_of, signs_of
from kitproof.demo.paths import direct_arrival
from kitproof.measure.arrival import Arrival, first_break, locate
from kitproof.measure.excerpts import LEAD_S, TAIL_S, DrumTimes
from kitproof.measure.look import ChannelLook
from kitproof.measure.pairs import measure_pair
from kitproof.measure.stacking import align_strokes
from kitproof.model import PairEntry

RATE_HZ = st.RATE_HZ
# Ways from a drum to mics that stand free of other shells, as the pairs of a take ask for them.
FAR = ("overhead-left", "overhead-right", "room-left", "room-right")
# 2.5 cm of sound, under four samples: a hand with a tape measure is no better, and the edge is duller far away.
SHARP_MS = 0.075
# The beater rests on the head for 6.5 ms or more, and the far mics hear its click duller: the first sound is less
# of a moment. Half a millisecond is under a tenth of that, 17 cm.
KICK_MS = 0.5


@pytest.fixture(scope="module")
def stage() -> Stage:
    """The modelled kit outdoors: direct sound only."""
    return set_up(TakeSpec(room="free-field", plan=NO_PLAN))


def heard_by_all(stage: Stage, drum: str) -> dict[str, Arrival]:
    """Arrivals of six strokes of a drum in every mic, by role, the strokes' times known from geometry."""
    own_s = STRUCK_AFTER_S + direct_arrival(stage.paths, drum, stage.own_role(drum))[0]
    start = round((own_s - LEAD_S) * RATE_HZ)
    part = slice(start, start + round((LEAD_S + TAIL_S) * RATE_HZ))
    hits = [single_hit(drum, 0.5 + 0.08 * k, stage=stage, variation=k, length_s=0.14) for k in range(6)]
    own = np.array([h[stage.own_role(drum)][part] for h in hits])
    d = DrumTimes(
        drum=drum, own_file="own.wav", time_s=np.full(6, own_s), strength=np.abs(own).max(axis=1),
        clear=np.ones(6, bool),
    )  # fmt: skip
    late_s = np.full(6, start / RATE_HZ - (own_s - LEAD_S))
    return {
        role: locate(align_strokes(role, RATE_HZ, d, np.array([h[role][part] for h in hits], np.float32), late_s))
        for role in stage.paths.roles
    }


# ------------------------------------------------------------------------------------ against the kit's geometry
@pytest.mark.parametrize(
    ("drum", "tolerance_ms", "others"),
    [
        ("snare", SHARP_MS, ("snare-side",)),
        ("rack-tom-1", SHARP_MS, ()),
        ("floor-tom", SHARP_MS, ()),
        ("hi-hat", SHARP_MS, ()),
        ("ride", SHARP_MS, ()),
        ("kick", KICK_MS, ("kick-out",)),
    ],
)
def test_delays_are_those_of_the_way_the_sound_goes(
    stage: Stage, drum: str, tolerance_ms: float, others: tuple[str, ...]
) -> None:
    """In the open a far mic hears the drum later by the difference of the ways over the speed of sound."""
    heard, truth = heard_by_all(stage, drum), arrivals_of(stage)[drum]
    own = heard[stage.own_role(drum)].time_s
    assert own is not None

    delays = {role: 1000.0 * ((heard[role].time_s or np.nan) - own) for role in (*FAR, *others)}

    assert delays == pytest.approx({role: truth[role] for role in delays}, abs=tolerance_ms)


def test_snare_top_and_bottom_move_apart_at_first(stage: Stage) -> None:
    """The struck head goes away from the mic over it, the other head towards the mic under it: opposite signs."""
    heard, truth = heard_by_all(stage, "snare"), signs_of(stage)["snare"]

    assert truth["snare-top"] == -truth["snare-bottom"] != 0
    for role in ("snare-top", "snare-bottom", "snare-side", *FAR):
        assert heard[role].sign == truth[role], role


def test_the_signs_of_the_toms_are_those_of_the_model(stage: Stage) -> None:
    """From outside a struck head is heard as a rarefaction first, near and far."""
    for drum in ("rack-tom-1", "floor-tom"):
        heard, truth = heard_by_all(stage, drum), signs_of(stage)[drum]
        for role in (drum, *FAR):
            assert heard[role].sign == truth[role], (drum, role)


# ------------------------------------------------------------------------------------ shifts that are known exactly
def pair_of(d: DrumTimes, a: NDArray[np.float32], b: NDArray[np.float32], temperature_c: float = 20.0) -> PairEntry:
    return measure_pair(st.look("a.wav", d, a), st.look("b.wav", d, b), d.drum, temperature_c)


@pytest.mark.parametrize("samples", [0.0, 0.25, 0.5, 17.37, 150.81, 639.5])
def test_a_delay_of_any_part_of_a_sample_is_measured(samples: float) -> None:
    """Delays are not tied to samples: 3 microseconds, a seventh of a sample or a millimetre of sound, is the limit."""
    d = st.drum_times(12)
    a, b = (st.excerpts(d, st.Ring(), delay_s=s / RATE_HZ, gain=g) for s, g in ((0.0, 1.0), (samples, 0.3)))

    assert pair_of(d, a, b).delay_ms == pytest.approx(1000.0 * samples / RATE_HZ, abs=0.003)


@pytest.mark.parametrize("rate_hz", [44100, 88200, 96000])
def test_the_delay_does_not_depend_on_the_rate(rate_hz: int) -> None:
    """4.321 ms are 4.321 ms at every rate, to within 3 microseconds."""
    d = st.drum_times(12)
    a, b = (st.look("x", d, st.excerpts(d, st.Ring(), delay_s=s, rate_hz=rate_hz), rate_hz) for s in (0.0, 0.004321))

    assert measure_pair(a, b, "snare", 20.0).delay_ms == pytest.approx(4.321, abs=0.003)


def test_fifteen_feet_are_thirteen_milliseconds() -> None:
    """4.572 m at 20 C: 13.3 ms, and back again.

    Source: 331.3 sqrt(1 + T/273.15) m/s, ideal-gas form as in acoustics handbooks (e.g. Everest and Pohlmann,
    Master Handbook of Acoustics); 343.2 m/s at 20 C.
    """
    speed_m_s = 331.3 * (1.0 + 20.0 / 273.15) ** 0.5
    d = st.drum_times(12)
    pair = pair_of(d, st.excerpts(d, st.Ring()), st.excerpts(d, st.Ring(), delay_s=4.572 / speed_m_s, gain=0.05))

    assert pair.delay_ms == pytest.approx(13.3, abs=0.05)  # the figure is given to a tenth
    assert pair.path_cm == pytest.approx(457.2, abs=0.2)  # 3 microseconds are 0.1 cm


def test_turning_the_polarity_over_turns_only_the_sign() -> None:
    """An inverted channel has the same delay and the opposite polarity; twice inverted it is as before."""
    d = st.drum_times(12)
    a, b = st.excerpts(d, st.Ring()), st.excerpts(d, st.Ring(), delay_s=0.0021, gain=0.4)
    upright, flipped, both = pair_of(d, a, b), pair_of(d, a, -b), pair_of(d, -a, -b)

    assert (upright.polarity, flipped.polarity, both.polarity) == ("same", "opposite", "same")
    assert upright.delay_ms == flipped.delay_ms == both.delay_ms


def test_exchanging_the_mics_turns_the_delay_over() -> None:
    """b against a is minus a against b; polarity and spread stay."""
    d = st.drum_times(12)
    rng = np.random.default_rng(4)
    a, b = st.excerpts(d, st.Ring()), st.excerpts(d, st.Ring(), delay_s=0.0021, gain=-0.4)
    b = b + st.noise_like(b, 1e-3, rng)
    one, other = pair_of(d, a, b), pair_of(d, b, a)

    assert one.delay_ms is not None
    assert other.delay_ms == pytest.approx(-one.delay_ms)
    assert (other.polarity, other.delay_spread_ms) == (one.polarity, one.delay_spread_ms)


# ------------------------------------------------------------------------------------ other drums, noise
def with_others(d: DrumTimes, heard: NDArray[np.float32], share: float, seed: int) -> NDArray[np.float32]:
    """Into a share of the excerpts a stroke of another drum, as loud as this one's loudest, anywhere in them."""
    rng = np.random.default_rng(seed)
    out = heard.copy()
    time_s = np.arange(heard.shape[1]) / RATE_HZ
    for i in np.flatnonzero(rng.random(len(heard)) < share):
        other = st.Ring(hz=(330.0, 870.0), decay_s=0.06)
        out[i] += (np.abs(heard).max() * other(time_s - rng.uniform(0.0, 0.09))).astype(np.float32)
    return out


@pytest.mark.parametrize("seed", range(6))
def test_other_drums_in_between_do_not_mislead(seed: int) -> None:
    """With a foreign stroke in two of five excerpts, before or after, the delay stays within a sample or two."""
    d = st.drum_times(40, seed=seed)
    a = st.excerpts(d, st.Ring())
    b = with_others(d, st.excerpts(d, st.Ring(), delay_s=0.0062, gain=0.3), 0.4, seed)

    pair = pair_of(d, a, b)

    assert pair.delay_ms == pytest.approx(6.2, abs=0.05)  # the foreign rings leave a floor 30 dB under the stroke
    assert pair.polarity == "same"


def test_the_spread_grows_with_the_noise() -> None:
    """Ten times the noise makes the delay less sure, and the truth stays within four spreads of it."""
    d = st.drum_times(40)
    a, clean = st.excerpts(d, st.Ring()), st.excerpts(d, st.Ring(), delay_s=0.0062, gain=0.5)
    spreads = []
    for rms in (3e-5, 3e-3, 2e-2):
        pair = pair_of(d, a, clean + st.noise_like(clean, rms, np.random.default_rng(5)))
        assert pair.delay_ms is not None
        assert pair.delay_spread_ms is not None
        # 0.06 ms: in noise the foot of the rise is lost, and what is found is the rise, 0.8 ms long, a little up
        assert abs(pair.delay_ms - 6.2) < 4.0 * pair.delay_spread_ms + 0.06
        spreads.append(pair.delay_spread_ms)

    assert spreads == sorted(spreads)
    assert spreads[-1] > 3.0 * spreads[0]


# ------------------------------------------------------------------------------------ nothing to be had
def test_noise_alone_gives_no_delay() -> None:
    """A mic that does not hear the drum has no delay, no polarity and no path, and says by how much it failed."""
    d = st.drum_times(20)
    a = st.excerpts(d, st.Ring())
    pair = pair_of(d, a, st.noise_like(a, 1e-2, np.random.default_rng(6)))

    assert (pair.delay_ms, pair.delay_spread_ms, pair.path_cm, pair.polarity) == (None,) * 4
    assert "dB over what is heard before it" in pair.unmeasured["delay_ms"]


def test_silence_gives_no_delay() -> None:
    """Digital silence has no arrival, and dividing by nothing warns nobody."""
    d = st.drum_times(20)
    a = st.excerpts(d, st.Ring())

    assert locate(st.aligned_strokes(d, 0.0 * a)) == Arrival(
        time_s=None, spread_s=None, sign=0, sign_confidence=0.0, snr_db=0.0, n_hits=10
    )


def test_a_single_hit_gives_no_delay() -> None:
    """A stack of one is not a stack: the look has no arrival, and the pair says how many hits are needed."""
    alone = ChannelLook(file="a.wav", arrivals={}, n_hits={"snare": 1})
    pair = measure_pair(alone, alone, "snare", 20.0)

    assert pair.delay_ms is None
    assert pair.unmeasured["delay_ms"] == "too few hits: 1; at least 2 are needed"


def test_two_hits_give_a_delay_without_a_spread() -> None:
    """Where there are too few strokes to compare groups of them, the spread is None and not zero."""
    d = st.drum_times(2)
    pair = pair_of(d, st.excerpts(d, st.Ring()), st.excerpts(d, st.Ring(), delay_s=0.003))

    assert pair.delay_ms == pytest.approx(3.0, abs=0.003)
    assert pair.delay_spread_ms is None
    assert pair.unmeasured["delay_spread_ms"] == "too few hits for a spread"


@pytest.mark.parametrize("n", [3, 4])
def test_the_spread_of_a_few_strokes_is_the_farthest_ones(n: int) -> None:
    """One stroke of a line check that comes 0.2 ms late is not averaged away."""
    d = st.drum_times(n)
    heard = st.excerpts(d, st.Ring(), delay_s=0.003)
    assert (steady := pair_of(d, st.excerpts(d, st.Ring()), heard).delay_spread_ms) is not None
    heard[-1] = st.excerpts(d, st.Ring(), delay_s=0.0032)[-1]
    spread = pair_of(d, st.excerpts(d, st.Ring()), heard).delay_spread_ms

    assert steady < 0.003  # as exact as a delay is
    assert spread is not None
    assert 0.1 < spread < 0.21  # the mean of all lies between them


def test_of_three_strokes_each_has_to_show_the_drum_for_a_spread() -> None:
    """One that is lost in noise leaves a delay that nobody may judge by."""
    d = st.drum_times(3)
    heard = st.excerpts(d, st.Ring(), delay_s=0.003)
    heard[1] = st.noise_like(heard[1], 0.5, np.random.default_rng(2))
    pair = pair_of(d, st.excerpts(d, st.Ring()), heard)

    assert pair.delay_spread_ms is None
    assert pair.unmeasured["delay_spread_ms"] == "too few hits for a spread"


def test_what_no_group_of_hits_bears_out_is_no_delay() -> None:
    """Where groups could be compared and one mic's do not show the drum, its mean may show anything."""
    sure = Arrival(time_s=0.0, spread_s=1e-6, sign=1, sign_confidence=1.0, snr_db=60.0, n_hits=8)
    unsure = Arrival(time_s=0.004, spread_s=None, sign=1, sign_confidence=0.2, snr_db=16.0, n_hits=8)
    a, b = (ChannelLook(file="x.wav", arrivals={"snare": x}, n_hits={"snare": 20}) for x in (sure, unsure))
    pair = measure_pair(a, b, "snare", 20.0)

    assert (pair.delay_ms, pair.delay_spread_ms, pair.polarity) == (None, None, None)
    assert "groups" in pair.unmeasured["delay_ms"]


def test_sound_that_is_already_there_is_no_arrival() -> None:
    """What began before the search begins could have begun at any time: no number, and a reason that says so."""
    d = st.drum_times(12)
    early = st.excerpts(d, st.Ring(rise_s=0.0002), delay_s=-0.0009)
    found = locate(st.aligned_strokes(d, early))
    pair = pair_of(d, st.excerpts(d, st.Ring()), early)

    assert found.time_s is None
    assert pair.delay_ms is None
    assert "sound already" in pair.unmeasured["delay_ms"]


def test_a_reflection_louder_than_the_direct_sound_is_not_taken_for_it() -> None:
    """A direct sound 10 dB under a reflection that comes 3 ms later is still the first sound."""
    d = st.drum_times(12)
    ring = st.Ring(decay_s=0.002, hz=(900.0, 1900.0))
    b = st.excerpts(d, ring, delay_s=0.005, gain=0.1) + st.excerpts(d, ring, delay_s=0.008, gain=0.316)

    assert pair_of(d, st.excerpts(d, ring), b).delay_ms == pytest.approx(5.0, abs=0.2)
    # 0.2 ms: the limit hangs on the louder reflection, and the first sound's rise of 0.8 ms passes it higher up


def test_a_first_break_is_the_same_upside_down() -> None:
    """The pick of -x is that of x, with the other sign."""
    d = st.drum_times(1)
    wave = st.excerpts(d, st.Ring())[0].astype(np.float64)
    up, down = first_break(wave, RATE_HZ), first_break(-wave, RATE_HZ)

    assert (up.time_s, up.clarity, up.sign) == (down.time_s, down.clarity, -down.sign)
