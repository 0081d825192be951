"""Saved results: what is written reads back the same, and is whole or not there at all."""

import csv
import json
import math
import os
import re
import resource
import time
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest

import kitproof
import samples
from kitproof import model
from kitproof.errors import OutputError, SavedError, StageInputError
from kitproof.saved import (
    LEVEL_STEP_DB,
    read_measurements,
    read_pictures,
    write_hits_csv,
    write_measurements,
    write_pictures,
)
from kitproof.wholefile import whole_file

SCHEMA = Path(kitproof.__file__).with_name("SCHEMA.md")
ODD_NAME = '07 Größe\udcff, "top".wav'  # umlaut, comma, quotes, and a byte that is not UTF-8


def channel(file: str, **given: object) -> model.Channel:
    fixed = {"path": file, "index_in_file": 0, "role": "snare-top", "role_source": "file name", "label": "snare top"}
    return model.Channel(file=file, **(fixed | given))


def channel_measures(file: str, **given: object) -> model.ChannelMeasures:
    silent = dict.fromkeys(model.ChannelMeasures.NULLABLE)
    fixed = {
        "role": "snare-top", "drum": "snare", "rate_hz": 48000, "n_frames": 96000, "duration_s": 2.0,
        "noise_bands": (model.NoiseBand(low_hz=20.0, high_hz=250.0, level_dbfs=-80.1),),
        "clip_runs_n": 1,
        "clip_runs": (model.ClipRun(start_s=0.5, n_samples=4, level_dbfs=-0.1, side="negative"),),
        "n_own_hits": 2, "unmeasured": dict.fromkeys(silent, "digital silence"),
    }  # fmt: skip
    return model.ChannelMeasures(file=file, **(silent | fixed | given))


def hit(time_s: float = 1 / 3, **given: object) -> model.Hit:
    fixed = {
        "drum": "snare", "file": ODD_NAME, "peak_dbfs": -7.1, "crest_db": 0.1 + 0.2, "attack_ms": None,
        "strength_db": 0.0, "confidence": 0.9, "unmeasured": {"attack_ms": "too few samples, \"odd\"\nrise"},
    }  # fmt: skip
    return model.Hit(time_s=time_s, **(fixed | given))


def signal_faults() -> dict[str, object]:
    """One record of every kind of signal-level fault, with and without values."""
    no_course = dict.fromkeys(model.DelayCourse.NULLABLE, "too few strokes")
    plateau = model.Plateau(
        side="negative", ceiling_dbfs=-4.1, spread_db=0.01, n_tops=3, n_moments=2, times_s=(0.5, 1.5), confidence=0.8
    )
    hum = model.Hum(
        fundamental_hz=50.01, spread_hz=None, lines=(model.HumLine(harmonic=3, level_dbfs=-61.0, snr_db=18.0),),
        level_dbfs=-64.0, confidence=0.7, unmeasured={"spread_hz": "too short"},
    )  # fmt: skip
    gap = model.Gap(start_s=1.0 / 3.0, n_samples=64, kind="zeros", step_db=21.0)
    silent = dict.fromkeys(model.ClickBleed.NULLABLE, "not heard")
    return {
        "faults": (model.ChannelFaults(file=ODD_NAME, plateaus=(plateau,), gaps=(gap,), hum=hum),),
        "duplicates": (
            model.Duplicate(a=ODD_NAME, b="x.wav", shift_samples=3, gain_db=-1.5, inverted=True, residual_db=-90.0),
        ),
        "click_bleed": (
            model.ClickBleed(
                file=ODD_NAME, level_db=None, delay_ms=None, snr_db=None, n_clicks=20, unmeasured=silent
            ),
        ),
        "courses": (
            model.DelayCourse(file=ODD_NAME, n_strokes=2, unmeasured=no_course, **dict.fromkeys(no_course)),
        ),
        "low_end": (
            model.LowEndPair(
                a=ODD_NAME, b="x.wav", below_hz=150.0, correlation=-0.25, mono_db=-1.25, side_db=None,
                unmeasured={"side_db": "not a left and a right mic"},
            ),
        ),
    }  # fmt: skip


