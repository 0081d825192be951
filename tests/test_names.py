"""Roles from file names as people write them, alone and as a folder."""

import pytest

from kitproof.ingest.names import role_from_name, roles_from_names, roles_of_channels
from kitproof.roles import LABELS

# role -> names that mean it, as found on desks, in sessions and in sample sets; separated by "|"
ONE_NAME = {
    "kick": "KIK|BD|Kick|kick.wav|KICK.WAV|kck|Bass Drum|BassDrum|bass_drum|bassdrum|Kick Drum|KDrum|kdrum|BD_01|kik01|"
    "Kick 1|KICK X712|kick-88|Kick Mic|01 Kick|01_Kick_01.wav|Kick_batter|Kick Beater|kdrum_back|K.wav|Kick click|"
    "Bombo|bombo.wav|Bumbo|Grosse caisse|grosse_caisse|GC|Große Trommel|Basstrommel|Fußtrommel|Gran Cassa|"
    "Tidewall_t3-KIK_01.wav|Ride the Tide_KIK.wav|Room 5 - kick.wav|240501_Tidewall_BD.aif",
    "kick-in": "Kick In|kick_inside|K in|K-In|KickIn|kickin|kick inner|KIK IN|BD In|BDIn|Kin|kick_in_88|BD innen|"
    "Kick_In_01.flac|bombo dentro|Inside Kick|Grosse caisse int",
    "kick-out": "Kick_Out|KickOut|kick outside|K out|KOut|BD Out|BD außen|Kick Ext|kick_front|Kdrum_front|Kick Port|"
    "KickSub|Sub Kick|subkick|Kick Sub|kick reso|Bombo fuera|Kick Hole",
    "snare-top": "SN Top|snr|Snare|SNARE|SD|SD T|SN T|snare_up|SnareUp|Snare Top|SnareTop|SNTop|SNT|Sn_Top|sn-tp|"
    "Snare 88|SN88|snare drum|Snare Drum Top|SDT|S Top|05-Snare Top_03.wav|Snare oben|Snare 1 Top|Top Snare|"
    "Caja|caja arriba|Tarola|Redoblante|Caixa|Caisse claire|caisse_claire_dessus|Rullante|Kleine Trommel|snare batter|"
    "Tidewall - Snare.wav|snare_top_01|Uh Oh_Snare|Game Over_Snare|Kick_Snare Top",
    "snare-bottom": "SN Btm|snare_under|Snare Bottom|Snare Bot|SnareBtm|SNB|SN B|SD B|SDB|sn_bottom|Snare Dn|SnareDown|"
    "Snare Under|Under Snare|Snare unten|snare_reso|Snare Wires|Snare_bottom|caja abajo|caixa baixo|"
    "caisse claire dessous|Tidewall_t3-SN Btm_11.wav|Bottom Snare|snare bttm|Kick_Snare_Bottom",
    "snare-side": "SN Side|snare_shell|Snare Shell|SNR side|SnareSide|Snare Kessel|Snare seite|"
    "Crotch|Kick-Snare|kick & snare mic",
    "hi-hat": "HH|hihat|Hi Hat|Hi-Hat|hats|Hat|HiHat|HI HAT|high hat|HH_01|hh close|Hihats|HH Top|Under Hat|HH under|"
    "Charles|Charley|Charleston|Chimbal|contratempo|Tide_HH.wav",
    "rack-tom-1": "T1|Tom 1|Tom1|tom_1|TOM 1|Tom One|Rack 1|Rack|rack tom|RackTom|RT1|tom_hi|Hi Tom|HiTom|high tom|"
    "Tom Hi|tom_high|Tom|Tom 10|10in Tom|10 inch tom|TomHi|Hängetom|Rack Tom 1|T01|Tom 1 X9|small tom|HT",
    "rack-tom-2": "T2|Tom 2|Tom2|Rack 2|RT2|Tom Two|tom_mid|Mid Tom|TomMid|tom_2_01|Hängetom 2|Rack Tom 2|hi mid tom|"
    "MT",
    "rack-tom-3": "T3|Tom 3|tom3|tom_low|Low Tom|Lo Tom|TomLo|Rack 3|low mid tom",
    "rack-tom-4": "T4|Tom 4|Tom4|Rack Tom 4",
    "floor-tom": "FT|Floor|floortom|Floor Tom|FloorTom|floor_tom_1|FT1|16 floor|Floor 16|FTom|Flr Tom|Tom Floor|"
    "Tom 3 Floor|Tom 16|Standtom|Stand Tom|Tom base|Tom basse|Surdo|Goliat|Timpano|Tidewall_t3-FT_09.wav|Big FT|"
    "Uh Oh_Floor Tom",
    "floor-tom-2": "FT2|FT 2|Floor Tom 2|Floor 2|floortom2|FTom2",
    "ride": "RIDE|ride_cym|Ride Cymbal|Ride|Ride Bell|RD|Rd_01|Ride under|Under Ride|ridecym|Ride Becken|"
    "Snare Song_Ride",
    "overhead": "OH|overhead_mono|OH Mono|Overheads|Mono OH|OVH|OH C|Overs|Overhead|OHs|Over Head|Becken|Aéreos",
    "overhead-left": "OH L|OHL|OH_L|OH-L|OH.L|oh.L.wav|Overhead Left|OverheadL|OH Left|OHLeft|ovhd L|Over L|L OH|LOH|"
    "Left Overhead|OH hat side|OH HH|OH Hat|Hat Side OH|Cym L|Becken L|Becken links|Aéreo izq|OH SL|overs_left|"
    "OH SN|OH Snare|Tidewall - OH L - 03.wav|Snare Drum Song - OH L.wav|OH L XM712|ohl_01",
    "overhead-right": "OH R|OHR|Overhead Right|Over R|OH_Right|R OH|OH ride side|OH Ride|OH rechts|Cymbals R|ROH|"
    "Overheads Right|OH dx|OH der|OH FT|OH Floor Tom",
    "underhead-left": "UH L|UHL|Under Cym L|undercym_L|Under Cymbal Left|Underhead L|Under OH L|Under L|Cym Under L|"
    "UC L",
    "underhead-right": "undercym_R|UH R|UC R|Underheads Right|Becken unten R|UnderCymR",
    "room": "Room|Room Mono|RM|Mono Room|Rm_mono|Amb|Ambience|Raum|Kick Room|Room 1|room far|Sala|Ambiente|drum room",
    "room-left": "RM L|room_L|RoomL|Rooms L|Amb L|AmbL|Ambience left|Ambient L|Raum L|Raum links|RML|RmL|Left Room|"
    "Room Hat side|ambiente izquierda|Room L_05.wav",
    "room-right": "RM_R|Room R|Ambience R|AmbR|Raum R|RMR|ROOM RIGHT|rooms_r",
    "click": "CLICK|click_trk|Click Track|metronome|Metro|clk|Klick|Click_16.wav",
    "talkback": "talkback|TB|Talk Back|TBk|TB Mic",
    "other": "Crash|Crash L|China|Splash|Cowbell|Kick Trig|Snare Trigger|Trigger Kick|Drum Mix|Drum Bus|Toms|Guide|"
    "SN Sample|T1 Btm|Tom 2 bottom|room tone|Under Cym|T5",
}
IN_JAPANESE = {
    "kick": "キック|バスドラ|01_バスドラム.wav",
    "kick-in": "キックイン|キック 内",
    "kick-out": "キックアウト",
    "snare-top": "スネア|スネア トップ|スネア・トップ|スネア上|05_スネア表.wav",
    "snare-bottom": "スネア裏|スネアボトム",
    "hi-hat": "ハイハット|ハット",
    "rack-tom-1": "タム|タム1|ハイタム",
    "rack-tom-2": "タム2|ミッドタム",
    "rack-tom-3": "ロータム",
    "floor-tom": "フロアタム|フロア|フロア・タム",
    "ride": "ライド|ライドシンバル",
    "overhead-left": "オーバーヘッド左|オーバーヘッド L|トップL",
    "overhead-right": "トップ R|オーバーヘッド右|オーバーヘッド ライト",
    "room": "ルーム|アンビエンス",
    "room-left": "ルーム L|アンビ左",
    "click": "クリック",
    "other": "クラッシュ|チャイナ",
}
UNKNOWN = (
    "Audio 01|Track 5|Bass|Bass DI|Gtr L|Vox|Loft|Talkin|Tidewall|Crush|Knee|01|L|in|2024-05-01|Untitled|loft_03|"
    "トップ|Brushes|ドラム|...|x.y.z|Tomb|Ohio|Scuba|Border|Mushroom|Bathroom|T9|Under"
)
ROWS = [(name, role) for table in (ONE_NAME, IN_JAPANESE) for role, names in table.items() for name in names.split("|")]


