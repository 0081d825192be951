"""Identity: every close mic against what its name promises, from made-up voices and from a modelled kit."""

from dataclasses import replace

import numpy as np
import pytest

import findkit as k
from kitproof.find.judgement import rightly_named
from kitproof.measure.identity import ring_pitch
from kitproof.measure.identity_lineup import line_up, onsets_of
from kitproof.model import Finding
from kitproof.observed.identity import LineUp, MicVoice

RATE_HZ = 2000.0
# role -> tilt, body, fall of the low and of the high end, pitch: the middle of what kits measure
VOICES = {
    "kick": (24.0, -9.0, -31.0, -45.0, 60.0), "snare-top": (24.0, 3.0, -35.0, -22.0, 205.0),
    "hi-hat": (-9.0, 6.0, -20.0, -30.0, None), "rack-tom-1": (18.0, 1.0, -8.0, -38.0, 123.0),
    "rack-tom-2": (18.0, 2.0, -8.0, -38.0, 94.0), "floor-tom": (17.0, 0.0, -9.0, -34.0, 69.0),
    "ride": (-10.0, 6.0, -4.0, -6.0, None),
}  # fmt: skip


def voice(role, sounds_like=None, **changes):
    """The voice of one mic."""
    tilt, body, low, high, pitch = VOICES[sounds_like or role]
    reasons = dict.fromkeys(("pitch_hz", "pitch_agreement"), "a cymbal") if pitch is None else {}
    v = MicVoice(
        file=k.file_of(role), n_loud=20, n_first=14, n_strokes=14, behind_ms=-0.5, tilt_db=tilt, body_db=body,
        low_fall_db=low, high_fall_db=high, pitch_hz=pitch, pitch_agreement=None if pitch is None else 1.0,
        unmeasured=reasons,
    )  # fmt: skip
    return replace(v, **changes)


def unplayed(role):
    """The voice of a mic whose drum nobody hits."""
    names = ("tilt_db", "body_db", "low_fall_db", "high_fall_db", "pitch_hz", "pitch_agreement")
    nothing = dict.fromkeys(names)
    return voice(role, n_strokes=0, n_first=0, unmeasured=dict.fromkeys(names, "not hit"), **nothing)


def told(**other):
    """Judgement of a take whose mics sound like their names, but for those given."""
    voices = {role: voice(role) for role in VOICES}
    voices |= {role.replace("_", "-"): v for role, v in other.items()}
    return k.told(k.kit() | {"faults": tuple(voices.values())})


def named(judgement):
    """Files of every finding of a wrong name."""
    return [set(f.files) for f in judgement.findings if f.code == "mislabelled-channel"]


def exchanged(*roles):
    """Voices of channels whose names went round."""
    turned = (*roles[1:], roles[0])
    return {r.replace("-", "_"): voice(r, sounds) for r, sounds in zip(roles, turned, strict=True)}


def test_mics_that_sound_like_their_names_are_left_alone():
    assert named(told()) == []


@pytest.mark.parametrize(
    "roles",
    [
        ("kick", "floor-tom"), ("rack-tom-1", "floor-tom"), ("rack-tom-1", "rack-tom-2"), ("snare-top", "rack-tom-1"),
        ("kick", "snare-top"), ("hi-hat", "ride"), ("hi-hat", "snare-top"), ("ride", "floor-tom"), ("kick", "hi-hat"),
    ],
)  # fmt: skip
def test_two_exchanged_names_are_found_and_no_third(roles):
    assert named(told(**exchanged(*roles))) == [{k.file_of(r) for r in roles}]


def test_three_names_that_went_round_are_one_finding():
    roles = ("kick", "floor-tom", "snare-top")
    assert named(told(**exchanged(*roles))) == [{k.file_of(r) for r in roles}]


def test_toms_tuned_nearly_alike_may_be_tuned_either_way():
    """Within a semitone the order of pitch is the drummer's business."""
    near = told(rack_tom_1=voice("rack-tom-1", pitch_hz=97.0), rack_tom_2=voice("rack-tom-2", pitch_hz=100.0))
    assert named(near) == []


