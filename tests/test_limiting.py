"""Limiters: strokes that end at one height in one mic and differ in the others, and what only looks like it."""

from dataclasses import replace

import numpy as np
import pytest

from findkit import file_of, grave, kit, the, told
from kitproof.measure.limiting import HeightMeter, Heights, lone, of_moments, of_strokes
from kitproof.measure.onsets import OnsetMeter
from kitproof.model import ChannelFaults, Hum, Plateau
from kitproof.observed.chain import HeldBack
from synth import RATE_HZ, amplitude, blocks, noise, strokes

SECONDS = 16.0
TIMES = np.arange(0.5, 15.5, 0.6)
MICS = {"overhead-left": -20.0, "overhead-right": -21.0, "room-left": -26.0, "floor-tom": -30.0}


def heights(x, file="snare-top.wav"):
    meter = HeightMeter(RATE_HZ, file)
    for block in blocks(x, 5000):
        meter.push(block)
    (found,) = meter.records()
    return found


def track(x):
    meter = OnsetMeter(RATE_HZ)
    meter.push(x)
    return meter.result()


def played(peaks_dbfs, rng, *, spread_db=0.0):
    """One mic's strokes, each off by a little: where the stick lands is heard otherwise everywhere."""
    off = rng.normal(0.0, spread_db, len(TIMES)) if spread_db else 0.0
    return strokes(TIMES, seconds=SECONDS, peak_dbfs=peaks_dbfs + off, hz=190.0)


def others(strength_db, rng, *, spread_db=0.5):
    return {
        role: track(played(level + strength_db, rng, spread_db=spread_db) + noise(SECONDS, -85.0, rng))
        for role, level in MICS.items()
    }


def limited(strength_db, *, over_db, spread_db, rng):
    """Peaks of the own mic at -6 dBFS and below, the loudest `over_db` held down to within `spread_db`."""
    ceiling = np.max(strength_db) - over_db
    held = np.minimum(strength_db, ceiling)
    return -6.0 + held - ceiling - np.where(strength_db > ceiling, rng.uniform(0.0, spread_db, len(held)), 0.0)


def said(record):
    return grave(told(kit() | {"faults": (record,)} if record is not None else kit()))


# ------------------------------------------------------------------------------------------------ a drum's mic
@pytest.mark.parametrize(("over_db", "spread_db"), [(12.0, 0.1), (6.0, 0.1), (12.0, 0.9)])
def test_a_limiter_is_seen_by_what_the_other_mics_go_on_to_hear(over_db, spread_db):
    """Hard or with some overshoot: the strokes end at one height and differ elsewhere by what it takes off."""
    rng = np.random.default_rng(1)
    strength = rng.uniform(-14.0, 0.0, len(TIMES))
    ends = limited(strength, over_db=over_db, spread_db=spread_db, rng=rng)

    found = of_strokes(heights(played(ends, rng)), "snare", TIMES, others(strength, rng))

    assert found is not None
    held = ends >= ends.max() - found.within_db
    assert found.n_held == held.sum()
    true_range = np.ptp(np.quantile(strength[held], (0.1, 0.9)))
    assert found.range_db == pytest.approx(true_range, abs=1.0)  # the mics' own spread of 0.5 dB on either end
    assert said(found) == [("look", "limited")]


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("wide_db", [0.2, 1.0, 4.0, 14.0])
def test_an_open_mic_is_never_limited(wide_db, seed):
    """Steady or lively strokes: what the own mic hears, the others hear too, each a decibel off at random."""
    rng = np.random.default_rng(10 + seed)
    strength = rng.uniform(-wide_db, 0.0, len(TIMES))
    own = heights(played(-6.0 + strength, rng, spread_db=0.3))

    assert said(of_strokes(own, "snare", TIMES, others(strength, rng, spread_db=1.0))) == []


def test_strokes_that_are_one_sample_played_again_are_no_limiter():
    """All mics then hear the same stroke, but for the hats on top of it."""
    rng = np.random.default_rng(4)
    own = heights(played(np.full(len(TIMES), -6.0), rng))

    found = of_strokes(own, "snare", TIMES, others(np.zeros(len(TIMES)), rng, spread_db=0.2))

    assert found is not None  # the heap is there
    assert found.n_held == len(TIMES)
    assert said(found) == []


def test_places_on_the_head_that_all_other_mics_hear_alike_are_no_limiter():
    """Off-centre strokes: the same at the own mic, up to 2 dB softer or louder in all others together."""
    rng = np.random.default_rng(5)
    strength = rng.uniform(-1.0, 1.0, len(TIMES))
    own = heights(played(-6.0 + rng.uniform(-0.25, 0.0, len(TIMES)), rng))

    assert said(of_strokes(own, "snare", TIMES, others(strength, rng))) == []


def test_two_mics_are_too_few_to_tell():
    """They could not be held against one another."""
    rng = np.random.default_rng(6)
    strength = rng.uniform(-14.0, 0.0, len(TIMES))
    own = heights(played(limited(strength, over_db=12.0, spread_db=0.1, rng=rng), rng))
    two = dict(list(others(strength, rng).items())[:2])

    assert of_strokes(own, "snare", TIMES, two) is None


def test_strokes_next_to_another_shell_are_left_out():
    """What they add to the other mics is not known."""
    own, other = np.array([1.0, 2.0, 2.03, 3.0, 4.0]), np.array([0.95, 3.02])

    assert lone(own, other).tolist() == [2.0, 4.0]


