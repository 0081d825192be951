"""Text before it is drawn: characters the fonts lack, widths, line breaks, shortening."""

from __future__ import annotations

from functools import lru_cache

from reportlab.pdfbase import pdfmetrics

from kitproof.report.style import TextStyle, load_fonts

MISSING = "\u25a1"  # stands for a character that the embedded fonts do not hold
ELLIPSIS = "\u2026"


@lru_cache(maxsize=20000)
def printable(text: str, font: str) -> str:
    """The text with every character that `font` cannot show replaced by a square, line ends by blanks."""
    known = load_fonts()[font]
    return "".join(c if ord(c) in known and c.isprintable() else (" " if c.isspace() else MISSING) for c in text)


def upper_first(text: str) -> str:
    """The text with a capital at its start, for titles made of labels."""
    return text[:1].upper() + text[1:]


def has_missing(text: str, font: str) -> bool:
    """Whether `printable` would put a square anywhere."""
    known = load_fonts()[font]
    return any(ord(c) not in known for c in text)


def spelled_out(text: str) -> str:
    """The text in ASCII, other characters as \\u escapes: the exact name, whatever the fonts hold."""
    return text.encode("unicode_escape").decode("ascii")


@lru_cache(maxsize=20000)
def text_width(text: str, font: str, size: float) -> float:
    """Width in points of a printable text on one line."""
    return float(pdfmetrics.stringWidth(text, font, size))


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


def _pieces(word: str, style: TextStyle, width: float) -> list[str]:
    """A word cut so that each piece fits the width; one piece if it fits whole."""
    pieces, start = [], 0
    for end in range(1, len(word) + 1):
        if end - start > 1 and text_width(word[start:end], style.font, style.size) > width:
            pieces.append(word[start : end - 1])
            start = end - 1
    return [*pieces, word[start:]]


def wrap(text: str, style: TextStyle, width: float, max_lines: int | None = None) -> list[str]:
    """Lines that fit the width. With `max_lines` the rest is dropped and the last line ends with an ellipsis."""
    return list(_wrapped(text, style, width, max_lines))


@lru_cache(maxsize=20000)
def _wrapped(text: str, style: TextStyle, width: float, max_lines: int | None) -> tuple[str, ...]:
    lines: list[str] = []
    for word in printable(text, style.font).split(" "):
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(joined, style.font, style.size) <= width:
            lines[-1] = joined
        elif text_width(word, style.font, style.size) <= width:
            lines.append(word)
        else:
            lines += _pieces(word, style, width)
    if max_lines is not None and len(lines) > max_lines:
        last = lines[max_lines - 1]
        while last and text_width(last + ELLIPSIS, style.font, style.size) > width:
            last = last[:-1].rstrip()
        lines = [*lines[: max_lines - 1], last + ELLIPSIS]
    return tuple(lines) or ("",)
