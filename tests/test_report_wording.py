"""The sentences of the report: none missing, none unused, none filled wrongly."""

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import kitproof.report
from kitproof.report.pages import arrival, findings, verdict
from kitproof.report.wording import WordingError, Words, load_words

FOLDER = Path(kitproof.report.__file__).parent
TREE = tomllib.loads((FOLDER / "wording" / "en.toml").read_text("utf-8"))
KEY = re.compile(r"[a-z]+\.[a-z_]*[a-z]")
# asked for by names that are put together in the code, each family by the values that can occur
FAMILIES = {
    "meaning": set(TREE["meaning"]),
    "findings": {"count_fix", "count_look", "count_note"},
    "inputs": {"unreadable", "truncated", "empty"},
    "bleed": {"isolated_short", "workable_short", "shared_short", "not_close_short"},
}
FORMS = {"zero", "one", "many"}
# the finding codes that the take's machine-readable result is promised to use
CODES = (
    "clipping", "polarity", "pair-offset", "late-channel", "clock-drift", "moved-mic", "hum", "noise", "dropout",
    "dc-offset", "dead-channel", "low-level", "duplicate-channel", "mislabelled-channel", "left-right-swapped",
    "click-bleed", "format-mismatch", "length-mismatch", "truncated-file", "unreadable-file",
)  # fmt: skip


def sources() -> Iterator[ast.AST]:
    for path in sorted(FOLDER.rglob("*.py")):
        yield ast.parse(path.read_text("utf-8"))


def asked() -> set[str]:
    """Every string in the code that looks like a key of the wording."""
    sections = set(TREE)
    found = set()
    for tree in sources():
        for node in ast.walk(tree):
            text = node.value if isinstance(node, ast.Constant) else None
            if isinstance(text, str) and KEY.fullmatch(text) and text.split(".")[0] in sections:
                found.add(text)
    return found


def written() -> set[str]:
    """Every key of the wording, singular and plural as one."""
    keys = set()
    for section, entries in TREE.items():
        if isinstance(entries, list):
            continue
        keys |= {f"{section}.{key}" for key in entries}
    return keys


def test_every_sentence_asked_for_is_there() -> None:
    """No key in the code is without its sentence."""
    assert asked() - written() == set()


def test_every_sentence_is_used() -> None:
    """No sentence has outlived the code that asked for it."""
    families = {f"{section}.{key}" for section, keys in FAMILIES.items() for key in keys}
    titles = {f"{section}.title" for section in TREE}  # put together in anatomy.open_section
    assert written() - asked() - families - titles == set()


def test_counted_sentences_have_singular_and_plural() -> None:
    """A key with forms has one and many, perhaps zero, and nothing else."""
    for section, entries in TREE.items():
        if isinstance(entries, list):
            continue
        for key, value in entries.items():
            if isinstance(value, dict):
                assert {"one", "many"} <= set(value) <= FORMS, f"{section}.{key}"


def test_the_values_handed_over_are_those_the_sentence_holds() -> None:
    """Where code names a key and its values in one call, they match the placeholders by name."""
    words = load_words("en")
    checked = 0
    for tree in sources():
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call) or not node.args or not isinstance(node.args[0], ast.Constant):
                continue
            key, given = node.args[0].value, {k.arg for k in node.keywords}
            if key not in written():
                continue
            counted = isinstance(node.func, ast.Attribute) and node.func.attr == "count"
            sentences = _forms(key) if counted else [words._find(key)]
            for sentence in sentences:
                holds = set(re.findall(r"{(\w+)}", sentence))
                assert holds - {"n"} <= given | {"n"}, key
                assert given <= holds | {"n"}, key
            checked += 1
    assert checked > 100  # else the calls were not recognised


def _forms(key: str) -> list[str]:
    section, name = key.split(".")
    return list(TREE[section][name].values())


@pytest.mark.parametrize("code", CODES)
def test_every_promised_finding_has_a_meaning(code: str) -> None:
    """Each finding code has a sentence that says what it means."""
    assert len(TREE["meaning"][code]) > 20


def test_words_for_closed_sets_cover_them() -> None:
    """Verdict words, severities, polarities and sums each have their sentence."""
    words = load_words("en")
    keys = [*verdict.VERDICT_KEYS.values(), *arrival.POLARITY_KEYS.values(), *arrival.FULLER_KEYS.values()]
    keys += [key for pair in findings.SEVERITY_KEYS.values() for key in pair]
    assert all(words(key) for key in keys)
    assert {words(k) for k in verdict.VERDICT_KEYS.values()} == {
        "Keep this take", "Fix, then redo", "Redo", "Cannot say",
    }  # fmt: skip


def test_a_missing_sentence_is_an_error() -> None:
    """Neither a missing key nor a missing value passes in silence."""
    words = Words({"a": {"b": "so {n} many", "c": {"one": "{n} thing", "many": "{n} things"}}})
    assert words("a.b", n=3) == "so 3 many"
    assert words.count("a.c", 1) == "1 thing"
    assert words.count("a.c", 1151) == "1\u202f151 things"
    with pytest.raises(WordingError, match=r"no wording for 'a\.x'"):
        words("a.x")
    with pytest.raises(WordingError, match="needs the value 'n'"):
        words("a.b")
    with pytest.raises(WordingError, match="is not a sentence"):
        words("a.c")
