"""Channels and drums: an overview take by take, then every figure of each take against the reference."""

from __future__ import annotations

from collections.abc import Sequence

from kitproof.comparison import Change, Kind, Move, Switch, Word
from kitproof.report import numbers
from kitproof.report.anatomy import caption, open_page, subhead
from kitproof.report.comparison.takes import DECIMALS, Takes, minus
from kitproof.report.sheet import Sheet
from kitproof.report.table import Cell, Column, Reasons, draw_table, scaled
from kitproof.report.typeset import upper_first
from kitproof.roles import DRUM_ORDER

MOST_COLUMNS = 6  # takes side by side in one overview table
ITEMS: dict[Kind, str] = {
    "gain": "compare.item_gain", "strength": "compare.item_strength", "closeness": "compare.item_closeness",
    "noise": "compare.item_noise", "hum": "compare.item_hum", "click-bleed": "compare.item_click",
    "pitch": "compare.item_pitch", "decay": "compare.item_decay", "wires": "compare.item_wires",
    "hat-closing": "compare.item_hat", "tone": "compare.item_tone", "attack": "compare.item_attack",
    "crest": "compare.item_crest",
}  # fmt: skip
OF_CHANNEL: tuple[Kind, ...] = ("gain", "closeness", "noise", "hum", "click-bleed", "tone", "wires")
UNSURE: tuple[Kind, ...] = ("gain", "strength", "closeness", "pitch")  # told in the overview even where unclear
OF_DRUM: tuple[Kind, ...] = ("strength", "pitch", "decay", "hat-closing", "attack", "crest")


def draw(sheet: Sheet, takes: Takes) -> None:
    """Draw the overview, then one page a take."""
    words = takes.words
    title = words("compare.overview_title")
    sheet.new_page(title)
    open_page(sheet, title, "section:overview", 0, words("compare.overview_line", ref=takes.ref))
    parts = [takes.others[i : i + MOST_COLUMNS] for i in range(0, len(takes.others), MOST_COLUMNS)]
    for part in parts:
        _overview(sheet, takes, part, "compare.overview_channel", _channel_rows(takes, part))
    caption(sheet, words("compare.overview_caption", ref=takes.ref))
    subhead(sheet, words("compare.drums_title"), keep_with=80.0)
    for part in parts:
        _overview(sheet, takes, part, "compare.overview_drum", _drum_rows(takes, part))
    for take in takes.others:
        _full(sheet, takes, take)


def _overview(sheet: Sheet, takes: Takes, part: Sequence[int], key: str, rows: list[list[Cell | str]]) -> None:
    columns = (
        Column(takes.words(key), 76.0, "left"),
        *(Column(takes.names[n], 100.0 if len(part) > 2 else 200.0, "left") for n in part),
    )
    draw_table(sheet, scaled(columns, sheet.text_w) if len(part) > 2 else columns, rows)


def _channel_rows(takes: Takes, part: Sequence[int]) -> list[list[Cell | str]]:
    rows: list[list[Cell | str]] = []
    for match in takes.comparison.channels:
        have = next((n for n, f in enumerate(match.files, 1) if f is not None), 1)
        row: list[Cell | str] = [Cell(takes.label(match.file, have), bold=True)]
        for n in part:
            if match.files[n - 1] is None:
                row.append(takes.words("compare.cell_gone") if have == 1 else "")
            elif match.files[0] is None:
                row.append(takes.words("compare.cell_new"))
            else:
                row.append(_channel_cell(takes, n, match.file))
        rows.append(row)
    return rows


def _channel_cell(takes: Takes, take: int, file: str) -> Cell | str:
    words = takes.words
    items = [_switched(takes, s) for s in takes.switches(take, file)]
    changes = [c for kind in OF_CHANNEL if (c := takes.change(take, kind, file=file)) is not None]
    move = takes.move(take, file=file)
    said: list[Word | None] = [c.word for c in changes]
    if move is not None:
        said.append(move.word)
        if move.word in ("changed", "unclear"):
            cm, error = numbers.fixed(move.path_cm or 0.0, 0, sign=True), _error_cm(move.path_cm, move.delay_ms,
                                                                                    move.error_ms)  # fmt: skip
            text = words("compare.item_value", item=words("compare.item_place"), value=cm, error=error, unit="cm")
            items.append(text if move.word == "changed" else words("compare.cell_unclear", text=text))
    items += [t for c in changes if (t := _item(takes, c))]
    return _cell(takes, items, said)


def _switched(takes: Takes, s: Switch) -> str:
    """What is another thing now, in few words."""
    if s.kind == "polarity":
        return takes.words("compare.item_polarity")
    if s.kind == "hum":
        key = "compare.item_hum_went" if s.before else "compare.item_hum_came"
        return takes.words(key, level=minus(s.before or s.after))
    return takes.words("compare.item_format", before=minus(s.before) or "–", after=minus(s.after) or "–")


def _error_cm(path_cm: float | None, delay_ms: float | None, error_ms: float | None) -> str:
    if not path_cm or not delay_ms or error_ms is None:
        return "–"
    return numbers.fixed(abs(path_cm / delay_ms) * error_ms, 0)


def _cell(takes: Takes, items: list[str], said: Sequence[Word | None]) -> Cell | str:
    if items:
        return Cell(takes.words("common.semicolon").join(items))
    return takes.words("compare.cell_same") if any(w == "same" for w in said) else "–"


