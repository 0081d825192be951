"""What was measured against what is true: the figures of one run, each with its goal."""

from __future__ import annotations

from collections import Counter, defaultdict
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
    """One row of the table. `value` is None if there was nothing to compare."""

    name: str
    value: float | None
    unit: str = ""
    at_least: float | None = None
    at_most: float | None = None
    note: str = ""
    digits: int = 2

    @property
    def short(self) -> bool:
        """True if there is a goal and it is missed."""
        if self.value is None:
            return False
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
        flip_figure(outcomes),
        *level_figures(outcomes),
    ]


# --------------------------------------------------------------------------------------------- hits
def f_measure(true_s: Sequence[float], found_s: Sequence[float], window_s: float) -> float:
    """Onset F-measure, each true stroke matched at most once; 0 if only one side is empty, 1 if both are."""
    if not len(true_s) or not len(found_s):
        return float(len(true_s) == len(found_s))
    reference, estimate = np.sort(np.asarray(true_s, float)), np.sort(np.asarray(found_s, float))
    return float(mir_eval.onset.f_measure(reference, estimate, window=window_s)[0])


def found_hits(measured: Measured, drum: str) -> list[float]:
    """Times of the hits reported for a drum, s."""
    return sorted(hit["time_s"] for hit in measured["hits"] if hit["drum"] == drum)


@dataclass(frozen=True, slots=True, kw_only=True)
class _DrumScores:
    """F by (take, drum), and how many true hits each had."""

    f: Mapping[tuple[str, str], float]
    n_true: Mapping[tuple[str, str], int]

    @property
    def mean_over_drums(self) -> float | None:
        drums = sorted({drum for _, drum in self.f})
        per_drum = [np.mean([f for (_, d), f in self.f.items() if d == drum]) for drum in drums]
        return float(np.mean(per_drum)) if per_drum else None

    @property
    def worst(self) -> tuple[float | None, str]:
        """The lowest F of a drum in a take, and which it was."""
        key = min((k for k in self.f if self.n_true[k] >= ENOUGH_HITS), key=self.f.__getitem__, default=None)
        return (None, "") if key is None else (self.f[key], f"{key[1]}, {key[0]}")


def _drum_scores(
    outcomes: Iterable[Outcome], window_s: float, found: Callable[[Outcome, str], Sequence[float]]
) -> _DrumScores:
    f, n_true = {}, {}
    for o in outcomes:
        for drum in o.truth.own:
            if true_s := o.truth.hits_s.get(drum, ()):
                f[o.truth.name, drum] = f_measure(true_s, found(o, drum), window_s)
                n_true[o.truth.name, drum] = len(true_s)
    return _DrumScores(f=f, n_true=n_true)


def hit_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """F of the miked drums, of all that has no mic, and how far matched times are off."""
    scores = {w: _drum_scores(outcomes, w, lambda o, drum: found_hits(o.measured, drum)) for w in WINDOWS_S}
    rows = []
    for window_s, found in scores.items():
        judged = window_s == JUDGED_WINDOW_S
        worst, which = found.worst
        at = f"F at {window_s * 1e3:.0f} ms"
        rows.append(Figure(name=f"hits: {at}, mean over drums", value=found.mean_over_drums, digits=3,
                           at_least=0.98 if judged else None))  # fmt: skip
        rows.append(Figure(name=f"hits: {at}, worst", value=worst, note=which, digits=3,
                           at_least=0.92 if judged else None))  # fmt: skip
    errors_ms = [e for o in outcomes for drum in o.truth.own for e in _timing_errors_ms(o, drum)]
    stray = sum(
        len(found_hits(o.measured, drum)) for o in outcomes for drum in o.truth.own if not o.truth.hits_s.get(drum)
    )
    return [
        *rows,
        Figure(name="hits: time, median error", value=_median_size(errors_ms), unit="ms", at_most=0.3),
        _unmiked_figure(outcomes),
        Figure(name="hits: on drums nobody struck", value=float(stray), digits=0, at_most=0.0),
    ]


def _timing_errors_ms(o: Outcome, drum: str) -> list[float]:
    true_s, found_s = np.sort(o.truth.hits_s.get(drum, ())), np.array(found_hits(o.measured, drum))
    if not len(true_s) or not len(found_s):
        return []
    matched = mir_eval.util.match_events(true_s, found_s, JUDGED_WINDOW_S)
    return [float(found_s[j] - true_s[i]) * 1e3 for i, j in matched]


def _unmiked_figure(outcomes: Sequence[Outcome]) -> Figure:
    """All takes as one, as there are only a few such strokes in each."""
    true_s, found_s = [], []
    for number, o in enumerate(outcomes):
        apart_s = number * 1e5
        true_s += [apart_s + t for t in o.truth.hits_s.get("unmiked", ())]
        found_s += [apart_s + t for t in found_hits(o.measured, "unmiked")]
    value = f_measure(true_s, found_s, UNMIKED_WINDOW_S) if true_s else None
    note = f"{len(true_s)} struck, {len(found_s)} reported"
    name = f"hits: F at {UNMIKED_WINDOW_S * 1e3:.0f} ms, unmiked"
    return Figure(name=name, value=value, digits=3, at_least=0.85, note=note)


