"""Air at a kick mic: puffs are found, lows that repeat and rumble are not."""

import numpy as np
import pytest
from scipy import signal

import findkit
from findkit import file_of, the, told
from kitproof.measure.air import FEWEST, LEAD_S, TAIL_S, kick_air, lone_strokes
from kitproof.measure.excerpts import DrumTimes
from kitproof.observed.room import KickAir
from kitproof.reasons import SILENT

RATE_HZ = 2000.0
T = np.arange(round((LEAD_S + TAIL_S) * RATE_HZ)) / RATE_HZ - LEAD_S


def kick(n=16, *, low_hz=60.0, tau_s=0.06, seed=4):
    """Strokes of different strength, each the same damped wave."""
    rng = np.random.default_rng(seed)
    wave = np.where(T >= 0.0, np.sin(2.0 * np.pi * low_hz * T) * np.exp(-np.maximum(T, 0.0) / tau_s), 0.0)
    return rng.uniform(0.3, 1.0, (n, 1)) * wave


def puffs(n=16, level=0.3, seed=9):
    """One half wave to one side, 3 to 9 ms after the beater, each of its own length and strength, with turbulence."""
    rng = np.random.default_rng(seed)
    sos = signal.butter(2, (5.0, 60.0), "bandpass", fs=RATE_HZ, output="sos")
    rows = []
    for _ in range(n):
        since, length = T - rng.uniform(0.003, 0.009), rng.uniform(0.02, 0.07)
        half = np.where(since > 0.0, np.sin(np.pi * np.clip(since / length, 0.0, 1.0)), 0.0)
        storm = signal.sosfilt(sos, rng.standard_normal(len(T)) * ((since > 0.0) & (since < 0.12)))
        rows.append(rng.lognormal(0.0, 0.4) * half + 0.5 * storm / np.abs(storm).max())
    return level * np.array(rows)


def judged(record):
    return told(findkit.kit() | {"faults": (record,)})


def test_air_that_pushes_the_capsule_is_found():
    """10 dB under the kick's peak, every puff otherwise."""
    found = kick_air(file_of("kick"), kick() + puffs(), RATE_HZ)

    f = the(judged(found), "port-air")
    assert f.value == found.air_db
    assert "ribbon" in f.action  # a blast tears ribbons: the caution belongs to the finding
    assert found.one_sided > 0.3


@pytest.mark.parametrize("low_hz", [22.0, 30.0, 45.0])
def test_a_low_fundamental_repeats_and_is_no_air(low_hz):
    """The trap: a true fundamental is there below 25 Hz with every stroke, and is the same but for its strength."""
    found = kick_air(file_of("kick"), kick(low_hz=low_hz, tau_s=0.1), RATE_HZ)

    assert found.uneven == pytest.approx(0.0, abs=0.01)  # exact but for rounding and the filter's ends
    assert judged(found).findings == ()


def test_a_rumble_that_is_there_at_any_time_is_no_air():
    """Traffic at the level of the puffs."""
    sos = signal.butter(2, (4.0, 20.0), "bandpass", fs=RATE_HZ, output="sos")
    rumble = signal.sosfilt(sos, np.random.default_rng(3).standard_normal((16, 3 * len(T))), axis=1)[:, -len(T) :]
    found = kick_air(file_of("kick"), kick() + 0.2 * rumble / rumble.std(), RATE_HZ)

    assert abs(found.over_before_db) < 6.0  # the same before as after, but for the chance of 16 strokes
    assert judged(found).findings == ()


def test_turbulence_to_both_sides_is_not_called_air():
    """A stand that shakes swings to both sides."""
    shaken = puffs() * np.where(np.arange(16) % 2 == 0, 1.0, -1.0)[:, None]

    assert judged(kick_air(file_of("kick"), kick() + shaken, RATE_HZ)).findings == ()


def test_silence_says_so():
    """No sound, no figure."""
    assert kick_air("k", np.zeros((12, len(T))), RATE_HZ).unmeasured["air_db"] == SILENT


def test_only_lone_loud_strokes_are_taken():
    """Doubles still have the air of the stroke before; ghost strokes make none."""
    time_s = np.array([1.0, 2.0, 2.1, 3.0, 4.0, 5.0])
    strength = np.array([1.0, 1.0, 1.0, 1.0, 0.1, 1.0])
    times = DrumTimes(drum="kick", own_file="k", time_s=time_s, strength=strength, clear=np.ones(6, bool))

    assert lone_strokes(times).tolist() == [1.0, 3.0, 5.0]


def test_unmeasured_air_is_no_finding():
    """Too few strokes."""
    names = dict.fromkeys(KickAir.NULLABLE)
    record = KickAir(file=file_of("kick"), n_strokes=FEWEST - 1, **names, unmeasured=dict.fromkeys(names, "few"))

    assert judged(record).findings == ()
