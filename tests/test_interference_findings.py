"""What is said of sounds that are not the kit: each source once, how grave, and what explains it better."""

from dataclasses import replace

import pytest

from findkit import file_of, grave, kit, the, told
from kitproof.model import ChannelFaults, ClickBleed, DelayCourse, Gap, Hum
from kitproof.observed.interference import (
    LateSound,
    LoneSounds,
    PhoneBursts,
    RestPulses,
    SteadyLine,
    SteadyLines,
)

OH, ROOM, SNARE = file_of("overhead-left"), file_of("room-left"), file_of("snare-top")
NO_HUM = dict.fromkeys(Hum.NULLABLE, "no tone of the mains stands out")
NO_BUZZ = dict.fromkeys(SteadyLines.NULLABLE, "no multiples of the mains reach over 1 kHz")


def judged(*records):
    return told(kit() | {"faults": records})


def phone(file=OH, step=-40.0, bursts=((10.0, 10.6), (30.0, 30.6))):
    return PhoneBursts(file=file, bursts_s=bursts, step_dbfs=step, over_db=9.0)


def lines(*pitch_level, file=OH):
    tones = tuple(SteadyLine(hz=hz, level_dbfs=level, over_db=25.0) for hz, level in pitch_level)
    return SteadyLines(
        file=file, lines=tones, buzz_hz=None, buzz_reach_hz=None, buzz_dbfs=None, n_buzz=0, unmeasured=NO_BUZZ
    )


def buzz(file=OH, level=-60.0):
    return SteadyLines(file=file, lines=(), buzz_hz=50.01, buzz_reach_hz=4900.0, buzz_dbfs=level, n_buzz=45)


def lone(kind="crackle", n=6, level=-30.0, file=SNARE, first_s=5.0):
    times = tuple(first_s + 3.0 * k for k in range(n))
    return LoneSounds(file=file, kind=kind, times_s=times, n_sounds=n, level_dbfs=level, rise_db=30.0)


def late(place="ending", kind="sound", start_s=57.0, level=-50.0):
    return LateSound(
        start_s=start_s, end_s=start_s + 0.4, files=(ROOM, OH), level_dbfs=level, rise_db=20.0, place=place, kind=kind
    )


def ticks(level=-55.0):
    return RestPulses(
        files=(OH, ROOM), times_s=(0.2, 0.8, 1.4, 57.0, 57.6), n_pulses=5, period_s=0.6, jitter_ms=0.1, level_dbfs=level
    )


# ---------------------------------------------------------------- from outside
def test_a_telephone_in_several_channels_is_one_finding():
    """Named with all of them, the loudest first; the same call in two channels counts once."""
    found = the(judged(phone(OH, -60.0), phone(ROOM, -40.0)), "phone-burst")
    assert found.files == (ROOM, OH)
    assert (found.n_times, found.times_s) == (2, (10.0, 30.0))


def test_a_telephone_far_under_the_kit_is_worth_a_look_only():
    """The kit peaks at -8 dBFS: at -40 it is heard through the playing, at -60 in the rests."""
    assert [the(judged(phone(step=s)), "phone-burst").severity for s in (-40.0, -60.0)] == ["fix", "look"]


def test_a_buzz_says_how_far_up_it_goes_and_never_lifts_the_earth():
    """The pitch is the value; a faint one is a note."""
    found = the(judged(buzz(), buzz(ROOM, -70.0)), "buzz")
    assert (found.severity, found.value, found.unit, found.files) == ("look", 50.01, "Hz", (OH, ROOM))
    assert "4.9 kHz" in found.message
    assert "never lift the safety earth" in found.action
    assert the(judged(buzz(level=-95.0)), "buzz").severity == "note"


@pytest.mark.parametrize(
    ("hz", "level", "severity"),
    [(1000.0, -70.0, "look"), (1000.0, -85.0, "note"), (17500.0, -60.0, "note"), (1000.0, -100.0, None)],
)
def test_a_whine_counts_by_what_can_be_heard_of_it(hz, level, severity):
    """Under the noise of a room, or over 16 kHz, it is good to know; a converter's own tones are nothing."""
    found = [f for f in judged(lines((hz, level))).findings if f.code == "whine"]
    assert [f.severity for f in found] == ([severity] if severity else [])


def test_several_tones_are_one_finding():
    """Three pitches of one machine in two channels."""
    j = judged(lines((1000.0, -70.0), (3000.0, -74.0), (8000.0, -79.0)), lines((1000.4, -75.0), file=ROOM))
    found = the(j, "whine")
    assert found.files == (OH, ROOM)
    assert "1000 Hz, 3000 Hz and 8000 Hz" in found.message


