"""A drum's tuning log: the figures of ring.py over all its strokes, and whether the pitch moved during the take.

Source
------
Own work. The late ring still depends a little on how hard the stroke was where it is read early; a drift is therefore
fitted together with the strength, and its error comes from what neither explains. A straight line is fitted: a drum
that goes off at once comes out up to half as much again.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from kitproof.measure import ring
from kitproof.measure.excerpts import DrumTimes
from kitproof.measure.ring import Float64Array
from kitproof.measure.sympathy import sympathetic_rings
from kitproof.measure.views import ChannelView
from kitproof.observed.instrument import DrumRing, SympatheticRing
from kitproof.reasons import (
    DAMPED,
    FEW_STROKES,
    FEW_WITH_PITCH,
    NO_DECAY,
    NO_PITCH,
    NO_SECOND_TONE,
    SAME_STRENGTH,
    STROKES_DISAGREE,
)

# Where the lowest mode of a drum lies, Hz. Common practice; wide, as sizes and tunings are.
MODE_BAND_HZ: dict[str, tuple[float, float]] = {
    "kick": (40.0, 110.0), "snare": (120.0, 400.0), "rack-tom": (60.0, 280.0), "floor-tom": (40.0, 170.0),
}  # fmt: skip
MOST_TAILS = 24
MOST_EARLY = 40
LONG_TAIL_S = 1.25
EARLY_TAIL_S = 0.2
EARLY_AGREE_CENTS = 150.0  # robust spread; soft to hard strokes make half of it
# Semitones from soft to hard strokes: 2 to 4 on a recorded kit, and a head that is hit harder never sounds lower.
# Beyond, soft and hard ones are read off different modes, and neither is the pitch. Source: own choice of the margin.
EARLY_GLIDE = (-1.0, 6.0)
EARLY_RISE = (0.94, 1.6)  # of the late pitch: where the pitch of a stroke lies
FEWEST_DRIFT = 8
DRIFT_SHARE = 0.5  # of the drum's strokes' span
OUTLIER = 3.5  # robust standard deviations

BEAT_AGREE_HZ = 0.5


def observe_tuning(view: ChannelView) -> Iterator[DrumRing | SympatheticRing]:
    """The tuning log of the drum whose own mic this is, and what a tom rings along with; nothing for cymbals."""
    drum = view.brief.own_drum
    band = next((b for name, b in MODE_BAND_HZ.items() if drum and drum.startswith(name)), None)
    if drum is None or band is None or not view.brief.is_own_mic or drum not in view.brief.drums:
        return
    strokes = view.brief.drums[drum]
    if len(strokes.time_s):
        log = tuning_log(view, strokes, band)
        yield log
        yield from sympathetic_rings(view, log)


def tuning_log(view: ChannelView, strokes: DrumTimes, band_hz: tuple[float, float]) -> DrumRing:
    """All figures of one drum."""
    free_s = np.diff(strokes.time_s, append=view.n_frames / view.rate_hz)
    tails = strokes.take(_long_tails(free_s))
    ringing, rate = _excerpts(view, tails, free_s[_long_tails(free_s)])
    mode = ring.find_mode(ringing, rate, band_hz)
    late = None if mode is None else ring.late_ring(ringing, rate, mode)
    reasons: dict[str, str] = {}
    values: dict[str, float | str | None] = {"beat_hz": _beat(ringing, rate, mode, reasons)}
    figures, fall_db = _late_figures(late, ringing, rate, reasons)
    values |= figures
    late_hz = values["late_hz"]
    is_tom = "tom" in strokes.drum  # damped drums ring on at another mode than the one that is heard
    early_band = (
        (late_hz * EARLY_RISE[0], late_hz * EARLY_RISE[1]) if is_tom and isinstance(late_hz, float) else band_hz
    )
    early = _early_strokes(view, strokes, free_s, early_band)
    values |= _early_figures(*early, reasons)
    values |= _drift_figures(late, tails, early, float(np.ptp(strokes.time_s)), reasons)
    return DrumRing(
        drum=strokes.drum, file=view.file, n_strokes=len(strokes.time_s),
        late_n=0 if late is None else int(np.isfinite(late.hz).sum()), fall_db=fall_db,
        fall_from_s=ring.DECAY_FROM_S, fall_step_s=ring.FALL_STEP_S, unmeasured=reasons, **values,  # type: ignore[arg-type]
    )  # fmt: skip


def _long_tails(free_s: Float64Array) -> NDArray[np.int64]:
    """Strokes that ring longest undisturbed by the next, spread over the take where there are enough."""
    reach = np.flatnonzero(free_s >= LONG_TAIL_S)
    if len(reach) >= MOST_TAILS:
        return np.asarray(reach[np.linspace(0, len(reach) - 1, MOST_TAILS).round().astype(int)])
    return np.sort(np.argsort(-np.minimum(free_s, LONG_TAIL_S), kind="stable")[:MOST_TAILS])


def _excerpts(view: ChannelView, strokes: DrumTimes, free_s: Float64Array) -> tuple[Float64Array, float]:
    """(n_strokes, n) around the strokes at a low rate, NaN from the next stroke of the drum on, and the rate."""
    n = round((ring.LEAD_S + ring.TAIL_S) * view.rate_hz)
    thinned = [
        ring.thin(view.read(round((t - ring.LEAD_S) * view.rate_hz), n), view.rate_hz) for t in strokes.time_s
    ]  # fmt: skip
    out, rate = np.array([x for x, _ in thinned]), thinned[0][1]
    time_s = np.arange(out.shape[1]) / rate - ring.LEAD_S
    out[time_s[None, :] > free_s[:, None] - 0.01] = np.nan
    return out, rate


def _late_figures(
    late: ring.Late | None, ringing: Float64Array, rate: float, reasons: dict[str, str]
) -> tuple[dict[str, float | str | None], tuple[float, ...]]:
    """The figures of the late ring, and the course by which it falls."""
    names = ("late_hz", "late_spread_cents", "late_from_s", "pitch", "pitch_cents", "decay_s", "decay_range_db")
    out: dict[str, float | str | None] = dict.fromkeys(names)
    if late is None:
        reasons |= dict.fromkeys(names, FEW_STROKES if len(ringing) < ring.FEWEST else DAMPED)
        return out, ()
    clear = np.isfinite(late.hz)
    hz = float(np.median(late.hz[clear]))
    pitch, off = ring.nearest_pitch(hz)
    out |= {
        "late_hz": hz, "late_spread_cents": ring.spread(ring.cents(late.hz[clear], hz)), "late_from_s": late.from_s,
        "pitch": pitch, "pitch_cents": off,
    }  # fmt: skip
    time_s, levels = ring.envelopes_db(ringing[clear], rate, hz)
    decay = ring.agreed_decay(time_s, levels)
    if decay is None:
        reasons |= dict.fromkeys(("decay_s", "decay_range_db"), NO_DECAY)
    else:
        out["decay_s"], out["decay_range_db"] = decay
    return out, ring.common_fall(time_s, levels)


def _beat(ringing: Float64Array, rate: float, mode_hz: float | None, reasons: dict[str, str]) -> float | None:
    """Distance of a second tone that most strokes show from the start."""
    found = []
    for x in ringing:
        if mode_hz is not None and ring.free_s(x, rate) >= ring.MODE_S[1]:
            start = ring.start_of_ring(x, rate, mode_hz)
            found.append(None if start is None else ring.two_tones(x, rate, start))
    apart = [f for f in found if f is not None]
    if len(apart) >= max(ring.FEWEST, 0.7 * len(found)) and ring.spread(np.array(apart)) < BEAT_AGREE_HZ:
        return float(np.median(apart))
    reasons["beat_hz"] = NO_SECOND_TONE
    return None


def _drift_figures(
    late: ring.Late | None,
    tails: DrumTimes,
    early: tuple[DrumTimes, Float64Array],
    span_s: float,
    reasons: dict[str, str],
) -> dict[str, float | str | None]:
    """From the late ring; of a snare, which is damped, from the pitch of its strokes."""
    names = ("drift_cents", "drift_error_cents", "drift_span_s", "drift_from")
    found, source = (_early_drift(*early), "early") if tails.drum == "snare" else (None, "late")
    if found is None and late is not None:
        found, source = drift(tails.time_s, late.hz, tails.strength), "late"
    if found is None or found[2] < DRIFT_SHARE * span_s:
        reasons |= dict.fromkeys(names, FEW_WITH_PITCH)
        return dict.fromkeys(names)
    return {**dict(zip(names[:3], found, strict=True)), "drift_from": source}


def _early_drift(chosen: DrumTimes, hz: Float64Array) -> tuple[float, float, float] | None:
    """From the harder half of the strokes: ghost notes are struck elsewhere and softly, and sound another mode."""
    hard = chosen.strength >= np.median(chosen.strength) if len(hz) else np.zeros(0, bool)
    clear = hz[hard & np.isfinite(hz)]
    if not len(clear) or ring.spread(ring.cents(clear, float(np.median(clear)))) > ring.AGREE_CENTS:
        return None
    return drift(chosen.time_s[hard], hz[hard], chosen.strength[hard])


def drift(time_s: Float64Array, hz: Float64Array, strength: Float64Array) -> tuple[float, float, float] | None:
    """Change of pitch from the first stroke to the last, its error, cents, and the time between, s.

    Fitted together with a slope over strength, so that a crescendo is no drift. Strokes far off the rest are left
    out. None with fewer than FEWEST_DRIFT strokes; NaN in `hz` is left out.
    """
    use = np.isfinite(hz)
    if use.sum() < FEWEST_DRIFT:
        return None
    t, level = time_s[use], 20.0 * np.log10(strength[use])
    y = ring.cents(hz[use], float(np.median(hz[use])))
    table = np.column_stack([np.ones(len(t)), (t - t.mean()) / max(float(np.ptp(t)), 1e-9), level - level.mean()])
    kept = np.ones(len(t), bool)
    for _ in range(4):
        fit, *_ = np.linalg.lstsq(table[kept], y[kept], rcond=None)
        rest = y - table @ fit
        kept = np.abs(rest - np.median(rest)) <= OUTLIER * max(ring.spread(rest), 1.0)
        if kept.sum() < FEWEST_DRIFT - 1:
            return None
    noise = float(np.sum(rest[kept] ** 2)) / max(int(kept.sum()) - 3, 1)
    error = np.sqrt(noise * np.linalg.pinv(table[kept].T @ table[kept])[1, 1])
    return float(fit[1]), float(max(error, 0.5)), float(np.ptp(t[kept]))


def _early_strokes(
    view: ChannelView, strokes: DrumTimes, free_s: Float64Array, band_hz: tuple[float, float]
) -> tuple[DrumTimes, Float64Array]:
    """Strokes whose first moments no other of the drum disturbs, and their pitch, NaN where none stands out."""
    usable = np.flatnonzero(free_s >= EARLY_TAIL_S)
    if len(usable) > MOST_EARLY:
        usable = usable[np.linspace(0, len(usable) - 1, MOST_EARLY).round().astype(int)]
    chosen = strokes.take(usable)
    if not len(usable):
        return chosen, np.zeros(0)
    n = round((ring.LEAD_S + EARLY_TAIL_S) * view.rate_hz)
    thinned = [ring.thin(view.read(round((t - ring.LEAD_S) * view.rate_hz), n), view.rate_hz) for t in chosen.time_s]
    return chosen, ring.early_pitch(np.array([x for x, _ in thinned]), thinned[0][1], band_hz)


def _early_figures(chosen: DrumTimes, hz: Float64Array, reasons: dict[str, str]) -> dict[str, float | None]:
    names = ("early_hz", "early_spread_cents", "early_soft_hz", "early_hard_hz", "glide_semitones")
    out: dict[str, float | None] = dict.fromkeys(names)
    clear = np.isfinite(hz)
    if clear.sum() < ring.FEWEST:
        reasons |= dict.fromkeys(names, FEW_STROKES if len(hz) < ring.FEWEST else NO_PITCH)
        return out
    hz, level = hz[clear], 20.0 * np.log10(chosen.strength[clear])
    middle = float(np.median(hz))
    width = ring.spread(ring.cents(hz, middle))
    if width > EARLY_AGREE_CENTS:
        reasons |= dict.fromkeys(names, STROKES_DISAGREE)
        return out
    order, third = np.argsort(level, kind="stable"), len(hz) // 3
    soft, hard = order[:third], order[-third:]
    if len(hz) < ring.FEWEST_GLIDE or np.median(level[hard]) - np.median(level[soft]) < ring.GLIDE_LEAST_DB:
        reasons |= dict.fromkeys(names[2:], SAME_STRENGTH)
        return out | {"early_hz": middle, "early_spread_cents": width}
    soft_hz, hard_hz = float(np.median(hz[soft])), float(np.median(hz[hard]))
    glide = 12.0 * float(np.log2(hard_hz / soft_hz))
    if not EARLY_GLIDE[0] <= glide <= EARLY_GLIDE[1]:
        reasons |= dict.fromkeys(names, STROKES_DISAGREE)
        return out
    out |= {"early_hz": middle, "early_spread_cents": width}
    return out | {"early_soft_hz": soft_hz, "early_hard_hz": hard_hz, "glide_semitones": glide}
