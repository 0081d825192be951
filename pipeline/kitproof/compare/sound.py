"""What else changed of channels and drums: noise, hum, click, tuning, decay, wires, hat, tone, tempo."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from math import hypot, sqrt

import numpy as np

from kitproof.compare.align import Pairing
from kitproof.compare.levels import MEDIAN, NOISE_ERROR_DB, Levels
from kitproof.compare.limits import limit, word
from kitproof.comparison import Change, Kind, Switch
from kitproof.model import HitPicture, Measurements
from kitproof.observed.instrument import DrumRing
from kitproof.reasons import (
    ALL_MOVED,
    BEAT_NOT_IN_BOTH,
    CLICK_NOT_IN_BOTH,
    FEW_EARLY,
    FEW_IN_ONE,
    HUM_IN_ONE,
    NO_MEAN_STROKE,
    NOT_IN_BOTH,
    OTHER_MODE,
    OTHER_STRENGTH,
    PITCH_NOT_IN_BOTH,
    STROKE_NOT_IN_BOTH,
)

HUM_ERROR_DB = 1.0  # own choice: mains hum keeps its level over minutes, its meter is good to that
PITCH_ERROR_CENT = 3.0  # beside the scatter of strokes: how well the late ring of a whole take repeats
EARLY_ERROR_CENT = 15.0  # the same for the first moment
SAME_STRENGTH_DB = 2.0  # of strokes whose early pitch may be compared
FEWEST_LATE = 5  # strokes behind a late pitch that is compared; fewer agree by chance
FEWEST_EARLY = 8  # strokes behind an early pitch that is compared
OTHER_MODE_CENT = 500.0  # beyond it, another mode of the drum was read: no lug is turned so far between takes
DECAY_ERROR = 0.10  # of a decay, as a share. Own choice: rings are overlaid by others
WIRES_ERROR_DB = 0.5
HAT_ERROR_DB = 6.0  # of one stroke
TONE_ERROR_DB = 0.5
BANDS_ALIKE = 4.0  # third octaves that scatter together. Own choice: what rings along fills an octave and more
FEWEST_STROKES = 12  # behind a mean stroke: in fewer, what sounds at the same time does not average out
TONE_PER_STRENGTH = 0.3  # dB of tilt a dB of strength; harder strokes are brighter. Own choice
PLATES = ("hi-hat", "ride")
LOW_HZ, HIGH_HZ = 100.0, 8000.0  # what a tilt is read from


def changes(p: Pairing, levels: Levels) -> Iterator[Change]:
    """All of them for one take against the reference."""
    yield from _channels(p, levels)
    yield from _rings(p, levels)
    yield from _wires(p)
    yield from _hat(p)
    yield from _tones(p, levels)
    yield _tempo(p)


def made(
    p: Pairing, kind: Kind, value: float | None, error: float | None, reason: str, *, unit: str = "dB",
    file: str | None = None, drum: str | None = None, n: int = 1, most: float | None = None,
) -> Change:  # fmt: skip
    """One change, or its reason where value or error are None."""
    most = limit(kind) if most is None else most
    if value is None or error is None:
        return Change(take=p.number, kind=kind, file=file, drum=drum, value=None, unit=unit, error=None, limit=most,
                      word=None, n=0, unmeasured=dict.fromkeys(Change.NULLABLE, reason))  # fmt: skip
    return Change(take=p.number, kind=kind, file=file, drum=drum, value=value, unit=unit, error=error, limit=most,
                  word=word(value, error, most), n=n)  # fmt: skip


# ---------------------------------------------------------------- channels
def _channels(p: Pairing, levels: Levels) -> Iterator[Change]:
    hums = [{f.file: f.hum.level_dbfs for f in r.measurements.faults} for r in (p.ref, p.other)]
    clicks = [{c.file: c.level_db for c in r.measurements.click_bleed} for r in (p.ref, p.other)]
    for a, b in p.channels:
        gain = levels.gain.get(a.file)
        turned, unsure = (gain.value, gain.error) if gain else (None, None)
        turned, unsure = (0.0, 0.0) if turned is None or abs(turned) <= limit("gain") else (turned, unsure)
        rise = partial(_rise, p, a.file, turned or 0.0, unsure or 0.0)
        if gain is not None and gain.reason == ALL_MOVED:
            yield made(p, "noise", None, None, ALL_MOVED, file=a.file)
            continue
        yield rise("noise", a.noise_floor_dbfs, b.noise_floor_dbfs, NOISE_ERROR_DB, NOT_IN_BOTH)
        h0, h1 = hums[0].get(a.file), hums[1].get(b.file)
        if h0 is not None or h1 is not None:
            yield rise("hum", h0, h1, HUM_ERROR_DB, HUM_IN_ONE)
        c0, c1 = clicks[0].get(a.file), clicks[1].get(b.file)
        if c0 is not None or c1 is not None:
            yield rise("click-bleed", c0, c1, HUM_ERROR_DB, CLICK_NOT_IN_BOTH)


def hum_switches(p: Pairing) -> Iterator[Switch]:
    """Mics in which hum stands out in one of the takes only."""
    hums = [{f.file: f.hum.level_dbfs for f in r.measurements.faults} for r in (p.ref, p.other)]
    for a, b in p.channels:
        before, after = hums[0].get(a.file), hums[1].get(b.file)
        if (before is None) != (after is None):
            yield Switch(take=p.number, kind="hum", file=a.file, before=_level(before), after=_level(after), n=1)


def _level(dbfs: float | None) -> str:
    return "" if dbfs is None else f"{dbfs:.1f} dBFS"


def _rise(
    p: Pairing, file: str, turned: float, unsure: float, kind: Kind, before: float | None, after: float | None,
    error: float, reason: str,
) -> Change:  # fmt: skip
    value = None if before is None or after is None else _unexplained(after - before, turned)
    return made(p, kind, value, hypot(error, unsure), reason, file=file)


def _unexplained(rise_db: float, turned_db: float) -> float:
    """What of a rise a gain does not explain: noise from before it is turned with it, noise from after it is not."""
    return rise_db - min(max(rise_db, min(turned_db, 0.0)), max(turned_db, 0.0))


# ---------------------------------------------------------------- drums
def _rings(p: Pairing, levels: Levels) -> Iterator[Change]:
    after = {r.drum: r for r in p.other.measurements.observed.rings}
    for r in p.ref.measurements.observed.rings:
        other = after.get(r.drum)
        if other is None or r.drum not in p.drums:
            continue
        yield _pitch(p, r, other, levels)
        ratio = None if not r.decay_s or not other.decay_s else 100.0 * (other.decay_s / r.decay_s - 1.0)
        error = 100.0 * DECAY_ERROR * sqrt(2.0)
        n = min(r.late_n, other.late_n)
        yield made(p, "decay", ratio, error, NOT_IN_BOTH, unit="%", file=r.file, drum=r.drum, n=n)


def _pitch(p: Pairing, a: DrumRing, b: DrumRing, levels: Levels) -> Change:
    """In cents: of the late ring, else of the first moment where the strokes were equally hard."""
    if a.late_hz and b.late_hz and min(a.late_n, b.late_n) >= FEWEST_LATE:
        cents = 1200.0 * math.log2(b.late_hz / a.late_hz)
        spreads = [MEDIAN * (r.late_spread_cents or 0.0) / sqrt(max(r.late_n, 1)) for r in (a, b)]
        most, error, n = limit("pitch"), hypot(PITCH_ERROR_CENT, *spreads), min(a.late_n, b.late_n)
    elif a.early_hz and b.early_hz:
        if min(a.n_strokes, b.n_strokes) < FEWEST_EARLY:
            few = FEW_EARLY.format(least=FEWEST_EARLY)
            return made(p, "pitch", None, None, few, unit="cent", file=a.file, drum=a.drum)
        if abs(levels.strength_db(a.drum)) > SAME_STRENGTH_DB:
            return made(p, "pitch", None, None, OTHER_STRENGTH, unit="cent", file=a.file, drum=a.drum)
        cents = 1200.0 * math.log2(b.early_hz / a.early_hz)
        spreads = [MEDIAN * (r.early_spread_cents or 0.0) / sqrt(max(r.n_strokes, 1)) for r in (a, b)]
        most, error, n = limit("early-pitch"), hypot(EARLY_ERROR_CENT, *spreads), min(a.n_strokes, b.n_strokes)
    else:
        return made(p, "pitch", None, None, PITCH_NOT_IN_BOTH, unit="cent", file=a.file, drum=a.drum)
    if abs(cents) > OTHER_MODE_CENT:
        return made(p, "pitch", None, None, OTHER_MODE, unit="cent", file=a.file, drum=a.drum)
    return made(p, "pitch", cents, error, "", unit="cent", file=a.file, drum=a.drum, n=n, most=most)


def _wires(p: Pairing) -> Iterator[Change]:
    after = {p.here.get(w.file, ""): w for w in p.other.measurements.observed.wire_shares}
    lower = {c.file for c in p.ref.measurements.take.channels if c.role == "snare-bottom"}
    for w in p.ref.measurements.observed.wire_shares:
        other = after.get(w.file)
        if other is None or w.file not in lower:
            continue
        known = w.share_db is not None and other.share_db is not None
        value = float(other.share_db or 0.0) - float(w.share_db or 0.0) if known else None
        spreads = [MEDIAN * (x.scatter_db or 3.0) / sqrt(max(x.n_strokes, 1)) for x in (w, other)]
        n = min(w.n_strokes, other.n_strokes)
        yield made(p, "wires", value, hypot(WIRES_ERROR_DB, *spreads), NOT_IN_BOTH, file=w.file, drum="snare", n=n)


def _hat(p: Pairing) -> Iterator[Change]:
    """How fast the hat's strokes fall; slower: it was played more open."""
    file = p.own.get("hi-hat")
    voices = [next((v for v in m.observed.voices if v.file == f), None) for m, f in _both(p, file)]
    if file is None or voices[0] is None or voices[1] is None:
        return
    a, b = voices[0], voices[1]
    known = a.high_fall_db is not None and b.high_fall_db is not None
    value = float(b.high_fall_db or 0.0) - float(a.high_fall_db or 0.0) if known else None
    spreads = [MEDIAN * HAT_ERROR_DB / sqrt(max(v.n_strokes, 1)) for v in (a, b)]
    n = min(a.n_strokes, b.n_strokes)
    yield made(p, "hat-closing", value, hypot(*spreads), STROKE_NOT_IN_BOTH, file=file, drum="hi-hat", n=n)


