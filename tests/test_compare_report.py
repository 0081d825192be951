"""The comparison on paper and as JSON, and its command: what is said, that it is whole, that both say the same."""

import io
import json
import re
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

import comparekit
import samples
from comparekit import finding
from kitproof import comparison, deliver, saved
from kitproof.cli import main
from kitproof.compare import Reading, compare
from kitproof.comparison import Comparison
from kitproof.errors import OutputError
from kitproof.model import Measurements
from kitproof.report.comparison.document import render, write_comparison_report
from kitproof.report.comparison.lines import lines
from kitproof.report.comparison.takes import Takes
from kitproof.report.style import MARGIN, PAGES
from kitproof.report.wording import Words, languages, load_words
from pdf_boxes import TextBox, clashes, joined, text_boxes
from test_report_language import TREE, english_left, made_up

SMALLEST_PT = 7.0  # nothing in a report may be set smaller
KEYS = Path(comparison.__file__).with_name("COMPARISON.md")


def some_takes() -> list[Measurements]:
    """Three takes with a bit of everything."""
    clip = finding("clipping", "fix", times_s=(4.1, 9.0), n=60)
    return [
        comparekit.take(),
        comparekit.take(2, gain={"snare-top": 4.0}, moved={"overhead-right": 0.5}, findings=(clip,)),
        comparekit.take(3, strength={"snare": 5.0}, crept={"kick": 0.6}, late_hz={"snare": 210.0},
                        closer={"floor-tom": -5.0}),
    ]  # fmt: skip


def compared(takes: list[Measurements]) -> Comparison:
    return compare([Reading(m) for m in takes])


def pages(takes: list[Measurements], words: Words | None = None, size: str = "a4") -> list[list[TextBox]]:
    book = Takes(compared(takes), takes, words or load_words("en"))
    pdf = render(book, PAGES[size], "en")  # type: ignore[index]
    return [text_boxes(page) for page in PdfReader(io.BytesIO(pdf)).pages]


@pytest.fixture(scope="module")
def boxes() -> list[list[TextBox]]:
    return pages(some_takes())


@pytest.fixture(scope="module")
def texts(boxes: list[list[TextBox]]) -> list[str]:
    return [joined(page) for page in boxes]


# ---------------------------------------------------------------- what it says
def test_page_one_says_what_changed_what_to_do_and_which_take(texts: list[str]) -> None:
    """In plain words, with numbers, ears asked to decide."""
    assert "things changed against take 1" in texts[0]
    assert "Snare top has" in texts[0]
    assert "Turn it back" in texts[0]
    assert re.search(r"Overhead right hangs 1[678] cm further from the snare than in take 1", texts[0])  # 0.5 ms
    assert "The kick, or its own mic, stands elsewhere" in texts[0]
    assert "Best whole take: a tie of take 1 and take 3. Decide by ear." in texts[0]
    assert texts[0].count("Decide by ear") == 2


def test_at_most_eight_lines_stand_on_page_one(texts: list[str]) -> None:
    """The rest is counted, and told in the tables."""
    away = dict.fromkeys(("overhead-left", "room-left", "room-right"), 0.7)
    many = [comparekit.take(), comparekit.take(2, moved=away,
            gain={"kick": 5.0, "ride": -5.0, "overhead-right": 6.0}, strength={"snare": 6.0, "hi-hat": -6.0},
            late_hz={"snare": 230.0}, noise_db={"floor-tom": 12.0})]  # fmt: skip
    found = lines(Takes(compared(many), many, load_words("en")))
    page = joined(pages(many)[0])
    assert len(found) > 8
    assert f"and {len(found) - 8} more" in page
    assert [line.text in page for line in found] == [True] * 8 + [False] * (len(found) - 8)


def test_a_take_against_itself_says_nothing_changed() -> None:
    """One line, no list."""
    m = comparekit.take()
    first, *_ = pages([m, m])
    assert "Nothing changed against take 1." in joined(first)


def test_every_changed_figure_stands_in_the_tables_as_it_does_in_the_json(texts: list[str]) -> None:
    """Value and error, rounded to what is printed, with a true minus sign."""
    everything = " ".join(texts)
    shown = [c for c in compared(some_takes()).changes if c.word == "changed" and c.kind != "bleed"]
    assert len(shown) >= 4  # gain, strength, closeness, pitch
    for c in shown:
        decimals = {"pitch": 0, "decay": 0, "attack": 2}.get(c.kind, 1)
        text = f"{c.value:+.{decimals}f} ±{c.error:.{decimals}f}".replace("-", "\u2212")
        assert text in everything, c


