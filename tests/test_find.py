"""What the measurements mean: findings, one bent thing at a time, on a take without a fault."""

from dataclasses import replace

import pytest

import findkit as k
import samples
from kitproof.errors import KitproofError
from kitproof.find import Thresholds, judge
from kitproof.find.judgement import once, sounding
from kitproof.model import Hit

MINUS = "\u2212"


# ---------------------------------------------------------------- nothing is wrong
def test_a_take_without_a_fault_is_kept_without_a_finding():
    judgement = k.told(k.kit())
    assert judgement.findings == ()
    assert judgement.verdict.word == "keep"
    assert judgement.verdict.red_lines == ()


@pytest.mark.parametrize("roles", [("kick", "snare-top", "overhead-left"), k.ROLES[:8], ("snare-top",)])
def test_smaller_setups_are_not_blamed_for_what_they_lack(roles):
    assert k.told(k.kit(roles)).findings == ()


def test_what_is_fine_is_said_with_numbers_and_at_most_five_times():
    good = k.told(k.kit()).verdict.good
    assert 3 <= len(good) <= 5
    assert any(f"{MINUS}8.0 dBFS" in s for s in good)
    assert any("hi-hat side left" in s for s in good)


def test_the_same_records_give_the_same_judgement():
    assert k.told(k.kit()) == k.told(k.kit())


@pytest.mark.parametrize("silent", [True, False])
@pytest.mark.parametrize("n_channels", [1, 6, 14, 21])
def test_any_records_give_texts_without_holes_and_values_with_confidence(n_channels, silent):
    m, _ = samples.take(n_channels=n_channels, silent=silent, seed=n_channels)
    j = judge(m.take, m.channels, m.drums, m.hits, m.bleed, m.pairs)
    for f in j.findings:
        assert f.message.endswith(".")
        assert f.action.endswith(".")
        assert not {"None", "nan", "{"} & set(f.message.split())
        assert "-0" not in f.message  # numbers carry the true minus
        assert 0.0 <= f.confidence <= 1.0
        assert set(f.files) <= {c.file for c in m.take.channels}
    assert len(j.not_checked) <= 10
    assert len(j.verdict.red_lines) <= 3
    assert all(j.findings[i].severity == "fix" for i in j.verdict.red_lines)


# ---------------------------------------------------------------- files
def test_a_file_at_another_rate_is_named_and_the_majority_is_not():
    f = k.the(k.told(k.with_facts(k.kit(), "ride", rate_hz=44100, n_frames=44100 * 60)), "format-mismatch")
    assert (f.severity, f.files, f.value, f.unit) == ("fix", ("ride.wav",), 44100.0, "Hz")


def test_a_converted_file_of_the_same_length_is_not_also_short():
    # 60 s at 44.1 kHz, one frame over: what a resampler leaves
    records = k.with_facts(k.kit(), "ride", rate_hz=44100, n_frames=44100 * 60 + 1)
    assert [f.code for f in k.told(records).findings] == ["format-mismatch"]


@pytest.mark.parametrize(
    ("facts", "true_hz"),
    [
        ({"rate_hz": 44100}, 48000.0),  # the others' frames under another number
        ({"n_frames": 44100 * 60}, 44100.0),  # 60 s at 44.1 kHz, called 48 kHz
        ({"n_frames": 96000 * 60 + 1}, 96000.0),
    ],
)
def test_a_rate_that_does_not_fit_the_length_is_a_wrong_number_in_the_header(facts, true_hz):
    """One finding in place of a wrong rate and a wrong length; the cure is another one."""
    found = k.told(k.with_facts(k.kit(), "ride", **facts)).findings

    assert [(f.code, f.severity, f.value) for f in found] == [("rate-flag", "fix", true_hz)]


def test_a_file_that_is_merely_shorter_is_no_wrong_rate():
    """Eight per cent less, but not that of two sample rates."""
    found = k.told(k.with_facts(k.kit(), "ride", n_frames=44300 * 60)).findings

    assert [f.code for f in found] == ["length-mismatch"]


def test_without_a_majority_nobody_is_blamed_alone():
    records = k.kit(("kick", "snare-top"))
    records = k.with_facts(records, "kick", bit_depth=16, encoding="PCM_16")
    found = [f for f in k.told(records).findings if f.code == "format-mismatch"]
    assert {file for f in found for file in f.files} == {"kick.wav", "snare-top.wav"}