def measurements(**given: object) -> model.Measurements:
    """A take with one channel that was measured, one that could not be read, and one entry of every kind."""
    none = dict.fromkeys
    few = "too few hits"
    take = model.Take(
        folder="takes/3", name="3", song="Tidewall", number=3, tempo_bpm=104.0, temperature_c=21.5,
        temperature_declared=True, beats_per_bar=4, first_bar_s=0.25, sections=(model.Section(name="Verse", bar=9),),
        limits={"take.toml": {"hot_dbfs": -6.0}}, ignored=("notes.txt",), remarks=("One file has no role.",),
        channels=(channel("00 kick.wav"), channel(ODD_NAME, mic="dynamic, cardioid", to_snare_m=0.04)),
        files=(
            model.FileFacts(path="00 kick.wav", size_bytes=0, sha256=None, problem="empty", problem_text="no audio"),
            model.FileFacts(path=ODD_NAME, size_bytes=9, sha256="ab", container="WAV", bit_depth=24, rate_hz=48000),
        ),
    )  # fmt: skip
    drum = none(model.DrumMeasures.NULLABLE)
    bleed = none(model.BleedEntry.NULLABLE)
    pair = none(model.PairEntry.NULLABLE) | {"delay_ms": -0.25, "polarity": "opposite"}
    no_pair = {name: few for name, value in pair.items() if value is None}
    finding = model.Finding(
        code="clipping", severity="fix", files=(ODD_NAME,), message="Flat tops.", action="Turn it down.",
        value=-0.1, unit="dBFS", times_s=(0.5, 1.0 / 7.0), n_times=2, drum="snare",
    )  # fmt: skip
    parts = {
        "take": take,
        "channels": (channel_measures(ODD_NAME),),
        "drums": (model.DrumMeasures(drum="snare", file=ODD_NAME, n_hits=1, unmeasured=none(drum, few), **drum),),
        "hits": (hit(), hit(1.5)),
        "bleed": (model.BleedEntry(drum="kick", file=ODD_NAME, n_hits=0, unmeasured=none(bleed, few), **bleed),),
        "pairs": (model.PairEntry(a=ODD_NAME, b="x.wav", drum="snare", n_hits=4, unmeasured=no_pair, **pair),),
        "findings": (finding,),
        "not_checked": (model.NotChecked(check="click in the mics", reason="no click track", code="signal", n=2),),
        "verdict": model.Verdict(
            word="redo",
            sentence="Again.",
            red_lines=(0,),
            good=("No hum.",),
            why="lost",
            lost=("kick",),
            good_facts=(model.Fact(key="no_hum", files=("a.wav",), numbers={"level_dbfs": -70.5}),),
        ),
        **signal_faults(),
        "settings": {"window_ms": 60.0, "bands_hz": (20.0, 250.0), "deep": {"n": 3, "on": True}},
        "versions": {"kitproof": "0.1.0"},
    }
    return model.Measurements(**(parts | given))


def pictures(seed: int = 5) -> model.Pictures:
    rng = np.random.default_rng(seed)
    band_hz = np.geomspace(20.0, 20000.0, 24)
    spectrogram = rng.uniform(-120.0, 3.3, (24, 30))
    spectrogram[:, 0] = -np.inf
    wave = rng.uniform(0.0, 1e-5, 40)  # a very quiet channel must keep its shape
    page = model.ChannelPicture(
        file=ODD_NAME, duration_s=2.0, wave_min=-wave, wave_max=wave, band_hz=band_hz, spectrogram_dbfs=spectrogram,
        spectrum_dbfs=np.full(24, -np.inf), noise_spectrum_dbfs=rng.uniform(-140.0, -60.0, 24),
        own_spectrum_dbfs=rng.uniform(-90.0, -20.0, 24), n_own_strokes=7,
        unmeasured={"bleed_spectrum_dbfs": "no stroke stands alone"},
    )  # fmt: skip
    mean = rng.standard_normal(50)
    stroke = model.HitPicture(
        file=ODD_NAME, drum="snare", rate_hz=48000, n_hits=7, time_ms=np.arange(-10, 40) / 48.0, mean=mean,
        low=mean - 0.1, high=mean + 0.1, spectrum_hz=band_hz, spectrum_dbfs=rng.uniform(-90.0, 0.0, 24),
    )  # fmt: skip
    moment = model.MomentPicture(
        code="clipping", finding_files=(ODD_NAME,), time_s=1.25, files=(ODD_NAME, "x.wav"), start_ms=-5.0, span_ms=20.0,
        wave=rng.standard_normal((2, 30)),
    )  # fmt: skip
    return model.Pictures(channels=(page,), hits=(stroke,), moments=(moment,))


