"""The gate for builds: exit status, JUnit XML, workflow commands and Markdown, for takes good, bad and unreadable."""

from __future__ import annotations

import shutil
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import samples
import takes
from kitproof import deliver, gate, run, saved
from kitproof.cli import main
from kitproof.errors import TakeError
from kitproof.gate import FAILS, NOT_MEASURED, PASSES, Gated
from kitproof.model import Finding, Measurements, NotChecked
from kitproof.run import Result
from takes import MeasuredTake

# Elements and attributes of the Ant task's format as build servers read it (the schema most of them are held to)
CHILDREN = {
    "testsuites": {"testsuite"},
    "testsuite": {"properties", "testcase", "system-out", "system-err"},
    "testcase": {"skipped", "error", "failure", "system-out", "system-err"},
    "failure": set(), "error": set(), "system-out": set(),
}  # fmt: skip
ATTRIBUTES = {
    "testsuites": {"name", "tests", "failures", "errors", "time", "disabled"},
    "testsuite": {"name", "tests", "failures", "errors", "skipped", "time", "timestamp", "hostname", "id", "package"},
    "testcase": {"name", "classname", "time", "file", "line", "assertions", "status"},
    "failure": {"message", "type"}, "error": {"message", "type"}, "system-out": set(),
}  # fmt: skip
NASTY = 'a <b> & "c" \x07 ]]> | 50 % *x*\r\n::error::no, \ud800 ü'


@pytest.fixture(scope="module")
def plain() -> Measurements:
    """A made-up take of four channels without findings."""
    m, _ = samples.take(n_channels=4, n_findings=0, duration_s=20.0)
    return replace(m, findings=(), not_checked=())


def finding(severity: Any, *files: str, message: str = "It hums.", action: str = "Mend it.") -> Finding:
    """A finding of a severity."""
    return Finding(code="hum", severity=severity, files=files, message=message, action=action)


def gated(m: Measurements, *findings: Finding) -> Gated:
    """The take with these findings."""
    return Gated(name=m.take.name, measurements=replace(m, findings=findings))


def lacking(m: Measurements) -> Gated:
    """The take without its second channel, which cannot be read."""
    c = m.take.channels[1]
    files = tuple(
        replace(f, problem="unreadable", problem_text=f"{f.path}: no audio") if f.path == c.path else f
        for f in m.take.files
    )
    left = tuple(x for x in m.channels if x.file != c.file)
    return Gated(name=m.take.name, measurements=replace(m, channels=left, take=replace(m.take, files=files)))


# ------------------------------------------------------------------------------------ pass or fail
def test_the_level_decides(plain: Measurements) -> None:
    """A finding to look at fails only where that was asked for; a note never does."""
    a = plain.channels[0].file
    cases = {
        (): (PASSES, PASSES),
        (finding("note", a),): (PASSES, PASSES),
        (finding("look", a),): (PASSES, FAILS),
        (finding("fix", a), finding("look", a)): (FAILS, FAILS),
    }

    for findings, expected in cases.items():
        assert (gated(plain, *findings).status("fix"), gated(plain, *findings).status("look")) == expected


def test_what_was_not_measured_never_passes(plain: Measurements) -> None:
    """No numbers at all, a channel or a stage that is missing; other open checks are usual."""
    stage = NotChecked(check="bleed", reason="this stage failed: ValueError: x", code="stage")
    usual = NotChecked(check="bleed of two drums", reason="hidden", code="bleed")

    assert Gated(name="x", measurements=None, trouble="x: no such folder").status("fix") == NOT_MEASURED
    assert lacking(plain).status("fix") == NOT_MEASURED
    assert gated(replace(plain, not_checked=(stage,))).status("fix") == NOT_MEASURED
    assert gated(replace(plain, not_checked=(usual,))).status("look") == PASSES


def test_lines_are_short_and_plain(plain: Measurements) -> None:
    """The result first, then each reason in a line, whatever is in it."""
    a = plain.channels[0].file
    name = plain.take.name

    assert gate.lines(gated(plain), "look") == [f"{name}: passes"]
    assert gate.lines(gated(plain, finding("look", a), finding("fix", a)), "look") == [
        f"{name}: fails, 1 to fix, 1 to look at", "  fix: It hums. Mend it.", "  look: It hums. Mend it.",
    ]  # fmt: skip
    assert gate.lines(lacking(plain), "fix") == [f"{name}: not measured in full"]
    assert lacking(plain).why_not().endswith(": no audio")
    assert all(
        "\n" not in line and "\r" not in line for line in gate.lines(gated(plain, finding("fix", message=NASTY)), "fix")
    )