@pytest.mark.parametrize(("name", "role"), ROWS)
def test_a_name_is_read_as_people_mean_it(name, role):
    """The role, and that it comes from the name."""
    assert role_from_name(name) == (role, "file name")


@pytest.mark.parametrize("name", UNKNOWN.split("|"))
def test_a_name_without_a_drum_is_not_guessed(name):
    """A word that merely contains a drum word ("Tomb", "Ohio") is none."""
    assert role_from_name(name) == ("other", "unknown")


def test_the_table_covers_every_role():
    """At least 150 names, and every role that a channel may have."""
    assert len(ROWS) >= 150
    assert set(ONE_NAME) == set(LABELS)


@pytest.mark.parametrize(
    "spell",
    [str.upper, str.lower, str.title, lambda n: n.replace(" ", "_"), lambda n: n.replace("_", "-")],
    ids=["upper", "lower", "title", "underscores", "hyphens"],
)
def test_case_and_separators_make_no_difference(spell):
    """Every name of the table reads the same in capitals, small letters and with other separators."""
    assert {name: role_from_name(spell(name))[0] for name, _ in ROWS} == dict(ROWS)


def test_both_forms_of_an_accent_are_the_same():
    """Disks store an umlaut as one character or as two."""
    assert role_from_name("Ha\u0308ngetom 2") == role_from_name("H\u00e4ngetom 2") == ("rack-tom-2", "file name")


