"""Putting a report in place: whatever step a crash comes between, doing it again ends the same."""

from __future__ import annotations

from pathlib import Path

import pytest

from kitproof.errors import TakeError
from kitproof.watch.place import failure_note, put_in_place, refuse_place, write_failure


def make_report(folder: Path, word: str) -> Path:
    """A report that can be told from others."""
    folder.mkdir(parents=True)
    (folder / "report.pdf").write_text(word)
    return folder


def words(target: Path) -> dict[str, str]:
    """All reports below a folder, by where they lie."""
    return {str(p.parent.relative_to(target)): p.read_text() for p in target.rglob("report.pdf")}


def test_the_newest_report_lies_in_the_takes_folder_and_the_others_are_numbered(tmp_path: Path) -> None:
    """In the order they were made, with nothing left in the working folder."""
    for n in range(1, 5):
        work = tmp_path / f"work {n}"
        put_in_place(make_report(work / "report", f"report {n}"), tmp_path / "take", work)
        assert list(work.iterdir()) == []

    assert words(tmp_path / "take") == {
        ".": "report 4", "earlier/1": "report 1", "earlier/2": "report 2", "earlier/3": "report 3",
    }  # fmt: skip


class Crash(BaseException):
    """The process ends here."""


@pytest.mark.parametrize("n_steps", range(8))
def test_a_crash_between_any_two_steps_is_made_good(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n_steps: int
) -> None:
    """A third report, cut off after so many steps that touch the disk, then done again."""
    target = tmp_path / "take"
    for n in (1, 2):
        put_in_place(make_report(tmp_path / f"work {n}" / "report", f"report {n}"), target, tmp_path / f"work {n}")
    new, work = make_report(tmp_path / "work 3" / "report", "report 3"), tmp_path / "work 3"
    steps = []

    def counted(name: str) -> None:
        step = getattr(Path, name)

        def before(*args: object, **options: object) -> object:
            if len(steps) == n_steps:
                raise Crash
            steps.append(name)
            return step(*args, **options)

        monkeypatch.setattr(Path, name, before)

    for name in ("rename", "mkdir"):
        counted(name)
    try:
        put_in_place(new, target, work)
    except Crash:
        monkeypatch.undo()
        put_in_place(new, target, work)

    assert words(target) == {".": "report 3", "earlier/1": "report 1", "earlier/2": "report 2"}
    assert list(work.iterdir()) == []


def test_only_a_report_makes_room(tmp_path: Path) -> None:
    """Recordings of the same name, notes or a file are never moved out of the way; a report or nothing at all is."""
    for name, file in (("stems", "kick.wav"), ("notes", "notes.txt"), ("both", "kick.wav")):
        (tmp_path / name).mkdir()
        (tmp_path / name / file).write_text("mine")
    (tmp_path / "both" / "report.pdf").write_text("x")
    (tmp_path / "file").write_text("mine")

    for name in ("stems", "notes", "both", "file"):
        with pytest.raises(TakeError, match=f"{name}: is there already and is no report"):
            refuse_place(tmp_path / name)
    refuse_place(make_report(tmp_path / "report", "x"))
    refuse_place(tmp_path / "nothing")


def test_a_failure_note_says_why_and_what_to_do(tmp_path: Path) -> None:
    """In a file beside the reports; the newest reason stands."""
    write_failure(tmp_path, "take 1", "the first reason")
    write_failure(tmp_path, "take 1", "kick.wav: no audio")
    text = failure_note(tmp_path, "take 1").read_text("utf-8")

    assert text.startswith("take 1: no report\n")
    assert "kick.wav: no audio" in text
    assert "first reason" not in text
    assert [p.name for p in tmp_path.iterdir()] == ["take 1-failed.txt"]
