"""Skips: samples lost in every channel at once, and what bends a few channels together without a loss."""

import numpy as np
import pytest

import synth
from findkit import file_of, grave, kit, the, told
from kitproof.measure.skips import BendMeter, coincidences
from kitproof.observed.chain import Skip

N_CHANNELS, SECONDS = 8, 8.0
TIMES = tuple(np.arange(0.5, 7.5, 0.25))


def channels(rng, rate_hz=synth.RATE_HZ):
    """Eight mics around one kit: each hears every stroke at a time, level and pitch of its own."""
    out = []
    for k in range(N_CHANNELS):
        late = rng.uniform(0.0, 0.01)
        peaks = rng.uniform(-30.0, -8.0, len(TIMES))
        hz = (70.0, 110.0, 190.0, 210.0, 330.0, 450.0, 800.0, 1200.0)[k]
        hits = synth.strokes(
            [t + late for t in TIMES], seconds=SECONDS, peak_dbfs=peaks, hz=hz, decay_s=0.1, rng=rng, rate_hz=rate_hz
        )
        out.append(synth.quantised(hits + synth.noise(SECONDS, -85.0, rng, rate_hz), 24))
    return out


def found(waves, *, rate_hz=synth.RATE_HZ, size=1 << 16):
    bends = []
    for k, x in enumerate(waves):
        meter = BendMeter(rate_hz, f"{k}")
        for block in synth.blocks(x, size):
            meter.push(block)
        bends += meter.records()
    return list(coincidences(bends))


def without(x, at, n):
    return np.delete(x, np.concatenate([np.arange(a, a + n) for a in at]))


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize("n_lost", [20, 441])
def test_samples_lost_in_every_channel_are_found(n_lost, rate_hz):
    """At their place in the file, in most channels, and nothing else is."""
    at = [round(t * rate_hz) for t in (1.11, 3.37, 6.62)]
    waves = [without(x, at, n_lost) for x in channels(np.random.default_rng(1), rate_hz)]

    skips = found(waves, rate_hz=rate_hz)

    assert [s.time_s for s in skips] == pytest.approx(
        [(a - k * n_lost) / rate_hz for k, a in enumerate(at)], abs=2 / rate_hz
    )
    assert max(len(s.files) for s in skips) > N_CHANNELS / 2


def test_blocks_do_not_matter():
    """A break at the seam of two blocks is found like any other."""
    at = [25 * 4096, 44 * 4096 + 1, 65 * 4096 - 1]  # 0.1 s after a stroke: while the drums ring
    waves = [without(x, at, 50) for x in channels(np.random.default_rng(2))]

    assert found(waves, size=4096) == found(waves)
    assert len(found(waves)) == len(at)


def test_strokes_and_noise_bend_no_channels_together():
    """No sound reaches three mics at one sample."""
    assert found(channels(np.random.default_rng(3))) == []


def test_a_loss_in_one_channel_is_none_in_all():
    """A single file that was cut is not the recorder's loss."""
    waves = channels(np.random.default_rng(4))
    waves[2] = without(waves[2], [100_000, 300_000], 100)

    assert found(waves) == []


def test_a_start_and_an_end_in_silence_are_no_loss():
    """All files begin and end at one sample, by design."""
    edge = np.concatenate((np.zeros(24000), np.ones(480_000), np.zeros(24000)))

    assert found([np.resize(x, len(edge)) * edge for x in channels(np.random.default_rng(5))]) == []


def skip(time_s, *roles):
    return Skip(time_s=time_s, files=tuple(file_of(r) for r in roles))


MOST = ("kick", "snare-top", "rack-tom-1", "rack-tom-2", "floor-tom", "room-left", "room-right")
FEW = ("rack-tom-1", "rack-tom-2", "snare-top", "snare-bottom")


def test_a_proven_loss_is_grave_and_ruins_the_overheads():
    """Once is enough, and fainter ones beside it count along."""
    judged = told(kit() | {"faults": (skip(3.0, *MOST), skip(9.0, *FEW), skip(11.0, *FEW[:3]))})

    finding = the(judged, "skip")
    assert (finding.severity, finding.times_s) == ("fix", (3.0, 9.0))
    assert judged.verdict.word == "redo"


def test_a_stroke_that_leaks_between_preamps_is_no_loss():
    """A few neighbours bend at one sample: crosstalk, however often."""
    assert grave(told(kit() | {"faults": tuple(skip(float(t), *FEW) for t in range(2, 12))})) == []
