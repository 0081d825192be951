"""What the finer checks saw: one kind of record each, in a list of its own.

A new kind is a frozen record in the module of its subject and a field here; `Observed.of` puts every record
into the field of its type, so nothing else has to know of it. SCHEMA.md says what the keys mean.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any, get_args, get_type_hints

from kitproof.observed.chain import Break, Closing, GainStep, Gate, HeldBack, Origin, RoutedCopy, Skip
from kitproof.observed.heard import Heard
from kitproof.observed.identity import LineUp, MicVoice
from kitproof.observed.instrument import DrumRing, DrumSound, HatDecay, SympatheticRing, WireBuzz, WireShare
from kitproof.observed.interference import (
    FileEnds,
    LateSound,
    LoneSounds,
    PhoneBursts,
    RestPulses,
    SteadyLines,
)  # fmt: skip
from kitproof.observed.lateness import LateMic
from kitproof.observed.pairs import PairLows
from kitproof.observed.plan import KitPlan
from kitproof.observed.room import HatInSnare, KickAir, Reflection, RoomDecay, Wash
from kitproof.observed.timing import Grid, TimeJump, Timing

__all__ = ["Observed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """All such records of one take, in the order in which they were measured."""

    gain_steps: tuple[GainStep, ...] = ()
    skips: tuple[Skip, ...] = ()
    breaks: tuple[Break, ...] = ()
    routed_copies: tuple[RoutedCopy, ...] = ()
    gates: tuple[Gate, ...] = ()
    closings: tuple[Closing, ...] = ()
    held_back: tuple[HeldBack, ...] = ()
    origins: tuple[Origin, ...] = ()
    grids: tuple[Grid, ...] = ()
    timings: tuple[Timing, ...] = ()
    time_jumps: tuple[TimeJump, ...] = ()
    file_ends: tuple[FileEnds, ...] = ()
    phone_bursts: tuple[PhoneBursts, ...] = ()
    steady_lines: tuple[SteadyLines, ...] = ()
    lone_sounds: tuple[LoneSounds, ...] = ()
    late_sounds: tuple[LateSound, ...] = ()
    rest_pulses: tuple[RestPulses, ...] = ()
    plans: tuple[KitPlan, ...] = ()
    heard: tuple[Heard, ...] = ()
    voices: tuple[MicVoice, ...] = ()
    line_ups: tuple[LineUp, ...] = ()
    late_mics: tuple[LateMic, ...] = ()
    rings: tuple[DrumRing, ...] = ()
    wires: tuple[WireBuzz, ...] = ()
    sympathies: tuple[SympatheticRing, ...] = ()
    wire_shares: tuple[WireShare, ...] = ()
    drum_sounds: tuple[DrumSound, ...] = ()
    hat_decays: tuple[HatDecay, ...] = ()
    pair_lows: tuple[PairLows, ...] = ()
    room_decays: tuple[RoomDecay, ...] = ()
    reflections: tuple[Reflection, ...] = ()
    washes: tuple[Wash, ...] = ()
    hat_spills: tuple[HatInSnare, ...] = ()
    kick_airs: tuple[KickAir, ...] = ()

    @classmethod
    def of(cls, records: Iterable[object]) -> Observed:
        """Every record in the field of its type; records of other types are clues for the measures, not saved."""
        fields: dict[str, list[object]] = {name: [] for name in _field_of_type().values()}
        for record in records:
            name = _field_of_type().get(type(record))
            if name is not None:
                fields[name].append(record)
        sorted_in: dict[str, Any] = {name: tuple(found) for name, found in fields.items()}
        return cls(**sorted_in)

    def records(self) -> tuple[object, ...]:
        """All of them, field by field."""
        return tuple(record for name in _field_of_type().values() for record in getattr(self, name))


@cache
def _field_of_type() -> dict[type, str]:
    return {get_args(hint)[0]: name for name, hint in get_type_hints(Observed).items()}
