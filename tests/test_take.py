"""Reading a take folder and its take.toml: what is read, what is remarked, what stops."""

import unicodedata

import numpy as np
import pytest
import soundfile as sf

from kitproof.errors import TakeError
from kitproof.ingest.take import read_take, song_and_number

TONE = np.full(480, 0.25)


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "Tidewall take 3"
    path.mkdir()
    return path


def fill(folder, *names, n_channels=1):
    for name in names:
        samples = TONE if n_channels == 1 else np.tile(TONE[:, None], n_channels)
        sf.write(folder / name, samples, 48_000, subtype="PCM_24")


def declare(folder, text):
    (folder / "take.toml").write_text(text, encoding="utf-8")


def roles(take):
    return {channel.file: channel.role for channel in take.channels}


def channel(take, file):
    return next(c for c in take.channels if c.file == file)


def remark_with(take, text):
    """The one remark that contains the text."""
    found = [remark for remark in take.remarks if text in remark]
    assert len(found) == 1, take.remarks
    return found[0]


# ---------------------------------------------------------------- the folder
def test_a_folder_without_take_toml_is_read_by_its_names(folder):
    """Roles, labels, keys and facts in natural order; nothing to remark."""
    fill(folder, "Tom 10.wav", "Tom 2.wav", "KIK.wav", "SN Btm.flac", "OH L.wav")

    take = read_take(folder)

    assert [c.file for c in take.channels] == ["KIK.wav", "OH L.wav", "SN Btm.flac", "Tom 2.wav", "Tom 10.wav"]
    assert [c.role for c in take.channels[:4]] == ["kick", "overhead-left", "snare-bottom", "rack-tom-2"]
    assert {c.role_source for c in take.channels} == {"file name"}
    assert channel(take, "SN Btm.flac").label == "snare bottom"
    assert [f.path for f in take.files] == [c.path for c in take.channels]
    assert {f.n_frames for f in take.files} == {480}
    assert (take.name, take.song, take.number) == ("Tidewall take 3", "Tidewall", 3)
    assert (take.temperature_c, take.temperature_declared, take.tempo_bpm) == (20.0, False, None)
    assert take.remarks == ()


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Tidewall take 3", ("Tidewall", 3)),
        ("Tidewall_take_03", ("Tidewall", 3)),
        ("Tidewall - Take 12", ("Tidewall", 12)),
        ("Tidewall_t3", ("Tidewall", 3)),
        ("The_Long_Tide_tk2", ("The Long Tide", 2)),
        ("2024-05-01 Tidewall take 3", ("Tidewall", 3)),
        ("20240501_Tidewall_Take3", ("Tidewall", 3)),
        ("take 3", (None, 3)),
        ("Tidewall 3", (None, None)),
        ("Mistake 3", (None, None)),
        ("Part2", (None, None)),
        ("Tidewall take", (None, None)),
        ("drums", (None, None)),
    ],
)
def test_song_and_number_come_from_a_name_that_says_take(name, expected):
    """A number alone may mean anything."""
    assert song_and_number(name) == expected


def test_a_folder_given_as_a_dot_has_its_real_name(folder, monkeypatch):
    """`.` is no name for a report."""
    fill(folder, "KIK.wav")
    monkeypatch.chdir(folder)

    assert read_take(".").name == "Tidewall take 3"


def test_other_files_are_ignored_and_hidden_ones_passed_over(folder):
    """Notes and pictures are listed; what looks like audio but is not measured is remarked."""
    fill(folder, "KIK.wav", "._KIK.wav", ".hidden.wav")
    for name in ("notes.txt", "desk.jpg", "guide.mp3", ".trash"):
        (folder / name).write_bytes(b"x")

    take = read_take(folder)

    assert roles(take) == {"KIK.wav": "kick"}
    assert take.ignored == ("desk.jpg", "guide.mp3", "notes.txt")
    assert remark_with(take, "guide.mp3").startswith("guide.mp3: not measured, expected WAV")
    assert len(take.remarks) == 1


