"""The picture of a channel: where things stand in it, how loud, and that nothing is lost in a long file."""

import numpy as np
import pytest

import synth
from kitproof.measure.bands import Decimator
from kitproof.measure.picture import SPECTRUM_COLUMNS, WAVE_COLUMNS, PictureMeter


def draw(x, *, rate_hz=synth.RATE_HZ, size=1 << 16, quiet=()):
    meter = PictureMeter(rate_hz, len(x), "x.wav")
    for block in synth.blocks(x, size):
        meter.push(block)
    meter.finish()
    return meter.picture(quiet)


def total_dbfs(band_levels):
    return 10 * np.log10(np.sum(10 ** (band_levels.astype(np.float64) / 10)))


def test_outline_holds_the_highest_and_lowest_sample_of_every_column():
    """One sample up, one down: each is the extreme of exactly the column its time falls into."""
    x = synth.silence(30.0)
    x[700_001], x[123_456] = 0.75, -0.5

    picture = draw(x)

    assert picture.wave_max.shape == picture.wave_min.shape == (WAVE_COLUMNS,)
    up, down = 700_001 * WAVE_COLUMNS // len(x), 123_456 * WAVE_COLUMNS // len(x)
    assert np.flatnonzero(picture.wave_max).tolist() == [up]
    assert np.flatnonzero(picture.wave_min).tolist() == [down]
    assert (picture.wave_max[up], picture.wave_min[down]) == (0.75, -0.5)


@pytest.mark.parametrize("n", [1, 2, 1999, 2000, 2001, 48001])
def test_outline_is_that_of_plain_splitting(n):
    """For lengths that no column count divides, and for files of a few samples."""
    x = np.random.default_rng(n).uniform(-1.0, 1.0, n)
    columns = np.arange(n) * min(n, WAVE_COLUMNS) // n

    picture = draw(x, size=777)

    assert picture.wave_max == pytest.approx([x[columns == c].max() for c in range(columns[-1] + 1)], abs=1e-7)
    assert picture.wave_min == pytest.approx([x[columns == c].min() for c in range(columns[-1] + 1)], abs=1e-7)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000, 32000])