def _both(p: Pairing, file: str | None) -> tuple[tuple[Measurements, str], ...]:
    return (p.ref.measurements, file or ""), (p.other.measurements, p.there.get(file or "", ""))


def _tones(p: Pairing, levels: Levels) -> Iterator[Change]:
    after = {p.here.get(x.file, ""): x for x in p.other.strokes}
    before = {x.file: x for x in p.ref.strokes}
    for c, _ in p.channels:
        a, b = before.get(c.file), after.get(c.file)
        if c.drum is None or c.drum not in p.drums or c.drum in PLATES:
            continue  # a plate's mean stroke holds all that is struck with it
        if a is None or b is None or a.drum != b.drum or not len(a.spectrum_hz):
            yield made(p, "tone", None, None, NO_MEAN_STROKE, file=c.file, drum=c.drum)
            continue
        if min(a.n_hits, b.n_hits) < FEWEST_STROKES:
            few = FEW_IN_ONE.format(least=FEWEST_STROKES)
            yield made(p, "tone", None, None, few, file=c.file, drum=c.drum)
            continue
        tilt, error = tilt_change(a, b)
        error = hypot(error, TONE_ERROR_DB, TONE_PER_STRENGTH * levels.strength_db(c.drum))
        yield made(p, "tone", tilt, error, NO_MEAN_STROKE, file=c.file, drum=c.drum, n=min(a.n_hits, b.n_hits))