@pytest.mark.parametrize("suffix", ["WAV", "wave", "bwf", "rf64", "AIF", "aiff", "aifc", "flac"])
def test_every_audio_suffix_counts(folder, suffix):
    """Whatever the case."""
    fmt = "FLAC" if suffix == "flac" else "AIFF" if suffix.lower().startswith("aif") else "WAV"
    sf.write(folder / f"KIK.{suffix}", TONE, 48_000, format=fmt)

    assert list(roles(read_take(folder)).values()) == ["kick"]


def test_audio_one_level_down_is_found(folder):
    """Exactly one sub-folder with audio, and none above it: read, and said."""
    (folder / "Audio Files").mkdir()
    (folder / "Pictures").mkdir()
    fill(folder / "Audio Files", "KIK.wav", "SN.wav")
    declare(folder, '[[channel]]\nfile = "Audio Files/KIK.wav"\nrole = "kick-in"')

    take = read_take(folder)

    assert roles(take) == {"KIK.wav": "kick-in", "SN.wav": "snare-top"}
    assert [c.path for c in take.channels] == ["Audio Files/KIK.wav", "Audio Files/SN.wav"]
    assert take.name == "Tidewall take 3"
    assert "sub-folder Audio Files was read" in remark_with(take, "Audio Files")


def test_a_sub_folder_of_results_is_no_audio_folder(folder):
    """Reports and their like lie in the take folder without being part of it."""
    (folder / "report").mkdir()
    (folder / "audio").mkdir()
    fill(folder / "report", "x.wav")
    fill(folder / "audio", "KIK.wav")

    assert roles(read_take(folder)) == {"KIK.wav": "kick"}


def test_sub_folders_beside_audio_are_left_alone_and_said(folder):
    """Earlier takes, perhaps; perhaps forgotten microphones."""
    (folder / "old").mkdir()
    fill(folder, "KIK.wav")
    fill(folder / "old", "SN.wav")

    take = read_take(folder)

    assert roles(take) == {"KIK.wav": "kick"}
    assert remark_with(take, "old") == "old: sub-folder with audio, not part of this take."


def test_without_a_folder_reading_stops(tmp_path):
    """The line says what to give."""
    (tmp_path / "KIK.wav").write_bytes(b"x")

    with pytest.raises(TakeError, match=r"gone: there is no such folder; give the folder"):
        read_take(tmp_path / "gone")
    with pytest.raises(TakeError, match=r"KIK\.wav: this is a file; give the folder"):
        read_take(tmp_path / "KIK.wav")


def test_without_audio_reading_stops(folder):
    """The line says what was found instead."""
    with pytest.raises(TakeError, match=r"no audio file .* in it, it is empty"):
        read_take(folder)
    (folder / "notes.txt").write_text("x")
    with pytest.raises(TakeError, match=r"no audio file \(WAV.*found notes\.txt; give the folder"):
        read_take(folder)
    for name in ("take 1", "take 2"):
        (folder / name).mkdir()
        fill(folder / name, "KIK.wav")
    with pytest.raises(TakeError, match="audio lies in its sub-folders take 1, take 2; give one of them"):
        read_take(folder)


def test_unreadable_files_keep_their_place_and_role(folder):
    """So that a finding can say which microphone is missing."""
    fill(folder, "KIK.wav")
    (folder / "SN Top.wav").write_bytes(b"no audio at all, only text")
    (folder / "HH.wav").write_bytes(b"")

    take = read_take(folder)

    assert roles(take) == {"HH.wav": "hi-hat", "KIK.wav": "kick", "SN Top.wav": "snare-top"}
    assert [f.problem for f in take.files] == ["empty", None, "unreadable"]


def test_a_name_in_a_broken_encoding_is_ignored_and_said(folder):
    """No report could print it."""
    fill(folder, "KIK.wav")
    path = folder / "snare\udcff.wav"
    path.hardlink_to(folder / "KIK.wav")

    take = read_take(folder)

    assert roles(take) == {"KIK.wav": "kick"}
    assert "rename it with plain letters" in remark_with(take, "snare")
    remark_with(take, "snare").encode("utf-8")  # can be printed