# ---------------------------------------------------------------- folders
def roles(names, **how):
    return [r.roles[0] for r in roles_from_names(names, **how)]


def remarks(names, **how):
    return [text for r in roles_from_names(names, **how) for text in r.remarks]


def test_no_names_give_no_roles():
    """An empty folder is no error here."""
    assert roles_from_names([]) == ()


FOLDERS = {
    "a take with song, take and track number": [
        *((f"Tidewall_t3-{word}_{i:02d}.wav", role) for i, (word, role) in enumerate([
            ("KIK", "kick"), ("Kick Out", "kick-out"), ("SN Top", "snare-top"), ("SN Btm", "snare-bottom"),
            ("HH", "hi-hat"), ("T1", "rack-tom-1"), ("T2", "rack-tom-2"), ("FT", "floor-tom"),
            ("OH L", "overhead-left"), ("OH R", "overhead-right"), ("RM L", "room-left"), ("RM R", "room-right"),
            ("RIDE", "ride"), ("Click", "click"), ("TB", "talkback"), ("Crush", "other"),
        ], 1)),
    ],
    "sides in one letter, French": [("ambiance G.wav", "room-left"), ("ambiance D.wav", "room-right")],
    "sides in one letter, Spanish, right first": [("OH D.wav", "overhead-right"), ("OH I.wav", "overhead-left")],
    "sides in one letter, Portuguese": [("OH E.wav", "overhead-left"), ("OH D.wav", "overhead-right")],
    "rooms called by letters of the alphabet": [("room C.wav", "room"), ("room D.wav", "other")],
    "a song called Ride the Tide": [
        ("Ride the Tide_KIK.wav", "kick"), ("Ride the Tide_SN.wav", "snare-top"), ("Ride the Tide_OH.wav", "overhead"),
        ("Ride the Tide_Ride.wav", "ride"), ("Ride the Tide_Crush.wav", "other"),
    ],
    "a song called Ride, in front of the overhead": [
        ("Ride - OH.wav", "overhead"), ("Ride - kick.wav", "kick"), ("Ride - Snare.wav", "snare-top"),
        ("Ride - HH.wav", "hi-hat"),
    ],
    "the song behind": [
        ("KIK_Ride the Tide_01.wav", "kick"), ("SN Top_Ride the Tide_02.wav", "snare-top"),
        ("OH L_Ride the Tide_03.wav", "overhead-left"), ("Ride_Ride the Tide_04.wav", "ride"),
        ("Tom 2_Ride the Tide_05.wav", "rack-tom-2"), ("Tom 1_Ride the Tide_06.wav", "rack-tom-1"),
    ],
    "a song of drum words, and a stray file": [
        ("Snare Drum Song - OH L.wav", "overhead-left"), ("Snare Drum Song - OH R.wav", "overhead-right"),
        ("Snare Drum Song - Kick.wav", "kick"), ("Snare Drum Song - Crush.wav", "other"), ("room tone.wav", "other"),
    ],
    "a song called Room 5": [
        ("Room 5 - kick.wav", "kick"), ("Room 5 - snare.wav", "snare-top"), ("Room 5 - Room L.wav", "room-left"),
        ("Room 5 - Room R.wav", "room-right"), ("Room 5 - Crush.wav", "other"),
    ],
    "take numbers that look like toms": [
        ("t3_T1.wav", "rack-tom-1"), ("t3_T2.wav", "rack-tom-2"), ("t3_FT.wav", "floor-tom"), ("t3_KIK.wav", "kick"),
    ],
    "take numbers behind": [
        ("KIK_t3.wav", "kick"), ("SN_t3.wav", "snare-top"), ("T1_t3.wav", "rack-tom-1"), ("T2_t3.wav", "rack-tom-2"),
        ("FT_t3.wav", "floor-tom"),
    ],
    "dates": [
        ("2024-05-01 Kick.wav", "kick"), ("2024-05-01 Tom 1.wav", "rack-tom-1"), ("2024-05-01 SN.wav", "snare-top"),
    ],
    "track numbers and a counter": [
        ("1 KIK_1", "kick"), ("2 SN_2", "snare-top"), ("3 Tom_3", "rack-tom-1"), ("4 Floor_4", "floor-tom"),
    ],
    "four toms, no floor tom": [
        ("T1", "rack-tom-1"), ("T2", "rack-tom-2"), ("T3", "rack-tom-3"), ("T4", "rack-tom-4"),
    ],
    "three toms in words beside a floor tom": [
        ("tom_hi", "rack-tom-1"), ("tom_low", "rack-tom-3"), ("tom_mid", "rack-tom-2"), ("Floor", "floor-tom"),
    ],
    "low without mid": [("tom_hi", "rack-tom-1"), ("tom_low", "rack-tom-2"), ("FT", "floor-tom"), ("kick", "kick")],
    "low alone": [("tom_low", "rack-tom-1"), ("kick", "kick")],
    "a number and a word": [("Tom 1", "rack-tom-1"), ("Tom Low", "rack-tom-2"), ("Kick", "kick")],
    "toms by size": [
        ("Tom 10", "rack-tom-1"), ("Tom 12", "rack-tom-2"), ("Tom 14", "floor-tom"), ("Tom 16", "floor-tom-2"),
    ],
    "sizes in front": [
        ("10 Rack", "rack-tom-1"), ("12 Rack", "rack-tom-2"), ("14 Rack", "rack-tom-3"), ("16 floor", "floor-tom"),
        ("18 floor", "floor-tom-2"),
    ],
    "bottom mics of toms": [
        ("T1 Top", "rack-tom-1"), ("T1 Btm", "other"), ("FT Top", "floor-tom"), ("FT Btm", "other"),
    ],
    "three floor toms": [("FT1", "floor-tom"), ("FT2", "floor-tom-2"), ("FT3", "other")],
    "floor toms numbered on from the rack": [
        ("Tom 1", "rack-tom-1"), ("Tom 2", "rack-tom-2"), ("Floor 3", "floor-tom"), ("Floor 4", "floor-tom-2"),
    ],
    "a sample set": [
        ("Ambience left", "room-left"), ("Ambience right", "room-right"), ("Hihat", "hi-hat"), ("Kdrum_back", "kick"),
        ("Kdrum_front", "kick-out"), ("OHL", "overhead-left"), ("OHR", "overhead-right"), ("Ride", "ride"),
        ("Snare_bottom", "snare-bottom"), ("Snare_top", "snare-top"), ("Tom1", "rack-tom-1"), ("Tom2", "rack-tom-2"),
        ("Tom3", "rack-tom-3"), ("Tom4", "rack-tom-4"),
    ],
    "only additions differ": [("SN Top.wav", "snare-top"), ("SN Btm.wav", "snare-bottom")],
    "only letters differ": [("Tidewall SN T.wav", "snare-top"), ("Tidewall SN B.wav", "snare-bottom")],
    "in and out": [("Tidewall Kick In", "kick-in"), ("Tidewall Kick Out", "kick-out")],
    "letters": [("K", "kick"), ("S", "snare-top"), ("H", "hi-hat"), ("T1", "rack-tom-1"), ("OHL", "overhead-left")],
    "stereo suffixes": [("OH.L.wav", "overhead-left"), ("OH.R.wav", "overhead-right"), ("KIK.wav", "kick")],
    "left and right under the cymbals": [
        ("UH L", "underhead-left"), ("UH R", "underhead-right"), ("OH L", "overhead-left"),
    ],
    "defaults of recorders": [("Audio 01.wav", "other"), ("Audio 02.wav", "other"), ("Audio 03.wav", "other")],
}  # fmt: skip


