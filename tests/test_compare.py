"""What changed between takes, from made-up records of which the truth is known."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import comparekit
import findkit
from comparekit import file_of, finding, reading
from kitproof.compare import Reading, compare
from kitproof.compare.align import match
from kitproof.compare.levels import FEWEST_STROKES, rank_shift, robust
from kitproof.compare.limits import word
from kitproof.compare.sound import tilt_change
from kitproof.comparison import Change, Comparison
from kitproof.errors import StageInputError
from kitproof.model import HitPicture
from kitproof.observed import Observed
from kitproof.reasons import ALL_MOVED, DRUM_SLIPPED, FEW_IN_ONE, GAIN_NOT_HELD, OTHER_MODE

SIGMAS = 3.0  # how far a figure may be from the truth: one in 370 is further by chance, and the seeds are fixed


def changed(c: Comparison) -> set[tuple[str, str | None, str | None]]:
    """What is called changed: kind, channel, drum."""
    return {(x.kind, x.file, x.drum) for x in c.changes if x.word == "changed"}


def moved(c: Comparison) -> set[tuple[str, str | None]]:
    """What is said to have moved."""
    return {(m.what, m.file if m.what == "mic" else m.drum) for m in c.moves if m.word == "changed"}


def one(c: Comparison, kind: str, file: str | None = None, drum: str | None = None) -> Change:
    return next(x for x in c.changes if x.kind == kind and file in (None, x.file) and drum in (None, x.drum))


# ---------------------------------------------------------------- the same is the same
def test_a_take_against_itself_is_the_same_everywhere() -> None:
    """Nothing is changed, moved or switched, and what is known is called the same."""
    r = reading()
    c = compare([r, r])
    assert {x.word for x in (*c.changes, *c.moves)} == {"same", None}
    assert sum(x.word == "same" for x in c.changes) > 50  # else nothing was compared
    assert (c.switches, c.placements) == ((), ())


@pytest.mark.parametrize("number", range(2, 8))
def test_another_performance_of_the_same_set_up_is_the_same(number: int) -> None:
    """Errors of measurement alone are not called a change."""
    c = compare([reading(), reading(number)])
    assert changed(c) == set()
    assert moved(c) == set()


@pytest.mark.parametrize(
    ("value", "error", "limit", "said"),
    [
        (0.9, 0.1, 1.0, "same"),  # up to the limit
        (1.5, 0.8, 1.0, "same"),  # within two errors, which are within three limits
        (1.7, 0.8, 1.0, "changed"),
        (-1.7, 0.8, 1.0, "changed"),
        (5.0, 3.0, 1.0, "unclear"),  # within two errors so wide that a change may hide
        (0.0, 9.0, 1.0, "same"),
    ],
)
def test_what_a_difference_is_called(value: float, error: float, limit: float, said: str) -> None:
    """Same up to the limit and within two errors; unclear where the errors say nothing."""
    assert word(value, error, limit) == said


# ---------------------------------------------------------------- gain or playing
@pytest.mark.parametrize(
    ("what", "kind", "where", "db"),
    [
        ({"gain": {"snare-top": 3.0}}, "gain", "snare-top", 3.0),
        ({"gain": {"overhead-left": -2.5}}, "gain", "overhead-left", -2.5),
        ({"gain": {"kick": -6.0}}, "gain", "kick", -6.0),
        ({"strength": {"snare": 4.0}}, "strength", "snare", 4.0),
        ({"strength": {"hi-hat": -3.0}}, "strength", "hi-hat", -3.0),
        ({"closer": {"kick": 4.0}}, "closeness", "kick", 4.0),
    ],
)
def test_a_gain_a_harder_player_and_a_nearer_mic_are_told_apart(
    what: dict[str, Any], kind: str, where: str, db: float
) -> None:
    """Exactly what was changed is called changed, by as much as it was, within its own error."""
    c = compare([reading(), reading(2, **what)])
    file, drum = (file_of(where), None) if kind == "gain" else (None, where)
    found = one(c, kind, file, drum)
    assert found.value is not None
    assert found.error is not None
    assert abs(found.value - db) <= SIGMAS * found.error
    # A move nearer by 4 dB may leave its share of the bleed marked, too: less of the others is what it does.
    assert {(k, f, d) for k, f, d in changed(c) if k != "bleed"} == {(kind, found.file, found.drum)}


def test_where_a_drum_slipped_its_other_mics_have_no_gain() -> None:
    """Further from one mic is nearer to or further from the others: their level says nothing of a knob."""
    c = compare([reading(), reading(2, closer={"snare": -6.0})])
    assert one(c, "closeness", drum="snare").word == "changed"
    assert one(c, "gain", "snare-bottom.wav").unmeasured["value"] == DRUM_SLIPPED
    assert one(c, "gain", "snare-top.wav").word == "same"


def test_without_noise_floors_no_gain_is_told_from_no_strength() -> None:
    """Up with all gains or up with all strokes: nothing tells, so nothing is said."""
    c = compare([reading(noise=False), reading(2, noise=False, gain={"snare-top": 3.0})])
    told = [x for x in c.changes if x.kind == "gain"]
    assert {x.value for x in told} == {None}
    assert {x.unmeasured["value"] for x in told} == {GAIN_NOT_HELD}


def test_all_noise_floors_together_are_not_taken_for_gains() -> None:
    """A louder room and softer strokes look like all gains up: neither is claimed."""
    louder = dict.fromkeys(findkit.ROLES, 6.0)
    c = compare([reading(), reading(2, noise_db=louder)])
    assert {x.unmeasured.get("value") for x in c.changes if x.kind == "gain"} == {ALL_MOVED}
    assert all(x.value is None for x in c.changes if x.kind == "strength")


def test_a_strength_of_few_strokes_is_not_given() -> None:
    """Toms of one fill say nothing about how hard the player plays."""
    a, b = reading(), reading(2)
    few = Reading(
        replace(b.measurements, hits=tuple(h for h in b.measurements.hits if h.drum != "rack-tom-1" or h.time_s < 20.0))
    )
    assert one(compare([a, few]), "strength", drum="rack-tom-1").unmeasured["value"] == FEW_IN_ONE.format(
        least=FEWEST_STROKES
    )


def test_peaks_rank_by_rank_do_not_jump_between_two_kinds_of_strokes() -> None:
    """One backbeat more and one ghost note less change the median by the gap between them, the rank shift not."""
    ghosts, backbeats = [-30.0 + 0.1 * i for i in range(10)], [-10.0 + 0.1 * i for i in range(10)]
    shift, _ = rank_shift([*ghosts, *backbeats[:-1]], [*ghosts[:-1], *backbeats])
    assert abs(shift) < 0.5  # a tenth of a dB a rank, a few ranks


def test_outliers_do_not_decide() -> None:
    """One observation that is far off moves the solution by less than half of its own error."""
    A = np.ones((12, 1))
    y = np.array([1.0] * 11 + [20.0])
    x, covariance, held = robust(A, y, np.full(12, 0.5), np.zeros(12, bool))
    assert abs(x[0] - 1.0) < 0.25
    assert held.all()
    assert covariance[0, 0] > 0.0


# ---------------------------------------------------------------- places
def test_a_mic_that_moved_is_named_with_its_way() -> None:
    """All drums come later in one mic: it hangs 0.3 ms, 10 cm, further away."""
    c = compare([reading(), reading(2, moved={"overhead-right": 0.3})])
    assert moved(c) == {("mic", "overhead-right.wav")}
    m = next(m for m in c.moves if m.word == "changed")
    assert (m.drum, m.n_seen) == ("snare", 7)
    assert m.delay_ms is not None
    assert abs(m.delay_ms - 0.3) <= SIGMAS * (m.error_ms or 0.0)
    assert m.path_cm == pytest.approx(34.3 * m.delay_ms, rel=0.01)  # 343 m/s at 20 degrees


def test_a_drum_that_crept_is_named_and_no_mic() -> None:
    """One drum comes later in all mics."""
    c = compare([reading(), reading(2, crept={"kick": 0.4})])
    assert moved(c) == {("drum", "kick")}


def test_a_mic_and_a_drum_that_moved_together_are_both_named() -> None:
    """What one of them explains is not held against the other."""
    c = compare([reading(), reading(2, crept={"kick": -0.5}, moved={"room-left": 0.8})])
    assert moved(c) == {("drum", "kick"), ("mic", "room-left.wav")}


def test_two_centimetres_are_no_move() -> None:
    """0.06 ms is within the limit however well it is measured."""
    assert moved(compare([reading(), reading(2, moved={"overhead-left": 0.06})])) == set()


def test_one_unsure_arrival_moves_nothing() -> None:
    """A single arrival, off by three of its errors, is not enough."""
    a, b = comparekit.take(exact=True), comparekit.take(2, exact=True)
    pairs = tuple(
        replace(p, delay_ms=(p.delay_ms or 0.0) + 0.45, delay_spread_ms=0.14)
        if (p.b, p.drum) == ("room-left.wav", "rack-tom-1") else p for p in b.pairs
    )  # fmt: skip
    assert moved(compare([Reading(a), Reading(replace(b, pairs=pairs))])) == set()


def test_a_moved_mic_is_set_side_by_side_with_its_old_place() -> None:
    """Arrivals of all drums, levels with what they share taken out, the notch, the noise."""
    c = compare([reading(), reading(2, moved={"overhead-right": 0.3}, gain={"overhead-right": 2.0})])
    (p,) = c.placements
    assert p.file == "overhead-right.wav"
    assert {r.quantity for r in p.rows} == {"arrival", "level", "notch", "noise"}
    levels = [r.difference for r in p.rows if r.quantity == "level" and r.difference is not None]
    assert np.median(levels) == pytest.approx(0.0, abs=0.5)  # "matched within 0.5 dB"
    assert all(r.word == "same" for r in p.rows if r.quantity == "level")


# ---------------------------------------------------------------- polarity, channels, formats
def test_the_channel_that_was_turned_over_is_named() -> None:
    """Pairs that turned point to the one channel they share."""
    a, b = comparekit.take(), comparekit.take(2)
    flipped = tuple(
        replace(p, polarity="opposite") if "room-left.wav" in (p.a, p.b) else p for p in b.pairs
    )  # fmt: skip
    c = compare([Reading(a), Reading(replace(b, pairs=flipped))])
    assert [(s.kind, s.file) for s in c.switches] == [("polarity", "room-left.wav")]


def test_an_unsure_polarity_turns_nothing_over() -> None:
    """Both takes have to be sure."""
    a, b = comparekit.take(), comparekit.take(2)
    unsure = tuple(replace(p, polarity="opposite", polarity_confidence=0.5) for p in b.pairs)
    assert compare([Reading(a), Reading(replace(b, pairs=unsure))]).switches == ()


def test_channels_that_go_come_or_change_their_role_are_named() -> None:
    """By file and role, then by role alone; what is left went or came."""
    most = tuple(r for r in findkit.ROLES if r not in ("room-left", "room-right"))
    c = compare([reading(), reading(2, roles=most)])
    assert {(s.kind, s.file) for s in c.switches} == {("channel-gone", f"room-{x}.wav") for x in ("left", "right")}
    back = compare([reading(2, roles=most), reading()])
    assert {(s.kind, s.file) for s in back.switches} == {("channel-new", f"room-{x}.wav") for x in ("left", "right")}
    assert [m.files for m in back.channels if m.files[0] is None] == [
        (None, f"room-{x}.wav") for x in ("left", "right")
    ]


def test_files_named_after_their_take_are_matched_by_role() -> None:
    """Another name is not another mic."""
    ref = findkit.kit()["take"].channels
    other = tuple(replace(c, file=f"take 2 {c.file}", path=f"take 2 {c.path}") for c in ref)
    assert match(ref, other) == {o.file: r.file for r, o in zip(ref, other, strict=True)}


def test_the_same_file_with_another_role_is_a_channel_somebody_renamed() -> None:
    """Kick out called room is one channel with two names, not one that went and one that came."""
    a, b = comparekit.take(), comparekit.take(2)
    channels = tuple(replace(c, role="other") if c.role == "room-left" else c for c in b.take.channels)
    c = compare([Reading(a), Reading(replace(b, take=replace(b.take, channels=channels)))])
    assert [(s.kind, s.before, s.after) for s in c.switches] == [("role", "room-left", "other")]


def test_another_sample_rate_is_said() -> None:
    """As the header has it, before and after."""
    a, b = comparekit.take(), comparekit.take(2)
    files = tuple(replace(f, rate_hz=44100) if f.path == "ride.wav" else f for f in b.take.files)
    c = compare([Reading(a), Reading(replace(b, take=replace(b.take, files=files)))])
    assert [(s.file, s.before, s.after) for s in c.switches] == [("ride.wav", "48000 Hz, 24 bit", "44100 Hz, 24 bit")]


# ---------------------------------------------------------------- tuning and tone
@pytest.mark.parametrize(("cents", "said"), [(0.0, "same"), (20.0, "same"), (-40.0, "changed"), (120.0, "changed")])
def test_a_retuned_drum_is_told_by_its_late_ring(cents: float, said: str) -> None:
    """More than 25 cents is a change."""
    c = compare([reading(), reading(2, late_hz={"snare": 190.0 * 2.0 ** (cents / 1200.0)})])
    found = one(c, "pitch", drum="snare")
    assert found.value == pytest.approx(cents, abs=1e-6)  # the log is exact
    assert found.word == said


def test_a_late_pitch_of_three_strokes_is_not_compared() -> None:
    """Three strokes agree by chance; the early pitch is not there either."""
    a, b = comparekit.take(), comparekit.take(2, late_hz={"snare": 200.0})
    rings = tuple(replace(r, late_n=3) for r in b.observed.rings)
    c = compare([Reading(a), Reading(replace(b, observed=replace(b.observed, rings=rings)))])
    assert "enough strokes" in one(c, "pitch", drum="snare").unmeasured["value"]


def test_another_mode_is_not_taken_for_another_tuning() -> None:
    """An octave up is a mode that stands out, no turn of a key."""
    c = compare([reading(), reading(2, late_hz={"snare": 380.0})])
    assert one(c, "pitch", drum="snare").unmeasured["value"] == OTHER_MODE


def test_early_pitch_is_not_compared_between_soft_and_hard_strokes() -> None:
    """It bends with the stroke by more than tuning does."""
    early = Observed(rings=(comparekit.ring("snare", "snare-top.wav", None, 190.0),))
    a, b = comparekit.take(), comparekit.take(2, strength={"snare": 5.0})
    sides = [Reading(replace(m, observed=replace(m.observed, rings=early.rings))) for m in (a, b)]
    assert "strength" in one(compare(sides), "pitch", drum="snare").unmeasured["value"]
    even = [sides[0], Reading(replace(comparekit.take(2), observed=sides[0].measurements.observed))]
    assert one(compare(even), "pitch", drum="snare").word == "same"


def test_a_harder_player_is_not_taken_for_another_sound() -> None:
    """Crest factor grows with the stroke; at equal strength it is the same, though on average it is not."""
    c = compare([reading(), reading(2, strength={"snare": 4.0})])
    found = one(c, "crest", drum="snare")
    assert found.word == "same"
    assert found.n >= 20  # pairs: of 48 strokes, those that have an equal
    assert found.value is not None
    assert abs(found.value) < 0.7  # 4 dB harder alone would be 2 dB


def test_treble_is_read_as_a_slope_and_level_drops_out() -> None:
    """Third octaves that rise by 6 dB over six octaves and a third, 3 dB louder all over: 6 dB more treble."""
    hz = 1000.0 * 10.0 ** (0.1 * np.arange(-10, 10))
    flat = np.full(len(hz), -40.0)
    octaves = np.log2(8000.0 / 100.0)
    a = picture(hz, flat)
    b = picture(hz, flat + 3.0 + 6.0 * np.log2(hz / 100.0) / octaves)
    tilt, error = tilt_change(a, b)
    assert tilt == pytest.approx(6.0, abs=1e-3)  # a straight line, but for frequencies rounded to 0.1 Hz
    assert error == pytest.approx(0.0, abs=1e-3)


def picture(hz: Any, level: Any) -> HitPicture:
    nothing = np.zeros(2)
    return HitPicture(file="a", drum="snare", rate_hz=48000, n_hits=20, time_ms=nothing, mean=nothing, low=nothing,
                      high=nothing, spectrum_hz=hz, spectrum_dbfs=level)  # fmt: skip


# ---------------------------------------------------------------- noise
def test_noise_is_what_a_gain_does_not_explain() -> None:
    """3 dB more gain bring 3 dB more noise, and that is no news; 8 dB more without gain are."""
    up = compare([reading(), reading(2, gain={"snare-top": 4.0})])
    assert one(up, "noise", "snare-top.wav").word == "same"
    hiss = compare([reading(), reading(2, noise_db={"ride": 8.0})])
    assert one(hiss, "noise", "ride.wav").word == "changed"
    assert one(hiss, "gain", "ride.wav").word == "same"


# ---------------------------------------------------------------- how many
@pytest.mark.parametrize("n", [1, 13])
def test_one_take_or_thirteen_are_refused(n: int) -> None:
    """Two to twelve."""
    with pytest.raises(StageInputError, match="give 2 to 12"):
        compare([reading()] * n)


def test_twelve_takes_are_each_held_against_the_first() -> None:
    """What changed in the seventh is said of the seventh only."""
    c = compare([reading(n, gain={"kick": 4.0} if n == 7 else {}) for n in range(1, 13)])
    assert {x.take for x in c.changes if x.word == "changed" and x.kind == "gain"} == {7}
    assert {x.take for x in c.changes} == set(range(2, 13))


def test_takes_with_nothing_in_common_are_compared_as_far_as_that_goes() -> None:
    """No channel in both: all gone, all new, no figure."""
    c = compare([reading(roles=("kick", "snare-top")), reading(2, roles=("ride", "hi-hat"))])
    assert {s.kind for s in c.switches} == {"channel-gone", "channel-new"}
    assert {x.word for x in (*c.changes, *c.moves)} <= {None, "same"}
    assert {x.kind for x in c.changes} == {"tempo"}


def test_findings_do_not_change_what_changed() -> None:
    """What was found in a take is about that take."""
    a = compare([reading(), reading(2)])
    b = compare([reading(), reading(2, findings=(finding("clipping", "fix", times_s=(1.0,)),))])
    assert a.changes == b.changes
