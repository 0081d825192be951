"""The noise floor: known noise under drums, and what must not be taken for it."""

import numpy as np
import pytest
from scipy import signal

import synth
from kitproof.measure.bands import octave_edges_hz
from kitproof.measure.noise import NoiseMeter, noise_bands

FLOOR_DB = -70.0
GOAL_DB = 1.5  # error allowed of a floor under drums
QUIET_DB = 0.4  # of noise alone over a second or more: fluctuation, and what lies below 20 Hz

NOISES = {"white": synth.noise, "room": synth.room_tone}
DRUMS = "quiet and level"  # the reason when the ring hides the floor
DIGITAL = "digital silence: a gate, or edited"


def measure(x, *, rate_hz=synth.RATE_HZ, size=1 << 16):
    meter = NoiseMeter(rate_hz)
    for block in synth.blocks(x, size):
        meter.push(block)
    return meter.result()


def take(seed, *, kind="room", lead_s=1.0, decay_s=0.06, seconds=20.0, every_s=0.25):
    """Strokes of changing strength every quarter of a second until the end, over steady noise."""
    rng = np.random.default_rng(seed)
    times = np.arange(lead_s, seconds - 0.2, every_s) + rng.uniform(0.0, 0.01)
    peaks = -8.0 + rng.uniform(-6.0, 3.0, len(times))
    hits = synth.strokes(times, seconds=seconds, decay_s=decay_s, peak_dbfs=peaks, rng=rng)
    return hits + NOISES[kind](seconds, FLOOR_DB, rng)


# ---------------------------------------------------------------- where there is a floor
@pytest.mark.parametrize("kind", NOISES)
@pytest.mark.parametrize("seconds", [1.0, 20.0])
def test_noise_alone_is_its_own_floor(kind, seconds):
    """Nothing else is there; the quietest moment would read lower."""
    x = NOISES[kind](seconds, FLOOR_DB, np.random.default_rng(1))

    assert measure(x).noise_floor_dbfs == pytest.approx(FLOOR_DB, abs=QUIET_DB)


@pytest.mark.parametrize("kind", NOISES)
@pytest.mark.parametrize("decay_s", [0.01, 0.06, 0.3, 1.5])
def test_floor_is_found_in_the_second_before_the_first_stroke(kind, decay_s):
    """Even if afterwards the drums never ring out."""
    found = [measure(take(seed, kind=kind, decay_s=decay_s)).noise_floor_dbfs for seed in (2, 3)]

    assert found == pytest.approx([FLOOR_DB] * 2, abs=GOAL_DB)


@pytest.mark.parametrize("kind", NOISES)
@pytest.mark.parametrize("decay_s", [0.005, 0.01, 0.015])
def test_floor_is_found_between_strokes_that_ring_out(kind, decay_s):
    """No quiet start: a tenth of a second between strokes, many times, is enough."""
    found = [measure(take(seed, kind=kind, decay_s=decay_s, lead_s=0.0)).noise_floor_dbfs for seed in (4, 5)]

    assert found == pytest.approx([FLOOR_DB] * 2, abs=GOAL_DB)


def test_floor_is_found_in_the_ring_out_after_the_last_stroke():
    """The end of a take is as good as its start."""
    rng = np.random.default_rng(6)
    x = np.concatenate((take(6, lead_s=0.0, decay_s=0.2), synth.silence(4.0)))
    x[20 * synth.RATE_HZ :] += synth.room_tone(4.0, FLOOR_DB, rng)

    result = measure(x)

    assert result.noise_floor_dbfs == pytest.approx(FLOOR_DB, abs=GOAL_DB)
    assert all(start > 19.0 for start, _ in result.quiet_runs)


def test_louder_noise_moves_the_floor_by_as_much():
    """The same drums over noise 20 dB higher."""
    rng = np.random.default_rng(7)
    more = np.sqrt(1.0 - 0.01) * synth.room_tone(20.0, FLOOR_DB + 20.0, rng)

    assert measure(take(7) + more).noise_floor_dbfs == pytest.approx(FLOOR_DB + 20.0, abs=GOAL_DB)


