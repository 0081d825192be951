"""Hum: the mains under drums, and tones that are not the mains."""

import numpy as np
import pytest

import synth
from kitproof.measure.hum import LowBandMeter, find_hum

HUM_HZ = 0.1  # the goal for the fundamental
LEVEL_DB = 1.5  # of a line under drums


def measure(x, *, rate_hz=synth.RATE_HZ, size=1 << 16):
    meter = LowBandMeter(rate_hz)
    for block in synth.blocks(x, size):
        meter.push(block)
    return find_hum(meter.result(), meter.low_rate_hz)


def drums(seed, *, rate_hz=synth.RATE_HZ, seconds=20.0, hz=(55.0, 100.0, 180.0)):
    """Kick, tom and snare at human times over room noise."""
    rng = np.random.default_rng(seed)
    x = synth.room_tone(seconds, -75.0, rng, rate_hz)
    for n, (f, every) in enumerate(zip(hz, (0.6, 1.1, 0.45), strict=True)):
        times = np.arange(0.5 + 0.1 * n, seconds - 0.5, every)
        times = times + rng.normal(0.0, 0.006, len(times))
        peaks = -10.0 + rng.uniform(-6.0, 0.0, len(times))
        x += synth.strokes(times, seconds=seconds, hz=f, decay_s=0.12, peak_dbfs=peaks, rng=rng, rate_hz=rate_hz)
    return x


def hum(hz, lines, *, seconds=20.0, rate_hz=synth.RATE_HZ):
    return sum(synth.tone([(seconds, db)], hz=k * hz, rate_hz=rate_hz, phase_deg=40.0 * k) for k, db in lines)


LINES = ((1, -52.0), (2, -58.0), (3, -56.0), (5, -63.0))


@pytest.mark.parametrize(("mains", "rate_hz"), [(50.0, 48000), (49.93, 44100), (60.04, 48000), (60.0, 96000)])
def test_hum_under_drums_is_found(mains, rate_hz):
    """Drums 40 dB louder play throughout; the fundamental is right to a tenth of a hertz."""
    found = measure(drums(1, rate_hz=rate_hz) + hum(mains, LINES, rate_hz=rate_hz), rate_hz=rate_hz)

    assert found.fundamental_hz == pytest.approx(mains, abs=HUM_HZ)
    assert len(found.lines) >= 2
    assert {line.harmonic for line in found.lines} <= {k for k, _ in LINES}


@pytest.mark.parametrize("less_db", [0.0, 10.0])
def test_levels_are_those_of_the_tones(less_db):
    """In a channel of noise each harmonic reads what was put in, also at a third of it."""
    lines = [(k, db - less_db) for k, db in LINES]
    x = synth.room_tone(20.0, -80.0, np.random.default_rng(2)) + hum(50.0, lines)
    found = {line.harmonic: line.level_dbfs for line in measure(x).lines}

    assert [found[k] for k, _ in lines] == pytest.approx([db for _, db in lines], abs=LEVEL_DB)


@pytest.mark.parametrize("seed", range(4))
def test_drums_do_not_hum(seed):
    """Drums at human times, tuned to the mains, in whose place they fall silent."""
    assert measure(drums(seed, hz=(50.0, 100.0, 150.0))).fundamental_hz is None
    assert measure(drums(seed + 10, hz=(60.0, 120.0, 180.0))).fundamental_hz is None


def test_a_fan_does_not_hum():
    """One tone that slips away from the mains, without multiples."""
    x = drums(3) + synth.tone([(20.0, -50.0)], hz=48.6)

    assert measure(x).fundamental_hz is None


@pytest.mark.parametrize(
    ("x", "reason"), [(np.zeros(48000 * 10), "silent"), (np.zeros(0), "shorter"), (np.ones(48000), "shorter")]
)
def test_what_cannot_be_looked_at_has_a_reason(x, reason):
    """Silence and short files."""
    found = measure(x)

    assert found.fundamental_hz is None
    assert reason in found.unmeasured["fundamental_hz"]


def test_blocks_do_not_matter():
    """The kept low end is the same however the file was cut."""
    x = drums(4, seconds=4.0)
    kept = []
    for size in (1 << 16, 999):
        meter = LowBandMeter(synth.RATE_HZ)
        for block in synth.blocks(x, size):
            meter.push(block)
        kept.append(meter.result())

    assert kept[0] == pytest.approx(kept[1], abs=1e-6)  # float32