def test_a_kick_that_rings_and_a_damped_floor_tom_are_a_style():
    """An undamped kick, as jazz has it, beside a floor tom with a towel on it: neither fits better as the other."""
    style = told(kick=voice("kick", low_fall_db=-9.0), floor_tom=voice("floor-tom", low_fall_db=-22.0))
    assert named(style) == []


def test_drums_nobody_hits_are_not_judged():
    silent = {r.replace("-", "_"): unplayed(r) for r in ("rack-tom-1", "rack-tom-2", "floor-tom", "ride")}
    assert named(told(**silent)) == []


def test_a_kick_heard_under_the_name_of_a_tom_nobody_hits_is_worth_a_look():
    judgement = told(floor_tom=voice("floor-tom", "kick"), kick=unplayed("kick"))
    assert named(judgement) == [{"kick.wav", "floor-tom.wav"}]
    assert k.the(judgement, "mislabelled-channel").severity == "look"


def test_an_unplayed_tom_that_may_be_the_other_half_keeps_anyone_from_being_accused():
    """Rack tom 1's pitch under the floor tom's name, and nothing under rack tom 1's: rack tom 2 is not to blame."""
    found = named(told(floor_tom=voice("floor-tom", "rack-tom-1"), rack_tom_1=unplayed("rack-tom-1")))
    assert all(k.file_of("rack-tom-2") not in files for files in found)


def test_what_follows_from_a_wrong_name_is_not_said_as_well():
    name = Finding(
        code="mislabelled-channel", severity="fix", files=("kick.wav", "floor-tom.wav"), message="", action=""
    )
    follows = replace(name, code="polarity", files=("overhead-left.wav",), drum="kick")
    apart = replace(name, code="polarity", files=("snare-bottom.wav",), drum="snare")
    assert rightly_named(k.kit()["take"], [name, follows, apart]) == [name, apart]


# ---------------------------------------------------------------- the measures
def rung(hz, times_s, decay_s=0.4, seconds=8.0):
    """The low end of a drum that rings at one pitch, struck at some times."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    x = np.zeros(len(t))
    for at in times_s:
        later = t >= at
        x[later] += np.exp(-(t[later] - at) / decay_s) * np.sin(2.0 * np.pi * hz * (t[later] - at))
    return x.astype(np.float32)


@pytest.mark.parametrize("hz", [52.0, 69.0, 123.0, 210.0])
def test_the_pitch_of_a_ring_is_found_within_a_third_of_a_semitone(hz):
    """Lines of 0.37 s are 5 Hz wide; a peak is placed within a quarter of that."""
    times = np.array([1.0, 3.0, 5.0])
    pitch, agreement = ring_pitch(rung(hz, times), RATE_HZ, times)
    assert pitch == pytest.approx(hz, abs=1.3)
    assert agreement == 1.0


def test_strokes_in_quick_succession_do_not_hide_the_pitch():
    """A fill in sixteenths at 104: every ring but the last is cut into by the next stroke."""
    times = 1.0 + 0.144 * np.arange(6)
    pitch, _ = ring_pitch(rung(88.0, times), RATE_HZ, times)
    assert pitch == pytest.approx(88.0, abs=3.0)  # half a semitone


def test_noise_and_silence_ring_at_no_pitch():
    rng = np.random.default_rng(4)
    times = np.array([1.0, 2.0, 3.0, 4.0])
    assert ring_pitch(rng.standard_normal(16000).astype(np.float32), RATE_HZ, times) is None
    assert ring_pitch(np.zeros(16000, np.float32), RATE_HZ, times) is None


# ---------------------------------------------------------------- stems of another take
def lined_up(roles=k.ROLES, **shares):
    """Line-ups of a take; channels not named meet the others nearly always."""
    given = {role.replace("_", "-"): s for role, s in shares.items()}
    return tuple(LineUp(file=k.file_of(r), n_onsets=60, share=given.get(r, 0.9)) for r in roles)


def strangers(records, spread_ms=2.0):
    """Severity and file of every stem said to be of another take.

    spread_ms : of all arrivals at or from a stem that meets the others less than half of the time
    """
    kit, apart = k.kit(), {r.file for r in records if r.share < 0.5}
    pairs = [replace(p, delay_spread_ms=spread_ms) if {p.a, p.b} & apart else p for p in kit["pairs"]]
    judgement = k.told(kit | {"faults": records, "pairs": tuple(pairs)})
    return [(f.severity, *f.files) for f in judgement.findings if f.code == "foreign-stem"]


def test_a_stem_that_meets_the_others_by_chance_is_not_of_this_take():
    assert strangers(lined_up(ride=0.05)) == [("fix", "ride.wav")]
    assert strangers(lined_up(snare_top=0.3)) == [("look", "snare-top.wav")]
    assert strangers(lined_up()) == []


def test_a_stem_whose_strokes_arrive_elsewhere_in_time_is_of_this_take():
    """Accents that come with the hats have no edges of their own in the other mics; that they arrive is enough."""
    assert strangers(lined_up(snare_top=0.3), spread_ms=0.1) == []
    assert strangers(lined_up(snare_top=0.3), spread_ms=0.6) == [("look", "snare-top.wav")]


def test_a_second_mic_is_not_accused_with_the_first():
    """The bottom mic of a snare meets the top mic above all; with another take's top mic it is left with few."""
    assert strangers(lined_up(snare_top=0.31, snare_bottom=0.29)) == [("look", "snare-top.wav")]