def test_rumble_that_swells_slowly_is_measured_too():
    """Below 45 Hz, 10 dB over the rest: its 50 ms levels wander by many dB, its mean does not."""
    rng = np.random.default_rng(8)
    band = signal.butter(2, [22.0, 45.0], "bandpass", fs=synth.RATE_HZ, output="sos")
    rumble = synth.scaled(signal.sosfilt(band, rng.standard_normal(20 * synth.RATE_HZ)), FLOOR_DB + 10.0)

    assert measure(take(8, lead_s=3.0) + rumble).noise_floor_dbfs == pytest.approx(FLOOR_DB + 10.4, abs=GOAL_DB)


def test_hum_counts_as_noise():
    """A steady mains tone 6 dB over the room."""
    x = take(9) + synth.tone([(20.0, FLOOR_DB + 6.0 + 3.01)], hz=50.0)

    assert measure(x).noise_floor_dbfs == pytest.approx(FLOOR_DB + 6.97, abs=GOAL_DB)


@pytest.mark.parametrize("offset", [0.012, -0.3])
def test_offset_is_not_noise(offset):
    """It lies below 20 Hz and has a figure of its own."""
    assert measure(take(10) + offset).noise_floor_dbfs == pytest.approx(FLOOR_DB, abs=GOAL_DB)


@pytest.mark.parametrize("rate_hz", [44100, 96000, 22050])
def test_other_rates_give_the_same_floor(rate_hz):
    """Times and levels do not depend on the rate."""
    rng = np.random.default_rng(11)
    x = synth.strokes(np.arange(1.0, 9.0, 0.25), seconds=10.0, decay_s=0.1, rate_hz=rate_hz)
    x += synth.room_tone(10.0, FLOOR_DB, rng, rate_hz)

    assert measure(x, rate_hz=rate_hz).noise_floor_dbfs == pytest.approx(FLOOR_DB, abs=GOAL_DB)


