"""The harness behind `make faults`: its faults are what they claim, and its verdicts tell found from missed."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
from scipy.signal import butter, sosfilt

sys.path.insert(0, str(Path(__file__).parent / "tools"))

import faults
import faulttakes
import injectors as basic
import injectors_sound as sound
import injectors_time as time
from faulttakes import Harm, Memory, Seen, Stage
from injectors import Damage, Fault, Injector, Scene, Signal
from injectors_list import FAULTS
from render import Alteration, Truth

from kitproof.find.registry import CODE_ORDER
from kitproof.model import Finding
from kitproof.roles import LABELS
from test_score_tool import TUNE, write_hits

RATE_HZ = 44100
SECONDS = 4.8
ROLES = ("kick", "snare-top", "snare-bottom", "hi-hat", "rack-tom-1", "rack-tom-2", "floor-tom", "ride",
         "overhead-left", "overhead-right", "room-left", "room-right")  # fmt: skip
HITS_S = {
    "kick": (0.5, 1.5, 2.5, 3.5), "snare": (1.0, 2.0, 3.0, 4.0), "rack-tom-1": (1.2, 2.2, 3.2),
    "rack-tom-2": (1.3, 2.3), "floor-tom": (1.4, 2.4, 3.4), "hi-hat": (0.7, 1.7, 2.7), "ride": (0.9, 1.9, 4.2),
}  # fmt: skip


def ringing(at_s: tuple[float, ...], hz: float, gain: float) -> Signal:
    """Decaying tones at the given times."""
    x = np.zeros(round(SECONDS * RATE_HZ))
    t = np.arange(round(0.6 * RATE_HZ)) / RATE_HZ
    for at in at_s:
        x[round(at * RATE_HZ) :][: len(t)] += gain * np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.12)
    return x


@pytest.fixture(scope="module")
def scene() -> Scene:
    """Twelve channels of decaying tones over noise."""
    rng = np.random.default_rng(1)
    low = butter(2, 6000.0, fs=RATE_HZ, output="sos")
    stems = {}
    for i, role in enumerate(ROLES):
        own = basic.DRUM_OF_ROLE.get(role)
        x = sum(ringing(at, 80.0 + 30.0 * k, 0.3 if own in (drum, None) else 0.01)
                for k, (drum, at) in enumerate(HITS_S.items()))  # fmt: skip
        stems[role] = x * (1.0 + 0.01 * i) + 1e-4 * sosfilt(low, rng.standard_normal(len(x)))
    click = np.zeros(len(stems["kick"]))
    click[:: RATE_HZ // 2] = 0.7
    return Scene(rate_hz=RATE_HZ, stems=stems, hits_s=HITS_S, arrival_ms={("snare", "overhead-left"): 2.0,
                 ("snare", "overhead-right"): 2.4}, click=click, foreign=lambda role: stems[role][::-1])  # fmt: skip


def done(inject: Injector, scene: Scene, role: str, amount: float, seed: int = 5) -> Damage:
    return inject(scene, role, amount, np.random.default_rng(seed))


def level_db(x: Signal) -> float:
    return float(20.0 * np.log10(np.sqrt(np.mean(x**2))))


# -------------------------------------------------------------------------------------------- every injector
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_fault_touches_what_it_says_and_can_be_repeated(fault: Fault, scene: Scene) -> None:
    """The clean take stays as it was, the same seed gives the same fault, samples can be written, the harm is named."""
    role = next(r for r in fault.roles if any(name.startswith(r) for name in ROLES))
    before = {r: x.copy() for r, x in scene.stems.items()}

    damage, again = (done(fault.inject, scene, role, fault.full) for _ in range(2))

    assert all(np.array_equal(scene.stems[r], before[r]) for r in ROLES)
    assert damage.stems
    assert set(damage.roles) <= set(ROLES)
    assert set(damage.stems) & set(damage.roles)
    for r, x in damage.stems.items():
        assert np.array_equal(x, again.stems[r])
        assert np.all(np.isfinite(x))
        assert basic.peak(x) <= 1.0
        assert len(x) == scene.n or fault.codes[0] in ("length-mismatch", "ending-cut", "format-mismatch")
        assert damage.spoil or damage.subtype or not np.array_equal(x, scene.stems[r])


# Slips that are rarer are as large, and a wave that is laid aside by 20 ms differs no more than by 7; what is done to a
# written file has a test of its own below.
LESS_OF_IT = [f for f in FAULTS if f.graded and f.name not in ("clock slips", "uneven edit", "truncated")]


@pytest.mark.parametrize("fault", LESS_OF_IT, ids=lambda fault: fault.name)
def test_a_third_of_a_fault_is_less_of_it(fault: Fault, scene: Scene) -> None:
    """What is changed in the channel is weaker or shorter at a third of the dose."""
    role = next(r for r in fault.roles if any(name.startswith(r) for name in ROLES))
    full, third = (done(fault.inject, scene, role, share * fault.full) for share in (1.0, 0.33))
    where = next(r for r in full.roles if r in full.stems)

    def harm(d: Damage) -> float:
        n = min(len(d.stems[where]), scene.n)
        return scene.n - n + float(np.sum(np.abs(d.stems[where][:n] - scene.stems[where][:n])))

    assert harm(third) < harm(full)


def test_the_list_is_sound() -> None:
    """Names are unique, and every channel is a role or the beginning of a pair's."""
    assert len({f.name for f in FAULTS}) == len(FAULTS)
    for f in FAULTS:
        assert all(any(label.startswith(role) for label in LABELS) for role in f.roles)


