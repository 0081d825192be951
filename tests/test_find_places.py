"""What delays, polarity, sides and bleed mean, one bent thing at a time, on a take without a fault."""

from dataclasses import replace

import pytest

import findkit as k
from kitproof.model import DelayCourse
from kitproof.reasons import ALREADY_SOUNDING

MINUS = "\u2212"


# ---------------------------------------------------------------- polarity
def test_a_snare_bottom_that_cancels_is_named_first_and_never_has_to_be_redone():
    records = k.with_pair(
        k.kit(), "snare-top", "snare-bottom", "snare", fuller="flip", fuller_db=-9.3, polarity="opposite"
    )
    judgement = k.told(records)
    f = k.the(judgement, "polarity")
    assert (f.severity, f.files) == ("look", ("snare-bottom.wav", "snare-top.wav"))
    assert "9.3 dB" in f.message
    assert judgement.verdict.word == "keep"


@pytest.mark.parametrize(
    "changes",
    [
        {"fuller_db": -9.0, "fuller_agreement": 0.6},  # not steady
        {"fuller_db": -4.0, "polarity": "same"},  # leans, and the first motion denies it
        {"fuller_db": -9.0, "delay_ms": 2.0},  # a delay of half a period cancels by itself
        {"fuller_db": -9.0, "n_hits": 2},
    ],
)
def test_a_cancellation_that_a_flip_does_not_explain_is_no_finding(changes):
    records = k.with_pair(k.kit(), "snare-top", "snare-bottom", "snare", fuller="flip", **changes)
    assert "polarity" not in [f.code for f in k.told(records).findings]


def test_a_leaning_cancellation_counts_if_the_first_motion_bears_it_out():
    records = k.with_pair(
        k.kit(), "snare-top", "snare-bottom", "snare", fuller="flip", fuller_db=-4.0, polarity="opposite"
    )
    weak = k.the(k.told(records), "polarity").confidence
    clear = k.with_pair(records, "snare-top", "snare-bottom", "snare", fuller_db=-12.0)
    assert weak < k.the(k.told(clear), "polarity").confidence


def test_first_motions_alone_never_make_a_finding():
    records = k.kit()
    records["pairs"] = tuple(replace(p, polarity="opposite", polarity_confidence=1.0) for p in records["pairs"])
    assert k.told(records).findings == ()


def flipped_overhead(role):
    records = k.kit()
    for drum in ("kick", "snare"):
        records = k.with_pair(records, "overhead-left", "overhead-right", drum, fuller="flip", fuller_db=-8.0)
    file = k.file_of(role)
    against = tuple(
        replace(p, polarity="opposite") if file in (p.a, p.b) and p.drum != "kick" else p for p in records["pairs"]
    )
    return records | {"pairs": against}


@pytest.mark.parametrize("role", ["overhead-left", "overhead-right"])
def test_an_inverted_overhead_is_to_be_fixed_and_the_odd_one_stands_first(role):
    f = k.the(k.told(flipped_overhead(role)), "polarity")
    assert (f.severity, f.files[0]) == ("fix", k.file_of(role))


def test_a_pair_that_cancels_on_one_drum_only_is_a_matter_of_place():
    records = k.with_pair(k.kit(), "overhead-left", "overhead-right", "snare", fuller="flip", fuller_db=-8.0)
    assert k.told(records).findings == ()


def test_three_strokes_of_each_drum_invert_an_overhead_and_three_of_one_ask_for_a_look():
    def judged(kick, snare):
        records = flipped_overhead("overhead-left")
        for drum, n in (("kick", kick), ("snare", snare)):
            records = k.with_pair(records, "overhead-left", "overhead-right", drum, n_hits=n)
        return k.the(k.told(records), "polarity")

    assert (judged(3, 3).severity, judged(2, 3).severity, judged(2, 20).severity) == ("fix", "look", "fix")
    assert judged(2, 3).confidence < judged(2, 20).confidence


UNPLACED = ("delay_ms", "delay_spread_ms", "path_cm", "polarity", "polarity_confidence", "first_notch_hz")