def baseline_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """The same F for a general-purpose onset detector on each drum's own stem."""
    with_baseline = [o for o in outcomes if o.baseline_s]
    rows = []
    for window_s in WINDOWS_S if with_baseline else ():
        scores = _drum_scores(with_baseline, window_s, lambda o, drum: o.baseline_s.get(drum, ()))
        worst, which = scores.worst
        at = f"baseline: F at {window_s * 1e3:.0f} ms"
        rows.append(Figure(name=f"{at}, mean over drums", value=scores.mean_over_drums, digits=3,
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
        Figure(name="bleed: median error", value=_median_size(errors_db), unit="dB", at_most=1.0, note=note),
        Figure(name="bleed: error that 90 % keep", value=_ninety(errors_db), unit="dB", at_most=3.0),
    ]


def _delays_ms(truth: Truth, measured: Measured) -> dict[tuple[str, str, str], float | None]:
    """(drum, role a, role b) -> measured delay."""
    role = {file: r for r, file in truth.files.items()}
    return {(p["drum"], role[p["a"]], role[p["b"]]): p["delay_ms"] for p in measured["pairs"]}


def arrival_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """Errors of the arrivals against the own mic, and of left against right."""
    own_errors, pair_errors, n_true = [], [], 0
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
        Figure(name="arrival: median error", value=_median_size(own_errors), unit="ms", at_most=0.4, note=note),
        Figure(name="arrival: error that 90 % keep", value=_ninety(own_errors), unit="ms", at_most=1.2),
        Figure(name="arrival: left against right, median error", value=_median_size(pair_errors), unit="ms",
               at_most=0.15),
    ]  # fmt: skip


# ------------------------------------------------------------------------------- shifts and flips
def shift_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """How far the change of a delay is from what the channels were really moved by."""
    errors_us = []
    for o in outcomes:
        if o.altered is None or o.altered_measured is None:
            continue
        before, after = _delays_ms(o.truth, o.measured), _delays_ms(o.altered, o.altered_measured)
        moved = o.altered.alteration.shift_ms
        for key, was_ms in before.items():
            expected_ms = moved.get(key[2], 0.0) - moved.get(key[1], 0.0)
            is_ms = after.get(key)
            if expected_ms and was_ms is not None and is_ms is not None:
                errors_us.append((is_ms - was_ms - expected_ms) * 1e3)
    note = f"{len(errors_us)} delays"
    worst = max((abs(e) for e in errors_us), default=None)
    return [
        Figure(name="shift: median error", value=_median_size(errors_us), unit="us", at_most=5.0, digits=1, note=note),
        Figure(name="shift: worst error", value=worst, unit="us", at_most=50.0, digits=1),
    ]


def flip_figure(outcomes: Sequence[Outcome]) -> Figure:
    """Share of the inverted channels whose polarity turned over in every pair that had one."""
    seen, missed = 0, []
    for o in outcomes:
        if o.altered is None or o.altered_measured is None:
            continue
        before, after = _polarities(o.truth, o.measured), _polarities(o.altered, o.altered_measured)
        flipped = o.altered.alteration.flipped
        for role in flipped:
            pairs = [k for k, word in before.items() if word != "unclear" and (k[1] == role) != (k[2] == role)]
            pairs = [k for k in pairs if (k[1] in flipped) != (k[2] in flipped)]
            if pairs and all(after.get(k, "unclear") == _OTHER[before[k]] for k in pairs):
                seen += 1
            elif pairs:
                missed.append(f"{role}, {o.altered.name}")
    n = seen + len(missed)
    value = seen / n if n else None
    note = f"{seen} of {n}" + "".join(f"; not {m}" for m in missed[:3])
    return Figure(name="flips: share seen", value=value, at_least=1.0, note=note)


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


def per_drum(outcomes: Sequence[Outcome]) -> dict[str, tuple[float, int]]:
    """drum -> mean F at the judged window over the takes, and its true hits in all."""
    scores = _drum_scores(outcomes, JUDGED_WINDOW_S, lambda o, drum: found_hits(o.measured, drum))
    found: dict[str, list[tuple[float, int]]] = defaultdict(list)
    for key, f in scores.f.items():
        found[key[1]].append((f, scores.n_true[key]))
    return {drum: (float(np.mean([f for f, _ in v])), sum(n for _, n in v)) for drum, v in found.items()}


def _median_size(errors: Sequence[float]) -> float | None:
    return float(np.median(np.abs(errors))) if len(errors) else None


def _ninety(errors: Sequence[float]) -> float | None:
    return float(np.quantile(np.abs(errors), 0.9)) if len(errors) else None
