"""The ledger: what it remembers, and that it has one owner."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from kitproof.errors import OutputError
from kitproof.watch.ledger import LEDGER_NAME, Ledger
from kitproof.watch.settle import Sighting


def test_rows_are_numbered_and_come_back_as_they_were(tmp_path: Path) -> None:
    """Also after closing; the newest is the last."""
    with Ledger(tmp_path) as ledger:
        first = ledger.begin("take 1", "f1", "l1", "token1")
        ledger.move(first, "reported", content="c1", status=1, said="a\nb")
        ledger.begin("take 1", "f2", "l2", "token2")
    with Ledger(tmp_path) as ledger:
        one, two = ledger.rows()
        last = ledger.last("take 1")

    assert (one.number, one.state, one.content, one.status, one.said) == (1, "reported", "c1", 1, "a\nb")
    assert (two.number, two.state, two.fingerprint) == (2, "measuring", "f2")
    assert last == two


def test_a_row_taken_back_was_never_there(tmp_path: Path) -> None:
    """The take before it counts again."""
    with Ledger(tmp_path) as ledger:
        ledger.move(ledger.begin("take 1", "f1", "l", "t"), "reported", content=None)
        ledger.take_back(ledger.begin("take 1", "f2", "l", "t"))
        last = ledger.last("take 1")

    assert last is not None
    assert last.fingerprint == "f1"


def test_a_name_that_is_no_text_can_be_kept(tmp_path: Path) -> None:
    """A byte that is not UTF-8 in a folder's name."""
    with Ledger(tmp_path) as ledger:
        ledger.begin("take \udcff", "f", "l", "t")

        assert ledger.last("take \udcff") is not None


def test_sightings_survive_with_their_age(tmp_path: Path) -> None:
    """On whatever clock the next run has."""
    with Ledger(tmp_path) as ledger:
        ledger.keep_sightings({"take 1": Sighting("w", 90.0)}, 100.0)
    with Ledger(tmp_path) as ledger:
        seen = ledger.sightings(1000.0)["take 1"]

    assert seen.witness == "w"
    assert seen.since_s == pytest.approx(990.0, abs=5.0)  # the seconds between the two, on a busy machine


def test_two_owners_are_refused_and_a_dead_one_is_none(tmp_path: Path) -> None:
    """While one process has it, another is told so; killed, it has given it up without doing anything."""
    code = (
        "import sys, time, pathlib; from kitproof.watch.ledger import Ledger; "
        "l = Ledger(pathlib.Path(sys.argv[1])); l.begin('take 1', 'f', 'l', 't'); print('ready', flush=True); "
        "time.sleep(600)"
    )
    owner = subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    with owner:
        assert owner.stdout is not None
        assert owner.stdout.readline() == "ready\n"
        with pytest.raises(OutputError, match="another kitproof watch"):
            Ledger(tmp_path)
        os.kill(owner.pid, signal.SIGKILL)
    with Ledger(tmp_path) as ledger:
        assert [row.state for row in ledger.rows()] == ["measuring"]


def test_a_damaged_ledger_is_told_of_and_left_alone(tmp_path: Path) -> None:
    """The user decides; what is there may still be of use to somebody."""
    (tmp_path / LEDGER_NAME).write_bytes(b"no database" * 1000)

    with pytest.raises(OutputError, match="damaged; move it away"):
        Ledger(tmp_path)
    assert (tmp_path / LEDGER_NAME).read_bytes() == b"no database" * 1000


def test_a_ledger_of_another_version_is_refused(tmp_path: Path) -> None:
    """Rather than misread."""
    with Ledger(tmp_path) as ledger:
        ledger._db.execute("PRAGMA user_version=99")

    with pytest.raises(OutputError, match="another version"):
        Ledger(tmp_path)


def test_a_missing_folder_is_an_error_that_names_it(tmp_path: Path) -> None:
    """Nothing is made by itself."""
    with pytest.raises(OutputError, match=r"nowhere.*cannot be opened"):
        Ledger(tmp_path / "nowhere")