# ---------------------------------------------------------------- roles of several channels
def test_a_stereo_overhead_is_two_channels(folder):
    """Left and right, with keys of their own."""
    fill(folder, "OH.wav", n_channels=2)

    take = read_take(folder)

    assert roles(take) == {"OH.wav": "overhead-left", "OH.wav:2": "overhead-right"}
    assert [(c.path, c.index_in_file, c.label) for c in take.channels] == [
        ("OH.wav", 0, "overhead left"),
        ("OH.wav", 1, "overhead right"),
    ]
    assert take.remarks == ()


def test_a_list_of_roles_names_all_channels_of_a_file(folder):
    """As from a recorder that writes one file for all."""
    fill(folder, "Drums.wav", n_channels=4)
    declare(
        folder, '[[channel]]\nfile = "Drums.wav"\nroles = ["kick-in", "snare-top", "overhead-left", "overhead-right"]'
    )

    take = read_take(folder)

    assert list(roles(take).values()) == ["kick-in", "snare-top", "overhead-left", "overhead-right"]
    assert [c.file for c in take.channels] == ["Drums.wav", "Drums.wav:2", "Drums.wav:3", "Drums.wav:4"]
    assert take.remarks == ()


@pytest.mark.parametrize(("given", "expected"), [(1, ["kick", "other"]), (3, ["kick", "snare-top"])])
def test_a_list_of_the_wrong_length_is_remarked(folder, given, expected):
    """Too few: the rest is "other"; too many: the rest is left out."""
    fill(folder, "a.wav", n_channels=2)
    declare(folder, f'[[channel]]\nfile = "a.wav"\nroles = {["kick", "snare-top", "ride"][:given]}')

    take = read_take(folder)

    assert list(roles(take).values()) == expected
    assert f"gives {given} roles, the file has 2 channels" in remark_with(take, "a.wav")


def test_single_channels_can_be_spoken_of(folder):
    """ "name.wav:2" overrides what is said of the whole file, for that channel."""
    fill(folder, "pair.wav", n_channels=2)
    declare(
        folder,
        '[[channel]]\nfile = "pair.wav"\nrole = "kick-in"\nmic = "dynamic"\n'
        '[[channel]]\nfile = "pair.wav:2"\nrole = "kick-out"\nmic = "condenser"\n',
    )

    take = read_take(folder)

    assert [(c.role, c.mic, c.role_source) for c in take.channels] == [
        ("kick-in", "dynamic", "take.toml"),
        ("kick-out", "condenser", "take.toml"),
    ]
    assert take.remarks == ()


def test_one_drum_on_a_stereo_file_is_remarked(folder):
    """The second channel could be anything."""
    fill(folder, "x.wav", n_channels=2)
    declare(folder, '[[channel]]\nfile = "x.wav"\nrole = "kick"')

    take = read_take(folder)

    assert list(roles(take).values()) == ["kick", "other"]
    assert "x.wav: has 2 channels" in remark_with(take, "x.wav")


def test_a_channel_that_the_file_does_not_have_is_remarked(folder):
    """The entry is left out."""
    fill(folder, "KIK.wav")
    declare(folder, '[[channel]]\nfile = "KIK.wav:2"\nrole = "ride"')

    take = read_take(folder)

    assert roles(take) == {"KIK.wav": "kick"}
    assert "speaks of channel 2, KIK.wav has 1" in remark_with(take, "KIK.wav:2")


def test_the_channels_of_an_unreadable_file_are_those_declared(folder):
    """Two roles stay two channels, although nobody can count them."""
    (folder / "OH.wav").write_bytes(b"")
    declare(folder, '[[channel]]\nfile = "OH.wav"\nroles = ["overhead-left", "overhead-right"]')

    assert roles(read_take(folder)) == {"OH.wav": "overhead-left", "OH.wav:2": "overhead-right"}


