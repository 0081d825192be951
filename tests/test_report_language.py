"""The report in another language: nothing of it left in English, nothing lost, and scripts without blanks."""

import dataclasses
import io
import itertools
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

import findkit
import kitproof.report
import samples
from kitproof.find import Judgement
from kitproof.model import Measurements
from kitproof.report import style, telling
from kitproof.report.context import Context
from kitproof.report.document import render, write_report
from kitproof.report.style import MARGIN, PAGES
from kitproof.report.typeset import NO_END, NO_START, may_break, runs, text_width, wrap
from kitproof.report.wording import Words, languages, load_words
from pdf_boxes import TextBox, clashes, joined, text_boxes

WORDING = Path(kitproof.report.__file__).parent / "wording"
TREE = tomllib.loads((WORDING / "en.toml").read_text("utf-8"))
FOREIGN = str.maketrans("aeiouAEIOU", "åéïøüÅÉÏØÜ")
LONGER = 1.4  # common practice: so much longer are texts of a paragraph's length after translation from English
NOT_SENTENCES = ("language",)
SHORTEST = 6  # letters: a shorter piece of a sentence may also be a name or a unit
JAPANESE = "スネアの最も強い打音が平らに切れています。プリアンプを6 dB下げて、もう一度「同じ強さ」で演奏してください。"


def made_up(node: Any, key: str = "") -> Any:
    """A wording in a language that is nowhere spoken: other vowels, in brackets, and longer by two fifths."""
    if isinstance(node, dict):
        return {k: v if k in NOT_SENTENCES else made_up(v, k) for k, v in node.items()}
    if isinstance(node, list):
        return [made_up(v, key) for v in node]
    if key == "comma" or not node:
        return node
    parts = re.split(r"({\w+})", node)
    longer = "".join(p if p.startswith("{") else p.translate(FOREIGN) for p in parts)
    filling = itertools.islice(itertools.cycle("xü xøxx "), round((LONGER - 1.0) * len(node)))
    return f"«{longer}{''.join(filling).rstrip()}»"


def report(measurements: Measurements, pictures: Any, tree: Any, language: str) -> PdfReader:
    ctx = Context(measurements, pictures, Words(tree, language), small=True)
    return PdfReader(io.BytesIO(render(ctx, PAGES["a4"], language)))


@pytest.fixture(scope="module")
def measurements() -> Measurements:
    return samples.take(n_channels=14)[0]


@pytest.fixture(scope="module")
def reader() -> PdfReader:
    return report(*samples.take(n_channels=14), made_up(TREE), "zz")


@pytest.fixture(scope="module")
def boxes(reader: PdfReader) -> list[list[TextBox]]:
    return [text_boxes(page) for page in reader.pages]


def english_left(page: list[TextBox], own: Any) -> list[str]:
    """Pieces of the English wording that stand on a page and are not in its own language too."""
    text = f" {joined(page)} "
    return [
        piece for piece in sorted(pieces(TREE) - pieces(own))
        if re.search(rf"(?<![\w-]){re.escape(piece)}(?![\w-])", text)
    ]  # fmt: skip


def pieces(node: Any) -> set[str]:
    """What stands between the placeholders of all sentences, where it is long enough to be known again."""
    if isinstance(node, dict):
        return {piece for k, v in node.items() if k not in NOT_SENTENCES for piece in pieces(v)}
    if isinstance(node, list):
        return {piece for v in node for piece in pieces(v)}
    found = (" ".join(piece.split()) for piece in re.split(r"{\w+}|\n", node))
    return {piece for piece in found if len(re.findall("[A-Za-z]", piece)) >= SHORTEST}


# ---------------------------------------------------------------- nothing of it in English
def test_no_english_sentence_is_left_on_the_first_two_pages(boxes: list[list[TextBox]]) -> None:
    """Nothing of the English wording stands on page one or on the band's page."""
    assert len(pieces(TREE)) > 300  # else nothing would be looked for
    for page in boxes[:2]:
        assert english_left(page, made_up(TREE)) == []