@pytest.mark.parametrize("title", FOLDERS)
def test_a_folder_is_read_as_a_whole(title):
    """What all names share says nothing; what differs says the role."""
    names = [name for name, _ in FOLDERS[title]]

    assert roles(names) == [role for _, role in FOLDERS[title]]


@pytest.mark.parametrize("title", FOLDERS)
def test_every_file_without_a_role_has_a_remark(title):
    """Whoever gets "other" is told so, by the file's name."""
    for read in roles_from_names([name for name, _ in FOLDERS[title]]):
        assert (read.roles != ("other",)) or any(text.startswith(f"{read.name}: ") for text in read.remarks)


# (names, roles, part of the remark of the last one)
UNCLEAR = [
    (["kick.wav", "BD.wav"], ["kick", "other"], "reads as kick, which kick.wav already is"),
    (["Kick 2", "Kick 1"], ["other", "kick"], None),
    (["SN Top", "SN Btm", "Snare"], ["snare-top", "snare-bottom", "other"], "which SN Top already is"),
    (["Snare", "SN Top"], ["other", "snare-top"], None),
    (["Snare 1 Top", "Snare 2 Top"], ["snare-top", "other"], "which Snare 1 Top already is"),
    (["Kick Sub", "Kick Out"], ["other", "kick-out"], None),
    (["Kick In", "SubKick"], ["kick-in", "kick-out"], None),
    (["Room Far L", "Room Near L"], ["other", "room-left"], None),
    (["Room", "Room Crush"], ["room", "other"], "which Room already is"),
    (["OH 1", "OH 2"], ["overhead-left", "overhead-right"], "-right by number"),
    (["OH 2", "OH 1", "Kick"], ["overhead-right", "overhead-left", "kick"], None),
    (["OH_03.wav", "OH_04.wav", "Kick_01.wav"], ["overhead-left", "overhead-right", "kick"], None),
    (["Room 1", "Room 2"], ["room-left", "room-right"], "-right by number"),
    (["OH L", "OH R", "OH"], ["overhead-left", "overhead-right", "overhead"], None),
    (["OH", "OH mono"], ["overhead", "other"], "which OH already is"),
    (["OH Hat side", "OH Ride side"], ["overhead-left", "overhead-right"], "the player of a right-handed kit"),
    (["UH 1", "UH 2"], ["underhead-left", "underhead-right"], "-right by number"),
    (["kick", "UH"], ["kick", "other"], "left or right?"),
    (["Tom_08", "Tom_09", "Kick_01"], ["rack-tom-1", "rack-tom-2", "kick"], None),
    (["Kick", "Tom L", "Tom R"], ["kick", "rack-tom-1", "rack-tom-2"], "by the order of the names"),
    (["T1", "T2", "T3", "T4", "T5"], [f"rack-tom-{n}" for n in (1, 2, 3, 4)] + ["other"], "four rack toms only"),
    (["Kick", "Kick trig"], ["kick", "other"], "no microphone of the kit"),
    (["Kick", "Crash"], ["kick", "other"], "no role for this instrument"),
    (["Kick", "Foo"], ["kick", "other"], "names no drum; give its role in take.toml"),
    (["TB", "Talkback 2"], ["talkback", "talkback"], None),
]  # fmt: skip


