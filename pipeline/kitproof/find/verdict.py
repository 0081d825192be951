"""The verdict: keep, fix and redo, redo, or unknown, with the findings that decide it and what is fine."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.find import level, polarity, sides
from kitproof.find.evidence import Evidence, drum_of
from kitproof.find.texts import counted, dbfs, listed, ms
from kitproof.model import ChannelMeasures, Finding, Verdict
from kitproof.roles import OWN_MIC_ORDER, PAIRS

LOST_CODES = ("unreadable-file", "dead-channel")
CUT_CODES = ("dropout",)  # a file cut short may be whole on the recorder; lost samples are nowhere
# what the files may be cured of without playing again
FILE_CODES = ("unreadable-file", "damaged-file", "truncated-file", "format-mismatch", "length-mismatch", "polarity")
MOST_RED, MOST_GOOD = 3, 5


def verdict(e: Evidence, findings: Sequence[Finding]) -> Verdict:
    """One word and sentence for the take; `findings` in their final order."""
    red = tuple(i for i, f in enumerate(findings) if f.severity == "fix")[:MOST_RED]
    good = tuple(_good(e, findings))[:MOST_GOOD]
    lost = _lost(e, findings)
    n_fix, n_look = (sum(f.severity == s for f in findings) for s in ("fix", "look"))
    if lost:
        sentence = f"The recording of {listed(lost)} is lost and cannot be mended: put it right and play it again."
        if any(f.code == "unreadable-file" for f in findings):
            sentence += " A file that cannot be read may be whole on the recorder: look there first."
        return Verdict(word="redo", sentence=sentence, red_lines=red, good=good)
    little = _too_little(e)
    if little and not n_fix:
        sentence = f"Too little could be measured to say: {little}. Listen to every channel alone before you strike."
        return Verdict(word="unknown", sentence=sentence, red_lines=red, good=good)
    if n_fix:
        replay = any(f.severity == "fix" and f.code not in FILE_CODES for f in findings)
        then = ", then one more take" if replay else "; mend the files first, the playing itself may be whole"
        sentence = f"{counted(n_fix, 'thing')} to put right while the kit still stands{then}."
        return Verdict(word="fix-and-redo", sentence=sentence, red_lines=red, good=good)
    decide = f" {counted(n_look, 'point is', 'points are')} worth a decision." if n_look else ""
    sentence = f"Nothing was found that puts this take at risk.{decide} Listen to the ending once, then strike."
    return Verdict(word="keep", sentence=sentence, red_lines=red, good=good)


def _too_little(e: Evidence) -> str:
    n = len(e.take.channels)
    if len(e.channels) < e.limits["unknown_share"] * n:
        return f"only {len(e.channels)} of {n} channels could be read"
    return "" if e.hits else "no stroke of any drum was found"


# ---------------------------------------------------------------- is the recording itself lost?
def _lost(e: Evidence, findings: Sequence[Finding]) -> list[str]:
    """What is lost of the kick, the snare and the overheads."""
    gone = {file for f in findings if f.severity == "fix" and f.code in LOST_CODES for file in f.files}
    cut = {file for f in findings if f.severity == "fix" and f.code in CUT_CODES for file in f.files}
    heavy = {c.file for c in e.channels if _clipped_heavily(e, c)}
    bad = gone | cut | heavy
    lost = []
    for drum in ("kick", "snare"):
        mics = [c.file for c in e.with_role(*OWN_MIC_ORDER[drum])]
        if drum == "snare":
            mics = mics[:1]  # the bottom mic cannot stand in for the top one
        if mics and set(mics) <= bad:
            lost.append(f"the {drum}")
    overheads = {c.file for c in e.with_role("overhead", "overhead-left", "overhead-right")}
    if overheads and overheads <= bad:
        lost.append("the overheads" if len(overheads) > 1 else "the overhead")
    elif overheads & cut:
        lost.append("an overhead")
    return lost


def _clipped_heavily(e: Evidence, c: ChannelMeasures) -> bool:
    """Cut flat on a good part of its own strokes; a distant mic on as many of all strokes."""
    times = level.clipped_times(e, c)
    if not times:
        return False
    drum = drum_of(c.role)
    n, total = level.own_hits_clipped(e, c, times) if drum else (len(times), len(e.hits))
    return total > 0 and n >= e.limits["clip_lost_share"] * total and n >= e.limits["clip_fix_others"]


# ---------------------------------------------------------------- what is fine
def _good(e: Evidence, findings: Sequence[Finding]) -> list[str]:
    codes = {f.code for f in findings}
    sentences = (_files_agree(e, codes), _nothing_clips(e, codes), _pairs_equal(e), _partners_add(e),
                 _sides_agree(e, codes), _quiet(e, codes), _all_played(e))  # fmt: skip
    return [s for s in sentences if s]


def _files_agree(e: Evidence, codes: set[str]) -> str:
    wrong = {"format-mismatch", "length-mismatch", "truncated-file", "unreadable-file", "damaged-file"}
    whole = [f for f in e.take.files if f.problem is None and f.rate_hz]
    if wrong & codes or len(whole) < 2:
        return ""
    rate = f"{whole[0].rate_hz or 0:,} Hz".replace(",", "\u202f")
    bits = f", {whole[0].bit_depth} bits" if whole[0].bit_depth else ""
    return f"All {len(whole)} files are whole and agree: {rate}{bits}, one length."


def _nothing_clips(e: Evidence, codes: set[str]) -> str:
    peaks = [(c.sample_peak_dbfs, e.label(c.file)) for c in e.kit if c.sample_peak_dbfs is not None]
    if not peaks or {"clipping", "hot-level"} & codes:
        return ""
    top, label = max(peaks)
    return f"Nothing comes near full scale: the loudest peak is {dbfs(top)} on {label}."


def _quiet(e: Evidence, codes: set[str]) -> str:
    floors = [c.noise_floor_dbfs for c in e.kit if c.noise_floor_dbfs is not None]
    if not floors or {"noise", "hum"} & codes or max(floors) > e.limits["noise_distant_dbfs"]:
        return ""
    return f"The noise floors of {counted(len(floors), 'mic')} lie at {dbfs(max(floors))} or below."


def _pairs_equal(e: Evidence) -> str:
    for left, right in PAIRS[:1]:
        for a in e.with_role(left)[:1]:
            for b in e.with_role(right)[:1]:
                p = e.pair(a.file, b.file, "snare")
                if p is not None and e.known_delay(p) and p.delay_ms is not None and p.delay_spread_ms is not None:
                    size = abs(p.delay_ms) + p.delay_spread_ms
                    if size <= e.limits["pair_note_ms"]:
                        return f"The snare reaches {a.label} and {b.label} within {ms(size)} of each other."
    return ""


def _partners_add(e: Evidence) -> str:
    """Second mics that add up with the drum's own mic, and left with right."""
    names = []
    for p in e.pairs:
        a, b = e.channel(p.a), e.channel(p.b)
        if a is None or b is None or not polarity.votes(e, p) or p.fuller != "leave":
            continue
        beside = drum_of(a.role) == drum_of(b.role) == p.drum
        if beside or (p.drum == "kick" and (a.role, b.role) in PAIRS):
            names.append(f"{a.label} with {b.label}")
    return f"These add up in the low end: {listed(names)}." if names else ""


def _sides_agree(e: Evidence, codes: set[str]) -> str:
    if {"mislabelled-channel", "left-right-swapped"} & codes:
        return ""
    for c in sides.comparisons(e):
        if c.correlation is not None and c.correlation > e.limits["sides_agree"]:
            left = sides.hat_is_left(c.drums, c.first_ms)
            where = "" if left is None else f", hi-hat side {'left' if left else 'right'}"
            return f"Overheads and rooms show the kit the same way round{where}." if _usual(c) else (
                f"{c.first[0].label} and {c.second[0].label} show the kit the same way round{where}."
            )  # fmt: skip
    return ""


def _usual(c: sides.Comparison) -> bool:
    return c.first[0].role.startswith("overhead") and c.second[0].role.startswith("room")


def _all_played(e: Evidence) -> str:
    if not e.drums or any(d.n_hits == 0 for d in e.drums):
        return ""
    return f"Every drum with a mic was heard: {counted(len(e.hits), 'stroke')} on {counted(len(e.drums), 'drum')}."
