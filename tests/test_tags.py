"""Tags: a report is read by machine in the order of its sections, whole, with words for what can only be seen."""

from __future__ import annotations

import io
import re
from itertools import pairwise
from typing import Any

import pytest
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas

import samples
from kitproof.model import Measurements
from kitproof.report import compact, style
from kitproof.report.comparison.document import render
from kitproof.report.comparison.takes import Takes
from kitproof.report.document import SECTIONS, write_report
from kitproof.report.sheet import Sheet
from kitproof.report.style import PAGES
from kitproof.report.wording import load_words
from pdf_tags import Tag, Tagged
from test_compare_report import compared, some_takes

NOT_TEXT = {"Document", "Sect", "L", "LI", "Table", "TR"}
KINDS = NOT_TEXT | {"H1", "H2", "H3", "P", "Lbl", "LBody", "TH", "TD", "Figure", "Link"}
LANGUAGE = {"report": "en", "odd": "ja", "comparison": "de"}


@pytest.fixture(scope="module")
def records() -> tuple[Measurements, Any]:
    return samples.take(n_channels=6, n_findings=12, duration_s=60.0)


@pytest.fixture(scope="module")
def report(records: tuple[Measurements, Any], tmp_path_factory: pytest.TempPathFactory) -> Tagged:
    path = tmp_path_factory.mktemp("tags") / "report.pdf"
    write_report(*records, path)
    return Tagged(PdfReader(io.BytesIO(path.read_bytes())))


