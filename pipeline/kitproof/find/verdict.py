"""The verdict: keep, fix and redo, redo, or unknown, with the findings that decide it and what is fine."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.find import clipping, level, polarity, sides
from kitproof.find.evidence import Evidence, drum_of
from kitproof.find.texts import counted, dbfs, listed, ms
from kitproof.model import ChannelMeasures, Fact, Finding, Verdict, VerdictWord
from kitproof.roles import OWN_MIC_ORDER, PAIRS

LOST_CODES = ("unreadable-file", "dead-channel")
CUT_CODES = ("dropout", "skip")  # a file cut short may be whole on the recorder; lost samples are nowhere
# what the files may be cured of without playing again
FILE_CODES = (
    "unreadable-file",
    "damaged-file",
    "truncated-file",
    "format-mismatch",
    "rate-flag",
    "length-mismatch",
    "polarity",
)
MOST_RED, MOST_GOOD = 3, 5
THE_LOST = {"kick": "the kick", "snare": "the snare", "overheads": "the overheads", "overhead": "an overhead"}
Good = tuple[str, Fact]  # a sentence, and the same as data


def verdict(e: Evidence, findings: Sequence[Finding]) -> Verdict:
    """One word and sentence for the take; `findings` in their final order."""
    lost = _lost(e, findings)
    word, why, sentence = _judge(e, findings, lost)
    good = _good(e, findings)[:MOST_GOOD]
    return Verdict(
        word=word, sentence=sentence, why=why, lost=tuple(lost),
        red_lines=tuple(i for i, f in enumerate(findings) if f.severity == "fix")[:MOST_RED],
        good=tuple(sentence for sentence, _ in good), good_facts=tuple(fact for _, fact in good),
    )  # fmt: skip


def _judge(e: Evidence, findings: Sequence[Finding], lost: Sequence[str]) -> tuple[VerdictWord, str, str]:
    """The word, the name of the sentence, the sentence."""
    n_fix, n_look = (sum(f.severity == s for f in findings) for s in ("fix", "look"))
    if lost:
        names = listed([_the(e, what) for what in lost])
        sentence = f"The recording of {names} is lost and cannot be mended: put it right and play it again."
        if any(f.code == "unreadable-file" for f in findings):
            sentence += " A file that cannot be read may be whole on the recorder: look there first."
            return "redo", "lost-unreadable", sentence
        return "redo", "lost", sentence
    why, little = _too_little(e)
    if little and not n_fix:
        sentence = f"Too little could be measured to say: {little}. Listen to every channel alone before you strike."
        return "unknown", why, sentence
    if n_fix:
        replay = any(f.severity == "fix" and f.code not in FILE_CODES for f in findings)
        then = ", then one more take" if replay else "; mend the files first, the playing itself may be whole"
        sentence = f"{counted(n_fix, 'thing')} to put right while the kit still stands{then}."
        return "fix-and-redo", "replay" if replay else "mend-files", sentence
    decide = f" {counted(n_look, 'point is', 'points are')} worth a decision." if n_look else ""
    sentence = f"Nothing was found that puts this take at risk.{decide} Listen to the ending once, then strike."
    return "keep", "nothing", sentence


def _too_little(e: Evidence) -> tuple[str, str]:
    n = len(e.take.channels)
    if len(e.channels) < e.limits["unknown_share"] * n:
        return "few-channels", f"only {len(e.channels)} of {n} channels could be read"
    return ("", "") if e.hits else ("no-strokes", "no stroke of any drum was found")


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
            lost.append(drum)
    overheads = {c.file for c in e.with_role("overhead", "overhead-left", "overhead-right")}
    if overheads and overheads <= bad:
        lost.append("overheads")
    elif overheads & cut:
        lost.append("overhead")
    return lost


def _the(e: Evidence, what: str) -> str:
    single = what == "overheads" and len(e.with_role("overhead", "overhead-left", "overhead-right")) == 1
    return "the overhead" if single else THE_LOST[what]


def _clipped_heavily(e: Evidence, c: ChannelMeasures) -> bool:
    """Cut flat on a good part of its own strokes; a distant mic on as many of all strokes."""
    times = level.clipped_times(e, c) or clipping.cut_off_times(e, c.file)
    if not times:
        return False
    drum = drum_of(c.role)
    n, total = level.own_hits_clipped(e, c, times) if drum else (len(times), len(e.hits))
    return total > 0 and n >= e.limits["clip_lost_share"] * total and n >= e.limits["clip_fix_others"]


# ---------------------------------------------------------------- what is fine
def _good(e: Evidence, findings: Sequence[Finding]) -> list[Good]:
    codes = {f.code for f in findings}
    said = (_files_agree(e, codes), _nothing_clips(e, codes), _pairs_equal(e), _partners_add(e),
            _sides_agree(e, codes), _quiet(e, codes), _all_played(e))  # fmt: skip
    return [one for one in said if one is not None]


def _files_agree(e: Evidence, codes: set[str]) -> Good | None:
    wrong = {"format-mismatch", "length-mismatch", "truncated-file", "unreadable-file", "damaged-file"}
    whole = [f for f in e.take.files if f.problem is None and f.rate_hz]
    if wrong & codes or len(whole) < 2:
        return None
    rate = f"{whole[0].rate_hz or 0:,} Hz".replace(",", "\u202f")
    bits = f", {whole[0].bit_depth} bits" if whole[0].bit_depth else ""
    numbers = {"n": len(whole), "rate_hz": whole[0].rate_hz or 0}
    return (
        f"All {len(whole)} files are whole and agree: {rate}{bits}, one length.",
        Fact(key="files_agree", numbers=numbers | ({"bits": whole[0].bit_depth} if whole[0].bit_depth else {})),
    )


def _nothing_clips(e: Evidence, codes: set[str]) -> Good | None:
    peaks = [(c.sample_peak_dbfs, e.label(c.file), c.file) for c in e.kit if c.sample_peak_dbfs is not None]
    if not peaks or {"clipping", "hot-level"} & codes:
        return None
    top, label, file = max(peaks)
    return (
        f"Nothing comes near full scale: the loudest peak is {dbfs(top)} on {label}.",
        Fact(key="nothing_clips", files=(file,), numbers={"level_dbfs": top}),
    )


def _quiet(e: Evidence, codes: set[str]) -> Good | None:
    floors = [c.noise_floor_dbfs for c in e.kit if c.noise_floor_dbfs is not None]
    if not floors or {"noise", "hum"} & codes or max(floors) > e.limits["noise_distant_dbfs"]:
        return None
    return (
        f"The noise floors of {counted(len(floors), 'mic')} lie at {dbfs(max(floors))} or below.",
        Fact(key="quiet", numbers={"n": len(floors), "level_dbfs": max(floors)}),
    )


def _pairs_equal(e: Evidence) -> Good | None:
    for left, right in PAIRS[:1]:
        for a in e.with_role(left)[:1]:
            for b in e.with_role(right)[:1]:
                p = e.pair(a.file, b.file, "snare")
                if p is not None and e.known_delay(p) and p.delay_ms is not None and p.delay_spread_ms is not None:
                    size = abs(p.delay_ms) + p.delay_spread_ms
                    if size <= e.limits["pair_note_ms"]:
                        return (
                            f"The snare reaches {a.label} and {b.label} within {ms(size)} of each other.",
                            Fact(key="pairs_equal", files=(a.file, b.file), numbers={"within_ms": size}),
                        )
    return None


def _partners_add(e: Evidence) -> Good | None:
    """Second mics that add up with the drum's own mic, and left with right."""
    names, files = [], []
    for p in e.pairs:
        a, b = e.channel(p.a), e.channel(p.b)
        if a is None or b is None or not polarity.votes(e, p) or p.fuller != "leave":
            continue
        beside = drum_of(a.role) == drum_of(b.role) == p.drum
        if beside or (p.drum == "kick" and (a.role, b.role) in PAIRS):
            names.append(f"{a.label} with {b.label}")
            files += [a.file, b.file]
    if not names:
        return None
    return f"These add up in the low end: {listed(names)}.", Fact(key="partners_add", files=tuple(files))


