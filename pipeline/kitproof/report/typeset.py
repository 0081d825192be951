"""Text before it is drawn: which font has a character, widths, line breaks, shortening."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from itertools import groupby

from reportlab.pdfbase import pdfmetrics

from kitproof.report.style import WIDE, TextStyle, load_fonts, load_wide_font

MISSING = "\u25a1"  # stands for a character that none of the embedded fonts holds
ELLIPSIS = "\u2026"
HELD_BLANKS = "\u00a0\u202f"  # blanks at which no line is broken
# Where a line of Japanese must not begin, and where it must not end. Source: JIS X 4051, the basic rule for closing
# and opening brackets, marks that close a phrase, small kana, marks of repetition and the long-vowel mark
NO_START = frozenset(
    "、。，．・：；？！」』）】〕〉》｝］ー゛゜々〻ヽヾゝゞぁぃぅぇぉっゃゅょゎゕゖァィゥェォッャュョヮヵヶ〜％℃"
    ",.:;?!)]}%°’”‥…"
)
NO_END = frozenset("「『（【〔〈《｛［([{‘“")
# CJK symbols, kana, ideographs, compatibility ideographs, full-width forms. Source: The Unicode Standard, blocks
WIDE_BLOCKS = ((0x2E80, 0x30FF), (0x3400, 0x9FFF), (0xF900, 0xFAFF), (0xFF00, 0xFFEF))


# ---------------------------------------------------------------- characters and fonts
@lru_cache(maxsize=20000)
def printable(text: str, font: str) -> str:
    """The text with line ends as blanks and a square for every character that neither `font` nor the wide one has."""
    known = load_fonts()[font]
    if text.isascii() and text.isprintable():
        return text

    def shown(c: str) -> str:
        if ord(c) in known and (c.isprintable() or c in HELD_BLANKS):
            return c
        if c.isspace():
            return " "
        return c if c.isprintable() and ord(c) in load_wide_font() else MISSING

    return "".join(map(shown, text))


@lru_cache(maxsize=20000)
def runs(text: str, font: str) -> tuple[tuple[str, str], ...]:
    """A printable text cut where the font changes: (piece, font it is set in)."""
    known = load_fonts()[font]
    if text.isascii():
        return ((text, font),)
    wide = {c for c in text if ord(c) not in known and ord(c) in load_wide_font()}
    grouped = groupby(text, lambda c: WIDE if c in wide else font)
    return tuple(("".join(piece), name) for name, piece in grouped) or ((text, font),)


def upper_first(text: str) -> str:
    """The text with a capital at its start, for titles made of labels."""
    return text[:1].upper() + text[1:]


def has_missing(text: str, font: str) -> bool:
    """Whether `printable` would put a square anywhere."""
    known = load_fonts()[font]
    return any(ord(c) not in known and ord(c) not in load_wide_font() for c in text)


def spelled_out(text: str) -> str:
    """The text in ASCII, other characters as \\u escapes: the exact name, whatever the fonts hold."""
    return text.encode("unicode_escape").decode("ascii")


# ---------------------------------------------------------------- width
@lru_cache(maxsize=20000)
def text_width(text: str, font: str, size: float) -> float:
    """Width in points of a printable text on one line."""
    return float(sum(pdfmetrics.stringWidth(piece, name, size) for piece, name in runs(text, font)))


def shorten_middle(text: str, style: TextStyle, width: float) -> str:
    """The text if it fits, else with an ellipsis in its middle: both ends of a file name matter."""
    text = printable(text, style.font)
    if text_width(text, style.font, style.size) <= width:
        return text
    for keep in range(len(text) - 1, 1, -1):
        head = (keep + 1) // 2
        shorter = text[:head].rstrip() + ELLIPSIS + text[len(text) - (keep - head) :].lstrip()
        if text_width(shorter, style.font, style.size) <= width:
            return shorter
    return ELLIPSIS


def fitted(text: str, style: TextStyle, width: float, least: float) -> TextStyle:
    """The style, set smaller if the text needs it, but not below `least` points."""
    needed = text_width(printable(text, style.font), style.font, style.size)
    size = style.size if needed <= width else max(least, 0.999 * style.size * width / needed)
    return TextStyle(style.font, size, style.leading, style.colour)


# ---------------------------------------------------------------- lines
def is_wide(char: str) -> bool:
    """Whether a character belongs to a script that is written without blanks and breaks between any two."""
    return any(low <= ord(char) <= high for low, high in WIDE_BLOCKS)


def may_break(before: str, after: str) -> bool:
    """Whether a line may end between two characters that no blank parts."""
    return (is_wide(before) or is_wide(after)) and after not in NO_START and before not in NO_END


def _atoms(text: str) -> Iterator[tuple[str, str]]:
    """What stays together, each with what parts it from the one before: a blank or nothing."""
    for word in text.split(" "):
        start = 0
        if not word.isascii():
            for i in range(1, len(word)):
                if may_break(word[i - 1], word[i]):
                    yield ("" if start else " "), word[start:i]
                    start = i
        yield ("" if start else " "), word[start:]


def _pieces(word: str, style: TextStyle, width: float) -> list[str]:
    """A word cut so that each piece fits the width; one piece if it fits whole."""
    pieces, start = [], 0
    for end in range(1, len(word) + 1):
        if end - start > 1 and text_width(word[start:end], style.font, style.size) > width:
            pieces.append(word[start : end - 1])
            start = end - 1
    return [*pieces, word[start:]]


def wrap(text: str, style: TextStyle, width: float, max_lines: int | None = None) -> list[str]:
    """Lines that fit the width. With `max_lines` the rest is dropped and the last line ends with an ellipsis.

    Lines break at blanks, and between characters of scripts that have none.
    """
    return list(_wrapped(text, style, width, max_lines))


@lru_cache(maxsize=20000)
def _wrapped(text: str, style: TextStyle, width: float, max_lines: int | None) -> tuple[str, ...]:
    lines: list[str] = []
    for gap, atom in _atoms(printable(text, style.font)):
        joined = f"{lines[-1]}{gap}{atom}" if lines else atom
        if lines and text_width(joined, style.font, style.size) <= width:
            lines[-1] = joined
        elif text_width(atom, style.font, style.size) <= width:
            lines.append(atom)
        else:
            lines += _pieces(atom, style, width)
    if max_lines is not None and len(lines) > max_lines:
        last = lines[max_lines - 1]
        while last and text_width(last + ELLIPSIS, style.font, style.size) > width:
            last = last[:-1].rstrip()
        lines = [*lines[: max_lines - 1], last + ELLIPSIS]
    return tuple(lines) or ("",)