# ------------------------------------------------------------------------------------ what each one claims
def test_overload_ends_at_its_ceiling(scene: Scene) -> None:
    """Flat at full scale, or at -4 dBFS on the sides it says; the other side stays round."""
    digital = done(basic.clip_digital, scene, "snare-top", 4.0).stems["snare-top"]
    assert np.count_nonzero(digital >= basic.FULL_SCALE) >= 10
    both, one = (done(f, scene, "snare-top", 3.0).stems["snare-top"] for f in (basic.clip_both, basic.clip_one_side))
    # AC coupling at 1.5 Hz moves these lopsided waves by up to 0.02.
    ceiling = 10 ** (-4.0 / 20)
    assert float(both.max()) == pytest.approx(ceiling, abs=0.02)
    assert float(-both.min()) == pytest.approx(0.98 * ceiling, abs=0.02)
    assert max(float(one.max()), float(-one.min())) > ceiling * 1.05


def test_gain_faults_have_their_size(scene: Scene) -> None:
    """Offset, attenuation, step and gate come out as they were asked for."""
    x = scene.stems["rack-tom-1"]
    assert float(np.mean(done(basic.dc_offset, scene, "rack-tom-1", 0.012).stems["rack-tom-1"] - x)) == pytest.approx(
        0.012
    )
    assert done(basic.low_level, scene, "rack-tom-1", 63.0).value == pytest.approx(
        20.0 * np.log10(basic.peak(x) / 63.0), abs=0.05
    )  # 0.05 dB: the converter's noise on top
    stepped = done(basic.gain_step, scene, "rack-tom-1", 6.0).stems["rack-tom-1"]
    assert level_db(stepped[-RATE_HZ:]) - level_db(x[-RATE_HZ:]) == pytest.approx(-6.0, abs=0.01)
    gated = done(basic.gated, scene, "rack-tom-1", 60.0).stems["rack-tom-1"]
    assert level_db(gated[-RATE_HZ:]) - level_db(x[-RATE_HZ:]) == pytest.approx(-60.0, abs=0.1)
    at = round(1.2 * RATE_HZ)
    assert np.array_equal(gated[at : at + 200], x[at : at + 200])


