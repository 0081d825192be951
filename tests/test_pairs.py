"""Pairs: which are wanted, and the sum of two mics against worked figures."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

import stroke_sets as st
from kitproof.measure.arrival import Arrival
from kitproof.measure.excerpts import LEAD_S, TAIL_S
from kitproof.measure.look import LOW_BAND_HZ, ChannelLook, low_lines
from kitproof.measure.pairs import measure_pair, wanted_pairs
from kitproof.model import Channel, PairEntry
from kitproof.roles import LABELS

RATE_HZ = st.RATE_HZ


# ------------------------------------------------------------------------------------ which pairs
def channels(*roles: str) -> list[Channel]:
    return [
        Channel(
            file=f"{role}.wav", path=f"{role}.wav", index_in_file=0, role=role, role_source="take.toml",
            label=LABELS[role],
        )
        for role in roles
    ]  # fmt: skip


def pairs_of(own: dict[str, str], drums: list[str], *roles: str) -> set[tuple[str, str, str]]:
    files = {drum: f"{role}.wav" for drum, role in own.items()}
    found = wanted_pairs(channels(*roles), files, drums)
    assert len(found) == len(set(found))
    return {(a.removesuffix(".wav"), b.removesuffix(".wav"), drum) for a, b, drum in found}


def test_the_own_mic_is_paired_with_the_drums_other_mics_and_with_all_distant_ones() -> None:
    """Kick in against kick out, overheads and rooms; not against the mics of other drums or the click."""
    found = pairs_of(
        {"kick": "kick-in", "hi-hat": "hi-hat"}, ["kick", "hi-hat"],
        "kick-in", "kick-out", "hi-hat", "overhead-left", "overhead-right", "room", "click", "other",
    )  # fmt: skip

    assert found == {
        ("kick-in", "kick-out", "kick"), ("kick-in", "overhead-left", "kick"), ("kick-in", "overhead-right", "kick"),
        ("kick-in", "room", "kick"), ("overhead-left", "overhead-right", "kick"),
        ("hi-hat", "overhead-left", "hi-hat"), ("hi-hat", "overhead-right", "hi-hat"), ("hi-hat", "room", "hi-hat"),
    }  # fmt: skip


def test_left_goes_with_right_for_snare_and_kick_only() -> None:
    """Each spaced pair once for either drum; toms do not decide where a pair stands."""
    roles = ("kick", "snare-top", "floor-tom", "overhead-left", "overhead-right", "room-left", "room-right")
    own = {"kick": "kick", "snare": "snare-top", "floor-tom": "floor-tom"}
    found = pairs_of(own, list(own), *roles)

    assert {(a, b, d) for a, b, d in found if a.endswith("left")} == {
        (f"{place}-left", f"{place}-right", drum) for place in ("overhead", "room") for drum in ("kick", "snare")
    }


def test_a_kit_without_overheads_has_the_pairs_of_its_drums() -> None:
    """Close mics only: what is left is two mics on one drum."""
    found = pairs_of({"kick": "kick", "snare": "snare-top"}, ["kick", "snare"], "kick", "snare-top", "snare-bottom")

    assert found == {("snare-top", "snare-bottom", "snare")}


def test_one_overhead_alone_is_nobodys_left_or_right() -> None:
    """A left without a right is a distant mic like any other."""
    found = pairs_of({"snare": "snare-top"}, ["snare"], "snare-top", "overhead-left")

    assert found == {("snare-top", "overhead-left", "snare")}


def test_a_drum_that_was_not_hit_has_no_pairs() -> None:
    """Only drums in the list, and of them only those with a mic of their own."""
    assert pairs_of({"snare": "snare-top"}, ["kick"], "snare-top", "snare-bottom", "overhead") == set()


# ------------------------------------------------------------------------------------ the sum of two equal tones
def tones(n: int, hz: float, phase_deg: float, *, rate_hz: int = RATE_HZ, gain: float = 1.0) -> NDArray[np.complex64]:
    """Low lines of n strokes that are plain tones, each at its own phase plus the one given."""
    time_s = np.arange(round((LEAD_S + TAIL_S) * rate_hz)) / rate_hz - LEAD_S
    own = np.random.default_rng(1).uniform(0.0, 2.0 * np.pi, n)
    waves = gain * np.sin(2.0 * np.pi * hz * time_s + own[:, None] + np.deg2rad(phase_deg))
    return low_lines(waves, rate_hz, LOW_BAND_HZ["snare"])


def pair(left: NDArray[np.complex64] | None, right: NDArray[np.complex64] | None, drum: str = "snare") -> PairEntry:
    def look(file: str, lines: NDArray[np.complex64] | None) -> ChannelLook:
        found = Arrival(time_s=0.0, spread_s=0.0, sign=1, sign_confidence=1.0, snr_db=60.0, n_hits=8)
        low = {} if lines is None else {drum: lines}
        return ChannelLook(file=file, arrivals={drum: found}, n_hits={drum: 8}, low_lines=low)

    return measure_pair(look("a.wav", left), look("b.wav", right), drum, 20.0)


@pytest.mark.parametrize(
    ("phase_deg", "sum_db", "difference_db", "fuller"),
    [(60, 4.77, 0.0, "leave"), (90, 3.01, 3.01, "move"), (120, 0.0, 4.77, "flip"), (100, 2.18, 3.70, "move")],
)
def test_two_equal_tones_sum_as_worked_by_hand(
    phase_deg: float, sum_db: float, difference_db: float, fuller: str
) -> None:
    """Two equal tones at 90 degrees sum to 3.01 dB over one of them, at 120 degrees to 0 dB, and so on.

    The figure is the sum over the difference, and the difference is the sum at 180 degrees more.
    Source: |1 + e^jp|^2 = 2 + 2 cos p, as in every handbook of acoustics (Everest and Pohlmann's table of sums).
    0.02 dB: the table's figures are rounded to 0.01, and a tone's window reaches a little past the band.
    """
    found = pair(tones(8, 200.0, 0.0), tones(8, 200.0, phase_deg))

    assert found.fuller_db == pytest.approx(sum_db - difference_db, abs=0.02)
    assert found.fuller == fuller
    if fuller != "move":
        assert found.fuller_agreement == 1.0


def test_a_tone_doubled_sums_to_six_decibels_and_cancels_to_nothing() -> None:
    """At 0 degrees +6.02 dB against nothing, at 180 nothing against +6.02: as far apart as is told, 60 dB."""
    same, opposite = (pair(tones(8, 200.0, 0.0), tones(8, 200.0, p)) for p in (0.0, 180.0))

    assert same.fuller_db is not None
    assert same.fuller_db > 60.0
    assert opposite.fuller_db == pytest.approx(-same.fuller_db)
    assert (same.fuller, opposite.fuller) == ("leave", "flip")


def test_levels_do_not_matter_to_which_way_is_fuller() -> None:
    """A mic 20 dB down is brought up first: the question is about phase."""
    even, uneven = (pair(tones(8, 200.0, 0.0), tones(8, 200.0, 60.0, gain=g)) for g in (1.0, 0.1))

    assert uneven.fuller_db == pytest.approx(even.fuller_db, abs=1e-3)  # single precision


def test_flipping_one_side_turns_the_answer_over() -> None:
    """leave becomes flip and the figure changes its sign."""
    a, b = tones(8, 200.0, 0.0), tones(8, 200.0, 50.0)
    upright, flipped = pair(a, b), pair(a, -b)

    assert upright.fuller_db is not None
    assert flipped.fuller_db == pytest.approx(-upright.fuller_db, abs=1e-3)  # single precision
    assert (upright.fuller, flipped.fuller) == ("leave", "flip")


def test_strokes_that_do_not_agree_call_for_moving_a_mic() -> None:
    """Three strokes for and two against, each by 4.8 dB: turning one over helps some and hurts the others."""
    a = tones(5, 200.0, 0.0)
    b = np.concatenate([tones(5, 200.0, 60.0)[:3], -tones(5, 200.0, 60.0)[3:]])
    found = pair(a, b)

    assert found.fuller == "move"
    assert found.fuller_agreement == pytest.approx(0.6)


def test_channels_of_unlike_rates_can_be_added() -> None:
    """44.1 and 48 kHz: the same tone at 60 degrees gives the same answer. 0.05 dB: lines between the samples."""
    found = pair(tones(8, 200.0, 0.0, rate_hz=44100), tones(8, 200.0, 60.0, rate_hz=48000))

    assert found.fuller_db == pytest.approx(4.77, abs=0.05)


def test_a_delay_of_half_a_period_makes_the_sum_thin() -> None:
    """2.5 ms at 200 Hz: wired alike, and fuller flipped all the same."""
    d = st.drum_times(12)
    ring = st.Ring(hz=(200.0,))
    a, b = (st.look(f, d, st.excerpts(d, ring, delay_s=s)) for f, s in (("a.wav", 0.0), ("b.wav", 0.0025)))
    found = measure_pair(a, b, "snare", 20.0)

    assert (found.polarity, found.fuller) == ("same", "flip")


@pytest.mark.parametrize(
    ("drum", "left", "right", "reason"),
    [
        ("hi-hat", None, None, "cymbal"),
        ("snare", None, tones(8, 200.0, 0.0), "too few strokes"),
        ("snare", tones(1, 200.0, 0.0), tones(1, 200.0, 0.0), "too few strokes"),
        ("snare", tones(8, 200.0, 0.0), 0.0 * tones(8, 200.0, 0.0), "silent"),
    ],
)
def test_no_answer_comes_with_its_reason(
    drum: str, left: NDArray[np.complex64] | None, right: NDArray[np.complex64] | None, reason: str
) -> None:
    """Cymbals have no low end to judge, one stroke is no rule, and silence adds up to nothing."""
    found = pair(left, right, drum)

    assert (found.fuller, found.fuller_db, found.fuller_agreement) == (None, None, None)
    assert reason in found.unmeasured["fuller"]


# ------------------------------------------------------------------------------------ from the delay
def delayed(
    delay_ms: float, signs: tuple[int, int] = (1, 1), spreads_ms: tuple[float, float] = (0.0, 0.0), n: int = 8
) -> PairEntry:
    a, b = (
        ChannelLook(
            file=file, n_hits={"snare": n},
            arrivals={"snare": Arrival(
                time_s=at, spread_s=spread / 1000.0, sign=sign, sign_confidence=0.9, snr_db=50.0, n_hits=8,
            )},
        )
        for file, at, sign, spread in zip(("a", "b"), (0.0, delay_ms / 1000.0), signs, spreads_ms, strict=True)
    )  # fmt: skip
    return measure_pair(a, b, "snare", 20.0)


@pytest.mark.parametrize(("delay_ms", "notch_hz"), [(1.0, 500.0), (0.5, 1000.0), (-10.0, 50.0)])
def test_the_first_notch_of_the_sum_lies_where_the_delay_is_half_a_period(delay_ms: float, notch_hz: float) -> None:
    """1 ms: 500 Hz. Source: 1 / (2 t), the comb filter of Everest and Pohlmann, Master Handbook of Acoustics."""
    assert delayed(delay_ms).first_notch_hz == pytest.approx(notch_hz)


def test_without_a_delay_there_is_no_notch() -> None:
    """A coincident pair has none within hearing."""
    found = delayed(0.0)

    assert found.first_notch_hz is None
    assert found.unmeasured["first_notch_hz"] == "no delay to speak of"


@pytest.mark.parametrize(
    ("signs", "polarity"), [((1, 1), "same"), ((-1, -1), "same"), ((1, -1), "opposite"), ((0, 1), "unclear")]
)
def test_polarity_compares_first_motions(signs: tuple[int, int], polarity: str) -> None:
    """Like signs are the same whichever they are; one that is not clear makes the pair unclear, with no confidence."""
    found = delayed(2.0, signs)

    assert found.polarity == polarity
    assert found.polarity_confidence == (0.0 if polarity == "unclear" else 0.9)


def test_spreads_of_both_mics_add_as_squares() -> None:
    """0.3 and 0.4 ms make 0.5 ms."""
    assert delayed(2.0, spreads_ms=(0.3, 0.4)).delay_spread_ms == pytest.approx(0.5)


def test_groups_that_disagree_make_no_delay() -> None:
    """Beyond a millisecond and a half the number would say nothing: None, and by how much they disagree."""
    found = delayed(2.0, spreads_ms=(0.0, 1.6))

    assert (found.delay_ms, found.path_cm, found.polarity, found.first_notch_hz) == (None,) * 4
    assert "1.6 ms" in found.unmeasured["delay_ms"]


def test_three_single_strokes_that_disagree_leave_their_mean_and_no_spread() -> None:
    """One stroke is no group: what it alone shows may be another drum's. Nothing is judged by a delay of no spread."""
    found = delayed(2.0, spreads_ms=(0.0, 2.5), n=3)

    assert (found.delay_ms, found.delay_spread_ms) == (pytest.approx(2.0), None)
    assert delayed(2.0, spreads_ms=(0.0, 2.5), n=4).delay_ms is None


def test_a_spread_that_few_strokes_do_not_make_takes_no_delay_away() -> None:
    """Six strokes, but in one mic only four stand clear and one of these does not show it: too few to say. Of eight
    that show a first sound all together and in no part, something else is seen.
    """
    sure = Arrival(time_s=0.0, spread_s=1e-5, sign=1, sign_confidence=0.9, snr_db=50.0, n_hits=6)
    a = ChannelLook(file="a", n_hits={"snare": 6}, arrivals={"snare": sure})
    told = []
    for n_hits in (4, 8):
        late = Arrival(time_s=0.002, spread_s=None, sign=1, sign_confidence=0.9, snr_db=50.0, n_hits=n_hits)
        told.append(
            measure_pair(a, ChannelLook(file="b", n_hits={"snare": 6}, arrivals={"snare": late}), "snare", 20.0)
        )

    assert (told[0].delay_ms, told[0].delay_spread_ms) == (pytest.approx(2.0), None)
    assert told[1].delay_ms is None
