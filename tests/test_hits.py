"""Finding the hits, against the modelled kit's truth.

Outside check: mir_eval's onset measure (F of matched onsets) at its published windows, 50 ms by default and
the stricter 25 ms in use beside it, and at 10 ms, the window that arrival and bleed need.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

import synth
from hitcase import f_measure, played, search, times, tracks_of, true_times
from kitproof.demo import NO_PLAN, DemoTruth, Stroke, TakeSpec, render_take
from kitproof.measure.onsets import OnsetTrack
from kitproof.model import FloatArray

WINDOWS_S = (0.010, 0.025, 0.050)
BEAT_S = 0.6
Take = tuple[Mapping[str, OnsetTrack], DemoTruth]


def hit(time_s: float, instrument: str, strength: float) -> Stroke:
    return Stroke(time_s=time_s, instrument=instrument, strength=strength)


def beat(n_bars: int = 4) -> list[Stroke]:
    """Kick, snare and hats as a drummer plays them: a few milliseconds off the grid, hats accented.

    No two limbs are 8 ms apart: what the search cannot yet part is a stroke that comes 7 to 8 ms after
    the bleed of another into a silent mic.
    """
    rng = np.random.default_rng(4)
    out = []
    for k in range(8 * n_bars):
        out.append(hit(0.5 + k * BEAT_S / 2.0 + rng.normal(0.0, 0.0025), "hi-hat", 0.7 if k % 2 == 0 else 0.5))
    for bar in range(n_bars):
        for beat_number, instrument in ((0, "kick"), (2.5, "kick"), (1, "snare"), (3, "snare")):
            at_s = 0.5 + (4 * bar + beat_number) * BEAT_S + rng.normal(0.0, 0.0025)
            out.append(hit(at_s, instrument, float(0.85 + rng.normal(0.0, 0.04))))
    return out


def median_peak(samples: FloatArray, times_s: FloatArray) -> float:
    """Median over hits of the largest amplitude within 20 ms."""
    starts = np.round(times_s * 48000).astype(int)
    return float(np.median([np.abs(samples[i : i + 960]).max() for i in starts]))


@pytest.fixture(scope="module")
def groove() -> Take:
    """The demo's own groove, with flams, ghost notes and fills."""
    stems, truth = render_take(TakeSpec(seed=1, plan=NO_PLAN))
    return tracks_of(stems), truth


@pytest.fixture(scope="module")
def simple() -> Take:
    stems, truth = played(beat())
    return tracks_of(stems), truth


# ------------------------------------------------------------------------------------------- a whole take
@pytest.mark.parametrize("window_s", WINDOWS_S)
def test_a_groove_is_found_drum_by_drum(groove: Take, window_s: float) -> None:
    """F at the published windows and at 10 ms, for every drum with a mic."""
    tracks, truth = groove
    found = search(tracks)
    drums = sorted({h.drum for h in truth.hits} - {"unmiked"})
    scores = {d: f_measure(true_times(truth, d), times(found, d), window_s) for d in drums}

    assert len(drums) == 7
    # The goal on a recorded kit is 0.98; the modelled snare's ghost notes, 30 dB down amid buzz, cost some of it.
    assert np.mean(list(scores.values())) >= 0.96
    assert min(scores.values()) >= 0.85


def test_times_are_those_of_the_direct_sound(groove: Take) -> None:
    """Half of all hits lie within 0.3 ms of the truth: as close as arrival needs to start from."""
    tracks, truth = groove
    found = search(tracks)
    errors = []
    for drum in {h.drum for h in truth.hits} - {"unmiked"}:
        near = times(found, drum)
        errors += [np.min(np.abs(near - t)) for t in true_times(truth, drum)]

    assert np.median(errors) <= 0.0003


