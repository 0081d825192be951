"""The plan of the kit against the tape, and long lists on the low end's page."""

from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

import samples
from kitproof.model import LowEndPair
from kitproof.observed.plan import TapeCheck
from kitproof.report.context import Context
from kitproof.report.document import write_report
from kitproof.report.pages.plan import disagrees
from kitproof.report.wording import load_words

WORDS = load_words("en")


def context() -> Context:
    """A take measured with the mark on the plan set at 10 cm."""
    measurements, pictures = samples.take(n_channels=4)
    limits = measurements.settings["thresholds"] | {"tape_mark_m": {"value": 0.10}}
    return Context(
        replace(measurements, settings=measurements.settings | {"thresholds": limits}), pictures, WORDS, small=False
    )


@pytest.mark.parametrize(
    ("heard_m", "error_m", "marked"),
    [
        (1.30, 0.06, True),  # three errors off, twice what is wanted for putting a mic back
        (1.19, 0.03, False),  # within a head's radius
        (1.30, 0.12, False),  # the sound does not know better
    ],
)
def test_a_distance_is_marked_where_it_is_off_by_more_than_both_can_be_wrong(
    heard_m: float, error_m: float, marked: bool
) -> None:
    """Tape says 1.11 m; what is too little for a finding is still marked on the plan."""
    check = TapeCheck(file="overhead-right.wav", declared_m=1.11, heard_m=heard_m, error_m=error_m)
    assert disagrees(context(), check) is marked


def test_pairs_that_find_no_room_are_counted(tmp_path: Path) -> None:
    """The first line counts all pairs that lose; a table of twelve says how many more there are."""
    measurements, pictures = samples.take(n_channels=14)
    pair = measurements.low_end[0]
    many: tuple[LowEndPair, ...] = tuple(replace(pair, mono_db=-2.0 - 0.1 * k) for k in range(15))
    write_report(replace(measurements, low_end=many), pictures, tmp_path / "report.pdf")
    text = " ".join(page.extract_text() for page in PdfReader(tmp_path / "report.pdf").pages)

    assert WORDS("lowend.losing_more", n=3) in text
