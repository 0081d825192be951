"""What is said of tuning, ring and wires, how gravely, and when nothing is."""

from dataclasses import replace

import pytest

import findkit
from findkit import file_of, grave, the, told
from kitproof.observed.instrument import DrumRing, SympatheticRing, WireBuzz, WireShare

RING = DrumRing(
    drum="rack-tom-1", file=file_of("rack-tom-1"), n_strokes=20, late_hz=112.2, late_spread_cents=3.0, late_n=18,
    late_from_s=0.9, pitch="A2", pitch_cents=34.0, decay_s=1.8, decay_range_db=30.0, beat_hz=None, early_hz=140.0,
    early_spread_cents=40.0, early_soft_hz=128.0, early_hard_hz=146.0, glide_semitones=2.3, drift_cents=2.0,
    drift_error_cents=2.0, drift_span_s=50.0, drift_from="late", unmeasured={"beat_hz": "no second tone"},
)  # fmt: skip
TOMS = ("rack-tom-1", "rack-tom-2", "floor-tom")
BUZZ = WireBuzz(
    file=file_of("snare-bottom"), drum="floor-tom", n_strokes=12, alone=True, level_db=-20.0, over_noise_db=25.0,
    over_spill_db=15.0, share=0.9, times_s=(10.0, 20.0),
)  # fmt: skip

ALONG = SympatheticRing(
    file=file_of("floor-tom"), drum="floor-tom", by="kick", n_strokes=16, level_db=-25.0, rise_db=22.0, tone_db=25.0
)  # fmt: skip

SHARE = WireShare(
    file=file_of("snare-bottom"), n_strokes=48, share_db=-8.0, step_db=-0.2, step_time_s=30.0, scatter_db=0.3,
    overlap=0.3, rest=0.95, drum_step_db=0.1,
)  # fmt: skip


def judged(*records):
    return told(findkit.kit() | {"faults": records})


def of(drum, **changes):
    return replace(RING, drum=drum, file=file_of(drum), **changes)


def test_a_steady_drum_is_no_finding():
    """Two cents of drift, a second or two of ring: nothing to say."""
    assert [f.code for f in judged(RING).findings] == []


@pytest.mark.parametrize(("cents", "severity"), [(-30.0, "look"), (40.0, "look"), (-60.0, "fix")])
def test_a_drum_that_went_off_is_graver_the_further_it_went(cents, severity):
    """From 25 cents on a decision, surely over 50 a fault."""
    f = the(judged(replace(RING, drift_cents=cents)), "tuning-drift")

    assert (f.severity, f.value, f.unit, f.drum) == (severity, cents, "cents", "rack-tom-1")
    assert ("down" if cents < 0.0 else "up") in f.message


def test_a_drift_within_its_errors_is_chance():
    """Thirty cents, known to fifteen."""
    assert grave(judged(replace(RING, drift_cents=-30.0, drift_error_cents=15.0))) == []


def test_the_pitch_of_strokes_needs_a_larger_drift_than_the_late_ring():
    """Forty cents of a snare, followed by its strokes, may be their place."""
    snare = replace(RING, drum="snare", file=file_of("snare-top"), drift_from="early")

    assert grave(judged(replace(snare, drift_cents=-40.0))) == []
    assert grave(judged(replace(snare, drift_cents=-80.0))) == [("look", "tuning-drift")]


def test_drums_that_move_together_are_the_room():
    """Three toms, all down by about as much: one note for all of them."""
    f = the(judged(*(of(d, drift_cents=c) for d, c in zip(TOMS, (-30.0, -40.0, -35.0), strict=True))), "tuning-drift")

    assert f.severity == "note"
    assert set(f.files) == {file_of(d) for d in TOMS}


def test_drums_that_move_apart_are_each_their_own():
    """One up, one down, one still."""
    found = judged(of("rack-tom-1", drift_cents=-40.0), of("rack-tom-2", drift_cents=40.0), of("floor-tom"))

    assert grave(found) == [("look", "tuning-drift")] * 2


