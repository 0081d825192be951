"""The sentences of the report. They are data (`wording/<language>.toml`): code asks by key and fills in numbers."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from kitproof.errors import OutputError
from kitproof.report.numbers import grouped
from kitproof.roles import drum_label

NATIVE = "en"  # the language in which findings, open checks and verdict are written into the records


class WordingError(OutputError):
    """A sentence is missing, or is filled with the wrong values: a bug, caught by the tests."""


class Words:
    """All sentences in one language.

    `words("levels.title")` gives a sentence; values fill its {placeholders} by name. `count` picks
    the singular or plural form, `entries` gives a list of small tables (glossary, cautions).
    """

    def __init__(self, tree: Mapping[str, Any], language: str = NATIVE) -> None:
        self._tree = tree
        self.language = language

    @property
    def native(self) -> bool:
        """Whether the records' own sentences are in this language."""
        return self.language == NATIVE

    def _find(self, key: str) -> Any:
        node: Any = self._tree
        for part in key.split("."):
            if not isinstance(node, Mapping) or part not in node:
                raise WordingError(f"no wording for {key!r}")
            node = node[part]
        return node

    def __call__(self, key: str, **values: object) -> str:
        """The sentence of a key. Raises WordingError if it or one of its values is missing."""
        sentence = self._find(key)
        if not isinstance(sentence, str):
            raise WordingError(f"{key!r} is not a sentence")
        try:
            return sentence.format(**values)
        except (KeyError, IndexError) as error:
            raise WordingError(f"{key!r} needs the value {error}") from None

    def count(self, key: str, n: int, **values: object) -> str:
        """The sentence for `n` things: `key.zero` (if there is one), `key.one` or `key.many`; n is filled in as {n}.

        Without `key.zero` nothing is counted as `language.zero` says: French has no stroke in the singular.
        """
        none = "zero" if "zero" in self._find(key) else self._tree.get("language", {}).get("zero", "many")
        form = "one" if n == 1 else (none if n == 0 else "many")
        return self(f"{key}.{form}", n=grouped(n), **values)

    def sentences(self, *sentences: str) -> str:
        """Sentences one after another: not every language sets a blank between them."""
        return self("common.between_sentences").join(sentences)

    def unit(self, unit: str) -> str:
        """A unit behind a number: a word where this language has one for it, else the symbol itself."""
        return self.or_text(f"unit.{unit}", unit)

    def source(self, source: str) -> str:
        """Who says so: "common practice" or "own choice" in this language, anything else as it is."""
        return self.or_text(f"source.{source}", source)

    def drum(self, drum: str) -> str:
        """How the report calls a drum."""
        return self("common.unmiked") if drum == "unmiked" else self.or_text(f"drum.{drum}", drum_label(drum))

    def has(self, key: str) -> bool:
        """Whether there is such a key: for keys that come from outside."""
        try:
            self._find(key)
        except WordingError:
            return False
        return True

    def or_text(self, key: str, text: str) -> str:
        """The sentence of `key` if there is one, else `text` itself."""
        return self(key) if self.has(key) else text

    def entries(self, key: str) -> tuple[Mapping[str, str], ...]:
        """A list of tables, such as [[glossary]]."""
        return tuple(self._find(key))


@cache
def languages() -> tuple[str, ...]:
    """The languages there is a wording for, by their codes (ISO 639-1): one file each."""
    names = (entry.name for entry in (files("kitproof.report") / "wording").iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))


@cache
def load_words(language: str) -> Words:
    """The wording of one language. Raises WordingError if there is none."""
    if language not in languages():
        raise WordingError(f"no wording for the language {language!r}; there is: {', '.join(languages())}")
    source = files("kitproof.report") / "wording" / f"{language}.toml"
    return Words(tomllib.loads(source.read_text(encoding="utf-8")), language)
