"""From every sounding surface to every microphone: delay, sign, level, colour, echoes.

Conventions: a port is one sounding surface; arrays run (surfaces, ports, mics) with surface 0 the direct path
and 1..6 the mirror images behind floor, ceiling and walls. Signs are those of the pressure at the capsule
against the port's signal, which is positive while a head or plate accelerates downwards.

Sign of each surface, by physics
--------------------------------
- Struck head, outside: it moves away from the air above it: rarefaction, sign -1, also around the rim.
- The other head, outside: the air pushes it outwards: compression, sign +1. So a mic under the snare hears
  the opposite of the one over it, and a mic before the kick's front head hears compression first.
- Inside the shell both faces are seen from within: the struck head comes towards the mic, sign +1. So kick-in
  and kick-out agree with each other, and both disagree with whoever hears the kick's batter side from outside.
- A plate pushes the air below and pulls the air above: -1 above, +1 below.

Source: spherical spreading 1/r, mirror images of a box (Allen and Berkley 1979, first order), diffuse field from
the critical distance 0.057 sqrt(V/T60); the three-band directivities are own choices, kept simple.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitproof.demo.scenario import Bands, Mic, Point, Room, Scenario, Shell
from kitproof.errors import StageInputError
from kitproof.model import FloatArray
from kitproof.units import speed_of_sound_m_s

NEAREST_M = 0.05  # nearer than this a head is no point any more and 1/r would run away
WITHIN_GAIN = 3.0  # a closed shell holds the pressure that outside spreads in all directions
SHELL_LOSS: Bands = (0.30, 0.13, 0.05)  # from outside into a shell and back
CLEAR_PLATE_COSINE = 0.15  # nearer to a plate's own plane, above and below cancel


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """One sounding surface of one instrument."""

    name: str  # "snare/batter", "snare/front", "ride"
    drum: str
    kind: str  # "batter", "front" or "plate"
    position: Point
    normal: Point  # out of the drum; up for a plate
    radius_m: float
    lag_s: float  # the other head is heard after the sound has crossed the shell


@dataclass(frozen=True, slots=True, kw_only=True)
class Paths:
    """All first-order paths. delay_s, sign: (surfaces, ports, mics); gain: (surfaces, ports, mics, bands).

    cosine: (ports, mics), direct path against the surface's normal.
    """

    ports: tuple[Port, ...]
    roles: tuple[str, ...]
    delay_s: FloatArray
    sign: FloatArray
    gain: FloatArray
    cosine: FloatArray
    enclosed: tuple[str | None, ...]  # per mic: the drum it is in


def ports_of(scenario: Scenario) -> tuple[Port, ...]:
    """Every sounding surface of the kit; strokes on one plate share one port."""
    speed = speed_of_sound_m_s(scenario.temperature_c)
    ports: dict[str, Port] = {}
    for instrument in scenario.instruments.values():
        if isinstance(instrument, Shell):
            for port in _shell_ports(instrument, speed):
                ports[port.name] = port
        else:
            ports[instrument.plate] = Port(
                name=instrument.plate,
                drum=instrument.plate,
                kind="plate",
                position=instrument.centre,
                normal=_unit(instrument.normal),
                radius_m=instrument.radius_m,
                lag_s=0.0,
            )
    return tuple(ports.values())


def _shell_ports(shell: Shell, speed_m_s: float) -> tuple[Port, Port]:
    out = _unit(shell.normal)
    front = tuple(c - shell.depth_m * n for c, n in zip(shell.centre, out, strict=True))
    batter = Port(
        name=f"{shell.name}/batter", drum=shell.name, kind="batter",
        position=shell.centre, normal=out, radius_m=shell.radius_m, lag_s=0.0,
    )  # fmt: skip
    other = Port(
        name=f"{shell.name}/front", drum=shell.name, kind="front",
        position=(front[0], front[1], front[2]), normal=(-out[0], -out[1], -out[2]),
        radius_m=shell.radius_m, lag_s=shell.depth_m / speed_m_s,
    )  # fmt: skip
    return batter, other


def trace(scenario: Scenario, mics: Sequence[Mic], room: Room) -> Paths:
    """Delays, signs and band gains of all direct and once-reflected paths."""
    ports = ports_of(scenario)
    speed = speed_of_sound_m_s(scenario.temperature_c)
    layers = [_layer(ports, mics, speed, None, (1.0, 1.0, 1.0))]
    if room.corners is not None:
        _check_inside(ports, mics, room)
        for axis in range(3):
            for side in range(2):
                reflection = room.walls if axis < 2 else (room.floor, room.ceiling)[side]
                layers.append(_layer(ports, mics, speed, (axis, room.corners[side][axis]), reflection))
    delay, sign, gain, cosine = (np.stack(part) for part in zip(*layers, strict=True))
    roles = tuple(m.role for m in mics)
    enclosed = tuple(m.inside for m in mics)
    return Paths(ports=ports, roles=roles, delay_s=delay, sign=sign, gain=gain, cosine=cosine[0], enclosed=enclosed)


def _check_inside(ports: Sequence[Port], mics: Sequence[Mic], room: Room) -> None:
    assert room.corners is not None
    low, high = np.array(room.corners[0]), np.array(room.corners[1])
    for name, at in [(p.name, p.position) for p in ports] + [(m.role, m.position) for m in mics]:
        if np.any(np.array(at) <= low) or np.any(np.array(at) >= high):
            raise StageInputError(f"demo scenario: {name} at {at} m is outside the room {room.name!r}; move it inside")


def _layer(
    ports: Sequence[Port], mics: Sequence[Mic], speed_m_s: float, mirror: tuple[int, float] | None, reflection: Bands
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """One surface: delay, sign (ports, mics), gain (ports, mics, 3), cosine of all paths by way of it."""
    source = np.array([p.position for p in ports])
    normal = np.array([p.normal for p in ports])
    if mirror is not None:
        axis, plane = mirror
        source[:, axis] = 2.0 * plane - source[:, axis]
        normal[:, axis] = -normal[:, axis]
    capsule = np.array([m.position for m in mics])
    way = capsule[None] - source[:, None]  # (ports, mics, 3)
    straight = np.linalg.norm(way, axis=2)
    cosine = np.einsum("pmi,pi->pm", way, normal) / straight
    plate = np.array([p.kind == "plate" for p in ports])[:, None]
    inside = np.array([[m.inside == p.drum and p.kind != "plate" for m in mics] for p in ports])
    within = inside & (mirror is None)
    length = np.where(plate | within | (cosine >= 0.0), straight, _around_rim(ports, source, normal, capsule))
    gain = _radiated(cosine, plate, within) * _heard(mics, way, straight) * np.array(reflection)
    enclosed = np.array([m.inside is not None for m in mics])[None] & ~within
    gain = np.where(enclosed[..., None], gain * np.array(SHELL_LOSS), gain)
    gain = np.minimum.accumulate(gain, axis=2) / np.maximum(length, NEAREST_M)[..., None]
    outward = np.array([-1.0 if p.kind == "batter" else 1.0 for p in ports])[:, None]
    sign = np.where(plate, np.where(cosine >= 0.0, -1.0, 1.0), np.where(within, -outward, outward))
    lag = np.array([p.lag_s for p in ports])[:, None]
    return length / speed_m_s + lag, sign, gain, cosine


def _around_rim(ports: Sequence[Port], source: FloatArray, normal: FloatArray, capsule: FloatArray) -> FloatArray:
    """Path length for a mic behind a head's plane: along the head to the rim, then straight; (ports, mics)."""
    radius = np.array([p.radius_m for p in ports])[:, None]
    way = capsule[None] - source[:, None]
    lateral = way - np.einsum("pmi,pi->pm", way, normal)[..., None] * normal[:, None]
    size = np.linalg.norm(lateral, axis=2, keepdims=True)
    rim = source[:, None] + radius[..., None] * lateral / np.maximum(size, 1e-9)
    return np.asarray(radius + np.linalg.norm(capsule[None] - rim, axis=2))