def unplaced(records, a, b, drum):
    """The same take, but for where the drum's first sound lies in these two: under the hats that always go with it."""
    reasons = dict.fromkeys(UNPLACED, "groups of hits disagree")
    return k.with_pair(records, a, b, drum, unmeasured=reasons, **dict.fromkeys(UNPLACED))


def test_an_inverted_overhead_is_found_by_the_kick_and_first_motions_where_no_delay_is_known():
    records = flipped_overhead("overhead-left")
    for drum in ("kick", "snare"):
        records = unplaced(records, "overhead-left", "overhead-right", drum)
    f = k.the(k.told(records), "polarity")
    assert (f.severity, f.files[0]) == ("fix", k.file_of("overhead-left"))


def test_kick_and_snare_that_both_cancel_without_a_known_delay_ask_for_a_look():
    records = k.kit()
    for drum, level in (("kick", -9.3), ("snare", -4.0)):
        records = k.with_pair(records, "overhead-left", "overhead-right", drum, fuller="flip", fuller_db=level)
        records = unplaced(records, "overhead-left", "overhead-right", drum)
    found = k.the(k.told(records), "polarity")
    assert (found.severity, found.value) == ("look", -9.3)
    few = k.with_pair(records, "overhead-left", "overhead-right", "snare", n_hits=4)
    assert k.told(few).findings == ()
    rooms = k.kit()
    for drum in ("kick", "snare"):
        rooms = k.with_pair(rooms, "room-left", "room-right", drum, fuller="flip", fuller_db=-9.3)
        rooms = unplaced(rooms, "room-left", "room-right", drum)
    assert k.told(rooms).findings == ()  # a room's own modes do that


def test_a_kick_whose_delay_is_not_known_bears_out_a_snare_that_leans():
    records = k.with_pair(k.kit(), "overhead-left", "overhead-right", "snare", fuller="flip", fuller_db=-5.8)
    unknown = unplaced(records, "overhead-left", "overhead-right", "kick")
    assert k.told(unknown).findings == ()
    thin = k.with_pair(unknown, "overhead-left", "overhead-right", "kick", fuller="flip", fuller_db=-9.3)
    assert k.the(k.told(thin), "polarity").severity == "fix"


def test_neither_the_kick_nor_first_motions_alone_invert_an_overhead_whose_delay_is_not_known():
    thin, turned = k.kit(), flipped_overhead("overhead-left")
    for drum in ("kick", "snare"):
        level = -8.0 if drum == "kick" else 6.0
        thin = k.with_pair(thin, "overhead-left", "overhead-right", drum, fuller="flip", fuller_db=level)
        thin = unplaced(thin, "overhead-left", "overhead-right", drum)
        turned = k.with_pair(turned, "overhead-left", "overhead-right", drum, fuller="leave", fuller_db=8.0)
        turned = unplaced(turned, "overhead-left", "overhead-right", drum)
    assert k.told(thin).findings == ()
    assert k.told(turned).findings == ()


# ---------------------------------------------------------------- late channels and unequal pairs
@pytest.mark.parametrize(
    ("role", "tolerance_ms"),
    [
        ("snare-bottom", 0.11),
        ("overhead-left", 0.5),
        ("room-right", 0.5),
    ],  # place of a bottom mic; pair's own difference
)
def test_a_channel_late_by_electronics_is_told_by_how_much_and_only_once(role, tolerance_ms):
    by = 12.0 if role != "room-right" else 24.0
    found = k.told(k.shifted(k.kit(), role, by)).findings
    assert [(f.severity, f.code, f.files[0]) for f in found] == [("fix", "late-channel", k.file_of(role))]
    assert found[0].value == pytest.approx(by, abs=tolerance_ms)