def test_time_faults_have_their_size(scene: Scene) -> None:
    """A ramp read through them shows how late each sample is."""
    ramp = np.arange(scene.n) / RATE_HZ  # its value is its time, so what is read is when it was
    course = replace(scene, stems={**scene.stems, "room-left": ramp})
    inner = slice(RATE_HZ // 2, -RATE_HZ // 2)

    def late_s(inject: Injector, amount: float) -> Signal:
        return np.asarray((ramp - done(inject, course, "room-left", amount).stems["room-left"])[inner])

    drift = late_s(time.clock_drift, 40.0)
    assert (drift[-1] - drift[0]) / (len(drift) / RATE_HZ) == pytest.approx(40e-6, rel=1e-3)
    for inject in (time.moved_mic, time.creeping_mic):
        moved = late_s(inject, 0.8)
        assert moved[0] == pytest.approx(0.0, abs=1e-9)
        assert moved[-1] == pytest.approx(0.8e-3, abs=1e-9)
    slips = -np.diff(done(time.clock_slips, course, "room-left", 2.0).stems["room-left"][inner]) * RATE_HZ + 1.0
    assert np.count_nonzero(np.abs(slips) > 0.5) == pytest.approx(2.0 * (SECONDS - 1.0), abs=1)


def test_lost_samples_are_lost(scene: Scene) -> None:
    """Zeros, held values and a skip of the length that was asked for, at the time that is told."""
    x = done(time.dropout, scene, "snare-top", 6.0)
    at = round((x.value or 0.0) * RATE_HZ)
    assert not x.stems["snare-top"][at : at + round(0.006 * RATE_HZ)].any()
    held = done(time.dropout_held, scene, "kick", 6.0)
    at = round((held.value or 0.0) * RATE_HZ)
    assert len(set(held.stems["kick"][at : at + round(0.006 * RATE_HZ)].tolist())) == 1
    skip = done(time.skip, scene, "kick", 40.0)
    at, n = round((skip.value or 0.0) * RATE_HZ), round(0.040 * RATE_HZ)
    assert set(skip.stems) == set(ROLES)
    assert np.array_equal(skip.stems["ride"][at : at + 500], scene.stems["ride"][at + n : at + n + 500])


def test_added_sounds_have_their_level(scene: Scene) -> None:
    """Hum at its frequency and amplitude, noise at its RMS, the click's share of its energy."""
    x = scene.stems["floor-tom"]
    hum = done(sound.hum, scene, "floor-tom", 0.0025)
    t = np.arange(scene.n) / RATE_HZ
    tone = np.exp(-2j * np.pi * (hum.value or 0.0) * t)
    # Four seconds of a tone and its harmonics: what leaks from them into one line is under 1 %.
    assert abs(2.0 * np.mean((hum.stems["floor-tom"] - x) * tone)) == pytest.approx(0.0025, rel=0.01)
    noise = done(sound.noise, scene, "floor-tom", 0.005)
    assert level_db(noise.stems["floor-tom"] - x) == pytest.approx(noise.value or 0.0, abs=0.01)
    click = done(sound.click_bleed, scene, "floor-tom", 0.001)
    assert scene.click is not None
    leak = click.stems["floor-tom"] - x
    assert 10 * np.log10(np.sum(leak**2) / np.sum(scene.click**2)) == pytest.approx(click.value or 0.0, abs=0.01)


def test_tuning_sinks_to_the_last_stroke(scene: Scene) -> None:
    """The last stroke rings lower by as many cents as asked, the first as before."""
    x = scene.stems["floor-tom"]
    y = done(sound.tuning_drift, scene, "floor-tom", 90.0).stems["floor-tom"]

    def pitch_hz(z: Signal, at_s: float) -> float:
        part = z[round((at_s + 0.01) * RATE_HZ) :][: round(0.15 * RATE_HZ)]
        lines = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 18))
        return float(np.argmax(lines) * RATE_HZ / (1 << 18))

    last = 1200 * np.log2(pitch_hz(y, 3.4) / pitch_hz(x, 3.4))
    assert last == pytest.approx(-90.0, abs=10.0)  # fading back into the channel pulls a little
    assert pitch_hz(y, 1.4) == pytest.approx(pitch_hz(x, 1.4))


# -------------------------------------------------------------------------------------------------- verdicts
def finding(code: str, *files: str, severity: Any = "look", value: float | None = None) -> Finding:
    return Finding(code=code, severity=severity, files=files, message="It hums.", action="Stop it.", value=value)