def test_no_sentence_of_the_records_is_left_on_the_first_two_pages(
    boxes: list[list[TextBox]], measurements: Measurements
) -> None:
    """Messages, actions, open checks and the verdict are said from their data."""
    verdict = measurements.verdict
    english = [verdict.sentence, *verdict.good, *(n.check for n in measurements.not_checked)]
    english += [text for f in measurements.findings for text in (f.message, f.action)]
    for page in boxes[:2]:
        text = joined(page)
        assert [sentence for sentence in english if sentence in text] == []


def test_findings_are_told_whole_in_the_other_language(boxes: list[list[TextBox]], measurements: Measurements) -> None:
    """Every finding's sentence, action and number is on its page, with the channel's name in that language."""
    words = Words(made_up(TREE), "zz")
    ctx = Context(measurements, samples.take(n_channels=14)[1], words, small=True)
    everything = " ".join(joined(page) for page in boxes)
    for finding in measurements.findings:
        assert words.has(f"finding.{finding.code}.says"), finding.code
        for said in (telling.message(ctx, finding), telling.action(ctx, finding), telling.value(ctx, finding)):
            assert " ".join(said.split()) in everything
    clipping = next(f for f in measurements.findings if f.code == "clipping")
    assert ctx.subject(clipping) == words("role.snare-top")


def test_what_stays_english_is_said_to_be(boxes: list[list[TextBox]]) -> None:
    """Reasons, remarks and limits come with a line that says that they are in English."""
    everything = " ".join(joined(page) for page in boxes)
    assert Words(made_up(TREE), "zz")("common.in_english") in everything
    assert "this microphone belongs to no drum" in everything


def test_an_english_report_prints_the_records_word_for_word(measurements: Measurements) -> None:
    """In English the findings' own sentences stand, with all their detail."""
    ctx = Context(measurements, samples.take(n_channels=14)[1], load_words("en"), small=True)
    finding = measurements.findings[0]
    assert telling.message(ctx, finding) == finding.message
    assert telling.action(ctx, finding) == finding.action
    assert telling.verdict_sentence(ctx) == measurements.verdict.sentence
    assert telling.good(ctx) == measurements.verdict.good


def test_what_nobody_has_named_is_said_in_english() -> None:
    """A code without words keeps its own sentence, in whatever language: better that than nothing."""
    tree = made_up(TREE)
    del tree["finding"]["clipping"], tree["good"]["quiet"], tree["unchecked"]["sound"], tree["say"]["replay"]
    measurements, pictures = samples.take(n_channels=14)
    ctx = Context(measurements, pictures, Words(tree, "zz"), small=True)
    clipping = next(f for f in measurements.findings if f.code == "clipping")
    sound = next(n for n in measurements.not_checked if n.code == "sound")
    assert telling.message(ctx, clipping) == clipping.message
    assert telling.title(ctx, clipping) == "clipping"
    assert measurements.verdict.good[2] in telling.good(ctx)
    assert telling.check(ctx, sound) == sound.check
    assert telling.verdict_sentence(ctx) == measurements.verdict.sentence


def from_data(records: dict[str, Any]) -> tuple[Judgement, Context]:
    """A judgement, and a context that says it in English from its data, as if it were another language."""
    judgement = findkit.told(records)
    measurements, pictures = samples.take(n_channels=1, n_findings=0)
    whole = dataclasses.replace(
        measurements, take=records["take"], channels=records["channels"], findings=judgement.findings,
        not_checked=judgement.not_checked, verdict=judgement.verdict,
    )  # fmt: skip
    return judgement, Context(whole, pictures, Words(TREE, "zz"), small=True)


@pytest.mark.parametrize("lost", [(), ("kick",), ("snare-top",), ("overhead-left", "overhead-right"), ("rack-tom-1",)])
def test_the_verdict_from_its_data_is_the_verdict(lost: tuple[str, ...]) -> None:
    """Said from data, in English, the verdict is the sentence that the judge wrote."""
    records = findkit.kit()
    for role in lost:
        records = findkit.silent(records, role)
    judgement, ctx = from_data(records)
    assert telling.verdict_sentence(ctx) == judgement.verdict.sentence