@pytest.mark.parametrize(("role", "by_ms"), [("room-left", 8.0), ("overhead-right", 4.0)])
def test_one_side_of_a_pair_is_late_if_every_drum_reaches_it_later_than_any_pair_is_wide(role, by_ms):
    judgement = k.told(k.shifted(k.kit(), role, by_ms))
    codes = [(f.code, f.files[0]) for f in judgement.findings]
    late = role == "room-left"  # 4 ms may be a wide pair, and stays a matter of the pair
    assert codes == [("late-channel" if late else "pair-offset", k.file_of(role))]


def test_a_first_sound_picked_too_early_does_not_hide_a_late_channel():
    records = k.shifted(k.kit(), "overhead-left", 12.0)
    records = k.with_pair(records, "snare-top", "overhead-left", "snare", delay_ms=3.0, delay_spread_ms=0.8)
    assert k.the(k.told(records), "late-channel").files == (k.file_of("overhead-left"),)


def test_a_drums_own_mic_that_lags_is_found_by_the_others_hearing_it_before():
    f = k.the(k.told(k.shifted(k.kit(), "kick", 9.0)), "late-channel")
    assert f.files == ("kick.wav",)


def nowhere_heard(reason):
    """A take in which no other mic tells when the snare reaches it, and why."""
    records = k.kit()
    none = dict.fromkeys(UNPLACED)
    records["pairs"] = tuple(
        replace(p, unmeasured=dict.fromkeys(none, reason), **none) if p.a == "snare-top.wav" else p
        for p in records["pairs"]
    )
    return records


def test_a_snare_that_sounds_in_all_other_mics_before_its_own_asks_for_a_look_without_a_figure():
    f = k.the(k.told(nowhere_heard(ALREADY_SOUNDING)), "late-channel")
    assert (f.severity, f.value, f.confidence) == ("look", None, 0.5)


def test_a_snare_that_other_drums_always_cover_is_not_late():
    assert k.told(nowhere_heard("the direct sound does not stand out enough: 11 dB")).findings == ()


@pytest.mark.parametrize(("by_ms", "severity"), [(0.1, None), (0.4, "note"), (0.7, "look"), (1.7, "fix")])
def test_an_overhead_further_from_the_snare_weighs_by_the_difference(by_ms, severity):
    judgement = k.told(k.shifted(k.kit(), "overhead-right", by_ms))
    if severity is None:
        assert judgement.findings == ()
        return
    f = k.the(judgement, "pair-offset")
    assert (f.severity, f.files) == (severity, ("overhead-right.wav", "overhead-left.wav"))
    assert f.value == pytest.approx(by_ms + 0.1)  # the take's own pair is 0.1 ms apart


@pytest.mark.parametrize(("n_hits", "severity"), [(2, None), (3, "look"), (5, "fix")])
def test_a_line_check_of_three_strokes_asks_for_a_look_at_a_pair_and_of_two_for_nothing(n_hits, severity):
    records = k.shifted(k.kit(), "overhead-right", 1.7)
    records = k.with_pair(records, "overhead-left", "overhead-right", "snare", n_hits=n_hits)
    assert [f.severity for f in k.told(records).findings if f.code == "pair-offset"] == [severity] * (
        severity is not None
    )


def test_overheads_that_the_tape_calls_equal_are_judged_more_strictly():
    records = k.shifted(k.kit(), "overhead-right", 0.7)
    for role in ("overhead-left", "overhead-right"):
        records = k.with_declared(records, role, to_snare_m=0.88)
    assert k.the(k.told(records), "pair-offset").severity == "fix"


def test_overheads_unequal_by_tape_and_by_sound_alike_are_as_meant():
    records = k.shifted(k.kit(), "overhead-right", 1.0)
    records = k.with_declared(records, "overhead-left", to_snare_m=0.87)  # 2.4 ms and 5 cm to the snare's own mic
    records = k.with_declared(records, "overhead-right", to_snare_m=1.25)  # 3.5 ms
    assert k.told(records).findings == ()


