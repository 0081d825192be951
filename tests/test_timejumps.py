"""Time jumps: a channel moved from some moment on, and what makes a channel sound otherwise without moving it."""

import numpy as np
import pytest

import findkit
import synth
from findkit import file_of, grave, the, told
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.onsets import OnsetMeter
from kitproof.measure.timejumps import beginnings, time_jumps
from kitproof.measure.views import TakeView
from kitproof.observed.identity import LineUp
from kitproof.observed.timing import TimeJump

SECONDS, HALF_S = 20.0, 10.0
MICS = ("kick", "snare-top", "hi-hat", "ride", "overhead-left", "overhead-right")
DRUMS = {"kick": "kick", "snare": "snare-top", "hi-hat": "hi-hat", "ride": "ride"}
# how much later, in ms, each mic hears kick, snare, hats and ride
DELAY_MS = {"kick": (0.0, 2.0, 2.5, 2.6), "snare-top": (2.0, 0.0, 1.2, 2.2), "hi-hat": (2.5, 1.2, 0.0, 3.1),
            "ride": (2.6, 2.2, 3.1, 0.0), "overhead-left": (3.0, 2.4, 2.1, 3.5),
            "overhead-right": (3.1, 2.5, 3.4, 2.0)}  # fmt: skip


def played(seed):
    """Four drums on an eighth-note grid, none of them steady, and another groove in the second half."""
    rng = np.random.default_rng(seed)
    grid = np.arange(0.5, SECONDS - 0.5, 0.28)
    late = rng.normal(0.0, 0.006, (4, len(grid)))
    half = grid > HALF_S
    on = [np.where(half, rng.random(len(grid)) < p, rng.random(len(grid)) < q)
          for p, q in ((0.5, 0.4), (0.35, 0.5), (0.6, 0.5), (0.4, 0.5))]  # fmt: skip
    return [grid[o] + shift[o] for o, shift in zip(on, late, strict=True)]


def take(moved=(), jump_ms=0.0, seed=1):
    """What time_jumps is given; the channels of `moved` come `jump_ms` later from half-way on."""
    times, tracks = played(seed), {}
    for k, mic in enumerate(MICS):
        rng = np.random.default_rng(100 * seed + k)
        x = synth.room_tone(SECONDS, -80.0, rng)
        for j, t in enumerate(times):
            near = -6.0 if DELAY_MS[mic][j] == 0.0 else -26.0
            at = t + 1e-3 * DELAY_MS[mic][j]
            x += synth.strokes(at, seconds=SECONDS, hz=(70.0, 200.0, 900.0, 1500.0)[j], peak_dbfs=near, rng=rng)
        if mic in moved:
            n, half = round(jump_ms * 1e-3 * synth.RATE_HZ), round(HALF_S * synth.RATE_HZ)
            x[half:] = np.roll(x[half:], n)
        meter = OnsetMeter(synth.RATE_HZ)
        for block in synth.blocks(x, 1 << 16):
            meter.push(block)
        tracks[file_of(mic)] = meter.result()
    drums = {}
    for (drum, mic), t in zip(DRUMS.items(), times, strict=True):
        shift = 1e-3 * jump_ms if mic in moved else 0.0  # strokes are timed by their own mic
        t = np.sort(t + np.where(t > HALF_S, shift, 0.0))
        drums[drum] = DrumTimes(
            drum=drum, own_file=file_of(mic), time_s=t, strength=np.ones(len(t)), clear=np.ones(len(t), bool)
        )
    whole = findkit.kit(MICS)["take"]
    return TakeView(
        take=whole, kit=whole.channels, own={d: file_of(m) for d, m in DRUMS.items()}, drums=drums, tracks=tracks,
        pairs=(), clues=(),
    )  # fmt: skip


def found(view):
    """Channel and size of every jump that is judged to be one."""
    records = tuple(time_jumps(view))
    judgement = told(findkit.kit(MICS) | {"faults": records})
    return {f.files[0]: f.value for f in judgement.findings if f.code == "channel-jump"}


@pytest.mark.parametrize(("mic", "jump_ms"), [("overhead-left", -6.0), ("snare-top", 20.0), ("hi-hat", -45.0)])
def test_a_channel_that_jumps_is_the_only_one_that_does(mic, jump_ms):
    """Also where it is the mic that others are timed by; to within a bin and its neighbour, 0.5 ms."""
    assert found(take((mic,), jump_ms)) == {file_of(mic): pytest.approx(jump_ms, abs=0.5)}


@pytest.mark.parametrize("seed", [2, 3])
def test_another_groove_in_the_second_half_is_no_jump(seed):
    """The patterns change, but where they fit best is where they were."""
    assert found(take(seed=seed)) == {}


def test_a_mic_that_moves_by_a_hand_is_left_to_others():
    """1 ms is the way of sound over 34 cm."""
    assert found(take(("overhead-right",), 1.0)) == {}


def test_silence_and_a_short_track_begin_nowhere():
    """And nothing is divided by nothing."""
    meter = OnsetMeter(synth.RATE_HZ)
    meter.push(synth.silence(0.5))

    assert not beginnings(meter.result()).any()


# ------------------------------------------------------------------------------------------------ judged
def jump(role="overhead-left", **changes):
    fields = {"time_s": 30.0, "jump_ms": -20.0, "fit": 0.8, "fit_unmoved": 0.02, "n_drums": 4, "n_agreeing": 4}
    return TimeJump(file=file_of(role), **(fields | changes))


def judged(*records):
    return told(findkit.kit() | {"faults": records})


def test_a_jump_says_where_and_by_how_much():
    """Four drums make it grave, three a matter for a look."""
    f = the(judged(jump()), "channel-jump")

    assert (f.severity, f.files, f.value, f.times_s) == ("fix", (file_of("overhead-left"),), -20.0, (30.0,))
    assert "20.00 ms earlier" in f.message
    assert the(judged(jump(n_agreeing=3)), "channel-jump").severity == "look"
    assert the(judged(jump(fit=0.5)), "channel-jump").severity == "look"  # a short take, in which all agree


@pytest.mark.parametrize(
    "changes",
    [
        {"jump_ms": 1.4},  # a mic that moved
        {"fit": 0.55, "n_agreeing": 3},  # clean takes come so far
        {"fit": 0.4},  # even if all agree
        {"fit_unmoved": 0.3},  # as good a fit where it was
        {"n_agreeing": 2},  # so many agree by chance
        {"n_agreeing": 3, "n_drums": 7},  # the others say otherwise
        {"role": "kick"},  # hears no edges of the others
    ],
)
def test_what_may_be_none_is_not_named(changes):
    """One doubt is enough."""
    assert grave(judged(jump(**changes))) == []


def test_a_stem_that_jumps_is_not_called_a_stem_of_another_take_too():
    """After the jump its onsets meet the others' by chance."""
    rows = [
        LineUp(file=file_of(r), n_onsets=100, share=0.1 if r == "rack-tom-1" else 0.9)
        for r in ("snare-top", "snare-bottom", "hi-hat", "ride", "rack-tom-1", "overhead-right")
    ]
    assert [code for _, code in grave(judged(*rows))] == ["foreign-stem"]
    assert [code for _, code in grave(judged(jump("rack-tom-1"), *rows))] == ["channel-jump"]