@pytest.mark.parametrize(("names", "expected", "remark"), UNCLEAR)
def test_unclear_names_are_settled_by_rule_and_told(names, expected, remark):
    """A role is given once; every assumption stands in a remark."""
    found = roles_from_names(names)

    assert [r.roles[0] for r in found] == expected
    if remark is None:
        told = [bool(r.remarks) for r in found]
        assert all(told[i] for i, role in enumerate(expected) if role == "other")
    else:
        assert remark in " ".join(found[-1].remarks)


def test_a_clear_folder_draws_no_remark():
    """The ordinary case is silent."""
    names = "Kick In|Kick Out|Snare Top|Snare Bottom|Hi-Hat|Tom 1|Tom 2|Floor Tom|Ride|OH L|OH R|Room L|Room R|Click"

    assert remarks([f"{i:02d} {n}.wav" for i, n in enumerate(names.split("|"), 1)]) == []


def test_a_role_that_take_toml_gives_away_is_taken():
    """A name does not compete with what was declared."""
    names = ["Kick", "Tom", "Vocals of the drummer.wav"]
    settled = {"Vocals of the drummer.wav": ["kick", "rack-tom-1"]}

    assert roles(names, settled=settled)[:2] == ["other", "rack-tom-2"]
    assert remarks(names, settled=settled) == [
        'Kick: reads as kick, which take.toml already gives to another; it stays "other"; '
        "if not, give its role in take.toml."
    ]


