"""The numbers of a channel's page: one row each, with the reason where there is none."""

from __future__ import annotations

from kitproof.model import ChannelMeasures
from kitproof.observed.instrument import DrumRing
from kitproof.report import numbers, style
from kitproof.report.context import Context
from kitproof.report.pages.tuning import named
from kitproof.report.sheet import Sheet
from kitproof.report.table import Reasons

HEAD_H = 14.0  # title of a table or a small figure
ROW_H = style.CELL.leading + 0.4
# wording, field, decimals, unit
NUMBERS = (
    ("channels.true_peak", "true_peak_dbtp", 1, "dBTP"),
    ("channels.sample_peak", "sample_peak_dbfs", 1, "dBFS"),
    ("channels.rms", "rms_dbfs", 1, "dBFS"),
    ("channels.crest", "crest_db", 1, "dB"),
    ("channels.hit_crest", "hit_crest_db", 1, "dB"),
    ("channels.floor", "noise_floor_dbfs", 1, "dBFS"),
    ("channels.momentary", "max_momentary_lufs", 1, "LUFS"),
    ("channels.short_term", "max_short_term_lufs", 1, "LUFS"),
    ("channels.integrated", "integrated_lufs", 1, "LUFS"),
    ("channels.range", "loudness_range_lu", 1, "LU"),
    ("channels.dc", "dc_fraction", 6, ""),
    ("channels.bits", "used_bits", 0, "bit"),
)


def number_rows(ctx: Context, one: ChannelMeasures, reasons: Reasons, n_bands: int) -> list[tuple[str, str]]:
    """Name and value of each row. n_bands : of noise, at most"""
    rows = []
    for key, field, decimals, unit in NUMBERS:
        text = reasons.figure(getattr(one, field), one.unmeasured.get(field), decimals)
        if getattr(one, field) is not None:
            text = f"{text} {ctx.words.unit(unit)}".rstrip()
        if field == "sample_peak_dbfs" and one.sample_peak_time_s is not None:
            text = ctx.words("channels.at", value=text, time=numbers.clock(one.sample_peak_time_s))
        rows.append((ctx.words(key), text))
    for band in one.noise_bands[:n_bands]:
        name = ctx.words("channels.noise_band", low=numbers.hertz(band.low_hz), high=numbers.hertz(band.high_hz))
        rows.append((name, f"{numbers.fixed(band.level_dbfs)} dBFS"))
    clipped = str(one.clip_runs_n)
    if one.clip_runs:
        clipped = ctx.words("channels.first_at", n=clipped, time=numbers.clock(one.clip_runs[0].start_s))
    rows.append((ctx.words("channels.clipped"), clipped))
    ring = ctx.ring(one.file)
    if ring is not None:
        rows += _ring_rows(ctx, ring, reasons)
    rows.append((ctx.words("channels.length"), numbers.clock(one.duration_s)))
    return rows


def _ring_rows(ctx: Context, ring: DrumRing, reasons: Reasons) -> list[tuple[str, str]]:
    """Pitch and decay of the ring, or why they are not known."""
    text = reasons.figure(ring.late_hz, ring.unmeasured.get("late_hz"))
    if ring.late_hz is None:
        return [(ctx.words("channels.ring"), text)]
    if ring.pitch is not None and ring.pitch_cents is not None:
        text = named(ctx, ring)
    decay = reasons.figure(ring.decay_s, ring.unmeasured.get("decay_s"), 2)
    unit = "" if ring.decay_s is None else " s"
    return [(ctx.words("channels.ring"), text), (ctx.words("channels.decay"), decay + unit)]


def draw_numbers(sheet: Sheet, rows: list[tuple[str, str]], width: float) -> float:
    """Draw the rows at `sheet.y`, `width` wide; returns the y below."""
    y = sheet.y + HEAD_H
    if rows:
        with sheet.tagged("H2"):
            sheet.text(sheet.left, sheet.y + 9.0, sheet.words("channels.numbers"), style.LABEL_BOLD)
    with sheet.tagged("Table"):
        for name, value in rows:
            with sheet.tagged("TR"):
                with sheet.tagged("TH", scope="Row"):
                    sheet.text(sheet.left, y + 7.8, name, style.CELL)
                sheet.text(sheet.left + width, y + 7.8, value, style.CELL, align="right")
            y += ROW_H
            sheet.line(sheet.left, y, sheet.left + width, y)
    return y
