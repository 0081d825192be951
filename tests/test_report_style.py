"""Colours, type and numbers of the report."""

import itertools

import numpy as np
import pytest

import samples
from kitproof.model import Hit
from kitproof.observed.timing import Grid
from kitproof.report import marks, numbers, style
from kitproof.report.bars import Bars
from kitproof.report.context import Context
from kitproof.report.figures.arrival import scale_for
from kitproof.report.figures.heat import bleed_class
from kitproof.report.figures.histogram import columns
from kitproof.report.figures.profile import level_profile, loudest
from kitproof.report.figures.sonogram import pixels, tints
from kitproof.report.figures.strip import stroke_marks
from kitproof.report.pages.annex import flat
from kitproof.report.style import Box
from kitproof.report.table import Reasons
from kitproof.report.typeset import printable, shorten_middle, spelled_out, text_width, wrap
from kitproof.report.wording import load_words

TEXT_CONTRAST = 4.5  # W3C, Web Content Accessibility Guidelines 2.2, 1.4.3, level AA
MARK_CONTRAST = 3.0  # the same, 1.4.11


def grey(value: int) -> style.Colour:
    return (value / 255, value / 255, value / 255)


# ---------------------------------------------------------------- colour
@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0, 21.0),  # black on white is 21:1 by definition
        (255, 1.0),
        (0x76, 4.54),  # lightest grey that passes AA on white; widely tabulated, e.g. W3C's understanding document
        (0x77, 4.48),  # and the first that fails
    ],
)
def test_contrast_of_grey_on_white(value: int, expected: float) -> None:
    """The ratio follows the definition in WCAG 2.2, on both sides of the AA limit."""
    assert style.contrast_ratio(grey(value), grey(255)) == pytest.approx(expected, abs=0.005)  # tables give 2 decimals


@pytest.mark.parametrize("name", ["INK", "QUIET", "FIX", "LOOK", "NOTE"])
def test_text_colours_can_be_read_on_paper(name: str) -> None:
    """Every colour that text is set in reaches 4.5:1 on white."""
    assert style.contrast_ratio(getattr(style, name), style.PAPER) >= TEXT_CONTRAST


def test_numbers_in_the_bleed_matrix_can_be_read() -> None:
    """Whichever of ink and paper is chosen reaches 4.5:1 on its tint; numbers in filled balloons do too."""
    for tint in (*style.HEAT, style.FIX):
        assert style.contrast_ratio(style.text_on(tint), tint) >= TEXT_CONTRAST


def test_marks_that_carry_meaning_stand_out() -> None:
    """Areas, spots and finding lines reach 3:1 on white."""
    for colour in (style.TRACE, style.INK, *style.SEVERITY_COLOUR.values()):
        assert style.contrast_ratio(colour, style.PAPER) >= MARK_CONTRAST


def test_bleed_tints_keep_their_order_in_grey() -> None:
    """Darker is louder, by steps that survive grey print."""
    light = [style.relative_luminance(c) for c in style.HEAT]
    assert all(a > 1.3 * b for a, b in itertools.pairwise(light))  # own choice: a third darker each


def test_spectrogram_lightness_only_falls() -> None:
    """Louder is never lighter, so the spectrogram reads the same without colour."""
    luminance = [style.relative_luminance((r / 255, g / 255, b / 255)) for r, g, b in tints().tolist()]
    assert luminance[0] == pytest.approx(1.0)
    assert all(a > b for a, b in itertools.pairwise(luminance))


# ---------------------------------------------------------------- pictures
def test_spectrogram_scale_is_fixed() -> None:
    """A level has one colour whatever else is in the picture; silence and gaps are paper."""
    picture = samples.take(n_channels=1)[1].channels[0]
    levels = np.array([[-100.0, -55.0], [-np.inf, np.nan], [-10.0, 20.0]])
    small = type(picture)(
        **{f: getattr(picture, f) for f in picture.__slots__ if f != "spectrogram_dbfs"}, spectrogram_dbfs=levels
    )
    image = pixels(small, 100)
    assert image.shape == (3, 2, 3)
    assert image[0, 0].tolist() == image[0, 1].tolist() == tints()[-1].tolist()  # top row is the highest band
    assert image[1].tolist() == [[255, 255, 255], [255, 255, 255]]
    assert image[2, 0].tolist() == [255, 255, 255]
    assert 255 > image[2, 1, 0] > tints()[-1][0]


def test_fewer_columns_keep_the_loudest() -> None:
    """Drawn coarser, a short loud moment is still as loud."""
    columns = np.zeros(1000)
    columns[617] = 0.9
    assert loudest(columns, 37).max() == 0.9
    assert loudest(columns, 37).shape == (37,)
    assert loudest(columns[:5], 37).shape == (5,)


