"""Gates printed into a recording, and silences that are none."""

from dataclasses import replace

import numpy as np
import pytest

from findkit import file_of, grave, kit, the, told
from kitproof.measure.onsets import OnsetMeter
from kitproof.measure.processed import find_gate
from kitproof.observed.chain import Gate
from synth import noise, strokes

RATE_HZ, SECONDS = 48000, 16.0
OWN = np.arange(0.5, 15.5, 1.0)
FOREIGN = np.arange(1.0, 15.5, 1.0)


def mic(rng, *, bleed_dbfs=-45.0, floor_dbfs=-80.0):
    """A close mic: its own strokes, another drum's between them, and room."""
    own = strokes(OWN, seconds=SECONDS, peak_dbfs=-10.0, hz=190.0, decay_s=0.08, rng=rng)
    other = strokes(FOREIGN, seconds=SECONDS, peak_dbfs=bleed_dbfs, hz=90.0, decay_s=0.08, rng=rng)
    return own + other + noise(SECONDS, floor_dbfs, rng)


def shut(x, *, release_s, hold_s=0.1):
    """Open from just before each own stroke, then falling by 120 dB within release_s."""
    gain_db = np.full(len(x), -120.0)
    for t in OWN:
        first, last = round((t - 0.001) * RATE_HZ), round((t + hold_s) * RATE_HZ)
        gain_db[first:last] = 0.0
        n = round(release_s * RATE_HZ)
        gain_db[last : last + n] = np.linspace(0.0, -120.0, n)
    return np.round(x * 10.0 ** (gain_db / 20.0) * 2**23) / 2**23


def found(x):
    meter = OnsetMeter(RATE_HZ)
    meter.push(x)
    return find_gate(file_of("snare-top"), meter.result(), OWN, FOREIGN)


@pytest.mark.parametrize("release_s", [0.01, 0.1, 0.25])
def test_a_gate_is_seen_by_what_it_swallows(release_s):
    """Quick or slow: all strokes of the other drum are gone."""
    gate = found(shut(mic(np.random.default_rng(1)), release_s=release_s))

    assert gate is not None
    assert (gate.n_foreign, gate.n_swallowed) == (len(FOREIGN), len(FOREIGN))
    assert gate.n_falls >= len(OWN) - 1
    assert grave(told(kit() | {"faults": (gate,)})) == [("look", "gated")]


@pytest.mark.parametrize("floor_dbfs", [-80.0, -110.0])
def test_an_open_mic_swallows_nothing(floor_dbfs):
    """Also behind a very quiet converter: the kit itself is heard."""
    assert found(mic(np.random.default_rng(2), bleed_dbfs=-60.0, floor_dbfs=floor_dbfs)) is None


def test_a_mic_recorded_far_too_low_is_no_gate():
    """Noise and bleed sink with everything else, and nothing is shut."""
    low = mic(np.random.default_rng(5), bleed_dbfs=-60.0) * 10.0 ** (-40.0 / 20.0)

    assert found(np.round(low * 2**23) / 2**23) is None


def test_a_dead_mic_is_no_gate():
    """It never sounds at all."""
    assert found(noise(SECONDS, -115.0, np.random.default_rng(3))) is None


def test_silence_between_two_sections_is_no_gate():
    """One cut, however long, is an edit."""
    x = mic(np.random.default_rng(4))
    x[round(3.6 * RATE_HZ) : round(12.4 * RATE_HZ)] = 0.0

    gate = found(x)

    assert gate is not None
    assert gate.n_falls == 1
    assert grave(told(kit() | {"faults": (gate,)})) == []


def test_a_drum_that_rings_out_alone_is_no_gate():
    """Without room or bleed a ring ends in nothing too, but slowly."""
    x = strokes(OWN[::4], seconds=SECONDS, peak_dbfs=-10.0, hz=190.0, decay_s=0.12)

    gate = found(np.round(x * 2**23) / 2**23)

    assert gate is None or grave(told(kit() | {"faults": (gate,)})) == []


def test_the_finding_says_how_many_strokes_are_gone():
    """With the places and a way out; a few are nothing."""
    gate = Gate(file=file_of("kick"), n_foreign=90, n_swallowed=70, shut_dbfs=-130.0, n_falls=40, times_s=(1.0, 2.0))
    finding = the(told(kit() | {"faults": (gate,)}), "gated")

    assert (finding.severity, finding.value, finding.n_times) == ("look", 70.0, 70)
    assert "70 of 90 strokes" in finding.message
    assert grave(told(kit() | {"faults": (replace(gate, n_swallowed=5),)})) == []
