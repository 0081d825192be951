"""Glossary, method and standards, settings and versions, checksums, cautions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

from kitproof.model import FileFacts
from kitproof.report import numbers, style
from kitproof.report.anatomy import block, open_section, subhead
from kitproof.report.context import Context
from kitproof.report.sheet import Sheet
from kitproof.report.style import TextStyle
from kitproof.report.typeset import spelled_out, text_width, wrap

KEY = "annex"
LIMITS = "thresholds"  # the key in the settings
TERM_W = 112.0
TERM = TextStyle(style.BOLD, style.LABEL.size, style.LABEL.leading)


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw the annex."""
    words = ctx.words
    open_section(sheet, KEY, words("annex.line"))
    subhead(sheet, words("annex.cautions"))
    _entries(sheet, words.entries("cautions"))
    subhead(sheet, words("annex.glossary"))
    _entries(sheet, words.entries("glossary"))
    subhead(sheet, words("annex.methods"))
    _entries(sheet, words.entries("methods"))
    subhead(sheet, words("annex.settings"))
    others = {key: value for key, value in ctx.measurements.settings.items() if key != LIMITS}
    _pairs(sheet, [*flat(others), ("schema_version", str(ctx.measurements.schema_version))])
    limits = ctx.measurements.settings.get(LIMITS, {})
    if limits:
        subhead(sheet, words("annex.limits"))
        block(sheet, words("annex.limits_lead"), style.SMALL)
        if not words.native:
            block(sheet, words("common.in_english"), style.SMALL)
        _limits(sheet, limits)
    subhead(sheet, words("annex.versions"))
    _pairs(sheet, sorted((k, str(v)) for k, v in ctx.measurements.versions.items()))
    sheet.need(60.0)
    sheet.anchor("files")
    subhead(sheet, words("annex.files"))
    block(sheet, words("annex.files_lead"), style.SMALL)
    for facts in ctx.take.files:
        _file(sheet, ctx, facts)


def flat(settings: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    """Nested settings as dotted names and values, in the order of the names."""
    for key in sorted(settings, key=str):
        value = settings[key]
        if isinstance(value, Mapping):
            yield from flat(value, f"{prefix}{key}.")
        elif isinstance(value, float):
            yield f"{prefix}{key}", f"{value:g}"
        elif isinstance(value, list | tuple):
            yield f"{prefix}{key}", ", ".join(str(v) for v in value)
        else:
            yield f"{prefix}{key}", str(value)


def _entries(sheet: Sheet, entries: Sequence[Mapping[str, str]]) -> None:
    """Terms left, what they mean right."""
    for entry in entries:
        term = wrap(entry["term"], TERM, TERM_W - 10.0)
        text = wrap(entry["text"], style.LABEL, sheet.text_w - TERM_W)
        height = max(len(term), len(text)) * style.LABEL.leading + 3.0
        sheet.need(height)
        with sheet.tagged("P"):
            sheet.lines(sheet.left, sheet.y, term, TERM)
            sheet.lines(sheet.left + TERM_W, sheet.y, text, style.LABEL)
        sheet.y += height


def _pairs(sheet: Sheet, pairs: Sequence[tuple[str, str]]) -> None:
    """Names and values, two columns wide."""
    half = sheet.text_w * 0.42
    for name, value in pairs:
        left = wrap(name, style.CELL, half - 10.0)
        right = wrap(value, style.CELL, sheet.text_w - half)
        height = max(len(left), len(right)) * style.CELL.leading + 1.0
        sheet.need(height)
        with sheet.tagged("P"):
            sheet.lines(sheet.left, sheet.y, left, style.CELL)
            sheet.lines(sheet.left + half, sheet.y, right, style.CELL)
        sheet.y += height


def _limits(sheet: Sheet, limits: Mapping[str, Mapping[str, Any]]) -> None:
    """One line or two a limit: its name, its number with unit, why it is what it is, who says so."""
    edges = [sheet.left + share * sheet.text_w for share in (0.0, 0.24, 0.41, 0.84)]
    widths = [b - a - 6.0 for a, b in pairwise([*edges, sheet.right + 6.0])]
    for name, limit in limits.items():
        number = f"{limit['value']:g}".replace("-", numbers.MINUS)
        cells = (name, f"{number} {limit['unit']}", str(limit["reason"]), sheet.words.source(str(limit["source"])))
        lines = [wrap(cell, style.CELL, width) for cell, width in zip(cells, widths, strict=True)]
        height = max(map(len, lines)) * style.CELL.leading + 1.0
        sheet.need(height)
        with sheet.tagged("P"):
            for left, part in zip(edges, lines, strict=True):
                sheet.lines(left, sheet.y, part, style.CELL)
        sheet.y += height


def _file(sheet: Sheet, ctx: Context, facts: FileFacts) -> None:
    """Exact name and size of a file, its checksum below."""
    words = ctx.words
    size = words("annex.size", size=numbers.megabytes(facts.size_bytes), n=numbers.grouped(facts.size_bytes))
    name = wrap(spelled_out(facts.path), style.CELL_BOLD, sheet.text_w * 0.66)
    checksum = facts.sha256 or words("annex.no_checksum")
    sheet.need((len(name) + 2) * style.CELL.leading + 3.0)
    with sheet.tagged("P"):
        top, sheet.y = sheet.y, sheet.lines(sheet.left, sheet.y, name, style.CELL_BOLD)
        sheet.text(sheet.right, top + 8.0, size, style.CELL, align="right")
    if facts.time_reference_frames is not None:
        stamp = words("annex.time_stamp", n=numbers.grouped(facts.time_reference_frames))
        room = sheet.text_w - text_width(checksum, style.CODE.font, style.CODE.size) - style.GAP
        if text_width(stamp, style.TICK.font, style.TICK.size) > room:
            sheet.y = sheet.lines(sheet.left, sheet.y, [stamp], style.TICK)
        else:
            sheet.text(sheet.right, sheet.y + 7.5, stamp, style.TICK, align="right")
    sheet.y = sheet.lines(sheet.left, sheet.y, [checksum], style.CODE) + 3.0
