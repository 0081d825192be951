"""True peak: the published signals, the filter's flatness, and that passing over stretches changes nothing."""

import re
import subprocess

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile
from scipy import signal

import synth
from kitproof.measure.truepeak import N_TAPS, TruePeakMeter, interpolator, oversampling_factor

ABOVE_DB, BELOW_DB = 0.2, 0.4  # EBU Tech 3341, Table 1: tolerance of a true-peak reading


def measure(x, *, rate_hz=synth.RATE_HZ, size=1 << 16):
    meter = TruePeakMeter(rate_hz)
    for block in synth.blocks(np.asarray(x, dtype=np.float64), size):
        meter.push(block)
    return meter.result()


def in_full(x, rate_hz=synth.RATE_HZ):
    """The same answer by plain convolution of everything, in dBTP."""
    rows = interpolator(oversampling_factor(rate_hz))
    return synth.dbfs(max(np.abs(x).max(), *(np.abs(np.convolve(x, row[::-1])).max() for row in rows)))


# ---------------------------------------------------------------- EBU Tech 3341, Table 1, cases 15 to 23
@pytest.mark.parametrize(
    ("case", "divisor", "level", "phase_deg", "expected"),
    [
        (15, 4, 0.50, 0.0, -6.0),
        (16, 4, 0.50, 45.0, -6.0),
        (17, 6, 0.50, 60.0, -6.0),
        (18, 8, 0.50, 67.5, -6.0),
        (19, 4, 1.41, 45.0, 3.0),
    ],
)
def test_tones_that_hide_their_peak_between_samples(case, divisor, level, phase_deg, expected):
    """EBU Tech 3341, Table 1, cases 15 to 19; 10 ms fades, as in the official files."""
    x = synth.tone([(3.0, synth.dbfs(level))], hz=synth.RATE_HZ / divisor, phase_deg=phase_deg)

    reading = measure(synth.faded(x, 0.01)).true_peak_dbtp

    assert expected - BELOW_DB <= reading <= expected + ABOVE_DB


