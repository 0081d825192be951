"""Loudness against the published signals, the published filter and two other meters."""

import re
import subprocess

import imageio_ffmpeg
import numpy as np
import pyloudnorm
import pytest
import soundfile
from scipy import signal

import synth
from kitproof.measure.cells import sliding_mean
from kitproof.measure.loudness import (
    MOMENTARY_CELLS,
    SHORT_TERM_CELLS,
    SURROUND_WEIGHT,
    LoudnessMeter,
    k_weighting,
    loudness_of,
    lufs,
)

LU = 0.1  # EBU Tech 3341, Table 1: tolerance of every loudness reading
RANGE_LU = 1.0  # EBU Tech 3342, Table 1
STEREO = (1.0, 1.0)


def energies(x, *, rate_hz=synth.RATE_HZ, size=1 << 16):
    meter = LoudnessMeter(rate_hz)
    for block in synth.blocks(x, size):
        meter.push(block)
    return meter.energies()


def mono(x, **how):
    return loudness_of(energies(x, **how)[None, :], (1.0,))


def in_phase(x):
    """The same in left and right, as nearly all EBU signals are."""
    return loudness_of(np.tile(energies(x), (2, 1)), STEREO)


# ---------------------------------------------------------------- the filter
def test_k_weighting_at_48_khz_is_the_published_table():
    """ITU-R BS.1770-5 Annex 1, Tables 1 and 2."""
    shelf, high_pass = k_weighting(48000)

    published_shelf = [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585]
    published_high_pass = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]
    assert shelf == pytest.approx(published_shelf, abs=2e-8)  # the prototype reproduces the digits to 1e-8
    assert high_pass == pytest.approx(published_high_pass, abs=2e-8)


GAINS_DB = {20: -13.275, 25: -10.393, 38: -6.003, 50: -3.934, 100: -1.134, 200: -0.265, 500: 0.043, 997: 0.691,
            1000: 0.698, 2000: 3.071, 4000: 3.968, 10000: 4.042}  # fmt: skip


@pytest.mark.parametrize(("rate_hz", "tolerance_db"), [(44100, 0.006), (48000, 0.001), (96000, 0.03), (192000, 0.045)])
def test_k_weighting_has_the_same_gain_at_every_rate(rate_hz, tolerance_db):
    """Gains computed from the table's coefficients; elsewhere the bilinear transform differs by so much."""
    _, response = signal.sosfreqz(k_weighting(rate_hz), worN=list(GAINS_DB), fs=rate_hz)

    assert 20 * np.log10(np.abs(response)) == pytest.approx(list(GAINS_DB.values()), abs=tolerance_db)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 88200, 96000, 192000])
def test_full_scale_997_hz_sine_in_one_channel_reads_minus_3_01(rate_hz):
    """ITU-R BS.1770 Annex 1 (the sentence is quoted from memory; the table's coefficients give -3.0103)."""
    result = mono(synth.tone([(4.0, 0.0)], hz=997.0, rate_hz=rate_hz), rate_hz=rate_hz)

    assert result.integrated_lufs == pytest.approx(-3.01, abs=0.04)  # the curve at 192 kHz differs by so much


def test_mono_reads_3_01_lower_than_the_same_in_left_and_right():
    """The convention of this program: a stem is one channel of weight 1."""
    x = synth.tone([(4.0, -20.0)])

    assert in_phase(x).integrated_lufs - mono(x).integrated_lufs == pytest.approx(3.0103, abs=1e-4)  # 10 log10 2


# ---------------------------------------------------------------- EBU Tech 3341, Table 1
@pytest.mark.parametrize(("case", "level"), [(1, -23.0), (2, -33.0)])
def test_steady_tone_reads_the_same_in_all_three(case, level):
    """EBU Tech 3341, Table 1, cases 1 and 2; also its calibration line."""
    result = in_phase(synth.tone([(20.0, level)]))

    assert result.integrated_lufs == pytest.approx(level, abs=LU)
    assert result.max_momentary_lufs == pytest.approx(level, abs=LU)
    assert result.max_short_term_lufs == pytest.approx(level, abs=LU)


