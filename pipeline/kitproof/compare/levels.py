"""Gain of a mic or strength of a player: what changed where a level did.

A gain that is turned moves the noise floor and everything the mic hears; a harder stroke moves one drum in all
mics. Unknowns are a change of gain per mic, g, and a change of strength per drum, s, dB. What was observed:

    noise floor of mic m                          g_m
    peaks of drum d in its own mic                s_d + g_own(d) + c_d
    level of drum d in another mic m              s_d + g_m
    level of d in m over the stroke's own peak    g_m - g_own(d) - c_d + e_d
    bleed of d in the mic of drum o               s_d - s_o - c_o

c_d is how much closer the own mic stands to its drum, which foreign sound and noise tell from a gain; a drum's
second mic may stand closer, too, and only noise tells that from its gain. e_d is how far the drum's strokes have
another energy for their peak, as an opened hat's; about 0. A median level errs by the scatter of strokes too, as it
is another stroke's in every mic. Peaks are compared rank by rank, softest with softest: their median alone jumps
where a groove has two kinds of strokes.

Least squares, each observation weighted by its error, outliers held down (Huber). What the observations do not
hold is not given. Without noise floors nothing tells all gains up from all strokes harder. Source: common practice;
P. J. Huber's weights with 1.345 errors.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from kitproof.compare.align import Pairing, Reading
from kitproof.compare.limits import SIGMAS, limit, word
from kitproof.comparison import Change, Kind
from kitproof.model import FloatArray
from kitproof.reasons import ALL_MOVED, DRUM_SLIPPED, FEW_IN_ONE, GAIN_NOT_HELD, NOT_SEEN

NOISE_ERROR_DB = 1.5  # of a change of noise floor. Own choice: rooms and preamps drift by it
LEVEL_ERROR_DB = 0.3  # beside the scatter of strokes: a level is a median of few kinds of strokes
BLEED_ERROR_DB = 2.0  # of a bleed figure, beside its scatter; half of them are closer than that to the truth
SHAPE_ERROR_DB = 0.5  # of e_d. Own choice: strokes of one drum in two takes keep their shape so far
CYMBAL_SHAPE_ERROR_DB = 1.5  # the same for a plate, which is struck in more ways
CLOSE_ERROR_DB = 2.0  # of c_d. Own choice: a drum that slips away from its mic by a few cm does as much
SECOND_CLOSE_ERROR_DB = 1.0  # of a drum's second mic, where only noise could tell a place from a gain
PEAK_ERROR_DB = 0.7  # of peaks rank by rank, beside their scatter: no stroke meets the same spot
MOVED_ERROR_DB = 3.0  # of levels in a mic that was moved, which tell of its place as well
WIDEST_DB = 2.0  # scatter of a drum's strokes in a mic; beyond it the mic hears others at the same time as loud
FEWEST_GAINS = 3  # mics, to say that they share a change
FEWEST_RANKED = 3  # strokes of a drum whose peaks are compared
FEWEST_STROKES = 8  # of a drum, to say that it was struck harder; fewer are a fill or two
HUBER = 1.345
N_ROUNDS = 30
SOLVED = 1e-6  # share of an unknown that may lie outside of what the observations hold
IQR = 1.35  # interquartile range of a normal distribution, in standard deviations
MEDIAN = 1.25  # standard error of a median over that of a mean


@dataclass(frozen=True)
class Estimate:
    """A change in dB with its error, or why there is none; how many observations bear on it."""

    value: float | None
    error: float | None
    n: int
    reason: str = ""


@dataclass(frozen=True)
class Levels:
    """Change of gain by file (of the reference), of strength and of closeness of the own mic by drum."""

    gain: Mapping[str, Estimate]
    strength: Mapping[str, Estimate]
    close: Mapping[str, Estimate]
    relative: Mapping[str, float]  # strength by drum, right up to what all drums share
    common: Estimate = Estimate(None, None, 0, NOT_SEEN)  # what all gains share

    def gain_db(self, file: str) -> float:
        """The change of a mic's gain as far as it is known, else 0."""
        found = self.gain.get(file)
        return found.value if found is not None and found.value is not None else 0.0

    def strength_db(self, drum: str) -> float:
        """The change of a drum's strength as far as it is known, else 0."""
        found = self.strength.get(drum)
        return found.value if found is not None and found.value is not None else 0.0

    def harder_db(self, drum: str, than: str) -> float:
        """How much more one drum's strength changed than another's, as far as that is known, else 0."""
        return self.relative.get(drum, 0.0) - self.relative.get(than, 0.0)