def test_drums_that_ring_long_share_one_note():
    """Six and five seconds to fall by 60 dB."""
    f = the(judged(of("rack-tom-1", decay_s=5.0), of("rack-tom-2", decay_s=6.0), of("floor-tom")), "ring")

    assert (f.severity, f.value, f.unit) == ("note", 6.0, "s")
    assert len(f.files) == 2


def test_wires_that_answer_are_named_with_the_drum():
    """The louder drum comes first, both are in the sentence."""
    f = the(judged(BUZZ, replace(BUZZ, drum="kick", level_db=-30.0)), "snare-buzz")

    assert (f.severity, f.value, f.drum) == ("note", -20.0, "floor-tom")
    assert "floor tom" in f.message
    assert "kick" in f.message


def test_wires_as_loud_as_ghost_notes_are_a_decision():
    """Twelve decibels under the snare's own strokes."""
    assert grave(judged(replace(BUZZ, level_db=-12.0))) == [("look", "snare-buzz")]


@pytest.mark.parametrize(
    "changes",
    [{"share": 0.3}, {"over_spill_db": 3.0}, {"over_noise_db": 5.0}, {"n_strokes": 4}, {"level_db": -45.0}],
)  # fmt: skip
def test_unsure_wires_are_not_spoken_of(changes):
    """Few of the strokes, hardly over spill or noise, too few strokes, too faint."""
    assert judged(replace(BUZZ, **changes)).findings == ()


def test_wires_that_could_not_be_heard_are_no_finding():
    """No figure, no finding."""
    names = dict.fromkeys(WireBuzz.NULLABLE, "never struck without the snare near it")
    empty = replace(BUZZ, level_db=None, over_noise_db=None, over_spill_db=None, share=None, unmeasured=names)

    assert judged(empty).findings == ()


@pytest.mark.parametrize(("level_db", "severity"), [(-25.0, "note"), (-10.0, "look")])
def test_a_tom_that_rings_along_is_named_with_what_sets_it_off(level_db, severity):
    """The louder of two drums is the one named; ten decibels under its own strokes it is a decision."""
    f = the(judged(replace(ALONG, level_db=level_db), replace(ALONG, by="snare", level_db=-32.0)), "sympathetic-ring")

    assert (f.severity, f.value, f.drum) == (severity, level_db, "floor-tom")
    assert "kick" in f.message


@pytest.mark.parametrize("changes", [{"tone_db": 8.0}, {"rise_db": 3.0}, {"level_db": -45.0}, {"n_strokes": 5}])
def test_what_is_no_clear_tone_after_the_stroke_is_not_ringing_along(changes):
    """Another drum's skirt, a tone that was there before, a faint one, too few strokes."""
    assert judged(replace(ALONG, **changes)).findings == ()


def test_steady_wires_are_no_finding():
    """Two tenths of a decibel."""
    assert judged(SHARE).findings == ()


@pytest.mark.parametrize(("step_db", "word"), [(-6.0, "less"), (5.0, "more")])
def test_wires_that_slipped_are_a_decision(step_db, word):
    """Fewer or more from half a minute on, the drum being the same; it may be meant, so it is never a fix."""
    f = the(judged(replace(SHARE, step_db=step_db, rest=0.3, overlap=0.0)), "snares-loose")

    assert (f.severity, f.value, f.times_s) == ("look", step_db, (30.0,))
    assert f"{word} of the wires" in f.message


@pytest.mark.parametrize("changes", [{"rest": 0.8}, {"drum_step_db": -6.0}, {"step_db": -2.0}, {"overlap": 0.3}])
def test_no_clear_step_of_the_wires_alone_is_not_spoken_of(changes):
    """Scatter as large as the step, strokes on the rim, a step within what strokes differ by."""
    assert judged(replace(SHARE, **({"step_db": -6.0, "rest": 0.3, "overlap": 0.0} | changes))).findings == ()
