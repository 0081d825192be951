"""What could not be checked, and why: short, grouped, at most a page's corner.

A check that was not made must not pass for one that found nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from kitproof.find import polarity, sides
from kitproof.find.evidence import Evidence, drum_of, is_distant
from kitproof.find.texts import listed
from kitproof.model import DelayCourse, NotChecked
from kitproof.observed.instrument import DrumSound, HatDecay, WireShare
from kitproof.observed.pairs import PairLows
from kitproof.roles import drum_label

MOST_LINES = 10
SIGNAL_FAULTS = "overload below full scale, hum, lost samples, copies, click, drift, moved mics"


def not_checked(e: Evidence) -> tuple[NotChecked, ...]:
    """All checks that could not be made, the weightiest first."""
    families = (
        _channels, _drums, _signal_faults, _second_mics, _spaced, _sides, _arrivals, _bleed, _noise, _offsets, _courses,
        _kept_sounds, _lows,
    )  # fmt: skip
    lines = [line for family in families for line in family(e)]
    return (*lines[: MOST_LINES - 1], ALWAYS)


ALWAYS = NotChecked(
    check="the sound itself",
    reason="a file does not tell how loud it was in the room, nor whether a tone, a lean or a feel is wanted",
    code="sound",
)


def _channels(e: Evidence) -> Iterator[NotChecked]:
    missing = [c for c in e.take.channels if e.measured(c.file) is None]
    if missing:
        yield NotChecked(
            check=f"everything on {listed([c.label for c in missing])}", reason="the file could not be measured",
            code="unread", files=tuple(c.file for c in missing),
        )  # fmt: skip
    unknown = [c for c in e.take.channels if c.role == "other"]
    if unknown:
        yield NotChecked(
            check=f"the drum of {listed([c.label for c in unknown])}",
            reason="its role is not known; name it in take.toml",
            code="role", files=tuple(c.file for c in unknown),
        )  # fmt: skip


def _drums(e: Evidence) -> Iterator[NotChecked]:
    silent = [d.drum for d in e.drums if d.n_hits == 0]
    if silent:
        names = listed([drum_label(d) for d in silent], 6)
        yield NotChecked(
            check=f"{names}: name, position, polarity, bleed", reason="no stroke of it was found in this take",
            code="unplayed", drums=tuple(silent),
        )  # fmt: skip


def _signal_faults(e: Evidence) -> Iterator[NotChecked]:
    if not e.faults:
        yield NotChecked(check=SIGNAL_FAULTS, reason="not measured in this run", code="signal")


def _courses(e: Evidence) -> Iterator[NotChecked]:
    """Clocks and stands of channels with too few strokes."""
    open_ = [c for c in e.records(DelayCourse) if c.shape is None]
    if open_:
        reasons = _most(c.unmeasured["shape"] for c in open_)
        files = [c.file for c in open_]
        yield NotChecked(
            check=f"drift and moved mics: {listed(e.labels(files))}", reason=reasons[0],
            code="courses", files=tuple(files),
        )  # fmt: skip


def _kept_sounds(e: Evidence) -> Iterator[NotChecked]:
    """Drums that were struck too seldom to say whether they sounded the same throughout."""
    drums = [d.drum for d in e.records(DrumSound) if d.step_db is None]
    drums += ["snare" for w in e.records(WireShare) if w.step_db is None and "snare" not in drums]
    drums += ["hi-hat" for h in e.records(HatDecay) if h.span_s is None or h.span_s < e.limits["opens_least_s"]]
    if drums:
        yield NotChecked(
            check=f"whether {listed([drum_label(d) for d in drums], 6)} sounded the same throughout",
            reason="too few strokes, or too short a take, to hold them against one another",
            code="kept-sound", drums=tuple(drums),
        )  # fmt: skip


def _lows(e: Evidence) -> Iterator[NotChecked]:
    """Pairs whose lows could not be held against one another."""
    files = [file for p in e.records(PairLows) if p.lowest_db is None for file in (p.a, p.b)]
    if files:
        yield NotChecked(
            check=f"a low cut on one side only: {listed(e.labels(files))}",
            reason="too few strokes of kick and toms, or they hold nothing so low", code="lows", files=tuple(files),
        )  # fmt: skip


def _second_mics(e: Evidence) -> Iterator[NotChecked]:
    """Second mics of a drum whose low end does not tell which way round they are."""
    open_: dict[str, list[str]] = {}
    for p in e.pairs:
        c = e.channel(p.b)
        if c is None or is_distant(c.role) or drum_of(c.role) != p.drum or polarity.votes(e, p):
            continue
        reason = p.unmeasured.get("delay_ms") or p.unmeasured.get("fuller_db")
        open_.setdefault(reason or "its delay, or too few strokes, hide the answer", []).append(p.b)
    for reason, files in open_.items():
        yield NotChecked(
            check=f"polarity of {listed(e.labels(files))}", reason=reason, code="polarity", files=tuple(files)
        )


def _spaced(e: Evidence) -> Iterator[NotChecked]:
    open_, files = [], []
    for a, b in e.spaced_pairs:
        p = e.pair(a.file, b.file, "snare")
        if p is None or not e.known_delay(p):
            open_.append(f"{a.label} and {b.label}")
            files += [a.file, b.file]
    if open_:
        yield NotChecked(
            check=f"equal distance of {listed(open_)} to the snare",
            reason="the snare's first sound is not clear enough in both",
            code="spaced",
            files=tuple(files),
        )


def _sides(e: Evidence) -> Iterator[NotChecked]:
    pairs = [c for c in sides.comparisons(e) if c.correlation is None]
    if pairs:
        names = [f"{c.first[0].label} and {c.second[0].label}" for c in pairs]
        yield NotChecked(
            check=f"left and right: {listed(names)}",
            reason="too few drums are heard clearly in both pairs, or they stand too near the middle",
            code="sides", files=tuple(mic.file for c in pairs for mic in (c.first[0], c.second[0])),
        )  # fmt: skip
    elif len(e.spaced_pairs) == 1:
        yield NotChecked(
            check="left and right", reason="there is only one spaced pair, and nothing to compare it with",
            code="one-pair",
        )  # fmt: skip


def _arrivals(e: Evidence) -> Iterator[NotChecked]:
    unknown = [p for p in e.pairs if p.delay_ms is None]
    if unknown:
        drums = _most(p.drum for p in unknown)
        names = listed([drum_label(d) for d in drums])
        yield NotChecked(
            check=f"delays between mics, of {names}: {len(unknown)} of {len(e.pairs)}",
            reason="the direct sound does not stand out of the other drums",
            code="arrival", drums=tuple(drums), n=len(unknown),
        )  # fmt: skip


def _bleed(e: Evidence) -> Iterator[NotChecked]:
    played = {d.file for d in e.drums if d.n_hits}
    hidden = [b for b in e.bleed if b.bleed_db is None and b.file in played]
    if hidden:
        files = _most(b.file for b in hidden)
        yield NotChecked(
            check=f"bleed figures, in {listed(e.labels(files))}: {len(hidden)} of {len(e.bleed)}",
            reason="hidden under the other drums", code="bleed", files=tuple(files), n=len(hidden),
        )  # fmt: skip


def _noise(e: Evidence) -> Iterator[NotChecked]:
    rung = [c for c in e.kit if c.noise_floor_dbfs is None and c.sample_peak_dbfs is not None]
    if rung:
        files = tuple(c.file for c in rung)
        many = "no moment is quiet, or it is digital silence"
        reason = rung[0].unmeasured["noise_floor_dbfs"] if len(rung) == 1 else many
        yield NotChecked(check=f"noise of {listed(e.labels(files))}", reason=reason, code="noise", files=files)


def _offsets(e: Evidence) -> Iterator[NotChecked]:
    short = tuple(c.file for c in e.kit if c.dc_fraction is None and c.sample_peak_dbfs is not None)
    if short:
        yield NotChecked(
            check=f"offset of {listed(e.labels(short))}", reason="the file is too short", code="offset", files=short
        )


def _most(names: Iterable[str]) -> list[str]:
    """Each once, the most frequent first."""
    return [name for name, _ in Counter(names).most_common()]
