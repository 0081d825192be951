"""Ceilings: overdriven strokes at any level, and what only looks like it."""

import numpy as np
import pytest
from scipy import ndimage, signal

import synth
from kitproof.measure.plateaus import PlateauMeter

CEILING_DB = 0.3  # the goal for a ceiling
TIMES = tuple(np.arange(0.5, 9.5, 0.5))


def measure(x, *, rate_hz=synth.RATE_HZ, size=1 << 16):
    meter = PlateauMeter(rate_hz)
    for block in synth.blocks(x, size):
        meter.push(block)
    return meter.result()


def strokes(seed, *, spread_db=2.0, rate_hz=synth.RATE_HZ, hz=180.0):
    """Strokes of changing strength around -6 dBFS, over a little noise."""
    rng = np.random.default_rng(seed)
    peaks = -6.0 + rng.uniform(-spread_db, 0.0, len(TIMES))
    hits = synth.strokes(TIMES, seconds=10.0, peak_dbfs=peaks, hz=hz, rng=rng, rate_hz=rate_hz)
    return hits + synth.noise(10.0, -80.0, rng, rate_hz)


def clipped(x, ceiling_dbfs, *, over_db, sides=(True, True)):
    """Driven `over_db` beyond a ceiling, then brought to it, on the chosen sides (negative, positive)."""
    driven = x / np.abs(x).max() * synth.amplitude(over_db)
    low, high = (-1.0 if sides[0] else -np.inf), (1.0 if sides[1] else np.inf)
    return np.clip(driven, low, high) * synth.amplitude(ceiling_dbfs)


# ---------------------------------------------------------------- what is cut off
@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize("ceiling", [-0.0, -4.0, -17.0])
def test_a_ceiling_is_found_at_any_level(ceiling, rate_hz):
    """Flat tops at full scale or far below it are read to a third of a decibel, on both sides."""
    found = measure(clipped(strokes(1, rate_hz=rate_hz), ceiling, over_db=4.0), rate_hz=rate_hz)

    assert {p.side for p in found} == {"positive", "negative"}
    assert [p.ceiling_dbfs for p in found] == pytest.approx([ceiling] * 2, abs=CEILING_DB)
    assert all(p.n_moments >= 2 and p.confidence > 0.6 for p in found)


@pytest.mark.parametrize(("sides", "name"), [((True, False), "negative"), ((False, True), "positive")])
def test_a_one_sided_ceiling_names_its_side(sides, name):
    """A weak supply flattens one polarity; the other stays round."""
    (found,) = measure(clipped(strokes(2), -6.0, over_db=4.0, sides=sides))

    assert found.side == name
    assert found.ceiling_dbfs == pytest.approx(-6.0, abs=CEILING_DB)


def test_leaning_tops_are_found():
    """Coupling behind the overdriven stage tilts the tops; they stay straight."""
    x = clipped(strokes(3, hz=90.0), -6.0, over_db=5.0)
    leaning = signal.sosfilt(signal.butter(1, 4.0, "highpass", fs=synth.RATE_HZ, output="sos"), x)

    found = measure(leaning)

    assert found
    assert [p.ceiling_dbfs for p in found] == pytest.approx([-6.0] * len(found), abs=2 * CEILING_DB)


def test_two_strokes_of_a_tom_are_enough_where_their_tops_are_long_and_straight():
    """In a song with two fills there are no more; coupling behind the stage tilts the tops, so none holds a value."""
    x = synth.strokes([1.0, 3.0], seconds=5.0, peak_dbfs=[-6.0, -6.7], hz=110.0)
    x = clipped(x + synth.noise(5.0, -80.0, np.random.default_rng(9)), -4.0, over_db=3.0)
    coupled = signal.sosfilt(signal.butter(1, 1.5, "highpass", fs=synth.RATE_HZ, output="sos"), x)

    found = measure(coupled)

    assert {p.side for p in found} == {"positive", "negative"}
    assert [p.ceiling_dbfs for p in found] == pytest.approx([-4.0] * 2, abs=CEILING_DB)


def test_times_are_those_of_the_hits():
    """Every moment lies within 10 ms after a stroke: flat tops come in the first cycles."""
    found = measure(clipped(strokes(4), -3.0, over_db=4.0))

    for p in found:
        late = [min(t - s for s in TIMES if s <= t + 1e-3) for t in p.times_s]
        assert max(late) < 0.010
        assert len(p.times_s) == p.n_moments


def test_one_long_flat_top_is_enough():
    """A single stroke far over the ceiling holds one value from corner to corner."""
    x = synth.strokes([1.0], seconds=3.0, peak_dbfs=-1.0, hz=100.0)
    (found,) = measure(np.minimum(x, 0.5))

    assert found.n_moments == 1
    assert found.ceiling_dbfs == pytest.approx(synth.dbfs(0.5), abs=CEILING_DB)


