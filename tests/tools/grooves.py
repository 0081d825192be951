"""Written grooves, and a player who is not a machine.

A bar maps a limb's instrument to a string; the bar is divided evenly by the string's length, so 16 signs are
sixteenths and 12 are triplets. Signs:

    .  nothing      s  as soft as a brush      g  ghost note      p m f  soft, middling, loud
    A  accent       x  flam: a grace note 22 to 34 ms before a loud one

Source: own music. Timing spreads of a few milliseconds a stroke around a slowly wandering tempo are common
for practised players.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

Bar = Mapping[str, str]

STRENGTH = {"s": 0.10, "g": 0.20, "p": 0.40, "m": 0.58, "f": 0.78, "A": 0.97, "x": 0.85}
STRENGTH_SPREAD = 0.05
SOFTEST = 0.05
FLAM_GAP_S = (0.022, 0.034)
GRACE = 0.45  # strength of the grace note against the main one
COUNT_IN_S = 1.5  # quiet at both ends: there the noise floor can be heard
LET_RING_S = 3.0
TEMPO_SPREAD = 0.012  # one standard deviation of the wandering tempo
# usual place against the beat, and spread, ms: hats push, the snare lies back
FEEL_MS = {"kick": (0.0, 4.0), "snare": (4.0, 5.0), "hi-hat": (-3.0, 3.5), "hi-hat-open": (-3.0, 4.0)}
OTHER_FEEL_MS = (1.0, 5.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Groove:
    """Written music: `bars` in order, each of `beats` beats; played to a click, its tempo does not wander."""

    name: str
    tempo_bpm: float
    bars: tuple[Bar, ...]
    beats: int = 4
    tempo_spread: float = TEMPO_SPREAD


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """One stroke: when it is meant to sound, on what, and how hard, 0 to 1."""

    time_s: float
    instrument: str
    strength: float


# ------------------------------------------------------------------------------------ street, 108
_STREET: Bar = {
    "hi-hat": "f.m.f.m.f.m.f.m.",
    "snare": "....A..g.g..A..g",
    "kick": "A......m..f.....",
}
_STREET_OPEN: Bar = {
    "hi-hat": "f.m.f.m.f.m.f...",
    "hi-hat-open": "..............f.",
    "snare": "..g.A....g.gA...",
    "kick": "A..m....A.f.....",
}
_STREET_CRASH: Bar = {**_STREET, "hi-hat": "..m.f.m.f.m.f.m.", "crash-left": "A..............."}
_STREET_FILL: Bar = {
    "hi-hat": "f.m.f.m.........",
    "snare": "....A...fm......",
    "rack-tom-1": "..........Am....",
    "rack-tom-2": "............Am..",
    "floor-tom": "..............AA",
    "kick": "A.....f...f.....",
}
_STREET_END: Bar = {"crash-left": "A.....", "crash-right": "A.....", "kick": "A....."}

# ------------------------------------------------------------------------------------ sprint, 174
_SPRINT: Bar = {
    "hi-hat": "fmfmfmfm",
    "snare": "..A...A.",
    "kick": "A..fA.f.",
}
_SPRINT_CRASH: Bar = {**_SPRINT, "hi-hat": "..fmfmfm", "crash-right": "A......."}
_SPRINT_DOUBLES: Bar = {"ride": "f.m.f.m.f.m.f.m.", "snare": "....A.......A...", "kick": "AmfmAmfmAmfmAmfm"}
_SPRINT_FILL: Bar = {
    "snare": "AmfmAfff........",
    "rack-tom-1": "........AfA.....",
    "floor-tom": "............AfAf",
    "kick": "A.......A.......",
}

# ------------------------------------------------------------------------------------ river, 88, in triplets
_RIVER: Bar = {
    "ride": "f..m.pf..m.p",
    "snare": "...A.g..gA..",
    "kick": "A.......f...",
}
_RIVER_BACK: Bar = {"ride": "f.pm.pf.pm.p", "snare": "..gA.g..gA.g", "kick": "A....mf....."}
_RIVER_FLAM: Bar = {
    "ride": "f..m........",
    "snare": "...A.gx..x..",
    "rack-tom-2": "........f..f",
    "floor-tom": "..........f.",
    "kick": "A.....m.....",
}
_RIVER_CRASH: Bar = {
    "crash-right": "A...........",
    "ride": "...m.pf.pm.p",
    "snare": "...A.g..gA.g",
    "kick": "A.....m.....",
}

# ------------------------------------------------------------------------------------ late lamp, 72, soft
_LAMP: Bar = {
    "snare": "sgsssgsssgsssgss",
    "ride": "p...s.p.p...s.p.",
    "kick": "g.......s.....g.",
}
_LAMP_HAT: Bar = {"snare": "s.sgs.sss.sgs.ss", "hi-hat": "....p.......p...", "kick": "g.........g....."}
_LAMP_RISE: Bar = {
    "snare": "ssssggggppppmmff",
    "hi-hat": "....p...p...m...",
    "kick": "g...g...p...m...",
}
_LAMP_FULL: Bar = {
    "crash-left": "f...............",
    "ride": "....m.m.m.m.m.m.",
    "snare": "....f..g....f.g.",
    "kick": "f.....p.f.......",
}

# ------------------------------------------------------------------------------------ drum dance, 126
_DANCE: Bar = {
    "floor-tom": "A..f..f.A..f..f.",
    "rack-tom-1": "....f.......f..m",
    "snare": "....A.......x...",
    "kick": "A...A...A...A...",
}
_DANCE_CHINA: Bar = {**_DANCE, "china": "A.......A......."}
_DANCE_TOMS: Bar = {
    "rack-tom-1": "Aff.....x.......",
    "rack-tom-2": "...Aff......f...",
    "rack-tom-3": "......Af....A...",
    "floor-tom": "..........A...A.",
    "kick": "A.......A.....A.",
}
_DANCE_HATS: Bar = {
    "hi-hat": "f.m...m.f.m...m.",
    "hi-hat-open": "....f.......f...",
    "snare": "..g.A..g.gg.A.g.",
    "kick": "A..f....A.f.....",
}

GROOVES: tuple[Groove, ...] = (
    Groove(
        name="street",
        tempo_bpm=108.0,
        bars=(_STREET_CRASH, _STREET_OPEN, _STREET, _STREET_FILL) * 2 + (_STREET_END,),
    ),
    Groove(
        name="sprint",
        tempo_bpm=174.0,
        bars=(_SPRINT_CRASH, _SPRINT, _SPRINT, _SPRINT_FILL, *(_SPRINT_DOUBLES,) * 3, _SPRINT_FILL) * 2
        + (_STREET_END,),
    ),
    Groove(
        name="river",
        tempo_bpm=88.0,
        bars=(_RIVER, _RIVER_BACK, _RIVER, _RIVER_FLAM, _RIVER_CRASH, _RIVER_BACK, _RIVER, _RIVER_FLAM, _STREET_END),
    ),
    Groove(
        name="late lamp",
        tempo_bpm=72.0,
        bars=(_LAMP, _LAMP_HAT, _LAMP, _LAMP_RISE, _LAMP_FULL, _LAMP_FULL, _LAMP),
    ),
    Groove(
        name="drum dance",
        tempo_bpm=126.0,
        bars=(_DANCE_CHINA, _DANCE, _DANCE_HATS, _DANCE_TOMS) * 2 + (_DANCE_HATS, _STREET_END),
    ),
)


def play(groove: Groove, rng: np.random.Generator) -> tuple[Played, ...]:
    """One performance in time order; another generator state is another performance."""
    bar_s = groove.beats * 60.0 / groove.tempo_bpm
    strokes: list[Played] = []
    start_s, drift = COUNT_IN_S, 0.0
    for bar in groove.bars:
        drift = 0.7 * drift + float(rng.normal(0.0, 0.7 * groove.tempo_spread))
        length_s = bar_s * (1.0 + drift)
        for instrument, signs in bar.items():
            for place, sign in enumerate(signs):
                if sign != ".":
                    strokes += _strike(instrument, sign, start_s + length_s * place / len(signs), rng)
        start_s += length_s
    return tuple(sorted(strokes, key=lambda stroke: stroke.time_s))


def _strike(instrument: str, sign: str, at_s: float, rng: np.random.Generator) -> Iterator[Played]:
    """The stroke a sign stands for, two if it is a flam."""
    place_ms, spread_ms = FEEL_MS.get(instrument, OTHER_FEEL_MS)
    # A deviation of more than 2.5 spreads would be a mistake.
    at_s += (place_ms + spread_ms * float(np.clip(rng.normal(), -2.5, 2.5))) / 1e3
    strength = float(np.clip(STRENGTH[sign] + rng.normal(0.0, STRENGTH_SPREAD), SOFTEST, 1.0))
    if sign == "x":
        yield Played(time_s=at_s - float(rng.uniform(*FLAM_GAP_S)), instrument=instrument, strength=GRACE * strength)
    yield Played(time_s=at_s, instrument=instrument, strength=strength)
