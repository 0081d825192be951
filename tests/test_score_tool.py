"""The harness behind `make score`: its takes are what they claim, and its figures tell good from bad."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import pytest
import soundfile as sf

sys.path.insert(0, str(Path(__file__).parent / "tools"))

import score
from figures import Outcome, all_figures, f_measure, findings_in_clean, per_drum, per_take
from grooves import COUNT_IN_S, GROOVES, Groove, play
from hitkit import HitKit, KitError, drum_of, open_kit
from render import Alteration, Truth, render

RATE_HZ = 44100
LEAD = 441  # silence before the first sample of a hit
ROLES = ("kick", "snare-top", "overhead-left", "overhead-right", "room")
# samples after the drum's own mic, and level there: a kit known to the last sample
KICK = {"kick": (0, 0.0), "snare-top": (66, -20.0), "overhead-left": (181, -14.0), "overhead-right": (176, -14.0),
        "room": (353, -16.0)}  # fmt: skip
SNARE = {"kick": (66, -30.0), "snare-top": (0, 0.0), "overhead-left": (130, -12.0), "overhead-right": (137, -12.0),
         "room": (309, -14.0)}  # fmt: skip
CRASH = {"kick": (80, -30.0), "snare-top": (60, -24.0), "overhead-left": (0, 0.0), "overhead-right": (60, -6.0),
         "room": (250, -12.0)}  # fmt: skip
TUNE = Groove(
    name="street",  # any name the command knows
    tempo_bpm=120.0,
    bars=({"kick": "A...m.f.", "snare": "..A..gf.", "crash-left": "A......."},) * 3,
)


def stroke(hz: float, decay_s: float, rng: np.random.Generator) -> np.ndarray[Any, np.dtype[np.float64]]:
    """A decaying tone with noise in its attack; the first sample is already within 20 dB of the peak."""
    t = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    x = np.cos(2 * np.pi * hz * t) * np.exp(-t / decay_s) + 0.3 * rng.standard_normal(len(t)) * np.exp(-t / 0.004)
    return x / np.max(np.abs(x))


def write_hits(folder: Path) -> Path:
    """A kit of two drums and a cymbal, two hits of each, 12 dB apart, in five mics."""
    rng = np.random.default_rng(7)
    for instrument, places, hz, decay_s in (
        ("kick", KICK, 60.0, 0.06), ("snare", SNARE, 190.0, 0.05), ("crash-left", CRASH, 3000.0, 0.1),
    ):  # fmt: skip
        (folder / instrument).mkdir(parents=True)
        for number, level_db in ((1, -14.0), (2, -2.0)):
            x = stroke(hz, decay_s, rng)
            for role, (late, below_db) in places.items():
                heard = np.concatenate([np.zeros(LEAD + late), x * 10 ** ((level_db + below_db) / 20)])
                sf.write(folder / instrument / f"{number:02d}-{role}.wav", heard, RATE_HZ, subtype="FLOAT")
    return folder


@pytest.fixture(scope="module")
def hits(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_hits(tmp_path_factory.mktemp("score") / "kit")


@pytest.fixture(scope="module")
def kit(hits: Path) -> HitKit:
    return open_kit(hits)


@pytest.fixture(scope="module")
def outcome(kit: HitKit, tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """A rendered performance with measurements that know the truth."""
    work = tmp_path_factory.mktemp("takes")
    truth = render(kit, TUNE, seed=1, folder=work / "street 1", noise_dbfs=-78.0)
    alteration = Alteration(shift_ms={"overhead-right": 1.2345}, flipped=("room",))
    altered = render(kit, TUNE, seed=1, folder=work / "altered", noise_dbfs=-78.0, alteration=alteration)
    return Outcome(truth=truth, measured=all_known(truth), altered=altered, altered_measured=all_known(altered),
                   baseline_s=truth.hits_s)  # fmt: skip


def stems(folder: Path) -> dict[str, np.ndarray[Any, np.dtype[np.float64]]]:
    return {path.stem[3:]: sf.read(path)[0] for path in sorted(folder.glob("*.wav"))}


def all_known(truth: Truth) -> dict[str, Any]:
    """Measurements without an error: the truth in the words of measurements.json."""
    file, moved, flipped = truth.files, truth.alteration.shift_ms, truth.alteration.flipped
    pairs = [
        (drum, own, role) for drum, own in truth.own.items() for role in ROLES if role.startswith(("over", "room"))
    ]
    pairs += [(drum, "overhead-left", "overhead-right") for drum in truth.own]
    return {
        "hits": [{"time_s": t, "drum": drum} for drum, times in truth.hits_s.items() for t in times],
        "bleed": [{"drum": d, "file": file[r], "bleed_db": db} for (d, r), db in truth.bleed_db.items()],
        "pairs": [
            {
                "a": file[a], "b": file[b], "drum": d,
                "delay_ms": truth.arrival_ms[d, b] - truth.arrival_ms[d, a] + moved.get(b, 0.0) - moved.get(a, 0.0),
                "polarity": "opposite" if (a in flipped) != (b in flipped) else "same",
            }
            for d, a, b in pairs
        ],
        "channels": [
            {"file": f, "sample_peak_dbfs": truth.peak_dbfs[r], "noise_floor_dbfs": truth.noise_dbfs}
            for r, f in file.items()
        ],
        "findings": [],
    }  # fmt: skip


# --------------------------------------------------------------------------------- the kit and the takes
def test_what_is_true_of_a_hit_is_what_was_written(kit: HitKit) -> None:
    """Time, arrivals and energies come back as the kit was made, to the sample."""
    snare = kit.facts["snare", "02"]

    assert (snare.drum, snare.own) == ("snare", "snare-top")
    assert snare.time_s * RATE_HZ == pytest.approx(LEAD)
    start_s = snare.arrival_s["snare-top"]
    assert start_s is not None
    late = {role: round(((snare.arrival_s[role] or 0.0) - start_s) * RATE_HZ) for role in ROLES}
    assert late == {role: place[0] for role, place in SNARE.items()}
    # The window ends 60 ms after the own mic's hit, so a later mic loses the tail: under 1 dB at 50 ms of decay.
    in_kick_db = 10 * np.log10(snare.energy["kick"] / snare.energy["snare-top"])
    assert in_kick_db == pytest.approx(-30.0, abs=1.0)


def test_noise_before_a_hit_makes_its_arrival_unknown(tmp_path: Path) -> None:
    """Where the first sample over the threshold may be noise, no truth is claimed."""
    folder = write_hits(tmp_path / "kit")
    path = folder / "snare" / "02-room.wav"
    x, rate_hz = sf.read(path)
    noise = np.random.default_rng(3).standard_normal(len(x)) * np.max(np.abs(x)) * 0.02
    sf.write(path, x + noise, rate_hz, subtype="FLOAT")

    facts = open_kit(folder).facts["snare", "02"]

    assert facts.arrival_s["room"] is None
    assert facts.arrival_s["overhead-left"] is not None


def test_hits_sound_when_the_truth_says(kit: HitKit, outcome: Outcome, tmp_path: Path) -> None:
    """The first sample above the noise in a drum's own mic is its first true hit."""
    lone = replace(TUNE, bars=({"snare": "A..."},))
    truth = render(kit, lone, seed=3, folder=tmp_path / "lone", noise_dbfs=-90.0)
    x = stems(tmp_path / "lone")["snare-top"]

    (time_s,) = truth.hits_s["snare"]

    assert abs(int(np.argmax(np.abs(x) > 0.03)) - round(time_s * RATE_HZ)) <= 1  # 0.03: 24 dB over the noise's peaks
    assert set(outcome.truth.hits_s) == {"kick", "snare", "unmiked"}