def names_in(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


# ---------------------------------------------------------------- measurements.json
def test_measurements_read_back_equal(tmp_path):
    """Every value, down to the last bit of a fraction and an undecodable byte of a file's name, comes back."""
    path = tmp_path / "m.json"

    write_measurements(measurements(), path)

    assert read_measurements(path) == measurements()
    assert names_in(tmp_path) == ["m.json"]


@pytest.mark.parametrize(
    "given",
    [{"n_channels": 14}, {"n_channels": 1, "silent": True}, {"names": "japanese", "n_unreadable": 2, "song": None}],
)
def test_a_whole_take_reads_back_equal(tmp_path, given):
    """A take of usual size, a silent one, and one with names from elsewhere and unreadable files come back equal."""
    record, drawn = samples.take(**given)

    write_measurements(record, tmp_path / "m.json")
    write_pictures(drawn, tmp_path / "p.npz")

    assert read_measurements(tmp_path / "m.json") == record
    after = read_pictures(tmp_path / "p.npz")
    assert [page.file for page in after.channels] == [page.file for page in drawn.channels]
    assert [(one.file, one.drum) for one in after.hits] == [(one.file, one.drum) for one in drawn.hits]


def test_numpy_scalars_are_saved_as_plain_numbers(tmp_path):
    """A number that numpy computed is saved like any other."""
    record = measurements(settings={"a": np.float64(0.1), "b": np.int64(3), "c": np.bool_(True), "d": np.float32(0.5)})

    write_measurements(record, tmp_path / "m.json")

    assert read_measurements(tmp_path / "m.json").settings == {"a": 0.1, "b": 3, "c": True, "d": 0.5}


def test_the_layout_is_the_promised_one(tmp_path):
    """Sorted, readable UTF-8 with a closing newline; a channel carries its measures and what was declared."""
    path = tmp_path / "m.json"
    write_measurements(measurements(), path)
    raw = path.read_bytes()

    document = json.loads(raw)

    assert raw.endswith(b"}\n")
    assert "Größe".encode() in raw
    assert list(document) == sorted(document)
    promised = {"channels", "hits", "bleed", "pairs", "findings", "take", "files", "drums", "not_checked", "verdict"}
    promised |= {"faults", "duplicates", "click_bleed", "courses", "low_end", "observed"}
    assert set(document) == promised | {"settings", "versions", "schema_version"}
    (entry,) = document["channels"]
    assert (entry["file"], entry["mic"], entry["to_snare_m"]) == (ODD_NAME, "dynamic, cardioid", 0.04)
    assert entry["sample_peak_dbfs"] is None
    assert entry["unmeasured"]["sample_peak_dbfs"] == "digital silence"
    assert [declared["file"] for declared in document["take"]["channels"]] == ["00 kick.wav", ODD_NAME]
    assert document["files"][0]["problem"] == "empty"


def test_the_same_record_gives_the_same_bytes(tmp_path, monkeypatch):
    """Nothing of the moment of writing gets into any of the three files."""
    for name, clock_s in (("a", 1e9), ("b", 2e9)):
        monkeypatch.setattr(time, "time", lambda clock_s=clock_s: clock_s)
        write_measurements(measurements(), tmp_path / f"{name}.json")
        write_hits_csv(measurements(), tmp_path / f"{name}.csv")
        write_pictures(pictures(), tmp_path / f"{name}.npz")

    for suffix in ("json", "csv", "npz"):
        assert (tmp_path / f"a.{suffix}").read_bytes() == (tmp_path / f"b.{suffix}").read_bytes()


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, np.float64("nan")])
@pytest.mark.parametrize(
    ("spoil", "field"),
    [
        (lambda bad: {"hits": (hit(), hit(peak_dbfs=bad))}, r"measurements\.hits\[1\]\.peak_dbfs"),
        (lambda bad: {"settings": {"deep": {"window_ms": bad}}}, r"measurements\.settings\.deep\.window_ms"),
        (
            lambda bad: {"take": replace(measurements().take, channels=(channel(ODD_NAME, to_own_drum_m=bad),))},
            r"measurements\.take\.channels\[0\]\.to_own_drum_m",
        ),
    ],
)
def test_a_number_that_is_none_stops_the_writing_and_is_named(tmp_path, bad, spoil, field):
    """NaN and infinity are refused with the field's name, and no file appears."""
    with pytest.raises(OutputError, match=rf"m\.json: {field} is -?(nan|inf)"):
        write_measurements(measurements(**spoil(bad)), tmp_path / "m.json")

    assert names_in(tmp_path) == []