@pytest.mark.parametrize(
    ("hz", "tolerance_db"),
    # 0.15: what the window spreads beyond three quarters of an octave; 2.0: both window lengths see it or neither does
    [(40.0, 0.15), (62.0, 0.15), (180.0, 0.15), (345.0, 2.0), (365.0, 2.0), (1000.0, 0.15), (9000.0, 0.15)],
)
def test_a_tone_stands_in_its_band_with_its_level(hz, tolerance_db, rate_hz):
    """A sine at -20 dBFS peak has -23.01 dBFS, which neighbouring bands share where a window spreads over several."""
    picture = draw(synth.tone([(6.0, -20.0)], hz=hz, rate_hz=rate_hz), rate_hz=rate_hz)

    loudest = picture.band_hz[np.argmax(picture.spectrum_dbfs)]
    assert abs(np.log2(loudest / hz)) < 1.5 / 9  # its own band, or the next one where a bin is wider than a band
    near = np.abs(np.log2(picture.band_hz / hz)) < 0.75
    middle = picture.spectrogram_dbfs[near, SPECTRUM_COLUMNS // 4]
    assert total_dbfs(middle) == pytest.approx(-23.01, abs=tolerance_db)


def test_mean_spectrum_adds_up_to_the_rms():
    """White noise: all bands together hold what lies between 22.4 Hz and 22.4 kHz."""
    picture = draw(synth.noise(10.0, -20.0, np.random.default_rng(1)))

    assert total_dbfs(picture.spectrum_dbfs) == pytest.approx(-20.0 + 10 * np.log10(22387 / 24000), abs=0.1)


def test_sixty_and_eighty_hertz_stand_apart():
    """A kick and a low tom: between the two, the level falls by 6 dB or more."""
    x = synth.tone([(6.0, -20.0)], hz=60.0) + synth.tone([(6.0, -20.0)], hz=80.0)
    spectrum = draw(x).spectrum_dbfs
    band_hz = draw(x).band_hz

    at = [int(np.argmin(np.abs(band_hz - hz))) for hz in (60.0, 69.3, 80.0)]
    assert spectrum[at[1]] < min(spectrum[at[0]], spectrum[at[2]]) - 6.0


@pytest.mark.parametrize("seconds", [5.0, 40.0, 300.0])
def test_a_stroke_stands_in_the_column_of_its_time_at_every_length(seconds):
    """However many windows a column covers, its loudest moment is kept."""
    at = 0.61 * seconds
    x = synth.strokes([at], seconds=seconds, hz=500.0, decay_s=0.03)

    picture = draw(x)

    band = np.argmin(np.abs(picture.band_hz - 500.0))
    row = picture.spectrogram_dbfs[band]
    expected = int(at / seconds * len(row))
    window = 0.043 / seconds * len(row) + 1  # columns that one window covers
    assert abs(int(np.argmax(row)) - expected) <= window
    assert -18.0 < row.max() < -9.0  # starts at -9 dBFS and falls by 6 dB within half a window, which tapers
    assert np.all(row[: expected - int(4 * window)] < -80.0)


@pytest.mark.parametrize("size", [1, 100, 4096])
def test_slowing_down_keeps_time_and_level(size):
    """Every fourth sample of a low tone, without delay, however it is fed."""
    x = synth.tone([(0.1, 0.0)], hz=330.0, rate_hz=12000, phase_deg=40.0).astype(np.float32)
    decimator = Decimator()

    out = np.concatenate([*(decimator.push(block) for block in synth.blocks(x, size)), decimator.flush()])

    assert len(out) == len(x[::4])
    assert out[4:-4] == pytest.approx(x[::4][4:-4], abs=1e-4)  # the low-pass's ripple, 90 dB down; not at the ends


def test_low_and_high_bands_agree_on_the_time():
    """The long and the short windows are centred on the same moment."""
    low = synth.strokes([10.0], seconds=20.0, hz=100.0, decay_s=0.1)
    high = synth.strokes([10.0], seconds=20.0, hz=2000.0, decay_s=0.1)

    picture = draw(low + high)

    rows = [picture.spectrogram_dbfs[np.argmin(np.abs(picture.band_hz - hz))] for hz in (100.0, 2000.0)]
    assert abs(int(np.argmax(rows[0])) - int(np.argmax(rows[1]))) <= 4  # columns of 20 ms: half a long window


def test_noise_spectrum_is_that_of_the_quiet_stretch():
    """A quiet second of known noise before loud noise."""
    rng = np.random.default_rng(2)
    x = np.concatenate((synth.noise(2.0, -70.0, rng), synth.noise(8.0, -20.0, rng)))

    picture = draw(x, quiet=[(0.0, 2.0)])

    assert total_dbfs(picture.noise_spectrum_dbfs) == pytest.approx(-70.3, abs=0.3)
    assert np.median(picture.spectrum_dbfs - picture.noise_spectrum_dbfs) == pytest.approx(49.0, abs=1.0)


def test_noise_spectrum_leaves_out_what_a_stretch_is_too_short_for():
    """In 0.1 s no long window fits: the low bands have no level, rather than a wrong one."""
    x = synth.noise(4.0, -50.0, np.random.default_rng(3))

    picture = draw(x, quiet=[(1.0, 1.1)])

    known = np.isfinite(picture.noise_spectrum_dbfs)
    assert np.array_equal(known, picture.band_hz > 355.0)
    assert np.all(np.isneginf(draw(x).noise_spectrum_dbfs))


def test_silence_is_minus_infinity():
    """No level is invented for nothing."""
    picture = draw(synth.silence(3.0))

    assert np.all(np.isneginf(picture.spectrogram_dbfs))
    assert np.all(np.isneginf(picture.spectrum_dbfs))


@pytest.mark.parametrize("n", [1, 100, 5000])
def test_very_short_files_have_a_picture_too(n):
    """Fewer columns, all of them filled."""
    picture = draw(np.full(n, 0.25) * np.sin(np.arange(n) * 0.3 + 1.0))

    assert picture.spectrogram_dbfs.shape == (len(picture.band_hz), -(-n // 512))
    assert np.all(np.isfinite(picture.spectrogram_dbfs))


def test_arrays_are_small_and_read_only():
    """32-bit floats, at most 1000 columns of 90 bands, whatever the length."""
    picture = draw(synth.noise(60.0, -30.0, np.random.default_rng(4)))

    assert picture.spectrogram_dbfs.shape == (90, SPECTRUM_COLUMNS)
    for name in ("wave_min", "wave_max", "band_hz", "spectrogram_dbfs", "spectrum_dbfs", "noise_spectrum_dbfs"):
        assert getattr(picture, name).dtype == np.float32
        assert not getattr(picture, name).flags.writeable
