"""Breaks: samples lost in one channel, and all that jumps or clicks without a loss."""

import numpy as np
import pytest
from scipy import signal

import findkit
import synth
from findkit import file_of, grave, the, told
from kitproof.measure.breaks import BreakMeter, Edge, lone_breaks, unforeseen
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.views import TakeView
from kitproof.model import ChannelFaults, Gap, Hum
from kitproof.observed.chain import Break, Skip
from kitproof.observed.interference import LoneSounds

SECONDS = 6.0
TIMES = tuple(np.arange(0.5, 5.5, 0.5))
LOST_S = (1.045, 3.12)  # while the drum rings


def tom(seed=1, rate_hz=synth.RATE_HZ, bits=24):
    """A ringing drum, its stick and the room's noise."""
    rng = np.random.default_rng(seed)
    x = synth.strokes(TIMES, seconds=SECONDS, hz=110.0, decay_s=0.12, peak_dbfs=-8.0, rng=rng, rate_hz=rate_hz)
    return synth.quantised(x + synth.room_tone(SECONDS, -75.0, rng, rate_hz), bits)


def edges(x, rate_hz=synth.RATE_HZ, size=1 << 15):
    meter = BreakMeter(rate_hz, "tom.wav")
    for block in synth.blocks(x, size):
        meter.push(block)
    return [r for r in meter.records() if isinstance(r, Edge)]


def with_loss(x, rate_hz=synth.RATE_HZ, lost_ms=3.0):
    """Samples missing twice, and as many at the end made up for."""
    n = round(lost_ms * 1e-3 * rate_hz)
    at = [round(t * rate_hz) for t in LOST_S]
    return np.concatenate([np.delete(x, np.concatenate([np.arange(a, a + n) for a in at])), x[-2 * n :]])


@pytest.mark.parametrize(("rate_hz", "lost_ms"), [(16000, 6.0), (44100, 3.0), (48000, 0.7), (96000, 6.0)])
def test_samples_lost_in_a_ringing_drum_are_found_at_their_place(rate_hz, lost_ms):
    """To the sample; what is lost before moves the second place."""
    found = edges(with_loss(tom(rate_hz=rate_hz), rate_hz, lost_ms), rate_hz)

    n = round(lost_ms * 1e-3 * rate_hz)
    wanted = [round(t * rate_hz) / rate_hz - k * n / rate_hz for k, t in enumerate(LOST_S)]
    assert [e.time_s for e in found] == pytest.approx(wanted, abs=2 / rate_hz)  # a bend may peak one sample aside


def test_blocks_do_not_matter():
    """A break at a seam is found like any other."""
    x = with_loss(tom())
    size = round(LOST_S[0] * synth.RATE_HZ)

    assert edges(x, size=size) == edges(x, size=size + 1) == edges(x, size=4096) == edges(x, size=700) != []


def test_strokes_and_noise_break_nothing():
    """Nor do the steps of a file of 16 bits."""
    assert edges(tom()) == []
    assert edges(tom(2, bits=16)) == []
    assert edges(synth.noise(SECONDS, -20.0, np.random.default_rng(3))) == []


def test_a_clipped_top_is_a_corner_and_no_break():
    """The slope changes there, the wave does not jump."""
    assert edges(np.clip(2.0 * tom(), -0.5, 0.5)) == []


def test_a_gate_that_shuts_or_opens_at_once_is_no_break():
    """The level changes with it."""
    x = tom()
    for t in TIMES:
        a, z = (round((t + s) * synth.RATE_HZ) for s in (0.15, 0.4))
        x[a:z] *= 0.01

    assert edges(x) == []


def test_a_drum_whose_sample_begins_at_once_is_no_break():
    """A triggered sound starts with a step out of the room's noise."""
    rng = np.random.default_rng(5)
    x = synth.noise(SECONDS, -75.0, rng)
    ring = np.cos(2 * np.pi * 200.0 * np.arange(9600) / synth.RATE_HZ) * np.exp(-np.arange(9600) / 2400.0)
    for t in TIMES:
        x[round(t * synth.RATE_HZ) :][:9600] += 0.4 * ring

    assert edges(x) == []