@pytest.mark.parametrize("value", [object(), {1: "number as a key"}, {"set"}, np.zeros(3)])
def test_a_setting_that_json_cannot_hold_is_named(tmp_path, value):
    """What would be lost or changed by saving is refused."""
    with pytest.raises(OutputError, match=r"measurements\.settings\.odd holds a \w+, which JSON cannot"):
        write_measurements(measurements(settings={"odd": value}), tmp_path / "m.json")


def test_a_measured_channel_must_be_in_the_take(tmp_path):
    """A channel from nowhere is a bug in the caller and is not saved."""
    with pytest.raises(StageInputError, match=r"not in the take: other\.wav"):
        write_measurements(measurements(channels=(channel_measures("other.wav"),)), tmp_path / "m.json")


def rewritten(path: Path, change) -> Path:
    """The example's file with its JSON object changed."""
    write_measurements(measurements(), path)
    document = json.loads(path.read_text("utf-8"))
    change(document)
    path.write_text(json.dumps(document), "utf-8")
    return path


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d.update(schema_version=99), "schema_version 99, this kitproof reads 1; measure the take again"),
        (lambda d: d.pop("schema_version"), "no schema_version"),
        (lambda d: d.pop("hits"), r"measurements lacks hits"),
        (lambda d: d.pop("take"), r"measurements lacks take"),
        (lambda d: d.pop("files"), r"measurements\.take\.files is 'None'"),
        (lambda d: d.update(take=[]), r"measurements\.take is '\[\]', expected Take"),
        (lambda d: d["hits"][1].pop("time_s"), r"measurements\.hits\[1\] lacks time_s"),
        (lambda d: d["hits"][0].update(time_s="0.3"), r"measurements\.hits\[0\]\.time_s is '0.3', expected float"),
        (lambda d: d["hits"][0].update(confidence=True), r"hits\[0\]\.confidence is 'True', expected float"),
        (lambda d: d["hits"][0].update(confidence=None), r"hits\[0\]\.confidence is 'None', expected float"),
        (lambda d: d["hits"][0].update(unmeasured={}), r"hits\[0\]: Hit\.attack_ms: a value or a reason"),
        (lambda d: d["findings"][0].update(severity="bad"), r"findings\[0\]\.severity is 'bad'"),
        (lambda d: d["findings"][0].update(files="x"), r"findings\[0\]\.files is 'x'"),
        (lambda d: d["hits"][0].update(time_s=math.nan), "not JSON .*NaN is no JSON number"),
    ],
)
def test_a_result_that_cannot_be_trusted_is_refused(tmp_path, change, message):
    """One thing wrong in a saved file, and reading it says where and what to do."""
    path = rewritten(tmp_path / "m.json", change)

    with pytest.raises(SavedError, match=rf"m\.json: .*{message}"):
        read_measurements(path)