def _sides_agree(e: Evidence, codes: set[str]) -> Good | None:
    if {"mislabelled-channel", "left-right-swapped"} & codes:
        return None
    for c in sides.comparisons(e):
        if c.correlation is not None and c.correlation > e.limits["sides_agree"]:
            left = sides.hat_is_left(c.drums, c.first_ms)
            where = "" if left is None else f", hi-hat side {'left' if left else 'right'}"
            key = "sides_agree" if left is None else ("sides_agree_left" if left else "sides_agree_right")
            fact = Fact(key=key, files=(c.first[0].file, c.second[0].file))
            if _usual(c):
                return f"Overheads and rooms show the kit the same way round{where}.", fact
            return f"{c.first[0].label} and {c.second[0].label} show the kit the same way round{where}.", fact
    return None


def _usual(c: sides.Comparison) -> bool:
    return c.first[0].role.startswith("overhead") and c.second[0].role.startswith("room")


def _all_played(e: Evidence) -> Good | None:
    if not e.drums or any(d.n_hits == 0 for d in e.drums):
        return None
    return (
        f"Every drum with a mic was heard: {counted(len(e.hits), 'stroke')} on {counted(len(e.drums), 'drum')}.",
        Fact(key="all_played", numbers={"n_hits": len(e.hits), "n_drums": len(e.drums)}),
    )
