"""The groove as strokes: written steps, played by somebody who is not a machine.

Timing: each stroke lies at its grid place plus the instrument's usual offset plus a normal deviation; within a
bar the deviations share a slow common part, as limbs follow each other. Source: own choice; spreads of a few
milliseconds per limb are common for practised players with a click.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from kitproof.demo.scenario import Groove, Scenario

FLAM_GAP_S = (0.024, 0.032)
FLAM_GRACE = 0.42  # strength of the grace note against the main one
SHARED_SPREAD_MS = 3.0
SOFTEST = 0.12  # a ghost note is still meant to be heard


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One stroke: when stick meets metal or head, on what, how hard; damped after `choke_s` if the hat closes."""

    time_s: float
    instrument: str
    strength: float
    choke_s: float | None = None


def play(scenario: Scenario, rng: np.random.Generator) -> tuple[Stroke, ...]:
    """All strokes of the groove in time order; another generator state is another performance."""
    groove = scenario.groove
    step_s = 60.0 / groove.tempo_bpm / 4.0
    strokes: list[Stroke] = []
    for bar_index, bar in enumerate(groove.bars):
        shared_ms = float(rng.normal(0.0, SHARED_SPREAD_MS))
        for instrument, steps in bar.items():
            for step, mark in enumerate(steps):
                if mark == ".":
                    continue
                grid_s = groove.first_beat_s + (16 * bar_index + step) * step_s
                strokes += _one_mark(groove, instrument, mark, grid_s + shared_ms / 1e3, rng)
    return with_chokes(sorted(strokes, key=lambda s: s.time_s))


def _one_mark(groove: Groove, instrument: str, mark: str, at_s: float, rng: np.random.Generator) -> Iterator[Stroke]:
    mean_ms, spread_ms = groove.feel_ms[instrument]
    # A deviation of more than 2.5 spreads would be a mistake, and this drummer kept the take.
    deviation = float(np.clip(rng.normal(), -2.5, 2.5)) * spread_ms
    at_s += (mean_ms + deviation) / 1e3
    written = 1.0 if mark == "f" else int(mark) / 9.0
    strength = float(np.clip(written + rng.normal(0.0, groove.strength_spread), SOFTEST, 1.0))
    if mark == "f":
        gap_s = float(rng.uniform(*FLAM_GAP_S))
        yield Stroke(time_s=at_s - gap_s, instrument=instrument, strength=strength * FLAM_GRACE)
    yield Stroke(time_s=at_s, instrument=instrument, strength=strength)


def with_chokes(strokes: Sequence[Stroke]) -> tuple[Stroke, ...]:
    """Open hats are closed by the foot when the next stroke on the same hats comes."""
    out = []
    for i, stroke in enumerate(strokes):
        following = (s.time_s for s in strokes[i + 1 :] if s.instrument.startswith("hi-hat"))
        next_s = next(following, None) if stroke.instrument == "hi-hat-open" else None
        out.append(stroke if next_s is None else replace(stroke, choke_s=next_s - stroke.time_s))
    return tuple(out)