# ---------------------------------------------------------------- where there is none
@pytest.mark.parametrize("decay_s", [0.03, 0.06, 0.12, 0.4])
@pytest.mark.parametrize("seed", [12, 13])
def test_ring_is_not_taken_for_noise(decay_s, seed):
    """Strokes from the first moment to the last that never ring out: no floor, but an upper bound that holds."""
    x = take(seed, decay_s=decay_s, lead_s=0.0)

    result = measure(x[: len(x) - synth.RATE_HZ // 2])

    assert result.noise_floor_dbfs is None
    assert DRUMS in result.unmeasured["noise_floor_dbfs"]
    assert result.at_most_dbfs > FLOOR_DB - QUIET_DB


def test_long_cymbal_cut_off_at_the_end_is_not_taken_for_noise():
    """It falls by 7 dB a second, slower than anything else on a kit."""
    x = take(14, lead_s=0.0, decay_s=0.1)
    x += synth.strokes([15.0], seconds=20.0, decay_s=1.2, hz=3100.0, peak_dbfs=-3.0)

    assert measure(x[: len(x) - synth.RATE_HZ // 2]).noise_floor_dbfs is None


@pytest.mark.parametrize("every_s", [0.15, 0.25])
def test_wash_that_never_pauses_is_not_taken_for_noise(every_s):
    """A ride struck so often that its level hardly moves: it rises at once and falls slowly, noise does neither."""
    rng = np.random.default_rng(21)
    time = np.arange(10 * synth.RATE_HZ) / synth.RATE_HZ
    wash = synth.silence(30.0)
    for at in np.arange(0.0, 20.0, every_s):
        start = synth.n_samples(at + rng.normal(5e-3, 1e-3))
        wash[start : start + len(time)] += (
            rng.uniform(0.02, 0.04) * rng.standard_normal(len(time)) * np.exp(-time / 0.6)
        )
    wash = wash[synth.RATE_HZ : 20 * synth.RATE_HZ]
    result = measure(wash + synth.room_tone(19.0, FLOOR_DB, rng))

    assert result.noise_floor_dbfs is None


def test_a_level_reached_only_by_passing_over_quieter_moments_is_no_floor():
    """A roll as steady as noise, with short deep breaths in it: the breaths show that the floor lies lower."""
    rng = np.random.default_rng(22)
    gain_db = np.full(20 * synth.RATE_HZ, -35.0)
    dip = 25.0 * np.abs(np.linspace(-1.0, 1.0, synth.n_samples(0.3))) - 25.0
    for at in (4.0, 7.3, 11.1, 14.9):
        start = synth.n_samples(at)
        gain_db[start : start + len(dip)] += dip
    x = rng.standard_normal(len(gain_db)) * 10 ** (gain_db / 20)

    assert measure(x).noise_floor_dbfs is None


def test_digital_silence_is_no_floor():
    """It says something about an editor, nothing about the room."""
    result = measure(synth.silence(5.0))

    assert result.noise_floor_dbfs is None
    assert result.unmeasured["noise_floor_dbfs"] == DIGITAL


def test_gated_channel_has_no_floor():
    """Zeros between the strokes: the room is never heard alone."""
    x = take(15, decay_s=0.05)
    x[: synth.RATE_HZ] = 0.0
    for at in np.arange(1.0, 20.0, 0.25):
        x[round((at + 0.15) * synth.RATE_HZ) : round((at + 0.25) * synth.RATE_HZ)] = 0.0

    result = measure(x)

    assert result.noise_floor_dbfs is None
    assert result.unmeasured["noise_floor_dbfs"] == DIGITAL


def test_black_before_the_take_does_not_hide_the_floor_after_it():
    """Two seconds of zeros put in by an editor, then a second of room, then drums."""
    x = np.concatenate((synth.silence(2.0), take(16)))

    assert measure(x).noise_floor_dbfs == pytest.approx(FLOOR_DB, abs=GOAL_DB)


def test_dropouts_in_the_quiet_do_not_lower_the_floor():
    """Samples lost, as zeros and as a held value."""
    x = take(17, lead_s=2.0)
    x[9600:9900] = 0.0
    x[20000:20480] = x[20000]
    x[30000:33000] = 0.0

    assert measure(x).noise_floor_dbfs == pytest.approx(FLOOR_DB, abs=GOAL_DB)


def test_fades_at_the_ends_do_not_lower_the_floor():
    """A fade-out of two seconds passes through every level down to nothing."""
    x = np.concatenate((take(18), synth.room_tone(4.0, FLOOR_DB, np.random.default_rng(18))))
    fade = synth.n_samples(2.0)
    x[-fade:] *= 0.5 + 0.5 * np.cos(np.linspace(0.0, np.pi, fade))
    x[:960] *= np.linspace(0.0, 1.0, 960)

    assert measure(synth.quantised(x, 24)).noise_floor_dbfs == pytest.approx(FLOOR_DB, abs=GOAL_DB)


def test_a_moment_is_too_short():
    """A fifth of a second shows no floor."""
    result = measure(synth.noise(0.2, FLOOR_DB, np.random.default_rng(19)))

    assert result.noise_floor_dbfs is None
    assert "too short" in result.unmeasured["noise_floor_dbfs"]


@pytest.mark.parametrize("size", [1000, 65536])
def test_any_split_into_blocks_gives_the_same_result(size):
    """Filters and cells carry over; dropouts sit on the joints."""
    x = take(20)
    x[64900:65600] = 0.0
    whole, split = measure(x, size=len(x)), measure(x, size=size)

    assert split.noise_floor_dbfs == pytest.approx(whole.noise_floor_dbfs, abs=1e-9)  # rounding
    assert split.quiet_runs == whole.quiet_runs


# ---------------------------------------------------------------- octave bands
def test_octave_bands_are_those_of_the_standard():
    """IEC 61260-1, base ten: mid-bands 1000 * 10^(0.3 k), and 707.95 to 1412.54 Hz around 1 kHz."""
    edges = octave_edges_hz()

    mid = [31.623, 63.096, 125.893, 251.189, 501.187, 1000.0, 1995.262, 3981.072, 7943.282, 15848.932]
    assert np.sqrt(edges[1:] * edges[:-1]) == pytest.approx(mid, abs=0.001)  # as printed
    assert edges[5:7] == pytest.approx([707.95, 1412.54], abs=0.005)


def test_bands_need_quiet_in_proportion_to_their_width():
    """At 31.5 Hz 0.1 s of quiet tells nothing, at 500 Hz enough; unknown power is left out; so are bands too high."""
    power = np.full(90, 1e-8)
    power[9:18] = np.nan

    assert [round(b.low_hz) for b in noise_bands(power, 0.5, 0.1, 48000)] == [
        22,
        89,
        178,
        355,
        708,
        1413,
        2818,
        5623,
        11220,
    ]
    assert [round(b.low_hz) for b in noise_bands(power, 0.1, 0.1, 32000)] == [178, 355, 708, 1413, 2818, 5623]
    assert noise_bands(power, 0.0, 0.0, 48000) == ()