def test_sixteen_bits_in_a_24_bit_file_are_a_note():
    f = k.the(k.told(k.with_channel(k.kit(), "ride", used_bits=16)), "format-mismatch")
    assert f.severity == "note"


@pytest.mark.parametrize(("missing_s", "severity"), [(0.01, "note"), (0.2, "look"), (12.0, "fix")])
def test_a_short_file_weighs_by_what_is_missing(missing_s, severity):
    n = k.N_FRAMES - round(missing_s * k.RATE_HZ)
    f = k.the(k.told(k.with_facts(k.kit(), "overhead-left", n_frames=n, declared_frames=n)), "length-mismatch")
    assert f.severity == severity
    assert f.value == pytest.approx(-missing_s, abs=1e-4)  # to one frame
    assert "starts with the others" in f.message


def test_time_stamps_that_differ_are_found_across_rates():
    records = k.kit(("kick", "snare-top", "hi-hat"))
    for role in ("kick", "snare-top"):
        records = k.with_facts(records, role, time_reference_frames=k.RATE_HZ * 3600)
    late = k.with_facts(records, "hi-hat", time_reference_frames=k.RATE_HZ * 3601)
    f = k.the(k.told(late), "length-mismatch")
    assert (f.files, f.value) == (("hi-hat.wav",), pytest.approx(1.0))


