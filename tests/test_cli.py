"""The command line: exit codes, what is printed where, and that nothing of the take is touched."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

import takes
from kitproof import __version__, cli, deliver, run, saved
from kitproof.cli import main
from kitproof.model import Finding, NotChecked
from kitproof.run import Result
from takes import MeasuredTake

SMALL = {"kick.wav": [0.4, 1.2, 2.0, 2.8], "snare top.wav": [0.8, 1.6, 2.4, 3.2]}


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Kick and snare, four seconds: nothing wrong with them."""
    return takes.strokes_take(tmp_path_factory.mktemp("cli") / "Tidewall take 5", SMALL, seconds=4.0)


@pytest.fixture
def measured_already(measured: MeasuredTake, monkeypatch: pytest.MonkeyPatch) -> MeasuredTake:
    """The modelled take, whose measuring takes no time now: the command line is what is looked at."""
    monkeypatch.setattr(run, "measure_take", lambda folder, executor, **options: measured.result)
    return measured


def with_severity(result: Result, severity: str) -> Result:
    """The same result with one finding of a severity."""
    finding = Finding(code="hum", severity=severity, files=("x.wav",), message="It hums.", action="Mend it.")  # type: ignore[arg-type]
    verdict = replace(result.measurements.verdict, red_lines=(0,))
    return replace(result, measurements=replace(result.measurements, findings=(finding,), verdict=verdict))


# ------------------------------------------------------------------------------------ as a user runs it
def test_a_report_from_a_shell(small: Path, tmp_path: Path) -> None:
    """One process after all: four whole files, two lines, no progress bar in a pipe, and the take as it was."""
    before = takes.fingerprint(small)
    command = [sys.executable, "-m", "kitproof", "report", "--workers", "2", "--small", "-o", "out", str(small)]
    # FORCE_COLOR makes programs believe in a terminal; a bar in a log file is what would come of it.
    done = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, check=False, env=os.environ | {"FORCE_COLOR": "1"}
    )
    folder = tmp_path / "out" / small.name

    assert done.stderr == ""
    assert done.returncode in (0, 1)
    assert done.stdout.startswith(f"{small.name}: ")
    assert done.stdout.endswith(f"  {Path('out') / small.name / 'report.pdf'}\n")
    assert {p.name for p in folder.iterdir()} == {"report.pdf", "measurements.json", "hits.csv", "pictures.npz"}
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
    m = saved.read_measurements(folder / "measurements.json")
    assert done.returncode == int(any(f.severity == "fix" for f in m.findings))
    assert saved.read_pictures(folder / "pictures.npz").channels
    assert (folder / "report.pdf").read_bytes().rstrip().endswith(b"%%EOF")
    assert len((folder / "hits.csv").read_text("utf-8").splitlines()) == 1 + len(m.hits)
    assert takes.fingerprint(small) == before