# ------------------------------------------------------------------------------------ JUnit
def test_junit_has_a_case_per_channel_and_one_for_the_take(plain: Measurements) -> None:
    """Findings stand at their first channel, those of no channel at the take; counts are right."""
    files = [c.file for c in plain.take.channels]
    found = (finding("fix", files[1], files[0]), finding("fix", files[1]), finding("fix"), finding("look", files[2]))
    root = ET.fromstring(gate.junit([gated(plain, *found), gated(plain)], "fix"))
    bad, good = root.findall("testsuite")
    failed = {case.get("name"): case.findall("failure") for case in bad.findall("testcase")}
    labels = [c.label for c in plain.take.channels]

    assert list(failed) == ["the take", *labels]
    assert {name: len(failures) for name, failures in failed.items()} == {
        "the take": 1, labels[0]: 0, labels[1]: 1, labels[2]: 0, labels[3]: 0,
    }  # fmt: skip
    assert failed[labels[1]][0].get("message") == "It hums. (and 1 more)"
    assert failed[labels[1]][0].text == "fix: It hums. Mend it.\nfix: It hums. Mend it."
    assert [(s.get("tests"), s.get("failures"), s.get("errors")) for s in (bad, good)] == [
        ("5", "2", "0"),
        ("5", "0", "0"),
    ]
    assert (root.get("tests"), root.get("failures")) == ("10", "2")


def test_junit_says_error_where_nothing_was_measured(plain: Measurements) -> None:
    """An error is not a failure: the channel that cannot be read, the take that is none."""
    root = ET.fromstring(gate.junit([lacking(plain), Gated(name="y", measurements=None, trouble="y: no audio")], "fix"))
    errors = {case.get("name"): case.find("error") for case in root.iter("testcase") if case.find("error") is not None}

    assert list(errors) == [plain.take.channels[1].label, "the take"]
    assert [suite.get("errors") for suite in root.findall("testsuite")] == ["1", "1"]


@pytest.mark.parametrize("text", [NASTY, "plain"])
def test_junit_is_well_formed_whatever_is_in_it(plain: Measurements, text: str) -> None:
    """Only elements and attributes of the format, at most one failure a case, and the text is readable again."""
    odd = replace(plain, take=replace(plain.take, name=text))
    content = gate.junit([replace(gated(odd, finding("fix", plain.channels[0].file, message=text)), name=text)], "fix")
    root = ET.fromstring(content)

    for parent in root.iter():
        assert {child.tag for child in parent} <= CHILDREN[parent.tag]
        assert set(parent.keys()) <= ATTRIBUTES[parent.tag]
        if parent.tag == "testcase":
            assert len(parent) <= 1
    failure = next(root.iter("failure"))
    assert (failure.get("message") or "").split() == text.replace("\x07", "\ufffd").replace("\ud800", "\ufffd").split()
    assert content == gate.junit(
        [replace(gated(odd, finding("fix", plain.channels[0].file, message=text)), name=text)], "fix"
    )


# ------------------------------------------------------------------------------------ workflow commands
def test_commands_name_the_file_as_the_repository_does(plain: Measurements, tmp_path: Path) -> None:
    """GitHub's documented form; an error for what fails, a warning below; notes are not worth one."""
    m = replace(plain, take=replace(plain.take, folder=str(tmp_path / "takes" / "Tidewall, 1:2")))
    c = m.take.channels[1]
    found = (finding("fix", c.file), finding("look", c.file), finding("note", c.file), finding("fix"))
    said = gate.workflow_commands([gated(m, *found)], "fix", {"GITHUB_WORKSPACE": str(tmp_path)})
    title = f"title={m.take.name}%3A"
    path = f"file=takes/Tidewall%2C 1%3A2/{c.path}"

    assert said == [
        f"::error {path},{title} fix::It hums. Mend it.",
        f"::error {title} fix::It hums. Mend it.",
        f"::warning {path},{title} look::It hums. Mend it.",
    ]
    strict = gate.workflow_commands([gated(m, *found)], "look", {"GITHUB_WORKSPACE": str(tmp_path)})
    assert [line.split(" ")[0] for line in strict] == ["::error"] * 3


def test_commands_cannot_be_broken_out_of(plain: Measurements) -> None:
    """%, CR and LF are encoded, so that no text begins a command of its own."""
    (said,) = gate.workflow_commands([gated(plain, finding("fix", message="50 %\r\n::error::no"))], "fix")

    assert said.endswith("::50 %25%0D%0A::error::no Mend it.")
    assert "\n" not in said


def test_a_take_that_could_not_be_measured_is_an_error_there_too(plain: Measurements) -> None:
    """Whole or in part."""
    said = gate.workflow_commands([Gated(name="x", measurements=None, trouble="x: empty"), lacking(plain)], "fix")

    assert said[0] == "::error title=x%3A not measured::x: empty"
    assert said[1].endswith(": no audio")