def test_a_tape_distance_that_the_sound_denies_is_for_a_look():
    records = k.with_declared(k.kit(), "room-left", to_snare_m=3.5)  # 2.5 m by sound
    f = k.the(k.told(records), "pair-offset")
    assert (f.severity, f.files) == ("look", ("room-left.wav",))
    # 7.2 ms by sound against (3.5 m - 5 cm) / 343.2 m/s
    assert f.value == pytest.approx(7.2 - 3450.0 / 343.2, abs=0.01)


def test_a_delay_that_is_not_known_well_is_no_finding_but_open():
    records = k.with_pair(k.kit(), "overhead-left", "overhead-right", "snare", delay_ms=2.0, delay_spread_ms=0.8)
    judgement = k.told(records)
    assert judgement.findings == ()
    assert any("equal distance" in n.check for n in judgement.not_checked)


def test_rooms_may_stand_less_equal_than_overheads():
    assert k.grave(k.told(k.shifted(k.kit(), "room-right", 0.8))) == []


def test_a_second_mic_of_the_snare_later_than_its_place_explains_is_for_a_look():
    f = k.the(k.told(k.shifted(k.kit(), "snare-bottom", 1.6)), "pair-offset")
    assert (f.severity, f.files[0], f.value) == ("look", "snare-bottom.wav", pytest.approx(1.8))


# ---------------------------------------------------------------- sides and names
def test_a_pair_the_other_way_round_than_the_other_is_named_by_the_hi_hat():
    f = k.the(k.told(k.exchanged(k.kit(), "overhead-left", "overhead-right")), "left-right-swapped")
    assert f.files == ("overhead-left.wav", "overhead-right.wav")
    other = k.the(k.told(k.exchanged(k.kit(), "room-left", "room-right")), "left-right-swapped")
    assert other.files == ("room-left.wav", "room-right.wav")


def test_a_kit_seen_from_the_audience_in_both_pairs_is_no_fault():
    both = k.exchanged(k.exchanged(k.kit(), "overhead-left", "overhead-right"), "room-left", "room-right")
    judgement = k.told(both)
    assert "left-right-swapped" not in [f.code for f in judgement.findings]
    assert any("hi-hat side right" in s for s in judgement.verdict.good)


def test_rooms_that_hear_every_drum_in_the_middle_leave_the_question_open():
    records = k.kit()
    for drum, (_, _, left, _) in k.DELAYS.items():
        own = next(d.file for d in records["drums"] if d.drum == drum).removesuffix(".wav")
        records = k.with_pair(records, own, "room-right", drum, delay_ms=left)
    judgement = k.told(records)
    assert "left-right-swapped" not in [f.code for f in judgement.findings]
    assert any(n.check.startswith("left and right") for n in judgement.not_checked)


def test_toms_on_each_others_side_in_both_pairs_are_named_together():
    records = k.kit()
    names = {"rack-tom-1": "floor-tom", "floor-tom": "rack-tom-1"}
    records["pairs"] = tuple(
        replace(p, drum=names[p.drum], a=k.file_of(names[p.drum])) if p.drum in names else p for p in records["pairs"]
    )
    f = k.the(k.told(records), "mislabelled-channel")
    assert set(f.files) == {"rack-tom-1.wav", "floor-tom.wav"}


@pytest.mark.parametrize("pair", [("overhead-left", "overhead-right"), ("room-left", "room-right")])
def test_one_pair_alone_does_not_rename_a_tom(pair):
    records = k.kit()
    names = {"rack-tom-1": "floor-tom", "floor-tom": "rack-tom-1"}
    for drum, other in names.items():
        for role in pair:
            delay_ms = k.DELAYS[other][k.DISTANT.index(role)]
            records = k.with_pair(records, drum, role, drum, delay_ms=delay_ms)
    assert "mislabelled-channel" not in [f.code for f in k.told(records).findings]


# ---------------------------------------------------------------- bleed
def with_bleed(file, drum, level_db, **changes):
    records = k.kit()
    records["bleed"] = tuple(
        replace(b, **{"bleed_db": level_db, "bleed_mid_db": level_db} | changes)
        if (b.file, b.drum) == (file, drum)
        else b
        for b in records["bleed"]
    )
    return records