@pytest.mark.parametrize("size", [1000, 4096, 50000])
def test_blocks_do_not_matter(size):
    """Cut anywhere, also through a flat top, the answer has the same sides, ceilings and hits."""
    x = clipped(strokes(5), -5.0, over_db=4.0)

    def short(found):
        return [(p.side, round(p.ceiling_dbfs, 2), p.n_moments) for p in found]

    assert short(measure(x, size=size)) == short(measure(x))


# ---------------------------------------------------------------- what is not
@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("spread_db", [0.5, 3.0])
def test_a_steady_drummer_has_no_ceiling(seed, spread_db):
    """Peaks within half a decibel of each other are still round."""
    assert measure(strokes(seed, spread_db=spread_db)) == ()


@pytest.mark.parametrize("seed", range(3))
def test_a_lopsided_drum_has_no_ceiling(seed):
    """A wave twice as high on one side is round on both."""
    x = strokes(seed)

    assert measure(np.where(x > 0.0, x, 0.5 * x)) == ()


def test_a_limiter_has_no_ceiling():
    """Gain that is held back lets every stroke peak near one level without a flat top."""
    x = strokes(6, spread_db=6.0)
    envelope = np.maximum.accumulate(np.abs(x).reshape(-1, 24000).max(axis=1, keepdims=True), axis=1)
    limited = (x.reshape(-1, 24000) / envelope * synth.amplitude(-6.0)).ravel()
    limited *= np.repeat(synth.amplitude(1.0) ** np.random.default_rng(7).uniform(-0.4, 0.0, 20), 24000)

    assert measure(limited) == ()


def look_ahead_limited(x, over_db, rate_hz=synth.RATE_HZ):
    """Held under a ceiling by gain that falls before each peak and recovers over 80 ms."""
    ahead = rate_hz // 1000
    peak = ndimage.maximum_filter1d(np.abs(x), 2 * ahead + 1)
    wanted = np.minimum(0.0, -over_db - 20.0 * np.log10(np.maximum(peak, 1e-9) / np.abs(x).max()))
    keep = np.exp(-1.0 / (0.08 * rate_hz))
    held, gain = 0.0, np.empty_like(wanted)
    for i, db in enumerate(wanted.tolist()):
        gain[i] = held = min(db, keep * held)
    return x * 10.0 ** (ndimage.uniform_filter1d(gain, ahead) / 20.0)


@pytest.mark.parametrize("over_db", [3.0, 6.0, 10.0])
def test_a_printed_limiter_leaves_round_tops(over_db):
    """All strokes end at exactly one level, one sample each: a ceiling, but not a flat one."""
    found = measure(synth.quantised(look_ahead_limited(strokes(11, spread_db=4.0), over_db), 24))

    assert found
    assert sum(p.n_level for p in found) <= 0.25 * sum(
        p.n_beside for p in found
    )  # a parabola spends the root of 0.02 / 0.3 within 0.02 dB


@pytest.mark.parametrize("over_db", [2.0, 6.0])
@pytest.mark.parametrize("hz", [60.0, 400.0, 3000.0])
def test_overdriven_tops_are_flat_at_any_pitch_and_drive(hz, over_db):
    """Wide tops and those of a few samples, barely cut or deep."""
    found = measure(clipped(strokes(12, hz=hz), -6.0, over_db=over_db))

    assert found
    assert sum(p.n_level for p in found) > 0.33 * sum(
        p.n_beside for p in found
    )  # where all of the drive is a third of the top's height


def test_one_sound_played_again_has_no_ceiling():
    """The same stroke twenty times ends twenty times at one height, without a ceiling."""
    one = synth.strokes([0.0], seconds=0.5, peak_dbfs=-6.0, rng=np.random.default_rng(8))

    assert measure(np.tile(one, 20) + synth.noise(10.0, -75.0, np.random.default_rng(9))) == ()


@pytest.mark.parametrize("x", [np.zeros(48000), np.zeros(0), np.full(48000, 1e-4)])
def test_silence_has_no_ceiling(x):
    """Zeros, nothing, and a constant under -40 dBFS."""
    assert measure(x) == ()


def test_soft_low_notes_in_16_bits_have_no_ceiling():
    """Rounding to 16 bits holds a soft crest for many samples, which is no overload."""
    x = synth.quantised(synth.strokes(TIMES, seconds=10.0, peak_dbfs=-30.0, hz=50.0, decay_s=0.2), 16)

    assert measure(x) == ()
