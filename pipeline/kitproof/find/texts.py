"""Numbers and lists as sentences carry them: a true minus sign, fixed decimals, the unit beside the number."""

from __future__ import annotations

from collections.abc import Sequence

MINUS = "\u2212"
MOST_NAMED = 4


def number(value: float, decimals: int = 1) -> str:
    """ "−3.1"; never "−0.0"."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def dbfs(value: float) -> str:
    """ "−6.2 dBFS"."""
    return f"{number(value)} dBFS"


def db(value: float) -> str:
    """ "12.3 dB"."""
    return f"{number(value)} dB"


def ms(value: float) -> str:
    """ "0.42 ms"."""
    return f"{number(value, 2)} ms"


def cm(metres: float) -> str:
    """ "14 cm"."""
    return f"{number(100.0 * metres, 0)} cm"


def seconds(value: float) -> str:
    """ "3.20 s"; short ones in ms."""
    return f"{number(1000.0 * value, 1)} ms" if abs(value) < 0.1 else f"{number(value, 2)} s"


def listed(items: Sequence[str], most: int = MOST_NAMED) -> str:
    """ "kick, snare and hi-hat"; "kick, snare, hi-hat, ride and 3 more"."""
    if len(items) > most:
        return f"{', '.join(items[:most])} and {len(items) - most} more"
    return " and ".join([", ".join(items[:-1]), items[-1]]) if len(items) > 1 else "".join(items)


def counted(n: int, one: str, many: str = "") -> str:
    """ "1 stroke", "3 strokes"."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def upper_first(text: str) -> str:
    """A sentence's capital."""
    return text[:1].upper() + text[1:]