# ---------------------------------------------------------------- take.toml
FULL = """
[take]
song = "Tidewall"
number = 7
tempo_bpm = 104.5
beats_per_bar = 3
first_bar_s = 1.25
temperature_c = 23

[[section]]
name = "Chorus"
bar = 9
[[section]]
name = "Verse"
bar = 1

[limits]
hot_dbfs = -6.0

[[channel]]
file = "07 snare.wav"
role = "snare-bottom"
mic = "dynamic, cardioid"
preamp = "2"
position = "under"
note = "wires loose"
to_own_drum_m = 0.04
to_snare_m = 0
"""


def test_a_full_take_toml_is_read(folder):
    """Every field arrives; files that it leaves out are read by their names."""
    fill(folder, "07 snare.wav", "01 kick.wav")
    declare(folder, FULL)

    take = read_take(folder)

    assert (take.song, take.number, take.tempo_bpm) == ("Tidewall", 7, 104.5)
    assert (take.temperature_c, take.temperature_declared) == (23.0, True)
    assert (take.beats_per_bar, take.first_bar_s) == (3, 1.25)
    assert [(s.name, s.bar) for s in take.sections] == [("Verse", 1), ("Chorus", 9)]
    assert list(take.limits.values())[-1] == {"hot_dbfs": -6.0}
    snare = channel(take, "07 snare.wav")
    assert (snare.role, snare.role_source) == ("snare-bottom", "take.toml")
    assert (snare.mic, snare.preamp, snare.position, snare.note) == ("dynamic, cardioid", "2", "under", "wires loose")
    assert (snare.to_own_drum_m, snare.to_snare_m) == (0.04, 0.0)
    assert (channel(take, "01 kick.wav").role, channel(take, "01 kick.wav").role_source) == ("kick", "file name")
    assert "take.toml" not in take.ignored
    assert take.remarks == ()


@pytest.mark.parametrize("written", ["Schlägel.WAV", "schlägel.wav", "Schla\u0308gel.wav", "schlägel", "x/Schlägel.wav",
                                     "x\\\\Schlägel.wav"])  # fmt: skip
@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_a_file_is_found_in_any_case_and_unicode_form(folder, written, form):
    """Disks and editors spell the same name in different bytes; a path in front does not matter."""
    name = unicodedata.normalize(form, "Schlägel.wav")
    fill(folder, name)
    declare(folder, f'[[channel]]\nfile = "{written}"\nrole = "ride"')

    take = read_take(folder)

    assert roles(take) == {name: "ride"}
    assert take.remarks == ()


def test_the_exact_name_goes_before_a_similar_one(folder):
    """Two files that differ only in case are two files."""
    fill(folder, "a.wav", "A.wav")
    declare(folder, '[[channel]]\nfile = "A.wav"\nrole = "ride"\n[[channel]]\nfile = "a.wav"\nrole = "kick"')

    assert roles(read_take(folder)) == {"A.wav": "ride", "a.wav": "kick"}


@pytest.mark.parametrize("content", ["[take", 'song = Tidewall"', '[take]\nsong = "a\\kick"', "[take]\na = 1\na = 2"])
def test_what_is_no_toml_stops_the_reading(folder, content):
    """With the line that is wrong and what to do."""
    fill(folder, "KIK.wav")
    declare(folder, content)

    with pytest.raises(TakeError, match=r"take\.toml: no valid TOML, .*(line|document).*; texts stand in quotes"):
        read_take(folder)
    assert roles(read_take(folder, use_sheet=False)) == {"KIK.wav": "kick"}


def test_a_take_toml_in_another_encoding_stops_the_reading(folder):
    """The byte is named; a byte order mark is no fault."""
    fill(folder, "KIK.wav")
    (folder / "take.toml").write_bytes('[take]\nsong = "Süd"'.encode("latin-1"))
    with pytest.raises(TakeError, match="byte 17 is not UTF-8"):
        read_take(folder)

    (folder / "take.toml").write_bytes(b"\xef\xbb\xbf" + '[take]\nsong = "Süd"'.encode())
    assert read_take(folder).song == "Süd"


