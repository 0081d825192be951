"""What the records say, in the reader's language.

Findings, open checks and the verdict carry their own English sentences, with every detail. An English report
prints them word for word; a report in another language says the same from their data: by code, channels, drum
and value. What has no sentence there (a code nobody has named yet) stays in English rather than unsaid.
"""

from __future__ import annotations

from kitproof import remarks
from kitproof.model import Fact, Finding, NotChecked
from kitproof.report import missing, numbers
from kitproof.report.context import Context
from kitproof.report.known import ANYTHING, NUMBER, Known, sentences_of

MOST_NAMED = 4
# units that are the same in every language; other words behind a number are looked up
SYMBOLS = frozenset({"dBFS", "dBTP", "dB", "LUFS", "LU", "ms", "s", "Hz", "kHz", "ppm", "cm", "m", "%"})

REMARKS = Known(sentences_of(remarks), lambda name: NUMBER if name in ("n", "most", "low", "high") else ANYTHING)


# ---------------------------------------------------------------- findings
def title(ctx: Context, finding: Finding) -> str:
    """Short name of what was found: "Clipping"; the code itself if it has none."""
    return ctx.words.or_text(f"finding.{finding.code}.title", finding.code)


def message(ctx: Context, finding: Finding) -> str:
    """What was found, in a sentence."""
    key = f"finding.{finding.code}.says"
    if ctx.words.native or not ctx.words.has(key):
        return finding.message
    return ctx.words("common.titled", title=title(ctx, finding), text=ctx.words(key, **_slots(ctx, finding)))


def action(ctx: Context, finding: Finding) -> str:
    """The one thing to do."""
    key = f"finding.{finding.code}.do"
    if ctx.words.native or not ctx.words.has(key):
        return finding.action
    return ctx.words(key, **_slots(ctx, finding))


def else_maybe(ctx: Context, finding: Finding) -> str:
    """What else it might be; "" if nothing comes to mind."""
    key = f"finding.{finding.code}.else"
    if ctx.words.native or not ctx.words.has(key):
        return finding.else_maybe
    return ctx.words(key, **_slots(ctx, finding))


def meaning(ctx: Context, finding: Finding) -> str:
    """What such a finding means for the recording; "" if nothing is written about it."""
    return ctx.words.or_text(f"meaning.{finding.code}", "")


def value(ctx: Context, finding: Finding) -> str:
    """The finding's number with its unit; "" if it has none, or none but the time that is said anyhow."""
    if finding.value is None or (finding.unit == "s" and finding.value in finding.times_s):
        return ""
    unit = finding.unit
    if not ctx.words.native and unit not in SYMBOLS:
        symbol = unit.split(" ")[0]
        unit = ctx.words.or_text(f"unit.{unit}", symbol if symbol in SYMBOLS else "")
    return numbers.with_unit(finding.value, unit)


def _slots(ctx: Context, finding: Finding) -> dict[str, str]:
    """What a sentence about a finding may hold."""
    return {
        "channels": ctx.subject(finding),
        "value": value(ctx, finding),
        "count": numbers.grouped(max(finding.n_times, len(finding.times_s))),
        "drum": ctx.drum(finding.drum) if finding.drum else "",
    }


# ---------------------------------------------------------------- verdict
def verdict_sentence(ctx: Context) -> str:
    """The verdict in words."""
    words, verdict = ctx.words, ctx.measurements.verdict
    key = f"say.{verdict.why}"
    if words.native or not words.has(key):
        return verdict.sentence
    if verdict.why in ("replay", "mend-files"):
        return words.count(key, ctx.count("fix"))
    if verdict.why == "nothing":
        n = ctx.count("look")
        return words.count(key, n)
    lost = [words.or_text(f"lost.{what}", what) for what in verdict.lost]
    n_read, n_all = len(ctx.measurements.channels), len(ctx.channels)
    return words(key, lost=ctx.listing(lost, MOST_NAMED), n=numbers.grouped(n_read), all=numbers.grouped(n_all))


def good(ctx: Context) -> tuple[str, ...]:
    """What is fine, in sentences."""
    verdict = ctx.measurements.verdict
    if ctx.words.native or len(verdict.good) != len(verdict.good_facts):
        return verdict.good
    said = zip(verdict.good, verdict.good_facts, strict=True)
    return tuple(_fact(ctx, fact) if ctx.words.has(f"good.{fact.key}") else sentence for sentence, fact in said)


def _fact(ctx: Context, fact: Fact) -> str:
    words = ctx.words
    labels = [ctx.label(f) for f in fact.files]
    pairs = [words("good.pair", a=a, b=b) for a, b in zip(labels[::2], labels[1::2], strict=False)]
    known = fact.numbers
    values = {
        "a": labels[0] if labels else "",
        "b": labels[1] if len(labels) > 1 else "",
        "pairs": ctx.listing(pairs, MOST_NAMED),
        "n": numbers.grouped(int(known.get("n", 0))),
        "format": _format(ctx, fact),
        "level": numbers.with_unit(known.get("level_dbfs", 0.0), "dBFS"),
        "within": numbers.with_unit(known.get("within_ms", 0.0), "ms"),
        "hits": words.count("common.hits", int(known.get("n_hits", 0))),
        "drums": words.count("common.drums", int(known.get("n_drums", 0))),
    }
    return words(f"good.{fact.key}", **values)


def _format(ctx: Context, fact: Fact) -> str:
    """Rate and word length: "48 000 Hz, 24 bit"."""
    rate = f"{numbers.grouped(int(fact.numbers.get('rate_hz', 0)))} Hz"
    if "bits" not in fact.numbers:
        return rate
    return ctx.words("common.comma").join((rate, ctx.words("inputs.bits", bits=int(fact.numbers["bits"]))))


# ---------------------------------------------------------------- open checks
def check(ctx: Context, one: NotChecked) -> str:
    """A check that could not be made."""
    key = f"unchecked.{one.code}.check"
    return one.check if ctx.words.native or not ctx.words.has(key) else ctx.words(key, **_about(ctx, one))


def why(ctx: Context, one: NotChecked) -> str:
    """Why it could not be made."""
    key = f"unchecked.{one.code}.why"
    if missing.REASONS.foreign(ctx.words, one.reason) and ctx.words.has(key):
        return ctx.words(key, **_about(ctx, one))
    return missing.said(ctx.words, one.reason)


def _about(ctx: Context, one: NotChecked) -> dict[str, str]:
    return {
        "channels": ctx.listing([ctx.label(f) for f in one.files], MOST_NAMED),
        "drums": ctx.listing([ctx.drum(d) for d in one.drums], MOST_NAMED),
        "n": numbers.grouped(one.n),
    }


# ---------------------------------------------------------------- remarks on how the take was read
def remark(ctx: Context, sentence: str) -> str:
    """What the reader of the take remarked."""
    found = REMARKS.find(sentence)
    return sentence if found is None else ctx.words(f"remark.{found[0]}", **found[1])
