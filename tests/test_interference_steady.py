"""Telephones, steady tones and buzz: found where they are, and no drum taken for one.

Sources of the known truth: frames of 120/26 ms and slots of an eighth, ETSI TS 145 002; mains at 50 and 60 Hz,
IEC 60038.
"""

import numpy as np
import pytest

from interferencekit import RATE_HZ, SECONDS, added, stems, view
from kitproof.measure.interference_pulses import find_phone_bursts, phone_bursts
from kitproof.measure.interference_tones import excerpt_starts, steady_lines
from synth import amplitude, noise, strokes

FRAME_S = 0.120 / 26
BURSTS_S = (2.0, 6.5, 12.0)


def telephone(seconds, level_dbfs, rate_hz=RATE_HZ):
    """On for one slot of eight, as an amplifier that rectifies it hears it."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return amplitude(level_dbfs) * ((t / FRAME_S % 1.0 < 0.125) - 0.125)


def steps_db(x, rate_hz=RATE_HZ):
    """Largest step per quarter of a millisecond, as the search for hits keeps it."""
    n = rate_hz // 4000
    step = np.abs(np.diff(x, prepend=0.0))[: len(x) // n * n]
    return 20.0 * np.log10(step.reshape(-1, n).max(axis=1) + 1e-9).astype(np.float32), rate_hz / n


# ---------------------------------------------------------------- telephones
@pytest.mark.parametrize("level_dbfs", [-35.0, -50.0])
def test_bursts_of_a_telephone_are_found_where_they_are(level_dbfs):
    """Three bursts of 0.6 s under the playing and in the ending, 25 and 40 dB under the strokes."""
    signals, times = stems()
    signals["snare.wav"] = added(signals["snare.wav"], BURSTS_S, telephone(0.6, level_dbfs))

    (found,) = find_phone_bursts(view(signals, times))

    assert found.file == "snare.wav"
    near = [min(abs(a - t) for a, _ in found.bursts_s) for t in BURSTS_S]
    # A burst is found in multiframes of 0.12 s; a stroke may hide its first ones.
    assert sorted(near)[:2] == pytest.approx([0.0, 0.0], abs=0.25)
    assert all(any(t - 0.2 <= a <= t + 0.6 for t in BURSTS_S) for a, _ in found.bursts_s)


def test_drums_alone_are_no_telephone():
    """Strokes, ring and noise have no pulse of 4.615 ms."""
    assert list(find_phone_bursts(view(*stems()))) == []


@pytest.mark.parametrize("hz", [26 / 0.120 / 2, 26 / 0.120, 200.0, 100.0])
def test_a_ringing_tone_is_no_telephone_whatever_its_pitch(hz):
    """A tom whose half waves come at the very rate of the frames has no narrow peak: the steps of a sine are round."""
    rng = np.random.default_rng(3)
    ring = strokes([0.3, 1.6, 2.9], seconds=4.0, hz=hz, decay_s=0.9, peak_dbfs=-10.0, rng=rng, rate_hz=RATE_HZ)

    assert phone_bursts("tom.wav", *steps_db(ring + noise(4.0, -90.0, rng, RATE_HZ))) is None


def test_pulses_at_another_rate_are_no_telephone():
    """A dimmer's spikes, 100 or 120 a second, never fall on the frames again and again."""
    for per_s in (100.0, 120.0):
        spikes = noise(4.0, -85.0, np.random.default_rng(4), RATE_HZ)
        spikes[(np.arange(0, 4.0, 1.0 / per_s) * RATE_HZ).astype(int)] += 0.05

        assert phone_bursts("a.wav", *steps_db(spikes)) is None


def test_silence_and_a_short_file_have_no_telephone():
    """Nothing to fold."""
    assert phone_bursts("a.wav", np.full(8000, -180.0, np.float32), 4000.0) is None
    assert phone_bursts("a.wav", np.zeros(100, np.float32), 4000.0) is None


# ---------------------------------------------------------------- tones
def lines_of(x, rate_hz=RATE_HZ, quiet=((0.0, 1.4), (13.0, 16.0))):
    n = 1 << int(np.ceil(np.log2(0.3 * rate_hz)))
    starts = excerpt_starts(len(x), n, rate_hz, quiet)
    return steady_lines("a.wav", [x[s : s + n] for s in starts], starts / rate_hz, rate_hz, len(x) / rate_hz)


