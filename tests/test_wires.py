"""Snare wires that answer other drums: heard through hats and spill, and not where there are none."""

import numpy as np
import pytest
from scipy import signal

import synth
from kitproof.measure.onsets import OnsetMeter
from kitproof.measure.wires import Mics, chosen_strokes, high_power, wire_buzz

RATE_HZ = 48000
SECONDS = 18.0
LEVEL_DB = 2.5  # the window ends before the burst does; noise of 80 ms scatters by 1 dB
BAR_S = 2.0
TIMES = {
    "kick": 1.0 + np.sort(np.concatenate([BAR_S * np.arange(8), 1.25 + BAR_S * np.arange(8)])),
    "snare": 1.5 + np.arange(16.0),
    "hi-hat": 1.0 + 0.25 * np.arange(64),
}  # the kick always comes with the hat
OWN, HAT_HERE, KICK_HERE, HAT_THERE, SNARE_THERE, KICK_THERE = 0.3, 0.01, 0.01, 0.1, 0.1, 0.003


def noises(n):
    """(n, 0.4 s) noise of the wires' band, RMS 1."""
    sos = signal.butter(2, (1800.0, 8000.0), "bandpass", fs=RATE_HZ, output="sos")
    raw = signal.sosfilt(sos, np.random.default_rng(7).standard_normal((n, round(0.4 * RATE_HZ))), axis=1)
    return raw / np.sqrt(np.mean(raw**2, axis=1, keepdims=True))


NOISE = noises(12)


def burst(decay_s, gain, rng, rise_s=0.0005):
    """Noise of the wires' band that decays by 20 dB in a time."""
    t = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    shape = (1.0 - np.exp(-t / rise_s)) * 10.0 ** (-t / decay_s)
    wave = NOISE[rng.integers(len(NOISE))]
    return gain * wave * shape


def placed(x, times_s, make):
    for t in times_s:
        at = round(t * RATE_HZ)
        wave = make()[: len(x) - at]
        x[at : at + len(wave)] += wave


def take(*, wires_db=None, drum="kick", times=TIMES, hats_here=HAT_HERE, late_kick=0.0, tom_s=0.03, seed=1):
    """Snare mic, overhead and the struck drum's own mic. `wires_db`: bursts after its strokes, against the snare's."""
    rng = np.random.default_rng(seed)
    here, there, own = (synth.room_tone(SECONDS, db, rng) for db in (-78.0, -72.0, -75.0))
    for name, mine, far, decay_s in (
        ("snare", OWN, SNARE_THERE, 0.08), ("hi-hat", hats_here, HAT_THERE, 0.1), ("kick", KICK_HERE, KICK_THERE, 0.02),
        ("floor-tom", 0.02, 0.01, tom_s),
    ):  # fmt: skip
        state = int(rng.integers(1 << 30))
        for x, gain in ((here, mine), (there, far)):
            source = np.random.default_rng(state)
            placed(x, times.get(name, ()), lambda g=gain, d=decay_s, r=source: burst(d, g, r))
    placed(own, times[drum], lambda: burst(tom_s if drum == "floor-tom" else 0.02, 0.3, rng))
    if late_kick:
        placed(here, times[drum], lambda: burst(0.3, late_kick, rng))
        placed(there, times[drum], lambda: burst(0.3, 5.0 * late_kick, rng))
        placed(own, times[drum], lambda: burst(0.3, 0.1, rng))
    if wires_db is not None:
        gain = OWN * 10.0 ** (wires_db / 20.0)
        placed(here, times[drum] + 0.004, lambda: burst(0.2, gain, rng, rise_s=0.004))
    return [_power(x) for x in (here, there, own)]


def _power(x):
    meter = OnsetMeter(RATE_HZ)
    meter.push(x)
    track = meter.result()
    return high_power(track), track.frames_per_s


