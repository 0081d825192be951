"""Left against right: a gain that is not the same in both, a low cut that only one of them has."""

from __future__ import annotations

from collections.abc import Iterator

from kitproof.find.evidence import Evidence, is_room
from kitproof.find.texts import counted, db, ms
from kitproof.model import Channel, ChannelFaults, Finding
from kitproof.observed.heard import Heard
from kitproof.observed.pairs import PairLows

CENTRED = ("kick", "snare")


def findings_of(e: Evidence) -> Iterator[Finding]:
    """At most one of either kind for every pair."""
    for a, b in e.spaced_pairs:
        yield from _gain(e, a, b)
    holed = {f.file for f in e.records(ChannelFaults) if any(g.kind != "jump" for g in f.gaps)}
    for p in e.records(PairLows):
        if _is_cut(e, p) and not holed & {p.a, p.b}:  # the edges of a hole hold all lows
            yield _low_cut(e, p)


def _gain(e: Evidence, a: Channel, b: Channel) -> Iterator[Finding]:
    """Only where drums that reach both at the same time and the noise of both say the same."""
    floors = [m.noise_floor_dbfs if (m := e.measured(c.file)) is not None else None for c in (a, b)]
    if floors[0] is None or floors[1] is None:
        return
    heard = {(h.file, h.drum): h.over_own_db for h in e.records(Heard) if h.n_strokes >= e.limits["pair_gain_strokes"]}
    centred = [d for d in CENTRED if _arrives_equally(e, a, b, d) and {(a.file, d), (b.file, d)} <= heard.keys()]
    over = [heard[a.file, d] - heard[b.file, d] for d in centred]
    noise_db = floors[0] - floors[1]
    agree = [abs(x - noise_db) <= e.limits["pair_gain_agree_db"] for x in over]
    if len(over) < len(CENTRED) or not all(agree):
        return
    gain_db = sum(over) / len(over)
    if min(abs(x) for x in (*over, noise_db)) < e.limits["pair_gain_db"]:
        return
    louder, softer = (a, b) if gain_db > 0.0 else (b, a)
    yield Finding(
        code="pair-gain", severity="note", files=(a.file, b.file),
        message=f"{e.head(louder.file)} has {db(abs(gain_db))} more gain than {softer.label}: kick and snare, which "
        f"reach both within {ms(e.limits['pair_note_ms'])}, are louder by so much, and so is the noise.",
        action=f"Bring {softer.label} up by {db(abs(gain_db))} in the mix, and set both gains alike before the next "
        "take.",
        value=gain_db, unit="dB", confidence=0.8, else_maybe="Two mics of different make.",
    )  # fmt: skip


def _arrives_equally(e: Evidence, a: Channel, b: Channel, drum: str) -> bool:
    """From the delays of both against the drum's own mic."""
    own = e.own_files.get(drum)
    delays = [e.pair(own, c.file, drum) for c in (a, b)] if own is not None else []
    known = [p.delay_ms for p in delays if p is not None and p.delay_ms is not None and e.known_delay(p)]
    return len(known) == 2 and abs(known[0] - known[1]) <= e.limits["pair_note_ms"]


def _is_cut(e: Evidence, p: PairLows) -> bool:
    if p.lowest_db is None or p.low_db is None or p.upper_db is None:
        return False
    side = 1.0 if p.lowest_db > 0.0 else -1.0
    lowest, low = side * p.lowest_db, side * p.low_db
    return (
        lowest >= e.limits["low_cut_note_db"] and low >= e.limits["low_cut_octave_db"]
        and abs(p.upper_db) <= e.limits["low_cut_upper_db"]
    )  # fmt: skip


def _low_cut(e: Evidence, p: PairLows) -> Finding:
    lowest = p.lowest_db or 0.0
    thin, full = (p.b, p.a) if lowest > 0.0 else (p.a, p.b)
    channel = e.channel(thin)
    room = channel is not None and is_room(channel.role)  # a room mic may stand where the lowest mode has its node
    sure = abs(lowest) >= e.limits["low_cut_look_db"] and not room
    return Finding(
        code="low-cut", severity="look" if sure else "note", files=(thin,),
        message=f"{e.head(thin)} lacks the lows that {e.label(full)} has: {db(abs(p.low_db or 0.0))} less at 45 Hz, "
        f"{db(abs(lowest))} less an octave below, {counted(p.n_strokes, 'stroke')} of kick and toms.",
        action=f"Look for a low cut on {e.label(thin)}, on the mic, the preamp and the desk, and set both of the pair "
        "alike.",
        value=-abs(lowest), unit="dB", confidence=0.85 if sure else 0.6,
        else_maybe="Two mics of different make, or a place where the room's lowest tone is not heard.",
    )  # fmt: skip
