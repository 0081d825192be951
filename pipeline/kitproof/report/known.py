"""Sentences of the records, known again by their text.

Records hold sentences in English. Each is known letter by letter, apart from the values in it; what is not known,
such as a sentence of an older version, is printed as it stands.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from types import ModuleType

from kitproof.report.wording import Words

SLOT = re.compile(r"{(\w+)(?::[^}]*)?}")
NUMBER = r"-?\d+(?:\.\d+)?"
ANYTHING = r".+?"


def sentences_of(module: ModuleType) -> dict[str, str]:
    """Every sentence that a module names, by its name in small letters, values in {braces}."""
    return {name.lower(): text for name, text in vars(module).items() if name.isupper() and isinstance(text, str)}


class Known:
    """The sentences of one kind, by their names.

    texts : name -> English sentence with {values} in it
    value : name of a value -> what it may look like, as a pattern
    """

    def __init__(self, texts: Mapping[str, str], value: Callable[[str], str]) -> None:
        self._patterns = {key: _pattern(text, value) for key, text in texts.items()}

    def find(self, sentence: str) -> tuple[str, dict[str, str]] | None:
        """Name of a sentence and the values in it; None if there is no such sentence."""
        for key, pattern in self._patterns.items():
            match = pattern.fullmatch(sentence)
            if match is not None:
                return key, match.groupdict()
        return None

    def foreign(self, words: Words, sentence: str) -> bool:
        """Whether a sentence stays in English though the reader's language is another."""
        return not words.native and self.find(sentence) is None


def _pattern(text: str, value: Callable[[str], str]) -> re.Pattern[str]:
    """What a filled sentence looks like: its own letters, and values where there are any."""
    plain, *rest = SLOT.split(text)
    pattern = re.escape(plain)
    for name, plain in zip(rest[::2], rest[1::2], strict=True):
        again = f"(?P<{name}>" in pattern
        pattern += (f"(?P={name})" if again else f"(?P<{name}>{value(name)})") + re.escape(plain)
    return re.compile(pattern)
