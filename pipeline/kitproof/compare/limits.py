"""When two takes are called different: one limit a kind of change, with its unit, reason and source."""

from __future__ import annotations

from kitproof.comparison import LimitSaid, Word

OWN = "own choice"
PRACTICE = "common practice"


def _said(name: str, value: float, unit: str, reason: str, source: str) -> LimitSaid:
    return LimitSaid(name=name, value=value, unit=unit, reason=reason, source=source)


LIMITS: dict[str, LimitSaid] = {
    limit.name: limit
    for limit in (
        _said("gain", 1.0, "dB", "the finest step of most gain knobs; smaller ones are mended with a fader", PRACTICE),
        _said("all-levels", 1.0, "dB", "shared by the gains of all mics; as for gain", OWN),
        _said("strength", 1.0, "dB", "no player repeats a whole take more evenly", PRACTICE),
        _said("closeness", 1.0, "dB", "own drum against all others in its mic; as for gain", OWN),
        _said("noise", 3.0, "dB", "rooms differ by so much from one minute to the next", OWN),
        _said("hum", 3.0, "dB", "as for noise", OWN),
        _said("click-bleed", 3.0, "dB", "a turn of the head does as much", OWN),
        _said("pitch", 25.0, "cent", "of the late ring; more is heard where takes are cut together", PRACTICE),
        _said("early-pitch", 50.0, "cent", "of the first moment, which bends with the stroke", PRACTICE),
        _said("decay", 25.0, "%", "fewer are not told apart from the scatter of strokes", OWN),
        _said("wires", 2.0, "dB", "wires against drum in the snare's lower mic", PRACTICE),
        _said("hat-closing", 6.0, "dB", "how far a stroke falls in 135 ms; an opened pair rings far longer", OWN),
        _said("tone", 2.0, "dB", "treble against lows, level taken out; a mic a few cm aside does as much", PRACTICE),
        _said("bleed", 2.0, "dB", "strength of both drums taken out", OWN),
        _said("attack", 0.5, "ms", "strokes of one strength differ by so much", OWN),
        _said("crest", 1.0, "dB", "as for level", OWN),
        _said("tempo", 0.5, "bpm", "takes further apart cannot be cut together without stretching", OWN),
        _said("move", 0.15, "ms", "5 cm: no mic moves so far by itself", PRACTICE),
        _said("stroke-off", 25.0, "ms", "off the drum's own habit: more than twice what a steady player scatters", OWN),
        _said("level-matched", 0.5, "dB", "louder is not better: smaller differences are not heard as such", PRACTICE),
    )
}
SIGMAS = 2.0  # within so many errors nothing is called a change
UNCLEAR = 3.0  # limits: beyond it an uncertain figure hides a change that matters, so it is not called the same


def limit(name: str) -> float:
    """The limit's value."""
    return LIMITS[name].value


def word(value: float, error: float, most: float) -> Word:
    """What a difference is called.

    "same" up to the limit, and within two errors; "unclear" where two errors are wider than three limits, as there
    a change that matters may hide. Source: two errors, common practice (95 %); three limits, own choice.
    """
    if abs(value) <= most:
        return "same"
    if abs(value) > SIGMAS * error:
        return "changed"
    return "unclear" if SIGMAS * error > UNCLEAR * most else "same"