@pytest.mark.parametrize(
    ("case", "segments"),
    [
        (3, [(10, -36), (60, -23), (10, -36)]),
        (4, [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)]),
        (5, [(20, -26), (20.1, -20), (20, -26)]),
    ],
)
def test_gates_leave_the_loud_part(case, segments):
    """EBU Tech 3341, Table 1, cases 3 to 5: relative gate, both gates, nothing gated."""
    assert in_phase(synth.tone(segments)).integrated_lufs == pytest.approx(-23.0, abs=LU)


def test_absolute_gate_stands_at_minus_70():
    """ITU-R BS.1770-5 Annex 1; after the idea of the gate files of Report BS.2217: -69.5 counts, -72 does not."""
    assert in_phase(synth.tone([(20, -69.5), (20, -72)])).integrated_lufs == pytest.approx(-69.5, abs=LU)


def test_surround_channels_weigh_more():
    """EBU Tech 3341, Table 1, case 6: five channels."""
    levels = (-28.0, -28.0, -24.0, -30.0, -30.0)
    channels = np.array([energies(synth.tone([(20.0, level)])) for level in levels])

    result = loudness_of(channels, (1.0, 1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT))

    assert result.integrated_lufs == pytest.approx(-23.0, abs=LU)


def test_short_term_is_constant_when_the_window_fits_the_pattern():
    """EBU Tech 3341, Table 1, case 9: S is -23.0 from 3 s on."""
    cells = 2.0 * energies(synth.tone([(1.34, -20), (1.66, -30)] * 5))

    assert lufs(sliding_mean(cells, SHORT_TERM_CELLS)) == pytest.approx(-23.0, abs=LU)


def test_momentary_is_constant_when_the_window_fits_the_pattern():
    """EBU Tech 3341, Table 1, case 12: M is -23.0 from 1 s on."""
    cells = 2.0 * energies(synth.tone([(0.18, -20), (0.22, -30)] * 25))

    assert lufs(sliding_mean(cells, MOMENTARY_CELLS)[60:]) == pytest.approx(-23.0, abs=LU)


@pytest.mark.parametrize("i", range(20))
def test_loudest_3_s_are_found_wherever_they_start(i):
    """EBU Tech 3341, Table 1, case 10: twenty files, the tone starts 0.15 s later in each."""
    x = synth.tone([(i * 0.15, None), (3.0, -23.0), (1.0, None)])

    assert in_phase(x).max_short_term_lufs == pytest.approx(-23.0, abs=LU)


@pytest.mark.parametrize("i", range(20))
def test_loudest_400_ms_are_found_wherever_they_start(i):
    """EBU Tech 3341, Table 1, case 13: twenty files, the tone starts 20 ms later in each."""
    x = synth.tone([(i * 0.02, None), (0.4, -23.0), (1.0, None)])

    assert in_phase(x).max_momentary_lufs == pytest.approx(-23.0, abs=LU)


@pytest.mark.parametrize(("case", "step_s", "tone_s", "n_cells"), [(11, 0.15, 3.0, 300), (14, 0.02, 0.4, 40)])
def test_rising_tones_are_each_read_at_their_level(case, step_s, tone_s, n_cells):
    """EBU Tech 3341, Table 1, cases 11 and 14: one file, the maximum rises by 1 LU from unit to unit."""
    units = [[(i * step_s, None), (tone_s, -38.0 + i), (tone_s - i * step_s, None)] for i in range(20)]
    cells = 2.0 * energies(synth.tone([segment for unit in units for segment in unit]))
    windows = lufs(sliding_mean(cells, n_cells))

    per_unit = round(2 * tone_s * 100)
    maxima = [windows[: (i + 1) * per_unit - n_cells + 1].max() for i in range(20)]
    assert maxima == pytest.approx([-38.0 + i for i in range(20)], abs=LU)


# ---------------------------------------------------------------- EBU Tech 3342, Table 1
@pytest.mark.parametrize(
    ("case", "levels", "expected"),
    [(1, (-20, -30), 10.0), (2, (-20, -15), 5.0), (3, (-40, -20), 20.0), (4, (-50, -35, -20, -35, -50), 15.0)],
)
def test_loudness_range_of_steps(case, levels, expected):
    """EBU Tech 3342, Table 1, cases 1 to 4: 20 s per level."""
    result = in_phase(synth.tone([(20.0, level) for level in levels]))

    assert result.loudness_range_lu == pytest.approx(expected, abs=RANGE_LU)


