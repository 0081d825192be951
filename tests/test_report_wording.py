"""The sentences of the report: none missing, none unused, none filled wrongly."""

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import kitproof.report
from kitproof.compare.limits import LIMITS
from kitproof.find.registry import CODE_ORDER
from kitproof.find.thresholds import Thresholds
from kitproof.find.verdict import THE_LOST
from kitproof.report.pages import arrival, findings, verdict
from kitproof.report.telling import SYMBOLS
from kitproof.report.wording import WordingError, Words, languages, load_words
from kitproof.roles import DRUM_ORDER, LABELS, drum_label

FOLDER = Path(kitproof.report.__file__).parent
TREE = tomllib.loads((FOLDER / "wording" / "en.toml").read_text("utf-8"))
KEY = re.compile(r"[a-z]+\.[a-z_]*[a-z]")
# asked for by names that are put together in the code, each family by the values that can occur
FAMILIES = {
    **{
        section: set(TREE[section])
        for section in (
            "say",
            "lost",
            "good",
            "unchecked",
            "reason",
            "remark",
            "limit",
            "source",
            "problem",
            "unit",
            "role",
            "drum",
            "language",
        )
    },
    "meaning": set(CODE_ORDER),
    "finding": set(CODE_ORDER),
    "findings": {"count_fix", "count_look", "count_note"},
    "inputs": {"unreadable", "truncated", "empty", "damaged"},
    "bleed": {"isolated_short", "workable_short", "shared_short", "not_close_short"},
}
FORMS = {"zero", "one", "many"}
BY_CODE = ("finding", "unchecked", "limit")  # sections whose entries are tables of sentences, not forms of one


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
            if isinstance(value, dict) and section not in BY_CODE:
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


# ---------------------------------------------------------------- every language
HOLDS = re.compile(r"{(\w+)}")
SLOTS = {"channels", "value", "count", "drum"}  # what a sentence about a finding may hold


def tree_of(language: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / "wording" / f"{language}.toml").read_text("utf-8"))


def flat(node: Any, key: str = "") -> Iterator[tuple[str, Any]]:
    """(dotted key, sentence) of everything in a wording, entries of lists by their place."""
    if isinstance(node, dict):
        for name, value in node.items():
            yield from flat(value, f"{key}.{name}" if key else name)
    elif isinstance(node, list):
        for place, value in enumerate(node):
            yield from flat(value, f"{key}[{place}]")
    else:
        yield key, node


def differences(tree: dict[str, Any]) -> list[str]:
    """What a wording lacks, has too much, or fills differently than the English one."""
    mine, english = dict(flat(tree)), dict(flat(TREE))
    bare = {key for key in english if key.rpartition(".")[2] == "zero" and key.rpartition(".")[0] + ".many" in english}
    wrong = [f"{key} is missing: {english[key]!r}" for key in english if key not in mine and key not in bare]
    wrong += [f"{key} is in no other language" for key in mine if key not in english]
    for key in (key for key in mine if key in english):
        if not isinstance(mine[key], str):
            wrong.append(f"{key} is not text")
            continue
        counted = {"n"} if key.rpartition(".")[2] in FORMS else set()  # "one more finding" needs no figure
        here, there = set(HOLDS.findall(mine[key])) - counted, set(HOLDS.findall(english[key])) - counted
        if here != there:
            wrong.append(f"{key} holds {sorted(here)}, should hold {sorted(there)}")
        if not mine[key].strip() and english[key].strip():
            wrong.append(f"{key} is empty")
    return wrong


@pytest.mark.parametrize("language", languages())
def test_every_language_says_everything(language: str) -> None:
    """Each wording has exactly the sentences of the English one, with the same placeholders."""
    assert differences(tree_of(language)) == []


