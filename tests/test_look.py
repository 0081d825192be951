"""The second look at a channel: its file is read around the strokes, and little comes back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from numpy.typing import NDArray

import stroke_sets as st
import synth
from kitproof.measure.excerpts import LEAD_S, TAIL_S, DrumTimes
from kitproof.measure.look import hit_picture, look_at_channel, look_at_own

RATE_HZ = st.RATE_HZ
SECONDS = 6.0


def take_of(path: Path, d: DrumTimes, *, delay_s: float = 0.0, gain: float = 1.0, rate_hz: int = RATE_HZ) -> Path:
    """A file in which every stroke of d sounds, `delay_s` late; its first channel is silent."""
    t = np.arange(round(SECONDS * rate_hz)) / rate_hz
    wave = sum(s * st.Ring()(t - at - delay_s) for at, s in zip(d.time_s, d.strength, strict=True))
    sf.write(path, np.stack([np.zeros(len(t)), 0.5 * gain * np.asarray(wave)], axis=1), rate_hz, subtype="FLOAT")
    return path


def test_own_strokes_are_measured_where_they_are(tmp_path: Path) -> None:
    """From times that are half a millisecond off, the right times and the right peaks, in order.

    0.4 ms: half of the rise, in which a tenth of the peak is reached; all strokes are alike in that.
    """
    d = st.drum_times(8)
    found = look_at_own(take_of(tmp_path / "own.wav", d), 1, d.time_s + 0.0005)

    assert found.time_s == pytest.approx(d.time_s, abs=0.4e-3)
    assert np.ptp(found.time_s - d.time_s) <= 1.01 / RATE_HZ
    assert found.peak / found.peak[0] == pytest.approx(d.strength / d.strength[0], rel=0.02)  # between the samples


def test_the_channel_asked_for_is_the_one_heard(tmp_path: Path) -> None:
    """Channel 2 of a file has the strokes, channel 1 silence."""
    d = st.drum_times(8)
    path = take_of(tmp_path / "x.wav", d, delay_s=0.004)
    silent, heard = (look_at_channel(path, i, f"x.wav:{i}", [d], None).arrivals["snare"] for i in (0, 1))

    assert silent.time_s is None
    assert heard.time_s == pytest.approx(0.004, abs=0.15e-3)  # up the rise of 0.8 ms, to 30 dB under the peak


def test_drums_with_one_stroke_have_no_arrival(tmp_path: Path) -> None:
    """Their number of hits is known all the same."""
    d, lonely = st.drum_times(8), st.drum_times(1, "kick")
    found = look_at_channel(take_of(tmp_path / "x.wav", d), 1, "x.wav", [d, lonely], "snare")

    assert set(found.arrivals) == {"snare"}
    assert found.n_hits == {"snare": 8, "kick": 1}


def test_only_the_own_drum_has_a_picture(tmp_path: Path) -> None:
    """A mic at no drum, or whose drum was not hit, has none."""
    d = st.drum_times(8)
    path = take_of(tmp_path / "x.wav", d)

    assert look_at_channel(path, 1, "x.wav", [d], None).picture is None
    assert look_at_channel(path, 1, "x.wav", [d], "kick").picture is None
    picture = look_at_channel(path, 1, "x.wav", [d], "snare").picture
    assert picture is not None
    assert (picture.file, picture.drum, picture.n_hits) == ("x.wav", "snare", 8)


def test_cymbals_have_no_low_lines(tmp_path: Path) -> None:
    """There is no low end to add up."""
    snare, hat = st.drum_times(8), st.drum_times(8, "hi-hat")
    found = look_at_channel(take_of(tmp_path / "x.wav", snare), 1, "x.wav", [snare, hat], None)

    assert set(found.low_lines) == {"snare"}


def test_a_file_shorter_than_the_take_gives_what_it_has(tmp_path: Path) -> None:
    """Strokes after the file's end are silence; a drum heard only there has no arrival."""
    d = st.drum_times(8)
    late = DrumTimes(drum="kick", own_file="k", time_s=d.time_s + 60.0, strength=d.strength, clear=d.clear)
    found = look_at_channel(take_of(tmp_path / "x.wav", d), 1, "x.wav", [d, late], None)

    assert found.arrivals["snare"].time_s is not None
    assert found.arrivals["kick"].time_s is None


# ------------------------------------------------------------------------------------ the picture of a stroke
def tone_picture(dbfs: float, hz: float) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    n = round((LEAD_S + TAIL_S) * RATE_HZ)
    wave = synth.amplitude(dbfs) * np.sin(2.0 * np.pi * hz * np.arange(n) / RATE_HZ)
    picture = hit_picture("x", "snare", np.tile(wave, (3, 1)), np.ones(3), RATE_HZ)
    return picture.spectrum_hz, picture.spectrum_dbfs


def test_a_tone_stands_in_its_third_octave_at_its_level() -> None:
    """1 kHz at -20 dBFS: the loudest band is that at 1 kHz, and reads the tone's RMS, 3.01 dB under its peak.

    0.5 dB: fading the ends of the excerpt takes 0.28 dB off. Source: bands of IEC 61260-1, base ten.
    """
    hz, level = tone_picture(-20.0, 1000.0)

    assert hz[np.argmax(level)] == pytest.approx(1000.0)
    assert level.max() == pytest.approx(-23.01, abs=0.5)
    far = np.abs(np.log2(hz / 1000.0)) > 1.0
    assert level[far].max() < -60.0


def test_the_picture_shows_the_median_stroke_and_its_range() -> None:
    """Strokes of all strengths fall on one another; low and high enclose the mean."""
    d = st.drum_times(20)
    rng = np.random.default_rng(3)
    waves = st.aligned_strokes(d, st.excerpts(d, st.Ring())).waves * d.strength[:, None]
    picture = hit_picture("x", "snare", waves + 0.01 * rng.standard_normal(waves.shape), d.strength, RATE_HZ)

    assert (picture.time_ms[0], picture.time_ms[-1]) == pytest.approx((-3.0, 60.0), abs=0.1)  # every third sample
    assert (picture.low <= picture.mean).all()
    assert (picture.mean <= picture.high).all()
    peak = np.abs(picture.mean).max()
    assert peak == pytest.approx(np.median(d.strength) * 0.6, rel=0.4)  # three sines do not peak together
    before = picture.time_ms < -0.5
    assert np.abs(picture.mean[before]).max() < 0.1 * peak


def test_a_gain_moves_the_level_of_a_drum_and_a_louder_player_does_not(tmp_path: Path) -> None:
    """-12 dB of gain is -12 dB over the own mic, to a hundredth; all strokes harder by 6 dB leave that ratio alone."""
    d = st.drum_times(8)
    harder = DrumTimes(drum=d.drum, own_file=d.own_file, time_s=d.time_s, strength=2.0 * d.strength, clear=d.clear)

    def over(strokes: DrumTimes, name: str, gain: float) -> tuple[float, float]:
        path = take_of(tmp_path / name, strokes, gain=gain)
        (level,) = look_at_channel(path, 1, name, [strokes], strokes.drum).levels
        return level.over_own_db, level.level_dbfs

    plain, quiet, loud = over(d, "a.wav", 1.0), over(d, "b.wav", 10**-0.6), over(harder, "c.wav", 1.0)

    assert quiet[0] - plain[0] == pytest.approx(-12.0, abs=0.02)  # two roundings to 0.01 dB
    assert loud[0] == pytest.approx(plain[0], abs=0.02)
    assert loud[1] - plain[1] == pytest.approx(6.02, abs=0.02)