@pytest.mark.parametrize(
    ("problem", "code"),
    [("unreadable", "unreadable-file"), ("empty", "unreadable-file"), ("truncated", "truncated-file"),
     ("damaged", "damaged-file")],
)  # fmt: skip
def test_a_broken_file_is_to_be_fixed_and_names_its_channel(problem, code):
    records = k.with_facts(k.kit(), "ride", problem=problem, n_frames=k.N_FRAMES // 2, problem_text="ends early.")
    f = k.the(k.told(records), code)
    assert (f.severity, f.files) == ("fix", ("ride.wav",))
    assert f.value == (pytest.approx(30.0) if problem == "truncated" else None)


# ---------------------------------------------------------------- life and level
NOISE_ONLY = {
    "sample_peak_dbfs": -60.7, "true_peak_dbtp": -60.2, "rms_dbfs": -74.0, "crest_db": 13.3, "noise_floor_dbfs": -74.1,
    "n_own_hits": 0,
}  # fmt: skip


@pytest.mark.parametrize("role", ["hi-hat", "snare-bottom", "room-left", "overhead-right"])
def test_a_channel_with_steady_noise_only_is_dead_and_nothing_else(role):
    found = k.told(k.with_channel(k.kit(), role, **NOISE_ONLY)).findings
    assert [(f.severity, f.code, f.files) for f in found] == [("fix", "dead-channel", (k.file_of(role),))]


def test_the_stub_of_a_file_is_cut_short_and_not_also_dead():
    """Twenty milliseconds of noise say nothing of the mic; that the file is a stub is said."""
    records = k.with_channel(k.kit(), "hi-hat", **NOISE_ONLY)
    assert k.the(k.told(records), "dead-channel").files == (k.file_of("hi-hat"),)
    stub = k.told(k.with_channel(records, "hi-hat", duration_s=0.02))
    assert "dead-channel" not in [f.code for f in stub.findings]


def test_a_channel_of_zeros_is_dead():
    assert k.the(k.told(k.silent(k.kit(), "kick")), "dead-channel").value is None


def test_a_tom_that_was_never_hit_is_not_dead_but_open():
    records = k.with_channel(k.kit(), "floor-tom", n_own_hits=0, hit_crest_db=None, unmeasured={"hit_crest_db": "none"})
    nothing = ("median_peak_dbfs", "softest_peak_dbfs", "loudest_peak_dbfs", "gate_window_db", "foreign_time_share")
    records = k.with_drum(
        records, "floor-tom", n_hits=0, unmeasured=dict.fromkeys(nothing, "none"), **dict.fromkeys(nothing)
    )
    judgement = k.told(records)
    assert judgement.findings == ()
    assert any("floor tom" in n.check for n in judgement.not_checked)


def test_quiet_room_mics_with_sound_in_them_are_neither_dead_nor_too_low():
    records = k.kit()
    for role in ("room-left", "room-right"):
        records = k.with_channel(records, role, sample_peak_dbfs=-36.0, true_peak_dbtp=-36.0, rms_dbfs=-60.0)
    assert k.told(records).findings == ()


@pytest.mark.parametrize("role", ["room-left", "overhead-right"])
def test_one_side_of_a_pair_far_under_the_other_is_too_low(role):
    records = k.with_channel(k.kit(), role, sample_peak_dbfs=-36.0, true_peak_dbtp=-36.0, rms_dbfs=-60.0)
    (f,) = k.told(records).findings
    assert (f.code, f.severity, f.files) == ("low-level", "look", (k.file_of(role),))


@pytest.mark.parametrize(("floor", "severity"), [(-110.0, "look"), (-78.0, "fix")])
def test_a_close_mic_recorded_too_low_weighs_by_its_hiss(floor, severity):
    records = k.with_channel(k.kit(), "floor-tom", sample_peak_dbfs=-45.0, true_peak_dbtp=-45.0, noise_floor_dbfs=floor)
    f = k.the(k.told(k.with_drum(records, "floor-tom", loudest_peak_dbfs=-45.0)), "low-level")
    assert (f.severity, f.value, f.unit) == (severity, -45.0, "dBFS")
    assert f"{MINUS}45.0 dBFS" in f.message


def test_a_take_that_is_quiet_throughout_is_no_more_than_noted():
    records = k.kit(("kick", "snare-top", "hi-hat"))
    for role, drum in (("kick", "kick"), ("snare-top", "snare"), ("hi-hat", "hi-hat")):
        records = k.with_channel(records, role, sample_peak_dbfs=-33.0, true_peak_dbtp=-33.0)
        records = k.with_drum(records, drum, loudest_peak_dbfs=-33.0)
    assert k.grave(k.told(records)) == []


def hit_times(records, drum):
    return [h.time_s for h in records["hits"] if h.drum == drum]


@pytest.mark.parametrize(
    ("role", "drum", "n", "severity"),
    [("kick", "kick", 3, "fix"), ("snare-bottom", "snare", 3, "fix"), ("rack-tom-1", "rack-tom-1", 3, "look"),
     ("overhead-left", "snare", 12, "fix"), ("overhead-left", "snare", 2, "look")],
)  # fmt: skip
def test_clipping_counts_strokes_and_not_samples(role, drum, n, severity):
    records = k.kit()
    f = k.the(k.told(k.clipped(role, records, hit_times(records, drum)[:n])), "clipping")
    assert (f.severity, f.n_times, f.value) == (severity, n, pytest.approx(-0.01))
    assert len(f.times_s) == n


def test_one_clipped_stroke_of_very_many_is_for_a_look():
    records = k.kit()
    more = tuple(
        Hit(
            time_s=100.0 + i, drum="kick", file="kick.wav", peak_dbfs=-12.0, crest_db=18.0, attack_ms=1.0,
            strength_db=0.0, confidence=0.9,
        )
        for i in range(100)
    )  # fmt: skip
    records["hits"] += more
    assert k.the(k.told(k.clipped("kick", records, [100.0])), "clipping").severity == "look"


def test_channels_near_full_scale_share_one_note():
    records = k.with_channel(k.with_channel(k.kit(), "kick", sample_peak_dbfs=-1.5), "ride", true_peak_dbtp=-2.0)
    f = k.the(k.told(records), "hot-level")
    assert (f.severity, f.files, f.value) == ("note", ("kick.wav", "ride.wav"), -1.5)


@pytest.mark.parametrize(("offset", "found"), [(0.012, True), (-0.002, True), (0.0005, False)])
def test_an_offset_above_minus_60_dbfs_is_found_with_its_sign(offset, found):
    judgement = k.told(k.with_channel(k.kit(), "hi-hat", dc_fraction=offset))
    assert [f.value for f in judgement.findings if f.code == "dc-offset"] == ([offset] if found else [])


@pytest.mark.parametrize(
    ("role", "floor", "found"),
    [
        ("rack-tom-2", -46.0, True),
        ("rack-tom-2", -62.0, False),
        ("room-left", -57.0, False),
        ("room-left", -50.0, True),
    ],
)
def test_noise_is_judged_against_the_others_and_rooms_may_have_more(role, floor, found):
    judgement = k.told(k.with_channel(k.kit(), role, noise_floor_dbfs=floor))
    assert k.grave(judgement) == ([("look", "noise")] if found else [])


def test_a_take_noisy_in_every_mic_blames_none_of_them():
    records = k.kit()
    for role in k.ROLES:
        records = k.with_channel(records, role, noise_floor_dbfs=-50.0)
    assert k.told(records).findings == ()


# ---------------------------------------------------------------- order, verdict, thresholds
def test_what_is_lost_stands_before_what_is_misplaced_and_notes_come_last():
    records = k.shifted(k.with_facts(k.kit(), "ride", problem="unreadable"), "overhead-right", 2.0)
    records = k.with_channel(records, "kick", sample_peak_dbfs=-1.0)
    assert [f.code for f in k.told(records).findings] == ["unreadable-file", "pair-offset", "hot-level"]


def test_a_dead_snare_mic_means_redo_and_a_dead_tom_mic_does_not():
    assert k.told(k.silent(k.kit(), "snare-top")).verdict.word == "redo"
    assert k.told(k.silent(k.kit(), "rack-tom-1")).verdict.word == "fix-and-redo"


def test_one_overhead_can_stand_in_for_the_other_but_none_for_both():
    one = k.silent(k.kit(), "overhead-left")
    assert k.told(one).verdict.word == "fix-and-redo"
    assert k.told(k.silent(one, "overhead-right")).verdict.word == "redo"


def test_a_kick_clipped_on_every_stroke_is_lost_and_on_three_is_not():
    records = k.kit()
    times = hit_times(records, "kick")
    assert k.told(k.clipped("kick", records, times)).verdict.word == "redo"
    assert k.told(k.clipped("kick", records, times[:3])).verdict.word == "fix-and-redo"


def test_a_wrong_file_alone_asks_for_no_new_take():
    verdict = k.told(k.with_facts(k.kit(), "ride", rate_hz=44100, n_frames=44100 * 60)).verdict
    assert verdict.word == "fix-and-redo"
    assert "one more take" not in verdict.sentence


def test_no_stroke_of_any_drum_means_unknown():
    records = k.kit() | {"hits": (), "drums": (), "pairs": (), "bleed": ()}
    assert k.told(records).verdict.word == "unknown"


def test_too_few_readable_channels_mean_unknown_or_worse():
    records = k.kit()
    judgement = k.told(records | {"channels": records["channels"][:3]})
    assert judgement.verdict.word == "unknown"
    assert any(n.check.startswith("everything on") for n in judgement.not_checked)


def test_at_most_three_red_lines_of_many():
    records = k.kit()
    for role in k.ROLES[3:8]:
        records = k.silent(records, role)
    verdict = k.told(records).verdict
    assert verdict.red_lines == (0, 1, 2)


def test_a_threshold_can_be_set_for_one_take():
    records = k.with_channel(k.kit(), "hi-hat", dc_fraction=0.002)
    limits = Thresholds().with_overrides({"dc_fraction": 0.01})
    assert judge(**records, limits=limits).findings == ()
    assert limits.as_settings()["dc_fraction"]["value"] == 0.01


@pytest.mark.parametrize("values", [{"no_such_thing": 1.0}, {"hot_dbfs": "loud"}, {"hot_dbfs": True}])
def test_an_override_that_is_none_is_refused_by_name(values):
    with pytest.raises(KitproofError, match=next(iter(values))):
        Thresholds().with_overrides(values)


def test_every_threshold_has_a_unit_a_reason_and_a_source():
    assert all(t.unit and t.reason and t.source for t in Thresholds())


def test_the_gravest_of_two_findings_on_one_matter_stays():
    f = k.the(k.told(k.with_channel(k.kit(), "hi-hat", dc_fraction=0.01)), "dc-offset")
    assert once([f, replace(f, severity="fix", confidence=0.6), replace(f, severity="note")]) == [
        replace(f, severity="fix", confidence=0.6)
    ]


def test_hum_explains_the_noise_of_its_own_channel_and_of_no_other():
    noise = k.the(k.told(k.with_channel(k.kit(), "hi-hat", noise_floor_dbfs=-46.0)), "noise")
    hum = replace(noise, code="hum")
    assert sounding([noise, hum]) == [hum]
    elsewhere = replace(hum, files=("kick.wav",))
    assert sounding([noise, elsewhere]) == [noise, elsewhere]