def test_silence_has_no_heap():
    """Nothing was struck, or nothing heard."""
    silent = heights(np.zeros(RATE_HZ))

    assert of_strokes(silent, "snare", np.zeros(0), {}) is None
    assert of_strokes(Heights(file="a", peak_dbfs=np.zeros(0, np.float32), per_s=200.0), "snare", TIMES, {}) is None
    assert of_moments(silent, [silent, silent]) is None


# ----------------------------------------------------------------------------------------------- a distant mic
def far(peaks_dbfs, file):
    return heights(strokes(TIMES, seconds=SECONDS, peak_dbfs=peaks_dbfs, hz=600.0), file)


def test_a_limited_overhead_ends_at_one_height_whatever_is_struck():
    """The other overhead and the rooms hear that the moments differ."""
    rng = np.random.default_rng(7)
    strength = rng.uniform(-12.0, 0.0, len(TIMES))
    mic = far(limited(strength, over_db=11.0, spread_db=0.1, rng=rng), file_of("overhead-left"))
    rest = [far(-9.0 + strength + rng.normal(0.0, 1.0, len(TIMES)), str(k)) for k in range(3)]

    found = of_moments(mic, rest)

    assert found is not None
    assert found.drum is None
    assert said(found) == [("look", "limited")]


@pytest.mark.parametrize("seed", range(2))
def test_an_open_overhead_is_not_limited(seed):
    """Drums lie elsewhere in every distant mic, so the same height here may be 3 dB more or less there."""
    rng = np.random.default_rng(20 + seed)
    strength = rng.uniform(-12.0, 0.0, len(TIMES))
    rest = [far(-9.0 + strength + rng.normal(0.0, 3.0, len(TIMES)), str(k)) for k in range(3)]

    assert said(of_moments(far(-6.0 + strength, file_of("overhead-left")), rest)) == []


# ------------------------------------------------------------------------------------------------ the finding
HELD = HeldBack(
    file=file_of("kick"), drum="kick", within_db=0.3, ceiling_dbfs=-4.0, n_held=20, n_as_loud=18, n_held_as_loud=18,
    range_db=8.0, agreement=0.97, times_s=(1.0, 2.0),
)  # fmt: skip


def test_the_finding_says_how_much_the_strokes_differ_elsewhere():
    """With the height at which they end, and asks before it blames."""
    finding = the(told(kit() | {"faults": (HELD,)}), "limited")

    assert (finding.severity, finding.value, finding.n_times) == ("look", -4.0, 20)
    assert "20 strokes of the kick end within 0.3 dB" in finding.message
    assert "8.0 dB in the other mics" in finding.message
    assert finding.action.startswith("Ask whether")


@pytest.mark.parametrize(
    "weak",
    [
        {"n_held": 7, "range_db": 4.0},
        {"n_held": 5},
        {"range_db": 2.5},
        {"agreement": 0.5},
        {"n_as_loud": 30},
        {"within_db": 1.0, "range_db": 5.0},
        {"drum": None, "range_db": 5.0},
    ],
)
def test_weak_evidence_is_none(weak):
    """Few strokes, a small range, mics that disagree, strokes as loud that are not held, a wide heap."""
    assert said(replace(HELD, **weak)) == []


def ceiling(plateau):
    hum = Hum(fundamental_hz=None, spread_hz=None, lines=(), level_dbfs=None, confidence=None,
              unmeasured=dict.fromkeys(Hum.NULLABLE, "none"))  # fmt: skip
    return ChannelFaults(file=file_of("kick"), plateaus=(plateau,), gaps=(), hum=hum)


FLAT = Plateau(side="positive", ceiling_dbfs=-4.0, spread_db=0.02, n_tops=30, n_moments=20, times_s=(1.0,),
               confidence=0.95, n_beside=400, n_level=390)  # fmt: skip


def test_what_is_cut_off_flat_is_clipping_and_not_a_limiter():
    """A ceiling holds the strokes back as well; its tops are flat."""
    assert [code for _, code in grave(told(kit() | {"faults": (HELD, ceiling(FLAT))}))] == ["clipping"]


def test_fewer_strokes_do_where_the_wave_itself_ends_at_one_height():
    """Six heaped peaks and a ceiling that tops reach with one sample each bear one another out."""
    single = replace(FLAT, n_tops=9, n_moments=6, n_beside=1, n_level=0)
    few = replace(HELD, n_held=6, n_as_loud=6, n_held_as_loud=6, range_db=4.0)

    both = told(kit() | {"faults": (few, ceiling(single))})
    assert [code for _, code in grave(both)] == ["limited"]
    assert "differ by 4.0 dB in the other mics" in the(both, "limited").message
    assert [code for _, code in grave(told(kit() | {"faults": (few, ceiling(replace(single, n_level=1)))}))] == [
        "clipping"
    ]


def test_heights_do_not_depend_on_the_blocks():
    """Cut anywhere, the peaks are the same, and they are those of the wave."""
    x = 0.5 * np.sin(np.arange(RATE_HZ) * 0.05)
    whole, cut = HeightMeter(RATE_HZ, "a"), HeightMeter(RATE_HZ, "a")
    whole.push(x)
    for block in blocks(x, 777):
        cut.push(block)

    assert cut.records()[0].peak_dbfs.tolist() == whole.records()[0].peak_dbfs.tolist()
    # a peak between two samples is missed by less than cos(0.025), 0.003 dB
    assert amplitude(float(whole.records()[0].peak_dbfs.max())) == pytest.approx(0.5, rel=4e-4)
