"""One pass over one channel: everything at once, the same however it is read, in little memory."""

import dataclasses
import tracemalloc

import numpy as np
import pytest

import synth
from kitproof.errors import StageInputError, StemError
from kitproof.measure.scan import CHUNK, rechunked, scan_channel
from kitproof.model import ChannelMeasures

SECONDS = 12.0


def drums(seed=1, seconds=SECONDS):
    rng = np.random.default_rng(seed)
    times = np.arange(1.2, seconds - 2.0, 0.3)
    peaks = rng.uniform(-15.0, -4.0, len(times))
    hits = synth.strokes(times, seconds=seconds, peak_dbfs=peaks, decay_s=0.08, rng=rng)
    return synth.quantised(hits + synth.room_tone(seconds, -72.0, rng), 24)


def scan(x, *, size=1 << 18, rate_hz=synth.RATE_HZ, bits=24, extra=()):
    return scan_channel(
        synth.blocks(x, size), rate_hz=rate_hz, n_frames=len(x), integer_bits=bits, file="x.wav", extra=extra
    )


class Recorder:
    """Remembers what it was given."""

    def __init__(self):
        self.blocks = []

    def push(self, block):
        self.blocks.append(np.array(block))


@pytest.mark.parametrize("size", [1000, 65536])
def test_any_split_into_blocks_gives_the_same_result(size):
    """Every figure and every array, to rounding."""
    x = drums()
    whole, split = scan(x, size=len(x)), scan(x, size=size)

    for name, value in whole.measures().items():
        if isinstance(value, float):
            assert getattr(split, name) == pytest.approx(value, abs=1e-9), name
        elif name != "noise_bands":
            assert getattr(split, name) == value, name
    levels = [[band.level_dbfs for band in result.noise_bands] for result in (whole, split)]
    assert levels[1] == pytest.approx(levels[0], abs=1e-9)
    for field in dataclasses.fields(whole.picture):
        value = getattr(whole.picture, field.name)
        assert np.array_equal(getattr(split.picture, field.name), value), field.name


def test_figures_fill_the_record_of_a_channel():
    """Names and meanings are those of ChannelMeasures, which checks that every None has its reason."""
    for x in (drums(), synth.silence(SECONDS), drums()[:5000], drums()[-100:], np.array([0.5])):
        result = scan(x)
        reasons = dict(result.unmeasured) | {"hit_crest_db": "no hits were looked for"}
        channel = ChannelMeasures(
            **result.measures() | {"unmeasured": reasons},
            file="x.wav", role="snare-top", drum="snare", rate_hz=48000, n_frames=len(x),
            duration_s=len(x) / 48000, hit_crest_db=None, n_own_hits=0,
        )  # fmt: skip

        assert channel.sample_peak_dbfs == result.sample_peak_dbfs


def test_a_known_channel_reads_as_made():
    """Noise at -72 dBFS, a loudest stroke below -4 dBFS, 24 bits, no clip."""
    x = drums()
    result = scan(x)

    assert result.sample_peak_dbfs == synth.dbfs(np.abs(x).max())
    assert result.true_peak_dbtp >= result.sample_peak_dbfs
    assert result.noise_floor_dbfs == pytest.approx(-72.0, abs=1.5)  # goal for a floor under drums
    assert (result.used_bits, result.clip_runs_n) == (24, 0)
    assert result.unmeasured == {}
    assert result.max_momentary_lufs >= result.max_short_term_lufs >= result.integrated_lufs


def test_octave_bands_of_the_noise_add_up_to_the_floor():
    """Two ways to the same noise: cells of 10 ms, and spectra."""
    result = scan(drums())

    total = 10 * np.log10(sum(10 ** (band.level_dbfs / 10) for band in result.noise_bands))
    assert len(result.noise_bands) == 10
    assert total == pytest.approx(result.noise_floor_dbfs, abs=0.3)  # fewer windows than cells fit into the quiet
    assert total == pytest.approx(10 * np.log10(np.sum(10 ** (result.picture.noise_spectrum_dbfs / 10))), abs=0.01)


