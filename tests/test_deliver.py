"""What is written for a take, and where it must not go."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import samples
from kitproof import deliver, saved
from kitproof.errors import OutputError
from kitproof.run import Result


@pytest.fixture(scope="module")
def result() -> Result:
    """A made-up take of three channels; no audio is involved."""
    measurements, pictures = samples.take(n_channels=3, n_findings=2, duration_s=20.0)
    return Result(measurements=measurements, pictures=pictures)


# ------------------------------------------------------------------------------------ the four files
def test_four_files_lie_in_a_folder_of_the_takes_name(result: Result, tmp_path: Path) -> None:
    """Whole, read back equal, and nothing else beside them; folders are made as needed."""
    files = deliver.write_all(result, tmp_path / "a" / "b", small=True)
    folder = tmp_path / "a" / "b" / result.measurements.take.name

    assert {p.name for p in folder.iterdir()} == {"report.pdf", "measurements.json", "hits.csv", "pictures.npz"}
    assert files.pdf == folder / "report.pdf"
    assert saved.read_measurements(files.json) == result.measurements
    assert len(saved.read_pictures(files.pictures).channels) == 3
    assert len(files.hits.read_text("utf-8").splitlines()) == 1 + len(result.measurements.hits)
    assert files.pdf.read_bytes().rstrip().endswith(b"%%EOF")


def test_the_report_is_written_in_the_language_asked_for(
    result: Result, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is asked for reaches the report; English if nothing is."""
    asked: list[object] = []
    monkeypatch.setattr(deliver, "write_report", lambda *records, **options: asked.append(options["language"]))
    deliver.write_all(result, tmp_path, language="ja")
    deliver.write_all(result, tmp_path)

    assert asked == ["ja", "en"]
    assert "en" in deliver.languages()


def test_writing_again_replaces_the_files(result: Result, tmp_path: Path) -> None:
    """A second report of the same take is the same bytes, numbers and all."""
    first = {p.name: p.read_bytes() for p in deliver.write_all(result, tmp_path, small=True).json.parent.iterdir()}
    again = {p.name: p.read_bytes() for p in deliver.write_all(result, tmp_path, small=True).json.parent.iterdir()}

    assert again == first


def test_a_report_drawn_from_what_was_saved_is_the_same_report(result: Result, tmp_path: Path) -> None:
    """Byte by byte, without any audio; on other paper, or without the pictures, there still is a report."""
    files = deliver.write_all(result, tmp_path, small=True)

    deliver.render_saved(files.json, tmp_path / "again.pdf", small=True)
    assert (tmp_path / "again.pdf").read_bytes() == files.pdf.read_bytes()

    files.pictures.unlink()
    deliver.render_saved(files.json, tmp_path / "plain.pdf", page_size="letter")
    assert (tmp_path / "plain.pdf").stat().st_size < files.pdf.stat().st_size


def test_the_take_itself_is_no_place_for_its_report(result: Result, tmp_path: Path) -> None:
    """Reporting into the folder above the take would write among the stems: refused before anything is written."""
    folder = tmp_path / result.measurements.take.name
    folder.mkdir()
    here = replace(result.measurements, take=replace(result.measurements.take, folder=str(folder)))

    with pytest.raises(OutputError, match="this is the take itself"):
        deliver.write_all(replace(result, measurements=here), tmp_path)
    assert list(folder.iterdir()) == []


def test_a_file_in_the_way_is_an_error_that_names_it(result: Result, tmp_path: Path) -> None:
    """A folder cannot be made where a file lies, and the file stays."""
    (tmp_path / "out").write_text("mine")

    with pytest.raises(OutputError, match=r"out.*choose another folder"):
        deliver.write_all(result, tmp_path / "out")
    assert (tmp_path / "out").read_text() == "mine"


def test_the_demo_is_two_takes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Their folders are given back in order; other things lying there are not takes."""
    monkeypatch.setattr(
        "kitproof.demo.build_demo", lambda folder: [(folder / f"take {n}").mkdir(parents=True) for n in (2, 1)]
    )
    (tmp_path / "notes.txt").write_text("")

    assert deliver.write_demo(tmp_path) == [tmp_path / "take 1", tmp_path / "take 2"]


# ------------------------------------------------------------------------------------ targets
@pytest.mark.parametrize("name", ["kick.wav", "SNARE.FLAC", "take.toml", "notes.txt"])
def test_no_result_goes_over_a_file_of_the_take(tmp_path: Path, name: str) -> None:
    """Stems, the sheet and whatever else lies there are not overwritten, however the folder is written."""
    (tmp_path / "take").mkdir()
    (tmp_path / "take" / name).write_bytes(b"x")

    for target in (tmp_path / "take" / name, tmp_path / "take" / ".." / "take" / name):
        with pytest.raises(OutputError, match="choose another name"):
            deliver.refuse_target(tmp_path / "take", target)


def test_no_result_goes_over_a_recording_elsewhere(tmp_path: Path) -> None:
    """Another take's stem is as dear."""
    (tmp_path / "other.wav").write_bytes(b"x")

    with pytest.raises(OutputError, match="recording"):
        deliver.refuse_target(tmp_path / "take", tmp_path / "other.wav")


def test_a_result_may_replace_a_result(tmp_path: Path) -> None:
    """JSON in the take's folder or anywhere, there already or not."""
    (tmp_path / "m.json").write_text("{}")

    deliver.refuse_target(tmp_path, tmp_path / "m.json")
    deliver.refuse_target(tmp_path / "take", tmp_path / "new.json")


def test_a_missing_folder_is_told_before_anything_is_measured(tmp_path: Path) -> None:
    """The name of the folder that is not there is given."""
    with pytest.raises(OutputError, match=r"there is no folder.*nowhere"):
        deliver.refuse_target(tmp_path, tmp_path / "nowhere" / "m.json")


def test_two_takes_of_one_name_are_not_written_over_one_another(tmp_path: Path) -> None:
    """monday/take 1 and tuesday/take 1 would end in one folder, and the second would be all that is left."""
    monday, tuesday = tmp_path / "monday" / "take 1", tmp_path / "tuesday" / "take 1"

    with pytest.raises(OutputError, match=r"monday.*tuesday.*two takes of one name"):
        deliver.refuse_same_names([monday, tuesday])
    deliver.refuse_same_names([monday, tmp_path / "monday" / "take 2"])
