"""One page per channel: wave, spectrogram, mean stroke, numbers, findings."""

from __future__ import annotations

from kitproof.model import Channel, ChannelMeasures
from kitproof.report import alternatives, marks, numbers, style, telling
from kitproof.report.anatomy import caption, caption_height, method, open_page
from kitproof.report.context import Context
from kitproof.report.figures.histogram import draw_histogram
from kitproof.report.figures.sonogram import draw_key, draw_sonogram
from kitproof.report.figures.strip import mark_positions
from kitproof.report.figures.stroke import draw_spectrum, draw_stroke
from kitproof.report.figures.wave import draw_wave, enlargement
from kitproof.report.sheet import Sheet
from kitproof.report.style import Box
from kitproof.report.table import Reasons
from kitproof.report.typeset import shorten_middle, upper_first, wrap

KEY = "channels"
WAVE_H, STROKE_H = 60.0, 86.0
SONOGRAM_H = (56.0, 190.0)  # takes what the page has left
STROKE_BLOCK = 16.0 + STROKE_H + 15.0  # without its caption
LOW_END = 34.0  # axis and key below the spectrogram
AXIS_W = 36.0  # of the label column, for the numbers of the spectrogram's axis
COLUMN_GAP = 22.0
INDENT = 26.0
NUMBER_W = 0.46  # share of the width for the table of numbers
MOST_BANDS = 4
FEWEST_LEVELS, LEVELS_H = 5, 88.0  # strokes for a histogram, and its height with title
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


def draw(sheet: Sheet, ctx: Context) -> None:
    """Draw a page for every channel, in the order of the take."""
    for n, channel in enumerate(ctx.channels):
        _page(sheet, ctx, channel, first=n == 0)


def _page(sheet: Sheet, ctx: Context, channel: Channel, *, first: bool) -> None:
    words, label = ctx.words, ctx.label(channel.file)
    title = words("channels.title_of", label=label)
    sheet.new_page(title)
    if first:
        sheet.anchor(f"section:{KEY}", 0.0)
        sheet.outline(words("channels.title"), f"section:{KEY}", 0)
    measures = ctx.measures.get(channel.file)
    open_page(sheet, upper_first(label), ctx.channel_anchor(channel.file), 1, _line(ctx, channel, measures))
    if measures is None:
        sheet.y = sheet.paragraph(sheet.left, sheet.y, sheet.text_w, ctx.why_missing(channel), style.BODY) + 8.0
    else:
        _pictures(sheet, ctx, channel)
    _tables(sheet, ctx, channel, measures)


def _line(ctx: Context, channel: Channel, measures: ChannelMeasures | None) -> str:
    words = ctx.words
    n = words.count("common.findings", len(ctx.findings_of(channel.file)))
    if measures is None:
        return words("channels.line_missing", findings=n)
    if measures.true_peak_dbtp is None:
        return words("channels.line_silent", findings=n)
    peak = numbers.fixed(measures.true_peak_dbtp)
    if measures.drum is None:
        return words("channels.line_distant", peak=peak, findings=n)
    own = next((d.file for d in ctx.measurements.drums if d.drum == measures.drum), channel.file)
    if own != channel.file:
        drum = ctx.drum(measures.drum)
        return words("channels.line_second", peak=peak, drum=drum, own=ctx.label(own), findings=n)
    hits = words.count("common.hits", measures.n_own_hits)
    return words("channels.line", peak=peak, hits=hits, drum=ctx.drum(measures.drum), findings=n)


# ---------------------------------------------------------------- figures
def _pictures(sheet: Sheet, ctx: Context, channel: Channel) -> None:
    words = ctx.words
    picture = ctx.pictures.get(channel.file)
    hit = ctx.hit_picture(channel.file, ctx.drum_of(channel))
    if picture is None:
        sheet.y = sheet.paragraph(sheet.left, sheet.y, sheet.text_w, words("common.no_picture"), style.BODY) + 8.0
    else:
        stroke = STROKE_BLOCK + caption_height(sheet, words("channels.caption_stroke")) if hit else 0.0
        below = stroke + _tables_height(ctx, channel) + caption_height(sheet, words("channels.caption_time"))
        _over_time(sheet, ctx, channel, below)
        caption(sheet, words("channels.caption_time"))
    if hit is not None:
        _one_stroke(sheet, ctx, channel)


def _tables_height(ctx: Context, channel: Channel) -> float:
    """Room to keep for the tables at the foot of the page."""
    one = ctx.measures.get(channel.file)
    if one is None:
        return 0.0
    n_rows = len(NUMBERS) + min(len(one.noise_bands), MOST_BANDS) + 4
    n_reasons = min(len({*one.unmeasured.values()}), 3)
    n_reasons += bool(n_reasons)  # in other languages a line says that they are in English
    return 14.0 + n_rows * (style.CELL.leading + 1.0) + n_reasons * style.TICK.leading + 30.0


