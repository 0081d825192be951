"""The two takes of "Tidewall": reproducible, plausible, and with the faults they claim, and no others."""

from __future__ import annotations

import tomllib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from scipy.signal import butter, sosfiltfilt

from kitproof.demo import (
    NO_PLAN,
    DemoTruth,
    Stroke,
    TakeSpec,
    build_demo,
    load_scenario,
    render_take,
    set_up,
    single_hit,
    write_kit,
    write_take,
)
from kitproof.demo.groove import play
from kitproof.errors import OutputError, StageInputError
from kitproof.model import FloatArray
from kitproof.roles import DRUM_OF_ROLE, LABELS
from kitproof.run import measure_take

RATE_HZ = 48000
TWO_STROKES = (
    Stroke(time_s=0.5, instrument="kick", strength=0.9),
    Stroke(time_s=2.5, instrument="snare", strength=0.8),
)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[DemoTruth, ...]]:
    """The demo as it is written for a user, once for the module."""
    folder = tmp_path_factory.mktemp("demo")
    return folder, build_demo(folder)


def stem(demo: tuple[Path, tuple[DemoTruth, ...]], number: int, role: str) -> FloatArray:
    folder, truths = demo
    truth = truths[number - 1]
    samples, _ = sf.read(folder / truth.name / truth.files[role], dtype="float64")
    return np.asarray(samples)


def rms_dbfs(x: FloatArray) -> float:
    return float(20 * np.log10(np.sqrt(np.mean(x**2))))


def faults(truth: DemoTruth) -> set[tuple[str, str]]:
    return {(f.code, f.role) for f in truth.faults}


# ------------------------------------------------------------------------------------ same and other
def test_same_input_gives_the_same_bytes(tmp_path: Path) -> None:
    """Two renderings of one spec are equal to the last byte of the files."""
    spec = TakeSpec(strokes=TWO_STROKES, length_s=3.0)
    for name in ("a", "b"):
        write_take(tmp_path / name, *render_take(spec))

    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*.*"))

    assert len(files) == 15
    assert all((tmp_path / "a" / f).read_bytes() == (tmp_path / "b" / f).read_bytes() for f in files)


def test_another_seed_is_another_performance() -> None:
    """Timing and sound both change with the seed; the written music does not."""
    scenario = load_scenario()
    one, other = (play(scenario, np.random.default_rng(seed)) for seed in (1, 2))
    (a, _), (b, _) = (render_take(TakeSpec(seed=seed, strokes=TWO_STROKES, length_s=3.0)) for seed in (1, 2))

    assert sorted(s.instrument for s in one) == sorted(s.instrument for s in other)
    assert [s.time_s for s in one] != [s.time_s for s in other]
    assert not np.allclose(a["snare-top"], b["snare-top"])


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_other_rates_keep_the_times(rate_hz: int) -> None:
    """A hit lies at the same second at every sample rate, to the width of one sample."""
    stems, truth = render_take(TakeSpec(rate_hz=rate_hz, strokes=TWO_STROKES, length_s=3.0))

    assert len(stems["kick-in"]) == 3 * rate_hz
    _, at_48k = render_take(TakeSpec(strokes=TWO_STROKES, length_s=3.0))
    assert [h.time_s for h in truth.hits] == pytest.approx([h.time_s for h in at_48k.hits], abs=1.1 / 44100)


