"""Why a figure is missing: every reason has its name and its words, and nothing else is taken for one."""

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import kitproof
import samples
import takes
from kitproof import reasons
from kitproof.model import NotChecked
from kitproof.plain import to_plain
from kitproof.report.context import Context
from kitproof.report.known import sentences_of
from kitproof.report.missing import REASONS as KNOWN
from kitproof.report.missing import kind, said
from kitproof.report.telling import why
from kitproof.report.wording import languages, load_words

PACKAGE = Path(kitproof.__file__).parent
REASONS = sentences_of(reasons)
DRUM = "rack-tom-1"
SLOT = re.compile(r"{(\w+)(:[^}]*)?}")
WRITERS = ("measure", "compare", "observed", "assemble.py", "ranging.py")  # where records with None are made
# sentences and texts with a blank that these parts write for other ends, values as {}
NO_REASONS = {
    "as it was", "turned over",  # of a channel in two takes
    "{} Hz", "{} Hz, {} bit", "{} dBFS", "{}: {}",
}  # fmt: skip
SAID_ELSEWHERE = {"compare/limits.py"}  # reasons for limits, which the annex prints in English and says so


# ---------------------------------------------------------------- what the code writes
def sentences(source: str) -> Iterator[tuple[int, str]]:
    """(line, text) of all texts with a blank but docstrings and the words of errors; values in them as {}."""
    skipped: set[ast.AST] = set()
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr | ast.Raise):
            skipped |= set(ast.walk(node)) if isinstance(node, ast.Raise) else {node.value}
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "add_note":
            skipped |= set(ast.walk(node))
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr) and node not in skipped:
            skipped |= set(node.values)
            text = "".join(str(p.value) if isinstance(p, ast.Constant) else "{}" for p in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in skipped:
            text = node.value
        else:
            continue
        if " " in text.strip():
            yield node.lineno, text
    for node in ast.walk(tree):  # one word alone, where it can be nothing but a reason
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "fromkeys" and len(node.args) == 2:
            text = getattr(node.args[1], "value", None)
            if isinstance(text, str) and text.strip() and " " not in text:
                yield node.lineno, text


def modules() -> Iterator[Path]:
    for part in WRITERS:
        path = PACKAGE / part
        yield from sorted(path.rglob("*.py")) if path.is_dir() else [path]


@pytest.mark.parametrize("path", list(modules()), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_reason_is_written_elsewhere(path: Path) -> None:
    """Measures and comparisons take their reasons from reasons.py, so that none is without its words."""
    where = str(path.relative_to(PACKAGE))
    if where in SAID_ELSEWHERE:
        return
    own = [(line, text) for line, text in sentences(path.read_text("utf-8")) if text not in NO_REASONS]
    assert own == [], (
        f"{where} writes its own sentences. If they say why a figure is None: give each a name in "
        f"pipeline/kitproof/reasons.py and the same name, in small letters, a line under [reason] in every "
        f"pipeline/kitproof/report/wording/*.toml, and import it here. If not: add them to NO_REASONS in this test."
    )


def test_a_sentence_in_the_code_is_noticed() -> None:
    """Plain and filled ones are; docstrings, words of errors and names are not."""
    source = '''
def f(n):
    """Why so few."""
    if n < 0:
        raise ValueError(f"{n} is too few")
    return {"a": "too few", "b": f"only {n:.0f} of {n!r}", "c": "snare", "d": f"{n}.wav"} | dict.fromkeys("ef", "few")
'''
    assert [text for _, text in sentences(source)] == ["too few", "only {} of {}", "few"]


def test_every_reason_is_used() -> None:
    """No reason has outlived the code that gave it."""
    used: set[str] = set()
    for path in PACKAGE.rglob("*.py"):
        if path != Path(reasons.__file__):
            nodes = ast.walk(ast.parse(path.read_text("utf-8")))
            used |= {n.id for n in nodes if isinstance(n, ast.Name)}
    assert {name for name in REASONS if name.upper() not in used} == set()


# ---------------------------------------------------------------- what the report says
def plain(text: str) -> str:
    """A reason as the wording has it: with the names of its values, and not how they are put into digits."""
    return SLOT.sub(r"{\1}", text)


def tree_of(language: str) -> dict[str, str]:
    text = (PACKAGE / "report" / "wording" / f"{language}.toml").read_text("utf-8")
    return dict(tomllib.loads(text)["reason"])


@pytest.mark.parametrize("language", languages())
def test_every_reason_has_its_words(language: str) -> None:
    """In each language, with the same values in it; in English they are the sentence itself."""
    tree = tree_of(language)
    where = f"pipeline/kitproof/report/wording/{language}.toml, under [reason]"
    lines = "; ".join(f'{name} = "{plain(text)}"' for name, text in REASONS.items() if name not in tree)
    assert not lines, f"{where}: say in this language {lines}"
    assert set(tree) <= set(REASONS), f"{where}: no such reasons in reasons.py: {sorted(set(tree) - set(REASONS))}"
    for name, text in REASONS.items():
        slots = {slot for slot, _ in SLOT.findall(text)}
        assert {slot for slot, _ in SLOT.findall(tree[name])} == slots, f"{where}: {name} holds other values"
        if language == "en":
            assert tree[name] == plain(text), f"{where}: {name} is not the sentence of reasons.py"
        else:
            assert tree[name] != plain(text), f"{where}: {name} is still English"


def filled(text: str, number: float) -> str:
    """The sentence with a value in each place."""
    return text.format(**{slot: DRUM if slot == "drum" else number for slot, _ in SLOT.findall(text)})


@pytest.mark.parametrize("number", [0.0, 12.0, -53.0, 3.5])
def test_each_reason_is_known_again(number: float) -> None:
    """Whatever number is in it, it is taken for itself and no other, and said in English it is the same."""
    english = load_words("en")
    for name, text in REASONS.items():
        sentence = filled(text, number)
        assert (KNOWN.find(sentence) or ("", {}))[0] == name
        drum, minus = english.drum(DRUM), "\u2212"
        assert said(english, sentence) == sentence.replace(DRUM, drum).replace(" -", f" {minus}").replace(
            "±-", f"±{minus}"
        )


def test_numbers_and_drums_are_said_as_elsewhere() -> None:
    """A true minus sign, and the drum's name in the reader's language."""
    german = load_words("de")
    assert said(german, reasons.BELOW.format(least_db=-45.0)) == "unter \u221245 dB"
    assert said(german, reasons.DRUM_NOT_HIT.format(drum="floor-tom")).startswith("Standtom: ")
    assert said(load_words("ja"), reasons.DRUM_NOT_HIT.format(drum="floor-tom")).startswith("フロアタムが")


def test_an_open_check_says_its_own_reason() -> None:
    """Where its reason is known, that is said; else what is usual for such a check."""
    ctx = Context(*samples.take(n_channels=1, n_findings=0), load_words("de"), small=True)
    few = reasons.FEW_ALIKE.format(least=8)
    assert why(ctx, NotChecked(check="drift", reason=few, code="courses")) == said(ctx.words, few)
    usual = why(ctx, NotChecked(check="drift", reason="the moon was full", code="courses"))
    assert usual == ctx.words("unchecked.courses.why")


def test_reasons_that_differ_in_what_was_measured_are_one() -> None:
    """One line with the range; limits and drums stay apart."""
    english = load_words("en")
    weak = [reasons.DIRECT_WEAK.format(over_db=db) for db in (14.0, 8.0, 9.0)]
    assert len({kind(one) for one in weak}) == 1
    assert "enough: 8 to 14 dB over" in said(english, *weak)
    assert "enough: 8 dB over" in said(english, weak[1], weak[1])
    assert kind(reasons.SHORTER_THAN.format(least_s=3.0)) != kind(reasons.SHORTER_THAN.format(least_s=10.0))
    assert kind(reasons.DRUM_NOT_HIT.format(drum="kick")) != kind(reasons.DRUM_NOT_HIT.format(drum="ride"))
    assert kind("the moon was full") != kind("the moon was new")


@pytest.mark.parametrize(
    "sentence",
    ["the moon was full", "Too few strokes", "too few strokes.", "below a lot dB", "zither was not hit, so there is "
     "nothing to compare with", ""],
)  # fmt: skip
def test_what_is_not_known_stays_as_it_is(sentence: str) -> None:
    """A sentence of an older version, or one nearly like one of these, is printed as it stands, as foreign."""
    german = load_words("de")
    assert KNOWN.find(sentence) is None
    assert said(german, sentence) == sentence
    assert KNOWN.foreign(german, sentence)
    assert not KNOWN.foreign(load_words("en"), sentence)


def given(node: object) -> Iterator[str]:
    """Every reason in plain data."""
    if isinstance(node, dict):
        why = node.get("unmeasured")
        yield from why.values() if isinstance(why, dict) else ()
        for value in node.values():
            yield from given(value)
    elif isinstance(node, list | tuple):
        for value in node:
            yield from given(value)


def test_every_reason_of_a_take_is_known(measured: takes.MeasuredTake) -> None:
    """All that a measured take says about its missing figures can be said in any language."""
    found = set(given(to_plain(measured.result.measurements, "take")))
    assert len(found) > 10  # else nothing was looked at
    assert {sentence for sentence in found if KNOWN.find(sentence) is None} == set()
