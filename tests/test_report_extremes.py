"""Takes of odd sizes, odd names and missing parts: the report still stands, and says what is missing."""

import dataclasses
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader

import samples
from kitproof.model import Finding, Measurements, Pictures
from kitproof.report.document import write_report
from kitproof.report.style import MARGIN
from pdf_boxes import TextBox, clashes, joined, text_boxes

A4_W = 595.28


def read(measurements: Measurements, pictures: Pictures, folder: Path) -> list[list[TextBox]]:
    """The pages of a take's report, as text with its places."""
    write_report(measurements, pictures, folder / "report.pdf")
    return [text_boxes(page) for page in PdfReader(folder / "report.pdf").pages]


def whole_text(pages: list[list[TextBox]]) -> str:
    return " ".join(joined(page) for page in pages)


def assert_tidy(pages: list[list[TextBox]]) -> None:
    """All text within the margins, none over another."""
    for number, boxes in enumerate(pages, start=1):
        assert not clashes(boxes), f"page {number}"
        assert all(b.x0 >= MARGIN - 0.5 and b.x1 <= A4_W - MARGIN + 0.5 for b in boxes), number


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> tuple[Measurements, list[list[TextBox]]]:
    """40 channels, 200 findings, 70 minutes."""
    measurements, pictures = samples.take(n_channels=40, n_findings=200, duration_s=4200.0)
    return measurements, read(measurements, pictures, tmp_path_factory.mktemp("large"))


def test_forty_channels_two_hundred_findings_seventy_minutes(large: tuple[Measurements, list[list[TextBox]]]) -> None:
    """Nothing is dropped from a very large take, and minutes run on past the hour."""
    measurements, pages = large
    text = whole_text(pages)
    assert len(measurements.findings) == 200
    assert all(f.message in text for f in measurements.findings)
    assert all(c.path in text for c in measurements.take.files)
    assert "70:00" in text


def test_the_crowded_pages_of_a_large_take_stay_tidy(large: tuple[Measurements, list[list[TextBox]]]) -> None:
    """No page of a very large take overlaps or overflows."""
    assert_tidy(large[1])


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"n_channels": 1, "n_findings": 1, "duration_s": 8.0}, "1 microphone, 0:08"),
        ({"n_findings": 0, "n_channels": 4}, "Keep this take"),
        ({"names": "long", "tempo_bpm": None, "n_channels": 3}, "snare top · first at"),
        ({"song": None, "number": None, "n_channels": 2}, "take 3"),
    ],
    ids=["one channel of 8 s", "nothing found", "names of 60 characters, no tempo", "nothing declared"],
)
def test_odd_takes_stay_tidy(options: dict[str, Any], says: str, tmp_path: Path) -> None:
    """Small, clean, long-named and undeclared takes all make a tidy report."""
    pages = read(*samples.take(**options), tmp_path)
    assert says in whole_text(pages)
    assert_tidy(pages)


def test_long_names_are_shortened_in_the_middle_and_told_whole_once(tmp_path: Path) -> None:
    """A name of 60 characters keeps both ends in the input list; the list of files has all of it."""
    measurements, pictures = samples.take(n_channels=2, names="long")
    name = measurements.take.files[0].path
    assert len(name) == 60
    text = whole_text(read(measurements, pictures, tmp_path))
    assert name in text
    assert "01 kick-in" in text
    assert "….wav" not in text  # the end kept is more than the suffix
    assert "…" in text


def test_japanese_names_are_printed(tmp_path: Path) -> None:
    """Kana and kanji stand as they are, with no word on squares; the annex spells the exact name out."""
    measurements, pictures = samples.take(n_channels=3, names="japanese")
    pages = read(measurements, pictures, tmp_path)
    text = whole_text(pages)
    assert "01 キック内.wav" in text
    assert "A square □ stands for a character" not in text
    assert "01 \\u30ad\\u30c3\\u30af\\u5185.wav" in text
    assert_tidy(pages)


def test_characters_that_no_font_has_are_marked_and_spelled_out(tmp_path: Path) -> None:
    """They become squares, which are explained; the exact name stands in the annex."""
    measurements, pictures = samples.take(n_channels=3)
    channel = dataclasses.replace(measurements.take.channels[0], note="loud \U0001f941")
    channels = (channel, *measurements.take.channels[1:])
    facts = dataclasses.replace(measurements.take.files[2], path="\U0001f941.wav")
    taken = dataclasses.replace(measurements.take, channels=channels, files=(*measurements.take.files[:2], facts))
    pages = read(dataclasses.replace(measurements, take=taken), pictures, tmp_path)
    text = whole_text(pages)
    assert "loud □" in text
    assert "A square □ stands for a character" in text
    assert "\\U0001f941.wav" in text