# ---------------------------------------------------------------- other meters
def drum_like(seed, seconds=12.0):
    rng = np.random.default_rng(seed)
    times = np.arange(0.5, seconds - 1.0, 0.3)
    peaks = np.where(times < seconds / 2, -18.0, -4.0) + rng.uniform(-3.0, 0.0, len(times))
    hits = synth.strokes(times, seconds=seconds, peak_dbfs=peaks, decay_s=0.08, rng=rng)
    return hits + synth.room_tone(seconds, -70.0, rng)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_integrated_loudness_is_that_of_the_library(rate_hz):
    """pyloudnorm over the whole file, with the weighting that follows the standard."""
    x = drum_like(3)
    theirs = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(x)

    assert mono(x, rate_hz=rate_hz).integrated_lufs == pytest.approx(theirs, abs=0.005)  # its blocks start a sample off


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_agrees_with_another_meter_on_drum_like_signals(tmp_path, seed):
    """ffmpeg's ebur128 filter, which prints one decimal."""
    x, path = drum_like(seed, seconds=20.0), tmp_path / "x.wav"
    soundfile.write(path, x, synth.RATE_HZ, subtype="DOUBLE")
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-nostats", "-i", str(path)]
    said = subprocess.run(
        [*command, "-af", "ebur128", "-f", "null", "-"], capture_output=True, text=True, check=True
    ).stderr.rpartition("Summary:")[2]

    result = mono(x)

    theirs = {name: float(re.search(rf"\b{name}:\s+(-?[\d.]+)", said)[1]) for name in ("I", "LRA")}
    assert result.integrated_lufs == pytest.approx(theirs["I"], abs=0.06)  # half a printed step, and a little
    assert result.loudness_range_lu == pytest.approx(theirs["LRA"], abs=RANGE_LU)  # it also counts growing windows


# ---------------------------------------------------------------- what cannot be measured
def test_silence_has_no_loudness():
    """None and a reason for all four, never minus infinity."""
    result = mono(synth.silence(15.0))

    names = ("integrated_lufs", "max_momentary_lufs", "max_short_term_lufs", "loudness_range_lu")
    assert all(getattr(result, name) is None for name in names)
    assert set(result.unmeasured) == set(names)


def test_what_stays_below_the_absolute_gate_has_maxima_but_no_integrated_loudness():
    """The gate belongs to the integrated figure and the range."""
    result = mono(synth.tone([(15.0, -80.0)]))

    assert result.integrated_lufs is None
    assert result.unmeasured["integrated_lufs"] == "never above -70 LUFS"
    assert result.max_momentary_lufs == pytest.approx(-83.0, abs=LU)


@pytest.mark.parametrize(
    ("seconds", "absent"),
    [
        (0.3, {"integrated_lufs", "max_momentary_lufs", "max_short_term_lufs", "loudness_range_lu"}),
        (2.9, {"max_short_term_lufs", "loudness_range_lu"}),
        (9.9, {"loudness_range_lu"}),
        (10.0, set()),
    ],
)
def test_short_files_say_what_is_missing(seconds, absent):
    """Each figure needs its own shortest length."""
    result = mono(synth.tone([(seconds, -20.0)]))

    assert set(result.unmeasured) == absent
    assert all("shorter than" in reason for reason in result.unmeasured.values())


@pytest.mark.parametrize("rate_hz", [48000, 44100, 22050])
@pytest.mark.parametrize("size", [1000, 65536])
def test_any_split_into_blocks_gives_the_same_result(size, rate_hz):
    """At 22.05 kHz a cell has 220 or 221 samples."""
    x = drum_like(5)
    whole = energies(x, rate_hz=rate_hz, size=len(x))

    assert energies(x, rate_hz=rate_hz, size=size) == pytest.approx(whole, rel=1e-9, abs=1e-25)  # rounding