# -------------------------------------------------------------------------------------- the folders
def test_the_notes_name_known_roles_and_files_that_exist(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """take.toml parses, names every file once with a role of the vocabulary, and keeps quiet about faults."""
    folder, truths = demo
    for truth in truths:
        notes = tomllib.loads((folder / truth.name / "take.toml").read_text(encoding="utf-8"))
        files = [c["file"] for c in notes["channel"]]

        assert notes["take"] == {"song": "Tidewall", "number": truth.number, "tempo_bpm": 104.0, "temperature_c": 21.0}
        assert {c["role"] for c in notes["channel"]} <= set(LABELS)
        assert sorted(files) == sorted(p.name for p in (folder / truth.name).glob("*.wav"))
        assert all({"mic", "preamp", "position", "to_snare_m"} <= set(c) for c in notes["channel"])
        assert all(("to_own_drum_m" in c) == (c["role"] in DRUM_OF_ROLE) for c in notes["channel"])


def test_the_tape_says_that_the_overheads_are_level(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """Both takes carry the same tape figures, equal for the overheads, whatever was moved since."""
    folder, truths = demo
    tapes = []
    for truth in truths:
        notes = tomllib.loads((folder / truth.name / "take.toml").read_text(encoding="utf-8"))
        tapes.append({c["role"]: c["to_snare_m"] for c in notes["channel"]})

    assert tapes[0] == tapes[1]
    assert tapes[0]["overhead-left"] == tapes[0]["overhead-right"]


def test_files_are_24_bit_mono_and_of_one_length(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """Fourteen mono files per take at 48 kHz and 24 bits, all of the same length near 20 s."""
    folder, truths = demo
    infos = [sf.info(p) for truth in truths for p in (folder / truth.name).glob("*.wav")]

    assert len(infos) == 28
    assert {(i.samplerate, i.subtype, i.channels, i.frames) for i in infos} == {(48000, "PCM_24", 1, 969600)}


def test_a_take_that_is_already_there_is_left_alone(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """Writing over an existing take is refused with a line that says what to do."""
    folder, truths = demo
    with pytest.raises(OutputError, match="already there; remove it or choose another place"):
        write_take(folder, {}, truths[0])


def test_a_take_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If a file cannot be written, nothing of the take stays behind."""
    stems, truth = render_take(TakeSpec(strokes=TWO_STROKES[:1], length_s=1.0))
    done = []

    def full_disk(path: Path, *args: object, **kwargs: object) -> None:
        done.append(path)
        if len(done) == 3:
            raise OSError("no space left on device")
        Path(path).write_bytes(b"x")

    monkeypatch.setattr(sf, "write", full_disk)
    with pytest.raises(OutputError, match="no space left"):
        write_take(tmp_path, stems, truth)
    assert list(tmp_path.iterdir()) == []


# ----------------------------------------------------------------------------------------- the sound
def test_levels_are_those_an_engineer_would_set(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """Loudest peaks lie between -12 and -6 dBFS; in take 2, with the same knobs, within 4 dB of that."""
    _, (first, second) = demo

    assert all(-12.0 <= p <= -6.0 for role, p in first.peak_dbfs.items() if role != "snare-side")
    # A second performance peaks elsewhere: single strokes of one drummer differ by some decibels.
    assert all(-16.0 <= p <= -5.0 for p in second.peak_dbfs.values())
    steps = {role: second.gain_db[role] - first.gain_db[role] for role in first.gain_db}
    assert {role: round(step, 6) for role, step in steps.items() if abs(step) > 1e-9} == {"snare-side": -13.0}


def test_stated_peaks_are_in_the_files(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """The truth's peak is the file's peak."""
    for role in ("kick-in", "snare-side", "room-left"):
        peak = 20 * np.log10(np.max(np.abs(stem(demo, 1, role))))
        assert demo[1][0].peak_dbfs[role] == pytest.approx(peak, abs=1e-4)  # 24-bit rounding at -10 dBFS


def test_the_first_and_last_second_hold_only_room_tone(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """More than a second of quiet before the first hit and after the last decay, at the stated floor."""
    for truth in demo[1]:
        for role, floor in truth.noise_floor_dbfs.items():
            if role == "room-left":
                continue  # has hum
            samples = stem(demo, truth.number, role)
            # 1 s of noise that falls above 400 Hz has some 800 independent values: 0.3 dB (2 sigma), and margin.
            assert rms_dbfs(samples[:RATE_HZ]) == pytest.approx(floor, abs=0.6)
            assert rms_dbfs(samples[-RATE_HZ:]) == pytest.approx(floor, abs=0.6)
            assert -75.0 < floor < -69.0


def test_noise_is_independent_between_mics(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """The quiet before the music is uncorrelated between two mics."""
    a, b = (stem(demo, 1, role)[:RATE_HZ] for role in ("overhead-left", "overhead-right"))

    assert abs(np.corrcoef(a, b)[0, 1]) < 0.15  # some 800 independent values: 4 sigma is 0.14


def test_whole_stems_have_the_crest_of_raw_drums(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """Raw stems run 19 to 34 dB from peak to RMS; 2 dB more for a sparsely played mic."""
    for truth in demo[1]:
        for role in truth.files:
            samples = stem(demo, truth.number, role)
            assert 18.5 <= truth.peak_dbfs[role] - rms_dbfs(samples) <= 36.0, role


def test_close_mics_hear_the_others_as_in_a_project_room(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """Foreign drums lie mostly 10 to 35 dB under the own one; the kick's inside is quieter, the snare's side not."""
    for truth in demo[1]:
        values = np.array([db for row in truth.bleed_db.values() for db in row.values()])
        assert np.all((values > -60.0) & (values < -2.0))
        assert np.mean((values >= -36.0) & (values <= -9.0)) > 0.75


def test_the_groove_has_ghosts_a_flam_a_ride_section_a_fill_and_crashes(
    demo: tuple[Path, tuple[DemoTruth, ...]],
) -> None:
    """What a report must cope with is in the music, in both takes, and no two takes are played alike."""
    _, (first, second) = demo
    for truth in (first, second):
        snare = [h for h in truth.hits if h.drum == "snare"]
        gaps = np.diff([h.time_s for h in snare])
        assert sum(0.02 < g < 0.035 for g in gaps) == 1
        assert 6 <= sum(h.strength < 0.4 for h in snare) < len(snare) / 2
        assert {h.drum for h in truth.hits} == {*DRUM_OF_ROLE.values()} & {h.drum for h in truth.hits} | {"unmiked"}
        assert all(sum(h.drum == tom for h in truth.hits) >= 5 for tom in ("rack-tom-1", "rack-tom-2", "floor-tom"))
        assert truth.hits[-1].drum == "unmiked" or truth.hits[-2].drum == "unmiked"
        assert truth.hits[0].time_s > 1.2
    assert [h.time_s for h in first.hits] != [h.time_s for h in second.hits]


# ----------------------------------------------------------------------------------------- the truth
def test_bleed_in_the_truth_is_the_bleed_in_the_audio() -> None:
    """With two strokes far apart and no noise, energies read from the stems give the stated ratio."""
    stems, truth = render_take(TakeSpec(strokes=TWO_STROKES, length_s=3.5, plan=NO_PLAN, noise=False))
    times = {h.drum: h.time_s for h in truth.hits}

    def energy(role: str, drum: str) -> float:
        start, stop = round((times[drum] - 0.001) * RATE_HZ), round((times[drum] + 0.060) * RATE_HZ)
        return float(np.sum(stems[role][start:stop] ** 2))

    for drum, role in (("kick", "snare-top"), ("kick", "snare-bottom"), ("snare", "kick-in"), ("snare", "kick-out")):
        ratio_db = 10 * np.log10(energy(role, drum) / energy(role, DRUM_OF_ROLE[role]))
        # Two seconds after the kick its tail is 100 dB down; a sample more or less at the window's edge remains.
        assert truth.bleed_db[drum][role] == pytest.approx(ratio_db, abs=0.05)


def test_hits_of_unmiked_drums_are_timed_at_an_overhead(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """A crash has no mic of its own, so the overhead that hears it best keeps its time."""
    crashes = [h for h in demo[1][0].hits if h.drum == "unmiked"]

    assert {h.instrument for h in crashes} == {"crash-left", "crash-right"}
    assert {h.role for h in crashes} == {"overhead-left", "overhead-right"}


# ---------------------------------------------------------------------------------------- the faults
def test_take_1_has_four_faults_and_take_2_a_milder_one(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """The truth lists what the engineer got wrong; the second take keeps only a weaker hum."""
    _, (first, second) = demo

    assert faults(first) == {
        ("polarity", "snare-bottom"),
        ("clipping", "snare-side"),
        ("pair-offset", "overhead-right"),
        ("hum", "room-left"),
    }
    assert faults(second) == {("hum", "room-left")}


def test_the_report_says_of_both_takes_what_is_wrong_and_nothing_else(
    demo: tuple[Path, tuple[DemoTruth, ...]],
) -> None:
    """All four faults of take 1; the hum of take 2 may be too weak to be told."""
    folder, truths = demo
    with ThreadPoolExecutor(1) as executor:
        told = [measure_take(folder / t.name, executor, strict=True).measurements.findings for t in truths]
    first, second = ({(f.code, *f.files) for f in found if f.severity != "note"} for found in told)

    assert {(code, files[0]) for code, *files in first} == {(c, truths[0].files[role]) for c, role in faults(truths[0])}
    assert second <= {("hum", truths[1].files["room-left"])}


def test_the_snare_side_mic_clips_below_full_scale_in_take_1_only(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """Runs of nearly equal samples stand at -4 dBFS, slightly tilted; in take 2 there are none."""

    def flat_runs(x: FloatArray) -> int:
        top = np.max(x)
        near = x > top * 10 ** (-0.15 / 20)  # tilt and drift by AC coupling stay within that
        return int(sum(len(run) >= 3 for run in np.split(near, np.flatnonzero(np.diff(near)) + 1) if run[0]))

    clipped, clean = stem(demo, 1, "snare-side"), stem(demo, 2, "snare-side")

    assert 20 * np.log10(np.max(clipped)) == pytest.approx(-4.0, abs=0.15)  # coupling lifts tops a little
    assert flat_runs(clipped) >= 30
    assert flat_runs(clean) <= 1  # the top of one smooth peak can hold three samples
    runs = np.flatnonzero(np.diff(clipped[clipped > 0.6]) == 0.0)
    assert len(runs) == 0  # tilted and noisy: no two neighbouring samples are equal


def test_the_snare_bottom_fights_the_top_in_take_1_only(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """Sum against difference in the snare's low band: fuller flipped in take 1, fuller as recorded in take 2."""
    fuller_db = []
    for truth in demo[1]:
        low = butter(2, [120.0, 400.0], btype="bandpass", fs=RATE_HZ, output="sos")
        top, bottom = (sosfiltfilt(low, stem(demo, truth.number, r)) for r in ("snare-top", "snare-bottom"))
        values = []
        for hit in (h for h in truth.hits if h.drum == "snare" and h.strength > 0.7):
            at = slice(round(hit.time_s * RATE_HZ), round((hit.time_s + 0.04) * RATE_HZ))
            a, b = top[at] / np.std(top[at]), bottom[at] / np.std(bottom[at])
            values.append(10 * np.log10(np.sum((a + b) ** 2) / np.sum((a - b) ** 2)))
        fuller_db.append(float(np.median(values)))

    assert fuller_db[0] < -3.0  # common practice reads 3 dB as a leaning, 6 dB as clear
    assert fuller_db[1] > 3.0
    assert demo[1][0].sign["snare"]["snare-bottom"] == -demo[1][0].sign["snare"]["snare-top"]
    assert demo[1][1].sign["snare"]["snare-bottom"] == demo[1][1].sign["snare"]["snare-top"]


def test_the_right_overhead_is_late_by_its_20_cm_in_take_1_only() -> None:
    """One loud snare stroke without noise: first arrivals differ by 0.2 m over the speed of sound, or not at all."""
    plans = load_scenario().takes
    late_ms = []
    for number in (1, 2):
        plan = replace(plans[number], hot_db={}, hum_dbfs={}, gain_step_db={})
        spec = TakeSpec(number=number, strokes=TWO_STROKES[1:], length_s=3.0, noise=False, plan=plan)
        stems, truth = render_take(spec)
        first = []
        for role in ("overhead-left", "overhead-right"):
            start = round(2.49 * RATE_HZ)
            early = np.abs(stems[role][start : start + round(0.02 * RATE_HZ)])
            first.append(int(np.argmax(early > 0.1 * np.max(early))))
        late_ms.append(1e3 * (first[1] - first[0]) / RATE_HZ)
        stated = truth.arrival_ms["snare"]["overhead-right"] - truth.arrival_ms["snare"]["overhead-left"]
        # The two mics see the head at different angles, so the same threshold is crossed up to 0.06 ms apart.
        assert late_ms[-1] == pytest.approx(stated, abs=0.06)

    assert late_ms[0] == pytest.approx(200.0 / 343.8, abs=0.06)  # 343.8 m/s at 21 degrees C
    assert late_ms[1] == pytest.approx(0.0, abs=0.06)


def test_hum_is_in_the_left_room_mic_as_stated(demo: tuple[Path, tuple[DemoTruth, ...]]) -> None:
    """50 Hz in the last second: -52 dBFS in take 1, -64 in take 2, and nothing like it in the other room mic."""
    t = np.arange(RATE_HZ) / RATE_HZ

    def tone_dbfs(number: int, role: str) -> float:
        x = stem(demo, number, role)[-RATE_HZ:]
        return float(20 * np.log10(2 * np.abs(np.mean(x * np.exp(-2j * np.pi * 50.0 * t)))))

    # Room tone at -72 dBFS puts less than -85 dBFS into one hertz, 2 % of the weaker hum.
    assert tone_dbfs(1, "room-left") == pytest.approx(-52.0, abs=0.3)
    assert tone_dbfs(2, "room-left") == pytest.approx(-64.0, abs=1.0)
    assert tone_dbfs(1, "room-right") < -78.0


# -------------------------------------------------------------------------------- kit folder, errors
def test_a_kit_folder_holds_every_instrument_in_every_mic(tmp_path: Path) -> None:
    """Single hits are written as <instrument>/<nn>-<channel>.flac, softest first, none clipped."""
    stage = set_up(TakeSpec(room="dead-room", tuning="high", rate_hz=44100, plan=NO_PLAN))
    folder = write_kit(tmp_path / "kit", strengths=(0.9, 0.3), stage=stage)

    snare = {p.name for p in (folder / "snare").iterdir()}
    assert {p.name for p in folder.iterdir()} == set(stage.scenario.instruments)
    assert snare == {f"{n:02d}-{role}.flac" for n in (1, 2) for role in stage.paths.roles}
    soft, hard = (np.max(np.abs(sf.read(folder / "snare" / f"{n:02d}-snare-top.flac")[0])) for n in (1, 2))
    assert soft < hard < 0.5


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"rate_hz": 22050}, "22050 Hz; choose one of 44100"),
        ({"room": "cathedral"}, "no room 'cathedral'; there are project"),
        ({"tuning": "flat"}, "no tuning 'flat'; there are deep, high"),
    ],
)
def test_unknown_choices_are_refused_by_name(change: dict[str, str | int], message: str) -> None:
    """A wrong rate, room or tuning is named, with what there is instead."""
    with pytest.raises(StageInputError, match=message):
        set_up(replace(TakeSpec(), **change))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("instrument", "strength", "message"),
    [("gong", 0.5, "nothing called 'gong' to strike"), ("snare", 0.0, "strength 0.0"), ("snare", 1.2, "strength 1.2")],
)
def test_impossible_strokes_are_refused(instrument: str, strength: float, message: str) -> None:
    """An instrument that is not there, or a strength beyond the scale, is an error, not a silent hit."""
    with pytest.raises(StageInputError, match=message):
        single_hit(instrument, strength, room="free-field")


def test_a_mic_outside_the_room_is_refused() -> None:
    """Mirror images make no sense for a mic behind a wall."""
    scenario = load_scenario()
    outside = replace(scenario.mics["room-left"], position=(-9.0, 0.0, 1.0))
    with pytest.raises(StageInputError, match=r"room-left .* is outside the room 'project'"):
        set_up(TakeSpec(), replace(scenario, mics={**scenario.mics, "room-left": outside}))


def test_fixture_files_stay_small() -> None:
    """Nothing in fixtures/ is larger than 1 MB: sound is rendered, not stored."""
    fixtures = [p for p in (Path(__file__).parent.parent / "fixtures").rglob("*") if p.is_file()]

    assert fixtures
    assert all(p.stat().st_size <= 1_000_000 for p in fixtures)
