"""A small take for the checks of interference: four mics, a groove of stick-like strokes, then silence.

Every stroke is heard in every mic, later and softer where it is far; each mic has noise of its own. What a test adds to
one channel or to all is the fault.
"""

from functools import cache
from types import SimpleNamespace

import numpy as np

from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.onsets import OnsetMeter
from synth import noise, strokes

RATE_HZ, SECONDS, LAST_S = 44100, 16.0, 11.0
ROLES = {"snare.wav": "snare-top", "tom.wav": "rack-tom-1", "left.wav": "overhead-left", "right.wav": "overhead-right"}
# drum -> pitch, decay, and level in each channel, dB: the closest mic is loudest
DRUMS = {"snare": (210.0, 0.045, (-10, -38, -24, -25)), "rack-tom-1": (110.0, 0.15, (-40, -10, -25, -27))}
DELAY_S = (0.0, 0.001, 0.003, 0.003)


def stroke_times(rng, step_s=0.37, jitter_s=0.008):
    """Alternating drums, in a player's time."""
    at = np.arange(1.5, LAST_S, step_s)
    at = at + rng.normal(0.0, jitter_s, len(at))
    return {"snare": at[::2], "rack-tom-1": at[1::2]}


def stems(rate_hz=RATE_HZ, noise_dbfs=-78.0, jitter_s=0.008):
    """(signals by file, strokes by drum); whoever changes a signal puts another in its place."""
    signals, times = _stems(rate_hz, noise_dbfs, jitter_s)
    return dict(signals), dict(times)


@cache
def _stems(rate_hz, noise_dbfs, jitter_s):
    rng = np.random.default_rng(1)
    times = stroke_times(rng, jitter_s=jitter_s)
    out = {}
    for k, file in enumerate(ROLES):
        out[file] = noise(SECONDS, noise_dbfs, rng, rate_hz)
        for drum, (hz, decay_s, levels) in DRUMS.items():
            hard = levels[k] + np.random.default_rng(8).normal(0.0, 2.0, len(times[drum]))
            at = (times[drum] + DELAY_S[k]).tolist()
            out[file] += strokes(
                at, seconds=SECONDS, hz=hz, decay_s=decay_s, peak_dbfs=hard.tolist(), rng=rng, rate_hz=rate_hz
            )
    return out, times


def view(signals, times, clues=(), tempo_bpm=None, rate_hz=RATE_HZ):
    """The take as observers of the whole take are shown it."""
    tracks = {}
    for file, x in signals.items():
        meter = OnsetMeter(rate_hz)
        meter.push(x)
        tracks[file] = meter.result()
    drums = {
        d: DrumTimes(
            drum=d, own_file="", time_s=np.asarray(t, float), strength=np.ones(len(t)), clear=np.ones(len(t), bool)
        )
        for d, t in times.items()
    }  # fmt: skip
    return SimpleNamespace(
        kit=tuple(SimpleNamespace(file=f, role=ROLES[f]) for f in signals), tracks=tracks, drums=drums,
        take=SimpleNamespace(tempo_bpm=tempo_bpm), of_kind=lambda kind: [c for c in clues if isinstance(c, kind)],
    )  # fmt: skip


def added(x, at_s, what, rate_hz=RATE_HZ):
    """The same with `what` laid over it from each of the times on."""
    out = x.copy()
    for t in np.atleast_1d(at_s):
        i = round(float(t) * rate_hz)
        part = what[: len(out) - i]
        out[i : i + len(part)] += part
    return out