@dataclass(frozen=True)
class _Seen:
    """One observation: a sum of unknowns, ("gain", file) or ("strength", drum), with signs."""

    terms: tuple[tuple[tuple[str, str], float], ...]
    value: float
    error: float
    firm: bool = False  # not held down as an outlier: what cannot be is no observation


def estimate(p: Pairing, moved: Collection[str] = ()) -> Levels:
    """Solve for all gains and strengths of one take against the reference.

    moved : files (of the reference) of mics that stand elsewhere now; a place changes levels as a gain does
    """
    seen = [*_noise(p), *_peaks(p), *_heard(p, moved), *_bleed(p)]
    unknowns = sorted({key for one in seen for key, _ in one.terms})
    solved = _solve(seen, unknowns) if unknowns else {}
    gain = {f: e for (kind, f), e in solved.items() if kind == "gain"}
    strength = {d: e for (kind, d), e in solved.items() if kind == "strength"}
    close = {d: e for (kind, d), e in solved.items() if kind == "close"}
    relative = {d: e.value for d, e in strength.items() if e.value is not None}
    return _without_common(Levels(gain, strength, close, relative))


def _noise(p: Pairing) -> Iterator[_Seen]:
    for a, b in p.channels:
        if a.noise_floor_dbfs is not None and b.noise_floor_dbfs is not None:
            yield _Seen(((("gain", a.file), 1.0),), b.noise_floor_dbfs - a.noise_floor_dbfs, NOISE_ERROR_DB)


def _heard(p: Pairing, moved: Collection[str]) -> Iterator[_Seen]:
    before = {(h.file, h.drum): h for h in p.ref.measurements.observed.heard}
    second = {c.file for c, _ in p.channels if c.drum is not None} - set(p.own.values())
    for file in second:
        yield _Seen(((("close", file), 1.0),), 0.0, SECOND_CLOSE_ERROR_DB, firm=True)
    for drum in p.own:
        plate = drum in ("hi-hat", "ride")
        yield _Seen(((("close", drum), 1.0),), 0.0, CLOSE_ERROR_DB, firm=True)
        yield _Seen(((("shape", drum), 1.0),), 0.0, CYMBAL_SHAPE_ERROR_DB if plate else SHAPE_ERROR_DB)
    for h in p.other.measurements.observed.heard:
        file = p.here.get(h.file, "")
        was = before.get((file, h.drum))
        if was is None or h.drum not in p.own or max(x.error_db * sqrt(x.n_strokes) for x in (was, h)) > WIDEST_DB:
            continue
        place = MOVED_ERROR_DB if file in moved else 0.0
        error = hypot(was.error_db, h.error_db, LEVEL_ERROR_DB, place)
        scatter = hypot(_scatter(p.ref, h.drum, was.n_strokes), _scatter(p.other, h.drum, h.n_strokes))
        nearer = ((("close", file), 1.0),) if file in second else ()
        gain, own, shape = ("gain", file), ("gain", p.own[h.drum]), (("shape", h.drum), 1.0)
        if own != gain:
            level = h.level_dbfs - was.level_dbfs
            yield _Seen(((("strength", h.drum), 1.0), (gain, 1.0), *nearer), level, hypot(error, scatter))
        terms = ((gain, 1.0), *nearer, (own, -1.0), (("close", h.drum), -1.0), shape)
        terms = (shape,) if own == gain else terms
        yield _Seen(terms, h.over_own_db - was.over_own_db, error)