def test_levels_are_as_promised(outcome: Outcome, tmp_path: Path, kit: HitKit) -> None:
    """Peaks lie where an engineer leaves them, and the noise has the RMS that was asked for."""
    assert all(-12.1 <= peak <= -5.9 for peak in outcome.truth.peak_dbfs.values())  # 0.1: room tone on top
    render(kit, TUNE, seed=1, folder=tmp_path / "loud", noise_dbfs=-50.0)
    for x in stems(tmp_path / "loud").values():
        quiet = x[: round((COUNT_IN_S - 0.1) * RATE_HZ)]
        # 1.4 s of noise that is strongest below 300 Hz: its RMS varies by some 2 %, four times that allowed.
        assert 20 * np.log10(np.sqrt(np.mean(quiet**2))) == pytest.approx(-50.0, abs=0.7)


def test_noise_is_independent_between_channels(kit: HitKit, tmp_path: Path) -> None:
    """Two mics share the drums, not the room tone."""
    render(kit, TUNE, seed=1, folder=tmp_path / "take", noise_dbfs=-50.0)
    x = stems(tmp_path / "take")
    quiet = slice(round((COUNT_IN_S - 0.1) * RATE_HZ))

    # Over about 1000 independent samples chance gives 0.03.
    assert abs(np.corrcoef(x["kick"][quiet], x["room"][quiet])[0, 1]) < 0.2