def test_the_map_of_bars_has_a_letter_and_a_reason_for_every_mark(texts: list[str]) -> None:
    """Clipping at 4.1 and 9.0 s: bars 3 and 5; forty places more are not listed, and that is said."""
    page = next(t for t in texts if "Bar by bar" in t and "An empty cell is clean" in t)
    assert "Clipping, snare top" in page
    assert "Take 2 3 0:04.1" in page
    assert "Take 2: not all places of Clipping are listed" in page


def test_a_moved_mic_has_its_table(texts: list[str]) -> None:
    """Before, after, difference with its error, and the word."""
    page = next(t for t in texts if "Overhead right, take 2 against take 1" in t)
    assert "Louder is not better" in page
    before_after = re.search(r"arrives after its own mic, ms snare (\S+) (\S+) \+(\S+) ±", page)
    assert before_after is not None
    before, after, difference = map(float, before_after.groups())
    assert difference == pytest.approx(after - before, abs=0.011)  # each rounded to 0.01
    assert difference == pytest.approx(0.5, abs=0.05)  # errors of 0.01 ms are drawn
    assert "changed" in page


def test_limits_and_method_close_the_paper(texts: list[str]) -> None:
    """Every limit with its unit and source."""
    for x in compared(some_takes()).limits:
        name = load_words("en")(f"limit.{x.name}.name")
        assert f"{name} {x.value:g} {x.unit} " in texts[-1]


# ---------------------------------------------------------------- the paper
def test_twelve_takes_stay_tidy() -> None:
    """Nothing overlaps, runs off the paper or is too small to read, on the smaller paper, with marks in most bars."""
    kits = [samples.take(n_channels=14, seed=n, number=n, duration_s=70.0)[0] for n in range(1, 13)]
    check_tidy(pages(kits, size="letter"), "letter")


def test_takes_without_anything_measured_stay_tidy() -> None:
    """Silence, no beat, other channels."""
    odd = [samples.take(n_channels=14, silent=True, tempo_bpm=None)[0], samples.take(n_channels=3, names="long")[0],
           samples.take(n_channels=20, names="japanese", song=None, number=None)[0]]  # fmt: skip
    check_tidy(pages(odd), "a4")


def test_the_example_stays_tidy(boxes: list[list[TextBox]]) -> None:
    """The takes of this file."""
    check_tidy(boxes, "a4")


def check_tidy(found: list[list[TextBox]], size: str) -> None:
    width, height = PAGES[size]  # type: ignore[index]
    for page in found:
        assert clashes(page) == []
        for box in page:
            assert box.x0 >= MARGIN - 1.0
            assert box.x1 <= width - MARGIN + 1.0, box.text
            assert 0.0 < box.y0 < box.y1 < height
            assert box.size >= SMALLEST_PT


def test_another_language_leaves_no_english_on_page_one() -> None:
    """Every sentence is data."""
    tree = made_up(TREE)
    found = pages(some_takes(), Words(tree, "zz"))
    assert english_left(found[0], tree) == []
    check_tidy(found, "a4")


def test_the_same_takes_give_the_same_bytes(tmp_path: Path) -> None:
    """PDF and JSON, twice."""
    takes = some_takes()
    for name in ("a", "b"):
        deliver.write_comparison(compared(takes), takes, tmp_path / name)
    for file in ("comparison.pdf", "comparison.json"):
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()


def test_an_unknown_page_size_is_refused(tmp_path: Path) -> None:
    """Before anything is written."""
    takes = some_takes()
    with pytest.raises(OutputError, match="no page size"):
        write_comparison_report(compared(takes), takes, tmp_path / "c.pdf", page_size="a3")  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------- the JSON
def test_every_key_is_documented_and_no_other() -> None:
    """COMPARISON.md has a section for each kind of entry, with exactly its keys."""
    kinds = {"top level": comparison.Comparison, "takes": comparison.ComparedTake, "channels": comparison.ChannelMatch,
             "changes": comparison.Change, "moves": comparison.Move, "switches": comparison.Switch,
             "bars": comparison.TakeBars, "bar_reasons": comparison.BarReason, "ranks": comparison.Rank,
             "comp": comparison.Block, "placements": comparison.Placement, "rows": comparison.PlacementRow,
             "limits": comparison.LimitSaid}  # fmt: skip
    documented: dict[str, set[str]] = {}
    title = ""
    for line in KEYS.read_text("utf-8").splitlines():
        if line.startswith("#"):
            title = line.lstrip("# ")
        elif line.startswith("| `"):
            documented.setdefault(title, set()).update(re.findall(r"`(\w+)`", line.split("|")[1]))
    assert documented == {name: {f.name for f in fields(kind)} for name, kind in kinds.items()}