def test_level_profile_runs_from_sixty_below_to_full_scale() -> None:
    """Full scale fills the row, half of the dB half of it, -60 dBFS and silence nothing."""
    picture = samples.take(n_channels=1)[1].channels[0]
    wave = np.array([1.0, 10 ** (-30 / 20), 10 ** (-60 / 20), 0.0])
    own = {f: getattr(picture, f) for f in picture.__slots__ if not f.startswith("wave")}
    share = level_profile(type(picture)(**own, wave_min=-wave, wave_max=wave), 10)
    assert share.tolist() == pytest.approx([1.0, 0.5, 0.0, 0.0], abs=1e-9)  # rounding of the logarithm


def test_stroke_marks_stand_where_strokes_are_and_show_how_hard() -> None:
    """Marks are in time order within the plot; the loudest is tallest; close strokes merge into one."""
    hits = samples.take(n_channels=14)[0].hits
    kick = [h for h in hits if h.drum == "kick"]
    box = Box(100.0, 0.0, 400.0, 10.0)
    places, heights = stroke_marks(kick, box, 214.0)
    assert places == sorted(places)
    assert 100.0 <= places[0] < places[-1] <= 500.0
    assert max(heights) == 1.0
    assert 0.25 <= min(heights) < 1.0
    assert len(places) <= len(kick)
    assert stroke_marks([], box, 214.0) == ([], [])


def test_balloons_never_overlap() -> None:
    """Numbers that would touch go to the next lane; without a lane they are left out, and counted so."""
    lanes = marks.place_balloons([10.0, 12.0, 14.0, 100.0], [13.0] * 4, 2)
    assert lanes == [0, 1, None, 0]


# ---------------------------------------------------------------- numbers
@pytest.mark.parametrize(
    ("value", "decimals", "text"), [(-3.14159, 1, "−3.1"), (-0.04, 1, "0.0"), (0.0, 2, "0.00"), (1234.5, 0, "1234")]
)
def test_fixed_decimals(value: float, decimals: int, text: str) -> None:
    """A true minus sign, and never "-0.0"."""
    assert numbers.fixed(value, decimals) == text


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.0, "0:00.0"), (59.96, "1:00.0"), (64.25, "1:04.2"), (3784.2, "63:04.2")]
)
def test_clock(seconds: float, text: str) -> None:
    """Tenths carry into seconds and minutes; minutes run on past the hour."""
    assert numbers.clock(seconds) == text


def test_bars_and_beats_come_from_the_grid() -> None:
    """At 120 beats a minute, a count-in of one bar: bar 1 begins at 2 s, each lasts 2 s, a beat 0.5 s."""
    grid = Grid(
        source="click", tempo_bpm=120.0, tempo_spread_bpm=0.0, beats_s=tuple(i / 2 for i in range(24)), confidence=0.9,
        beats_per_bar=4, first_bar=4, bar_source="click",
    )  # fmt: skip
    bars = Bars((grid,))
    assert [(p.bar, p.beat) for p in map(bars.at, (2.0, 2.49, 3.5, 7.95, 1.0))] == [
        (1, 1),
        (1, 2),
        (1, 4),
        (4, 1),
        (0, 3),
    ]
    assert bars.at(99.0) is None
    assert bars.lines()[:2] == [(1, 2.0), (2, 4.0)]
    assert not Bars(())


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (-3.1, "dBFS", "−3.1 dBFS"),
        (0.4166, "ms", "0.42 ms"),
        (50.0, "Hz", "50.0 Hz"),
        (-41.0, "dB against the click", "−41.0 dB against the click"),
        (0.0123, "fraction of full scale", "0.0123 fraction of full scale"),
        (-0.5, "", "−0.5"),
    ],
)
def test_values_of_findings_carry_their_unit(value: float, unit: str, text: str) -> None:
    """Decimals follow the unit."""
    assert numbers.with_unit(value, unit) == text


@pytest.mark.parametrize(("level", "kind"), [(-25.0, 0), (-24.9, 1), (-15.0, 1), (-14.9, 2), (-8.0, 2), (-7.9, 3)])
def test_bleed_classes_at_their_borders(level: float, kind: int) -> None:
    """-25, -15 and -8 dB belong to the quieter class."""
    assert bleed_class(level) == kind


