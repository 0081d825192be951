"""One take of the demo: the groove, struck on the kit, heard by the mics, recorded, and its truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitproof.demo.groove import Stroke, play
from kitproof.demo.kit import Kit, generator
from kitproof.demo.known import truth_of
from kitproof.demo.paths import direct_arrival
from kitproof.demo.preamps import CEILING_DBFS, hum, overload, room_tone
from kitproof.demo.responses import Float32, at_the_mics, window_energies
from kitproof.demo.scenario import Scenario
from kitproof.demo.stage import NO_PLAN, Stage, TakeSpec, set_up
from kitproof.demo.truth import DemoTruth
from kitproof.model import FloatArray
from kitproof.units import db_to_amplitude

LEAD_S = 0.010  # before the stroke in a single hit
BEFORE_S, AFTER_S = 0.001, 0.060  # energy window of a hit, as the bleed figure defines it


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What came out of the preamps."""

    stems: dict[str, FloatArray]
    gain_db: dict[str, float]
    noise_floor_dbfs: dict[str, float]
    overloaded: dict[str, NDArray[np.intp]]  # sample positions over the ceiling, by role


def render_take(
    spec: TakeSpec, scenario: Scenario | None = None, kit: Kit | None = None
) -> tuple[dict[str, FloatArray], DemoTruth]:
    """Samples per role, float64 (n_frames,), full scale 1.0, and the truth about them.

    The same spec gives the same samples. Silence cannot come out: there is room tone, unless `noise` is False.
    Errors: StageInputError for an unknown room, tuning or rate.
    Source: own model, see membranes.py, cymbals.py and paths.py.
    """
    stage = set_up(spec, scenario, kit)
    strokes = spec.strokes
    if strokes is None:
        strokes = play(stage.scenario, generator(spec.seed, "playing", spec.number))
    n = round((spec.length_s or stage.scenario.groove.length_s) * spec.rate_hz)
    pressure, energies = _perform(stage, strokes, n)
    recorded = _record(stage, pressure)
    truth = truth_of(stage, strokes, energies, recorded.stems, recorded.gain_db, recorded.noise_floor_dbfs,
                     recorded.overloaded)  # fmt: skip
    return recorded.stems, truth


def single_hit(
    instrument: str,
    strength: float,
    *,
    rate_hz: int = 48000,
    seed: int = 1,
    tuning: str = "deep",
    room: str = "project",
    variation: int = 0,
    length_s: float = 2.5,
    stage: Stage | None = None,
) -> dict[str, FloatArray]:
    """One stroke in all mics: pressure per role, (n,), no noise, no preamp; contact LEAD_S after the start.

    `variation` numbers strokes of the same strength: no two are alike. `stage`, from set_up, saves time when
    many hits are wanted; it then decides rate, seed, tuning and room.
    Errors: StageInputError for an unknown instrument or a strength outside (0, 1].
    """
    if stage is None:
        stage = set_up(TakeSpec(rate_hz=rate_hz, seed=seed, tuning=tuning, room=room, plan=NO_PLAN))
    spec = stage.spec
    rng = generator(spec.seed, "single", instrument, round(strength * 1000), variation)
    signals = np.zeros((len(stage.paths.ports), round(length_s * spec.rate_hz)), dtype=np.float32)
    _add_stroke(stage, signals, stage.kit.strike(instrument, strength, rng), round(LEAD_S * spec.rate_hz))
    heard = at_the_mics(signals, stage.response).astype(np.float64)
    return dict(zip(stage.paths.roles, heard, strict=True))