def test_alterations_do_what_they_say_and_nothing_else(outcome: Outcome, tmp_path: Path, kit: HitKit) -> None:
    """A shift is a pure delay by that fraction of a sample, a flip a change of sign; the rest stays."""
    alteration = Alteration(shift_ms={"overhead-right": 1.2345}, flipped=("room",))
    render(kit, TUNE, seed=1, folder=tmp_path / "as-is", noise_dbfs=-78.0)
    render(kit, TUNE, seed=1, folder=tmp_path / "altered", noise_dbfs=-78.0, alteration=alteration)
    before, after = stems(tmp_path / "as-is"), stems(tmp_path / "altered")

    assert np.array_equal(before["kick"], after["kick"])
    assert np.max(np.abs(before["room"] + after["room"])) <= 2**-23  # one step of 24 bits: halves round one way
    a, b = (np.fft.rfft(x["overhead-right"]) for x in (before, after))
    hz = np.fft.rfftfreq(len(before["overhead-right"]), 1 / RATE_HZ)
    heard = (hz > 40) & (hz < 300)  # where there is signal, and less than a full turn of phase
    turn = np.angle(np.sum((b * np.conj(a))[heard] * np.exp(2j * np.pi * hz[heard] * 1.2345e-3)))
    assert abs(turn) < 1e-3  # 1e-3 of a turn at 150 Hz: a microsecond


def test_a_seed_is_a_performance(tmp_path: Path, kit: HitKit) -> None:
    """The same seed plays the same, another one differently, and nobody plays like a machine."""
    groove = GROOVES[0]
    one, same, other = (play(groove, np.random.default_rng(seed)) for seed in (1, 1, 2))

    assert one == same
    assert [s.time_s for s in one] != [s.time_s for s in other]
    kicks = np.array(
        [s.time_s for s in play(replace(TUNE, bars=({"kick": "A.A.A.A."},) * 8), np.random.default_rng(1))]
    )
    assert 1e-3 < np.std(np.diff(kicks)) < 30e-3  # a few ms, and a tempo that wanders by a percent


def test_grooves_cover_what_is_asked_of_them() -> None:
    """Different tempi, ghost notes, flams, a soft stretch, ride, open hat, toms and crashes."""
    signs = "".join(sign for g in GROOVES for bar in g.bars for sign in bar.values())
    struck = {name for g in GROOVES for bar in g.bars for name in bar}

    assert len(GROOVES) >= 4
    assert len({g.tempo_bpm for g in GROOVES}) == len(GROOVES)
    assert set("sgpmfAx.") == set(signs)
    assert {"kick", "snare", "hi-hat", "hi-hat-open", "ride", "crash-left", "crash-right", "china"} <= struck
    assert {"rack-tom-1", "rack-tom-2", "rack-tom-3", "floor-tom"} <= struck


def test_raised_bleed_is_louder_by_that_much(hits: Path, kit: HitKit) -> None:
    """Only other drums, only in close mics."""
    raised = open_kit(hits, raise_bleed_db=20.0)
    before, after = kit.facts["kick", "02"].energy, raised.facts["kick", "02"].energy

    assert after["snare-top"] / before["snare-top"] == pytest.approx(100.0, rel=1e-4)  # float32 samples
    assert after["kick"] == before["kick"]
    assert after["room"] == before["room"]


def test_fewer_mics_leave_drums_unmiked(hits: Path) -> None:
    """Without its own mic a drum is unmiked, timed where it is loudest."""
    small = open_kit(hits, only_mics=["kick", "overhead-left"])

    assert (small.facts["snare", "02"].drum, small.facts["snare", "02"].own) == ("unmiked", "overhead-left")
    assert small.facts["kick", "02"].drum == "kick"


def test_another_rate_changes_no_time(hits: Path, kit: HitKit) -> None:
    """Resampled hits sound at the same time."""
    fast = open_kit(hits, rate_hz=96000)

    # The resampling filter rings for some samples before a step: well under 0.1 ms.
    assert fast.facts["kick", "02"].time_s == pytest.approx(kit.facts["kick", "02"].time_s, abs=1e-4)


