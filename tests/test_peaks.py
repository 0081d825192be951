"""Levels, crest factor, offset, word length and flat tops."""

import numpy as np
import pytest

import synth
from kitproof.errors import StageInputError
from kitproof.measure.peaks import MAX_CLIP_RUNS, PeakMeter

EXACT_DB = 1e-9  # arithmetic on double precision
LEVEL_DB = 0.01  # tolerance of the level rows of AES17 and handbooks, as published
FULL_16 = 1.0 - 2.0**-15
FULL_24 = 1.0 - 2.0**-23


def measure(x, *, bits=None, rate_hz=synth.RATE_HZ, size=1 << 16):
    meter = PeakMeter(rate_hz, bits)
    for block in synth.blocks(np.asarray(x, dtype=np.float64), size):
        meter.push(block)
    return meter.result()


# ---------------------------------------------------------------- levels
def test_full_scale_sine_has_an_rms_of_minus_3_01():
    """AES17 calls this level 0 dB FS; relative to amplitude 1.0 it is -3.01 dBFS."""
    result = measure(synth.tone([(10.0, 0.0)], hz=997.0))

    assert result.rms_dbfs == pytest.approx(-3.01, abs=LEVEL_DB)
    assert result.sample_peak_dbfs == pytest.approx(0.0, abs=LEVEL_DB)


def test_full_scale_square_has_an_rms_of_zero():
    """AES17 would call it +3.01 dB FS."""
    result = measure(np.where(np.arange(48000) % 48 < 24, 1.0, -1.0))

    assert result.rms_dbfs == pytest.approx(0.0, abs=EXACT_DB)


def cycle(kind):
    """One second of 100 Hz, sampled finely enough that the peak is a sample."""
    turn = np.arange(48000) / 480.0 % 1.0
    return {
        "sine": np.sin(2 * np.pi * turn),
        "triangle": 1.0 - 4.0 * np.abs(turn - 0.5),
        "square": np.where(turn < 0.5, 1.0, -1.0),
        "half-wave sine": np.maximum(np.sin(2 * np.pi * turn), 0.0),
    }[kind]


@pytest.mark.parametrize(
    ("kind", "crest_db"), [("sine", 3.010), ("triangle", 4.771), ("square", 0.0), ("half-wave sine", 6.021)]
)
def test_crest_factor_of_textbook_waveforms(kind, crest_db):
    """Crest factors as encyclopaedias list them; 480 samples per cycle leave 0.0003 dB."""
    assert measure(cycle(kind)).crest_db == pytest.approx(crest_db, abs=0.001)


def test_crest_factor_of_gaussian_noise_is_that_of_its_length():
    """The median highest value of 48000 Gaussian samples lies 12.7 dB over their RMS (order statistics)."""
    crests = [measure(synth.noise(1.0, -20.0, np.random.default_rng(seed))).crest_db for seed in range(9)]

    assert np.median(crests) == pytest.approx(12.7, abs=0.5)  # spread of single draws


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_peak_is_found_with_its_time_on_either_side(sign):
    """The first of the largest samples, whichever its sign."""
    x = np.zeros(1000)
    x[[400, 700]] = sign * 0.5

    result = measure(x, rate_hz=1000)

    assert result.sample_peak_dbfs == pytest.approx(synth.dbfs(0.5), abs=EXACT_DB)
    assert result.sample_peak_time_s == 0.4


def test_silence_has_no_levels_but_reasons():
    """Minus infinity is never written as a number; a silent file has no offset either way."""
    result = measure(np.zeros(480000), bits=24)

    absent = ("sample_peak_dbfs", "sample_peak_time_s", "rms_dbfs", "crest_db", "used_bits")
    assert all(getattr(result, name) is None for name in absent)
    assert set(result.unmeasured) == set(absent)
    assert result.dc_fraction == 0.0


# ---------------------------------------------------------------- offset
def test_offset_is_the_mean():
    """A tone of whole cycles leaves no trace in it."""
    x = synth.tone([(12.0, -20.0)], hz=100.0) - 0.012

    assert measure(x).dc_fraction == pytest.approx(-0.012, abs=1e-12)  # rounding only


def test_short_file_has_no_offset():
    """Below ten seconds a few lopsided strokes would pass for one."""
    result = measure(np.full(5 * 48000, 0.1))

    assert result.dc_fraction is None
    assert "10 s" in result.unmeasured["dc_fraction"]


# ---------------------------------------------------------------- word length
@pytest.mark.parametrize(("bits", "inside"), [(24, 24), (24, 16), (16, 16), (32, 24), (16, 12)])
def test_used_word_length_is_seen_inside_a_longer_one(bits, inside):
    """16-bit samples in a 24-bit file use 16 bits."""
    x = synth.quantised(synth.noise(0.2, -20.0, np.random.default_rng(1)), inside)

    assert measure(x, bits=bits).used_bits == inside