def _over_time(sheet: Sheet, ctx: Context, channel: Channel, below: float) -> None:
    """Wave above spectrogram, on the same time axis as the other pages; `below` is kept free for what follows."""
    picture = ctx.pictures[channel.file]
    timed = [r for r in ctx.findings_of(channel.file) if r.finding.times_s]
    top = sheet.y + 12.0 + (15.0 if timed else 0.0)
    full = Box(sheet.plot_x, top, sheet.right - sheet.plot_x, WAVE_H)
    share = marks.time_x(full, ctx.duration_s, picture.duration_s) - full.x
    wave = Box(full.x, top, share, WAVE_H)
    with sheet.figure(alternatives.wave(ctx, channel)):
        draw_wave(sheet, picture, wave, 300 if ctx.small else 520)
        marks.bar_axis(sheet, ctx, Box(full.x, top - (15.0 if timed else 0.0), full.w, WAVE_H))
        xs = marks.time_ticks_of(sheet, timed, full, ctx.duration_s, top - 1.5, wave.bottom)
        marks.balloons_on_row(sheet, timed, xs, top - 8.0)
        sheet.text(sheet.left, wave.y + 8.0, ctx.words("channels.wave"), style.LABEL_BOLD)
        factor = enlargement(picture)
        scale = ctx.words("channels.wave_scale", factor=factor) if factor > 1 else ctx.words("channels.wave_scale_full")
        sheet.lines(sheet.left, wave.y + 12.0, wrap(scale, style.TICK, style.LABEL_W - 12.0), style.TICK)
        _own_hits(sheet, ctx, channel, full)
    left = sheet.bottom - below - (wave.bottom + 10.0) - LOW_END
    sono = Box(full.x, wave.bottom + 10.0, share, min(max(left, SONOGRAM_H[0]), SONOGRAM_H[1]))
    with sheet.figure(alternatives.sonogram(ctx, channel)):
        draw_sonogram(sheet, picture, sono, 360 if ctx.small else 1000)
        name = shorten_middle(ctx.words("channels.sonogram"), style.LABEL_BOLD, style.LABEL_W - AXIS_W)
        sheet.text(sheet.left, sono.y + 8.0, name, style.LABEL_BOLD)
        marks.time_axis(sheet, ctx, Box(full.x, sono.y, full.w, sono.h))
        draw_key(sheet, full.x + 26.0, sono.bottom + 18.0, 110.0)
    sheet.y = sono.bottom + LOW_END


def _own_hits(sheet: Sheet, ctx: Context, channel: Channel, box: Box) -> None:
    """Ticks between wave and spectrogram where this mic's own drum is hit."""
    hits = ctx.hits_by_drum.get(ctx.drum_of(channel) or "", [])
    places = mark_positions(hits, box, ctx.duration_s)
    sheet.segments([(x, box.bottom + 2.5, x, box.bottom + 7.5) for x in places], style.INK, 0.4)


def _one_stroke(sheet: Sheet, ctx: Context, channel: Channel) -> None:
    """Mean stroke left, spectra right."""
    hit = ctx.hit_picture(channel.file, ctx.drum_of(channel))
    if hit is None:
        return
    words = ctx.words
    half = (sheet.text_w - COLUMN_GAP) / 2
    left = Box(sheet.left + 32.0, sheet.y + 16.0, half - 32.0, STROKE_H)
    right = Box(sheet.left + half + COLUMN_GAP + 26.0, sheet.y + 16.0, half - 33.5, STROKE_H)
    name = words("channels.stroke", drum=ctx.drum(hit.drum), n=numbers.grouped(hit.n_hits))
    with sheet.figure(alternatives.stroke(ctx, hit)):
        sheet.text(sheet.left, sheet.y + 9.0, shorten_middle(name, style.LABEL_BOLD, half), style.LABEL_BOLD)
        draw_stroke(sheet, hit, left)
    name = shorten_middle(words("channels.spectrum"), style.LABEL_BOLD, half)
    ring = ctx.ring(channel.file)
    ring_hz = ring.late_hz if ring else None
    with sheet.figure(alternatives.spectrum(ctx, hit, ring_hz)):
        sheet.text(right.x - 26.0, sheet.y + 9.0, name, style.LABEL_BOLD)
        draw_spectrum(sheet, ctx.pictures.get(channel.file), hit, right, ring_hz)
    sheet.y = left.bottom + 15.0
    caption(sheet, words("channels.caption_stroke"))


