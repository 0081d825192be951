"""What was measured against what is true: the figures of one run, each with its goal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import mir_eval
import numpy as np
from render import Truth

from kitproof.roles import PAIRS

WINDOWS_S = (0.010, 0.025, 0.050)
JUDGED_WINDOW_S = 0.025  # wider, and a flam's two strokes could stand for each other
UNMIKED_WINDOW_S = 0.050  # a crash swells, and no mic stands near: its time is less sharp
ENOUGH_HITS = 8  # for a drum to count as the worst: below, a single slip weighs too much

Measured = Mapping[str, Any]  # measurements.json


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One performance: its take, the same take altered, what was measured in each, and the baseline's hits."""

    truth: Truth
    measured: Measured
    altered: Truth | None = None
    altered_measured: Measured | None = None
    baseline_s: Mapping[str, Sequence[float]] = field(default_factory=dict)  # by drum


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One row of the table. `value` is None if there was nothing to compare: short, if there should have been."""

    name: str
    value: float | None
    unit: str = ""
    at_least: float | None = None
    at_most: float | None = None
    note: str = ""
    digits: int = 2
    wanted: bool = False  # there was something to measure

    @property
    def short(self) -> bool:
        """True if there is a goal and it is missed, or nothing was given where there was something to give."""
        if self.value is None:
            return self.wanted
        low, high = self.at_least, self.at_most
        return (low is not None and self.value < low) or (high is not None and self.value > high)


def all_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """The whole table, in the order it is printed."""
    return [
        *hit_figures(outcomes),
        *baseline_figures(outcomes),
        *bleed_figures(outcomes),
        *arrival_figures(outcomes),
        *shift_figures(outcomes),
        *flip_figures(outcomes),
        *level_figures(outcomes),
    ]


# --------------------------------------------------------------------------------------------- hits
Times = Sequence[float]


def f_measure(takes: Sequence[tuple[Times, Times]], window_s: float) -> float:
    """Onset F-measure of true and found times, the takes counted together; 1 if there is nothing at all.

    Each true stroke is matched at most once, within its own take, as mir_eval.onset does for a single one.
    """
    n_matched = sum(len(_matched(true_s, found_s, window_s)) for true_s, found_s in takes)
    n_all = sum(len(true_s) + len(found_s) for true_s, found_s in takes)
    return 2.0 * n_matched / n_all if n_all else 1.0


def _matched(true_s: Times, found_s: Times, window_s: float) -> list[tuple[int, int]]:
    """Index pairs into the sorted times."""
    if not len(true_s) or not len(found_s):
        return []
    return list(mir_eval.util.match_events(np.sort(true_s), np.sort(found_s), window_s))


def reported(o: Outcome, drum: str) -> list[float]:
    """Times of the hits reported for a drum in the take as it is, s."""
    return sorted(hit["time_s"] for hit in o.measured["hits"] if hit["drum"] == drum)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumScores:
    """F by drum over all takes, the drum's strokes counted together, and F by drum and take."""

    pooled: Mapping[str, float]
    in_take: Mapping[tuple[str, str], float]  # only where there were enough strokes

    @property
    def mean(self) -> float | None:
        """Every drum counts the same, whether it was struck often or not."""
        return float(np.mean(list(self.pooled.values()))) if self.pooled else None

    @property
    def worst(self) -> tuple[float | None, str]:
        """The lowest F of a drum in a take, and which it was."""
        key = min(self.in_take, key=self.in_take.__getitem__, default=None)
        return (None, "") if key is None else (self.in_take[key], f"{key[0]}, {key[1]}")


Finder = Callable[[Outcome, str], Times]


def drum_scores(outcomes: Sequence[Outcome], window_s: float, found: Finder) -> DrumScores:
    """F of every drum that has a mic and was struck, with what `found` says of an outcome and a drum."""
    struck = list(dict.fromkeys(d for o in outcomes for d in o.truth.own if o.truth.hits_s.get(d)))
    pooled, in_take = {}, {}
    for drum in struck:
        played = [(o, o.truth.hits_s[drum], found(o, drum)) for o in outcomes if o.truth.hits_s.get(drum)]
        pooled[drum] = f_measure([(true_s, found_s) for _, true_s, found_s in played], window_s)
        for o, true_s, found_s in played:
            if len(true_s) >= ENOUGH_HITS:
                in_take[drum, o.truth.name] = f_measure([(true_s, found_s)], window_s)
    return DrumScores(pooled=pooled, in_take=in_take)


