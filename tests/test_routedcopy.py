"""Routed copies: a channel's own hiss a second time, and all that repeats itself without one."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import signal

import findkit
import synth
from findkit import file_of, grave, the, told
from kitproof.measure.routedcopy import PIECE_S, copy_in_noise, find_routed_copies
from kitproof.observed.chain import RoutedCopy
from kitproof.observed.room import Reflection

SECONDS = 1.5
RATE = synth.RATE_HZ


def hiss(seed=1, seconds=SECONDS, rate_hz=RATE):
    """A quiet channel: room noise with little treble, the hiss of a preamp."""
    rng = np.random.default_rng(seed)
    return synth.room_tone(seconds, -70.0, rng, rate_hz) + synth.noise(seconds, -82.0, rng, rate_hz)


def with_copy(x, delay_ms, gain, rate_hz=RATE):
    n = round(delay_ms * 1e-3 * rate_hz)
    out = x.copy()
    out[n:] += gain * x[:-n]
    return synth.quantised(out, 24)


def heard(x, rate_hz=RATE):
    n = round(PIECE_S * rate_hz)
    return copy_in_noise([x[i : i + n] for i in range(0, len(x) - n + 1, n)], rate_hz)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize(("delay_ms", "gain"), [(2.9, 0.5), (12.3, -0.3), (38.0, 0.1)])
def test_a_copy_of_the_hiss_is_found_with_its_delay_level_and_sign(delay_ms, gain, rate_hz):
    """To the sample; the level within 1.5 dB, which is what ten stretches of noise tell of a copy at -20 dB."""
    found = heard(with_copy(hiss(rate_hz=rate_hz), delay_ms, gain, rate_hz), rate_hz)

    assert found is not None
    delay_s, level_db, inverted = found
    assert delay_s == pytest.approx(1e-3 * delay_ms, abs=1.01 / rate_hz)
    assert level_db == pytest.approx(20.0 * np.log10(abs(gain)), abs=1.5)
    assert inverted == (gain < 0.0)


@pytest.mark.parametrize("rate_hz", [16000, 20000])
def test_a_rate_without_treble_tells_nothing(rate_hz):
    """The highest band is what tells a copy from a room, so there is none without it."""
    assert heard(with_copy(hiss(rate_hz=rate_hz), 12.3, 0.5, rate_hz), rate_hz) is None


@pytest.mark.parametrize("seed", range(2, 6))
def test_hiss_alone_holds_no_copy(seed):
    """New at every sample."""
    assert heard(synth.quantised(hiss(seed), 24)) is None


def test_a_fan_and_its_echo_from_a_wall_are_no_copy():
    """They have no treble, and the hiss of the preamp does not come back."""
    rng = np.random.default_rng(7)
    fan = signal.sosfilt(signal.butter(2, 3000.0, fs=RATE, output="sos"), rng.standard_normal(round(SECONDS * RATE)))
    echoed = with_copy(synth.scaled(fan, -55.0), 9.0, 0.6)

    assert heard(echoed + synth.noise(SECONDS, -82.0, rng)) is None


@pytest.mark.parametrize("every_ms", [1.0, 10.0])
def test_pulses_that_come_again_and_again_are_no_copy(every_ms):
    """A digital line, a dimmer: 1000 and 100 in a second."""
    x = hiss(8)
    x[:: round(every_ms * 1e-3 * RATE)] += 0.002

    assert heard(x) is None


def test_hum_is_no_copy():
    """It repeats itself, but has no treble."""
    assert heard(hiss(9) + synth.tone([(SECONDS, -50.0)], hz=100.0)) is None


def view(x, quiet_runs) -> Any:
    brief = SimpleNamespace(quiet_runs=quiet_runs)
    return SimpleNamespace(file="a.wav", rate_hz=RATE, brief=brief, read=lambda start, n: x[start : start + n])


def test_only_rests_are_listened_to_and_half_a_second_is_needed():
    """Drums repeat themselves; digital silence says nothing."""
    x = with_copy(hiss(10, 3.0), 12.0, 0.3)
    runs = ((0.2, 1.6), (2.0, 2.9))
    (found,) = find_routed_copies(view(x, runs))

    assert (found.delay_ms, found.inverted) == (pytest.approx(12.0, abs=0.03), False)
    assert list(find_routed_copies(view(x, ((0.2, 0.6),)))) == []
    assert list(find_routed_copies(view(np.zeros(3 * RATE), runs))) == []


# ------------------------------------------------------------------------------------------------ judged
def copied(role="snare-top", delay_ms=12.3, level_db=-10.5, inverted=False):
    return RoutedCopy(file=file_of(role), delay_ms=delay_ms, level_db=level_db, inverted=inverted)


def judged(*records):
    return told(findkit.kit() | {"faults": records})


def test_one_path_into_several_channels_is_one_finding():
    """The loudest comes first; another delay is another path."""
    found = the(judged(copied("ride", level_db=-20.0), copied()), "routed-copy")

    assert (found.severity, found.files) == ("fix", (file_of("snare-top"), file_of("ride")))
    assert (found.value, found.unit) == (12.3, "ms")
    two = judged(copied("ride", level_db=-20.0, delay_ms=5.0), copied())
    assert grave(two) == [("fix", "routed-copy"), ("look", "routed-copy")]
    assert grave(judged(copied(level_db=-33.0))) == []


def test_a_click_that_comes_twice_is_not_judged():
    """Only mics of the kit are."""
    with_click = findkit.kit((*findkit.ROLES, "click"))
    assert grave(told(with_click | {"faults": (copied("click"),)})) == []


def test_an_echo_whose_hiss_comes_back_too_is_no_wall():
    """It is said once."""
    role = "overhead-left"
    echo = Reflection(
        file=file_of(role), kind="echo", n_drums=6, delay_ms=12.4, level_db=-10.0, share=1.0, again_db=None,
        unmeasured={"again_db": "not there"},
    )  # fmt: skip

    assert [f.code for f in judged(echo).findings] == ["slap"]
    assert [f.code for f in judged(echo, copied(role)).findings] == ["routed-copy"]