@pytest.mark.parametrize(
    ("instrument", "drum"),
    [("snare", "snare"), ("hi-hat-open", "hi-hat"), ("floor-tom-2", "floor-tom-2"), ("ride-bell", "ride"),
     ("crash-left", "unmiked"), ("snares", "unmiked")],
)  # fmt: skip
def test_instruments_belong_to_drums(instrument: str, drum: str) -> None:
    """A way to strike a drum is that drum; what no mic stands at is unmiked."""
    assert drum_of(instrument) == drum


# ------------------------------------------------------------------------------------------- the figures
def test_measurements_without_error_meet_every_goal(outcome: Outcome) -> None:
    """Nothing is short, nothing is left out, and no error is seen where there is none."""
    figures = all_figures([outcome])

    assert [f.name for f in figures if f.short] == []
    assert [f.name for f in figures if f.value is None] == []
    assert all(f.value == pytest.approx(0.0, abs=1e-6) for f in figures if "error" in f.name)


def _late(m: dict[str, Any]) -> None:
    for hit in m["hits"]:
        hit["time_s"] += 0.001


def _lose_snares(m: dict[str, Any]) -> None:
    m["hits"] = [hit for hit in m["hits"] if hit["drum"] != "snare"]


def _lose_crashes(m: dict[str, Any]) -> None:
    m["hits"] = [hit for hit in m["hits"] if hit["drum"] != "unmiked"]


def _wrong(part: str, key: str, by: float) -> Callable[[dict[str, Any]], None]:
    def spoil(m: dict[str, Any]) -> None:
        for entry in m[part]:
            entry[key] += by

    return spoil


def _withhold(part: str, key: str) -> Callable[[dict[str, Any]], None]:
    def spoil(m: dict[str, Any]) -> None:
        for entry in m[part]:
            entry[key] = None

    return spoil


@pytest.mark.parametrize(
    ("spoil", "short"),
    [
        (_late, "hits: time, median error"),
        (_lose_snares, "hits: F at 25 ms, mean over drums"),
        (_lose_snares, "hits: F at 25 ms, worst"),
        (_lose_crashes, "hits: F at 50 ms, unmiked"),
        (_wrong("bleed", "bleed_db", -2.0), "bleed: median error"),
        (_wrong("bleed", "bleed_db", 4.0), "bleed: error that 90 % keep"),
        (_wrong("pairs", "delay_ms", 0.5), "arrival: median error"),
        (_wrong("pairs", "delay_ms", -1.5), "arrival: error that 90 % keep"),
        (_wrong("pairs", "delay_ms", 0.2), "arrival: left against right, median error"),
        (_wrong("pairs", "delay_ms", 0.06), "shift: worst error"),
        (_wrong("channels", "sample_peak_dbfs", 0.1), "sample peak: worst error"),
        (_wrong("channels", "noise_floor_dbfs", 1.0), "noise floor: median error"),
        (_withhold("bleed", "bleed_db"), "bleed: median error"),
        (_withhold("pairs", "delay_ms"), "arrival: median error"),
        (_withhold("pairs", "delay_ms"), "shift: median error"),
        (_withhold("pairs", "polarity"), "flips: channels seen"),
    ],
)
def test_each_error_is_noticed(outcome: Outcome, spoil: Callable[[dict[str, Any]], None], short: str) -> None:
    """A measurement that is off, or withheld everywhere, makes its own figure short."""
    measured = json.loads(json.dumps(outcome.measured))
    spoil(measured)

    figures = all_figures([replace(outcome, measured=measured)])

    assert short in {f.name for f in figures if f.short}


def test_a_flip_that_is_not_reported_is_noticed(outcome: Outcome) -> None:
    """If the altered take reads like the clean one, neither flip nor shift was seen."""
    figures = {f.name: f for f in all_figures([replace(outcome, altered_measured=outcome.measured)])}

    assert figures["flips: channels seen"].short
    assert figures["flips: channels seen"].value == 0.0
    assert figures["shift: median error"].value == pytest.approx(1234.5)


def test_a_stroke_is_matched_only_once() -> None:
    """Two reports of one stroke are one hit and one false alarm: F = 2/3."""
    assert f_measure([([1.0], [1.0, 1.005])], 0.025) == pytest.approx(2 / 3)
    assert f_measure([([1.0], [])], 0.025) == 0.0
    assert f_measure([([1.0], [1.1]), ([1.1], [1.0])], 0.025) == 0.0  # not across takes