def test_files_to_mend_and_too_few_to_judge_are_told_from_data() -> None:
    """A wrong sample rate, and a take without a stroke."""
    judgement, ctx = from_data(findkit.with_facts(findkit.kit(), "ride", rate_hz=44100, n_frames=44100 * 60))
    assert telling.verdict_sentence(ctx) == judgement.verdict.sentence
    records = findkit.kit()
    judgement, ctx = from_data(records | {"hits": (), "channels": records["channels"][:3]})
    assert judgement.verdict.why in ("few-channels", "no-strokes")
    assert telling.verdict_sentence(ctx) == judgement.verdict.sentence


def test_what_is_good_from_its_data_is_the_same() -> None:
    """Each sentence on what is fine says the same numbers and names; only how a format is put differs."""
    judgement, ctx = from_data(findkit.kit())
    assert len(judgement.verdict.good) >= 3
    for said, sentence in zip(telling.good(ctx), judgement.verdict.good, strict=True):
        plain = said.replace("24 bit,", "24 bits,")
        assert plain == sentence or "the same way round" in sentence


# ---------------------------------------------------------------- how it looks
def test_longer_words_stay_on_the_paper(boxes: list[list[TextBox]]) -> None:
    """With texts two fifths longer no line leaves the margins."""
    wide = [(n, b) for n, page in enumerate(boxes, start=1) for b in page if not _inside(b)]
    assert wide == []


def _inside(box: TextBox) -> bool:
    return MARGIN - 0.5 <= box.x0 < box.x1 <= 595.28 - MARGIN + 0.5 and 15.0 < box.y0 < box.y1 < 841.89 - 15.0


def test_longer_words_do_not_overlap(boxes: list[list[TextBox]]) -> None:
    """With texts two fifths longer no two lines cover each other."""
    assert {n: found for n, page in enumerate(boxes, start=1) if (found := clashes(page))} == {}


def test_the_pdf_says_which_language_it_is_in(reader: PdfReader) -> None:
    """A reading machine is told."""
    assert reader.trailer["/Root"]["/Lang"] == "zz"


@pytest.mark.parametrize("language", languages())
def test_every_wording_makes_a_tidy_report(language: str, tmp_path: Path) -> None:
    """In each language there is: no English on the first two pages, nothing off the paper, nothing over another."""
    write_report(*samples.take(n_channels=5, duration_s=60.0), tmp_path / "r.pdf", language=language, small=True)
    reader = PdfReader(tmp_path / "r.pdf")
    pages = [text_boxes(page) for page in reader.pages]
    own = tomllib.loads((WORDING / f"{language}.toml").read_text("utf-8"))
    assert reader.trailer["/Root"]["/Lang"] == language
    assert [english_left(page, own) for page in pages[:2]] == [[], []]
    assert [(n, box) for n, page in enumerate(pages, start=1) for box in page if not _inside(box)] == []
    assert {n: found for n, page in enumerate(pages, start=1) if (found := clashes(page))} == {}
    assert "□" not in " ".join(joined(page) for page in pages)


# ---------------------------------------------------------------- scripts without blanks
@pytest.fixture(scope="module")
def japanese(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("japanese") / "report.pdf"
    write_report(*samples.take(n_channels=3, names="japanese", song="潮の壁", duration_s=30.0), path)
    return path.read_bytes()


def test_japanese_names_can_be_copied_out_of_the_file(japanese: bytes) -> None:
    """Song and file names stand as they are written, and come out whole."""
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(japanese)).pages)
    for name in ("潮の壁, take 3", "01 キック内.wav"):
        assert name in text


def test_only_the_characters_used_are_embedded(japanese: bytes) -> None:
    """The wide font is in the file, as a subset: its 6 MB would not go by mail."""
    fonts = {
        str(font["/BaseFont"]): font
        for page in PdfReader(io.BytesIO(japanese)).pages
        for font in page["/Resources"]["/Font"].values()
    }
    (wide,) = [font for name, font in fonts.items() if name.endswith("+IPAexGothic")]
    assert "/FontFile2" in wide["/FontDescriptor"]
    assert len(japanese) < 1e6


