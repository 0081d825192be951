"""Identity: is every close mic named after the drum it hears?

Each mic's voice (observed.identity) is held against what its name promises, in points of misfit. The names as
given are then compared with names exchanged: only an exchange after which every channel concerned fits better,
and well, is reported. What a mic hears of a drum nobody hits says nothing and stays out of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from math import inf, log2

from kitproof.find.evidence import Evidence, drum_of
from kitproof.find.naming_sides import ROUND_THE_KIT, Inversion, inversions
from kitproof.find.texts import listed, ms, number, upper_first
from kitproof.find.thresholds import Thresholds
from kitproof.model import Finding, Severity
from kitproof.observed.identity import MicVoice

TOMS = (*ROUND_THE_KIT, "floor-tom-2")  # in falling order of pitch
KIND = {"kick": "kick", "snare": "snare", "hi-hat": "hi-hat", "ride": "ride"} | dict.fromkeys(TOMS, "tom")
MOST_EXCHANGES = 6
Names = dict[str, str]  # file -> drum


@dataclass(frozen=True, slots=True, kw_only=True)
class Renaming:
    """Channels whose names fit better when they go round."""

    files: tuple[str, ...]
    drums: tuple[str, ...]  # that they really stand at, in the same order
    points: float  # of misfit that go away


def findings_of(e: Evidence) -> Iterator[Finding]:
    """One finding for every group of channels whose names are exchanged; else the order of toms round the kit."""
    voices = {v.file: v for v in e.records(MicVoice)}
    found = renamings(e, voices)
    for r in found:
        yield _renamed(e, voices, r)
    if not found:
        yield from _one_sided(e, voices)
        yield from _wrong_way_round(e, voices)


# ---------------------------------------------------------------- what a name promises
def misfit(v: MicVoice, drum: str, limits: Thresholds) -> float:
    """Points by which a voice is not that of a drum, 0 if it fits or is not known."""
    at_least, at_most = limits["voice_drum_tilt_db"], limits["voice_cymbal_tilt_db"]
    damped, ringing = limits["voice_damped_db"], limits["voice_ringing_db"]
    drum_tilt = (v.tilt_db, at_least, inf, "voice_tilt_points")
    cymbal_tilt = (v.tilt_db, -inf, at_most, "voice_tilt_points")
    tests = {
        "kick": (drum_tilt, (v.body_db, -inf, limits["voice_kick_body_db"], "voice_body_points"),
                 (v.low_fall_db, -inf, damped, "voice_fall_points")),
        "snare": (drum_tilt, (v.body_db, limits["voice_snare_body_db"], inf, "voice_body_points"),
                  (v.low_fall_db, -inf, damped, "voice_fall_points")),
        "tom": (drum_tilt, (v.body_db, limits["voice_tom_body_db"], inf, "voice_body_points"),
                (v.low_fall_db, ringing, inf, "voice_fall_points")),
        "hi-hat": (cymbal_tilt, (v.high_fall_db, -inf, limits["voice_hat_fall_db"], "voice_fall_points")),
        "ride": (cymbal_tilt, (v.high_fall_db, limits["voice_ride_fall_db"], inf, "voice_fall_points")),
    }  # fmt: skip
    points = 0.0
    for value, low, high, per_db in tests[KIND[drum]]:
        if value is not None:
            outside_db = max(low - value, value - high, 0.0)
            points += min(limits["voice_most_points"], limits[per_db] * outside_db)
    return points


def misfits(voices: Mapping[str, MicVoice], names: Names, limits: Thresholds) -> dict[str, float]:
    """Points of every channel under some names, those for toms in the wrong order of pitch among them."""
    points = {f: misfit(voices[f], drum, limits) for f, drum in names.items()}
    toms = sorted((TOMS.index(d), f) for f, d in names.items() if d in TOMS and _own_ring(f, voices, limits))
    for (_, higher), (_, lower) in combinations(toms, 2):
        wrong = semitones(voices[higher], voices[lower]) - limits["tom_order_semitones"]
        each = 0.5 * min(2.0 * limits["voice_most_points"], max(0.0, wrong) * limits["tom_order_points"])
        points[higher] += each
        points[lower] += each
    return points


def rings(v: MicVoice, limits: Thresholds) -> bool:
    """Whether a voice is a tom's, with a pitch that its strokes agree on."""
    return (
        v.pitch_hz is not None and (v.pitch_agreement or 0.0) >= limits["tom_pitch_agreement"]
        and v.low_fall_db is not None and v.low_fall_db > limits["voice_ringing_db"]
        and v.tilt_db is not None and v.tilt_db > limits["voice_drum_tilt_db"]
    )  # fmt: skip


