"""Excerpts and their mean: cut at any fraction of a sample, aligned, weighed, robust against other drums."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

import stroke_sets as st
from kitproof.ingest.audiofile import SpanReader
from kitproof.measure.excerpts import (
    LEAD_S,
    MOST_HITS,
    TAIL_S,
    DrumTimes,
    clear_of_others,
    pick_hits,
    read_excerpts,
    start_error_s,
)
from kitproof.measure.stacking import FEWEST, N_GROUPS, align_strokes, aligned, stack_strokes

RATE_HZ = st.RATE_HZ
ZERO = round(LEAD_S * RATE_HZ)
LENGTH = round((LEAD_S + TAIL_S) * RATE_HZ)


# ------------------------------------------------------------------------------------ excerpts
def test_excerpts_hold_the_samples_around_each_stroke(tmp_path: Path) -> None:
    """Row i begins LEAD_S before stroke i, to the nearest sample, in the channel asked for."""
    ramp = np.arange(RATE_HZ) / 2.0**17  # every sample tells its own number, exactly, in 24 bits
    sf.write(tmp_path / "x.wav", np.stack([0.0 * ramp, ramp], axis=1), RATE_HZ, subtype="PCM_24")
    time_s = np.array([0.2, 0.5 + 0.3 / RATE_HZ])
    with SpanReader(tmp_path / "x.wav") as reader:
        found = read_excerpts(reader, 1, time_s)

    assert found.shape == (2, LENGTH)
    assert found[:, 0] * 2.0**17 == pytest.approx([round((t - LEAD_S) * RATE_HZ) for t in time_s], abs=1e-3)


def test_excerpts_are_silent_outside_the_file(tmp_path: Path) -> None:
    """A stroke at the very start or end of a file gives an excerpt of full length, zeros where nothing is."""
    sf.write(tmp_path / "x.wav", np.full(RATE_HZ, 0.5), RATE_HZ, subtype="PCM_24")
    with SpanReader(tmp_path / "x.wav") as reader:
        found = read_excerpts(reader, 0, np.array([0.0, 1.0, 7.0]))

    assert np.count_nonzero(found, axis=1).tolist() == [LENGTH - ZERO, ZERO, 0]


def test_the_error_of_a_start_is_what_rounding_left() -> None:
    """At most half a sample, and it takes the start from the whole sample back to the time asked for."""
    time_s = np.random.default_rng(1).uniform(0.1, 9.0, 50)
    error = start_error_s(time_s, 44100)
    starts = (time_s - LEAD_S + error) * 44100

    assert np.abs(error).max() <= 0.5 / 44100
    assert starts == pytest.approx(np.round(starts), abs=1e-6)


@pytest.mark.parametrize(
    ("other_s", "clear"), [(0.9941, False), (0.9939, True), (1.0099, False), (1.0101, True), (1.0, False)]
)
def test_a_stroke_is_clear_if_no_other_is_within_its_first_moments(other_s: float, clear: bool) -> None:
    """6 ms before to 10 ms after."""
    assert clear_of_others([1.0], [0.5, other_s, 3.0]).tolist() == [clear]


def test_without_other_drums_every_stroke_is_clear() -> None:
    """Nothing to collide with."""
    assert clear_of_others([1.0, 2.0], []).all()


def test_few_strokes_are_all_used_and_many_are_thinned_evenly() -> None:
    """Up to the limit all; above it as many as the limit, first and last among them."""
    everyone = np.ones(1000, bool)

    assert pick_hits(7, everyone[:7]).tolist() == list(range(7))
    chosen = pick_hits(1000, everyone)
    assert len(chosen) == MOST_HITS
    assert (chosen[0], chosen[-1]) == (0, 999)
    assert np.diff(chosen).max() <= 1000 // MOST_HITS + 1


def test_preferred_strokes_are_used_alone_where_there_are_twenty() -> None:
    """Twenty clear strokes are enough to leave the others out; nineteen are not."""
    twenty, nineteen = np.arange(50) < 20, np.arange(50) < 19

    assert pick_hits(50, twenty).tolist() == list(range(20))
    assert len(pick_hits(50, nineteen)) == 50


# ------------------------------------------------------------------------------------ alignment
def test_aligned_strokes_stand_at_the_same_instant() -> None:
    """Cut at whole samples, strokes are up to half a sample apart; aligned, they are copies of each other.

    To 1e-4 of the peak, 80 dB down: what a rise of 0.8 ms holds above half the sample rate, folded.
    """
    d = st.drum_times(8)
    heard = st.excerpts(d, st.Ring()) / d.strength[:, None]
    moved = aligned(heard.astype(np.float32), start_error_s(d.time_s, RATE_HZ), RATE_HZ)

    assert np.abs(heard - heard[0]).max() > 0.01
    assert np.abs(moved - moved[0])[:, : LENGTH - 100].max() < 1e-4


def test_the_mean_stroke_has_the_strength_of_the_median_one() -> None:
    """Strokes of all strengths, each divided by its own: the mean is what the median stroke sounds like."""
    d = st.drum_times(21)
    stack = stack_strokes(st.aligned_strokes(d, st.excerpts(d, st.Ring(), gain=0.5)), 0.0)
    one = DrumTimes(
        drum="snare", own_file="own.wav", time_s=np.array([1.0]), strength=np.array([np.median(d.strength)]),
        clear=np.ones(1, bool),
    )  # fmt: skip
    alone = align_strokes("mic.wav", RATE_HZ, one, st.excerpts(one, st.Ring(), gain=0.5), np.zeros(1)).waves[0]

    # 1e-4 of 0.25: see the alignment above
    assert stack.mean == pytest.approx(alone * np.median(d.strength), abs=1e-4)


def test_no_filter_sounds_before_the_stroke() -> None:
    """The drum's region is cut out by filters that only follow: ahead of the first sound there is nothing."""
    for drum in ("kick", "snare", "hi-hat", "ride", "rack-tom-2", "floor-tom", "unmiked"):
        d = st.drum_times(6, drum)
        mean = stack_strokes(st.aligned_strokes(d, st.excerpts(d, st.Ring()))).mean
        # 1e-4: half a sample of shift is a sinc, which leaves a trace on both sides of a band-limited rise
        assert np.abs(mean[: ZERO - 4]).max() < 1e-4 * np.abs(mean).max(), drum


