"""A plan of the kit from arrivals: every drum's distance to every distant mic, fitted by places in the room.

A drum's direct sound reaches its own mic at once and a distant mic later; the delay, and the few centimetres to the
own mic, give a distance. Six drums and four mics give two dozen, which leave few ways to stand. What they do not
settle (which way the whole plan is turned, heights of drums) is held by where things usually stand, as a prior with a
wide spread, so that every place comes out with an honest error: where arrivals say little, the error is what is usual.

Conventions: metres; the snare's middle is the origin on the plan; right and ahead as the drummer sits, with the hi-hat
on the left. A kit built the other way round is drawn as its mirror image: arrivals cannot tell.

Source
------
Trilateration with priors: Gauss-Newton on the posterior, its curvature gives the errors (as in any text on inverse
problems). The usual places: common practice, from memory, with spreads that hold most kits.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from kitproof.measure.views import TakeView
from kitproof.model import Channel
from kitproof.observed.plan import KitPlan, Place, TapeCheck
from kitproof.roles import DISTANT_ROLES
from kitproof.units import speed_of_sound_m_s

Floats = NDArray[np.float64]
# right, ahead, height, and how far from there things stand on the plan, and in height
USUAL_DRUM: Mapping[str, tuple[float, float, float, float]] = {
    "snare": (0.0, 0.0, 0.65, 0.001), "kick": (0.25, 0.50, 0.30, 0.15), "hi-hat": (-0.42, 0.12, 0.90, 0.15),
    "rack-tom-1": (-0.05, 0.50, 0.85, 0.25), "rack-tom-2": (0.35, 0.50, 0.85, 0.25),
    "rack-tom-3": (0.65, 0.40, 0.80, 0.30), "rack-tom-4": (0.80, 0.30, 0.75, 0.35),
    "floor-tom": (0.75, 0.00, 0.60, 0.30), "floor-tom-2": (1.0, -0.20, 0.60, 0.40), "ride": (0.80, 0.45, 1.05, 0.35),
}  # fmt: skip
DRUM_HEIGHT_M = 0.10
USUAL_MIC: Mapping[str, tuple[float, float, float, float, float]] = {
    "overhead-left": (-0.50, 0.30, 1.60, 0.60, 0.40), "overhead-right": (0.70, 0.30, 1.60, 0.60, 0.40),
    "overhead": (0.20, 0.20, 1.60, 0.60, 0.40), "underhead-left": (-0.50, 0.50, 0.85, 0.50, 0.30),
    "underhead-right": (0.80, 0.50, 0.85, 0.50, 0.30), "room-left": (-1.20, 2.50, 1.40, 1.50, 0.50),
    "room-right": (1.20, 2.50, 1.40, 1.50, 0.50), "room": (0.00, 2.50, 1.40, 1.80, 0.50),
}  # fmt: skip
ROOM_AHEAD_M = (2.5, -2.0)  # room mics stand in front of the kit, or behind the drummer
RADIUS_M: Mapping[str, float] = {"snare": 0.18, "floor-tom": 0.20, "floor-tom-2": 0.22, "hi-hat": 0.18, "ride": 0.20}
USUAL_RADIUS_M = 0.14
CROWDING_M = 0.03
RACK_TOM_AHEAD_M = 0.10  # rack toms hang over the kick: always in front of the snare
OWN_MIC_M: Mapping[str, float] = {"kick": 0.15, "ride": 0.20, "hi-hat": 0.12}
USUAL_OWN_MIC_M = 0.05
KICK_MIC_M = 0.12  # how far from the beater a kick mic stands differs from kit to kit
SIZE_M = 0.06  # a drum is no point: its direct sound comes from somewhere on the head
MOST_SPREAD_MS = 0.6  # a delay known no better says nothing about a place
FEWEST_DISTANCES, FEWEST_DRUMS = 4, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Distance:
    drum: str
    file: str
    metres: float
    error_m: float


def plan_kit(view: TakeView) -> Iterator[KitPlan]:
    """The plan, if enough drums are heard in a distant mic."""
    heard = list(_distances(view))
    drums = [d for d in USUAL_DRUM if any(one.drum == d for one in heard)]
    if len(heard) < FEWEST_DISTANCES or len(drums) < FEWEST_DRUMS:
        return
    mics = [c for c in view.kit if any(one.file == c.file for one in heard)]
    if "snare" not in drums:
        drums = ["snare", *drums]  # the origin, even where it is not heard
    readings = [_fit(drums, mics, heard, mirrored, room) for mirrored in (False, True) for room in ROOM_AHEAD_M]
    places, errors, misfit_m = min(readings, key=lambda r: r[3])[:3]
    counts = {name: sum(name in (one.drum, one.file) for one in heard) for name in (*drums, *(c.file for c in mics))}
    yield KitPlan(
        places=tuple(
            Place(
                name=name, kind="drum" if n < len(drums) else "mic", right_m=round(float(p[0]), 3),
                ahead_m=round(float(p[1]), 3), height_m=round(float(p[2]), 3), error_m=round(float(e), 3),
                n_distances=counts[name],
            )
            for n, (name, p, e) in enumerate(zip(counts, places, errors, strict=True))
        ),
        misfit_m=round(misfit_m, 3),
        tape=tuple(_tape(mics, heard)),
    )  # fmt: skip


def _distances(view: TakeView) -> Iterator[_Distance]:
    """Every drum's distance to every distant mic that hears it well."""
    channels = {c.file: c for c in view.take.channels}
    speed = speed_of_sound_m_s(view.take.temperature_c)
    for p in view.pairs:
        far, own = channels.get(p.b), channels.get(p.a)
        if far is None or own is None or far.role not in USUAL_MIC or far.role not in DISTANT_ROLES:
            continue
        if p.drum not in USUAL_DRUM or view.own.get(p.drum) != p.a or p.delay_ms is None or p.delay_ms <= 0.0:
            continue
        spread_ms = 0.3 if p.delay_spread_ms is None else p.delay_spread_ms
        if spread_ms > MOST_SPREAD_MS:
            continue
        near_m = own.to_own_drum_m if own.to_own_drum_m is not None else OWN_MIC_M.get(p.drum, USUAL_OWN_MIC_M)
        metres = p.delay_ms / 1000.0 * speed + near_m
        yield _Distance(
            drum=p.drum,
            file=p.b,
            metres=metres,
            error_m=float(
                np.linalg.norm([spread_ms / 1000.0 * speed, SIZE_M, KICK_MIC_M if p.drum == "kick" else 0.0])
            ),
        )


