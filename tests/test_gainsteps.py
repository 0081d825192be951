"""Gain steps: a channel whose level jumps for every drum alike, told apart from everything that sounds like it."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from findkit import file_of, grave, kit, the, told
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.gainsteps import gain_steps
from kitproof.measure.onsets import N_BANDS, OnsetTrack
from kitproof.model import DelayCourse
from kitproof.observed.chain import GainStep

PER_S, SECONDS = 1000, 40
DRUMS = ("kick", "snare", "hi-hat", "ride")
ROLES = ("kick", "snare-top", "hi-hat", "overhead-left", "overhead-right", "room-left")
# drum -> level in each channel of ROLES, dB: own mics loud, bleed 20 to 35 dB below
HEARD = {"kick": (-12, -40, -45, -35, -36, -30), "snare": (-45, -12, -30, -28, -29, -26),
         "hi-hat": (-55, -38, -14, -30, -38, -40), "ride": (-55, -45, -42, -36, -28, -40)}  # fmt: skip
GROOVE = (("kick", "hi-hat"), ("hi-hat",), ("snare", "hi-hat"), ("ride",), ("kick",), ("snare",))


def take(rng, gain_db=lambda role, drum, t: 0.0, strength_db=lambda drum, t: 0.0, groove=GROOVE):
    """A take as observers see it: level tracks of strokes every 0.2 s, each channel with a gain of its own."""
    power = {r: np.full((PER_S * SECONDS, N_BANDS), 1e-8) for r in ROLES}
    times: dict[str, list[float]] = {d: [] for d in DRUMS}
    strength: dict[str, list[float]] = {d: [] for d in DRUMS}
    decay = np.exp(-np.arange(150) / 25.0)[:, None]
    for i, t in enumerate(np.arange(0.5, SECONDS - 0.5, 0.2)):
        for drum in groove[i % len(groove)]:
            hard = rng.normal(0.0, 3.0) + strength_db(drum, t)
            times[drum].append(float(t))
            strength[drum].append(10 ** (hard / 20))
            for role, level in zip(ROLES, HEARD[drum], strict=True):
                # every stroke sounds a little different in every mic and band
                db = level + hard + gain_db(role, drum, t) + rng.normal(0.0, 0.7) + rng.normal(0.0, 0.7, N_BANDS)
                power[role][round(t * PER_S) :][:150] += 10 ** (db / 10) * decay
    empty = np.zeros(0, np.float16)
    tracks = {
        file_of(r): OnsetTrack(
            band_db=(10 * np.log10(p)).astype(np.float16), edge_db=empty, mid_db=empty, frames_per_s=PER_S,
            edges_per_s=4 * PER_S,
        )
        for r, p in power.items()
    }  # fmt: skip
    drums = {
        d: DrumTimes(
            drum=d, own_file=file_of(d), time_s=np.array(times[d]), strength=np.array(strength[d]),
            clear=np.ones(len(times[d]), bool),
        )
        for d in DRUMS
    }  # fmt: skip
    channels = tuple(SimpleNamespace(file=file_of(r), role=r) for r in ROLES)
    return SimpleNamespace(tracks=tracks, drums=drums, kit=channels)


def found(view):
    """(severity, code, files) of the findings on the measured steps."""
    records = kit()
    judged = told(records | {"faults": tuple(gain_steps(view))})
    return [(f.severity, f.files) for f in judged.findings if f.code == "gain-step"]


@pytest.mark.parametrize("size_db", [-2.0, 4.0])
@pytest.mark.parametrize("role", ["snare-top", "overhead-left", "room-left"])
def test_a_touched_gain_is_found_with_its_size_and_time(role, size_db):
    """Own mic or distant one: the step comes out at its size and place."""
    rng = np.random.default_rng(1)
    view = take(rng, gain_db=lambda r, _, t: size_db * (r == role and t > 13.0))

    step = {s.file: s for s in gain_steps(view)}[file_of(role)]

    assert step.step_db == pytest.approx(
        size_db, abs=0.6
    )  # strokes scatter by 1 dB, medians of 11 against 22 of five kinds by 0.2: three of these
    assert step.time_s == pytest.approx(13.0, abs=1.0)  # five strokes
    severity = "fix" if abs(size_db) > 3.0 else "look"
    assert found(view) == [(severity, (file_of(role),))]


def test_a_steady_take_has_no_step():
    """Scatter alone is no step."""
    assert found(take(np.random.default_rng(2))) == []


def test_a_player_who_hits_harder_is_not_a_gain():
    """A loud last chorus is louder in every mic, and the drums of it by different amounts."""
    rng = np.random.default_rng(3)

    assert found(take(rng, strength_db=lambda d, t: {"snare": 9.0, "kick": 5.0}.get(d, 2.0) * (t > 25.0))) == []


def test_a_moved_mic_is_not_a_gain():
    """It hears one drum louder, another softer."""
    rng = np.random.default_rng(4)
    change = {"kick": 0.5, "snare": 3.5, "hi-hat": -3.0, "ride": -1.5}

    assert found(take(rng, gain_db=lambda r, d, t: change[d] * (r == "overhead-left" and t > 20.0))) == []


def test_one_drum_that_changes_is_not_a_gain():
    """The hi-hat's own mic hears it differently once it is played half open."""
    rng = np.random.default_rng(5)

    assert found(take(rng, gain_db=lambda r, d, t: 4.0 * (r == "hi-hat" and d == "hi-hat" and t > 20.0))) == []


