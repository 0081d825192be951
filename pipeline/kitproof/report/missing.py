"""Why a figure is missing, in the reader's language.

Records hold the sentence in English. It is known again letter by letter, apart from the values in it; what is not
known, such as a sentence of an older version, is printed as it stands.
"""

from __future__ import annotations

import re
from functools import cache

from kitproof.reasons import all_reasons
from kitproof.report.numbers import MINUS
from kitproof.report.wording import Words
from kitproof.roles import DRUM_ORDER

SLOT = re.compile(r"{(\w+)(?::[^}]*)?}")
NUMBER = r"-?\d+(?:\.\d+)?"


def said(words: Words, *sentences: str) -> str:
    """A reason in the reader's language, several of one kind as one; the sentence itself if nobody has named it."""
    found = [one for sentence in sentences if (one := recognised(sentence)) is not None]
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
    found = recognised(sentence)
    if found is None:
        return (sentence,)
    return (found[0], *(value for name, value in found[1].items() if name == "drum" or name.startswith("least")))


def foreign(words: Words, sentence: str) -> bool:
    """Whether a reason stays in English though the reader's language is another."""
    return not words.native and recognised(sentence) is None


def recognised(sentence: str) -> tuple[str, dict[str, str]] | None:
    """Name of a reason and the values in it; None if there is no such reason."""
    for key, pattern in _patterns():
        match = pattern.fullmatch(sentence)
        if match is not None:
            return key, match.groupdict()
    return None


@cache
def _patterns() -> tuple[tuple[str, re.Pattern[str]], ...]:
    return tuple((key, _pattern(text)) for key, text in all_reasons().items())


def _pattern(text: str) -> re.Pattern[str]:
    """What a filled sentence looks like: its own letters, numbers and drums where there are values."""
    plain, *rest = SLOT.split(text)
    pattern = re.escape(plain)
    for name, plain in zip(rest[::2], rest[1::2], strict=True):
        values = "|".join(map(re.escape, DRUM_ORDER)) if name == "drum" else NUMBER
        pattern += f"(?P<{name}>{values}){re.escape(plain)}"
    return re.compile(pattern)