def stage_of(tmp_path: Path, scene: Scene, findings: tuple[Finding, ...] = ()) -> Stage:
    files = {role: f"{role}.wav" for role in ROLES}
    truth = Truth(name="x", rate_hz=RATE_HZ, files=files, own={}, hits_s={}, bleed_db={}, arrival_ms={}, peak_dbfs={},
                  noise_dbfs=-78.0, alteration=Alteration())  # fmt: skip
    folder = tmp_path / "clean"
    folder.mkdir()
    for role, file in files.items():
        sf.write(folder / file, scene.stems[role], RATE_HZ, subtype="PCM_24")
    return Stage(folder=folder, work=tmp_path, truth=truth, scene=scene, memory=Memory(), files=files,
                 findings=findings, usual=faulttakes.keys(findings))  # fmt: skip


HUM = next(f for f in FAULTS if f.name == "hum")
SHORT = next(f for f in FAULTS if f.name == "truncated")


@pytest.mark.parametrize(
    ("findings", "severity"),
    [
        ([finding("hum", "floor-tom.wav")], "look"),
        ([finding("hum", "floor-tom.wav", severity="note")], "note"),
        ([finding("hum", "ride.wav", "floor-tom.wav", severity="fix")], "fix"),
        ([finding("hum", "ride.wav")], ""),  # the wrong channel
        ([finding("noise", "floor-tom.wav")], ""),  # the wrong name
        ([finding("hum", "kick.wav")], ""),
        ([], ""),
    ],
)
def test_found_is_the_right_code_on_the_right_channel(
    findings: list[Finding], severity: str, scene: Scene, tmp_path: Path
) -> None:
    """Nothing else counts, and the gravest finding is the answer."""
    assert faulttakes.answer(stage_of(tmp_path, scene), findings, HUM, {"floor-tom.wav"})["severity"] == severity