def _peaks(p: Pairing) -> Iterator[_Seen]:
    for drum, own in p.own.items():
        before, after = (
            [h.peak_dbfs for h in r.measurements.hits if h.drum == drum and h.peak_dbfs is not None]
            for r in (p.ref, p.other)
        )
        if min(len(before), len(after)) >= FEWEST_RANKED:
            shift, error = rank_shift(before, after)
            terms = ((("strength", drum), 1.0), (("gain", own), 1.0), (("close", drum), 1.0))
            yield _Seen(terms, shift, hypot(error, PEAK_ERROR_DB))


def rank_shift(before: Sequence[float], after: Sequence[float]) -> tuple[float, float]:
    """How far the strokes of one drum lie higher, rank by rank: median over the ranks, and its standard error.

    before, after : dB, one a stroke, two at least. Equal strokes give (0, 0).
    Source: own choice; the scatter of the ranks' differences, for as many strokes as the smaller take has.
    """
    ranks = np.linspace(5.0, 95.0, 19)
    difference = np.percentile(after, ranks) - np.percentile(before, ranks)
    low, high = np.percentile(difference, [25, 75])
    n = min(len(before), len(after))
    return float(np.median(difference)), MEDIAN * float(high - low) / IQR / sqrt(n) * sqrt(2.0)


def _scatter(reading: Reading, drum: str, n: int) -> float:
    """Standard error of the median strength of n strokes, dB."""
    found = [h.strength_db for h in reading.measurements.hits if h.drum == drum and h.strength_db is not None]
    if len(found) < 2:
        return 0.0
    low, high = np.percentile(found, [25, 75])
    return MEDIAN * float(high - low) / IQR / sqrt(max(n, 1))


def _bleed(p: Pairing) -> Iterator[_Seen]:
    drum_of = {file: drum for drum, file in p.own.items()}
    before = {(b.file, b.drum): b for b in p.ref.measurements.bleed if b.bleed_db is not None}
    for b in p.other.measurements.bleed:
        file = p.here.get(b.file, "")
        was = before.get((file, b.drum))
        if was is None or b.bleed_db is None or was.bleed_db is None or b.drum not in p.own or file not in drum_of:
            continue
        spread = [MEDIAN * (x.spread_db or 0.0) / IQR / sqrt(max(x.n_hits, 1)) for x in (was, b)]
        mine = drum_of[file]
        terms = ((("strength", b.drum), 1.0), (("strength", mine), -1.0), (("close", mine), -1.0))
        yield _Seen(terms, b.bleed_db - was.bleed_db, hypot(BLEED_ERROR_DB, *spread))


# ---------------------------------------------------------------- least squares
def _solve(seen: list[_Seen], unknowns: list[tuple[str, str]]) -> dict[tuple[str, str], Estimate]:
    place = {key: i for i, key in enumerate(unknowns)}
    A = np.zeros((len(seen), len(unknowns)))
    for row, one in enumerate(seen):
        for key, sign in one.terms:
            A[row, place[key]] += sign
    y = np.array([one.value for one in seen])
    error = np.array([one.error for one in seen])
    firm = np.array([one.firm for one in seen])
    x, covariance, held = robust(A, y, error, firm)
    n = np.count_nonzero(A, axis=0)
    return {
        key: Estimate(float(x[i]), sqrt(float(covariance[i, i])), int(n[i]))
        if held[i]
        else Estimate(None, None, int(n[i]), GAIN_NOT_HELD)
        for key, i in place.items()
    }


