"""Kit, mics and room in place: what has to be worked out before anybody plays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from kitproof.demo.groove import Stroke
from kitproof.demo.kit import Kit, generator
from kitproof.demo.paths import Paths, trace
from kitproof.demo.responses import Float32, responses
from kitproof.demo.scenario import FREE_FIELD, Mic, Scenario, TakePlan, load_scenario
from kitproof.errors import StageInputError

RATES_HZ = (44100, 48000, 88200, 96000)
NO_PLAN = TakePlan(number=0, moved_from_snare_m={}, hot_db={}, gain_step_db={}, hum_dbfs={})


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeSpec:
    """What to render. None means: as the scenario has it."""

    number: int = 1
    rate_hz: int = 48000
    seed: int = 1
    tuning: str = "deep"
    room: str = "project"  # or "dead-room", "live-room", "free-field"
    noise: bool = True
    plan: TakePlan | None = None  # what the engineer did; NO_PLAN for nothing right or wrong
    gain_db: Mapping[str, float] | None = None  # preamps set before, by role
    strokes: tuple[Stroke, ...] | None = None  # other playing than the groove
    length_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A kit with its mics in a room, ready to be played."""

    scenario: Scenario
    spec: TakeSpec
    plan: TakePlan
    kit: Kit
    paths: Paths
    response: Float32  # (ports, mics, n)

    def own_role(self, drum: str) -> str:
        """Where a hit of this drum is timed: its own mic; without one, the overhead that hears it best."""
        own = self.scenario.own_role(drum)
        if own:
            return own
        port = next(i for i, p in enumerate(self.paths.ports) if p.drum == drum)
        over = [r for r in self.paths.roles if r.startswith("overhead")] or list(self.paths.roles)
        return max(over, key=lambda role: float(self.paths.gain[0, port, self.paths.roles.index(role), 1]))


def set_up(spec: TakeSpec, scenario: Scenario | None = None, kit: Kit | None = None) -> Stage:
    """Put kit and mics in place. A `kit` of the same scenario, tuning, rate and seed may be used again.

    Errors: StageInputError for an unknown room, tuning or rate, or for something outside the room.
    """
    scenario = scenario or load_scenario()
    if spec.rate_hz not in RATES_HZ:
        raise StageInputError(f"demo: {spec.rate_hz} Hz; choose one of {', '.join(map(str, RATES_HZ))}")
    if spec.room not in scenario.rooms:
        raise StageInputError(f"demo: no room {spec.room!r}; there are {', '.join(scenario.rooms)}")
    plan = spec.plan or scenario.takes.get(spec.number) or replace(NO_PLAN, number=spec.number)
    room = scenario.rooms[spec.room]
    kit = kit or new_kit(spec, scenario)
    if (kit.tuning, kit.rate_hz, kit.seed) != (spec.tuning, spec.rate_hz, spec.seed):
        raise StageInputError("demo: this kit was built for another tuning, rate or seed; leave it out")
    mics = [_moved(m, plan.moved_from_snare_m.get(m.role, 0.0), scenario) for m in scenario.mics.values()]
    paths = trace(scenario, mics, room)
    tail = generator(spec.seed, "tail", spec.room)
    response = responses(paths, scenario, room, spec.tuning, tail, spec.rate_hz)
    return Stage(scenario=scenario, spec=spec, plan=plan, kit=kit, paths=paths, response=response)


def new_kit(spec: TakeSpec, scenario: Scenario) -> Kit:
    """The kit that a take needs; takes that differ in nothing else can share it."""
    rattles = spec.room != FREE_FIELD
    return Kit(scenario, tuning=spec.tuning, rate_hz=spec.rate_hz, seed=spec.seed, rattles=rattles)


def _moved(mic: Mic, further_m: float, scenario: Scenario) -> Mic:
    """The mic, `further_m` further from the snare on the same line."""
    if not further_m:
        return mic
    snare = np.array(scenario.instruments["snare"].centre)
    away = np.array(mic.position) - snare
    x, y, z = (float(v) for v in snare + away * (1.0 + further_m / np.linalg.norm(away)))
    return replace(mic, position=(x, y, z))