@pytest.mark.parametrize(
    ("case", "offset", "sample_peak"), [(20, 0, -0.1), (21, 1, -0.5), (22, 2, -2.5), (23, 3, -0.5)]
)
def test_burst_that_hides_its_peak_between_samples(case, offset, sample_peak):
    """EBU Tech 3341, Table 1, cases 20 to 23: at 4 fs a quiet tone with one loud period, low-passed, every 4th sample.

    The splice and the low-pass are two implementers' reading of the table; that it is the right one shows in
    the sample peaks, which are those of the official files.
    """
    rate = 4 * synth.RATE_HZ
    quiet = 0.5 * np.sin(2 * np.pi * np.arange(rate // 2) / 24)  # fs/6
    loud = np.sin(2 * np.pi * np.arange(16) / 16)  # fs/4
    middle = len(quiet) // 48 * 24  # a rising zero
    burst = np.concatenate((quiet[:middle], loud, quiet[middle:]))
    low_pass = signal.firwin(1023, synth.RATE_HZ / 2, window=("kaiser", 12.0), fs=rate)
    x = synth.faded(np.convolve(burst, low_pass, mode="same")[offset::4], 0.01)
    assert synth.dbfs(np.abs(x).max()) == pytest.approx(sample_peak, abs=0.05)  # printed with one decimal

    assert -BELOW_DB <= measure(x).true_peak_dbtp <= ABOVE_DB


# ---------------------------------------------------------------- the filter
@pytest.mark.parametrize("rate_hz", [44100, 48000, 88200, 96000, 176400, 192000])
def test_oversampled_rate_is_at_least_that_of_the_standard(rate_hz):
    """ITU-R BS.1770-5 Annex 2: 192 kHz or more."""
    assert oversampling_factor(rate_hz) * rate_hz >= 192000


def test_points_between_samples_have_the_tones_own_level():
    """Flat within 0.002 dB to 20 kHz at 44.1 kHz in every phase (the standard's example filter: 0.2 dB)."""
    rows = interpolator(8)
    turn = np.exp(2j * np.pi * np.outer(np.arange(N_TAPS), np.linspace(0.0, 20000 / 44100, 200)))

    assert np.abs(20 * np.log10(np.abs(rows @ turn))).max() < 0.002


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
def test_worst_reading_of_a_high_tone_is_that_of_the_grid(rate_hz):
    """BS.1770 Attachment 1 to Annex 2: 20 log10 cos(pi f / (n fs)) at worst; here n fs is at least 352.8 kHz."""
    hz = 0.45 * rate_hz + 7.0  # no simple ratio: every phase occurs
    x = synth.faded(synth.tone([(0.5, -3.0)], hz=hz, rate_hz=rate_hz), 0.05, rate_hz)
    worst = -synth.dbfs(np.cos(np.pi * hz / rate_hz / oversampling_factor(rate_hz)))

    assert -3.0 - worst - 0.01 <= measure(x, rate_hz=rate_hz).true_peak_dbtp <= -3.0 + 0.01  # flatness beyond 20 kHz


def test_true_peak_is_never_below_the_sample_peak():
    """A lone sample at full scale reads 0.0."""
    x = np.zeros(500)
    x[250] = -1.0

    assert measure(x).true_peak_dbtp == pytest.approx(0.0, abs=1e-9)


def test_silence_has_no_true_peak():
    """None, with a reason."""
    result = measure(np.zeros(5000))

    assert result.true_peak_dbtp is None
    assert "silent" in result.unmeasured["true_peak_dbtp"]


# ---------------------------------------------------------------- passing over
def drum_like(seed, seconds=4.0):
    rng = np.random.default_rng(seed)
    times = np.arange(0.2, seconds - 0.2, 0.25)
    peaks = rng.uniform(-20.0, -3.0, len(times))
    return synth.strokes(times, seconds=seconds, peak_dbfs=peaks, stick=1.0, rng=rng) + synth.noise(seconds, -70, rng)


SIGNALS = {
    "drums": lambda: drum_like(1),
    "other drums": lambda: drum_like(2),
    "noise": lambda: synth.noise(2.0, -15.0, np.random.default_rng(3)),
    "high tone": lambda: synth.tone([(1.0, -1.0)], hz=19997.0),
    "three samples": lambda: np.array([0.5, 0.5, -0.5]),
    "starts and ends loud": lambda: np.concatenate(([0.9, 0.9], np.zeros(3000), [0.9, -0.9, 0.9])),
}


@pytest.mark.parametrize("name", SIGNALS)
@pytest.mark.parametrize("rate_hz", [48000, 96000])
def test_passing_over_quiet_stretches_never_changes_the_answer(name, rate_hz):
    """The full computation, everywhere, gives the same."""
    x = SIGNALS[name]()

    assert measure(x, rate_hz=rate_hz).true_peak_dbtp == pytest.approx(in_full(x, rate_hz), abs=1e-9)  # rounding


def test_the_most_treacherous_stretch_is_not_passed_over():
    """Samples signed as the filter's taps reach 2.8 times their size, here over a sample peak 2.7 times as large."""
    row = interpolator(8)[3]
    reach = float(np.abs(row).sum())
    x = np.zeros(40000)
    x[500] = 0.3 * (reach - 0.1)
    x[30000 : 30000 + N_TAPS] = 0.3 * np.sign(row)

    assert measure(x).true_peak_dbtp == pytest.approx(synth.dbfs(0.3 * reach), abs=1e-9)  # rounding


@pytest.mark.parametrize("seed", [31, 32])
def test_a_short_overshoot_is_found_wherever_it_lies(seed):
    """Two equal samples in a silence reach beyond themselves by 2.1 dB, over a lone sample nearly as high."""
    expected = None
    for at in np.random.default_rng(seed).permutation(np.arange(5000, 5064))[:32]:
        x = np.zeros(8000)
        x[500], x[at : at + 2] = 0.9, 0.8
        expected = expected or in_full(x)
        assert measure(x).true_peak_dbtp == pytest.approx(expected, abs=1e-9)  # rounding
    assert expected > synth.dbfs(0.9)


@pytest.mark.parametrize("size", [1, 63, 1000, 65536])
def test_any_split_into_blocks_gives_the_same_result(size):
    """Stretches across the joints are looked at like all others."""
    x = drum_like(7, seconds=0.5) if size == 1 else drum_like(7)

    assert measure(x, size=size).true_peak_dbtp == pytest.approx(measure(x, size=len(x)).true_peak_dbtp, abs=1e-9)


# ---------------------------------------------------------------- another program
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_agrees_with_another_meter_on_drum_like_signals(tmp_path, seed):
    """ffmpeg's ebur128 filter oversamples less, and prints one decimal."""
    path = tmp_path / "x.wav"
    soundfile.write(path, drum_like(seed), synth.RATE_HZ, subtype="DOUBLE")
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-nostats", "-i", str(path)]
    command += ["-af", "ebur128=peak=true", "-f", "null", "-"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    theirs = float(re.findall(r"Peak:\s+(-?[\d.]+) dBFS", said)[-1])

    # 0.05 for the printing; the stick's white noise reaches to 24 kHz, where the coarser grid reads up to 0.2 lower
    assert -0.1 <= measure(drum_like(seed)).true_peak_dbtp - theirs <= 0.25