def _radiated(cosine: FloatArray, plate: NDArray[np.bool_], within: NDArray[np.bool_]) -> FloatArray:
    """Directivity of the surfaces in three bands: heads beam upwards of 1 kHz, plates are weak edge-on."""
    front, behind = np.maximum(cosine, 0.0), np.maximum(-cosine, 0.0)
    head = np.stack([1.0 - 0.35 * behind, 0.7 + 0.3 * front - 0.48 * behind, 0.4 + 0.6 * front - 0.33 * behind], axis=2)
    edge = np.abs(cosine)
    disc = np.stack([0.35 + 0.65 * edge, 0.40 + 0.60 * edge, 0.45 + 0.55 * edge], axis=2)
    return np.where(within[..., None], WITHIN_GAIN, np.where(plate[..., None], disc, head))


def _heard(mics: Sequence[Mic], way: FloatArray, straight: FloatArray) -> FloatArray:
    """Directivity of the mics in three bands; rear lobes with the opposite sign are left out."""
    aim = np.array([_unit(tuple(a - p for a, p in zip(m.aim, m.position, strict=True))) for m in mics])
    cosine = -np.einsum("pmi,mi->pm", way, aim) / straight  # 1 if the sound comes from where the mic looks
    amount = np.array([m.cardioid for m in mics])
    off_axis = 0.5 * (1.0 - cosine) * amount
    return np.stack([1.0 - 0.72 * off_axis, 1.0 - 0.86 * off_axis, 1.0 - 0.93 * off_axis], axis=2)


def _unit(vector: Sequence[float]) -> Point:
    size = float(np.linalg.norm(vector))
    return (vector[0] / size, vector[1] / size, vector[2] / size)


# ------------------------------------------------------------------------------------- what is true of them
def direct_arrival(paths: Paths, drum: str, role: str) -> tuple[float, int]:
    """Seconds from the stroke to the first direct sound of a drum at a mic, and the sign of its first motion.

    The sign is 0 (unclear) edge-on to a plate, in a mic inside another drum, and where the two heads of a drum
    reach the mic within 0.4 ms of each other with opposite signs and levels less than 10 dB apart.
    """
    mic = paths.roles.index(role)
    mine = [i for i, p in enumerate(paths.ports) if p.drum == drum]
    loudest = max(float(paths.gain[0, i, mic, 1]) for i in mine)
    # A surface 20 dB under the drum's other one does not make the first motion.
    heard = [i for i in mine if paths.gain[0, i, mic, 1] >= 0.1 * loudest]
    first = min(heard, key=lambda i: float(paths.delay_s[0, i, mic]))
    at_s, sign = float(paths.delay_s[0, first, mic]), int(paths.sign[0, first, mic])
    for i in heard:
        near = paths.delay_s[0, i, mic] - at_s < 4e-4 and paths.sign[0, i, mic] != sign
        if near and paths.gain[0, i, mic, 1] > 0.316 * paths.gain[0, first, mic, 1]:
            sign = 0
    enclosed = paths.enclosed[mic] not in (None, drum)
    if enclosed or (paths.ports[first].kind == "plate" and abs(paths.cosine[first, mic]) < CLEAR_PLATE_COSINE):
        sign = 0
    return at_s, sign