# -------------------------------------------------------------------------------------------- playing
def _perform(stage: Stage, strokes: Sequence[Stroke], n: int) -> tuple[Float32, FloatArray]:
    """Pressure at the mics, (mics, n), and the energy of every stroke alone, (strokes, mics)."""
    rate_hz = stage.spec.rate_hz
    signals = np.zeros((len(stage.paths.ports), n), dtype=np.float32)
    arrivals_s = {drum: _own_arrival_s(stage, drum) for drum in {i.drum for i in stage.scenario.instruments.values()}}
    window_end = round((max(arrivals_s.values()) + AFTER_S) * rate_hz) + 1
    energy = window_energies(stage.response, window_end)
    energies = np.zeros((len(strokes), len(stage.paths.roles)))
    for k, stroke in enumerate(strokes):
        rng = generator(stage.spec.seed, "stroke", stage.spec.number, k, stroke.instrument)
        sounding = stage.kit.strike(stroke.instrument, stroke.strength, rng, stroke.choke_s)
        _add_stroke(stage, signals, sounding, round(stroke.time_s * rate_hz))
        at_s = arrivals_s[stage.scenario.instruments[stroke.instrument].drum]
        window = slice(max(round((at_s - BEFORE_S) * rate_hz), 0), round((at_s + AFTER_S) * rate_hz))
        energies[k] = energy({_port_index(stage)[name]: x for name, x in sounding.items()}, window)
    return at_the_mics(signals, stage.response), energies


def _own_arrival_s(stage: Stage, drum: str) -> float:
    return direct_arrival(stage.paths, drum, stage.own_role(drum))[0]


def _port_index(stage: Stage) -> dict[str, int]:
    return {port.name: i for i, port in enumerate(stage.paths.ports)}


def _add_stroke(stage: Stage, signals: Float32, sounding: Mapping[str, Float32], at: int) -> None:
    index = _port_index(stage)
    for name, signal in sounding.items():
        fits = signal[: max(signals.shape[1] - at, 0)]
        signals[index[name], at : at + len(fits)] += fits


# ------------------------------------------------------------------------------------------ recording
def _record(stage: Stage, pressure: Float32) -> Recorded:
    """Every channel through its preamp, with its noise and whatever the engineer did to it."""
    spec, plan = stage.spec, stage.plan
    out = Recorded(stems={}, gain_db=_gains(stage, pressure), noise_floor_dbfs={}, overloaded={})
    for role, heard in zip(stage.paths.roles, pressure, strict=True):
        rng = generator(spec.seed, "channel", spec.number, role)
        x = heard.astype(np.float64) * db_to_amplitude(out.gain_db[role])
        if spec.noise:
            floor = stage.scenario.noise_floor_dbfs + float(rng.uniform(-1.0, 1.0)) * stage.scenario.noise_spread_db
            x += room_tone(len(x), floor, rng, spec.rate_hz)
            out.noise_floor_dbfs[role] = floor
        if role in plan.flipped:
            x = -x
        if role in plan.hot_db:
            out.overloaded[role] = np.flatnonzero(np.abs(x) > db_to_amplitude(CEILING_DBFS))
            x = overload(x, rng, spec.rate_hz)
        if role in plan.hum_dbfs:
            x += hum(len(x), plan.hum_dbfs[role], rng, spec.rate_hz)
        out.stems[role] = x
    return out


def _gains(stage: Stage, pressure: Float32) -> dict[str, float]:
    """Preamp gains: as set before, or so that the loudest peak comes to lie where an engineer wants it."""
    low, high = stage.scenario.peak_target_dbfs
    gains = {}
    for role, heard in zip(stage.paths.roles, pressure, strict=True):
        if stage.spec.gain_db is not None:
            gains[role] = stage.spec.gain_db[role]
        else:
            target = float(generator(stage.spec.seed, "gain", role).uniform(low, high))
            if role in stage.plan.hot_db:
                target = CEILING_DBFS + stage.plan.hot_db[role]
            peak = float(np.max(np.abs(heard)))
            gains[role] = target - 20.0 * float(np.log10(peak)) if peak > 0.0 else 0.0
        gains[role] += stage.plan.gain_step_db.get(role, 0.0)
    return gains