@pytest.mark.parametrize("raw", [b"", b"{", b"\xff\xfe{}", b"[]", b"not json"])
def test_a_file_that_is_not_json_is_refused(tmp_path, raw):
    """Damage is one clear line, not a traceback."""
    (tmp_path / "m.json").write_bytes(raw)

    with pytest.raises(SavedError, match=r"m\.json: (damaged|no schema_version).*measure the take again"):
        read_measurements(tmp_path / "m.json")


def test_a_cut_off_file_is_refused(tmp_path):
    """Half of a good file is a bad file."""
    path = tmp_path / "m.json"
    write_measurements(measurements(), path)
    path.write_bytes(path.read_bytes()[:-3])

    with pytest.raises(SavedError, match=r"m\.json: damaged, not JSON"):
        read_measurements(path)


@pytest.mark.parametrize("read", [read_measurements, read_pictures])
def test_a_missing_file_is_named(tmp_path, read):
    """No file is a clear line too."""
    with pytest.raises(SavedError, match=r"gone: cannot be read \(No such file"):
        read(tmp_path / "gone")


def test_keys_of_a_later_version_are_passed_over(tmp_path):
    """A file that says more than this version knows is still read."""
    path = rewritten(tmp_path / "m.json", lambda d: (d.update(more=1), d["hits"][0].update(more=2)))

    assert read_measurements(path) == measurements()


# ---------------------------------------------------------------- SCHEMA.md
def documented_keys() -> dict[str, set[str]]:
    """section of SCHEMA.md -> the keys in the first column of its tables."""
    sections: dict[str, set[str]] = {}
    title = ""
    for line in SCHEMA.read_text("utf-8").splitlines():
        if line.startswith("#"):
            title = line.lstrip("# ")
        elif line.startswith("| `"):
            sections.setdefault(title, set()).update(re.findall(r"`(\w+)`", line.split("|")[1]))
    return sections


def test_every_key_is_documented_and_no_other(tmp_path):
    """SCHEMA.md lists exactly the keys that are written, section by section."""
    write_measurements(measurements(), tmp_path / "m.json")
    document = json.loads((tmp_path / "m.json").read_text("utf-8"))
    written = {"top level": set(document)}
    for name in ("take", "verdict"):
        written[name] = set(document[name])
    for name in ("files", "channels", "drums", "hits", "bleed", "pairs", "findings", "not_checked"):
        written[name] = set(document[name][0])
    for name in ("faults", "duplicates", "click_bleed", "courses", "low_end"):
        written[name] = set(document[name][0])
    written["good_facts"] = set(document["verdict"]["good_facts"][0])
    for name in ("plateaus", "gaps"):
        written[name] = set(document["faults"][0][name][0])
    written["hum"] = set(document["faults"][0]["hum"])
    written["lines"] = set(document["faults"][0]["hum"]["lines"][0])
    for name in ("noise_bands", "clip_runs"):
        written[name] = set(document["channels"][0][name][0])
    arrays = {
        f.name
        for kind in (model.ChannelPicture, model.HitPicture, model.MomentPicture)
        for f in fields(kind)
        if "Array" in f.type
    }
    written["pictures.npz"] = arrays

    of_this_file = {title: keys for title, keys in documented_keys().items() if not title.startswith("observed.")}
    assert of_this_file == written


def test_the_example_holds_a_record_of_every_kind():
    """The tests above see each of the records that can be saved."""
    seen: set[str] = set()

    def walk(value: object) -> None:
        if is_dataclass(value):
            seen.add(type(value).__name__)
            for f in fields(value):
                walk(getattr(value, f.name))
        elif isinstance(value, tuple):
            for entry in value:
                walk(entry)

    walk(model.Result(measurements=measurements(), pictures=pictures()))

    assert seen == {name for name, kind in vars(model).items() if is_dataclass(kind)}