def _fit(
    drums: Sequence[str], mics: Sequence[Channel], heard: Sequence[_Distance], mirrored: bool, room_ahead_m: float
) -> tuple[Floats, Floats, float, float]:
    """(places (n, 3), errors (n,), misfit, cost); mirrored: left and right mics named as the audience sees them."""
    names = [*drums, *(c.file for c in mics)]
    start, spread = _usual(drums, mics, mirrored, room_ahead_m)
    one_of, other_of, apart_m = _neighbours(drums)
    a = np.array([names.index(one.drum) for one in heard])
    b = np.array([names.index(one.file) for one in heard])
    metres = np.array([one.metres for one in heard])
    error = np.array([one.error_m for one in heard])

    def residuals(flat: Floats) -> Floats:
        at = flat.reshape(-1, 3)
        apart = np.linalg.norm(at[a] - at[b], axis=1)
        crowding = np.minimum(np.linalg.norm(at[one_of] - at[other_of], axis=1) - apart_m, 0.0) / CROWDING_M
        off = (apart - metres) / error
        heavy_tailed = np.sign(off) * np.sqrt(
            2.0 * (np.sqrt(1.0 + off**2) - 1.0)
        )  # one wrong arrival must not bend all
        return np.concatenate([heavy_tailed, ((at - start) / spread).ravel(), crowding])

    found = least_squares(residuals, start.ravel())
    at = found.x.reshape(-1, 3)
    slope = np.asarray(found.jac, np.float64)
    covariance = np.linalg.inv(slope.T @ slope)
    errors = [
        np.sqrt(np.linalg.eigvalsh(covariance[3 * n : 3 * n + 2, 3 * n : 3 * n + 2])[-1]) for n in range(len(names))
    ]
    misfit = np.linalg.norm(at[a] - at[b], axis=1) - metres
    return at, np.array(errors), float(np.sqrt(np.mean(misfit**2))), float(found.cost)


def _neighbours(drums: Sequence[str]) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """Every two drums that cannot stand in one another, by index, and how far apart their middles are at least."""
    pairs = [
        (i, j, 0.9 * (RADIUS_M.get(a, USUAL_RADIUS_M) + RADIUS_M.get(b, USUAL_RADIUS_M)))
        for i, a in enumerate(drums) for j, b in enumerate(drums) if i < j and "kick" not in (a, b)
    ]  # fmt: skip
    one, other, apart = zip(*pairs, strict=True) if pairs else ((), (), ())
    return np.array(one, np.int64), np.array(other, np.int64), np.array(apart, np.float64)


def _usual(drums: Sequence[str], mics: Sequence[Channel], mirrored: bool, room_ahead_m: float) -> tuple[Floats, Floats]:
    """(n, 3) usual places and their spreads."""
    places, spreads = [], []
    for drum in drums:
        right, ahead, height, spread = USUAL_DRUM[drum]
        places.append((right, ahead, height))
        ahead_spread = min(spread, RACK_TOM_AHEAD_M) if drum.startswith("rack-tom") else spread
        spreads.append((spread, ahead_spread, DRUM_HEIGHT_M if drum != "snare" else 0.02))
    for c in mics:
        role = c.role
        if mirrored:
            role = role.replace("left", "?").replace("right", "left").replace("?", "right")
        right, ahead, height, spread, up = USUAL_MIC[role]
        ahead = room_ahead_m if role.startswith("room") else ahead
        places.append((right, ahead, height))
        spreads.append((spread, spread, up))
    return np.array(places), np.array(spreads)


def _tape(mics: Sequence[Channel], heard: Sequence[_Distance]) -> Iterator[TapeCheck]:
    for c in mics:
        snare = next((one for one in heard if one.file == c.file and one.drum == "snare"), None)
        if snare is not None and c.to_snare_m is not None:
            yield TapeCheck(
                file=c.file, declared_m=c.to_snare_m, heard_m=round(snare.metres, 3), error_m=round(snare.error_m, 3)
            )