def test_negative_full_scale_alone_uses_one_bit():
    """-1.0 has only the sign bit set."""
    assert measure([0.0, -1.0, 0.0], bits=24).used_bits == 1


def test_float_file_has_no_word_length():
    """There is nothing to count in it."""
    result = measure([0.1, 0.2])

    assert result.used_bits is None
    assert "floating-point" in result.unmeasured["used_bits"]


def test_samples_between_the_steps_are_a_mistake_of_the_caller():
    """24-bit samples announced as 16 bits are refused, not rounded."""
    with pytest.raises(StageInputError, match="16-bit"):
        measure([2.0**-20], bits=16)


# ---------------------------------------------------------------- flat tops
def with_top(values, at=100, length=1000):
    x = np.full(length, 0.25)
    x[at : at + len(values)] = values
    return x


@pytest.mark.parametrize(("top", "side"), [(FULL_24, "positive"), (-1.0, "negative"), (-FULL_24, "negative")])
def test_three_samples_at_full_scale_are_a_clip(top, side):
    """Common practice: three equal samples at the top code, on either side."""
    result = measure(with_top([0.75, top, top, top, 0.5]), bits=24, rate_hz=1000)

    assert result.clip_runs_n == 1
    (run,) = result.clip_runs
    assert (run.start_s, run.n_samples, run.side) == (0.101, 3, side)
    assert run.level_dbfs == pytest.approx(0.0, abs=2e-6)  # one step of 24 bits is 1.04e-6 dB


@pytest.mark.parametrize(
    "values",
    [[FULL_16], [FULL_16, FULL_16], [FULL_16, 0.9999, FULL_16, FULL_16], [0.5, 0.5, 0.5, 0.5], [-1.0, FULL_16, -1.0]],
    ids=["lone sample", "two", "interrupted", "plateau below full scale", "to and fro"],
)
def test_what_is_no_clip(values):
    """Too short, or not near full scale: a plateau far below is another question."""
    assert measure(with_top(values), rate_hz=1000).clip_runs_n == 0


def test_float_above_full_scale_is_no_clip_by_itself():
    """Only standing still there is: the converter, or the export, had no more to give."""
    assert measure(1.6 * synth.tone([(0.1, 0.0)], hz=440.0)).clip_runs_n == 0
    assert measure(np.clip(1.6 * synth.tone([(0.1, 0.0)], hz=440.0), -1.3, 1.3)).clip_runs_n > 0


@pytest.mark.parametrize("hz", [20.0, 29.7, 40.0, 50.0])
def test_low_note_normalised_to_full_scale_in_16_bits_is_no_clip(hz):
    """Its crest rests on the top step for several samples, but rounded, not flat."""
    x = synth.quantised(synth.tone([(1.0, 0.0)], hz=hz), 16)
    top = x == FULL_16
    assert np.any(top[2:] & top[1:-1] & top[:-2])  # the trap is there

    assert measure(x, bits=16).clip_runs_n == 0


@pytest.mark.parametrize("hz", [30.0, 50.0, 80.0, 200.0])
def test_low_note_clipped_by_half_a_decibel_is_found_in_every_cycle(hz):
    """Both half-waves of each of the cycles end flat."""
    x = synth.quantised(synth.tone([(1.0, 0.5)], hz=hz), 16)

    assert measure(x, bits=16).clip_runs_n == 2 * hz


def test_runs_across_blocks_count_once():
    """However the file is read, a run is one run with one length."""
    x = with_top([0.75, *[FULL_24] * 50, 0.5])

    for size in (1, 2, 7, 100, 1000):
        result = measure(x, bits=24, rate_hz=1000, size=size)
        assert [(r.start_s, r.n_samples) for r in result.clip_runs] == [(0.101, 50)]


def test_run_at_the_very_end_counts():
    """The file may stop while the signal stands at the ceiling."""
    assert measure([0.1, 0.2, 1.0, 1.0, 1.0]).clip_runs_n == 1


def test_many_runs_are_all_counted_and_the_first_kept():
    """The list is short, the count is true."""
    x = np.tile([0.125, FULL_24, FULL_24, FULL_24], 500)

    result = measure(x, bits=24)

    assert result.clip_runs_n == 500
    assert len(result.clip_runs) == MAX_CLIP_RUNS


@pytest.mark.parametrize("size", [1000, 65536])
def test_any_split_into_blocks_gives_the_same_result(size):
    """A hot, clipped, offset signal measured in pieces and whole."""
    rng = np.random.default_rng(5)
    x = synth.quantised(synth.room_tone(11.0, -6.0, rng) + 0.01, 24)
    whole, split = measure(x, bits=24, size=len(x)), measure(x, bits=24, size=size)

    assert split.clip_runs == whole.clip_runs
    assert split.clip_runs_n == whole.clip_runs_n > 0
    for name in ("sample_peak_dbfs", "sample_peak_time_s", "rms_dbfs", "crest_db", "dc_fraction", "used_bits"):
        assert getattr(split, name) == pytest.approx(getattr(whole, name), abs=EXACT_DB)