def test_of_two_mics_of_a_drum_that_do_not_meet_either_may_be_the_stranger():
    """With another take's top mic the strokes are that take's, and it is the bottom mic that meets nobody."""
    assert strangers(lined_up(snare_bottom=0.1)) == [("fix", "snare-bottom.wav", "snare-top.wav")]


def test_a_kick_mic_that_hears_no_edges_is_not_accused():
    assert strangers(lined_up(kick=0.1)) == []


def test_where_no_mic_lines_up_nobody_is_accused():
    """Three mics far from one another, or brushes: there is no common ground to be foreign to."""
    assert strangers(lined_up(**{r.replace("-", "_"): 0.25 for r in k.ROLES})) == []


def struck(times_s, levels_db, lag_s=0.0, seconds=40.0):
    """Edge levels of a mic in bins of half a millisecond: strokes that fall by 60 dB in 60 ms over a floor."""
    level = np.full(round(seconds * 2000), -90.0, np.float32)
    fall = -0.5 * np.arange(120)
    for t, db in zip(times_s, levels_db, strict=True):
        at = round((t + lag_s) * 2000)
        level[at : at + 120] = np.maximum(level[at : at + 120], db + fall)
    return level


def test_mics_of_one_room_line_up_and_a_stranger_at_the_same_tempo_does_not():
    """The stranger plays the same beats, each 10 ms off (standard deviation), as two takes to a click do."""
    rng = np.random.default_rng(7)
    beats = 1.0 + 0.29 * np.arange(120) + rng.normal(0.0, 0.01, 120)
    again = 1.0 + 0.29 * np.arange(120) + rng.normal(0.0, 0.01, 120)
    loud = rng.uniform(-20.0, -12.0, 120)
    levels = {"a": struck(beats, loud), "b": struck(beats, loud - 8.0, 0.0045), "c": struck(again, loud)}
    onsets = {f: onsets_of(level) for f, level in levels.items()}
    assert line_up("a", onsets).share > 0.9
    assert line_up("c", onsets).share < 0.34  # the limit of a look


def test_silence_has_no_line_up():
    quiet = np.full(4000, -130.0, np.float32)
    assert line_up("a", {"a": onsets_of(quiet), "b": onsets_of(quiet)}).unmeasured["share"]
