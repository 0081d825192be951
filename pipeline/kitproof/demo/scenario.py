"""The invented kit, room, microphones and groove as records, read from tidewall.toml.

Conventions: metres, seconds, Hz; points are (x, y, z) from the floor under the snare's centre, x to the
drummer's right, y towards the audience, z up. Gains in three bands are amplitudes: below 350 Hz, around
1.2 kHz, above 5 kHz. Strength runs from 0 (barely touched) to 1 (as hard as it goes).
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from kitproof.errors import StageInputError
from kitproof.roles import LABELS, OWN_MIC_ORDER

Point = tuple[float, float, float]
Bands = tuple[float, float, float]

FREE_FIELD = "free-field"  # no walls, no tail, nothing rattles along


@dataclass(frozen=True, slots=True, kw_only=True)
class Shell:
    """A drum with two heads. See tidewall.toml for what each figure means."""

    name: str
    centre: Point  # of the struck head
    normal: Point  # out of the struck head
    radius_m: float
    depth_m: float
    level: float
    range_db: float
    contact_ms: tuple[float, float]
    spot: float  # usual place of the stroke, 0 centre, 1 rim
    f01_hz: Mapping[str, float]  # by tuning
    front_ratio: float
    front_gain: float
    coupling: float
    area_mass_kg_m2: float
    glide: tuple[float, float]
    glide_ms: float
    decay_ms: float
    decay_slope: float
    overtone_fall: float
    click_db: float
    click_hz: tuple[float, float]
    click_ms: float
    through_hz: float
    wires_db: float
    buzz_db: float

    @property
    def drum(self) -> str:
        return self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Cymbal:
    """One way to strike one plate; open and closed hat share a plate."""

    name: str
    plate: str
    centre: Point
    normal: Point
    radius_m: float
    level: float
    range_db: float
    edges_hz: tuple[float, ...]
    n_modes: tuple[int, ...]
    level_db: tuple[float, ...]
    decay_ms: tuple[float, ...]
    rise_ms: tuple[float, ...]
    noise_db: float
    click_db: float
    ping_db: float
    pedal_spread: float = 0.0

    @property
    def drum(self) -> str:
        return self.plate


Instrument = Shell | Cymbal


@dataclass(frozen=True, slots=True, kw_only=True)
class Mic:
    """One microphone: where, looking at what, how directional, inside which drum if any."""

    role: str
    position: Point
    aim: Point
    cardioid: float
    mic: str
    place: str
    inside: str | None = None
    low_cut_hz: float | None = None  # the mic's own switch, 12 dB per octave


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A box. `corners` is None for the free field."""

    name: str
    corners: tuple[Point, Point] | None
    floor: Bands = (0.0, 0.0, 0.0)
    ceiling: Bands = (0.0, 0.0, 0.0)
    walls: Bands = (0.0, 0.0, 0.0)
    t60_s: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakePlan:
    """What the engineer had done, right or wrong, when this take was recorded."""

    number: int
    flipped: tuple[str, ...] = ()
    moved_from_snare_m: Mapping[str, float]
    hot_db: Mapping[str, float]
    gain_step_db: Mapping[str, float]
    hum_dbfs: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Groove:
    """Written music: per bar and instrument a string of sixteen steps."""

    tempo_bpm: float
    first_beat_s: float
    length_s: float
    strength_spread: float
    feel_ms: Mapping[str, tuple[float, float]]
    bars: tuple[Mapping[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """Everything that is invented about the demo."""

    song: str
    temperature_c: float
    noise_floor_dbfs: float
    noise_spread_db: float
    peak_target_dbfs: tuple[float, float]
    instruments: Mapping[str, Instrument]
    mics: Mapping[str, Mic]  # by role
    rooms: Mapping[str, Room]
    takes: Mapping[int, TakePlan]
    groove: Groove

    @property
    def tunings(self) -> tuple[str, ...]:
        """Names of the tunings that every shell knows."""
        shells = [i for i in self.instruments.values() if isinstance(i, Shell)]
        return tuple(name for name in shells[0].f01_hz if all(name in s.f01_hz for s in shells))

    def own_role(self, drum: str) -> str | None:
        """The drum's own close mic among the mics of this scenario; None for a crash."""
        return next((r for r in OWN_MIC_ORDER.get(drum, ()) if r in self.mics), None)

    def reported_drum(self, drum: str) -> str:
        """What a report calls it: the drum, or "unmiked" if no mic stands at it."""
        return drum if self.own_role(drum) else "unmiked"


def load_scenario(path: Path | None = None) -> Scenario:
    """The scenario that comes with the package, or another one in the same form.

    Errors: StageInputError if a role or an instrument is unknown, or a tuning is missing.
    """
    source = path or resources.files("kitproof.demo").joinpath("tidewall.toml")
    text = source.read_text(encoding="utf-8")
    return scenario_from(tomllib.loads(text))


def scenario_from(data: Mapping[str, Any]) -> Scenario:
    """Build a scenario from parsed TOML; lists become tuples, names are checked."""
    edges = tuple(data.get("cymbal_bands", {}).get("edges_hz", ()))
    instruments: dict[str, Instrument] = {s["name"]: Shell(**_tuples(s)) for s in data["shell"]}
    instruments |= {c["name"]: Cymbal(edges_hz=edges, **_tuples(c)) for c in data.get("cymbal", ())}
    rooms = {name: Room(name=name, **_tuples(r)) for name, r in data.get("room", {}).items()}
    rooms[FREE_FIELD] = Room(name=FREE_FIELD, corners=None)
    groove = data["groove"]
    scenario = Scenario(
        song=data["song"],
        temperature_c=data["temperature_c"],
        noise_floor_dbfs=data["noise_floor_dbfs"],
        noise_spread_db=data["noise_spread_db"],
        peak_target_dbfs=tuple(data["peak_target_dbfs"]),
        instruments=instruments,
        mics={m["role"]: Mic(**_tuples(m)) for m in data["mic"]},
        rooms=rooms,
        takes={t["number"]: TakePlan(**_tuples(t)) for t in data.get("take", ())},
        groove=Groove(bars=tuple(groove["bar"]), **_tuples({k: v for k, v in groove.items() if k != "bar"})),
    )
    _check_names(scenario)
    return scenario


def _tuples(value: Any) -> Any:
    """Lists to tuples, all the way down, so that records can be trusted not to change."""
    if isinstance(value, list):
        return tuple(_tuples(v) for v in value)
    if isinstance(value, dict):
        return {k: _tuples(v) for k, v in value.items()}
    return value


def _check_names(scenario: Scenario) -> None:
    unknown_roles = [r for r in scenario.mics if r not in LABELS]
    played = {name for bar in scenario.groove.bars for name in bar}
    unknown = sorted(played - set(scenario.instruments)) + unknown_roles
    if unknown:
        raise StageInputError(f"demo scenario: unknown names {unknown}; use roles and instruments that are defined")
    if not isinstance(scenario.instruments.get("snare"), Shell):
        raise StageInputError("demo scenario: there is no shell called 'snare'; tapes and wires start from it")
    if not scenario.tunings:
        raise StageInputError("demo scenario: the shells share no tuning; give every shell the same names in f01_hz")


def distance_m(a: Point, b: Point) -> float:
    """Straight line between two points."""
    return math.dist(a, b)