def hit_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """F of the miked drums, of all that has no mic, and how far matched times are off."""
    scores = {w: drum_scores(outcomes, w, reported) for w in WINDOWS_S}
    rows = []
    for window_s, found in scores.items():
        judged = window_s == JUDGED_WINDOW_S
        worst, which = found.worst
        at = f"F at {window_s * 1e3:.0f} ms"
        rows.append(Figure(name=f"hits: {at}, mean over drums", value=found.mean, digits=3,
                           at_least=0.98 if judged else None))  # fmt: skip
        rows.append(Figure(name=f"hits: {at}, worst", value=worst, note=which, digits=3,
                           at_least=0.92 if judged else None))  # fmt: skip
    errors_ms = [e for o in outcomes for drum in o.truth.own for e in _timing_errors_ms(o, drum)]
    stray = sum(len(reported(o, drum)) for o in outcomes for drum in o.truth.own if not o.truth.hits_s.get(drum))
    return [
        *rows,
        Figure(name="hits: time, median error", value=_median_size(errors_ms), unit="ms", at_most=0.3, digits=3),
        _unmiked_figure(outcomes),
        Figure(name="hits: on drums nobody struck", value=float(stray), digits=0, at_most=0.0),
    ]


def _timing_errors_ms(o: Outcome, drum: str) -> list[float]:
    true_s, found_s = sorted(o.truth.hits_s.get(drum, ())), reported(o, drum)
    return [(found_s[j] - true_s[i]) * 1e3 for i, j in _matched(true_s, found_s, JUDGED_WINDOW_S)]


def _unmiked_figure(outcomes: Sequence[Outcome]) -> Figure:
    """All takes together, as there are only a few such strokes in each."""
    takes = [(o.truth.hits_s.get("unmiked", ()), reported(o, "unmiked")) for o in outcomes]
    n_true, n_found = (sum(len(take[side]) for take in takes) for side in (0, 1))
    value = f_measure(takes, UNMIKED_WINDOW_S) if n_true else None
    name = f"hits: F at {UNMIKED_WINDOW_S * 1e3:.0f} ms, unmiked"
    note = f"{n_true} struck, {n_found} reported"
    return Figure(name=name, value=value, digits=3, at_least=0.85, note=note)


def baseline_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """The same F for a general-purpose onset detector on each drum's own stem."""
    with_baseline = [o for o in outcomes if o.baseline_s]
    rows = []
    for window_s in WINDOWS_S if with_baseline else ():
        scores = drum_scores(with_baseline, window_s, lambda o, drum: o.baseline_s.get(drum, ()))
        worst, which = scores.worst
        at = f"baseline: F at {window_s * 1e3:.0f} ms"
        rows.append(Figure(name=f"{at}, mean over drums", value=scores.mean, digits=3,
                           note="librosa.onset.onset_detect, as it comes"))  # fmt: skip
        rows.append(Figure(name=f"{at}, worst", value=worst, digits=3, note=which))
    return rows


# ------------------------------------------------------------------------------- bleed and arrival
def bleed_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """Errors of the bleed that was given a number; how many were is in the note."""
    errors_db, n_true = [], 0
    for o in outcomes:
        given = {(e["drum"], e["file"]): e["bleed_db"] for e in o.measured["bleed"]}
        for (drum, role), true_db in o.truth.bleed_db.items():
            n_true += 1
            value = given.get((drum, o.truth.files[role]))
            errors_db += [] if value is None else [value - true_db]
    note = f"{len(errors_db)} of {n_true} given"
    return [
        Figure(name="bleed: median error", value=_median_size(errors_db), unit="dB", at_most=1.0, note=note,
               wanted=n_true > 0),
        Figure(name="bleed: error that 90 % keep", value=_ninety(errors_db), unit="dB", at_most=3.0),
    ]  # fmt: skip


