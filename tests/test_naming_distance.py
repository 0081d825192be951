"""Names that distance contradicts: close mics that are far away, distant ones at a drum, snares upside down."""

from dataclasses import replace

import pytest

import findkit as k
from kitproof.observed.identity import MicVoice

# behind the first mic, ms, and at how many of 60 loud sounds first: as measured on kits in order
USUAL = {
    "snare-top": (0.0, 30), "snare-bottom": (0.2, 12), "kick": (4.2, 14), "hi-hat": (-0.2, 35), "ride": (1.8, 15),
    "overhead-left": (3.2, 0), "overhead-right": (2.9, 1), "room-left": (9.5, 0), "room-right": (7.7, 1),
}  # fmt: skip
NOT_ASKED = ("body_db", "low_fall_db", "high_fall_db", "pitch_hz", "pitch_agreement")


def take(**changes):
    """A take in order but for the given (behind_ms, n_first) by role, and tilt_db as a third."""
    voices = []
    for role, usual in (USUAL | {r.replace("_", "-"): v for r, v in changes.items()}).items():
        behind, first, *tilt = usual
        voices.append(
            MicVoice(
                file=k.file_of(role), n_loud=60, n_first=first, n_strokes=10, behind_ms=behind,
                tilt_db=tilt[0] if tilt else (25.0 if role == "snare-top" else 22.0), body_db=None, low_fall_db=None,
                high_fall_db=None, pitch_hz=None, pitch_agreement=None,
                unmeasured=dict.fromkeys(NOT_ASKED, "-"),
            )
        )  # fmt: skip
    return k.kit() | {"faults": tuple(voices)}


def exchanged(records):
    return [f for f in k.told(records).findings if f.code == "mislabelled-channel"]


def test_a_kit_in_order_is_accused_of_nothing():
    """The kick is rarely first and hears everything late; it is still a close mic."""
    assert exchanged(take()) == []


def test_a_close_and_a_distant_mic_with_each_others_names_are_found():
    """Both, and no other; nothing is said of what follows from it."""
    (found,) = exchanged(take(snare_top=(3.1, 0), overhead_left=(0.0, 30)))
    assert (found.severity, set(found.files)) == ("fix", {k.file_of("snare-top"), k.file_of("overhead-left")})


@pytest.mark.parametrize("changes", [{"snare_top": (3.1, 0)}, {"overhead_left": (0.0, 30)}])
def test_one_mic_alone_is_no_exchange(changes):
    """A snare mic that was forgotten in the room, or an overhead over the snare, has nobody to exchange with."""
    assert exchanged(take(**changes)) == []


def test_an_overhead_and_a_room_mic_are_told_by_their_partners():
    """One overhead behind a room mic, their partners the right way round."""
    (found,) = exchanged(take(overhead_right=(7.7, 0), room_right=(2.9, 1)))
    assert set(found.files) == {k.file_of("overhead-right"), k.file_of("room-right")}


def test_an_overhead_that_hears_crashes_first_is_no_close_mic():
    """It is first at cymbals, and the ride's mic is never first because nobody plays the ride."""
    assert exchanged(take(ride=(2.9, 0), overhead_right=(1.0, 20, 22.0))) == []
    assert exchanged(take(snare_top=(3.1, 0), overhead_right=(1.0, 20, -8.0))) == []


def test_few_loud_sounds_say_nothing():
    """Eleven are not enough to tell near from far."""
    records = take(snare_top=(3.1, 0), overhead_left=(0.0, 30))
    records |= {"faults": tuple(replace(v, n_loud=11, n_first=min(v.n_first, 5)) for v in records["faults"])}
    assert exchanged(records) == []


def test_a_snare_upside_down_is_a_question():
    """The bottom mic is ahead of the top one and duller: the names, or the places, are exchanged."""
    (found,) = exchanged(take(snare_top=(0.2, 12, 22.0), snare_bottom=(0.0, 30, 25.0)))
    assert found.severity == "look"


def test_a_bottom_mic_that_is_only_nearer_is_in_order():
    """It is ahead, but it hears the wires, as it should."""
    assert exchanged(take(snare_top=(0.2, 12, 25.0), snare_bottom=(0.0, 30, 22.0))) == []