def test_multiples_of_a_hum_are_the_hums():
    """350 Hz beside a hum of 50 Hz is its seventh multiple, 1 kHz is not told from a computer's."""
    hum = Hum(fundamental_hz=50.0, spread_hz=0.01, lines=(), level_dbfs=-60.0, confidence=0.9)
    faults = ChannelFaults(file=OH, plateaus=(), gaps=(), hum=hum)
    assert "whine" not in [f.code for f in judged(faults, lines((350.0, -75.0))).findings]
    assert the(judged(faults, lines((1000.0, -75.0))), "whine").value == 1000.0


# ---------------------------------------------------------------- in one channel
def test_cracks_are_counted_and_two_say_nothing():
    """Three are worth a look, six near the channel's peak put the take at risk."""
    assert grave(judged(lone(n=2))) == []
    assert grave(judged(lone(n=3))) == [("look", "crackle")]
    assert grave(judged(lone(n=6))) == [("fix", "crackle")]
    assert grave(judged(lone(n=6, level=-50.0))) == [("look", "crackle")]


def test_short_sounds_inside_a_kick_may_be_its_pedal():
    """No other mic hears a pedal or a beater in there, so it is a note however many there are."""
    found = the(judged(lone(n=6, file=file_of("kick"))), "crackle")
    assert found.severity == "note"
    assert "pedal" in found.else_maybe


def test_lost_samples_and_telephones_are_no_cracks():
    """What is told elsewhere is not told again."""
    gaps = tuple(Gap(start_s=t + 0.001, n_samples=40, kind="zeros", step_db=30.0) for t in lone().times_s)
    hum = Hum(fundamental_hz=None, spread_hz=None, lines=(), level_dbfs=None, confidence=None, unmeasured=NO_HUM)
    faults = ChannelFaults(file=SNARE, plateaus=(), gaps=gaps, hum=hum)
    assert "crackle" not in [f.code for f in judged(faults, lone()).findings]
    assert "crackle" not in [f.code for f in judged(phone(bursts=((4.0, 21.0),)), lone()).findings]


def course(step_time_s):
    return DelayCourse(
        file=SNARE, n_strokes=90, drift_ppm=0.0, drift_error_ppm=1.0, step_ms=0.4, step_error_ms=0.03,
        step_time_s=step_time_s, shape="step",
    )  # fmt: skip


def test_a_knock_is_graver_if_the_mic_moved_then():
    """The bang alone is worth a look; with a step of the delay beside it the rest of the take sounds different."""
    bang = lone(kind="knock", n=1, first_s=20.0)
    assert the(judged(bang), "knocked-mic").severity == "look"
    assert the(judged(bang, course(20.4)), "knocked-mic").severity == "fix"
    assert the(judged(bang, course(45.0)), "knocked-mic").severity == "look"


def test_a_lead_that_cracks_is_not_also_knocked():
    """Long cracks look like knocks; and a mic is not knocked ten times."""
    assert grave(judged(lone(n=4), lone(kind="knock", n=2))) == [("look", "crackle")]
    assert grave(judged(lone(kind="knock", n=10))) == []


# ---------------------------------------------------------------- where nobody plays
def test_ticks_in_the_rests_are_click_bleed_without_a_stem():
    """In dBFS, since there is nothing to compare with; not said again where the click's own channel tells more."""
    found = the(judged(ticks()), "click-bleed")
    assert (found.severity, found.value, found.unit) == ("look", -55.0, "dBFS")
    assert "no stem of the click" in found.message
    heard = ClickBleed(file=ROOM, level_db=-50.0, delay_ms=3.0, snr_db=20.0, n_clicks=40)
    assert the(judged(ticks(), heard), "click-bleed").unit == "dB"


def test_a_click_in_one_mic_is_no_crackling_lead():
    """Its ticks are as short as cracks and no other mic hears them, but they keep time."""
    assert [code for _, code in grave(judged(ticks(), lone(file=OH)))] == ["click-bleed"]
    assert "crackle" in [code for _, code in grave(judged(ticks(), lone(file=SNARE)))]


def test_talk_over_the_count_in_is_a_note_and_over_the_ending_a_look():
    """The ending cannot be cut without loss; what comes before the first stroke can."""
    assert the(judged(late("count-in", start_s=1.0)), "late-noise").severity == "note"
    assert the(judged(late("ending")), "late-noise").severity == "look"
    assert "after the last stroke" in the(judged(late("ending"), late("rest", start_s=30.0)), "late-noise").message


def test_noise_that_came_up_is_said_as_such():
    """A fan is not a voice."""
    assert "came up during the take" in the(judged(late(kind="steady")), "late-noise").message


def test_a_telephone_in_a_rest_is_no_late_noise():
    """It has its own finding."""
    calling = replace(phone(), bursts_s=((56.9, 57.6),))
    assert [code for _, code in grave(judged(calling, late()))] == ["phone-burst"]
