"""Input list: which microphone stood where, on which file; what is needed to set it up again."""

from __future__ import annotations

from collections import Counter

from kitproof.model import Channel, FileFacts
from kitproof.report import numbers, style, telling
from kitproof.report.anatomy import block, caption, method, open_section
from kitproof.report.context import Context
from kitproof.report.sheet import Sheet
from kitproof.report.table import Cell, Column, draw_table, scaled
from kitproof.report.typeset import has_missing

KEY = "inputs"


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw the input list."""
    words = ctx.words
    open_section(sheet, KEY, _line(ctx))
    columns = scaled(
        (
            Column(words("inputs.number"), 20.0),
            Column(words("inputs.file"), 118.0, "left"),
            Column(words("inputs.role"), 74.0, "left"),
            Column(words("inputs.mic"), 86.0, "left"),
            Column(words("inputs.preamp"), 48.0, "left"),
            Column(words("inputs.position"), 86.0, "left"),
            Column(words("inputs.own"), 40.0),
            Column(words("inputs.snare"), 40.0),
            Column(words("inputs.format"), 84.0, "left"),
        ),
        sheet.text_w,
    )
    draw_table(sheet, columns, [_row(ctx, n, c) for n, c in enumerate(ctx.channels, start=1)])
    if any(c.role_source == "file name" for c in ctx.channels):
        block(sheet, words("inputs.guessed"), style.LABEL, after=2.0)
    for channel in (c for c in ctx.channels if c.note):
        block(sheet, words("inputs.note", label=ctx.label(channel.file), note=channel.note), style.LABEL, after=2.0)
    foreign = [remark for remark in ctx.take.remarks if telling.REMARKS.foreign(words, remark)]
    for remark in (remark for remark in ctx.take.remarks if remark not in foreign):
        block(sheet, telling.remark(ctx, remark), style.LABEL, after=2.0)
    if foreign:
        block(sheet, words("common.in_english"), style.TICK, after=1.0)
    for remark in foreign:
        block(sheet, remark, style.LABEL, after=2.0)
    if ctx.take.ignored:
        names = ctx.listing(ctx.take.ignored, 12)
        block(sheet, words("inputs.ignored", names=names), style.LABEL, after=2.0)
    shown = [ctx.song, *(t for c in ctx.channels for t in (c.file, c.mic, c.preamp, c.position, c.note) if t)]
    if any(has_missing(text, style.CELL.font) for text in shown):
        block(sheet, words("inputs.missing_characters", page=sheet.page_number("files")), style.LABEL, after=2.0)
    sheet.y += 6.0
    caption(sheet, words("inputs.caption"))
    method(sheet, words("inputs.method"))


def _row(ctx: Context, number: int, channel: Channel) -> list[Cell | str]:
    words = ctx.words
    nothing = words("inputs.not_given")
    facts = ctx.facts.get(channel.path)
    label = ctx.role_label(channel)
    role = words("inputs.role_guessed", label=label) if channel.role_source == "file name" else label
    return [
        str(number),
        Cell(channel.file, link=ctx.channel_anchor(channel.file), one_line=True),
        role,
        channel.mic or nothing,
        channel.preamp or nothing,
        channel.position or nothing,
        _metres(channel.to_own_drum_m, nothing),
        _metres(channel.to_snare_m, nothing),
        format_words(ctx, facts) if facts else nothing,
    ]


def _metres(distance_m: float | None, nothing: str) -> str:
    return nothing if distance_m is None else f"{numbers.fixed(distance_m, 2)} m"


def format_words(ctx: Context, facts: FileFacts) -> str:
    """Container, word length, rate and length of a file, or what is wrong with it."""
    words = ctx.words
    if facts.problem and facts.rate_hz is None:
        return words(f"inputs.{facts.problem}")
    parts = [facts.container or ""]
    if facts.bit_depth:
        parts.append(words("inputs.bits", bits=facts.bit_depth))
    if facts.rate_hz:
        parts.append(f"{facts.rate_hz / 1000:g} kHz")
    if facts.rate_hz and facts.n_frames is not None:
        parts.append(numbers.clock(facts.n_frames / facts.rate_hz))
    if facts.problem:
        parts.append(words(f"inputs.{facts.problem}"))
    return words("common.comma").join(p for p in parts if p)


def _line(ctx: Context) -> str:
    """How many files of which formats."""
    files = ctx.take.files
    kinds = Counter(
        ctx.words("inputs.kind", container=f.container or "?", bits=f.bit_depth or "?", rate=f"{f.rate_hz / 1000:g}")
        for f in files
        if f.rate_hz
    )
    if not kinds:
        return ctx.words("inputs.line_none", n=len(files))
    listed = ctx.words("common.comma").join(f"{n} × {kind}" for kind, n in sorted(kinds.items()))
    return ctx.words("inputs.line_same" if len(kinds) == 1 else "inputs.line_mixed", kinds=listed)