# ------------------------------------------------------------------------------------ Markdown
def test_markdown_is_a_table_and_what_was_found(plain: Measurements) -> None:
    """One row a take, verdict in words; details only for takes that do not pass; no text breaks a row."""
    bad = replace(gated(plain, finding("fix", plain.channels[0].file, message=NASTY)), name="b|ad")
    text = gate.markdown([gated(plain), bad, Gated(name="none", measurements=None, trouble="none: empty")], "fix")
    table = [line for line in text.splitlines() if line.startswith("|")]

    assert text.startswith("## Drum takes: 1 of 3 passes\n")
    assert text.count("\n### ") == 2
    assert {line.replace("\\|", "").count("|") for line in table} == {6, 5}  # five columns, then four
    assert plain.verdict.sentence.split(",")[0] in text
    assert "\\*x\\*" in text
    assert "Not measured: none: empty" in text


# ------------------------------------------------------------------------------------ the command
@pytest.fixture
def report(measured: MeasuredTake, tmp_path: Path) -> Path:
    """A report's folder, as far as it matters here."""
    folder = tmp_path / "reports" / measured.result.measurements.take.name
    folder.mkdir(parents=True)
    saved.write_measurements(measured.result.measurements, folder / "measurements.json")
    return folder


def test_a_report_is_read_and_not_measured(
    report: Path,
    measured: MeasuredTake,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Folder or file; every kind of answer in one go, and the status is that of the worst take."""
    monkeypatch.setattr(run, "measure_take", lambda *a, **k: pytest.fail("measured all the same"))
    out = {name: tmp_path / name for name in ("j.xml", "s.md", "all")}
    status = main(
        ["check", str(report), str(report / "measurements.json"), "--junit", str(out["j.xml"]), "--annotations",
         "--markdown", str(out["s.md"]), "--json-dir", str(out["all"])]
    )  # fmt: skip
    printed = capsys.readouterr().out
    name = measured.result.measurements.take.name

    assert status == FAILS  # the demo's first take has something to fix
    assert printed.count(f"{name}: fails") == 2
    assert "\n::error file=" in printed
    assert len(ET.parse(out["j.xml"]).getroot().findall("testsuite")) == 2
    assert out["s.md"].read_text("utf-8").startswith("## Drum takes: 0 of 2 pass\n")
    assert sorted(p.name for p in out["all"].iterdir()) == [f"{name} (2).json", f"{name}.json"]
    assert saved.read_measurements(out["all"] / f"{name}.json") == measured.result.measurements


def test_a_take_is_measured_even_if_numbers_lie_in_it(measured: MeasuredTake, tmp_path: Path) -> None:
    """Old measurements beside the audio say nothing about the audio of today."""
    take = Path(shutil.copytree(measured.folder, tmp_path / "take"))
    saved.write_measurements(measured.result.measurements, take / "measurements.json")

    assert deliver.saved_measurements(take) is None
    assert deliver.saved_measurements(take / "measurements.json") == take / "measurements.json"
    assert deliver.saved_measurements(tmp_path / "nothing") is None


def test_one_take_that_cannot_be_had_does_not_stop_the_others(
    report: Path,
    measured: MeasuredTake,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Status 2, a line on standard error, and the other take's answer all the same."""

    def fail(folder: Path, *_: object, **__: object) -> Result:
        raise TakeError(f"{folder}: there is no such folder")

    monkeypatch.setattr(run, "measure_take", fail)
    junit = tmp_path / "j.xml"
    status = main(["check", str(tmp_path / "gone"), str(report), "--junit", str(junit), "--quiet"])
    said = capsys.readouterr()

    assert status == NOT_MEASURED
    assert said.out == ""
    assert "gone: there is no such folder" in said.err
    assert [s.get("errors") for s in ET.parse(junit).getroot().findall("testsuite")] == ["1", "0"]


def test_a_damaged_report_is_not_measured(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is no measurements.json is said to be that."""
    (tmp_path / "measurements.json").write_text("{", "utf-8")

    assert main(["check", str(tmp_path)]) == NOT_MEASURED
    assert "damaged" in capsys.readouterr().err


def test_a_real_take_passes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Kick and snare, four seconds: measured for the occasion."""
    times = {"kick.wav": [0.4, 1.2, 2.0, 2.8], "snare top.wav": [0.8, 1.6, 2.4, 3.2]}
    take = takes.strokes_take(tmp_path / "Tidewall take 5", times, seconds=4.0)

    assert main(["check", str(take), "--workers", "1"]) == PASSES
    assert capsys.readouterr().out == "Tidewall take 5: passes\n"


@pytest.mark.parametrize("option", ["--junit", "--markdown", "--json-dir"])
def test_an_answer_that_cannot_be_written_is_status_2(report: Path, tmp_path: Path, option: str) -> None:
    """Never a pass for want of room."""
    (tmp_path / "file").write_text("x", "utf-8")

    assert main(["check", str(report), option, str(tmp_path / "file" / "below")]) == NOT_MEASURED
