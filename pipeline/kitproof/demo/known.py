"""The truth about a take, gathered from geometry, from the strokes and from what was done to the channels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from kitproof.demo.groove import Stroke
from kitproof.demo.paths import direct_arrival
from kitproof.demo.preamps import CEILING_DBFS, MAINS_HZ
from kitproof.demo.scenario import Scenario, distance_m
from kitproof.demo.stage import Stage
from kitproof.demo.truth import DemoFault, DemoHit, DemoTruth
from kitproof.model import FloatArray
from kitproof.roles import DRUM_OF_ROLE
from kitproof.units import amplitude_to_db

SAME_MOMENT_S = 0.05  # overloads closer together belong to one stroke


def truth_of(
    stage: Stage,
    strokes: Sequence[Stroke],
    energies: FloatArray,
    stems: Mapping[str, FloatArray],
    gain_db: Mapping[str, float],
    noise_floor_dbfs: Mapping[str, float],
    overloaded: Mapping[str, NDArray[np.intp]],
) -> DemoTruth:
    """Everything known. `energies` is (strokes, mics), `overloaded` holds sample positions over the ceiling."""
    scenario, spec = stage.scenario, stage.spec
    return DemoTruth(
        name=f"{scenario.song} take {spec.number}",
        song=scenario.song,
        number=spec.number,
        rate_hz=spec.rate_hz,
        n_frames=len(next(iter(stems.values()))),
        tempo_bpm=scenario.groove.tempo_bpm,
        temperature_c=scenario.temperature_c,
        tuning=spec.tuning,
        room=spec.room,
        files={role: f"{i:02d} {role}.wav" for i, role in enumerate(stage.paths.roles, 1)},
        hits=hits_of(stage, strokes),
        arrival_ms=arrivals_of(stage),
        sign=signs_of(stage),
        bleed_db=bleed_of(stage, strokes, energies),
        gain_db=dict(gain_db),
        noise_floor_dbfs=dict(noise_floor_dbfs),
        peak_dbfs={role: amplitude_to_db(float(np.max(np.abs(x)))) or 0.0 for role, x in stems.items()},
        inverted=stage.plan.flipped,
        faults=faults_of(stage, overloaded),
    )


def drums_of(stage: Stage) -> tuple[str, ...]:
    """Everything that sounds, each plate once."""
    return tuple(dict.fromkeys(i.drum for i in stage.scenario.instruments.values()))


def hits_of(stage: Stage, strokes: Sequence[Stroke]) -> tuple[DemoHit, ...]:
    """The strokes as hits, timed at the mic where their direct sound is expected first."""
    hits = []
    for stroke in strokes:
        drum = stage.scenario.instruments[stroke.instrument].drum
        role = stage.own_role(drum)
        # A stroke begins on a sample; at_s is where that sample lies.
        at_s = round(stroke.time_s * stage.spec.rate_hz) / stage.spec.rate_hz
        hits.append(
            DemoHit(
                time_s=at_s + direct_arrival(stage.paths, drum, role)[0],
                drum=stage.scenario.reported_drum(drum),
                role=role,
                instrument=stroke.instrument,
                strength=stroke.strength,
            )
        )
    return tuple(hits)


def arrivals_of(stage: Stage) -> dict[str, dict[str, float]]:
    """Milliseconds by which each mic hears each drum after the drum's own mic."""
    table: dict[str, dict[str, float]] = {}
    for drum in drums_of(stage):
        own_s = direct_arrival(stage.paths, drum, stage.own_role(drum))[0]
        table[drum] = {r: 1e3 * (direct_arrival(stage.paths, drum, r)[0] - own_s) for r in stage.paths.roles}
    return table


def signs_of(stage: Stage) -> dict[str, dict[str, int]]:
    """Sign of the first motion in each file, preamp inversions included."""
    flip = {role: -1 if role in stage.plan.flipped else 1 for role in stage.paths.roles}
    return {
        drum: {role: flip[role] * direct_arrival(stage.paths, drum, role)[1] for role in stage.paths.roles}
        for drum in drums_of(stage)
    }


def bleed_of(stage: Stage, strokes: Sequence[Stroke], energies: FloatArray) -> dict[str, dict[str, float]]:
    """Median energy of each drum's strokes in each foreign close mic, against the mic's own drum, dB."""
    drum_of = [stage.scenario.reported_drum(stage.scenario.instruments[s.instrument].drum) for s in strokes]
    median = {d: np.median(energies[[k == d for k in drum_of]], axis=0) for d in dict.fromkeys(drum_of)}
    table: dict[str, dict[str, float]] = {}
    for drum in median:
        for column, role in enumerate(stage.paths.roles):
            own = DRUM_OF_ROLE.get(role)
            if own in median and own != drum:
                ratio = median[drum][column] / median[own][column]
                table.setdefault(drum, {})[role] = float(10.0 * np.log10(ratio))
    return table


def faults_of(stage: Stage, overloaded: Mapping[str, NDArray[np.intp]]) -> tuple[DemoFault, ...]:
    """What the take's plan did wrong, with the figures a finding should come close to."""
    plan, roles = stage.plan, stage.paths.roles
    faults = []
    if {"snare-top", "snare-bottom"} <= set(roles) and not {"snare-top", "snare-bottom"} & set(plan.flipped):
        faults.append(DemoFault(code="polarity", role="snare-bottom", details={}))
    for role, positions in overloaded.items():
        at_s = positions / stage.spec.rate_hz
        n_moments = int(np.sum(np.diff(at_s, prepend=-1.0) > SAME_MOMENT_S))
        details = {"ceiling_dbfs": CEILING_DBFS, "n_samples": float(len(positions)), "n_moments": float(n_moments)}
        faults.append(DemoFault(code="clipping", role=role, details=details))
    for role, further_m in plan.moved_from_snare_m.items():
        other = role.replace("right", "#").replace("left", "right").replace("#", "left")
        late_ms = arrivals_of(stage)["snare"]
        details = {"moved_m": further_m, "late_ms": late_ms[role] - late_ms[other]}
        faults.append(DemoFault(code="pair-offset", role=role, details=details))
    for role, level_dbfs in plan.hum_dbfs.items():
        details = {"fundamental_hz": MAINS_HZ, "fundamental_dbfs": level_dbfs}
        faults.append(DemoFault(code="hum", role=role, details=details))
    return tuple(faults)


def tape_m(scenario: Scenario, role: str) -> tuple[float | None, float]:
    """What the engineer read off the tape: capsule to its own drum's struck head or plate, and to the snare.

    Metres, rounded to a centimetre; taken before anybody moved a mic.
    """
    capsule = scenario.mics[role].position
    own = DRUM_OF_ROLE.get(role)
    centre = next((i.centre for i in scenario.instruments.values() if i.drum == own), None)
    to_own = None if centre is None else round(distance_m(capsule, centre), 2)
    return to_own, round(distance_m(capsule, scenario.instruments["snare"].centre), 2)