TWO_KINDS = (("kick", "hi-hat"), ("snare",))


@pytest.mark.parametrize("size_db", [-2.5, 6.0])
def test_two_kinds_of_strokes_are_enough_where_they_leave_no_doubt(size_db):
    """A groove of kick with hat and snare: what both say is no chance, and one of them is a foreign drum."""
    rng = np.random.default_rng(8)
    view = take(rng, gain_db=lambda r, d, t: size_db * (r == "snare-top" and t > 20.0), groove=TWO_KINDS)

    assert [files for _, files in found(view)] == [(file_of("snare-top"),)]


@pytest.mark.parametrize("seed", range(3))
def test_two_kinds_of_a_lively_or_changed_take_are_no_gain(seed):
    """A louder half, a snare that is struck or tuned otherwise from then on, a mic that moved."""
    rng = np.random.default_rng(30 + seed)
    louder = take(rng, strength_db=lambda d, t: {"snare": 8.0}.get(d, 3.0) * (t > 20.0), groove=TWO_KINDS)
    snare = take(rng, gain_db=lambda r, d, t: 5.0 * (r == "snare-top" and d == "snare" and t > 20.0), groove=TWO_KINDS)
    change = {"kick": 0.5, "snare": 4.5, "hi-hat": -3.0}
    moved = take(rng, gain_db=lambda r, d, t: change[d] * (r == "overhead-left" and t > 20.0), groove=TWO_KINDS)

    assert [found(view) for view in (louder, snare, moved)] == [[], [], []]


def test_a_slow_change_is_not_a_step():
    """A level that sinks from end to end is no touched gain but a mic that loses its power."""
    rng = np.random.default_rng(6)
    view = take(rng, gain_db=lambda r, _, t: -6.0 * t / SECONDS * (r == "room-left"))

    slide = {s.file: s for s in gain_steps(view)}[file_of("room-left")]

    assert found(view) == []
    assert [f.code for f in told(kit() | {"faults": (slide,)}).findings] == ["unpowered-mic"]
    assert slide.slope_db == pytest.approx(-6.0, abs=0.7)  # the others' median takes a sixth of it along