# ---------------------------------------------------------------- hits.csv
def test_hits_are_a_table_that_any_reader_understands(tmp_path):
    """CRLF lines, a header with units, quoted cells; an empty cell has its reason in the last column."""
    path = tmp_path / "hits.csv"

    write_hits_csv(measurements(), path)

    raw = path.read_bytes()
    header = b"time_s,drum,file,peak_dbfs,crest_db,attack_ms,strength_db,confidence,unmeasured\r\n"
    assert raw.startswith(header)
    assert raw.endswith(b"\r\n")
    with path.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert [float(row["time_s"]) for row in rows] == [1 / 3, 1.5]
    assert rows[0]["file"] == ODD_NAME.replace("\udcff", r"\udcff")
    assert rows[0]["attack_ms"] == ""
    assert rows[0]["unmeasured"] == 'attack_ms: too few samples, "odd"\nrise'


def test_a_take_without_hits_gives_a_table_with_a_header_only(tmp_path):
    """No hit, no line."""
    write_hits_csv(measurements(hits=()), tmp_path / "hits.csv")

    assert (tmp_path / "hits.csv").read_bytes().count(b"\r\n") == 1


def test_a_hit_that_is_no_number_is_not_tabled(tmp_path):
    """The table is as strict as the JSON."""
    with pytest.raises(OutputError, match=r"hits\.csv: measurements\.hits\[0\]\.time_s is nan"):
        write_hits_csv(measurements(hits=(hit(math.nan),)), tmp_path / "hits.csv")


# ---------------------------------------------------------------- pictures.npz
def test_pictures_read_back_as_precise_as_promised(tmp_path):
    """Names and counts come back equal, arrays within the saved precision, silence as silence."""
    before = pictures()

    write_pictures(before, tmp_path / "p.npz")
    after = read_pictures(tmp_path / "p.npz")

    (page,), (stroke,), (moment,) = after.channels, after.hits, after.moments
    assert (moment.code, moment.finding_files, moment.files) == ("clipping", (ODD_NAME,), (ODD_NAME, "x.wav"))
    np.testing.assert_allclose(moment.wave, before.moments[0].wave, 2.0**-11, 1e-6)
    assert (page.file, page.duration_s) == (ODD_NAME, 2.0)
    assert (stroke.file, stroke.drum, stroke.rate_hz, stroke.n_hits) == (ODD_NAME, "snare", 48000, 7)
    half = 2.0**-11  # half a step of an 11-bit significand, relative
    single = 2.0**-24  # the same for 32-bit floats
    for name, rtol, atol in (
        ("wave_min", half, 1e-10),  # scaled to 1.0 before saving, so only the smallest values lose more: 1e-5 * 6e-8
        ("wave_max", half, 1e-10),
        ("band_hz", single, 0.0),
        ("spectrogram_dbfs", 0.0, 0.5 * LEVEL_STEP_DB + 1e-5),  # half a step, and the 32-bit float it comes back as
        ("spectrum_dbfs", half, 0.0),
        ("noise_spectrum_dbfs", half, 0.0),
        ("own_spectrum_dbfs", half, 0.0),
    ):
        np.testing.assert_allclose(getattr(page, name), getattr(before.channels[0], name), rtol, atol, err_msg=name)
    for name, rtol, atol in (
        ("time_ms", single, 0.0),
        ("mean", half, 1e-6),  # values far below the largest one, about 3.0: 3 * 6e-8, and room
        ("low", half, 1e-6),
        ("high", half, 1e-6),
        ("spectrum_hz", single, 0.0),
        ("spectrum_dbfs", half, 0.0),
    ):
        np.testing.assert_allclose(getattr(stroke, name), getattr(before.hits[0], name), rtol, atol, err_msg=name)


def test_a_curve_that_could_not_be_had_keeps_its_reason(tmp_path):
    """A spectrum that is None comes back as None, with the reason and the numbers of strokes."""
    write_pictures(pictures(), tmp_path / "p.npz")

    (page,) = read_pictures(tmp_path / "p.npz").channels

    assert (page.bleed_spectrum_dbfs, page.n_own_strokes, page.n_foreign_strokes) == (None, 7, 0)
    assert page.unmeasured == {"bleed_spectrum_dbfs": "no stroke stands alone"}