def _own_ring(file: str, voices: Mapping[str, MicVoice], limits: Thresholds) -> bool:
    """Whether a mic hears a tom ring, and not a snare from afar: no tom next to a snare shares its pitch."""
    v = voices[file]
    snares = (w for f, w in voices.items() if f != file and w.pitch_hz is not None and _is_snare(w, limits))
    return rings(v, limits) and all(abs(semitones(v, w)) > limits["tom_snare_semitones"] for w in snares)


def _is_snare(v: MicVoice, limits: Thresholds) -> bool:
    return v.n_strokes > 0 and v.low_fall_db is not None and misfit(v, "snare", limits) == 0.0


def semitones(one: MicVoice, other: MicVoice) -> float:
    """How far the second rings above the first; both have a pitch."""
    return 12.0 * log2((other.pitch_hz or 1.0) / (one.pitch_hz or 1.0))


# ---------------------------------------------------------------- names as given against names exchanged
def renamings(e: Evidence, voices: Mapping[str, MicVoice]) -> list[Renaming]:
    """Groups of channels that fit well under one another's names, and did not under their own."""
    given = _given(e, voices)
    known = [f for f in given if voices[f].tilt_db is not None]
    before, now = misfits(voices, given, e.limits), given
    for _ in range(MOST_EXCHANGES):
        better = _best_exchange(voices, now, known, e.limits)
        if better is None:
            break
        now = better
    after = misfits(voices, now, e.limits)
    groups = [_group(e, given, now, f) for f in given if now[f] != given[f]]
    out = []
    for files in dict.fromkeys(tuple(sorted(g, key=list(given).index)) for g in groups):
        gains = [before[f] - after[f] for f in files]
        each_better = min(gains) >= e.limits["name_each_points"]
        fits = max(after[f] for f in files) <= e.limits["name_left_points"]
        if each_better and fits and sum(gains) >= e.limits["name_points"]:
            out.append(Renaming(files=files, drums=tuple(now[f] for f in files), points=sum(gains)))
    # Under wrong names the search for hits goes astray: toms are judged once the others are put right.
    other_kinds = [r for r in out if len({KIND[d] for d in r.drums}) > 1]
    return other_kinds or out


def _given(e: Evidence, voices: Mapping[str, MicVoice]) -> Names:
    """file -> drum of the mics that each drum is timed by, and of its other close mics."""
    drums = ((c.file, drum_of(c.role)) for c in e.kit)
    return {file: drum for file, drum in drums if drum is not None and file in voices}


def _best_exchange(voices: Mapping[str, MicVoice], names: Names, known: list[str], limits: Thresholds) -> Names | None:
    """The exchange of two names that takes away most misfit; None if none takes away enough."""
    total = sum(misfits(voices, names, limits).values())
    gains: list[tuple[float, tuple[str, str]]] = []
    for a, b in combinations(names, 2):
        toms = names[a] in TOMS and names[b] in TOMS
        if names[a] != names[b] and (a in known or b in known if toms else a in known and b in known):
            other = {**names, a: names[b], b: names[a]}
            gains.append((total - sum(misfits(voices, other, limits).values()), (a, b)))
    gains.sort(key=lambda one: -one[0])
    if not gains or gains[0][0] <= limits["name_each_points"]:
        return None
    gain, (a, b) = gains[0]
    # A tom that nobody hits may stand anywhere: if its name explains as much, nobody can tell.
    rivals = [pair for g, pair in gains if g > gain - limits["name_each_points"] and not set(pair) <= set(known)]
    return None if rivals else {**names, a: names[b], b: names[a]}


def _group(e: Evidence, given: Names, now: Names, start: str) -> list[str]:
    """The channels among which names went round, beginning at one of them."""
    group, file = [start], start
    while True:
        moved = [f for f in given if now[f] != given[f] and given[f] == now[file] and f not in group]
        if not moved:
            return group
        file = moved[0]
        group.append(file)


