"""Own mics that are late as a whole: found before any stroke is, ranged exactly, and named."""

from dataclasses import replace

import numpy as np
import pytest

import findkit as k
from kitproof.measure.lateness import in_time, late_mics
from kitproof.measure.onsets import OnsetMeter
from kitproof.observed.lateness import LateMic
from kitproof.ranging import late_mic

RATE_HZ = 48000
SPEED_M_S = 343.0
# Where drums stand, m; each close mic hangs 5 cm over its own, the overhead 1 m over them all.
PLACES = {"kick": (0.0, -0.4), "snare": (-0.3, 0.0), "hat": (-0.7, 0.1), "tom": (0.1, 0.1), "floor": (0.5, 0.2)}


def tracks(late_ms: dict[str, float], seed: int = 5):
    """Onset tracks of 60 single strokes, one every 0.2 s, in five close mics and an overhead."""
    rng = np.random.default_rng(seed)
    n = round(12.5 * RATE_HZ)
    mics = dict.fromkeys(PLACES, 0.05)
    sound = {name: 1e-5 * rng.standard_normal(n) for name in (*mics, "overhead")}
    burst = rng.standard_normal(round(0.08 * RATE_HZ)) * np.exp(-np.arange(round(0.08 * RATE_HZ)) / (0.015 * RATE_HZ))
    for i in range(60):
        drum = list(PLACES)[i % len(PLACES)]
        for mic, x in sound.items():
            flat = np.hypot(*np.subtract(PLACES.get(mic, (0.0, 0.0)), PLACES[drum]))
            metres = float(np.hypot(flat, mics.get(mic, 1.0)))
            at = round((0.3 + 0.2 * i + metres / SPEED_M_S + late_ms.get(mic, 0.0) / 1000.0) * RATE_HZ)
            x[at : at + len(burst)] += 0.3 * 0.05 / metres * burst
    out = {}
    for mic, x in sound.items():
        meter = OnsetMeter(RATE_HZ)
        meter.push(x)
        out[mic] = meter.result()
    return out


@pytest.mark.parametrize("mic", ["kick", "hat", "floor"])
@pytest.mark.parametrize("late_ms", [8.0, 15.0])
def test_a_late_own_mic_is_found_without_knowing_a_stroke(mic, late_ms):
    """One channel that lags is named, with its lag; the others are not."""
    found = late_mics(tracks({mic: late_ms}), list(PLACES), ["overhead"])
    assert list(found) == [mic]
    assert 1000.0 * found[mic] == pytest.approx(late_ms, abs=1.0)  # edge bins of 0.25 ms, medians of unlike paths


def test_mics_in_time_are_not_called_late():
    """Paths of up to 1.3 m between mics, and an overhead behind them all, are no lateness."""
    assert late_mics(tracks({}), list(PLACES), ["overhead"]) == {}


def test_a_late_distant_mic_makes_no_close_mic_late():
    """The close mics lead it by more than any path, and none of them is accused for that."""
    assert late_mics(tracks({"overhead": 12.0}), list(PLACES), ["overhead"]) == {}


def test_silence_is_not_late():
    """Without events nothing is said, of the silent mic or of the others."""
    seen = tracks({})
    meter = OnsetMeter(RATE_HZ)
    meter.push(np.zeros(round(12.5 * RATE_HZ)))
    assert late_mics(seen | {"hat": meter.result()}, list(PLACES), ["overhead"]) == {}


def test_a_track_moved_into_time_is_no_longer_late():
    """Moving the track by the figure leaves nothing to find."""
    seen = tracks({"hat": 12.0})
    found = late_mics(seen, list(PLACES), ["overhead"])
    assert late_mics(seen | {"hat": in_time(seen["hat"], found["hat"])}, list(PLACES), ["overhead"]) == {}


def test_ranges_that_no_kit_allows_do_not_count():
    """A path that is negative or longer than a kit, or a figure far from the rough one, was some other sound."""
    found = late_mic("a.wav", "kick", 11.0, [(12.0, 1.0), (12.2, 2.0), (12.1, -3.0), (30.0, 1.0)], 20)
    assert found.n_drums == 2
    assert found.late_ms == pytest.approx(12.1)


def test_one_range_is_no_witness():
    """With a single drum to range against, the rough figure stays, and its error is as wide as it is."""
    found = late_mic("a.wav", "kick", 11.0, [(12.0, 1.0)], 20)
    assert (found.late_ms, found.n_drums) == (11.0, 0)
    assert found.spread_ms >= 3.0


def test_ranges_that_disagree_widen_the_error():
    """The error given is that of the ranges, never less than what the drums' size makes it."""
    close = late_mic("a.wav", "kick", 12.0, [(12.0, 1.0), (12.1, 1.0), (11.9, 1.0), (12.0, 1.0)], 20)
    apart = late_mic("a.wav", "kick", 12.0, [(9.0, 1.0), (12.5, 1.0), (14.0, 1.0), (11.0, 1.0)], 20)
    assert 0.2 < close.spread_ms < apart.spread_ms


def late_snare(spread_ms: float, n_drums: int):
    """Findings about a snare top that is late, its pairs as recorded."""
    records = k.kit()
    own = k.file_of("snare-top")
    pairs = tuple(
        replace(p, delay_ms=p.delay_ms - 12.0) if p.a == own and p.delay_ms is not None else p
        for p in records["pairs"]
    )  # fmt: skip
    late = LateMic(file=own, drum="snare", late_ms=12.0, spread_ms=spread_ms, n_drums=n_drums, n_hits=48)
    return [f for f in k.told(records | {"pairs": pairs, "faults": (late,)}).findings if f.severity != "note"]


def test_a_late_own_mic_is_one_finding():
    """The mic is named once, and no pair of it is judged again."""
    found = late_snare(0.3, 4)
    assert [(f.code, f.severity, f.files) for f in found] == [("late-channel", "fix", (k.file_of("snare-top"),))]
    assert found[0].value == pytest.approx(12.0)


def test_a_rough_figure_is_called_rough():
    """Where only all events together tell, the sentence says about, and how far it may be off."""
    assert "about 12 ms" in late_snare(3.0, 0)[0].message