def test_japanese_names_give_the_same_bytes_twice(japanese: bytes, tmp_path: Path) -> None:
    """The second font changes nothing about that."""
    write_report(*samples.take(n_channels=3, names="japanese", song="潮の壁", duration_s=30.0), tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == japanese


def test_each_character_is_set_in_a_font_that_has_it() -> None:
    """Latin stays in the report's own font; what that lacks changes to the wide one and back."""
    assert runs("01 キック内.wav", style.SANS) == (
        ("01 ", style.SANS),
        ("キック内", style.WIDE),
        (".wav", style.SANS),
    )
    assert runs("kick", style.BOLD) == (("kick", style.BOLD),)


def test_a_wide_character_is_as_wide_as_it_is_high() -> None:
    """Kana and kanji of a Japanese text font fill a square (JIS X 4051: set solid), so width follows from number."""
    assert text_width("キック内", style.SANS, 10.0) == pytest.approx(40.0, abs=0.1)  # the font's grid is 1/2048
    mixed = text_width("kick キック", style.SANS, 10.0)
    assert mixed == pytest.approx(text_width("kick ", style.SANS, 10.0) + 30.0, abs=0.1)


@pytest.mark.parametrize("width", [41.0, 63.0, 97.0, 150.0, 263.0])
def test_japanese_lines_break_by_their_rules(width: float) -> None:
    """Lines are filled, no line begins with a closing mark or ends with an opening one, and nothing is lost."""
    lines = wrap(JAPANESE, style.BODY, width)
    assert "".join(lines).replace(" ", "") == JAPANESE.replace(" ", "")
    assert all(text_width(line, style.BODY.font, style.BODY.size) <= width for line in lines)
    assert not any(line[0] in NO_START for line in lines)
    assert not any(line[-1] in NO_END for line in lines)
    assert all(text_width(line, style.BODY.font, style.BODY.size) > width - 42.0 for line in lines[:-1])  # a few signs


def test_latin_words_are_not_broken_among_japanese() -> None:
    """A break may stand beside a Latin word, never within it."""
    lines = wrap("録音ファイルはtake.tomlにあります", style.BODY, 75.0)
    assert any("take.toml" in line for line in lines)
    assert may_break("は", "t")
    assert not may_break("t", "a")
    assert not may_break("す", "。")
    assert not may_break("「", "同")
    assert not may_break("チ", "ャ")


def test_a_held_blank_holds() -> None:
    """French sets a narrow blank before some marks; no line begins with the mark."""
    text = "une prise\u202f: bonne\u00a0!"
    assert wrap(text, style.BODY, 60.0)[-1] != ":"
    assert "prise\u202f:" in " ".join(wrap(text, style.BODY, 60.0))


def test_bold_japanese_is_drawn_with_its_outline(japanese: bytes) -> None:
    """There is no bold face: in a bold line the wide characters are filled and stroked (text render mode 2)."""
    reader = PdfReader(io.BytesIO(japanese))
    assert b"2 Tr" in reader.pages[0].get_contents().get_data()  # the song's name at the top of page one


def test_without_the_wide_font_there_are_squares_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where its package is not installed the report still stands, and marks what it cannot show."""
    monkeypatch.setattr(style, "WIDE_FILE", ("no_such_package", "fonts", "x.ttf"))
    assert style.load_wide_font.__wrapped__() == frozenset()


# ---------------------------------------------------------------- counting
def test_nothing_is_counted_as_the_language_does() -> None:
    """Without a form of its own, nothing is plural in English and singular in French."""
    forms = {"a": {"b": {"one": "{n} prise", "many": "{n} prises"}}}
    assert Words(forms).count("a.b", 0) == "0 prises"
    assert Words(forms | {"language": {"zero": "one"}}, "fr").count("a.b", 0) == "0 prise"