def _item(takes: Takes, c: Change) -> str:
    """A change in few words; "" for what is the same or not known."""
    told = c.word == "changed" or (c.word == "unclear" and c.kind in UNSURE)
    if c.value is None or c.error is None or not told:
        return ""
    decimals = DECIMALS.get(c.kind, 1)
    name = takes.words("compare.item_bleed", drum=takes.drum(c.drum)) if c.kind == "bleed" else ""
    text = takes.words(
        "compare.item_value", item=name or takes.words(ITEMS[c.kind]), unit=takes.words.unit(c.unit),
        value=numbers.fixed(c.value, decimals, sign=True), error=numbers.fixed(c.error, decimals),
    )  # fmt: skip
    return text if c.word == "changed" else takes.words("compare.cell_unclear", text=text)


def _drum_rows(takes: Takes, part: Sequence[int]) -> list[list[Cell | str]]:
    rows: list[list[Cell | str]] = []
    for drum in _drums(takes, part):
        row: list[Cell | str] = [Cell(takes.drum(drum), bold=True)]
        for n in part:
            changes = [c for kind in OF_DRUM if (c := takes.change(n, kind, drum=drum)) is not None]
            bleeds = takes.bleeds(n, drum)
            items = [t for c in changes if (t := _item(takes, c))]
            items += [
                f"{t} → {takes.label(c.file or '')}" for c in bleeds if c.word == "changed" and (t := _item(takes, c))
            ]
            said: list[Word | None] = [c.word for c in changes]
            move = takes.move(n, drum=drum)
            if move is not None and move.word == "changed":
                cm = numbers.fixed(move.path_cm or 0.0, 0, sign=True)
                error = _error_cm(move.path_cm, move.delay_ms, move.error_ms)
                name = takes.words("compare.item_place")
                items.insert(0, takes.words("compare.item_value", item=name, value=cm, error=error, unit="cm"))
            row.append(_cell(takes, items, said))
        rows.append(row)
    return rows


def _drums(takes: Takes, part: Sequence[int]) -> list[str]:
    struck = {c.drum for c in takes.comparison.changes if c.kind == "strength" and c.take in part}
    return [d for d in DRUM_ORDER if d in struck]


# ---------------------------------------------------------------- every figure
def _full(sheet: Sheet, takes: Takes, take: int) -> None:
    words = takes.words
    title = words("compare.full_title", take=upper_first(takes.names[take]), ref=takes.ref)
    sheet.new_page(title)
    open_page(sheet, title, f"take:{take}", 0, words("compare.full_line"))
    reasons = Reasons(sheet)
    files = [m.file for m in takes.comparison.channels if m.files[0] is not None and m.files[take - 1] is not None]
    heads: tuple[tuple[str, Kind], ...] = (
        ("compare.full_gain", "gain"), ("compare.full_close", "closeness"), ("compare.full_noise", "noise"),
        ("compare.full_tone", "tone"),
    )  # fmt: skip
    columns = scaled(
        (
            Column(words("compare.overview_channel"), 92.0, "left"), Column(words("compare.full_place"), 80.0),
            *(Column(words(key), 74.0) for key, _ in heads), Column(words("compare.full_polarity"), 70.0),
        ),
        sheet.text_w,
    )  # fmt: skip
    rows: list[list[Cell | str]] = []
    for file in files:
        turned = any(s.kind == "polarity" for s in takes.switches(take, file))
        rows.append([
            Cell(takes.label(file), bold=True), _figure(takes, takes.move(take, file=file), reasons),
            *(_figure(takes, takes.change(take, kind, file=file), reasons) for _, kind in heads),
            Cell(words("compare.full_turned"), bold=True) if turned else words("compare.full_as_before"),
        ])  # fmt: skip
    draw_table(sheet, columns, rows)
    _full_drums(sheet, takes, take, reasons)
    reasons.write()
    caption(sheet, words("compare.full_caption"))


def _full_drums(sheet: Sheet, takes: Takes, take: int, reasons: Reasons) -> None:
    words = takes.words
    heads: tuple[tuple[str, Kind, float], ...] = (
        ("compare.full_struck", "strength", 66.0), ("compare.full_pitch", "pitch", 66.0),
        ("compare.full_decay", "decay", 62.0), ("compare.full_attack", "attack", 80.0),
        ("compare.full_crest", "crest", 66.0),
    )  # fmt: skip
    columns = scaled(
        (
            Column(words("compare.overview_drum"), 66.0, "left"), Column(words("compare.full_place"), 80.0),
            *(Column(words(key), width) for key, _, width in heads), Column(words("compare.full_pairs"), 44.0),
            Column(words("compare.full_bleed"), 72.0),
        ),
        sheet.text_w,
    )  # fmt: skip
    rows: list[list[Cell | str]] = []
    for drum in _drums(takes, (take,)):
        crest = takes.change(take, "crest", drum=drum)
        bleeds = takes.bleeds(take, drum)
        most = max(bleeds, key=lambda c: abs(c.value or 0.0), default=None)
        rows.append([
            Cell(takes.drum(drum), bold=True), _figure(takes, takes.move(take, drum=drum), reasons),
            *(_figure(takes, takes.change(take, kind, drum=drum), reasons) for _, kind, _ in heads),
            str(crest.n) if crest is not None and crest.value is not None else "–", _figure(takes, most, reasons),
        ])  # fmt: skip
    if rows:
        draw_table(sheet, columns, rows)


def _figure(takes: Takes, c: Change | Move | None, reasons: Reasons) -> Cell | str:
    """A change or a move as the table prints it; where it is not known, the letter of the reason."""
    if c is None:
        return "–"
    value, error, decimals = (
        (c.delay_ms, c.error_ms, 2) if isinstance(c, Move) else (c.value, c.error, DECIMALS.get(c.kind, 1))
    )
    if value is None or error is None or c.word is None:
        return reasons.missing(next(iter(c.unmeasured.values()), None), brief=True)
    text = takes.figure(value, error, c.word, decimals)
    return Cell(text, bold=True) if c.word == "changed" else text