def test_measure_writes_the_same_numbers_as_report_and_no_pdf(small: Path, tmp_path: Path) -> None:
    """JSON alone, into a file of one's own choice; quiet means quiet."""
    before = takes.fingerprint(small)
    done = subprocess.run(
        [sys.executable, "-m", "kitproof", "measure", "--workers", "1", "-q", str(small), "--json", "m.json"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip

    assert (done.stdout, done.stderr) == ("", "")
    assert done.returncode in (0, 1)
    assert [p.name for p in tmp_path.iterdir()] == ["m.json"]
    document = json.loads((tmp_path / "m.json").read_text("utf-8"))
    assert [c["file"] for c in document["channels"]] == list(SMALL)
    assert takes.fingerprint(small) == before


# ------------------------------------------------------------------------------------ exit codes
@pytest.mark.parametrize(("severity", "status"), [("fix", 1), ("look", 0), ("note", 0)])
def test_only_what_has_to_be_fixed_changes_the_status(
    measured: MeasuredTake, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, severity: str, status: int
) -> None:
    """0 or 1 after measuring."""
    result = with_severity(measured.result, severity)
    monkeypatch.setattr(run, "measure_take", lambda folder, executor, **options: result)

    assert main(["measure", "take", "--json", str(tmp_path / "m.json")]) == status


@pytest.mark.parametrize("command", [["report"], ["measure", "--json", "m.json"]])
@pytest.mark.parametrize("kind", ["missing", "empty", "text"])
def test_no_take_is_status_two_and_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], command: list[str], kind: str
) -> None:
    """A line on standard error that names the folder, nothing on standard output, nothing written."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "nothing"
    if kind != "missing":
        folder.mkdir()
    if kind == "text":
        (folder / "kick.wav").write_text("no audio")
    before = sorted(tmp_path.rglob("*"))

    assert main([*command, "--workers", "1", "nothing"]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith("kitproof: nothing: ")
    assert printed.err.count("\n") == 1
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    "argv",
    [
        [], ["nonsense"], ["report"], ["measure", "x"], ["report", "x", "--workers", "0"],
        ["report", "x", "--workers", "-2"], ["report", "x", "--workers", "many"], ["report", "x", "--page", "a5"],
        ["report", "x", "--language", "xx"],
    ],
)  # fmt: skip
def test_a_command_that_is_not_understood_is_status_two(argv: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """With a usage line, and nothing on standard output."""
    with pytest.raises(SystemExit) as stopped:
        main(argv)
    printed = capsys.readouterr()

    assert stopped.value.code == 2
    assert printed.out == ""
    assert "usage: kitproof" in printed.err


def test_the_help_says_what_the_status_means(capsys: pytest.CaptureFixture[str]) -> None:
    """All three numbers."""
    with pytest.raises(SystemExit) as stopped:
        main(["--help"])

    assert stopped.value.code == 0
    assert "exit status:\n  0  measured, nothing to fix\n  1  " in capsys.readouterr().out


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """That of the package."""
    with pytest.raises(SystemExit):
        main(["--version"])

    assert capsys.readouterr().out == f"kitproof {__version__}\n"


def test_one_bad_take_does_not_stop_the_others(
    measured: MeasuredTake, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Neither one without audio nor one that trips a bug; the status is that of the worst."""
    done = []

    def measure(folder: Path, executor: object, **options: object) -> Result:
        if folder.name == "bug":
            raise ZeroDivisionError("oh")
        if folder.name == "bad":
            return run_proper(folder, executor, **options)  # type: ignore[arg-type]
        done.append(folder.name)
        return measured.result

    run_proper = run.measure_take
    monkeypatch.setattr(run, "measure_take", measure)
    monkeypatch.setattr(deliver, "write_all", lambda *a, **k: SimpleNamespace(pdf="x.pdf"))

    assert main(["report", "one", "bug", "bad", "two", "-o", str(tmp_path)]) == 2
    assert done == ["one", "two"]
    errors = capsys.readouterr().err.splitlines()
    assert errors[0] == "kitproof: this should not happen: ZeroDivisionError: oh (--verbose shows where)"
    assert errors[1].startswith("kitproof: bad: ")


