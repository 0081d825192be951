"""Where drums and microphones stand, as the arrivals tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One drum or one distant mic on the plan, metres from the middle of the snare."""

    name: str  # the drum, or the mic's file
    kind: Literal["drum", "mic"]
    right_m: float  # as the drummer sits, hi-hat on the left
    ahead_m: float  # towards the front of the kit
    height_m: float  # over the floor; known from arrivals for distant mics only, for drums what is usual
    error_m: float  # 68 %: half the longer axis on the plan
    n_distances: int  # arrivals it rests on


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeCheck:
    """A declared distance from a mic to the snare beside the one that the sound took."""

    file: str
    declared_m: float
    heard_m: float
    error_m: float  # 68 %, of the heard one


@dataclass(frozen=True, slots=True, kw_only=True)
class KitPlan:
    """The plan of one take; none without distant mics that hear enough drums."""

    places: tuple[Place, ...]
    misfit_m: float  # root mean square of what the distances still disagree by
    tape: tuple[TapeCheck, ...]