# ---------------------------------------------------------------- numbers and findings
def _tables(sheet: Sheet, ctx: Context, channel: Channel, measures: ChannelMeasures | None) -> None:
    """Numbers left, findings right, reasons and method below."""
    words = ctx.words
    reasons = Reasons(sheet)
    width = sheet.text_w * NUMBER_W
    rows = _number_rows(ctx, measures, reasons) if measures else []
    sheet.need(len(rows) * style.CELL.leading + 24.0)
    top = sheet.y
    if rows:
        with sheet.tagged("H2"):
            sheet.text(sheet.left, top + 9.0, words("channels.numbers"), style.LABEL_BOLD)
    y = top + 14.0
    with sheet.tagged("Table"):
        for name, value in rows:
            with sheet.tagged("TR"):
                with sheet.tagged("TH", scope="Row"):
                    sheet.text(sheet.left, y + 8.0, name, style.CELL)
                sheet.text(sheet.left + width, y + 8.0, value, style.CELL, align="right")
            y += style.CELL.leading + 1.0
            sheet.line(sheet.left, y, sheet.left + width, y)
    right = Box(sheet.left + width + COLUMN_GAP, top, sheet.text_w - width - COLUMN_GAP, sheet.bottom - top - 14.0)
    below = _findings(sheet, ctx, channel, right)
    sheet.y = max(y, _levels(sheet, ctx, channel, Box(right.x, below + 10.0, right.w, y - below - 10.0))) + 6.0
    reasons.write()
    if measures:
        method(sheet, words("channels.method"))


def _levels(sheet: Sheet, ctx: Context, channel: Channel, box: Box) -> float:
    """How hard the own drum was hit, where findings leave room for it; returns the y below."""
    hits = [h for h in ctx.hits_by_drum.get(ctx.drum_of(channel) or "", []) if h.file == channel.file]
    if len(hits) < FEWEST_LEVELS or box.h < LEVELS_H:
        return box.y
    name = shorten_middle(ctx.words("channels.levels"), style.LABEL_BOLD, box.w)
    with sheet.figure(alternatives.histogram(ctx, channel, hits)):
        sheet.text(box.x, box.y + 9.0, name, style.LABEL_BOLD)
        draw_histogram(sheet, hits, Box(box.x, box.y + 14.0, box.w, LEVELS_H - 14.0))
    return box.y + LEVELS_H


def _number_rows(ctx: Context, one: ChannelMeasures, reasons: Reasons) -> list[tuple[str, str]]:
    rows = []
    for key, field, decimals, unit in NUMBERS:
        text = reasons.figure(getattr(one, field), one.unmeasured.get(field), decimals)
        if getattr(one, field) is not None:
            text = f"{text} {unit}".rstrip()
        if field == "sample_peak_dbfs" and one.sample_peak_time_s is not None:
            text = ctx.words("channels.at", value=text, time=numbers.clock(one.sample_peak_time_s))
        rows.append((ctx.words(key), text))
    for band in one.noise_bands[:MOST_BANDS]:
        name = ctx.words("channels.noise_band", low=numbers.hertz(band.low_hz), high=numbers.hertz(band.high_hz))
        rows.append((name, f"{numbers.fixed(band.level_dbfs)} dBFS"))
    clipped = str(one.clip_runs_n)
    if one.clip_runs:
        clipped = ctx.words("channels.first_at", n=clipped, time=numbers.clock(one.clip_runs[0].start_s))
    rows.append((ctx.words("channels.clipped"), clipped))
    ring = ctx.ring(one.file)
    if ring is not None and ring.late_hz is not None and ring.pitch is not None and ring.pitch_cents is not None:
        text = f"{numbers.fixed(ring.late_hz)} Hz, {ring.pitch} {numbers.fixed(ring.pitch_cents, 0, sign=True)} ct"
        rows.append((ctx.words("channels.ring"), text))
    if ring is not None and ring.decay_s is not None:
        rows.append((ctx.words("channels.decay"), f"{numbers.fixed(ring.decay_s, 2)} s"))
    rows.append((ctx.words("channels.length"), numbers.clock(one.duration_s)))
    return rows


def _findings(sheet: Sheet, ctx: Context, channel: Channel, box: Box) -> float:
    """This channel's findings, as many as fit, each leading to where it is told in full."""
    words = ctx.words
    found = ctx.findings_of(channel.file)
    with sheet.tagged("H2"):
        sheet.text(box.x, box.y + 9.0, words("channels.findings"), style.LABEL_BOLD)
    y = box.y + 14.0
    if not found:
        return sheet.paragraph(box.x, y, box.w, words("channels.no_findings"), style.CELL)
    for n, ranked in enumerate(found):
        page = words("common.page", page=sheet.page_number(ranked.anchor))
        rows = wrap(telling.message(ctx, ranked.finding), style.CELL, box.w - INDENT, 3)
        height = (len(rows) + 1) * style.CELL.leading + 3.0
        if y + height > box.bottom - style.CELL.leading and n < len(found):
            text = words("channels.more_findings", n=len(found) - n, page=sheet.page_number(ranked.anchor))
            return sheet.paragraph(box.x, y, box.w, text, style.CELL)
        with sheet.tagged("P"):
            marks.balloon(sheet, box.x + marks.balloon_width(ranked.number) / 2, y + 7.0, ranked)
            end = sheet.lines(box.x + INDENT, y, rows, style.CELL)
            end = sheet.lines(box.x + INDENT, end, [page], style.TICK)
            sheet.link(Box(box.x, y, box.w, end - y), ranked.anchor)
        y += height
    return y