def test_strict_stops_at_a_bug(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """No further take, status 2; with --verbose the place is shown."""

    def measure(folder: Path, executor: object, **options: object) -> Result:
        assert options["strict"]
        assert folder.name == "one"
        raise ZeroDivisionError("oh")

    monkeypatch.setattr(run, "measure_take", measure)

    assert main(["report", "--strict", "--verbose", "one", "two"]) == 2
    errors = capsys.readouterr().err
    assert "Traceback" in errors
    assert "in measure" in errors


def test_an_interrupt_is_no_crash(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """One word, status 2."""

    def stop(*args: object, **options: object) -> Result:
        raise KeyboardInterrupt

    monkeypatch.setattr(run, "measure_take", stop)

    assert main(["report", "one"]) == 2
    assert capsys.readouterr().err == "kitproof: stopped\n"


# ------------------------------------------------------------------------------------ what is printed
def test_the_verdict_and_what_decided_it_are_printed(
    measured_already: MeasuredTake, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A sentence, the findings that decided it, with what to do; all findings with --verbose; nothing with --quiet."""
    m = measured_already.result.measurements
    target = ["--json", str(tmp_path / "m.json")]
    main(["measure", "take", *target])
    usual = capsys.readouterr()
    main(["measure", "take", "--verbose", *target])
    verbose = capsys.readouterr()
    main(["measure", "take", "--quiet", *target])
    quiet = capsys.readouterr()

    assert usual.out.splitlines()[0] == f"{m.take.name}: {m.verdict.sentence}"
    assert len(usual.out.splitlines()) == 1 + len(m.verdict.red_lines)
    assert len(verbose.out.splitlines()) == 1 + len(m.findings)
    assert all(f.message in verbose.out and f.action in verbose.out for f in m.findings)
    assert (quiet.out, quiet.err, usual.err, verbose.err) == ("", "", "", "")


def test_a_terminal_gets_a_progress_bar_and_quiet_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """On standard error, only if that is a terminal and nobody asked for quiet."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    bars = {}
    for quiet in (False, True):
        monkeypatch.setattr(sys, "stderr", Terminal())
        monkeypatch.setenv("TERM", "xterm")
        with cli._progress(SimpleNamespace(quiet=quiet), "take 5") as tell:  # type: ignore[arg-type]
            if tell is not None:
                tell("channels", 1, 2)
        bars[quiet] = sys.stderr.getvalue()

    assert "take 5: reading every channel" in bars[False]
    assert bars[True] == ""


def test_a_name_that_is_no_text_can_be_printed(
    measured: MeasuredTake, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder whose name is not valid UTF-8 is named with an escape, not with a crash after all the work."""
    m = measured.result.measurements
    odd = replace(measured.result, measurements=replace(m, take=replace(m.take, name="take \udcff 1")))
    monkeypatch.setattr(run, "measure_take", lambda folder, executor, **options: odd)

    assert main(["measure", "take", "--json", str(tmp_path / "m.json")]) in (0, 1)
    assert capsys.readouterr().out.startswith("take \\udcff 1: ")


# ------------------------------------------------------------------------------------ the other commands
def test_a_stem_is_never_a_target(
    small: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`--json` onto a stem is refused before anything is measured."""
    monkeypatch.setattr(run, "measure_take", lambda *a, **k: pytest.fail("measured all the same"))
    before = takes.fingerprint(small)

    assert main(["measure", str(small), "--json", str(small / "kick.wav")]) == 2
    assert "choose another name" in capsys.readouterr().err
    assert takes.fingerprint(small) == before


def test_two_takes_of_one_name_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Before anything is measured: the second report would replace the first."""
    assert main(["report", str(tmp_path / "a" / "t1"), str(tmp_path / "b" / "t1")]) == 2
    assert "two takes of one name" in capsys.readouterr().err


def test_sheet_writes_a_sheet_once(small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """take.toml with the roles; a second time only with --force; the stems stay as they are."""
    folder = Path(shutil.copytree(small, tmp_path / "take"))
    before = takes.fingerprint(folder)

    assert main(["sheet", str(folder)]) == 0
    assert str(folder / "take.toml") in capsys.readouterr().out
    assert 'role = "snare-top"' in (folder / "take.toml").read_text("utf-8")
    assert main(["sheet", str(folder)]) == 2
    assert capsys.readouterr().err.startswith("kitproof: ")
    assert main(["sheet", "--force", str(folder)]) == 0
    after = takes.fingerprint(folder)
    assert {name: after[name] for name in before} == before


def test_demo_prints_the_takes_it_wrote(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One folder a line, to be given to `report`."""

    def build(folder: Path) -> None:
        for n in (1, 2):
            (folder / f"Tidewall take {n}").mkdir(parents=True)

    monkeypatch.setattr("kitproof.demo.build_demo", build)

    assert main(["demo", str(tmp_path / "demo")]) == 0
    assert capsys.readouterr().out.splitlines() == [str(tmp_path / "demo" / f"Tidewall take {n}") for n in (1, 2)]


def test_a_stage_that_failed_is_told_even_with_quiet(
    measured: MeasuredTake, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody takes a gap for a good result: the failure is an error, on standard error, by name."""
    failed = NotChecked(check="bleed", reason="this stage failed: ArithmeticError: a bug", code="stage")
    measurements = replace(measured.result.measurements, not_checked=(failed,))
    result = replace(measured.result, measurements=measurements)
    monkeypatch.setattr(run, "measure_take", lambda folder, executor, **options: result)

    main(["measure", str(tmp_path), "--json", str(tmp_path.parent / "numbers.json"), "--quiet"])

    printed = capsys.readouterr()
    assert printed.out == ""
    assert "ArithmeticError: a bug" in printed.err
    assert "not checked" in printed.err
