"""The PDF of an ordinary take, read back: what it says, how it is built, that it is whole."""

import io
from pathlib import Path

import pytest
from pypdf import PdfReader

import samples
from kitproof.errors import OutputError
from kitproof.model import Measurements
from kitproof.report import numbers
from kitproof.report.document import SECTIONS, write_report
from kitproof.report.style import MARGIN
from pdf_boxes import TextBox, clashes, joined, text_boxes

N_CHANNELS = 14
SMALLEST_PT = 7.0  # nothing in the report may be set smaller
VERDICT_PAGE_PT = 11.0  # sentences of page one, read on a phone
MAIL_MB = 2.0  # small=True, promised for mail
LARGEST_MB = 5.0


@pytest.fixture(scope="module")
def measurements() -> Measurements:
    return samples.take(n_channels=N_CHANNELS)[0]


@pytest.fixture(scope="module")
def pdf(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("report") / "report.pdf"
    write_report(*samples.take(n_channels=N_CHANNELS), path)
    return path.read_bytes()


@pytest.fixture(scope="module")
def reader(pdf: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(pdf))


@pytest.fixture(scope="module")
def boxes(reader: PdfReader) -> list[list[TextBox]]:
    return [text_boxes(page) for page in reader.pages]


@pytest.fixture(scope="module")
def texts(boxes: list[list[TextBox]]) -> list[str]:
    return [joined(page) for page in boxes]


def page_of(reader: PdfReader, title: str) -> int:
    """Page index of an outline entry, at any depth."""

    def walk(entries: list) -> dict[str, int]:
        found: dict[str, int] = {}
        for entry in entries:
            if isinstance(entry, list):
                found |= walk(entry)
            else:
                found.setdefault(entry.title, reader.get_destination_page_number(entry))
        return found

    return walk(reader.outline)[title]


# ---------------------------------------------------------------- what it says
def test_page_one_says_the_verdict_its_reasons_and_what_is_open(texts: list[str], measurements: Measurements) -> None:
    """Page one holds verdict, sentence, red lines with their actions, what is good and what was not checked."""
    first = texts[0]
    for part in ("Tidewall, take 3", "Fix, then redo", measurements.verdict.sentence):
        assert part in first
    assert len(measurements.verdict.red_lines) == 3
    for index in measurements.verdict.red_lines:
        finding = measurements.findings[index]
        assert finding.message in first
        assert finding.action in first
    for good in measurements.verdict.good:
        assert good in first
    for open_check in measurements.not_checked:
        assert open_check.check in first


def test_page_one_tells_time_and_bar_and_number_of_a_red_line(texts: list[str], measurements: Measurements) -> None:
    """A red line carries when it first happens, in which bar, how often, and how much."""
    clipping = next(f for f in measurements.findings if f.code == "clipping")
    beats = int(clipping.times_s[0] / (60.0 / 104.0) + 0.125)  # 104 a minute; an eighth early is on the beat
    bar = f"{beats // 4 + 1}.{beats % 4 + 1}"
    head = f"snare top · first at {numbers.clock(clipping.times_s[0])} (bar {bar}), 12 places · −3.1 dBFS"
    assert head in texts[0]


def test_every_finding_is_told_in_full(texts: list[str], measurements: Measurements) -> None:
    """Message, action and other explanation of each finding stand in the section of findings."""
    everything = " ".join(texts)
    for finding in measurements.findings:
        assert finding.message in everything
        assert finding.action in everything
        assert finding.else_maybe in everything
    for open_check in measurements.not_checked:
        assert open_check.reason in everything


def test_every_channel_has_a_page_with_its_numbers(
    reader: PdfReader, texts: list[str], measurements: Measurements
) -> None:
    """Each channel is in the outline, and its page holds the numbers of its record."""
    for channel, numbers_of in zip(measurements.take.channels, measurements.channels, strict=True):
        text = texts[page_of(reader, channel.label[:1].upper() + channel.label[1:])]
        assert numbers_of.true_peak_dbtp is not None
        assert numbers_of.noise_floor_dbfs is not None
        assert f"True peak {numbers.fixed(numbers_of.true_peak_dbtp)} dBTP" in text
        assert f"{numbers.fixed(numbers_of.noise_floor_dbfs)} dBFS" in text
        for finding in measurements.findings:
            if channel.file in finding.files:
                assert finding.message in text


def test_arrival_and_bleed_print_the_numbers_of_the_record(
    reader: PdfReader, texts: list[str], measurements: Measurements
) -> None:
    """Every delay with its spread and every bleed figure is in print, to the decimals the report uses."""
    start = page_of(reader, "Arrival and polarity")
    end = page_of(reader, "Bleed")
    arrival, bleed = " ".join(texts[start:end]), texts[end]
    assert measurements.pairs
    assert measurements.bleed
    for pair in measurements.pairs:
        assert pair.delay_ms is not None
        assert pair.delay_spread_ms is not None
        assert f"{numbers.fixed(pair.delay_ms, 2)} ± {numbers.fixed(pair.delay_spread_ms, 2)}" in arrival
    for entry in measurements.bleed:
        assert entry.bleed_db is not None
        assert numbers.fixed(entry.bleed_db) in bleed


def test_a_missing_number_says_so_and_why(reader: PdfReader, texts: list[str]) -> None:
    """A click has no strokes of its own: its page says "not measured" and the reason."""
    text = texts[page_of(reader, "Click")]
    assert "(a) not measured" in text
    assert "(a) not measured: this microphone belongs to no drum" in text


def test_input_list_holds_files_microphones_and_tape_measures(reader: PdfReader, texts: list[str]) -> None:
    """What is needed to set up again is on the input list."""
    text = texts[page_of(reader, "Input list and recall sheet")]
    for part in ("09 ride.wav", "condenser, small", "2.71 m", "low cut at 80 Hz left in", "24 bit"):
        assert part in text


def test_checksums_versions_and_cautions_are_in_the_annex(texts: list[str], measurements: Measurements) -> None:
    """The annex holds each file's checksum, the settings, the versions and the cautions."""
    everything = " ".join(texts)
    for facts in measurements.take.files:
        assert facts.sha256 is not None
        assert facts.sha256 in everything
    for part in ("bleed.window_ms", "scipy 1.14.0", "says nothing about sound pressure", "protective earth"):
        assert part in everything


# ---------------------------------------------------------------- how it is built
def test_short_sections_share_a_page_and_the_findings_keep_theirs(tmp_path: Path) -> None:
    """Of a small take the low end stands below the bleed, and a link to it leads down to its title."""
    write_report(*samples.take(n_channels=3, n_findings=1), tmp_path / "report.pdf")
    small = PdfReader(tmp_path / "report.pdf")
    alone = [page_of(small, title) for title in ("Verdict", "For the band", "What we found", "Levels", "Evidence")]

    assert page_of(small, "Low end") == page_of(small, "Bleed")
    assert len(set(alone)) == len(alone)
    tops = {entry.title: float(entry["/Top"]) for entry in small.outline if not isinstance(entry, list)}
    assert tops["Low end"] < tops["Bleed"] - 100.0


def test_sections_come_in_order_and_each_is_in_the_outline(reader: PdfReader) -> None:
    """The outline lists every section once, in the order of the registry, with the channels below theirs."""
    top = [entry.title for entry in reader.outline if not isinstance(entry, list)]
    below = [len(entry) for entry in reader.outline if isinstance(entry, list)]
    assert len(top) == len(SECTIONS)
    assert below == [N_CHANNELS]
    pages = [page_of(reader, title) for title in top]
    assert pages == sorted(pages)


def test_the_band_has_one_page(reader: PdfReader) -> None:
    """Page 2, however much is found: what has no room there is counted and told on its own pages."""
    assert page_of(reader, "For the band") + 1 == page_of(reader, "The take, channel by channel")


def test_there_is_one_page_per_channel(reader: PdfReader) -> None:
    """As many pages lie between the first channel and the plan of the kit as there are channels."""
    assert page_of(reader, "The kit and its mics") - page_of(reader, "One page per channel") == N_CHANNELS


def test_every_font_is_embedded(reader: PdfReader) -> None:
    """Each font on each page carries its own glyphs, so that the report looks alike everywhere."""
    fonts = {}
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():
            fonts[font["/BaseFont"]] = font
    assert len(fonts) >= 3
    for name, font in fonts.items():
        assert "/FontFile2" in font["/FontDescriptor"], name


def test_metadata_names_the_take_and_holds_no_date_of_today(reader: PdfReader) -> None:
    """The document says what it is about; its date is a fixed one, so that equal records give equal bytes."""
    assert reader.metadata is not None
    assert reader.metadata.title == "Tidewall, take 3: technical check"
    assert reader.metadata["/CreationDate"].startswith("D:20000101")
    assert reader.trailer["/Root"]["/Lang"] == "en"


def test_page_references_are_true(reader: PdfReader, texts: list[str], boxes: list[list[TextBox]]) -> None:
    """The page that page one sends the mixer to is where that section starts, and the last page knows how many."""
    assert f"arrival, polarity, then bleed page {page_of(reader, 'Arrival and polarity') + 1}" in ordered(boxes[0])
    assert f"page {len(texts)} of {len(texts)}" in texts[-1]


def ordered(boxes: list[TextBox]) -> str:
    """Text of a page by rows from the top, so that a row's left and right ends stand together."""
    return " ".join(b.text for b in sorted(boxes, key=lambda b: (-round(b.y0 / 3), b.x0)))


def test_links_lead_to_pages_of_this_document(reader: PdfReader) -> None:
    """Every link has a target that exists; findings and channels lead to each other."""
    names = set(reader.named_destinations) | {"", None}
    n_links = 0
    for page in reader.pages:
        for annotation in page.get("/Annots", []):
            target = annotation.get_object().get("/Dest") or annotation.get_object()["/A"]["/D"]
            n_links += 1
            assert isinstance(target, list) or str(target).lstrip("/") in names
    assert n_links > 4 * N_CHANNELS  # from overview, levels, bleed and input list at least


# ---------------------------------------------------------------- how it looks
def test_text_stays_within_the_margins_and_is_never_tiny(boxes: list[list[TextBox]]) -> None:
    """No run of text leaves the printable area of the A4 page or is set below 7 points."""
    for box in (b for page in boxes for b in page):
        assert box.size >= SMALLEST_PT, box
        assert MARGIN - 0.5 <= box.x0 < box.x1 <= 595.28 - MARGIN + 0.5, box  # half a point for rounding
        assert 15.0 < box.y0 < box.y1 < 841.89 - 15.0, box


def test_no_two_texts_overlap(boxes: list[list[TextBox]]) -> None:
    """On every page each run of text has its own ground."""
    for number, page in enumerate(boxes, start=1):
        assert not clashes(page), f"page {number}"


def test_page_one_is_set_large(boxes: list[list[TextBox]]) -> None:
    """Sentences of page one are at least 11 points."""
    foot, key = 30.0, "Marks are strokes"
    sentences = [b for b in boxes[0] if len(b.text) > 30 and b.y0 > foot and not b.text.startswith(key)]
    assert len(sentences) >= 8
    assert min(b.size for b in sentences) >= VERDICT_PAGE_PT


# ---------------------------------------------------------------- files
def test_same_records_give_the_same_bytes(pdf: bytes, tmp_path: Path) -> None:
    """Writing the same take again, under another name, changes nothing."""
    write_report(*samples.take(n_channels=N_CHANNELS), tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == pdf


def test_small_reports_fit_a_mail(pdf: bytes, tmp_path: Path) -> None:
    """The ordinary report of 14 channels is below 5 MB, the small one below 2 MB and smaller than that."""
    write_report(*samples.take(n_channels=N_CHANNELS), tmp_path / "small.pdf", small=True)
    size = (tmp_path / "small.pdf").stat().st_size
    assert size < MAIL_MB * 1e6
    assert size < len(pdf) < LARGEST_MB * 1e6


def test_letter_pages_hold_the_same_report(tmp_path: Path, measurements: Measurements) -> None:
    """On Letter paper nothing is lost: sizes are right, text stays on the page, each channel keeps its one page."""
    write_report(*samples.take(n_channels=N_CHANNELS), tmp_path / "letter.pdf", page_size="letter")
    reader = PdfReader(tmp_path / "letter.pdf")
    assert (float(reader.pages[0].mediabox.width), float(reader.pages[0].mediabox.height)) == (612.0, 792.0)
    boxes = [text_boxes(page) for page in reader.pages]
    everything = " ".join(joined(page) for page in boxes)
    assert all(f.message in everything for f in measurements.findings)
    assert page_of(reader, "The kit and its mics") - page_of(reader, "One page per channel") == N_CHANNELS
    for page in boxes:
        assert all(b.x1 <= 612.0 - MARGIN + 0.5 for b in page)
        assert not clashes(page)


def test_an_existing_report_is_replaced_and_nothing_else_is_left(tmp_path: Path) -> None:
    """The new report takes the place of the old one; no temporary file stays behind."""
    target = tmp_path / "report.pdf"
    target.write_bytes(b"old")
    write_report(*samples.take(n_channels=1, duration_s=8.0), target)
    assert target.read_bytes().startswith(b"%PDF")
    assert [p.name for p in tmp_path.iterdir()] == ["report.pdf"]


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    """Where the report cannot be written the error names the file, and nothing is left."""
    with pytest.raises(OutputError, match=r"nowhere.*report\.pdf.*folder"):
        write_report(*samples.take(n_channels=1, duration_s=8.0), tmp_path / "nowhere" / "report.pdf")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("options", "said"), [({"page_size": "a3"}, "a4, letter"), ({"language": "xx"}, "there is: .*en")]
)
def test_unknown_options_are_refused(tmp_path: Path, options: dict[str, str], said: str) -> None:
    """An unknown page size or language is named with what there is instead."""
    with pytest.raises(OutputError, match=said):
        write_report(*samples.take(n_channels=1, duration_s=8.0), tmp_path / "r.pdf", **options)  # type: ignore[arg-type]
