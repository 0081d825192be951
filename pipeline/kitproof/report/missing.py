"""Why a figure is missing, in the reader's language."""

from __future__ import annotations

import re

from kitproof import reasons
from kitproof.report.known import NUMBER, Known, sentences_of
from kitproof.report.numbers import MINUS
from kitproof.report.wording import Words
from kitproof.roles import DRUM_ORDER

DRUM = "|".join(map(re.escape, DRUM_ORDER))
REASONS = Known(sentences_of(reasons), lambda name: DRUM if name == "drum" else NUMBER)


def said(words: Words, *sentences: str) -> str:
    """A reason in the reader's language, several of one kind as one; the sentence itself if nobody has named it."""
    found = [one for sentence in sentences if (one := REASONS.find(sentence)) is not None]
    if not found or not words.has(f"reason.{found[0][0]}"):
        return sentences[0]
    key, first = found[0]
    return words(f"reason.{key}", **{name: _shown(words, name, [v[name] for _, v in found]) for name in first})


def _shown(words: Words, name: str, values: list[str]) -> str:
    if name == "drum":
        return words.drum(values[0])
    low, high = (bound(values, key=float).replace("-", MINUS) for bound in (min, max))
    return low if low == high else words("common.range", low=low, high=high)


def kind(sentence: str) -> tuple[str, ...]:
    """What sentences share that may be said as one: all but the numbers that were measured."""
    found = REASONS.find(sentence)
    if found is None:
        return (sentence,)
    return (found[0], *(value for name, value in found[1].items() if name == "drum" or name.startswith("least")))
