"""Takes of the modelled kit as the search for hits sees them, and how its strokes compare with the truth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import mir_eval
import numpy as np

from kitproof.demo import NO_PLAN, DemoTruth, Stroke, TakeSpec, render_take
from kitproof.measure.hits import Stroke as Found
from kitproof.measure.hits import find_hits
from kitproof.measure.onsets import OnsetMeter, OnsetTrack
from kitproof.model import FloatArray
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE, OWN_MIC_ORDER


def played(
    strokes: Iterable[Stroke], *, rate_hz: int = 48000, seed: int = 1
) -> tuple[dict[str, FloatArray], DemoTruth]:
    """A take of these strokes, with 1.5 s to ring at the end."""
    some = tuple(sorted(strokes, key=lambda s: s.time_s))
    spec = TakeSpec(rate_hz=rate_hz, seed=seed, plan=NO_PLAN, strokes=some, length_s=some[-1].time_s + 1.5)
    return render_take(spec)


def tracks_of(stems: Mapping[str, FloatArray], rate_hz: int = 48000) -> dict[str, OnsetTrack]:
    """The onset track of every channel."""
    out = {}
    for role, samples in stems.items():
        meter = OnsetMeter(rate_hz)
        meter.push(samples)
        out[role] = meter.result()
    return out


def search(tracks: Mapping[str, OnsetTrack]) -> tuple[Found, ...]:
    """All strokes, each channel's role being its file."""
    firsts = {drum: next((r for r in roles if r in tracks), None) for drum, roles in OWN_MIC_ORDER.items()}
    own = {drum: role for drum, role in firsts.items() if role}
    close = [r for r in tracks if r in DRUM_OF_ROLE]
    far = [r for r in DISTANT_ROLES if r in tracks]
    return find_hits(tracks, own, close, far)


def times(hits: Iterable[Found], drum: str) -> FloatArray:
    """When a drum was hit, s."""
    return np.array(sorted(h.time_s for h in hits if h.drum == drum))


def true_times(truth: DemoTruth, drum: str) -> FloatArray:
    """When it really was."""
    return np.array(sorted(h.time_s for h in truth.hits if h.drum == drum))


def f_measure(reference: FloatArray, found: FloatArray, window_s: float) -> float:
    """Harmonic mean of precision and recall, each true time matched at most once."""
    if len(reference) == 0 or len(found) == 0:
        return float(len(reference) == len(found))
    return float(mir_eval.onset.f_measure(reference, found, window=window_s)[0])