def test_strokes_come_in_order_with_their_own_mic(groove: Take) -> None:
    """Each stroke carries the key of its drum's own mic, a level and a confidence between 0 and 1."""
    found = search(groove[0])

    assert [h.time_s for h in found] == sorted(h.time_s for h in found)
    assert {h.file for h in found if h.drum == "kick"} == {"kick-in"}
    assert all(0.0 <= h.confidence <= 1.0 and np.isfinite(h.level_db) for h in found)


def test_a_drum_that_is_not_hit_gives_no_hit(simple: Take) -> None:
    """Toms and ride have mics and hear everything, but nobody plays them."""
    tracks, _ = simple

    assert {"rack-tom-1", "floor-tom", "ride"} <= set(tracks)
    assert {h.drum for h in search(tracks)} == {"kick", "snare", "hi-hat"}


def test_a_tom_hit_once_is_found_once() -> None:
    """One stroke in the take is enough to know the drum, and its bleed does not make more of it."""
    stems, truth = played([*beat(), hit(0.5 + 15.5 * BEAT_S, "rack-tom-1", 0.8)])
    found = search(tracks_of(stems))

    assert len(times(found, "rack-tom-1")) == 1
    assert f_measure(true_times(truth, "rack-tom-1"), times(found, "rack-tom-1"), 0.010) == 1.0


def test_a_tom_mic_turned_up_beside_the_snare_does_not_take_its_strokes() -> None:
    """Nobody hits the tom, and its mic stands 7 cm further from the snare: as loud as the snare's own, but later.

    The snare's mic hears the kick, too, and is the less sure for it.
    """
    rng = np.random.default_rng(5)
    at = 0.5 + 0.5 * np.arange(24) + rng.normal(0.0, 0.004, 24)
    strokes = [hit(t, "snare", 0.85 if n % 2 else 0.2) for n, t in enumerate(at)]
    strokes += [hit(t + 0.25, "kick", 0.85) for t in at[::2]]
    stems, truth = played(strokes)
    late = np.concatenate((np.zeros(10), stems["snare-top"][:-10]))  # 0.2 ms, of the snare at 48 kHz
    noise = rng.normal(0.0, 1e-4, len(late))
    some = {r: stems[r] for r in ("kick-in", "snare-top", "overhead-left", "overhead-right")}
    kick = np.concatenate((np.zeros(100), stems["kick-in"][:-100]))
    some["snare-top"] = some["snare-top"] + 0.7 * kick
    found = search(tracks_of(some | {"rack-tom-1": 1.5 * late + noise}))

    assert len(times(found, "rack-tom-1")) == 0
    assert f_measure(true_times(truth, "snare"), times(found, "snare"), 0.010) > 0.9


def test_a_snare_that_never_comes_without_hats_or_ride_is_no_bleed_of_theirs() -> None:
    """A slow groove, quarter notes on the hats, then on the ride: the snare is the first to be heard now and then."""
    rng = np.random.default_rng(1)
    strokes = []
    for bar in range(12):
        for beat_number, instrument in ((0, "kick"), (1, "snare"), (1.5, "kick"), (3, "snare")):
            at_s = 0.5 + (4 * bar + beat_number) * 0.75 + rng.normal(0.0, 0.004)
            strokes.append(hit(at_s, instrument, min(1.0, 0.85 + rng.normal(0.0, 0.05))))
            if beat_number != 1.5:
                strokes.append(hit(at_s + rng.normal(0.0, 0.004), "hi-hat" if bar < 7 else "ride", 0.8))
        if bar % 4 == 3:
            toms = ("rack-tom-1", "rack-tom-2", "floor-tom")
            strokes += [hit(0.5 + (4 * bar + 3.25 + k / 4) * 0.75, tom, 0.8) for k, tom in enumerate(toms)]
    stems, truth = played(strokes)
    found = search(tracks_of(stems))

    for drum in ("kick", "snare", "hi-hat", "ride", "rack-tom-1", "rack-tom-2", "floor-tom"):
        assert f_measure(true_times(truth, drum), times(found, drum), 0.010) > 0.9, drum


