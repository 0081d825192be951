"""Origin: a treble that ends like a wall, and one that only falls."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

import synth
from findkit import file_of, grave, kit, silent, the, told, with_channel, with_declared
from kitproof.measure.origin import find_wall
from kitproof.observed.chain import Origin

N = 8192


def cymbals(rate_hz, *, level_dbfs=-20.0, floor_dbfs=-95.0, seed=1, tilt_hz=9000.0):
    """Excerpts of decaying noise that falls by 12 dB an octave above a corner, as cymbals do in a mic."""
    rng = np.random.default_rng(seed)
    n = N * (2 if rate_hz > 50000 else 1)
    x = rng.standard_normal((16, n)) * np.exp(-np.arange(n) / (0.3 * n)) * synth.amplitude(level_dbfs)
    fall = signal.butter(2, tilt_hz, "lowpass", fs=rate_hz, output="sos")
    return signal.sosfilt(fall, x, axis=1) + rng.standard_normal(x.shape) * synth.amplitude(floor_dbfs)


def walled(x, rate_hz, hz, bits=24):
    """The same without anything above a frequency, rounded."""
    lines = np.fft.rfft(x, axis=1)
    lines[:, np.fft.rfftfreq(x.shape[1], 1.0 / rate_hz) > hz] = 0.0
    return synth.quantised(np.fft.irfft(lines, x.shape[1]), bits)


def said(x, rate_hz):
    """(severity, code) of what is found in one channel."""
    records = with_channel(kit(), "overhead-left", rate_hz=rate_hz)
    return [
        (f.severity, f.code)
        for f in told(records | {"faults": (find_wall(file_of("overhead-left"), x, rate_hz),)}).findings
    ]


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("hz", [16000.0, 19000.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_a_wall_in_the_treble_is_found_where_it_is(rate_hz, hz, bits):
    """The cut of a lossy encoder, at every usual rate and word length."""
    x = walled(cymbals(rate_hz), rate_hz, hz, bits)

    assert find_wall("a", x, rate_hz).wall_hz == pytest.approx(hz, abs=420.0)  # two smoothed bins
    assert said(x, rate_hz) == [("look", "lossy-origin")]


def test_a_file_that_was_converted_up_is_named():
    """96 kHz that end at 22 kHz: worth knowing, nothing to mend."""
    assert said(walled(cymbals(96000), 96000, 21900.0), 96000) == [("note", "upsampled")]


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("tilt_hz", [1000.0, 5000.0, 14000.0])
def test_a_mic_without_treble_has_no_wall(rate_hz, tilt_hz):
    """Ribbons, heads and air fall slowly, down to the noise."""
    assert said(cymbals(rate_hz, tilt_hz=tilt_hz), rate_hz) == []


def test_a_wall_under_the_noise_cannot_be_seen():
    """A quiet channel's treble is noise: nothing is said."""
    x = walled(cymbals(44100, level_dbfs=-75.0), 44100, 16000.0, 16)

    assert said(x, 44100) == []


def test_a_converter_s_own_filter_is_no_wall():
    """Every file ends below half its rate."""
    x = cymbals(44100)
    edge = signal.firwin(255, 20900.0, width=1500.0, fs=44100)

    assert said(signal.lfilter(edge, 1.0, x, axis=1), 44100) == []


def test_silence_has_no_wall():
    """No treble, no fall."""
    assert find_wall("a", np.zeros((4, N)), 44100).fall_db == 0.0


def test_one_finding_names_all_files():
    """Whoever exported one file exported them all."""
    wall = Origin(file=file_of("ride"), wall_hz=16000.0, fall_db=60.0, rest_db=55.0)
    judged = told(kit() | {"faults": (wall, replace(wall, file=file_of("hi-hat"), fall_db=70.0))})

    assert set(the(judged, "lossy-origin").files) == {file_of("ride"), file_of("hi-hat")}
    assert grave(told(kit() | {"faults": (replace(wall, fall_db=30.0),)})) == []
    assert grave(told(kit() | {"faults": (replace(wall, rest_db=10.0),)})) == []


def test_an_empty_second_side_is_noted_and_an_empty_overhead_is_not_only_that():
    """A mono mic stored as two costs nothing but space; a silent side of a pair is a mic that is missing."""
    path, empty = file_of("rack-tom-1"), file_of("rack-tom-2")
    records = silent(kit(), "rack-tom-2")
    take = records["take"]
    second = tuple(replace(c, role="other", path=path) if c.file == empty else c for c in take.channels)
    channels = tuple(replace(c, role="other") if c.file == empty else c for c in records["channels"])
    judged = told(records | {"take": replace(take, channels=second), "channels": channels})

    assert grave(judged) == []
    assert the(judged, "empty-side").files == (path, empty)
    pair = with_declared(silent(kit(), "overhead-right"), "overhead-right", path=file_of("overhead-left"))
    assert grave(told(pair)) == [("fix", "dead-channel")]