def _delays_ms(truth: Truth, measured: Measured) -> dict[tuple[str, str, str], float | None]:
    """(drum, role a, role b) -> measured delay."""
    role = {file: r for r, file in truth.files.items()}
    return {(p["drum"], role[p["a"]], role[p["b"]]): p["delay_ms"] for p in measured["pairs"]}


def arrival_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """Errors of the arrivals against the own mic, and of left against right."""
    own_errors: list[float] = []
    pair_errors: list[float] = []
    n_true = 0
    for o in outcomes:
        for (drum, a, b), delay_ms in _delays_ms(o.truth, o.measured).items():
            known = [o.truth.arrival_ms.get((drum, role)) for role in (a, b)]
            if known[0] is None or known[1] is None:
                continue
            n_true += 1
            if delay_ms is not None:
                of_a_pair = (a, b) in PAIRS
                (pair_errors if of_a_pair else own_errors).append(delay_ms - (known[1] - known[0]))
    note = f"{len(own_errors) + len(pair_errors)} of {n_true} given"
    return [
        Figure(name="arrival: median error", value=_median_size(own_errors), unit="ms", at_most=0.4, note=note,
               wanted=n_true > 0),
        Figure(name="arrival: error that 90 % keep", value=_ninety(own_errors), unit="ms", at_most=1.2),
        Figure(name="arrival: left against right, median error", value=_median_size(pair_errors), unit="ms",
               at_most=0.15),
    ]  # fmt: skip


# ------------------------------------------------------------------------------- shifts and flips
def shift_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """How far the change of a delay is from what the channels were really moved by."""
    errors_us: list[float] = []
    n_true = 0
    for o in outcomes:
        if o.altered is None or o.altered_measured is None:
            continue
        before, after = _delays_ms(o.truth, o.measured), _delays_ms(o.altered, o.altered_measured)
        moved = o.altered.alteration.shift_ms
        for key, was_ms in before.items():
            expected_ms, is_ms = moved.get(key[2], 0.0) - moved.get(key[1], 0.0), after.get(key)
            n_true += expected_ms != 0.0
            if expected_ms and was_ms is not None and is_ms is not None:
                errors_us.append((is_ms - was_ms - expected_ms) * 1e3)
    note = f"{len(errors_us)} of {n_true} given"
    worst = max((abs(e) for e in errors_us), default=None)
    return [
        Figure(name="shift: median error", value=_median_size(errors_us), unit="us", at_most=5.0, digits=1, note=note,
               wanted=n_true > 0),
        Figure(name="shift: worst error", value=worst, unit="us", at_most=50.0, digits=1),
    ]  # fmt: skip


def flip_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """Share of the inverted channels that most of their pairs show, and share of the pairs that turned over."""
    seen, missed, turned, unclear = 0, [], [], 0
    for o in outcomes:
        if o.altered is None or o.altered_measured is None:
            continue
        for role in o.altered.alteration.flipped:
            changed = _turned_over(o, role)
            turned += changed
            unclear += not changed
            if changed and 2 * sum(changed) > len(changed):
                seen += 1
            elif changed:
                missed.append(f"{role}, {o.truth.name}")
    n = seen + len(missed)
    note = f"{seen} of {n}, {unclear} without a clear pair" + "".join(f"; not {m}" for m in missed[:3])
    return [
        Figure(name="flips: channels seen", value=seen / n if n else None, at_least=1.0, note=note,
               wanted=unclear > 0),
        Figure(name="flips: pairs turned over", value=sum(turned) / len(turned) if turned else None, at_least=0.95,
               note=f"{sum(turned)} of {len(turned)}"),
    ]  # fmt: skip