def test_arrival_scales() -> None:
    """The scale starts at 0 unless something arrives early, and ends at 20 ms however late a channel is."""
    pairs = samples.take(n_channels=14)[0].pairs
    late = type(pairs[0])(**{f: getattr(pairs[0], f) for f in pairs[0].__slots__ if f != "delay_ms"}, delay_ms=90.0)
    assert scale_for(pairs[:3]).low_ms == 0.0
    assert scale_for([late]).high_ms == 20.0
    even = scale_for(pairs[-2:], symmetric=True)
    assert even.low_ms == -even.high_ms


# ---------------------------------------------------------------- text
def test_shortening_keeps_both_ends() -> None:
    """A name that does not fit loses its middle, and then fits."""
    name = "01 kick-in evening session with the new heads and more.wav"
    short = shorten_middle(name, style.CELL, 120.0)
    assert text_width(short, style.CELL.font, style.CELL.size) <= 120.0
    assert short.startswith("01 kick-i")
    assert short.endswith(".wav")
    assert "…" in short
    assert shorten_middle("01.wav", style.CELL, 120.0) == "01.wav"
    assert shorten_middle(name, style.CELL, 1.0) == "…"


def test_wrapping_fits_the_width_and_loses_nothing() -> None:
    """Lines fit, words longer than a line are cut, and joined up again the text is whole."""
    text = "short words and oneverylongwordthatcannotfitononelineatall then more"
    lines = wrap(text, style.BODY, 90.0)
    assert all(text_width(line, style.BODY.font, style.BODY.size) <= 90.0 for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    cut = wrap(text, style.BODY, 90.0, max_lines=2)
    assert len(cut) == 2
    assert cut[-1].endswith("…")
    assert wrap("", style.BODY, 90.0) == [""]


def test_characters_without_a_glyph_become_squares() -> None:
    """What no font has is marked, line ends are blanks, and the exact text can be spelled out."""
    assert printable("a\tキ\x00é\U0001f941", style.SANS) == "a キ□é□"
    assert spelled_out("キ.wav") == "\\u30ad.wav"


def test_settings_are_listed_flat_and_in_order() -> None:
    """Nested settings become dotted names, sorted."""
    assert list(flat({"b": 1, "a": {"y": 2.50, "x": (1, 2)}})) == [("a.x", "1, 2"), ("a.y", "2.5"), ("b", "1")]


# ---------------------------------------------------------------- context
def test_findings_are_numbered_by_severity_red_lines_first() -> None:
    """Number 1 is the first red line; what is to fix comes before what is to decide, then notes."""
    measurements, pictures = samples.take(n_channels=14, n_findings=22)
    ctx = Context(measurements, pictures, load_words("en"), small=False)
    assert [r.number for r in ctx.red_lines] == [1, 2, 3]
    order = [r.finding.severity for r in ctx.findings]
    assert order == sorted(order, key=["fix", "look", "note"].index)
    assert len({r.number for r in ctx.findings}) == 22


def test_channels_with_the_same_label_are_told_apart() -> None:
    """Two channels called the same carry their number in the input list."""
    measurements, pictures = samples.take(n_channels=21)
    double = [c for c in measurements.take.channels if c.label == "floor tom 2"]
    ctx = Context(measurements, pictures, load_words("en"), small=False)
    assert len(double) == 1
    assert ctx.label(double[0].file) == "floor tom 2"
    measurements, pictures = samples.take(n_channels=40)  # "floor tom 2" by role and by counting
    ctx = Context(measurements, pictures, load_words("en"), small=False)
    labels = [ctx.label(c.file) for c in measurements.take.channels]
    assert len(set(labels)) == len(labels)
    assert "floor tom 2 (no. 19)" in labels


def test_reasons_get_one_letter_each() -> None:
    """The same reason keeps its letter; after z comes aa."""
    reasons = Reasons.__new__(Reasons)
    reasons._kinds = {}
    assert [reasons.letter(r) for r in ("silent", "short", "silent")] == ["a", "b", "a"]
    assert [reasons.letter(str(n)) for n in range(26)][-3:] == ["z", "aa", "ab"]


# ---------------------------------------------------------------- histogram of strokes
def test_every_stroke_is_in_the_histogram_once() -> None:
    """Fine columns for an even player, coarse ones over 15 dB, whatever is softer than 48 dB in the first."""

    def strokes(*peaks: float | None) -> list[Hit]:
        return [samples.hit(p) for p in peaks]

    assert columns(strokes(-9.5, -9.1, -8.9, -6.2)) == [(-10, 2), (-9, 1), (-8, 0), (-7, 1)]
    wide = columns(strokes(-80.0, -40.0, -6.1, None))
    assert wide[0] == (-54, 1)
    assert wide[-1] == (-9, 1)
    assert sum(n for _, n in wide) == 3
    assert columns([]) == []