def test_digital_silence_between_the_strokes_has_no_floor_and_no_bands():
    """The reason says why; the picture has no noise to draw."""
    x = drums()
    x[np.abs(x) < 0.003] = 0.0
    result = scan(x)

    assert result.noise_floor_dbfs is None
    assert "digital silence" in result.unmeasured["noise_floor_dbfs"]
    assert result.noise_bands == ()
    assert np.all(np.isneginf(result.picture.noise_spectrum_dbfs))


def test_further_meters_see_every_sample_once_and_in_order():
    """They ride along in the same pass."""
    x, recorder = drums(), Recorder()
    scan(x, size=12345, extra=[recorder])

    assert np.array_equal(np.concatenate(recorder.blocks), x)
    assert {len(block) for block in recorder.blocks[:-1]} == {CHUNK}


def test_rechunking_survives_a_reader_that_uses_its_buffer_again():
    """What is kept for the next chunk is a copy."""
    buffer = np.zeros(3)

    def reader():
        for i in range(4):
            buffer[:] = np.arange(3) + 3 * i
            yield buffer

    assert np.concatenate([chunk.copy() for chunk in rechunked(reader(), 5)]).tolist() == list(range(12))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e20])
def test_what_is_no_audio_is_named_with_its_place(bad):
    """Which file, which sample, what was found, what to do."""
    x = drums()
    x[70_000] = bad

    with pytest.raises(StemError, match=r"x\.wav: sample 70000 is .*expected.*export the file again"):
        scan(x, bits=None)


def test_wrong_length_is_a_mistake_of_the_caller():
    """Columns are laid out for the announced length, so it must be true."""
    x = drums()
    for n_frames in (len(x) - 1, len(x) + 1):
        with pytest.raises(StageInputError, match=r"x\.wav: .* frames were announced"):
            scan_channel([x], rate_hz=48000, n_frames=n_frames, integer_bits=24, file="x.wav")


@pytest.mark.parametrize(("n_frames", "rate_hz"), [(0, 48000), (1000, 8000), (1000, 768000)])
def test_what_cannot_be_scanned_is_refused(n_frames, rate_hz):
    """No samples, or a rate outside what the filters are made for."""
    with pytest.raises(StageInputError, match="cannot scan"):
        scan_channel([np.zeros(n_frames)], rate_hz=rate_hz, n_frames=n_frames, integer_bits=24, file="x.wav")


@pytest.mark.parametrize("rate_hz", [44100, 96000, 192000])
def test_the_same_sound_reads_alike_at_other_rates(rate_hz):
    """Strokes without noise of their own, over silence and room, made anew at each rate."""

    def at(rate):
        x = synth.strokes(np.arange(1.0, 9.0, 0.5), seconds=11.0, decay_s=0.06, peak_dbfs=-9.0, rate_hz=rate)
        return scan(x + synth.noise(11.0, -75.0, np.random.default_rng(3), rate), rate_hz=rate, bits=None)

    here, there = at(48000), at(rate_hz)
    for name, tolerance in {
        "true_peak_dbtp": 0.05, "rms_dbfs": 0.05, "integrated_lufs": 0.1, "max_momentary_lufs": 0.1,
        "noise_floor_dbfs": 0.2, "loudness_range_lu": 0.2,
    }.items():  # sampling of the onset; a tenth of a LU as in Tech 3341; fluctuation of noise  # fmt: skip
        assert getattr(there, name) == pytest.approx(getattr(here, name), abs=tolerance), name


def test_memory_does_not_grow_with_the_file():
    """Five minutes need hardly more than one: a few numbers per 10 ms, never the samples."""
    minute = drums(seconds=60.0)

    def peak_mb(minutes):
        tracemalloc.start()
        blocks = (block for _ in range(minutes) for block in synth.blocks(minute, 1 << 18))
        n = minutes * len(minute)
        scan_channel(blocks, rate_hz=48000, n_frames=n, integer_bits=24, file="x.wav")
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        return peak

    one, five = peak_mb(1), peak_mb(5)
    assert five < 20.0  # the samples would take 115 MB
    assert five - one < 10.0