def buzz(tracks, drum="kick", times=TIMES, distant=True):
    (here, rate), (there, _), (own, _) = tracks
    snare = np.concatenate([here[round(t * rate) : round((t + 0.06) * rate)] for t in times["snare"]])
    mics = Mics(here, own, [there] if distant else [], rate)
    return wire_buzz("snare-bottom.wav", drum, times[drum], times, mics, float(snare.mean()))


@pytest.mark.parametrize("wires_db", [-10.0, -20.0])
def test_wires_that_answer_the_kick_are_heard_under_hats(wires_db):
    """A hat comes with every kick; the wires' bursts still stand out, 10 and 20 dB under the snare's own strokes."""
    found = buzz(take(wires_db=wires_db))

    # burst and own strokes both decay, over other windows: 3 dB less after 40 to 120 ms, 3 dB less within 60
    assert found.level_db == pytest.approx(wires_db - 2.0, abs=LEVEL_DB + 1.0)
    assert found.share > 0.8
    assert found.over_spill_db > 6.0
    assert not found.alone


@pytest.mark.parametrize("hats_here", [0.01, 0.05])
def test_hats_struck_with_the_kick_are_not_wires(hats_here):
    """Hats that come with every kick, faint and strong in the snare's mic: the overhead hears them too."""
    found = buzz(take(hats_here=hats_here))

    assert found.share < 0.2
    assert found.over_spill_db < 3.0


def test_spill_that_rings_on_in_the_room_is_not_wires():
    """A kick whose own click lasts, in the overhead as well."""
    found = buzz(take(late_kick=0.01))

    assert found.share < 0.2


def test_toms_are_heard_in_a_fill():
    """Four floor tom strokes 150 ms apart, every other bar: the wires answer, the next stroke notwithstanding."""
    fills = np.concatenate([4.6 + 4.0 * k + 0.15 * np.arange(3) for k in range(3)])
    in_fill = [np.abs(TIMES["hi-hat"][:, None] - fills[None, :]).min(axis=1) < 0.2]
    times = TIMES | {
        "floor-tom": fills,
        "snare": TIMES["snare"][np.abs(TIMES["snare"][:, None] - fills[None, :]).min(axis=1) > 0.3],
        "hi-hat": TIMES["hi-hat"][~in_fill[0]],
        "kick": TIMES["kick"][np.abs(TIMES["kick"][:, None] - fills[None, :]).min(axis=1) > 0.2],
    }
    quiet = buzz(take(times=times, drum="floor-tom"), "floor-tom", times)
    ringing = buzz(take(times=times, drum="floor-tom", tom_s=0.1), "floor-tom", times)
    found = buzz(take(times=times, wires_db=-15.0, drum="floor-tom"), "floor-tom", times)

    assert (found.n_strokes, found.alone) == (9, True)
    assert found.share > 0.8
    assert quiet.share < 0.2
    assert ringing.share < 0.2  # a tom that sounds long itself, nearer to the snare than to the overhead


def test_a_drum_that_never_sounds_without_the_snare_has_no_figure():
    """Kick and snare in unison: nobody can tell whose wires they are."""
    times = TIMES | {"kick": TIMES["snare"] + 0.002}
    found = buzz(take(times=times), times=times)

    assert found.level_db is None
    assert found.unmeasured["level_db"] == "never struck without the snare near it"


def test_without_a_distant_mic_there_is_no_figure():
    """Nothing tells the wires from the drum itself."""
    found = buzz(take(wires_db=-10.0), distant=False)

    assert "distant mic" in found.unmeasured["share"]


def test_strokes_without_any_cymbal_are_preferred():
    """Five strokes alone are enough; four are not, and cymbals are allowed."""
    kick = 1.0 + np.arange(10.0)
    hats = kick[5:] + 0.01

    chosen, alone = chosen_strokes("kick", kick, {"kick": kick, "hi-hat": hats})
    assert (len(chosen), alone) == (5, True)
    chosen, alone = chosen_strokes("kick", kick, {"kick": kick, "hi-hat": kick[4:] + 0.01})
    assert (len(chosen), alone) == (10, False)
