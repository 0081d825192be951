"""Pairs: one drum in two mics. How much later, wired which way, and fuller which way.

Two questions about polarity are kept apart. Wired: does the first motion of the direct sound point the
same way in both? Fuller: has the sum of both more of the drum's low band than their difference, stroke
by stroke, level-matched? A delay alone can make the wrong answer to the second out of a right first.

Conventions: a delay is positive when b hears the drum after a.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from kitproof.measure.arrival import LEAST_SNR_DB, Arrival
from kitproof.measure.look import FEWEST_HITS, ChannelLook
from kitproof.measure.stacking import ALONE
from kitproof.model import Channel, Fuller, PairEntry, Polarity
from kitproof.reasons import (
    ALREADY_SOUNDING,
    DIRECT_WEAK,
    FEW_FOR_SPREAD,
    FEW_HITS,
    FEW_STROKES,
    GROUPS_DISAGREE,
    NO_DELAY,
    NO_LOWS,
    ONE_SILENT,
    ONLY_TOGETHER,
)
from kitproof.roles import DISTANT_ROLES, DRUM_OF_ROLE, PAIRS
from kitproof.units import ms_to_cm

CLEAR_DB = 3.0  # sum over difference: less than this, and turning one over is no cure. Common practice
AGREEMENT = 0.75
BEFORE_AS_LOUD_DB = 6.0  # peak over what was there before: another drum there leaves 10 dB and more of it
WIDEST_SPREAD_MS = 1.5  # beyond this a delay says nothing about where a mic stands
PAIR_DRUMS = ("snare", "kick")


def wanted_pairs(
    channels: Sequence[Channel], own: Mapping[str, str], drums: Sequence[str]
) -> list[tuple[str, str, str]]:
    """(a, b, drum): own mic against the drum's other mics and all distant ones; left against right."""
    by_role = {c.role: c.file for c in channels}
    out: list[tuple[str, str, str]] = []
    for drum in drums:
        if drum not in own:
            continue
        for c in channels:
            same_drum = DRUM_OF_ROLE.get(c.role) == drum
            if c.file != own[drum] and (same_drum or c.role in DISTANT_ROLES):
                out.append((own[drum], c.file, drum))
        for left, right in PAIRS:
            if drum in PAIR_DRUMS and left in by_role and right in by_role:
                out.append((by_role[left], by_role[right], drum))
    return out


def measure_pair(a: ChannelLook, b: ChannelLook, drum: str, temperature_c: float) -> PairEntry:
    """Delay, polarity and fuller side of one drum in two mics."""
    n = min(a.n_hits.get(drum, 0), b.n_hits.get(drum, 0))
    reasons: dict[str, str] = {}
    first, second = a.arrivals.get(drum), b.arrivals.get(drum)
    delay_ms, spread_ms = _delay(first, second, n, reasons)
    polarity, confidence = _polarity(first, second, delay_ms, reasons)
    fuller, fuller_db, agreement = _fuller(a, b, drum, reasons)
    path_cm = None if delay_ms is None else ms_to_cm(delay_ms, temperature_c)
    notch = None
    if delay_ms is None:
        reasons["path_cm"] = reasons["first_notch_hz"] = reasons["delay_ms"]
    elif abs(delay_ms) < 0.02:
        reasons["first_notch_hz"] = NO_DELAY
    else:
        notch = 1000.0 / (2.0 * abs(delay_ms))
    return PairEntry(
        a=a.file, b=b.file, drum=drum, n_hits=n, delay_ms=delay_ms, delay_spread_ms=spread_ms, path_cm=path_cm,
        polarity=polarity, polarity_confidence=confidence, fuller=fuller, fuller_db=fuller_db,
        fuller_agreement=agreement, first_notch_hz=notch, unmeasured=reasons,
    )  # fmt: skip


def _delay(
    first: Arrival | None, second: Arrival | None, n: int, reasons: dict[str, str]
) -> tuple[float | None, float | None]:
    if first is None or second is None:
        why = FEW_HITS.format(n=n, least=FEWEST_HITS)
    elif first.time_s is None or second.time_s is None:
        why = _not_found(min((a for a in (first, second) if a.time_s is None), key=lambda a: a.snr_db))
    elif _too_few_for_spread(first, second):
        reasons["delay_spread_ms"] = FEW_FOR_SPREAD
        return 1000.0 * (second.time_s - first.time_s), None
    elif first.spread_s is None or second.spread_s is None:
        # Found in the mean of all and not in its parts: mostly another drum, or a later reflection.
        why = ONLY_TOGETHER
    else:
        spread = 1000.0 * float(np.hypot(first.spread_s, second.spread_s))
        if spread <= WIDEST_SPREAD_MS:
            return 1000.0 * (second.time_s - first.time_s), spread
        if n <= min(ALONE):
            # One of three strokes says nothing of its own; their mean is mostly right all the same.
            reasons["delay_spread_ms"] = FEW_FOR_SPREAD
            return 1000.0 * (second.time_s - first.time_s), None
        why = GROUPS_DISAGREE.format(spread_ms=spread)
    reasons["delay_ms"] = reasons["delay_spread_ms"] = why
    return None, None


def _too_few_for_spread(first: Arrival, second: Arrival) -> bool:
    """Whether a spread is missing for no other reason than that single strokes do not make one."""
    missing = [a for a in (first, second) if a.spread_s is None]
    return len(missing) == 2 or any(a.n_hits <= max(ALONE) for a in missing)


def _not_found(a: Arrival) -> str:
    if a.snr_db >= LEAST_SNR_DB or a.snr_db < BEFORE_AS_LOUD_DB:
        return ALREADY_SOUNDING
    return DIRECT_WEAK.format(over_db=a.snr_db)


def _polarity(
    first: Arrival | None, second: Arrival | None, delay_ms: float | None, reasons: dict[str, str]
) -> tuple[Polarity | None, float | None]:
    if delay_ms is None or first is None or second is None:
        reasons["polarity"] = reasons["polarity_confidence"] = reasons["delay_ms"]
        return None, None
    if first.sign * second.sign == 0:
        return "unclear", 0.0
    confidence = min(first.sign_confidence, second.sign_confidence)
    return ("same" if first.sign == second.sign else "opposite"), confidence


def _fuller(
    a: ChannelLook, b: ChannelLook, drum: str, reasons: dict[str, str]
) -> tuple[Fuller | None, float | None, float | None]:
    left, right = a.low_lines.get(drum), b.low_lines.get(drum)
    why = ""
    if drum in ("hi-hat", "ride"):
        why = NO_LOWS
    elif left is None or right is None or len(left) < FEWEST_HITS:
        why = FEW_STROKES
    elif not (np.any(left, axis=1) & np.any(right, axis=1)).all():
        why = ONE_SILENT
    if why or left is None or right is None:
        reasons.update(dict.fromkeys(("fuller", "fuller_db", "fuller_agreement"), why))
        return None, None, None
    x = left / np.linalg.norm(left, axis=1, keepdims=True)
    y = right / np.linalg.norm(right, axis=1, keepdims=True)
    total = np.sum(np.abs(x + y) ** 2, axis=1) + 1e-6
    difference = np.sum(np.abs(x - y) ** 2, axis=1) + 1e-6
    each = 10.0 * np.log10(total / difference)
    typical = float(np.median(each))
    agreement = float(np.mean(np.sign(each) == np.sign(typical)))
    if abs(typical) < CLEAR_DB or agreement < AGREEMENT:
        return "move", typical, agreement
    return ("leave" if typical > 0 else "flip"), typical, agreement
