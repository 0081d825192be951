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


def said(words: Words, sentence: str) -> str:
    """A reason in the reader's language; the sentence itself if nobody has named it."""
    found = recognised(sentence)
    if found is None or not words.has(f"reason.{found[0]}"):
        return sentence
    key, values = found
    shown = {n: words.drum(v) if n == "drum" else v.replace("-", MINUS) for n, v in values.items()}
    return words(f"reason.{key}", **shown)


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
