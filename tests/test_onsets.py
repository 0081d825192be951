"""The onset meter: levels per band and edges, whatever the blocks and the rate."""

from __future__ import annotations

import numpy as np
import pytest

import synth
from kitproof.errors import StageInputError
from kitproof.measure.onsets import BAND_EDGES_HZ, FLOOR_POWER, N_BANDS, OnsetMeter, OnsetTrack
from kitproof.model import FloatArray

RATES_HZ = (44100, 48000, 96000)


def measured(samples: FloatArray, rate_hz: int, sizes: tuple[int, ...] = ()) -> OnsetTrack:
    """The track of samples that come in blocks of these sizes in turn, or all at once."""
    meter = OnsetMeter(rate_hz)
    start = 0
    while start < len(samples):
        size = sizes[start % len(sizes)] if sizes else len(samples)
        meter.push(samples[start : start + size])
        start += size
    return meter.result()


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_blocks_do_not_matter(rate_hz: int) -> None:
    """Odd blocks give the same track as one block, but for the last digit of half precision."""
    rng = np.random.default_rng(3)
    x = synth.room_tone(0.7, -60.0, rng)
    x[9000:9600] += rng.normal(0.0, 0.3, 600)
    whole, parts = measured(x, rate_hz), measured(x, rate_hz, (1, 777, 50, 4096))

    for name in ("band_db", "edge_db", "mid_db"):
        a, b = (np.asarray(getattr(t, name), np.float64) for t in (whole, parts))
        assert a.shape == b.shape
        # half precision has steps of 1/16 dB at -100 dB; sums may round to either side of a step
        assert np.max(np.abs(a - b)) <= 0.07


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("hz", [700.0, 3000.0, 11000.0])
def test_tone_is_measured_in_its_band(rate_hz: int, hz: float) -> None:
    """A sine of 0.1 has a mean square of 0.005 (-23.01 dB), nearly all of it in the band that holds it."""
    x = 0.1 * np.sin(2.0 * np.pi * hz / rate_hz * np.arange(rate_hz // 2))
    power = measured(x, rate_hz).band_power()[100:400].mean(axis=0)

    band = int(np.searchsorted(BAND_EDGES_HZ, hz)) - 1
    # A window of 4 ms leaks some of the tone into the next band: 0.3 dB.
    assert abs(10.0 * np.log10(power[band] / 0.005)) < 0.3
    assert abs(10.0 * np.log10(power.sum() / 0.005)) < 0.1


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_click_is_found_in_its_place(rate_hz: int) -> None:
    """A step of one sample is seen in the quarter of a millisecond, and in the frame, in which it happens."""
    at_s = 0.3137
    x = np.zeros(rate_hz)
    x[round(at_s * rate_hz)] = 0.5
    track = measured(x, rate_hz)

    # one bin, 0.25 ms, for the edges; one frame, 1 ms, for the bands
    assert np.argmax(track.edge_db) / track.edges_per_s == pytest.approx(at_s, abs=0.0003)
    assert np.argmax(track.band_power().sum(axis=1)) / track.frames_per_s == pytest.approx(at_s, abs=0.001)
    assert float(track.edge_db.max()) == pytest.approx(20.0 * np.log10(0.5), abs=0.05)  # half precision


def test_silence_lies_on_the_floor() -> None:
    """Digital silence is measured as the floor power everywhere, and has no infinities."""
    track = measured(synth.silence(0.5), synth.RATE_HZ)

    assert 500 <= len(track.band_db) <= 504  # one frame per millisecond, and those that reach over the end
    assert track.band_db.shape[1] == N_BANDS
    assert np.allclose(track.band_power(), FLOOR_POWER, rtol=0.02)  # half precision: 0.06 dB
    assert np.isfinite(track.edge_db).all()
    assert np.isfinite(track.mid_db).all()


def test_nothing_gives_an_empty_track() -> None:
    """A channel without samples has no edges."""
    track = OnsetMeter(48000).result()

    assert len(track.edge_db) == len(track.mid_db) == 0


def test_rates_too_low_for_hits_are_refused() -> None:
    """Below 8 kHz the upper bands do not exist; the message says what is needed."""
    with pytest.raises(StageInputError, match="8000 Hz"):
        OnsetMeter(4000)