@pytest.fixture(scope="module", params=LANGUAGE)
def tagged(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Tagged:
    """A take's report; one in Japanese with next to nothing measured; a comparison in German."""
    if request.param == "report":
        return request.getfixturevalue("report")  # type: ignore[no-any-return]
    if request.param == "comparison":
        takes = some_takes()
        pdf = render(Takes(compared(takes), takes, load_words("de")), PAGES["a4"], "de")
        return Tagged(PdfReader(io.BytesIO(pdf)))
    path = tmp_path_factory.mktemp("tags") / "report.pdf"
    odd = samples.take(n_channels=4, names="japanese", silent=True, n_unreadable=1, song="潮の壁", duration_s=20.0)
    write_report(*odd, path, language="ja")
    return Tagged(PdfReader(io.BytesIO(path.read_bytes())))


# ---------------------------------------------------------------- every tagged document
def test_the_file_says_that_it_is_tagged_and_in_which_language(tagged: Tagged, request: pytest.FixtureRequest) -> None:
    """A reading machine finds mark, language and structure, and reads the title instead of the file's name."""
    catalogue = tagged.reader.trailer["/Root"]
    assert bool(catalogue["/MarkInfo"]["/Marked"])
    assert catalogue["/Lang"] == LANGUAGE[request.node.callspec.params["tagged"]]
    assert bool(catalogue["/ViewerPreferences"]["/DisplayDocTitle"])
    assert all(page["/Tabs"] == "/S" for page in tagged.reader.pages)
    assert {tag.kind for tag in tagged.document.all()} <= KINDS


def test_all_that_is_painted_is_marked(tagged: Tagged) -> None:
    """No text, line or picture is outside of an element or an artifact, and no mark is within another."""
    assert [page.loose for page in tagged.contents] == [[]] * len(tagged.contents)
    assert [page.unbalanced for page in tagged.contents] == [0] * len(tagged.contents)
    assert all(page.aside for page in tagged.contents)  # page number at least: else nothing was looked at


def test_content_and_structure_know_each_other(tagged: Tagged) -> None:
    """Every marked content belongs to one element, which the tree of parents names for it."""
    places = [place for tag in tagged.document.all() for place in tag.places]
    assert sorted(places) == [(n, mcid) for n, page in enumerate(tagged.contents) for mcid in sorted(page.texts)]
    parents = tagged.parents
    for tag in tagged.document.all():
        for page, mcid in tag.places:
            key = tagged.reader.pages[page]["/StructParents"]
            assert parents[key][mcid].get_object() == tag.dictionary


def test_links_and_structure_know_each_other(tagged: Tagged) -> None:
    """Every link but the one at the foot of a page is in the structure, and says where it leads."""
    found = {}
    for tag in tagged.document.all("Link"):
        (kid,) = tag.kids
        link = kid["/Obj"]
        assert link["/Contents"]
        assert tagged.parents[link["/StructParent"]] == tag.dictionary
        found[kid.raw_get("/Obj").idnum] = kid.raw_get("/Pg").idnum
    for page in tagged.reader.pages:
        links = [one.idnum for one in page.get("/Annots", [])]
        assert all(found[n] == page.indirect_reference.idnum for n in links if n in found)  # type: ignore[union-attr]
        assert len([n for n in links if n not in found]) <= 1


def test_what_leads_somewhere_is_a_link_when_read(report: Tagged) -> None:
    """Names of channels in the tables, and the lines of page one, lead on."""
    assert len(list(report.document.kids[0].all("Link"))) >= 8
    assert any(list(row.all("Link")) for row in report.document.all("TR"))


def test_every_figure_is_told(tagged: Tagged) -> None:
    """What can only be seen has words in its place, without loose ends, and no other element has."""
    figures = list(tagged.document.all("Figure"))
    assert all(len(figure.alt) > 10 for figure in figures)
    assert not [
        figure.alt for figure in figures if any(mark in figure.alt for mark in ("{", "  ", ": .", ":。", "None"))
    ]
    assert not [tag.kind for tag in tagged.document.all() if tag.alt and tag.kind != "Figure"]


def test_no_axis_is_read_number_by_number(tagged: Tagged) -> None:
    """A paragraph that is a bare number is the label of an axis: somebody drew a figure and did not say so."""
    bare = re.compile(r"[\d\s.,:k+\u2212\u2013-]*(Hz|k|dB|dBFS|ms|s|cm)?")
    assert [said for tag in tagged.document.all("P") if bare.fullmatch(said := tagged.said(tag))] == []


def test_headings_do_not_skip_a_level(tagged: Tagged) -> None:
    """Each section begins with its title; what is under a heading is one level below it."""
    for section in tagged.document.kids:
        headings = list(section.all("H1", "H2", "H3"))
        levels = [int(tag.kind[1]) for tag in headings]
        assert section.kind == "Sect"
        assert levels[0] == 1
        assert all(below <= above + 1 for above, below in pairwise(levels))
        assert all(tagged.said(tag) for tag in headings)


def test_elements_stand_where_they_may(tagged: Tagged) -> None:
    """Rows in tables, cells in rows, items in lists; text in what holds text."""
    allowed = {"Document": {"Sect"}, "L": {"LI"}, "LI": {"Lbl", "LBody"}, "Table": {"TR"}, "TR": {"TH", "TD"}}
    for tag in tagged.document.all():
        below = {kid.kind for kid in tag.kids if isinstance(kid, Tag)}
        assert below <= allowed.get(tag.kind, below - {"Sect", "LI", "Lbl", "LBody", "TR", "TH", "TD"}), tag.kind
        assert not (tag.kind in NOT_TEXT and tag.places), tag.kind


def test_rows_of_a_table_have_as_many_cells_as_its_head(tagged: Tagged) -> None:
    """A head is read once, also where a table goes on overleaf, and no cell is missing below it."""
    for table in tagged.document.all("Table"):
        rows = [[cell for cell in row.kids if isinstance(cell, Tag)] for row in table.kids]
        assert {len(row) for row in rows} == {len(rows[0])}
        scopes = [{cell.dictionary["/A"]["/Scope"] for cell in row if cell.kind == "TH"} for row in rows]
        assert "/Column" not in set().union(*scopes[1:])


# ---------------------------------------------------------------- a take's report
def test_sections_are_read_in_their_order(report: Tagged) -> None:
    """Title by title, as they are listed."""
    words = load_words("en")
    titles = [[report.said(tag) for tag in section.all("H1")] for section in report.document.kids]
    expected = [words(f"{section.KEY}.title") for section in SECTIONS if section.KEY not in ("verdict", "channels")]
    assert [t[0] for t in titles if len(t) == 1 and t[0] in expected] == expected
    assert titles[0] == [words("verdict.fix_and_redo")]
    assert len(max(titles, key=len)) == 6  # a page a channel


def test_page_one_is_read_as_a_person_would(report: Tagged, records: tuple[Measurements, Any]) -> None:
    """The take, the verdict, the first thing to do, then the timeline, what is good and open, who reads on where."""
    measurements, _ = records
    page = report.said(report.document.kids[0])
    words = load_words("en")
    first = measurements.findings[measurements.verdict.red_lines[0]]
    order = [
        "Tidewall, take 3", words("verdict.fix_and_redo"), measurements.verdict.sentence, first.message,
        f"{words('verdict.action')} {first.action}", words("strip.title"), "Timeline of the take",
        words("verdict.good"), words("verdict.unchecked"), words("verdict.read_on"),
    ]  # fmt: skip
    places = [page.find(text) for text in order]
    assert -1 not in places
    assert places == sorted(places)


def test_sentences_are_read_whole(report: Tagged, records: tuple[Measurements, Any]) -> None:
    """Words at the end of a line and at the start of the next stay apart, and no page furniture comes between."""
    measurements, _ = records
    read = report.said(report.document)
    assert all(f.message in read and f.action in read for f in measurements.findings)
    words = load_words("en")
    assert all(words(key) in read for key in ("bleed.caption", "levels.method", "findings.method", "overview.caption"))
    assert words("common.back") not in read


def test_a_channels_pictures_say_what_they_show(report: Tagged, records: tuple[Measurements, Any]) -> None:
    """Which channel, how long, how many strokes, and where the findings are."""
    measurements, _ = records
    alts = [figure.alt for figure in report.document.all("Figure")]
    own = sum(hit.drum == "snare" for hit in measurements.hits)
    (wave,) = [alt for alt in alts if alt.startswith("Waveform of snare top")]
    assert f"1:00; {own} strokes" in wave
    assert f"snare ({own})" in alts[0]
    timed = [f for f in measurements.findings if f.times_s and any("snare-top" in file for file in f.files)]
    assert wave.count("no. ") == min(len(timed), 6)
    assert len([alt for alt in alts if alt.startswith("Spectrogram")]) == 6


# ---------------------------------------------------------------- the paper itself
def drawn(draw: Any) -> Tagged:
    """What a section of that drawing is when read."""
    style.load_fonts()
    canvas = Canvas(io.BytesIO(), pagesize=PAGES["a4"], invariant=1, initialFontName=style.SANS, lang="en")
    sheet = Sheet(canvas, PAGES["a4"], load_words("en"), running="song")
    sheet.new_page("title")
    with sheet.tagged("Sect"):
        draw(sheet)
    sheet.end_page()
    sheet.tags.write()
    return Tagged(PdfReader(io.BytesIO(compact.packed(canvas.getpdfdata(), canvas._doc))))


def kinds(tag: Tag) -> list[Any]:
    """An element's kinds as nested lists."""
    below = [kinds(kid) for kid in tag.kids if isinstance(kid, Tag)]
    return [tag.kind, *below]


def test_an_author_who_forgets_all_tags_gets_paragraphs() -> None:
    """Text is a paragraph and strokes are decoration unless somebody says otherwise."""

    def forgetful(sheet: Sheet) -> None:
        sheet.line(0.0, 100.0, 50.0, 100.0)
        sheet.lines(60.0, 120.0, ["two lines", "of one text"], style.BODY)
        sheet.text(60.0, 180.0, "alone", style.BODY)
        sheet.line(0.0, 190.0, 50.0, 190.0)

    read = drawn(forgetful)
    assert kinds(read.document) == ["Document", ["Sect", ["P"], ["P"]]]
    assert [read.said(tag) for tag in read.document.all("P")] == ["two lines of one text", "alone"]
    assert read.contents[0].loose == []
    assert read.contents[0].pictured == set()


def test_an_element_goes_on_overleaf() -> None:
    """A paragraph over two pages is one, and what stands at head and foot of the pages is no part of it."""

    def two_pages(sheet: Sheet) -> None:
        with sheet.tagged("P"):
            sheet.lines(60.0, 700.0, ["begins here"], style.BODY)
            sheet.new_page()
            sheet.lines(60.0, 80.0, ["ends there"], style.BODY)

    read = drawn(two_pages)
    (paragraph,) = read.document.all("P")
    assert read.said(paragraph) == "begins here ends there"
    assert [page for page, _ in paragraph.places] == [0, 1]
    assert "song" in read.contents[1].aside


def test_what_is_empty_is_left_out_but_for_cells() -> None:
    """A figure without anything in it is not announced; an empty cell keeps its column."""

    def hollow(sheet: Sheet) -> None:
        with sheet.figure("nothing to see"):
            pass
        with sheet.tagged("Table"), sheet.tagged("TR"):
            with sheet.tagged("TD"):
                pass
            sheet.text(60.0, 100.0, "cell", style.BODY)

    assert kinds(drawn(hollow).document) == ["Document", ["Sect", ["Table", ["TR", ["TD"], ["TD"]]]]]


def test_a_draft_has_no_tags() -> None:
    """Drafts only find out on which page everything stands."""
    canvas = Canvas(io.BytesIO(), pagesize=PAGES["a4"], invariant=1)
    style.load_fonts()
    sheet = Sheet(canvas, PAGES["a4"], load_words("en"), running="", draft=True)
    sheet.new_page("title")
    with sheet.figure("seen"):
        sheet.text(60.0, 100.0, "text", style.BODY)
    assert not [line for line in canvas._code if "BDC" in line or "BMC" in line]


def test_packing_keeps_the_document_and_makes_it_smaller() -> None:
    """The same objects under the same numbers, none lost, in less room."""
    style.load_fonts()
    canvas = Canvas(io.BytesIO(), pagesize=PAGES["a4"], invariant=1, initialFontName=style.SANS, pageCompression=1)
    canvas.setTitle("packed")
    for n in range(60):
        canvas.setFont(style.SANS, 10)
        canvas.drawString(50, 50, f"page {n}")
        canvas.bookmarkPage(f"p{n}")
        canvas.addOutlineEntry(f"page {n}", f"p{n}")
        canvas.showPage()
    before = canvas.getpdfdata()
    after = compact.packed(before, canvas._doc)
    one, other = PdfReader(io.BytesIO(before)), PdfReader(io.BytesIO(after), strict=True)
    assert len(after) < 0.7 * len(before)  # 0.6 here: pages and outline are four of five bytes
    assert [p.extract_text() for p in one.pages] == [p.extract_text() for p in other.pages]
    assert one.metadata == other.metadata
    assert len(other.outline) == 60
    numbers = range(1, int(one.trailer["/Size"]))
    assert [shown(one, n) for n in numbers] == [shown(other, n) for n in numbers]


def shown(reader: PdfReader, number: int) -> str:
    """An object in words, without what is the reader's own."""
    return re.sub(r"(IndirectObject\(\d+, \d+), \d+", r"\1", str(reader.get_object(number)))
