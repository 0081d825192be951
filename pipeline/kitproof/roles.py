"""Roles: what a microphone is there for, and which drum it belongs to.

The vocabulary is small and closed; names.py reads it out of file names.
"""

from __future__ import annotations

# role -> how the report calls it
LABELS: dict[str, str] = {
    "kick": "kick", "kick-in": "kick in", "kick-out": "kick out",
    "snare-top": "snare top", "snare-bottom": "snare bottom", "snare-side": "snare side",
    "hi-hat": "hi-hat",
    "rack-tom-1": "rack tom 1", "rack-tom-2": "rack tom 2", "rack-tom-3": "rack tom 3", "rack-tom-4": "rack tom 4",
    "floor-tom": "floor tom", "floor-tom-2": "floor tom 2",
    "ride": "ride",
    "overhead": "overhead", "overhead-left": "overhead left", "overhead-right": "overhead right",
    "underhead-left": "under-cymbal left", "underhead-right": "under-cymbal right",
    "room": "room", "room-left": "room left", "room-right": "room right",
    "click": "click", "talkback": "talkback", "other": "other",
}  # fmt: skip

# role -> the drum it stands at; a role that is not here belongs to none
DRUM_OF_ROLE: dict[str, str] = {
    "kick": "kick", "kick-in": "kick", "kick-out": "kick",
    "snare-top": "snare", "snare-bottom": "snare", "snare-side": "snare",
    "hi-hat": "hi-hat",
    "rack-tom-1": "rack-tom-1", "rack-tom-2": "rack-tom-2", "rack-tom-3": "rack-tom-3", "rack-tom-4": "rack-tom-4",
    "floor-tom": "floor-tom", "floor-tom-2": "floor-tom-2",
    "ride": "ride",
}  # fmt: skip

# drum -> roles that may be its own close mic, best first: the one whose arrival is the hit's time
OWN_MIC_ORDER: dict[str, tuple[str, ...]] = {
    "kick": ("kick-in", "kick", "kick-out"),
    "snare": ("snare-top", "snare-side", "snare-bottom"),
    "hi-hat": ("hi-hat",),
    "rack-tom-1": ("rack-tom-1",), "rack-tom-2": ("rack-tom-2",),
    "rack-tom-3": ("rack-tom-3",), "rack-tom-4": ("rack-tom-4",),
    "floor-tom": ("floor-tom",), "floor-tom-2": ("floor-tom-2",),
    "ride": ("ride",),
}  # fmt: skip

DRUM_ORDER: tuple[str, ...] = (*OWN_MIC_ORDER, "unmiked")

# drums with a head: they fall slowly in every band; closing hats fall at once
SHELLS: tuple[str, ...] = tuple(drum for drum in OWN_MIC_ORDER if drum not in ("hi-hat", "ride"))

DISTANT_ROLES: tuple[str, ...] = (
    "overhead", "overhead-left", "overhead-right", "underhead-left", "underhead-right",
    "room", "room-left", "room-right",
)  # fmt: skip

# left and right of a spaced pair
PAIRS: tuple[tuple[str, str], ...] = (
    ("overhead-left", "overhead-right"),
    ("underhead-left", "underhead-right"),
    ("room-left", "room-right"),
)

NOT_A_KIT_MIC: tuple[str, ...] = ("click", "talkback", "other")


def drum_label(drum: str) -> str:
    """How the report calls a drum: "rack tom 1", "hi-hat"."""
    return "hi-hat" if drum == "hi-hat" else drum.replace("-", " ")