# (take.toml, part of its one remark)
SLIPS = [
    ('[take]\ntempo = 104', '"tempo" is not known; did you mean "tempo_bpm"?'),
    ('[take]\nsong = 5', "song = 5 is no text; write it in quotes"),
    ('[take]\nnumber = "3"', "number = '3' is not a whole number from 0 to 9999, without quotes"),
    ('[take]\nnumber = 2.5', "number = 2.5 is not a whole number"),
    ('[take]\nnumber = true', "number = True is not a whole number"),
    ('[take]\ntempo_bpm = 1040', "tempo_bpm = 1040 is no number from 20 to 400"),
    ('[take]\ntempo_bpm = nan', "tempo_bpm = nan is no"),
    ('[take]\ntemperature_c = 70', "temperature_c = 70 is no number from -30 to 50"),
    ('take = 3', '"take" is not a table'),
    ('limits = 3', '"limits" is not a table'),
    ('section = 3', '"section" is not a table'),
    ('[[section]]\nname = "Verse"', "section 1: needs a name and its first bar"),
    ('[[section]]\nname = "Verse"\nbar = 0', "bar = 0 is not a whole number from 1"),
    ('[takes]\nsong = "x"', '"takes" is not known; did you mean "take"?'),
    ('channel = 3', '"channel" is not a table'),
    ('channel = [3]', "channel 1: is not a table"),
    ('[[channel]]\nrole = "kick"', "channel 1: says no file"),
    ('[[channel]]\nfile = "KIK.wav"\nroll = "kick"', '"roll" is not known; did you mean "role"?'),
    ('[[channel]]\nfile = "KIK.wav"\ncolour = "red"', '"colour" is not known; known are file, role'),
    ('[[channel]]\nfile = "KIK.wav"\nrole = "SN Btm"', '"SN Btm" is no role; did you mean "snare-bottom"?'),
    ('[[channel]]\nfile = "KIK.wav"\nrole = "kik-inn"', 'did you mean "kick-in"?'),
    ('[[channel]]\nfile = "KIK.wav"\nrole = "zzz"', "roles are: kick, kick-in"),
    ('[[channel]]\nfile = "KIK.wav"\nrole = 3', "role 3 is no text"),
    ('[[channel]]\nfile = "KIK.wav"\nroles = "kick"', "roles is no list"),
    ('[[channel]]\nfile = "KIK.wav"\nmic = 88', "mic = 88 is no text"),
    ('[[channel]]\nfile = "KIK.wav"\nto_snare_m = "1 m"', "to_snare_m = '1 m' is no number from 0 to 50"),
    ('[[channel]]\nfile = "KIK.wav"\nto_snare_m = -1', "to_snare_m = -1 is no number"),
    ('[[channel]]\nfile = "KIC.wav"\nrole = "ride"', '"KIC.wav" is not in the folder; did you mean "KIK.wav"?'),
    ('[[channel]]\nfile = "violin.aif"\nrole = "ride"', "put the file there, or take out the entry"),
    ('[[channel]]\nfile = "KIK.wav"\n[[channel]]\nfile = "kik.wav"\nrole = "ride"', '"kik.wav" is listed twice'),
]  # fmt: skip


@pytest.mark.parametrize(("content", "said"), SLIPS)
def test_a_slip_in_take_toml_costs_its_entry_only(folder, content, said):
    """One remark that says where; the take is read as if the entry were not there."""
    fill(folder, "KIK.wav")
    declare(folder, content)

    take = read_take(folder)

    assert roles(take) == {"KIK.wav": "kick"}
    assert len(take.remarks) == 1, take.remarks
    assert take.remarks[0].startswith("take.toml")
    assert said in take.remarks[0]
    assert (take.song, take.number, take.temperature_c) == ("Tidewall", 3, 20.0)