def test_pictures_of_an_earlier_version_are_read(tmp_path):
    """What was saved before spectra at strokes were measured has none, and says so."""
    path = tmp_path / "p.npz"
    write_pictures(pictures(), path)
    with np.load(path) as archive:
        arrays = {name: archive[name] for name in archive.files if "own_spectrum" not in name}
    index = json.loads(str(arrays["index"]))
    for name in ("own_spectrum_dbfs", "bleed_spectrum_dbfs", "n_own_strokes", "n_foreign_strokes", "unmeasured"):
        index["channels"][0].pop(name, None)
    index["channels"][0]["scales"].pop("own_spectrum_dbfs")
    np.savez(path, **{**arrays, "index": np.array(json.dumps(index))})

    (page,) = read_pictures(path).channels

    assert (page.own_spectrum_dbfs, page.bleed_spectrum_dbfs) == (None, None)
    assert set(page.unmeasured) == {"own_spectrum_dbfs", "bleed_spectrum_dbfs"}


def test_read_pictures_cannot_be_changed(tmp_path):
    """A record read back is as frozen as its arrays."""
    write_pictures(pictures(), tmp_path / "p.npz")

    with pytest.raises(ValueError, match="read-only"):
        read_pictures(tmp_path / "p.npz").channels[0].wave_max[0] = 1.0


def test_very_low_levels_are_raised_to_the_bottom_of_the_range(tmp_path):
    """127 dB below the loudest a spectrogram ends; it does not wrap round to loud."""
    page = replace(pictures().channels[0], spectrogram_dbfs=np.array([[-300.0, -10.0]]))
    write_pictures(model.Pictures(channels=(page,), hits=()), tmp_path / "p.npz")

    assert read_pictures(tmp_path / "p.npz").channels[0].spectrogram_dbfs.tolist() == [[-137.0, -10.0]]


@pytest.mark.parametrize("shape", [(24, 0), (24, 3)])
def test_silent_and_empty_pictures_are_saved(tmp_path, shape):
    """A silent channel has a picture too: no level anywhere, a flat wave."""
    page = replace(
        pictures().channels[0],
        spectrogram_dbfs=np.full(shape, -np.inf),
        wave_min=np.zeros(shape[1]),
        wave_max=np.zeros(shape[1]),
    )
    write_pictures(model.Pictures(channels=(page,), hits=()), tmp_path / "p.npz")

    after = read_pictures(tmp_path / "p.npz").channels[0]
    assert after.spectrogram_dbfs.tolist() == page.spectrogram_dbfs.tolist()
    assert after.wave_max.tolist() == page.wave_max.tolist()


@pytest.mark.parametrize(
    ("name", "bad"),
    [("spectrogram_dbfs", math.nan), ("spectrum_dbfs", math.inf), ("wave_max", -math.inf), ("band_hz", math.nan)],
)
def test_a_picture_with_a_hole_is_refused_and_named(tmp_path, name, bad):
    """Only a level may be minus infinity; anything else that is no number is a bug."""
    page = pictures().channels[0]
    holed = np.array(getattr(page, name))
    holed.flat[3] = bad
    spoilt = model.Pictures(channels=(replace(page, **{name: holed}),), hits=())

    with pytest.raises(OutputError, match=rf"p\.npz: channels/0/{name} holds NaN or infinity"):
        write_pictures(spoilt, tmp_path / "p.npz")

    assert names_in(tmp_path) == []


@pytest.mark.parametrize("keep", [0.0, 0.5, 0.99])
def test_damaged_pictures_are_refused(tmp_path, keep):
    """A cut-off archive is one clear line."""
    path = tmp_path / "p.npz"
    write_pictures(pictures(), path)
    raw = path.read_bytes()
    path.write_bytes(raw[: int(keep * len(raw))])

    with pytest.raises(SavedError, match=r"p\.npz: damaged .*measure the take again"):
        read_pictures(path)


def test_pictures_of_another_version_are_refused(tmp_path):
    """An archive without, or with another, schema version is not guessed at."""
    np.savez(tmp_path / "p.npz", index=np.array('{"schema_version": 99}'))

    with pytest.raises(SavedError, match=r"p\.npz: schema_version 99, this kitproof reads 1"):
        read_pictures(tmp_path / "p.npz")