def test_kick_snare_and_one_overhead_are_enough(simple: Take) -> None:
    """With three mics kick and snare are still found."""
    tracks, truth = simple
    found = search({r: tracks[r] for r in ("kick-in", "snare-top", "overhead-left")})

    for drum in ("kick", "snare"):
        # one false stroke in eight is tolerated: nothing tells hats from ghost notes with one mic beside them
        assert f_measure(true_times(truth, drum), times(found, drum), 0.010) >= 0.88


# ------------------------------------------------------------------------------------------ single matters
@pytest.mark.parametrize("gap_s", [0.022, 0.030])
def test_flams_are_two_strokes(gap_s: float) -> None:
    """A grace note 22 or 30 ms before the main stroke is kept."""
    main = [s for s in beat() if s.instrument == "snare"]
    stems, truth = played([*beat(), *(hit(s.time_s - gap_s, "snare", 0.45) for s in main)])
    found = search(tracks_of(stems))

    assert f_measure(true_times(truth, "snare"), times(found, "snare"), 0.010) >= 0.97  # one of 16 may fail


def test_ring_is_not_a_second_stroke() -> None:
    """Each drum struck alone and left to ring for a second gives one stroke each time."""
    drums = ("kick", "snare", "rack-tom-1", "floor-tom") * 3
    stems, _ = played(hit(0.5 + 1.1 * k, drum, 0.9) for k, drum in enumerate(drums))
    found = search(tracks_of(stems))

    assert {d: len(times(found, d)) for d in set(drums)} == dict.fromkeys(drums, 3)


def test_ghost_notes_far_under_the_backbeat_are_found() -> None:
    """Ghost notes 30 dB under the backbeat, in peak, each in a gap of the hats, are found, and nothing else."""
    stems, truth = played(beat())
    n = len(stems["snare-top"])
    soft = tuple(hit(0.5 + (4 * bar + 1.75) * BEAT_S, "snare", 0.1) for bar in range(4))
    spec = TakeSpec(plan=NO_PLAN, noise=False, gain_db=truth.gain_db, strokes=soft, length_s=n / truth.rate_hz)
    ghosts, ghost_truth = render_take(spec)
    backbeat = median_peak(stems["snare-top"], true_times(truth, "snare"))
    factor = backbeat / median_peak(ghosts["snare-top"], true_times(ghost_truth, "snare")) * 10.0 ** (-30.0 / 20.0)
    found = search(tracks_of({role: x + factor * ghosts[role] for role, x in stems.items()}))

    everything = np.sort(np.concatenate((true_times(truth, "snare"), true_times(ghost_truth, "snare"))))
    assert len(everything) == 12
    assert f_measure(everything, times(found, "snare"), 0.010) == 1.0


def test_the_sample_rate_does_not_matter() -> None:
    """44.1, 48 and 96 kHz give the same hits of kick and snare; hats may differ by two in 24."""
    found = {}
    for rate_hz in (44100, 48000, 96000):
        stems, _ = played(beat(3), rate_hz=rate_hz)
        found[rate_hz] = search(tracks_of(stems, rate_hz))

    for rate_hz in (44100, 96000):
        for drum, at_least in (("kick", 1.0), ("snare", 1.0), ("hi-hat", 0.91)):
            # 1 ms, and two hats: the modelled strokes themselves differ a little from rate to rate
            same = f_measure(times(found[48000], drum), times(found[rate_hz], drum), 0.001)
            assert same >= at_least, (rate_hz, drum)


def test_silence_and_noise_have_no_hits() -> None:
    """Nothing is found where nothing is played."""
    rng = np.random.default_rng(1)
    roles = ("kick", "snare-top", "hi-hat", "overhead-left")

    assert search(tracks_of({r: synth.silence(3.0) for r in roles})) == ()
    assert search(tracks_of({r: synth.room_tone(3.0, -60.0, rng) for r in roles})) == ()
    assert search(tracks_of({r: synth.silence(0.01) for r in roles})) == ()