def tone(hz, level_dbfs, rate_hz=RATE_HZ, seconds=SECONDS):
    return amplitude(level_dbfs) * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz + 0.3)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_a_steady_tone_is_found_with_its_pitch_and_level(rate_hz):
    """A computer's 1 kHz and a supply's 15.6 kHz, 70 and 75 dB under the strokes, at every rate."""
    signals, _ = stems(rate_hz=rate_hz)
    x = signals["left.wav"] + tone(1000.0, -70.0, rate_hz) + tone(15625.0, -75.0, rate_hz)

    lines = lines_of(x, rate_hz).lines

    # Half a bin of the transform would be 1.3 Hz; three bins around the peak tell it to a tenth of that.
    assert [line.hz for line in lines] == pytest.approx([1000.0, 15625.0], abs=0.3)
    # Noise at 10 % of the amplitude moves the level by 0.8 dB.
    assert [line.level_dbfs for line in lines] == pytest.approx([-70.0, -75.0], abs=0.8)


def test_drums_have_no_steady_tone():
    """Ring falls; what stands out of noise once does not do so again."""
    signals, _ = stems()
    assert [lines_of(x).lines for x in signals.values()] == [()] * 4


def test_a_cymbal_that_rings_all_the_time_is_no_steady_tone():
    """A mode struck again and again and falling in between keeps its pitch and not its level."""
    rng = np.random.default_rng(5)
    at = np.arange(0.3, 15.0, 0.9).tolist()
    ring = strokes(at, seconds=SECONDS, hz=3300.0, decay_s=0.35, peak_dbfs=-30.0, rng=rng, stick=1.0, rate_hz=RATE_HZ)

    assert lines_of(ring + noise(SECONDS, -85.0, rng, RATE_HZ), quiet=()).lines == ()


def test_a_tone_that_comes_late_is_not_said_to_be_steady():
    """Something that sounds in the last quarter only is no machine that runs all the time."""
    x = noise(SECONDS, -80.0, np.random.default_rng(6), RATE_HZ)
    x[round(12.0 * RATE_HZ) :] += tone(2500.0, -60.0)[round(12.0 * RATE_HZ) :]

    assert lines_of(x, quiet=()).lines == ()


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_a_dimmer_is_a_buzz_and_not_fifty_whines(mains_hz):
    """Every second multiple up to 5 kHz, mains 0.03 Hz off as they are: one pitch, and how far up it goes."""
    f = mains_hz + 0.03
    n = int(5000.0 / (2 * f))
    signals, _ = stems()
    x = signals["right.wav"] + sum(tone(2 * f * k, -80.0) for k in range(1, n + 1))

    found = lines_of(x)

    # The highest multiples tell the pitch: 0.1 Hz at 5 kHz is 0.001 Hz of the mains.
    assert found.buzz_hz == pytest.approx(f, abs=0.01)
    assert found.buzz_reach_hz == pytest.approx(2 * f * n, abs=3.0)
    assert found.lines == ()
    # Multiples under 300 Hz are left to the hum meter, and one or two lie under a drum's ring.
    assert found.buzz_dbfs == pytest.approx(-80.0 - 3.0 + 10 * np.log10(n - 2), abs=1.0)


def test_a_few_tones_on_multiples_of_50_hz_are_no_buzz():
    """1, 3 and 8 kHz are a computer's, though all are multiples of 50 Hz."""
    signals, _ = stems()
    found = lines_of(signals["left.wav"] + tone(1000.0, -70.0) + tone(3000.0, -70.0) + tone(8000.0, -70.0))

    assert found.buzz_hz is None
    assert len(found.lines) == 3


def test_silence_and_a_short_file_have_a_reason():
    """No figure, and why."""
    for x in (np.zeros(10 * RATE_HZ), noise(0.3, -60.0, np.random.default_rng(1), RATE_HZ)):
        found = lines_of(x, quiet=())
        assert (found.lines, found.buzz_hz) == ((), None)
        assert "too short" in found.unmeasured["buzz_hz"]