def test_single_brackets_are_forgiven_and_said(folder):
    """[channel] for one channel is understood."""
    fill(folder, "a.wav")
    declare(folder, '[channel]\nfile = "a.wav"\nrole = "kick"')

    take = read_take(folder)

    assert roles(take) == {"a.wav": "kick"}
    assert "write [[channel]]" in remark_with(take, "[channel]")


@pytest.mark.parametrize("written", ["Snare Top", "snare_top", "SNARE-TOP", " snare-top "])
def test_a_role_may_be_written_with_other_separators(folder, written):
    """Spaces and underscores for hyphens, capitals for small letters."""
    fill(folder, "a.wav")
    declare(folder, f'[[channel]]\nfile = "a.wav"\nrole = "{written}"')

    assert roles(read_take(folder)) == {"a.wav": "snare-top"}
    assert read_take(folder).remarks == ()


def test_empty_fields_count_as_not_said(folder):
    """As in a sheet that was not completed."""
    fill(folder, "KIK.wav")
    declare(folder, '[take]\nsong = ""\n[[channel]]\nfile = "KIK.wav"\nrole = ""\nmic = " "')

    take = read_take(folder)

    assert (take.song, channel(take, "KIK.wav").mic) == ("Tidewall", None)
    assert (channel(take, "KIK.wav").role, channel(take, "KIK.wav").role_source) == ("kick", "file name")
    assert take.remarks == ()


def test_a_role_declared_twice_is_kept_and_said(folder):
    """Two mics on one drum head are possible, and so is a slip; labels tell them apart."""
    fill(folder, "a.wav", "b.wav")
    declare(folder, "".join(f'[[channel]]\nfile = "{n}.wav"\nrole = "snare-top"\n' for n in "ab"))

    take = read_take(folder)

    assert set(roles(take).values()) == {"snare-top"}
    assert '"snare-top" is given to a.wav, b.wav' in remark_with(take, "snare-top")
    assert [c.label for c in take.channels] == ["snare top (a)", "snare top (b)"]


def test_two_rooms_or_overheads_may_be_declared_without_a_remark(folder):
    """Several distant mics without sides are ordinary."""
    fill(folder, "a.wav", "b.wav")
    declare(folder, "".join(f'[[channel]]\nfile = "{n}.wav"\nrole = "room"\n' for n in "ab"))

    assert read_take(folder).remarks == ()


def test_a_name_gives_way_to_a_declared_role(folder):
    """The declared kick is the kick; the file that is only called so is "other"."""
    fill(folder, "kick.wav", "x.wav")
    declare(folder, '[[channel]]\nfile = "x.wav"\nrole = "kick"')

    take = read_take(folder)

    assert roles(take) == {"kick.wav": "other", "x.wav": "kick"}
    assert "take.toml already gives" in remark_with(take, "kick.wav: ")


def test_a_declared_file_draws_no_remark_on_its_name(folder):
    """Whoever wrote the role down need not be told that the name says nothing."""
    fill(folder, "Audio 01.wav")
    declare(folder, '[[channel]]\nfile = "Audio 01.wav"\nrole = "kick"')

    assert read_take(folder).remarks == ()


def test_take_toml_under_a_similar_name(folder):
    """Capitals are understood; a suffix that the system added is said."""
    fill(folder, "a.wav")
    (folder / "Take.TOML").write_text('[[channel]]\nfile = "a.wav"\nrole = "kick"')
    assert roles(read_take(folder)) == {"a.wav": "kick"}

    (folder / "Take.TOML").rename(folder / "take.toml.txt")
    take = read_take(folder)
    assert roles(take) == {"a.wav": "other"}
    assert "rename it to take.toml" in remark_with(take, "take.toml.txt")


def test_a_channel_without_a_role_is_called_by_its_file(folder):
    """ "other" is no name for a microphone."""
    fill(folder, "Crush.wav", "Knee.wav")

    assert [c.label for c in read_take(folder).channels] == ["Crush", "Knee"]
    assert [c.role_source for c in read_take(folder).channels] == ["unknown", "unknown"]
