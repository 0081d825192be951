"""Polarity: two mics that cancel where the drum has its weight.

The judge is the low end of the sum, stroke by stroke, and only where the delay is short enough that a flip
and a delay cannot be confused: under a quarter period of the drum. The first motion supports it or not, and
never decides alone: it turns with a reflection or a filter.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from kitproof.find.evidence import Evidence, drum_of, is_distant, is_room
from kitproof.find.texts import counted, db, listed, upper_first
from kitproof.model import Finding, PairEntry
from kitproof.roles import PAIRS, drum_label


def findings_of(e: Evidence) -> Iterator[Finding]:
    """Second mics of a drum against its own mic, then left against right."""
    for p in e.pairs:
        if _same_drum(e, p) and cancels(e, p):
            yield _partner(e, p)
    for left, right in PAIRS:
        for a in e.with_role(left):
            for b in e.with_role(right):
                yield from _spaced(e, a.file, b.file)


def votes(e: Evidence, p: PairEntry) -> bool:
    """Whether a pair can tell a flip at all: enough strokes, steady, and a delay too short to cancel by itself."""
    kind = p.drum if p.drum in ("kick", "snare") else "tom"
    return _steady(e, p) and p.delay_ms is not None and abs(p.delay_ms) <= e.limits[f"cancel_delay_{kind}_ms"]


def cancels(e: Evidence, p: PairEntry) -> bool:
    """Steadily thinner as recorded than with one side flipped, and more than leaning, or borne out by first motion."""
    if not votes(e, p) or p.fuller_db is None or p.fuller_db > e.limits["cancel_db"]:
        return False
    return p.fuller_db <= e.limits["cancel_clear_db"] or _moves_apart(e, p)


def _moves_apart(e: Evidence, p: PairEntry) -> bool:
    sure = p.polarity_confidence is not None and p.polarity_confidence >= e.limits["first_motion_sure"]
    return p.polarity == "opposite" and sure


def _same_drum(e: Evidence, p: PairEntry) -> bool:
    a, b = e.channel(p.a), e.channel(p.b)
    if a is None or b is None or is_distant(a.role) or is_distant(b.role):
        return False
    return drum_of(a.role) == drum_of(b.role) == p.drum


def _confidence(e: Evidence, entries: Sequence[PairEntry]) -> float:
    """From how far the low ends lie beyond the limit, how many strokes agree, and the first motion."""
    depth = min(abs(p.fuller_db or 0.0) for p in entries)
    agreement = min(p.fuller_agreement or 0.0 for p in entries)
    beyond = min(1.0, depth / abs(e.limits["cancel_clear_db"]))
    support = 0.1 if all(_moves_apart(e, p) for p in entries) else 0.0
    few = 0.9 if sum(p.n_hits for p in entries) < e.limits["fix_fewest_hits"] else 1.0
    return round(few * min(0.98, agreement * (0.55 + 0.3 * beyond) + support), 2)


def _partner(e: Evidence, p: PairEntry) -> Finding:
    flip, keep = e.label(p.b), e.label(p.a)
    lost = db(abs(p.fuller_db or 0.0))
    motion = "its first motion is opposite too" if _moves_apart(e, p) else "the first motion alone does not tell"
    under = (
        "" if (c := e.channel(p.b)) is None or c.role != "snare-bottom" else " under the snare this is to be expected;"
    )
    return Finding(
        code="polarity", severity="look", files=(p.b, p.a),
        message=f"{e.head(p.b)} and {keep} cancel: the sum has {lost} less low end than with one flipped, "
        f"on {_share(p)} of the {drum_label(p.drum)}.",
        action=f"Flip the polarity of {flip} and write it on the input list.",
        value=p.fuller_db, unit="dB", confidence=_confidence(e, [p]), drum=p.drum,
        else_maybe=upper_first(f"{under} {motion}.".strip()),
    )  # fmt: skip


def _share(p: PairEntry) -> str:
    share = p.fuller_agreement or 0.0
    n = round(share * p.n_hits)
    return f"all {counted(n, 'stroke')}" if share >= 0.999 else f"{n} of {counted(p.n_hits, 'stroke')}"


def _spaced(e: Evidence, left: str, right: str) -> Iterator[Finding]:
    """Left against right: every drum that can tell has to say the same, one of them clearly."""
    entries = [p for d in ("kick", "snare") if (p := e.pair(left, right, d)) is not None and votes(e, p)]
    entries = [*_kick_besides(e, left, right, entries), *entries] or _kick_unplaced(e, left, right)
    unplaced = [] if entries else _both_unplaced(e, left, right)
    entries = entries or unplaced
    if not entries or not all(p.fuller_db is not None and p.fuller_db <= e.limits["cancel_db"] for p in entries):
        return
    if not any(p.fuller_db is not None and p.fuller_db <= e.limits["cancel_clear_db"] for p in entries):
        return
    flip, keep = _odd_one(e, left, right)
    severity = "look" if unplaced else e.at_most("fix", sum(p.n_hits for p in entries))
    drums = listed([drum_label(p.drum) for p in entries])
    lost = db(max(abs(p.fuller_db or 0.0) for p in entries))
    yield Finding(
        code="polarity", severity=severity, files=(flip, keep),
        message=f"{e.head(flip)} and {e.label(keep)} cancel: in mono the {drums} "
        f"{'lose' if len(entries) > 1 else 'loses'} up to {lost} of low end against one side flipped.",
        action=f"Look for a flipped switch or a miswired lead on {e.label(flip)}; flip it and mark the lead.",
        value=min(p.fuller_db or 0.0 for p in entries), unit="dB",
        confidence=min(_confidence(e, entries), 0.75 if unplaced else 1.0),
        else_maybe="Both may hang at very unlike distances from the drums: where their first sound lies is not known."
        if unplaced
        else f"The other one, {e.label(keep)}, may be the flipped side: against the close mics it does not show.",
    )  # fmt: skip


def _kick_besides(e: Evidence, left: str, right: str, voting: Sequence[PairEntry]) -> list[PairEntry]:
    """The kick of two overheads whose delay nobody knows, beside a snare that cancels: a delay cannot do both."""
    a, kick = e.channel(left), e.pair(left, right, "kick")
    if not voting or a is None or is_room(a.role) or kick is None or kick.delay_ms is not None:
        return []
    return [kick] if _steady(e, kick) and (kick.fuller_db or 0.0) <= e.limits["cancel_db"] else []


def _both_unplaced(e: Evidence, left: str, right: str) -> list[PairEntry]:
    """Kick and snare of two overheads of which no delay is known, if both cancel steadily, the kick clearly.

    Snare and kick lie an octave and more apart: one place that thins out both is hardly to be found, but it may be.
    """
    a = e.channel(left)
    both = [p for d in ("kick", "snare") if (p := e.pair(left, right, d)) is not None and p.delay_ms is None]
    if a is None or is_room(a.role) or len(both) < 2 or not all(_steady(e, p) for p in both):
        return []
    few = min(p.n_hits for p in both) < e.limits["fix_fewest_hits"]
    return [] if few or (both[0].fuller_db or 0.0) > e.limits["cancel_clear_db"] else both


def _kick_unplaced(e: Evidence, left: str, right: str) -> list[PairEntry]:
    """The kick of two overheads whose delay nobody knows, if the first motions of other drums bear it out.

    Its delay cannot cancel: a quarter period would be a path 1.2 m longer to one side than to the other.
    """
    a, kick, snare = e.channel(left), e.pair(left, right, "kick"), e.pair(left, right, "snare")
    if a is None or is_room(a.role) or kick is None or kick.delay_ms is not None or not _steady(e, kick):
        return []
    if snare is not None and _steady(e, snare) and (snare.fuller_db or 0.0) > e.limits["cancel_db"]:
        return []
    against = _against(e, left, right)
    enough = abs(against[left] - against[right]) >= e.limits["cancel_fewest_motions"]
    return [kick] if enough else []


def _steady(e: Evidence, p: PairEntry) -> bool:
    """Whether the low ends of enough strokes say the same."""
    return (
        p.fuller_db is not None and p.fuller_agreement is not None
        and p.fuller_agreement >= e.limits["cancel_agreement"] and p.n_hits >= e.limits["cancel_fewest_hits"]
    )  # fmt: skip


def _odd_one(e: Evidence, left: str, right: str) -> tuple[str, str]:
    """The side that moves against more drums' own mics comes first; the right one if that does not tell."""
    against = _against(e, left, right)
    return (left, right) if against[left] > against[right] else (right, left)


def _against(e: Evidence, left: str, right: str) -> Counter[str]:
    """How many drums' own mics each side moves against."""
    return Counter(
        p.b for p in e.pairs
        if p.b in (left, right) and p.a not in (left, right) and p.drum != "kick" and _moves_apart(e, p)
    )  # fmt: skip