def _turned_over(o: Outcome, role: str) -> list[bool]:
    """For each pair that had a clear polarity and of which only this channel was inverted: does it say so?"""
    assert o.altered is not None
    assert o.altered_measured is not None
    before, after = _polarities(o.truth, o.measured), _polarities(o.altered, o.altered_measured)
    flipped = o.altered.alteration.flipped
    pairs = [key for key in before if role in key[1:] and (key[1] in flipped) != (key[2] in flipped)]
    return [after.get(key) == _OTHER[before[key]] for key in pairs if before[key] in _OTHER]


_OTHER = {"same": "opposite", "opposite": "same"}


def _polarities(truth: Truth, measured: Measured) -> dict[tuple[str, str, str], str]:
    role = {file: r for r, file in truth.files.items()}
    return {(p["drum"], role[p["a"]], role[p["b"]]): p["polarity"] or "unclear" for p in measured["pairs"]}


# ------------------------------------------------------------------------------- levels, findings
def level_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """Sample peak and noise floor of every channel."""
    peak_db, noise_db, n_true = [], [], 0
    for o in outcomes:
        by_file = {c["file"]: c for c in o.measured["channels"]}
        for role, file in o.truth.files.items():
            n_true += 1
            channel = by_file.get(file, {})
            if (value := channel.get("sample_peak_dbfs")) is not None:
                peak_db.append(abs(value - o.truth.peak_dbfs[role]))
            if (value := channel.get("noise_floor_dbfs")) is not None:
                noise_db.append(value - o.truth.noise_dbfs)
    given = f"{len(noise_db)} of {n_true} given"
    worst = max((abs(e) for e in noise_db), default=None)
    return [
        Figure(name="sample peak: worst error", value=max(peak_db, default=None), unit="dB", at_most=0.01, digits=3,
               note=f"{len(peak_db)} of {n_true} given"),
        Figure(name="noise floor: median error", value=_median_size(noise_db), unit="dB", at_most=0.5, note=given),
        Figure(name="noise floor: worst error", value=worst, unit="dB", at_most=2.0),
    ]  # fmt: skip


def findings_in_clean(outcomes: Sequence[Outcome], known: Iterable[str] = ()) -> dict[tuple[str, str, str], int]:
    """(severity, code, channels) -> in how many clean takes; `known` lists "code:role" that the kit really has."""
    excused = set(known)
    count: Counter[tuple[str, str, str]] = Counter()
    for o in outcomes:
        role = {file: r for r, file in o.truth.files.items()}
        for f in o.measured["findings"]:
            roles = [role.get(file, file) for file in f["files"]]
            if f["severity"] in ("fix", "look") and not any(f"{f['code']}:{r}" in excused for r in roles):
                count[f["severity"], f["code"], ", ".join(roles)] += 1
    return dict(sorted(count.items()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """F at the judged window over some drums and takes, and what it comes from."""

    f: float
    n_true: int
    n_reported: int


def per_drum(outcomes: Sequence[Outcome]) -> dict[str, Count]:
    """By drum with a mic, over all takes in which it was struck."""
    return {
        drum: _count([(o, drum) for o in outcomes if o.truth.hits_s.get(drum)])
        for drum in dict.fromkeys(d for o in outcomes for d in o.truth.own)
        if any(o.truth.hits_s.get(drum) for o in outcomes)
    }


def per_take(outcomes: Sequence[Outcome]) -> dict[str, Count]:
    """By take, over all drums with a mic: here strokes on drums nobody struck count too."""
    return {o.truth.name: _count([(o, drum) for drum in o.truth.own]) for o in outcomes}


def _count(which: Sequence[tuple[Outcome, str]]) -> Count:
    takes = [(o.truth.hits_s.get(drum, ()), reported(o, drum)) for o, drum in which]
    return Count(
        f=f_measure(takes, JUDGED_WINDOW_S),
        n_true=sum(len(true_s) for true_s, _ in takes),
        n_reported=sum(len(found_s) for _, found_s in takes),
    )


def _median_size(errors: Sequence[float]) -> float | None:
    return float(np.median(np.abs(errors))) if len(errors) else None


def _ninety(errors: Sequence[float]) -> float | None:
    return float(np.quantile(np.abs(errors), 0.9)) if len(errors) else None
