"""The demo as folders: two takes of "Tidewall", and single hits as a kit folder."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile as sf

from kitproof.demo.known import tape_m
from kitproof.demo.scenario import Scenario, load_scenario
from kitproof.demo.stage import NO_PLAN, Stage, TakeSpec, new_kit, set_up
from kitproof.demo.take import render_take, single_hit
from kitproof.demo.truth import DemoTruth
from kitproof.errors import OutputError
from kitproof.model import FloatArray
from kitproof.units import db_to_amplitude

KIT_PEAK_DBFS = -8.0
KIT_STRENGTHS = (0.15, 0.3, 0.45, 0.6, 0.8, 1.0)
PREAMP_AT_UNIT_DB = 42.0  # an invented reading of the gain knob for 0 dB in the model


def build_demo(
    folder: Path, *, rate_hz: int = 48000, seed: int = 1, tuning: str = "deep", room: str = "project"
) -> tuple[DemoTruth, ...]:
    """Write `folder`/"Tidewall take 1" and "Tidewall take 2", 24-bit WAV and take.toml; return their truths.

    The preamps stay as they were set in take 1, but for what the scenario says was changed.
    Errors: OutputError if a take folder is already there or cannot be written; StageInputError for an unknown
    rate, tuning or room.
    """
    scenario = load_scenario()
    first = TakeSpec(rate_hz=rate_hz, seed=seed, tuning=tuning, room=room)
    kit = new_kit(first, scenario)
    gain_db: Mapping[str, float] | None = None
    truths = []
    for number in sorted(scenario.takes):
        spec = TakeSpec(number=number, rate_hz=rate_hz, seed=seed, tuning=tuning, room=room, gain_db=gain_db)
        stems, truth = render_take(spec, scenario, kit)
        write_take(folder, stems, truth, scenario)
        gain_db = gain_db or truth.gain_db
        truths.append(truth)
    return tuple(truths)


def write_take(
    folder: Path, stems: Mapping[str, FloatArray], truth: DemoTruth, scenario: Scenario | None = None
) -> Path:
    """Write one take below `folder`, whole or not at all; return its folder.

    Errors: OutputError if it is already there, or cannot be written.
    """
    scenario = scenario or load_scenario()
    with _whole(folder / truth.name) as part:
        for role, samples in stems.items():
            sf.write(part / truth.files[role], samples, truth.rate_hz, subtype="PCM_24")
        (part / "take.toml").write_text(take_toml(truth, scenario), encoding="utf-8")
    return folder / truth.name


def write_kit(folder: Path, *, strengths: tuple[float, ...] = KIT_STRENGTHS, stage: Stage | None = None) -> Path:
    """Write single hits as <instrument>/<nn>-<channel>.flac, softest first, one gain per channel.

    Errors: OutputError if the folder is already there, or cannot be written.
    """
    stage = stage or set_up(TakeSpec(plan=NO_PLAN))
    names = list(stage.scenario.instruments)
    loud = [single_hit(name, max(strengths), stage=stage) for name in names]
    # A dB of room above the hardest stroke, as the strokes are not copies of each other.
    peaks = {role: max(float(np.max(np.abs(hit[role]))) for hit in loud) for role in stage.paths.roles}
    gain = {role: db_to_amplitude(KIT_PEAK_DBFS - 1.0) / peak for role, peak in peaks.items()}
    with _whole(folder) as part:
        for name in names:
            (part / name).mkdir()
            for number, strength in enumerate(sorted(strengths), 1):
                for role, samples in single_hit(name, strength, stage=stage).items():
                    path = part / name / f"{number:02d}-{role}.flac"
                    sf.write(path, samples * gain[role], stage.spec.rate_hz, subtype="PCM_24")
    return folder


@contextmanager
def _whole(folder: Path) -> Iterator[Path]:
    """A folder beside the wanted one, renamed to it at the end; nothing is left of it if anything fails."""
    if folder.exists():
        raise OutputError(f"{folder}: already there; remove it or choose another place")
    part = folder.with_name(f".{folder.name}.part")
    try:
        part.mkdir(parents=True)
        yield part
        part.rename(folder)
    except (OSError, sf.LibsndfileError) as error:
        raise OutputError(f"{folder}: could not be written ({error}); check space and permissions") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def take_toml(truth: DemoTruth, scenario: Scenario) -> str:
    """The take's notes, as an engineer would leave them. What is wrong with the take is not in them."""
    lines = [
        "[take]",
        f'song = "{truth.song}"',
        f"number = {truth.number}",
        f"tempo_bpm = {truth.tempo_bpm:.1f}",
        f"temperature_c = {truth.temperature_c:.1f}",
    ]
    for role, file in truth.files.items():
        mic = scenario.mics[role]
        inverted = ", polarity inverted" if role in truth.inverted else ""
        to_own, to_snare = tape_m(scenario, role)
        lines += [
            "",
            "[[channel]]",
            f'file = "{file}"',
            f'role = "{role}"',
            f'mic = "{mic.mic}"',
            f'preamp = "gain {truth.gain_db[role] + PREAMP_AT_UNIT_DB:.0f} dB{inverted}"',
            f'position = "{mic.place}"',
        ]
        if role == "kick-out":
            lines += ['note = "tape to the struck head, through the shell"']
        lines += [] if to_own is None else [f"to_own_drum_m = {to_own:.2f}"]
        lines += [f"to_snare_m = {to_snare:.2f}"]
    return "\n".join(lines) + "\n"
