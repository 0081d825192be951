"""Limits set by the user: for themselves, for a room, for one take."""

import tomllib

import pytest

from kitproof.cli import main
from kitproof.errors import TakeError
from kitproof.find import Thresholds
from kitproof.ingest.limits import read_limits


def test_the_place_nearest_to_the_take_wins(tmp_path):
    """The user's own, then a room's from far to near; the last entry counts."""
    take = tmp_path / "project" / "song" / "take 1"
    take.mkdir(parents=True)
    (tmp_path / "home" / "kitproof").mkdir(parents=True)
    (tmp_path / "home" / "kitproof" / "limits.toml").write_text("hot_dbfs = -1\nmoved_ms = 0.3\n")
    (tmp_path / "project" / "kitproof-limits.toml").write_text("hot_dbfs = -2\n")
    (tmp_path / "project" / "song" / "kitproof-limits.toml").write_text("hot_dbfs = -4.5\n")

    found = read_limits(take, {"XDG_CONFIG_HOME": str(tmp_path / "home")})
    limits, remarks = Thresholds().accept(found | {"take.toml": {"dc_fraction": 0.5}})

    assert [values["hot_dbfs"] for values in found.values()] == [-1, -2, -4.5]
    assert (limits["hot_dbfs"], limits["moved_ms"], limits["dc_fraction"]) == (-4.5, 0.3, 0.5)
    assert limits.entries["hot_dbfs"].source.endswith("song/kitproof-limits.toml")
    assert limits.entries["hot_dbfs"].reason == f"set in place of {Thresholds()['hot_dbfs']:g}"
    assert remarks == ()


def test_without_any_file_the_common_limits_hold(tmp_path):
    """No settings folder, no room file: nothing is set."""
    assert read_limits(tmp_path, {}) == {}


@pytest.mark.parametrize("text", ["hot_dbfs = ", "a = 1\na = 2"])
def test_a_file_that_is_no_toml_stops_the_take(tmp_path, text):
    """Half of it might be missing without anyone noticing, so the line is named instead."""
    (tmp_path / "kitproof-limits.toml").write_text(text)
    (tmp_path / "take").mkdir()
    with pytest.raises(TakeError, match=r"kitproof-limits\.toml: no valid TOML"):
        read_limits(tmp_path / "take", {})


@pytest.mark.parametrize("value", ["loud", True, float("nan"), float("inf")])
def test_an_entry_that_is_no_number_is_left_out_and_told(value):
    """The common limit stays in force, and the remark names the entry and where it stands."""
    limits, remarks = Thresholds().accept({"the room": {"hot_dbfs": value}})
    assert limits["hot_dbfs"] == Thresholds()["hot_dbfs"]
    assert len(remarks) == 1
    assert remarks[0].startswith("the room: limit 'hot_dbfs'")


def test_a_slip_in_a_name_gets_a_hint():
    """Somebody who writes hot_dbsf is told what there is."""
    assert "did you mean 'hot_dbfs'?" in Thresholds().accept({"x": {"hot_dbsf": -6}})[1][0]


def test_the_printed_limits_are_a_file_to_start_from(capsys):
    """As printed it sets nothing; with the comment signs gone it sets every limit to what it is."""
    assert main(["limits"]) == 0
    text = capsys.readouterr().out

    assert tomllib.loads(text) == {}
    bare = "\n".join(line.removeprefix("# ") for line in text.splitlines()[1:])
    assert tomllib.loads(bare) == {t.name: pytest.approx(t.value, rel=1e-5) for t in Thresholds()}