def test_what_is_null_has_its_reason(tmp_path: Path) -> None:
    """In every entry with `unmeasured`, and the rest is as in the records."""
    takes = some_takes()
    saved.write_comparison(compared(takes), tmp_path / "c.json")
    document = json.loads((tmp_path / "c.json").read_text("utf-8"))
    entries = [e for name in ("changes", "moves", "bars", "bar_reasons") for e in document[name]]
    entries += [r for p in document["placements"] for r in p["rows"]]
    assert len(entries) > 100
    for entry in entries:
        missing = {k for k, v in entry.items() if v is None and k not in ("file", "drum", "partner")}
        assert missing == set(entry["unmeasured"])
        assert all(entry["unmeasured"].values())


# ---------------------------------------------------------------- the command
def saved_report(folder: Path, m: Measurements) -> Path:
    folder.mkdir(parents=True)
    saved.write_measurements(m, folder / "measurements.json")
    return folder


@pytest.fixture
def reports(tmp_path: Path) -> list[Path]:
    return [saved_report(tmp_path / f"take {m.take.number}", m) for m in some_takes()]


def test_report_folders_and_json_files_are_compared(reports: list[Path], tmp_path: Path, capsys: Any) -> None:
    """Status 0, both files written and named."""
    out = tmp_path / "out"
    assert main(["compare", str(reports[0]), str(reports[1] / "measurements.json"), "-o", str(out)]) == 0
    assert capsys.readouterr().out.splitlines() == [str(out / "comparison.pdf"), str(out / "comparison.json")]
    document = json.loads((out / "comparison.json").read_text("utf-8"))
    assert [t["name"] for t in document["takes"]] == ["Tidewall take 1", "Tidewall take 2"]
    assert (out / "comparison.pdf").read_bytes().startswith(b"%PDF")


def test_a_take_that_cannot_be_read_is_named_and_left_out(reports: list[Path], tmp_path: Path, capsys: Any) -> None:
    """Two are left: status 0."""
    damaged = tmp_path / "damaged.json"
    damaged.write_text("{", "utf-8")
    out = tmp_path / "out"
    assert main(["compare", str(reports[0]), str(damaged), str(reports[2]), "-o", str(out), "-q"]) == 0
    said = capsys.readouterr()
    assert "damaged.json: damaged, not JSON" in said.err
    assert "left out of the comparison" in said.err
    assert said.out == ""


def test_with_one_take_left_nothing_is_written(reports: list[Path], tmp_path: Path, capsys: Any) -> None:
    """Status 2, and why."""
    out = tmp_path / "out"
    assert main(["compare", str(reports[0]), str(tmp_path / "nowhere.json"), "-o", str(out)]) == 2
    assert "1 of 2 takes could be read; two are needed" in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize("n", [1, 13])
def test_one_take_or_thirteen_are_refused_before_any_is_read(
    n: int, reports: list[Path], tmp_path: Path, capsys: Any
) -> None:
    """Status 2."""
    assert main(["compare", *[str(reports[0])] * n, "-o", str(tmp_path / "out")]) == 2
    assert "give 2 to 12" in capsys.readouterr().err


def test_a_take_is_never_written_into(reports: list[Path], tmp_path: Path, capsys: Any) -> None:
    """The folder of a take as the place for results is refused."""
    m = some_takes()[0]
    with pytest.raises(OutputError, match="one of the takes"):
        deliver.write_comparison(compared([m, m]), [m, m], Path(m.take.folder))


def test_every_sentence_of_the_section_is_english_data() -> None:
    """The table is there in the file that languages are made from."""
    assert "compare" in tomllib.loads(Path(str(KEYS.with_name("report") / "wording" / "en.toml")).read_text("utf-8"))


@pytest.mark.parametrize("language", [name for name in languages() if name != "en"])
def test_every_language_stays_tidy(language: str) -> None:
    """In each language there is a wording for, nothing overlaps or runs off the paper."""
    check_tidy(pages(some_takes(), load_words(language)), "a4")