def test_one_take_scores_as_published() -> None:
    """Source: mir_eval.onset.f_measure, the onset F-measure in common use."""
    rng = np.random.default_rng(5)
    true_s = np.sort(rng.uniform(0.0, 20.0, 60))
    found_s = np.sort(np.concatenate([true_s[:40] + rng.normal(0.0, 0.02, 40), rng.uniform(0.0, 20.0, 15)]))

    for window_s in (0.010, 0.025, 0.050):
        published, _, _ = mir_eval.onset.f_measure(true_s, found_s, window=window_s)
        assert f_measure([(list(true_s), list(found_s))], window_s) == pytest.approx(published)


def test_many_takes_are_scored_together(outcome: Outcome) -> None:
    """Ten error-free takes are as good as one."""
    assert [f.name for f in all_figures([outcome] * 10) if f.short] == []


def test_hits_on_a_drum_nobody_struck_are_counted(outcome: Outcome) -> None:
    """They belong to no F, as there is nothing to match, and would be forgotten."""
    truth = replace(outcome.truth, hits_s={d: t for d, t in outcome.truth.hits_s.items() if d != "snare"})

    figures = {f.name: f for f in all_figures([replace(outcome, truth=truth)])}

    n_stray = len(outcome.truth.hits_s["snare"])
    assert figures["hits: on drums nobody struck"].value == n_stray
    assert set(per_drum([replace(outcome, truth=truth)])) == {"kick"}
    in_take = per_take([replace(outcome, truth=truth)])["street 1"]
    assert in_take.n_reported - in_take.n_true == n_stray


def test_findings_in_clean_takes_are_listed_unless_true(outcome: Outcome) -> None:
    """By severity, code and channel; notes are no alarms, and what is true of the kit is excused."""
    room = outcome.truth.files["room"]
    entries = [
        {"severity": s, "code": c, "files": [room]} for s, c in (("fix", "hum"), ("look", "polarity"), ("note", "x"))
    ]
    measured = {**outcome.measured, "findings": entries}

    found = findings_in_clean([replace(outcome, measured=measured)] * 2, known=["polarity:room"])

    assert found == {("fix", "hum", "room"): 2}


# ------------------------------------------------------------------------------------------- the command
def test_the_installed_program_is_scored(
    hits: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """From a folder of hits to the table: strokes this plain are found, and the exit status follows the goals."""
    monkeypatch.setattr(score, "GROOVES", (TUNE,))

    status = score.main([str(hits), "--grooves", "street", "--no-baseline", "--keep", str(tmp_path / "kept")])

    table = capsys.readouterr().out
    assert status == (1 if " short" in table else 0)
    assert "findings in 1 takes" in table
    (row,) = (line for line in table.splitlines() if line.startswith("hits: F at 25 ms, mean over drums"))
    assert float(row.split()[8]) > 0.8
    assert (tmp_path / "kept" / "street 1.json").is_file()


def test_what_cannot_be_used_is_said(hits: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Status 2 and one line: no hits, an unknown channel, a missing one, a mic that is not there."""
    unknown, gap = write_hits(tmp_path / "unknown"), write_hits(tmp_path / "gap")
    (unknown / "kick" / "01-room.wav").rename(unknown / "kick" / "01-cowbell.wav")
    (gap / "snare" / "01-room.wav").unlink()
    (tmp_path / "empty").mkdir()

    for arguments, said in (
        ([str(tmp_path / "empty")], "no hits"),
        ([str(unknown)], "'cowbell' is no role"),
        ([str(gap)], "lacks room"),
        ([str(hits), "--only-mics", "ride"], "no mic ride"),
    ):
        assert score.main(arguments) == 2
        assert said in capsys.readouterr().err


def test_a_take_that_is_not_measured_stops_the_run(hits: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                    capsys: pytest.CaptureFixture[str]) -> None:  # fmt: skip
    """No table is made of half the takes."""
    monkeypatch.setattr(score, "GROOVES", (TUNE,))
    program = tmp_path / "broken"
    program.write_text("#!/bin/sh\necho no memory >&2\nexit 2\n")
    program.chmod(0o755)

    assert score.main([str(hits), "--grooves", "street", "--program", str(program)]) == 2
    assert "no memory" in capsys.readouterr().err


def test_stereo_hits_are_refused(tmp_path: Path) -> None:
    """One mic a file: which half is the mic cannot be guessed."""
    folder = write_hits(tmp_path / "kit")
    sf.write(folder / "kick" / "01-room.wav", np.zeros((100, 2)), RATE_HZ)

    with pytest.raises(KitError, match="2 channels"):
        _ = open_kit(folder).facts