def test_white_noise_is_foreseen_as_badly_everywhere():
    """The largest of three errors is some 2 of their RMS, the largest of 400 some 3; a step of 20 stands out."""
    x = np.random.default_rng(6).standard_normal(1200)
    assert unforeseen(x, 600) < 1.2  # over 3 chances against 360, well above what three errors reach
    assert unforeseen(np.zeros(1200), 600) == 0.0

    low = signal.sosfilt(signal.butter(4, 500.0, fs=48000, output="sos"), x)
    low[600:] += 0.5 * low.std()
    assert unforeseen(low, 600) > 4.0  # noise below 500 Hz follows from its past to better than a hundredth


def view(*clues, strokes_s=()):
    times = np.array(strokes_s)
    tom_times = DrumTimes(
        drum="rack-tom-1", own_file=file_of("rack-tom-1"), time_s=times, strength=np.ones(len(times)),
        clear=np.ones(len(times), bool),
    )  # fmt: skip
    take = findkit.kit()["take"]
    return TakeView(
        take=take, kit=take.channels, own={}, drums={"rack-tom-1": tom_times}, tracks={}, pairs=(), clues=clues
    )


def test_what_begins_a_stroke_or_breaks_other_channels_is_left_out():
    """The first is sound, the second is named as a loss of all."""
    file = file_of("rack-tom-1")
    clues = [Edge(file=file, time_s=t, over=10.0) for t in (1.0, 2.0, 3.0)]
    clues += [Edge(file="click.wav", time_s=5.0, over=10.0), Skip(time_s=3.0, files=("a", "b", "c"))]

    assert list(lone_breaks(view(*clues, strokes_s=(0.9999,)))) == [Break(file=file, time_s=2.0, over_db=20.0)]


# ------------------------------------------------------------------------------------------------ judged
def judged(*records, gaps=(), kit=None):
    no_hum = Hum(
        fundamental_hz=None, spread_hz=None, lines=(), level_dbfs=None, confidence=None,
        unmeasured=dict.fromkeys(Hum.NULLABLE, "none"),
    )  # fmt: skip
    faults = ChannelFaults(file=file_of("floor-tom"), plateaus=(), gaps=tuple(gaps), hum=no_hum)
    return told((kit or findkit.kit()) | {"faults": (faults, *records)})


def a_break(time_s, over_db=15.0):
    return Break(file=file_of("floor-tom"), time_s=time_s, over_db=over_db)


def test_several_breaks_ask_for_a_decision_and_one_small_one_does_not():
    """A tail cut in an editor leaves one, too."""
    found = the(judged(a_break(3.0), a_break(3.25)), "dropout")

    assert (found.severity, found.files, found.value, found.n_times) == ("look", (file_of("floor-tom"),), 3.0, 2)
    assert found.drum == "floor-tom"
    assert the(judged(a_break(3.0)), "dropout").severity == "note"
    assert the(judged(a_break(3.0, over_db=25.0)), "dropout").severity == "look"


def test_breaks_that_something_else_explains_are_not_named_again():
    """The edges of a hole, flat tops, and a lead that cracks."""
    hole = Gap(start_s=3.0, n_samples=265, kind="zeros", step_db=20.0)
    crack = LoneSounds(
        file=file_of("floor-tom"), kind="crackle", n_sounds=2, times_s=(3.0, 3.25), level_dbfs=-30.0, rise_db=20.0
    )  # fmt: skip

    assert [f.n_times for f in judged(a_break(3.0), a_break(3.005), gaps=[hole]).findings if f.code == "dropout"] == [1]
    assert "dropout" not in [code for _, code in grave(judged(a_break(3.0), a_break(3.25), crack))]
    flat = findkit.clipped("floor-tom", findkit.kit(), [3.0, 3.25])
    assert "dropout" not in [code for _, code in grave(judged(a_break(3.0), a_break(3.25), kit=flat))]
