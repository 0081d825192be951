"""Numbers as the report prints them: true minus signs, fixed decimals, no number without its unit nearby."""

from __future__ import annotations

import math

MINUS = "\u2212"


def fixed(value: float, decimals: int = 1, *, sign: bool = False) -> str:
    """A number with so many decimals; never "-0.0"."""
    text = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("+-")
    return text.replace("-", MINUS)


def clock(seconds: float) -> str:
    """m:ss.s, minutes running on past the hour: 63:04.2."""
    tenths = round(seconds * 10)
    sign, tenths = (MINUS if tenths < 0 else ""), abs(tenths)
    return f"{sign}{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def length(seconds: float) -> str:
    """m:ss, for axes and for how long a take is."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


DECIMALS = {"ms": 2, "Hz": 1, "ppm": 1, "s": 2, "cm": 1}


def with_unit(value: float, unit: str) -> str:
    """A finding's value with its unit, decimals by the unit: "−3.1 dBFS", "0.42 ms"."""
    first = unit.split(" ")[0]
    if first.startswith(("dB", "LU")):
        number = fixed(value, 1)
    elif first in DECIMALS:
        number = fixed(value, DECIMALS[first])
    else:
        number = f"{value:.3g}".replace("-", MINUS)
    return f"{number} {unit}".rstrip()


def hertz(frequency: float) -> str:
    """A frequency in three figures at most: "87 Hz", "1.7 kHz"."""
    if frequency < 1000.0:
        return f"{frequency:.0f} Hz"
    return f"{frequency / 1000.0:.1f} kHz"


def grouped(n: int) -> str:
    """A whole number with its thousands apart: 30 816 044."""
    return f"{n:,}".replace(",", "\u202f")


def megabytes(size_bytes: int) -> str:
    """File size in MB (10^6 bytes)."""
    return f"{size_bytes / 1e6:.1f} MB"


def nice_ceiling(value: float) -> float:
    """The next larger 1, 2 or 5 times a power of ten: where an axis may end."""
    power = 10.0 ** math.floor(math.log10(max(value, 1e-9)))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if value <= step * power * (1.0 + 1e-9))