def test_stereo_files_of_a_distant_pair_are_left_and_right():
    """One file, two channels, two roles."""
    read = roles_from_names(["OH.wav", "Room.wav", "UH.wav", "Kick.wav"], n_channels=[2, 2, 2, 1])

    assert [r.roles for r in read] == [
        ("overhead-left", "overhead-right"), ("room-left", "room-right"), ("underhead-left", "underhead-right"),
        ("kick",),
    ]  # fmt: skip
    assert [r.remarks for r in read] == [(), (), (), ()]


def test_a_stereo_file_of_one_drum_keeps_its_role_on_the_first_channel():
    """The second channel might be anything: "other", and a remark."""
    (read,) = roles_from_names(["Kick.wav"], n_channels=[2])

    assert read.roles == ("kick", "other")
    assert "has 2 channels" in read.remarks[0]


def test_a_mono_overhead_beside_a_stereo_one_is_told():
    """The left one is there already."""
    read = roles_from_names(["OH.wav", "OH L.wav"], n_channels=[2, 1])

    assert [r.roles for r in read] == [("overhead-left", "overhead-right"), ("other",)]
    assert "which OH.wav already is" in read[1].remarks[0]


@pytest.mark.parametrize(
    ("role", "n", "expected"),
    [
        ("room", 2, ("room-left", "room-right")),
        ("room", 1, ("room",)),
        ("overhead", 3, ("overhead", "other", "other")),
        ("overhead-left", 2, ("overhead-left", "other")),
        ("kick", 1, ("kick",)),
    ],
)
def test_one_role_for_several_channels(role, n, expected):
    """Only a pair of two distant mics can be told from one word."""
    assert roles_of_channels(role, n) == expected