def test_everything_unmeasured_says_so_everywhere(tmp_path: Path) -> None:
    """With no number at all there is still a report; it prints "not measured" and the reason."""
    measurements, pictures = samples.take(n_channels=7, silent=True, n_findings=0, verdict="unknown")
    pages = read(measurements, pictures, tmp_path)
    first, text = joined(pages[0]), whole_text(pages)
    assert "Cannot say" in first
    assert "No strokes were found." in first
    assert text.count("not measured") > 10 * len(measurements.channels)
    assert f"(a) not measured: {samples.REASON}" in text
    assert "None" not in text
    assert "nan" not in text.split()
    assert_tidy(pages)


def test_unreadable_files_keep_their_page_and_say_why(tmp_path: Path) -> None:
    """A file without measures and picture has a page with what was found and what to do."""
    measurements, pictures = samples.take(n_channels=5, n_unreadable=2)
    pages = read(measurements, pictures, tmp_path)
    text = whole_text(pages)
    reason = measurements.take.files[-1].problem_text
    assert reason is not None
    assert text.count("This file could not be measured") == 2
    assert text.count(reason) >= 2
    assert_tidy(pages)


def test_nothing_readable_at_all(tmp_path: Path) -> None:
    """A take of which no file could be read still makes a report."""
    pages = read(*samples.take(n_channels=2, n_unreadable=2, n_findings=0, verdict="unknown"), tmp_path)
    assert "2 microphones, nothing readable" in joined(pages[0])
    assert_tidy(pages)


def test_a_missing_picture_is_named(tmp_path: Path) -> None:
    """A measured channel without a picture keeps its numbers and says that no picture was made."""
    measurements, pictures = samples.take(n_channels=2)
    without = dataclasses.replace(pictures, channels=pictures.channels[:1], hits=())
    text = whole_text(read(measurements, without, tmp_path))
    assert "No picture of this channel was made." in text
    assert text.count("crest, whole file") == 2


def test_odd_records_do_not_stop_the_report(tmp_path: Path) -> None:
    """Unknown codes, empty file lists, times past the end, no pairs, no bleed, not-a-number in a picture."""
    measurements, pictures = samples.take(n_channels=3, n_findings=2, duration_s=30.0)
    odd = Finding(code="no-such-code", severity="look", files=(), message="Odd.", action="Look.", times_s=(99.0,))
    picture = pictures.channels[0]
    nan = np.full(7, np.nan)
    holed = dataclasses.replace(picture, wave_min=nan, wave_max=nan, spectrogram_dbfs=np.full((96, 3), np.nan))
    pages = read(
        dataclasses.replace(
            measurements, findings=(*measurements.findings, odd), pairs=(), bleed=(), drums=(), hits=()
        ),
        dataclasses.replace(pictures, channels=(holed, *pictures.channels[1:])),
        tmp_path,
    )
    text = whole_text(pages)
    assert "Odd." in text
    assert "all channels; 1:39.0" in text
    assert "Bleed needs at least two drums" in text


def test_a_wordy_verdict_still_fits_one_page(tmp_path: Path) -> None:
    """Long sentences and long lists are cut on page one with a pointer, never overlapping, and told in full later."""
    measurements, pictures = samples.take(n_channels=9)
    wordy = "Words that go on and on about one and the same thing until nobody reads them any more. " * 5
    findings = tuple(
        dataclasses.replace(f, message=f.message + " " + wordy, action=wordy) for f in measurements.findings
    )
    verdict = dataclasses.replace(measurements.verdict, sentence=wordy, good=(wordy,) * 9)
    unchecked = tuple(
        dataclasses.replace(n, check=f"{n.check} {i}") for i in range(5) for n in measurements.not_checked
    )
    pages = read(
        dataclasses.replace(measurements, findings=findings, verdict=verdict, not_checked=unchecked), pictures, tmp_path
    )
    assert_tidy(pages[:1])
    first = joined(pages[0])
    assert "Who reads on where" in first
    assert "more, page" in first
    everything = whole_text(pages)
    assert all(" ".join(f.message.split()) in everything for f in findings)


def test_order_of_hashing_does_not_reach_the_file(tmp_path: Path) -> None:
    """Two processes with different string hashing write the same bytes."""
    script = (
        "import sys; from pathlib import Path; import samples; from kitproof.report.document import write_report;"
        "write_report(*samples.take(n_channels=3, duration_s=20.0), Path(sys.argv[1]))"
    )
    made = []
    for seed in ("1", "2"):
        target = tmp_path / f"{seed}.pdf"
        environment = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(Path(__file__).parent)}
        subprocess.run([sys.executable, "-c", script, str(target)], check=True, env=environment)
        made.append(target.read_bytes())
    assert made[0] == made[1]
