"""Writing a take.toml to complete."""

import tomllib

import numpy as np
import pytest
import soundfile as sf

from kitproof.errors import OutputError, TakeError
from kitproof.ingest.sheet import write_sheet
from kitproof.ingest.take import read_take

TONE = np.full(480, 0.25)


@pytest.fixture
def folder(tmp_path):
    """A take with everything that is awkward to write down."""
    path = tmp_path / "Tidewall take 3"
    path.mkdir()
    mono = ("KIK.wav", "SN Top.wav", 'odd "name" \\ ü.wav', "Audio 07.wav", "OH 1.wav", "OH 2.wav")
    for name in mono:
        sf.write(path / name, TONE, 48_000)
    sf.write(path / "Room.wav", np.tile(TONE[:, None], 2), 48_000)
    sf.write(path / "Hat.wav", np.tile(TONE[:, None], 2), 48_000)
    (path / "Ride.wav").write_bytes(b"")
    return path


def roles(take):
    return {c.file: c.role for c in take.channels}


def names_in(folder):
    return {path.name for path in folder.iterdir()}


def test_the_sheet_reads_back_to_the_same_roles(folder):
    """Every channel is in it, with the role that its name suggests."""
    before = read_take(folder)

    path = write_sheet(folder)
    after = read_take(folder)

    assert path == folder / "take.toml"
    assert roles(after) == roles(before)
    assert {c.role_source for c in after.channels} == {"take.toml"}
    assert (after.song, after.number, after.temperature_declared) == ("Tidewall", 3, False)
    assert after.remarks == ()
    assert names_in(folder) == {*(f.path for f in before.files), "take.toml"}


def test_the_sheet_has_a_field_for_everything(folder):
    """Texts are empty strings, numbers are lines to complete; each has its comment."""
    text = write_sheet(folder).read_text(encoding="utf-8")

    kick = next(entry for entry in text.split("[[channel]]") if '"KIK.wav"' in entry)
    for key in ("mic", "preamp", "position", "note"):
        assert f'\n{key} = ""  # ' in kick
    for key in ("to_own_drum_m", "to_snare_m"):
        assert f"\n# {key} =   # " in kick
    assert "\n# tempo_bpm =   # " in text


def test_a_completed_line_counts(folder):
    """Taking the # away and writing a number is all there is to do."""
    path = write_sheet(folder)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("# tempo_bpm = ", "tempo_bpm = 104").replace("# to_snare_m = ", "to_snare_m = 0.9"))

    take = read_take(folder)

    assert take.tempo_bpm == 104
    assert {c.to_snare_m for c in take.channels} == {0.9}


def test_doubts_stand_beside_the_entry(folder):
    """What was assumed or could not be read is said where it can be mended."""
    text = write_sheet(folder).read_text(encoding="utf-8")

    assert 'role = "other"  # not sure' in text
    assert "# OH 1.wav: taken as overhead-left" in text
    assert "# Audio 07.wav: its name names no drum" in text


def test_an_existing_sheet_is_not_overwritten(folder):
    """Also not one written in capitals."""
    (folder / "Take.toml").write_text("[take]\n")

    with pytest.raises(OutputError, match=r"Take\.toml: there already is one"):
        write_sheet(folder)
    assert (folder / "Take.toml").read_text() == "[take]\n"
    assert not (folder / "take.toml").exists()


def test_force_keeps_what_was_declared_and_adds_the_rest(folder):
    """A second sheet after one more microphone does not cost the notes of the first."""
    (folder / "take.toml").write_text(
        '[take]\ntempo_bpm = 104.5\ntemperature_c = 22\n[[channel]]\nfile = "KIK.wav"\nrole = "kick-in"\n'
        'mic = "dyn \\"a\\""\nto_own_drum_m = 0.05\n[[channel]]\nfile = "Hat.wav:2"\nrole = "ride"\nnote = "swapped"\n'
        '[[section]]\nname = "Verse"\nbar = 5\n[limits]\nhot_dbfs = -6.5\n"odd name" = "x"\n'
    )
    before = read_take(folder)

    write_sheet(folder, force=True)
    after = read_take(folder)

    assert (after.tempo_bpm, after.temperature_c, after.temperature_declared) == (104.5, 22.0, True)
    assert roles(after) == roles(before)
    assert (after.sections, after.limits) == (before.sections, before.limits)
    by_file = {c.file: c for c in after.channels}
    assert (by_file["KIK.wav"].mic, by_file["KIK.wav"].to_own_drum_m) == ('dyn "a"', 0.05)
    assert (by_file["Hat.wav:2"].role, by_file["Hat.wav:2"].note, by_file["Hat.wav"].note) == ("ride", "swapped", None)


def test_force_replaces_what_is_no_toml(folder):
    """It could not be read anyway."""
    (folder / "take.toml").write_text("[take")

    write_sheet(folder, force=True)

    assert read_take(folder).song == "Tidewall"


def test_a_sheet_that_cannot_be_written_leaves_nothing(folder, monkeypatch):
    """A full disk: the old sheet stays as it was, no draft is left."""
    (folder / "take.toml").write_text("[take]\n")
    before = names_in(folder)

    def fails(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.replace", fails)
    with pytest.raises(OutputError, match=r"take\.toml: cannot be written \(No space left on device\)"):
        write_sheet(folder, force=True)
    assert names_in(folder) == before
    assert (folder / "take.toml").read_text() == "[take]\n"


def test_without_audio_there_is_nothing_to_write(tmp_path):
    """And no sheet appears."""
    with pytest.raises(TakeError, match="no audio file"):
        write_sheet(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_audio_one_level_down_gets_its_sheet_in_the_take_folder(tmp_path):
    """Where it is read from."""
    (tmp_path / "audio").mkdir()
    sf.write(tmp_path / "audio" / "KIK.wav", TONE, 48_000)

    assert write_sheet(tmp_path) == tmp_path / "take.toml"
    assert {c.role_source for c in read_take(tmp_path).channels} == {"take.toml"}


def test_every_kind_of_character_survives(tmp_path):
    """Tabs do not occur in names that are read, but quotes, backslashes and any script do."""
    names = ["a'b.wav", 'a"b.wav', "a\\b.wav", "太鼓.wav", "a#b.wav", "é.wav", "e\u0301.wav", "a:2.wav"]
    for name in names:
        sf.write(tmp_path / name, TONE, 48_000)

    text = write_sheet(tmp_path).read_text(encoding="utf-8")

    assert sorted(entry["file"] for entry in tomllib.loads(text)["channel"]) == sorted(names)
    take = read_take(tmp_path)
    assert {c.role_source for c in take.channels} == {"take.toml"}
    assert take.remarks == ()
