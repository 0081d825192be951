"""One time line: tracks of other rates and lengths laid onto the frames of most channels."""

from __future__ import annotations

import numpy as np
import pytest

import synth
from kitproof.measure.onsets import FLOOR_POWER, OnsetMeter, OnsetTrack
from kitproof.measure.timeline import common_tracks

FLOOR_DB = 10.0 * np.log10(FLOOR_POWER)
STROKE_S = 1.5


def track(rate_hz: int, seconds: float = 3.0) -> OnsetTrack:
    """One stroke at 1.5 s, in a file of some rate and length."""
    meter = OnsetMeter(rate_hz)
    meter.push(synth.strokes([STROKE_S], seconds=seconds, rate_hz=rate_hz, hz=900.0, decay_s=0.02))
    return meter.result()


def onset_s(t: OnsetTrack) -> float:
    """When the sharpest edge is."""
    return float(np.argmax(t.edge_db)) / t.edges_per_s


def test_equal_tracks_are_left_as_they_are() -> None:
    """Nothing is copied or changed where there is nothing to do."""
    tracks = {"a": track(48000), "b": track(48000)}
    common = common_tracks(tracks)

    for file, t in tracks.items():
        assert common[file].band_db is t.band_db
        assert common[file].edge_db is t.edge_db
        assert common[file].mid_db is t.mid_db


@pytest.mark.parametrize("odd_rate_hz", [44100, 96000, 32000])
def test_a_channel_at_another_rate_keeps_its_times(odd_rate_hz: int) -> None:
    """It gets the frames of the others, and its stroke stays within half a millisecond of where it was."""
    common = common_tracks({"a": track(48000), "b": track(48000), "odd": track(odd_rate_hz)})

    assert len({(t.frames_per_s, t.edges_per_s, t.band_db.shape, t.edge_db.shape) for t in common.values()}) == 1
    assert onset_s(common["odd"]) == pytest.approx(onset_s(common["a"]), abs=0.5e-3)
    loudest = {f: np.argmax(t.band_db.max(axis=1)) / t.frames_per_s for f, t in common.items()}
    assert loudest["odd"] == pytest.approx(loudest["a"], abs=2e-3)  # a window of 4 ms rounds the top off


def test_the_rate_of_most_channels_is_kept() -> None:
    """Two at 44.1 kHz outvote one at 48, whatever their order."""
    common = common_tracks({"odd": track(48000), "a": track(44100), "b": track(44100)})

    assert common["odd"].frames_per_s == track(44100).frames_per_s


def test_a_shorter_file_is_silent_at_its_end() -> None:
    """All tracks are as long as the longest; what a file does not have is at the floor."""
    whole, short = track(48000, 3.0), track(48000, 2.0)
    common = common_tracks({"a": whole, "short": short})["short"]

    assert len(common.band_db) == len(whole.band_db)
    n = len(short.band_db)
    assert np.array_equal(common.band_db[:n], short.band_db)
    # 0.1 dB: half precision at -130 dB
    assert np.asarray(common.band_db[n:], float) == pytest.approx(FLOOR_DB, abs=0.1)
    assert np.asarray(common.edge_db[len(short.edge_db) :], float) == pytest.approx(FLOOR_DB, abs=0.1)


def test_no_channels_have_no_tracks() -> None:
    """Empty in, empty out."""
    assert common_tracks({}) == {}
