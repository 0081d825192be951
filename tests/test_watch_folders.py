"""What counts as a take in a watched folder, and what is still on its way."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from kitproof.errors import TakeError
from kitproof.watch.folders import content_hash, look, look_again


def put(folder: Path, *names: str) -> None:
    """Files with a byte in them."""
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"x")


def found(folder: Path) -> dict[str, set[str]]:
    """Files by take."""
    return {b.name: {f.name for f in b.files} for b in look(folder).bundles}


def test_each_sub_folder_with_audio_is_a_take(tmp_path: Path) -> None:
    """Its audio and its take.toml count; notes, pictures and hidden files do not."""
    put(tmp_path, "take 1/kick.wav", "take 1/take.toml", "take 1/notes.txt", "take 1/.DS_Store", "take 1/._kick.wav")
    put(tmp_path, "pictures/kit.jpg", ".hidden/kick.wav")

    assert found(tmp_path) == {"take 1": {"kick.wav", "take.toml"}}


def test_audio_one_level_deeper_counts_if_there_is_none_above(tmp_path: Path) -> None:
    """As when a take is read."""
    put(tmp_path, "take 1/audio/kick.wav", "take 2/kick.wav", "take 2/old/kick.wav")

    assert found(tmp_path) == {"take 1": {"audio/kick.wav"}, "take 2": {"kick.wav"}}


def test_files_that_begin_with_the_same_take_belong_together(tmp_path: Path) -> None:
    """Capitals and separators may differ between them as little as people let them; T1 is a tom, not a take."""
    put(tmp_path, "Tidewall take 3 kick.wav", "Tidewall take 3 T1.wav", "Tidewall_tk4_snare.wav", "Tidewall_tk4_oh.wav")

    assert found(tmp_path) == {
        "Tidewall take 3": {"Tidewall take 3 kick.wav", "Tidewall take 3 T1.wav"},
        "Tidewall_tk4": {"Tidewall_tk4_snare.wav", "Tidewall_tk4_oh.wav"},
    }


@pytest.mark.parametrize("name", ["kick.wav", "T1.wav", "kick take 3.wav", "mistake 2 kick.wav"])
def test_a_file_that_names_no_take_is_told_of(tmp_path: Path, name: str) -> None:
    """It is never guessed what it belongs to."""
    put(tmp_path, name)

    assert found(tmp_path) == {}
    assert look(tmp_path).remarks[0].startswith(f"{name}: in the watched folder itself")


@pytest.mark.parametrize(
    "name", ["kick.wav.part", "kick.tmp", "kick.wav~", "~kick.wav", "kick.wav.crdownload", ".kick.wav", ".kick.wav.Xa3"]
)
def test_a_temporary_name_is_no_file_yet(tmp_path: Path, name: str) -> None:
    """But it is known that something is on its way."""
    put(tmp_path, "take 1/snare.wav", f"take 1/{name}")
    (bundle,) = look(tmp_path).bundles

    assert {f.name for f in bundle.files} == {"snare.wav"}
    assert {f.name for f in bundle.temporary} == {name}


@pytest.mark.parametrize("name", ["take 1.part", ".take 1", "~take 1", "take 1.tmp"])
def test_a_folder_with_a_temporary_name_is_no_take_yet(tmp_path: Path, name: str) -> None:
    """Whoever fills it renames it at the end."""
    put(tmp_path, f"{name}/kick.wav")

    assert found(tmp_path) == {}


def test_a_folder_wins_over_files_of_its_name(tmp_path: Path) -> None:
    """Both would be reported to one place; the user is told."""
    put(tmp_path, "Tidewall take 3/kick.wav", "Tidewall take 3 snare.wav")

    assert found(tmp_path) == {"Tidewall take 3": {"kick.wav"}}
    assert "there is a folder of that name" in look(tmp_path).remarks[0]


def test_whatever_happens_to_a_file_shows(tmp_path: Path) -> None:
    """Another size, time, name or file more or less gives another fingerprint; looking twice does not."""
    put(tmp_path, "take 1/kick.wav", "take 1/snare.wav")
    path = tmp_path / "take 1" / "kick.wav"
    (bundle,) = look(tmp_path).bundles
    same = look_again(bundle)
    seen = {bundle.fingerprint}
    path.write_bytes(b"xy")
    seen.add(look(tmp_path).bundles[0].fingerprint)
    os.utime(path, ns=(1, 1))
    seen.add(look(tmp_path).bundles[0].fingerprint)
    path.rename(path.with_name("kick in.wav"))
    seen.add(look(tmp_path).bundles[0].fingerprint)
    (tmp_path / "take 1" / "kick in.wav").unlink()
    seen.add(look(tmp_path).bundles[0].fingerprint)

    assert same is not None
    assert same.witness == bundle.witness
    assert len(seen) == 5


def test_a_take_that_is_gone_is_gone(tmp_path: Path) -> None:
    """Looked at again, there is nothing; of a take of loose files just as well."""
    put(tmp_path, "take 1/kick.wav", "Tidewall take 3 kick.wav")
    bundles = look(tmp_path).bundles
    (tmp_path / "take 1" / "kick.wav").unlink()
    (tmp_path / "take 1").rmdir()
    (tmp_path / "Tidewall take 3 kick.wav").unlink()

    assert [look_again(b) for b in bundles] == [None, None]


def test_a_link_to_nothing_is_passed_over(tmp_path: Path) -> None:
    """It may be made good any moment, and then it shows."""
    put(tmp_path, "take 1/kick.wav")
    (tmp_path / "take 1" / "snare.wav").symlink_to(tmp_path / "nowhere.wav")

    assert found(tmp_path) == {"take 1": {"kick.wav"}}


def test_a_missing_folder_is_an_error_that_names_it(tmp_path: Path) -> None:
    """A share that is not mounted, say."""
    with pytest.raises(TakeError, match=r"nowhere: cannot be read"):
        look(tmp_path / "nowhere")


def test_contents_are_the_same_only_if_every_file_could_be_read() -> None:
    """Order does not matter; an unread file makes it unknown."""
    assert content_hash({"a": "1", "b": "2"}) == content_hash({"b": "2", "a": "1"})
    assert content_hash({"a": "1"}) != content_hash({"b": "1"})
    assert content_hash({"a": "1", "b": None}) is None