def test_pictures_of_a_long_session_stay_small_enough_to_send(tmp_path):
    """Fourteen channels and eight drums in all of them stay below 8 MB even where nothing compresses."""
    rng = np.random.default_rng(8)
    page = pictures().channels[0]
    stroke = pictures().hits[0]
    pages = [replace(page, spectrogram_dbfs=rng.uniform(-100.0, 0.0, (96, 1200))) for _ in range(14)]
    noise = rng.standard_normal((8 * 14, 1000))
    strokes = [replace(stroke, time_ms=np.arange(1000) / 48, mean=row, low=row, high=row) for row in noise]

    write_pictures(model.Pictures(channels=tuple(pages), hits=tuple(strokes)), tmp_path / "p.npz")

    # 14 * 96 * 1200 bytes of 8-bit levels and 112 * 1000 * (3 * 2 + 4) bytes of strokes are 2.7 MB; 8 leaves room
    # for finer pictures, and is what a mail still carries.
    assert (tmp_path / "p.npz").stat().st_size < 8e6


# ---------------------------------------------------------------- whole or not at all
def test_an_error_inside_leaves_the_old_file_and_nothing_else(tmp_path):
    """Whoever fails half way leaves what was there before."""
    path = tmp_path / "r.pdf"
    path.write_bytes(b"old")

    def fail_half_way() -> None:
        with whole_file(path) as handle:
            handle.write(b"new")
            raise RuntimeError("half way")

    with pytest.raises(RuntimeError, match="half way"):
        fail_half_way()

    assert path.read_bytes() == b"old"
    assert names_in(tmp_path) == ["r.pdf"]


def test_a_full_disk_leaves_the_old_file_and_nothing_else(tmp_path):
    """When the system takes no more bytes, the error says so and the old file stands."""
    path = tmp_path / "m.json"
    path.write_bytes(b"old")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))  # the kernel then refuses byte 1001, as a full disk
    try:
        with pytest.raises(OutputError, match=r"m\.json: cannot be written \(File too large\); make room"):
            write_measurements(measurements(), path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    assert path.read_bytes() == b"old"
    assert names_in(tmp_path) == ["m.json"]


def test_a_folder_without_write_permission_is_named(tmp_path):
    """An unwritable folder is a clear line."""
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o555)
    root = os.geteuid() == 0  # permissions do not bind root, so step down for the try
    if root:
        os.seteuid(65534)
    try:
        with pytest.raises(OutputError, match=r"m\.json: cannot be written \(Permission denied\)"):
            write_measurements(measurements(), folder / "m.json")
    finally:
        if root:
            os.seteuid(0)

    assert names_in(folder) == []


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("missing/m.json", "No such file or directory"),
        ("file/m.json", "Not a directory"),
        ("folder", "is there already and is not a file"),
    ],
)
def test_a_place_where_no_file_can_stand_is_named(tmp_path, place, message):
    """A missing folder, a file as a folder, a folder as a file: one clear line, nothing made."""
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "folder").mkdir()

    with pytest.raises(OutputError, match=message):
        write_measurements(measurements(), tmp_path / place)

    assert names_in(tmp_path) == ["file", "folder"]


def test_a_link_is_followed_and_kept(tmp_path):
    """Writing to a link changes the file it points at, as an ordinary write would."""
    (tmp_path / "real.json").write_bytes(b"old")
    (tmp_path / "link.json").symlink_to("real.json")

    write_measurements(measurements(), tmp_path / "link.json")

    assert (tmp_path / "link.json").is_symlink()
    assert read_measurements(tmp_path / "real.json") == measurements()


def test_a_result_can_be_read_by_whom_other_files_can(tmp_path):
    """The file has ordinary permissions, not those of a private scratch file."""
    (tmp_path / "plain").write_bytes(b"")
    write_measurements(measurements(), tmp_path / "m.json")

    assert (tmp_path / "m.json").stat().st_mode == (tmp_path / "plain").stat().st_mode