@pytest.mark.parametrize(
    ("changes", "codes"),
    [
        ({"rest": 0.5, "rest_slope": 0.45}, ["unpowered-mic"]),
        (
            {"rest": 0.70, "rest_slope": 0.73, "n_agreeing": 2, "n_foreign": 0},
            ["unpowered-mic"],
        ),  # no step of all kinds
        ({"rest": 0.30, "rest_slope": 0.58, "n_agreeing": 2, "n_foreign": 0}, []),  # nor is it a slope
        ({"rest": 0.70, "rest_slope": 0.73, "n_kinds": 1, "n_agreeing": 1}, []),  # one kind may change by itself
        ({"rest": 0.70, "rest_slope": 0.80, "n_agreeing": 2, "n_foreign": 0}, []),
        ({"rest": 0.70, "rest_slope": 0.73, "n_agreeing": 2, "n_foreign": 0, "slope_db": -3.0}, []),
    ],
)
def test_a_fade_is_told_from_a_step(changes, codes):
    """Whichever explains the strokes; a step that the kinds deny may be a fade, if a slope explains as much."""
    judged = told(kit() | {"faults": (replace(STEP, **{"slope_db": -5.0, **changes}),)})

    assert [f.code for f in judged.findings] == codes


def test_too_little_gives_nothing():
    """No strokes, or all within a few seconds: no record rather than a guess."""
    view = take(np.random.default_rng(7))
    short = {
        d: replace(x, time_s=x.time_s[:5], strength=x.strength[:5], clear=x.clear[:5]) for d, x in view.drums.items()
    }

    assert list(gain_steps(SimpleNamespace(tracks=view.tracks, kit=view.kit, drums={}))) == []
    assert list(gain_steps(SimpleNamespace(tracks=view.tracks, kit=view.kit, drums=short))) == []


STEP = GainStep(
    file=file_of("overhead-left"), step_db=-2.4, error_db=0.2, time_s=21.3, n_strokes=160, n_kinds=5, n_agreeing=5,
    n_foreign=5, n_drums=4, rest=0.4, slope_db=-3.0, rest_slope=0.6,
)  # fmt: skip


def test_the_finding_says_when_and_by_how_much():
    """One look with the size, the place and what to do."""
    finding = the(told(kit() | {"faults": (STEP,)}), "gain-step")

    assert (finding.severity, finding.value, finding.unit, finding.times_s) == ("look", -2.4, "dB", (21.3,))
    assert "2.4 dB quieter" in finding.message
    assert "up by 2.4 dB" in finding.action


@pytest.mark.parametrize(
    ("changes", "severity"),
    [
        ({"step_db": -3.2}, "fix"),
        ({"step_db": 1.2}, "note"),
        ({"step_db": 0.9}, None),
        ({"n_agreeing": 2}, None),  # of five
        ({"n_agreeing": 2, "n_kinds": 3}, "look"),
        ({"n_agreeing": 2, "n_kinds": 3, "rest": 0.75, "rest_slope": 0.9}, None),
        ({"n_agreeing": 1, "n_kinds": 1, "rest": 0.1}, None),
        ({"n_foreign": 0}, None),
        ({"n_drums": 1}, "look"),
        ({"n_drums": 1, "step_db": 1.8}, None),
        ({"rest": 0.9}, None),
        ({"rest_slope": 0.3}, None),
        ({"error_db": 1.0}, None),
    ],
)
def test_only_a_proven_step_is_told(changes, severity):
    """Each condition by itself: size, agreement, foreign strokes, explanation, error."""
    judged = told(kit() | {"faults": (replace(STEP, **changes),)})

    assert [f.severity for f in judged.findings if f.code == "gain-step"] == ([] if severity is None else [severity])


def test_a_mic_known_to_have_moved_explains_its_level():
    """One cause, one finding."""
    moved = DelayCourse(
        file=STEP.file, n_strokes=60, drift_ppm=0.0, drift_error_ppm=1.0, step_ms=0.4, step_error_ms=0.02,
        step_time_s=21.0, shape="step",
    )  # fmt: skip

    assert grave(told(kit() | {"faults": (STEP, moved)})) == [("look", "moved-mic")]