def test_what_the_clean_take_has_too_is_neither_found_nor_false(
    scene: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A finding of the clean take proves nothing; a new one on an untouched channel is a false alarm."""
    usual = finding("hum", "floor-tom.wav")
    stage = stage_of(tmp_path, scene, (usual,))
    assert faulttakes.answer(stage, [usual], HUM, {"floor-tom.wav"})["severity"] == "usual"

    told = [usual, finding("noise", "kick.wav"), finding("noise", "ride.wav"), finding("polarity", "kick.wav",
            severity="note")]  # fmt: skip
    monkeypatch.setattr(faulttakes, "measured", lambda stage, folder: replace_findings(told))
    (seen,) = faulttakes.look(stage, [Harm(fault=HUM, role="ride", strength=1.0)])

    assert not seen.found
    assert seen.also == ("noise:ride",)
    assert seen.elsewhere == ("noise:kick",)


class replace_findings:  # noqa: N801
    """Measurements of which only the findings are asked for."""

    def __init__(self, findings: list[Finding]) -> None:
        self.findings = tuple(findings)


def test_only_harmed_files_are_written_anew(scene: Scene, tmp_path: Path) -> None:
    """The others are the clean take's own files, which stay as they were; a spoiled file is spoiled on disk."""
    stage = stage_of(tmp_path, scene)
    harms = [Harm(fault=HUM, role="floor-tom", strength=0.5), Harm(fault=SHORT, role="ride", strength=0.33)]
    before = (stage.folder / "ride.wav").read_bytes()

    folder, damages = faulttakes.harm(stage, harms, 3)

    same = {p.name for p in folder.iterdir() if p.samefile(stage.folder / p.name)}
    assert same == {f"{role}.wav" for role in ROLES} - {"floor-tom.wav", "ride.wav"}
    assert (stage.folder / "ride.wav").read_bytes() == before
    assert (folder / "ride.wav").stat().st_size == len(before) - 3 * round(0.33 * SHORT.full * RATE_HZ)
    assert [d.roles for d in damages] == [("floor-tom",), ("ride",)]


def length(path: Path, log: Path) -> int:
    """A job that leaves a mark whenever it is really run."""
    with log.open("a") as file:
        file.write("x")
    return path.stat().st_size


def test_a_job_on_the_same_file_is_answered_from_memory(tmp_path: Path) -> None:
    """A hard link is the same file, a file written anew is not; what failed is told to the one who asked."""
    log, memory = tmp_path / "log", Memory()
    (tmp_path / "a").write_bytes(b"123")
    os.link(tmp_path / "a", tmp_path / "b")
    (tmp_path / "c").write_bytes(b"1234")

    # The log is named by a string, as it changes with every run.
    sizes = [memory.submit(length_at, tmp_path / name, str(log)).result() for name in ("a", "b", "a", "c")]

    assert sizes == [3, 3, 3, 4]
    assert log.read_text() == "xx"
    with pytest.raises(FileNotFoundError):
        memory.submit(length_at, tmp_path / "none", str(log)).result()
    memory.forget()
    memory.submit(length_at, tmp_path / "a", str(log)).result()
    assert log.read_text().count("x") == 4  # the missing file's run, and one after everything was forgotten


def length_at(path: Path, log: str) -> int:
    return length(path, Path(log))


# ----------------------------------------------------------------------------------------- rows and the table
def test_faults_without_a_code_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the program does not know is not failed; a yes or no is tried once, a dose at every strength."""
    monkeypatch.setattr(faults, "CODE_ORDER", ("hum", "truncated-file"))
    known = faults.exist(FAULTS)
    assert {f.codes[0] for f in known} == {"hum", "truncated-file"}
    harms = faults.harms_of(known, ["ride", "floor-tom"], [1.0, 0.33])
    assert [(h.fault.name, h.role, h.strength) for h in harms] == [
        ("hum", "floor-tom", 1.0), ("hum", "floor-tom", 0.33), ("truncated", "ride", 1.0), ("truncated", "ride", 0.33),
    ]  # fmt: skip


def test_faults_together_are_different_and_on_different_channels() -> None:
    """As many as asked for, each with a code and a channel of its own."""
    for harms in faults.combinations(faults.exist(FAULTS), ROLES, 3, 8, np.random.default_rng(2)):
        assert len({h.role for h in harms}) == len({h.fault.codes[0] for h in harms}) == 3
        assert all(h.fault.shared and h.role in ROLES for h in harms)


def seen(strength: float, severity: str, **more: Any) -> Seen:
    common: Mapping[str, Any] = {
        "take": "x", "fault": "hum", "code": "hum", "role": "ride", "amount": 0.003 * strength, "unit": "of full scale",
        "value": 50.1, "true_value": 50.0, "value_unit": "Hz", "also": (), "elsewhere": (),
    }  # fmt: skip
    return Seen(strength=strength, severity=severity, **{**common, **more})


def test_the_table_counts_what_was_found() -> None:
    """Notes apart, the weakest dose that was never missed, the errors of figures, takes with a false alarm."""
    rows = [seen(1.0, "fix"), seen(1.0, "look"), seen(0.5, "look"), seen(0.5, "look", elsewhere=("noise:kick",)),
            seen(0.33, "note"), seen(0.33, "look"), seen(0.33, "usual")]  # fmt: skip
    *_, line = faults.table(rows)
    assert line == "| hum | hum | 2 of 2 | 2 of 2 | 1 of 2 + 1 note | 0.0015 of full scale | 0.1 / 0.1 Hz | 1 |"


# ------------------------------------------------------------------------------------------------ the command
def test_a_kit_is_tried_from_hits_to_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """An offset as large as this is found, the status follows, and the rows are there as data."""
    monkeypatch.setattr(faulttakes, "LINE_CHECK", TUNE)
    monkeypatch.setattr(faults, "LINE_CHECK", TUNE)
    offset = next(f for f in FAULTS if f.codes == ("dc-offset",))
    monkeypatch.setattr(faults, "FAULTS", (replace(offset, roles=("room",)),))
    kit = write_hits(tmp_path / "kit")

    status = faults.main([str(kit), "--line-check", "--strengths", "1", "--clean", "0", "--json",
                          str(tmp_path / "rows.json")])  # fmt: skip

    assert status == 0
    (row,) = json.loads((tmp_path / "rows.json").read_text("utf-8"))["rows"]
    assert row["severity"] == "look"
    # The kit's room tone and strokes have a mean of their own, far under a hundredth of this.
    assert row["value"] == pytest.approx(row["true_value"], rel=0.01)
    assert "| dc-offset | offset | 1 of 1 |" in capsys.readouterr().out
    assert "dc-offset" in CODE_ORDER


def test_a_kit_that_cannot_be_used_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Status 2 and a line."""
    assert faults.main([str(tmp_path)]) == 2
    assert "no hits" in capsys.readouterr().err
