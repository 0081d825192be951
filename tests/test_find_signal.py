"""Findings from the signal-level records: what is said, how gravely, and when nothing is."""

from dataclasses import replace
from typing import Any

import pytest

import findkit
from findkit import file_of, grave, the, told
from kitproof.model import ChannelFaults, ClickBleed, DelayCourse, Duplicate, Gap, Hum, HumLine, Plateau

NO_HUM = Hum(
    fundamental_hz=None, spread_hz=None, lines=(), level_dbfs=None, confidence=None,
    unmeasured=dict.fromkeys(Hum.NULLABLE, "no tone of the mains stands out"),
)  # fmt: skip


def judged(*records: object) -> Any:
    return told(findkit.kit() | {"faults": records})


def faults(role: str, *, plateaus=(), gaps=(), hum=NO_HUM) -> ChannelFaults:
    return ChannelFaults(file=file_of(role), plateaus=tuple(plateaus), gaps=tuple(gaps), hum=hum)


def plateau(times_s, *, side="positive", ceiling_dbfs=-4.2, confidence=0.9, level=0.8) -> Plateau:
    n = len(times_s)
    return Plateau(
        side=side, ceiling_dbfs=ceiling_dbfs, spread_db=0.01, n_tops=n, n_moments=n,
        times_s=tuple(times_s), confidence=confidence, n_beside=10 * n, n_level=round(10 * level * n),
    )  # fmt: skip


def hum(level_dbfs: float, hz: float = 50.0) -> Hum:
    lines = tuple(HumLine(harmonic=k, level_dbfs=level_dbfs, snr_db=20.0) for k in (1, 2, 3))
    return Hum(fundamental_hz=hz, spread_hz=0.01, lines=lines, level_dbfs=level_dbfs, confidence=0.9)


def course(role: str, shape: str, *, ppm: float = 0.0, step_ms: float = 0.0) -> DelayCourse:
    return DelayCourse(
        file=file_of(role), n_strokes=90, drift_ppm=ppm, drift_error_ppm=0.4, step_ms=step_ms, step_error_ms=0.01,
        step_time_s=30.0, shape=shape,
    )  # fmt: skip


def click(role: str, level_db: float) -> ClickBleed:
    return ClickBleed(file=file_of(role), level_db=level_db, delay_ms=2.0, snr_db=18.0, n_clicks=90)


def test_clean_records_find_nothing():
    """Records of every kind that saw nothing change no judgement."""
    unheard = dict.fromkeys(ClickBleed.NULLABLE, "not heard")
    silent = ClickBleed(
        file=file_of("ride"), level_db=None, delay_ms=None, snr_db=None, n_clicks=50, unmeasured=unheard
    )
    found = judged(faults("kick"), silent, course("ride", "steady", ppm=0.3, step_ms=0.02))

    assert found.findings == told(findkit.kit()).findings


def test_a_ceiling_on_many_snare_strokes_is_grave():
    """The higher of two sides is the value; hits are counted, not samples."""
    times = [h.time_s + 0.001 for h in findkit.kit()["hits"] if h.drum == "snare"][:6]
    found = the(
        judged(faults("snare-top", plateaus=[plateau(times), plateau(times, side="negative", ceiling_dbfs=-4.0)])),
        "clipping",
    )

    assert (found.severity, found.value, found.unit, found.n_times) == ("fix", -4.0, "dBFS", 6)
    assert "both sides" in found.message


def test_round_tops_at_one_level_are_a_limiter():
    """Printed on purpose or not: worth a decision, no overload, and nothing is lost."""
    times = [h.time_s + 0.001 for h in findkit.kit()["hits"] if h.drum == "snare"][:20]
    found = judged(faults("snare-top", plateaus=[plateau(times, level=0.1)]))

    assert grave(found) == [("look", "limited")]
    assert "20 of the 48 strokes" in the(found, "limited").message
    assert grave(judged(faults("snare-top", plateaus=[plateau(times[:4], level=0.1)]))) == []


def test_tops_too_short_to_tell_are_not_called_grave():
    """Lone samples at one level, several to a stroke: a ceiling, or a quick limiter."""
    times = [1.0 + 0.5 * k for k in range(20)]
    short = replace(plateau(times), n_beside=2, n_level=0, n_tops=45)
    found = the(judged(faults("hi-hat", plateaus=[short])), "clipping")

    assert (found.severity, found.confidence) == ("look", 0.6)
    assert "limiter" in found.else_maybe
    once = replace(short, n_tops=21)
    assert grave(judged(faults("hi-hat", plateaus=[once]))) == [("look", "limited")]