@pytest.mark.parametrize("language", languages())
def test_every_language_has_a_rule_for_nothing(language: str) -> None:
    """Whether no stroke is singular or plural is said, in one of two ways."""
    assert tree_of(language)["language"]["zero"] in ("one", "many")


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("code", CODE_ORDER)
def test_every_finding_has_its_words(code: str, language: str) -> None:
    """Each code has a short name, a sentence, an action, another explanation (may be empty) and a meaning."""
    tree = tree_of(language)
    where = f"pipeline/kitproof/report/wording/{language}.toml"
    entry = tree["finding"].get(code)
    assert entry is not None, f'{where} needs a table [finding.{code}] with title, says, do and else ("" if none)'
    assert set(entry) == {"title", "says", "do", "else"}, f"{where}, [finding.{code}]"
    assert all(entry[name].strip() for name in ("title", "says", "do")), f"{where}, [finding.{code}] has empty ones"
    used = {slot for sentence in entry.values() for slot in HOLDS.findall(sentence)}
    assert used <= SLOTS, f"{where}, [finding.{code}]: no such slots: {sorted(used - SLOTS)}"
    assert tree["meaning"].get(code, "").strip(), f"{where} needs a line {code} = ... under [meaning]"


def calls(name: str) -> Iterator[tuple[str, dict[str | None, ast.expr]]]:
    """Every call of a class in the package: where, and what is handed over by name."""
    package = FOLDER.parent
    for path in sorted(package.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name:
                yield f"{path.relative_to(package)}:{node.lineno}", {k.arg: k.value for k in node.keywords}


def test_every_open_check_has_a_code_with_words() -> None:
    """Each check that could not be made can be said in any language."""
    codes = set()
    for where, given in calls("NotChecked"):
        code = given.get("code")
        assert isinstance(code, ast.Constant), f"{where}: NotChecked needs code=, and [unchecked.<code>] in the wording"
        codes.add(code.value)
    assert codes == set(TREE["unchecked"])


def test_every_limit_of_a_comparison_has_its_words() -> None:
    """Each has a name and a reason; the English reason is the limit's own."""
    assert {name: limit.reason for name, limit in LIMITS.items()} == {n: e["why"] for n, e in TREE["limit"].items()}
    assert {limit.source for limit in LIMITS.values()} | {t.source for t in Thresholds()} <= set(TREE["source"])


def test_every_unit_that_is_a_word_has_its_word() -> None:
    """Units of findings are symbols, or stand under [unit] in every wording."""
    for where, given in calls("Finding"):
        texts = [n.value for n in ast.walk(given["unit"]) if isinstance(n, ast.Constant)] if "unit" in given else []
        units = {text for text in texts if isinstance(text, str) and text}
        assert units - SYMBOLS <= set(TREE["unit"]), (
            f"{where}: put {sorted(units - SYMBOLS)} under [unit] in the wording"
        )


def test_the_verdicts_names_are_those_of_the_wording() -> None:
    """What is lost, and what is good, is named alike in find/ and in the wording."""
    assert set(THE_LOST) == set(TREE["lost"])
    keys = {k.value for _, given in calls("Fact") if isinstance(k := given["key"], ast.Constant)}
    assert keys | {"sides_agree", "sides_agree_left", "sides_agree_right", "pair"} == set(TREE["good"])


def test_names_of_roles_and_drums_are_the_common_ones() -> None:
    """The English wording calls roles and drums as the rest of the program does."""
    assert TREE["role"] == LABELS
    assert TREE["drum"] == {drum: drum_label(drum) for drum in DRUM_ORDER if drum != "unmiked"}


def test_a_fault_in_a_translation_is_noticed() -> None:
    """A missing sentence, one too many, a lost placeholder and an empty text each fail."""
    tree = tree_of("en")
    del tree["common"]["back"]
    tree["common"]["more"] = "x"
    tree["common"]["page_of"] = "{page}"
    tree["verdict"]["keep"] = " "
    tree["glossary"] = tree["glossary"][:-1]
    said = " ".join(differences(tree))
    assert "common.back is missing: 'back to page 1'" in said
    assert "common.more is in no other language" in said
    assert "common.page_of holds ['page'], should hold ['page', 'pages']" in said
    assert "verdict.keep is empty" in said
    assert f"glossary[{len(TREE['glossary']) - 1}].term is missing" in said