# ------------------------------------------------------------------------------------ which strokes, which mean
def test_the_better_half_of_the_strokes_is_stacked() -> None:
    """Half of many, five of few, all of fewer."""
    for n, expected in ((40, 20), (8, FEWEST), (3, 3)):
        d = st.drum_times(n)
        assert stack_strokes(st.aligned_strokes(d, st.excerpts(d, st.Ring()))).n_hits == expected


def test_groups_share_the_strokes_out() -> None:
    """Five groups where ten strokes are stacked, two of five; of three or four each is one, of two there are none."""
    counts = {}
    for n in (20, 5, 4, 3, 2):
        d = st.drum_times(n)
        counts[n] = len(stack_strokes(st.aligned_strokes(d, st.excerpts(d, st.Ring()))).groups)

    assert counts == {20: N_GROUPS, 5: 2, 4: 4, 3: 3, 2: 0}


@pytest.mark.parametrize("every", [2, 4])
def test_strokes_with_another_drum_at_the_same_time_are_left_out(every: int) -> None:
    """With enough clear strokes, what sounds together with the others does not enter the mean, however few they are."""
    d = st.drum_times(24)
    heard = st.excerpts(d, st.Ring())
    spoilt = np.arange(24) % every != 1
    marked = DrumTimes(drum=d.drum, own_file=d.own_file, time_s=d.time_s, strength=d.strength, clear=~spoilt)
    other = st.excerpts(d, st.Ring(hz=(700.0,)), delay_s=0.001)
    mixed = np.where(spoilt[:, None], heard + other, heard).astype(np.float32)

    clean = stack_strokes(st.aligned_strokes(d, heard)).mean
    assert stack_strokes(st.aligned_strokes(marked, mixed)).mean == pytest.approx(clean, abs=1e-4)


def test_noise_falls_as_strokes_are_added() -> None:
    """Four times the strokes of equal noise leave half of it, 6 dB less; 2 dB allowed, for one draw of noise."""
    left = []
    for n in (20, 80):
        rng = np.random.default_rng(n)
        d = DrumTimes(
            drum="snare", own_file="o", time_s=1.0 + np.arange(n) * 0.5, strength=np.ones(n), clear=np.ones(n, bool)
        )
        heard = st.excerpts(d, st.Ring())
        noisy = stack_strokes(st.aligned_strokes(d, heard + st.noise_like(heard, 0.01, rng)), 0.0).mean
        clean = stack_strokes(st.aligned_strokes(d, heard), 0.0).mean
        left.append(float(np.sqrt(np.mean((noisy - clean)[100 : LENGTH - 100] ** 2))))

    assert 20.0 * np.log10(left[0] / left[1]) == pytest.approx(6.02, abs=2.0)