def test_a_distant_mic_says_on_whose_strokes_it_is_cut_off():
    """The drum that most of the places follow comes first."""
    hits = findkit.kit()["hits"]
    snares = [h.time_s for h in hits if h.drum == "snare"]
    alone = [t for t in snares if not any(abs(t - h.time_s) < 0.1 for h in hits if h.drum != "snare")]
    found = the(judged(faults("overhead-left", plateaus=[plateau([t + 0.003 for t in alone])])), "clipping")

    assert f"strokes of the snare ({len(alone)})" in found.message


def test_a_drum_cut_off_below_full_scale_on_every_stroke_is_lost():
    """The verdict looks at ceilings as it does at full scale; a limiter loses nothing."""
    times = [h.time_s + 0.001 for h in findkit.kit()["hits"] if h.drum == "kick"]

    assert judged(faults("kick", plateaus=[plateau(times)])).verdict.word == "redo"
    assert judged(faults("kick", plateaus=[plateau(times, level=0.1)])).verdict.word == "keep"


def test_an_unsure_ceiling_is_left_alone():
    """Unless it is one long flat top."""
    assert grave(judged(faults("ride", plateaus=[plateau([1.0, 2.0], confidence=0.55)]))) == []
    assert the(judged(faults("ride", plateaus=[plateau([1.0], confidence=0.5)])), "clipping").severity == "look"


def test_holes_are_grave_and_lone_jumps_are_not_named():
    """A jump that several channels share is one loss; a lone one may be a lead."""
    hole = Gap(start_s=3.5, n_samples=265, kind="zeros", step_db=20.0)
    jump = Gap(start_s=8.0, n_samples=0, kind="jump", step_db=24.0)
    found = the(judged(faults("kick", gaps=[hole])), "dropout")

    assert (found.severity, found.value, found.files) == ("fix", 3.5, (file_of("kick"),))
    assert grave(judged(faults("kick", gaps=[jump]))) == []
    shared = the(judged(faults("kick", gaps=[jump]), faults("ride", gaps=[jump])), "dropout")
    assert (set(shared.files), shared.n_times) == ({file_of("kick"), file_of("ride")}, 1)


@pytest.mark.parametrize(("level", "severity"), [(-60.0, "look"), (-90.0, "note")])
def test_hum_is_one_finding_for_all_who_share_it(level, severity):
    """The loudest comes first."""
    found = the(judged(faults("kick", hum=hum(level - 6.0)), faults("room-left", hum=hum(level, 50.02))), "hum")

    assert found.files == (file_of("room-left"), file_of("kick"))
    assert (found.severity, found.value, found.unit) == (severity, 50.02, "Hz")


def test_a_copy_names_both_channels():
    """One mic is missing."""
    copy = Duplicate(
        a=file_of("rack-tom-1"), b=file_of("rack-tom-2"), shift_samples=0, gain_db=0.0, inverted=False,
        residual_db=-160.0,
    )  # fmt: skip
    found = the(judged(copy), "duplicate-channel")

    assert (found.severity, set(found.files)) == ("fix", {file_of("rack-tom-1"), file_of("rack-tom-2")})


def test_leaking_and_routed_clicks_are_told_apart():
    """Headphones leak softly; a click at a fifth of its level was recorded."""
    leak = the(judged(click("hi-hat", -60.0), click("ride", -70.0)), "click-bleed")
    routed = the(judged(click("ride", -12.0)), "click-bleed")

    assert (leak.severity, leak.files, leak.value) == ("look", (file_of("hi-hat"), file_of("ride")), -60.0)
    assert routed.severity == "fix"


@pytest.mark.parametrize(("ppm", "severity"), [(40.0, "fix"), (-4.0, "look")])
def test_drift_is_judged_by_what_it_does_to_the_take(ppm, severity):
    """40 ppm over a minute are 2.4 ms, 4 ppm a quarter of a millisecond."""
    found = the(judged(course("room-left", "drift", ppm=ppm)), "clock-drift")

    assert (found.severity, found.value, found.unit) == (severity, ppm, "ppm")


@pytest.mark.parametrize(("step_ms", "severity"), [(0.8, "fix"), (-0.3, "look")])
def test_a_moved_mic_has_size_and_time(step_ms, severity):
    """And what lies under 5 cm is left alone."""
    found = the(judged(course("overhead-left", "step", step_ms=step_ms)), "moved-mic")

    assert (found.severity, found.value, found.times_s) == (severity, step_ms, (30.0,))
    assert grave(judged(course("overhead-left", "step", step_ms=0.07))) == []


def test_a_cymbal_that_swings_is_no_moved_mic():
    """A ride's own mic has to move by more than the cymbal itself does."""
    assert grave(judged(course("ride", "step", step_ms=0.3))) == []
    assert grave(judged(course("ride", "step", step_ms=0.8))) == [("fix", "moved-mic")]