def tilt_change(a: HitPicture, b: HitPicture) -> tuple[float, float]:
    """How much the mean stroke's treble rose against its lows, dB over all octaves, and its standard error.

    A line through the difference of third octaves over the logarithm of frequency; a change of level drops out.
    The error is the line's own, from what the bands scatter about it. Source: own choice.
    """
    hz = np.intersect1d(np.round(a.spectrum_hz, 1), np.round(b.spectrum_hz, 1))
    inside = hz[(hz >= LOW_HZ) & (hz <= HIGH_HZ)]
    first, second = (
        np.array([float(x.spectrum_dbfs[int(np.argmin(np.abs(x.spectrum_hz - f)))]) for f in inside]) for x in (a, b)
    )
    known = np.isfinite(first) & np.isfinite(second)
    if known.sum() < 4:
        return 0.0, 99.0
    x, y = np.log2(inside[known]), (second - first)[known]
    x = x - x.mean()
    slope = float(np.sum(x * (y - y.mean())) / np.sum(x**2))
    left = y - y.mean() - slope * x
    octaves = math.log2(HIGH_HZ / LOW_HZ)
    error = float(np.sqrt(BANDS_ALIKE * np.sum(left**2) / (len(x) - 2) / np.sum(x**2)))
    return slope * octaves, error * octaves


def _tempo(p: Pairing) -> Change:
    grids = [r.measurements.observed.grids for r in (p.ref, p.other)]
    if not grids[0] or not grids[1]:
        return made(p, "tempo", None, None, BEAT_NOT_IN_BOTH, unit="bpm")
    a, b = grids[0][0], grids[1][0]
    n = [max(len(g.beats_s) // 8, 1) for g in (a, b)]
    error = hypot(*(MEDIAN * g.tempo_spread_bpm / 1.35 / sqrt(k) for g, k in zip((a, b), n, strict=True)))
    return made(p, "tempo", b.tempo_bpm - a.tempo_bpm, error, BEAT_NOT_IN_BOTH, unit="bpm", n=min(n))
