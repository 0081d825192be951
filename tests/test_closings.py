"""Gates that only turn a mic down, and falls that no gate makes."""

from dataclasses import replace

import numpy as np
import pytest

from findkit import file_of, grave, kit, the, told
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.onsets import OnsetMeter
from kitproof.measure.processed import closings, find_closing
from kitproof.measure.views import TakeView
from kitproof.observed.chain import Closing
from synth import noise, strokes

RATE_HZ, SECONDS = 48000, 16.0
OWN = np.arange(0.5, 15.5, 1.0)
FOREIGN = np.arange(1.0, 15.5, 1.0)
EVERY = np.sort(np.concatenate((OWN, FOREIGN)))


def mic(rng, *, decay_s=0.08, own_s=OWN, floor_dbfs=-80.0):
    """A close mic: its own strokes with wires, another drum's between them, and room."""
    own = strokes(own_s, seconds=SECONDS, peak_dbfs=-10.0, hz=190.0, decay_s=decay_s, rng=rng)
    wires = strokes(own_s, seconds=SECONDS, peak_dbfs=-30.0, hz=3100.0, decay_s=0.6 * decay_s, rng=rng, stick=2.0)
    other = strokes(FOREIGN, seconds=SECONDS, peak_dbfs=-45.0, hz=90.0, decay_s=0.08, rng=rng)
    return own + wires + other + noise(SECONDS, floor_dbfs, rng)


def turned_down(x, depth_db, *, hold_s=0.15, release_s=0.03):
    """Open from just before each own stroke, then down by so much within release_s."""
    gain_db = np.full(len(x), -depth_db)
    for t in OWN:
        first, last = round((t - 0.001) * RATE_HZ), round((t + hold_s) * RATE_HZ)
        gain_db[first:last] = 0.0
        n = round(release_s * RATE_HZ)
        gain_db[last : last + n] = np.linspace(0.0, -depth_db, n)
    return x * 10.0 ** (gain_db / 20.0)


def found(x, *, own_s=OWN, every_s=EVERY):
    meter = OnsetMeter(RATE_HZ)
    meter.push(x)
    return find_closing(file_of("snare-top"), meter.result(), own_s, every_s)


def said(record):
    return grave(told(kit() | {"faults": (record,)} if record is not None else kit()))


@pytest.mark.parametrize("hold_s", [0.06, 0.2])
@pytest.mark.parametrize("depth_db", [20.0, 30.0, 60.0])
def test_a_gate_that_turns_down_is_seen_by_its_corner(depth_db, hold_s):
    """Sound is left behind, but all of it falls at once after every stroke."""
    closing = found(turned_down(mic(np.random.default_rng(1)), depth_db, hold_s=hold_s))

    assert closing is not None
    assert closing.n_followed == len(OWN)
    assert closing.n_closed >= len(OWN) - 1
    # what is certain is less than the depth: the ring was falling before, and some bands end in the noise
    assert 0.5 * depth_db < closing.depth_db < depth_db + 2.0
    assert said(closing) == [("look", "gated")]


@pytest.mark.parametrize("decay_s", [0.01, 0.03, 0.08, 0.3])
@pytest.mark.parametrize("floor_dbfs", [-80.0, -120.0])
def test_a_ring_has_no_corner(decay_s, floor_dbfs):
    """Damped to nothing or open, over a noisy room or none."""
    closing = found(mic(np.random.default_rng(2), decay_s=decay_s, floor_dbfs=floor_dbfs))

    assert closing is not None
    assert closing.n_closed <= 1
    assert said(closing) == []


def test_a_hand_that_stops_the_ring_is_no_gate():
    """The ring dies within 30 ms; room, wires and the other drums stay."""
    rng = np.random.default_rng(3)
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    since = t - OWN[np.clip(np.searchsorted(OWN, t, "right") - 1, 0, None)]
    hand = np.clip((since - 0.15) / 0.03, 0.0, 1.0)
    ring = strokes(OWN, seconds=SECONDS, peak_dbfs=-10.0, hz=120.0, decay_s=0.4, rng=rng)

    closing = found(ring * 10.0 ** (-40.0 * hand / 20.0) + mic(rng, decay_s=0.05))

    assert closing is not None
    assert said(closing) == []


def test_the_end_of_another_sound_is_no_gate():
    """Rolls and other drums struck meanwhile: what rises falls again, so little is followed through them."""
    rng = np.random.default_rng(4)
    roll = np.arange(0.5, 15.0, 0.06)

    assert said(found(mic(rng, own_s=roll, decay_s=0.02), own_s=roll, every_s=roll)) == []


def test_no_strokes_give_nothing():
    """Nothing is followed."""
    assert found(np.zeros(RATE_HZ), own_s=np.zeros(0), every_s=np.zeros(0)) is None
    assert found(np.zeros(RATE_HZ // 10), own_s=np.array([0.05]), every_s=np.array([0.05])) is None


@pytest.mark.parametrize("role", ["kick", "snare-top", "rack-tom-4", "floor-tom-2"])
def test_every_drum_with_a_head_is_looked_at(role):
    """The second floor tom as the first, but not the hats, which fall at once when they are closed."""
    meter = OnsetMeter(RATE_HZ)
    meter.push(turned_down(mic(np.random.default_rng(5)), 30.0))
    take = kit(("kick", "hi-hat"))["take"]
    here, hats = take.channels
    names = {"snare" if role == "snare-top" else role: here.file, "hi-hat": hats.file}
    drums = {
        name: DrumTimes(drum=name, own_file=file, time_s=OWN, strength=np.ones(len(OWN)), clear=OWN > 0.0)
        for name, file in names.items()
    }
    view = TakeView(
        take=take, kit=(replace(here, role=role), hats), own=names, drums=drums,
        tracks=dict.fromkeys(names.values(), meter.result()), pairs=(), clues=(),
    )  # fmt: skip

    assert [c.file for c in closings(view)] == [here.file]


CLOSING = Closing(file=file_of("kick"), n_followed=40, n_closed=35, depth_db=22.0, times_s=(1.0, 2.0))


def test_the_finding_says_by_how_much_and_how_often():
    """With a way out."""
    finding = the(told(kit() | {"faults": (CLOSING,)}), "gated")

    assert (finding.severity, finding.value, finding.n_times) == ("look", 35.0, 35)
    assert "22.0 dB" in finding.message
    assert "35 of 40 strokes" in finding.message


@pytest.mark.parametrize("weak", [{"n_closed": 5, "n_followed": 6}, {"n_closed": 12}])
def test_a_few_falls_are_nothing(weak):
    """Less than six, or less than half."""
    assert said(replace(CLOSING, **weak)) == []