def robust(
    A: FloatArray, y: FloatArray, error: FloatArray, firm: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Weighted least squares with outliers held down, but for those that stand firm.

    A : (n, k), y, error, firm : (n,), y and error in one unit. Returns the solution (k,), the shortest one where
    several fit, its covariance (k, k), and which unknowns the observations hold (k,).
    The covariance grows with the scatter that is left where that is larger than the errors say.
    Source: Huber's weights; covariance of weighted least squares, textbook.
    """
    scaled_y, scaled_A = y / error, A / error[:, None]
    weight = np.ones(len(y))
    x: FloatArray = np.zeros(A.shape[1])
    for _ in range(N_ROUNDS):
        root = np.sqrt(weight)
        x = np.linalg.lstsq(scaled_A * root[:, None], scaled_y * root, rcond=None)[0]
        left = np.abs(scaled_y - scaled_A @ x)
        weight = np.where(firm, 1.0, np.minimum(1.0, HUBER / np.maximum(left, 1e-12)))
    inverse = np.linalg.pinv(scaled_A.T @ (scaled_A * weight[:, None]))
    free = max(len(y) - int(np.linalg.matrix_rank(scaled_A)), 1)
    scatter = float(np.sum(weight * left**2)) / free
    _, size, rows = np.linalg.svd(scaled_A, full_matrices=True)
    rank = int(np.sum(size > 1e-9 * max(size.max(initial=0.0), 1e-30)))
    held: NDArray[np.bool_] = np.asarray(np.sum(rows[rank:] ** 2, axis=0) < SOLVED)
    return x, inverse * max(scatter, 1.0), held


def _without_common(found: Levels) -> Levels:
    """Take back what rests on the room's noise alone: a change that all gains share."""
    known = [e for e in found.gain.values() if e.value is not None and e.error is not None]
    if len(known) < FEWEST_GAINS:
        return found
    common = float(np.median([e.value or 0.0 for e in known]))
    error = float(np.median([e.error or 0.0 for e in known]))
    if abs(common) <= max(limit("all-levels"), SIGMAS * error):
        return replace(found, common=Estimate(common, error, len(known)))
    doubtful = Estimate(None, None, 0, ALL_MOVED)

    def apart(e: Estimate) -> bool:
        return abs((e.value or 0.0) - common) > max(limit("gain"), SIGMAS * (e.error or 0.0))

    gain = {f: e if e.value is None or apart(e) else doubtful for f, e in found.gain.items()}
    strength = dict.fromkeys(found.strength, doubtful)
    return replace(found, gain=gain, strength=strength, common=Estimate(common, error, len(known)))


# ---------------------------------------------------------------- as changes
def changes(p: Pairing, levels: Levels) -> Iterator[Change]:
    """Gain of every mic and strength of every drum that both takes have, and what all gains share."""
    if levels.common.n:
        yield _change(p, "all-levels", None, None, levels.common)
    own = set(p.own.values())
    for c, _ in p.channels:
        found = levels.gain.get(c.file)
        slipped = levels.close.get(c.drum or "")
        if found is not None and c.file not in own and slipped is not None and _changed(slipped):
            found = Estimate(None, None, found.n, DRUM_SLIPPED)
        yield _change(p, "gain", c.file, None, found)
    for drum in p.drums:
        yield _change(p, "closeness", p.own[drum], drum, levels.close.get(drum))
        found = levels.strength.get(drum)
        n = min(sum(h.drum == drum for h in r.measurements.hits) for r in (p.ref, p.other))
        if found is not None and n < FEWEST_STROKES:
            found = Estimate(None, None, n, FEW_IN_ONE.format(least=FEWEST_STROKES))
        yield _change(p, "strength", None, drum, found)


def _changed(close: Estimate) -> bool:
    known = close.value is not None and close.error is not None
    return known and word(close.value or 0.0, close.error or 0.0, limit("closeness")) == "changed"


def _change(p: Pairing, kind: Kind, file: str | None, drum: str | None, e: Estimate | None) -> Change:
    e = e or Estimate(None, None, 0, NOT_SEEN)
    most = limit(kind)
    if e.value is None or e.error is None:
        return Change(take=p.number, kind=kind, file=file, drum=drum, value=None, unit="dB", error=None, limit=most,
                      word=None, n=e.n, unmeasured=dict.fromkeys(Change.NULLABLE, e.reason))  # fmt: skip
    said = word(e.value, e.error, most)
    return Change(take=p.number, kind=kind, file=file, drum=drum, value=e.value, unit="dB", error=e.error,
                  limit=most, word=said, n=e.n)  # fmt: skip