# ---------------------------------------------------------------- findings
def _renamed(e: Evidence, voices: Mapping[str, MicVoice], r: Renaming) -> Finding:
    labels = e.labels(r.files)
    sure: Severity = "fix" if r.points >= e.limits["name_fix_points"] else "look"
    heard = "; ".join(f"{label} hears {_sound(e, voices[f])}" for label, f in zip(labels, r.files, strict=True))
    verb = "are exchanged" if sure == "fix" else "may be exchanged"
    return Finding(
        code="mislabelled-channel", severity=sure, files=r.files,
        message=f"The names of {listed(labels)} {verb}: {heard}.",
        action=f"Tap {labels[0]} and see which file moves; rename the files and correct the input list now.",
        confidence=round(min(0.98, 0.6 + 0.04 * r.points), 2),
        else_maybe="The leads are crossed at the stage box, which is put right by renaming too."
        if sure == "fix" else "A kit tuned or damped unlike others.",
    )  # fmt: skip


def _sound(e: Evidence, v: MicVoice) -> str:
    """A voice in words."""
    limits = e.limits
    if v.tilt_db is None or v.low_fall_db is None or v.high_fall_db is None:
        return "nothing of its own"
    if v.tilt_db < limits["voice_drum_tilt_db"]:
        rings_on = v.high_fall_db > limits["voice_ride_fall_db"]
        return "a cymbal that rings on" if rings_on else "a cymbal that is closed at once"
    if rings(v, limits):
        return f"a drum that rings at {number(v.pitch_hz or 0.0, 0)} Hz"
    if v.low_fall_db > limits["voice_ringing_db"]:
        return "a drum that rings on"
    low = v.body_db is not None and v.body_db < limits["voice_kick_body_db"]
    return "a low, damped drum" if low else "a short, bright drum"


def _one_sided(e: Evidence, voices: Mapping[str, MicVoice]) -> Iterator[Finding]:
    """A kick or snare heard plainly under another name, while nothing of its own is heard under its name."""
    given = _given(e, voices)
    points = misfits(voices, given, e.limits)
    for drum in ("kick", "snare"):
        mics = [f for f, d in given.items() if d == drum]
        if not mics or any(voices[f].n_strokes for f in mics):
            continue
        heard = [
            f for f, d in given.items()
            if d != drum and voices[f].n_strokes >= e.limits["name_fewest_strokes"]
            and points[f] >= e.limits["name_points"]
            and misfit(voices[f], drum, e.limits) <= e.limits["name_left_points"]
        ]  # fmt: skip
        if len(heard) == 1 and len(mics) == 1:
            a, b = e.labels((heard[0], mics[0]))
            yield Finding(
                code="mislabelled-channel", severity="look", files=(heard[0], mics[0]),
                message=f"{upper_first(a)} hears {_sound(e, voices[heard[0]])}, {b} hears nothing of its own: "
                "their names may be exchanged.",
                action=f"Tap {b} and see which file moves; rename the files now, not at the mix.",
                confidence=0.7, else_maybe=f"{upper_first(b)} was not recorded.",
            )  # fmt: skip


def _wrong_way_round(e: Evidence, voices: Mapping[str, MicVoice]) -> Iterator[Finding]:
    """At most one finding: the two toms that are furthest on each other's side, unless their pitch denies it."""
    found = [i for i in inversions(e) if not _denied(e, voices, i)]
    if not found:
        return
    worst = max(found, key=lambda i: i.by_ms)
    files = (e.own_files[worst.nearer], e.own_files[worst.further])
    a, b = e.labels(files)
    yield Finding(
        code="mislabelled-channel", severity="look", files=files,
        message=f"{e.head(files[0])} stands further from the hi-hat than {b}, by {ms(worst.by_ms)} from left to right: "
        "their names may be swapped.",
        action=f"Tap {a} and see which file moves; rename the files now, not at the mix.",
        confidence=0.75, else_maybe="A kit whose toms are not in the usual order.",
    )  # fmt: skip


def _denied(e: Evidence, voices: Mapping[str, MicVoice], i: Inversion) -> bool:
    """Whether the two toms ring in the order of their names, clearly."""
    one, other = (voices.get(e.own_files[d]) for d in (i.nearer, i.further))
    if one is None or other is None or not (rings(one, e.limits) and rings(other, e.limits)):
        return False
    return semitones(one, other) < -e.limits["tom_order_semitones"]