def test_a_snare_mic_that_hears_the_hi_hat_like_its_own_drum_is_for_a_look():
    f = k.the(k.told(with_bleed("snare-top.wav", "hi-hat", -5.0)), "bleed")
    assert (f.severity, f.files, f.value) == ("look", ("snare-top.wav",), -5.0)


@pytest.mark.parametrize(
    ("file", "level_db", "changes"),
    [("hi-hat.wav", -2.0, {}), ("kick.wav", -12.0, {})],  # cymbal mics hear everything; a shared mic
)
def test_bleed_that_is_usual_is_no_more_than_a_note(file, level_db, changes):
    assert k.the(k.told(with_bleed(file, "snare", level_db, **changes)), "bleed").severity == "note"


@pytest.mark.parametrize("changes", [{"spread_db": 9.0}, {"n_hits": 3}])
def test_a_bleed_figure_that_varies_or_comes_from_few_strokes_is_left_alone(changes):
    assert k.told(with_bleed("kick.wav", "snare", -3.0, **changes)).findings == ()


def test_a_drum_that_is_always_struck_with_the_own_one_is_not_blamed():
    """A ride on every stroke of a double kick cannot be told from it: the figure may be the kick's own sound."""
    records = with_bleed("kick.wav", "ride", 3.0)
    kicks = [h.time_s for h in records["hits"] if h.drum == "kick"]
    rides = [h for h in records["hits"] if h.drum == "ride"]
    with_kick = [replace(h, time_s=kicks[i] + 0.004) for i, h in enumerate(rides)]
    assert "bleed" in {f.code for f in k.told(records).findings}
    records["hits"] = (*(h for h in records["hits"] if h.drum != "ride"), *with_kick)
    assert k.told(records).findings == ()


def test_ghost_notes_do_not_make_a_snare_mic_a_distant_one():
    """The usual stroke is a ghost; against the backbeats the hats are 18 dB down."""
    records = with_bleed("snare-top.wav", "hi-hat", -3.0)
    snares = [h for h in records["hits"] if h.drum == "snare"]
    loud = {h.time_s for h in snares[::3]}
    records["hits"] = tuple(
        replace(h, strength_db=15.0) if h.drum == "snare" and h.time_s in loud else h for h in records["hits"]
    )
    assert k.the(k.told(records), "bleed").severity == "note"


def test_low_end_alone_does_not_make_a_mic_a_distant_one():
    """A kick's low end stands in every mic of the kit; in the middle it is 15 dB down."""
    records = with_bleed("snare-top.wav", "kick", -3.0, bleed_mid_db=-15.0)
    assert k.the(k.told(records), "bleed").severity == "note"


def test_a_tom_hit_in_a_few_fills_has_no_bleed_figure_to_be_blamed_for():
    assert k.told(with_bleed("rack-tom-1.wav", "snare", -3.0)).findings == ()


def test_bleed_that_cannot_be_told_is_open_and_not_fine():
    reasons = dict.fromkeys(("bleed_db", "bleed_low_db", "bleed_mid_db", "bleed_high_db", "spread_db"))
    records = with_bleed("kick.wav", "hi-hat", None, **{n: None for n in reasons if n != "bleed_db"},
                         unmeasured=dict.fromkeys(reasons, "hidden"))  # fmt: skip
    assert any("bleed" in n.check for n in k.told(records).not_checked)


@pytest.mark.parametrize(("n_strokes", "codes"), [(10, []), (20, ["moved-mic"])])
def test_a_step_of_few_strokes_is_no_mic_that_moved(n_strokes, codes):
    """In a line check two toms that go by one name are struck one after the other."""
    step = DelayCourse(
        file="overhead-right.wav", n_strokes=n_strokes, drift_ppm=0.0, drift_error_ppm=1.0, step_ms=0.7,
        step_error_ms=0.03, step_time_s=10.0, shape="step",
    )  # fmt: skip
    assert [f.code for f in k.told(k.kit() | {"faults": (step,)}).findings] == codes
