"""Figures in words: each with its unit, none rounded into a lie."""

import math

INCH_CM = 2.54
"""The international inch, 1959; exact."""
FOOT_M = 0.3048
"""The international foot, 1959; exact."""

FIRST_SHARE_SHOWN = 0.001
SLOWEST_FRACTION_S = 0.3
"""From here on cameras write the time as a decimal (common practice, no source)."""
FRACTION_TOLERANCE = 0.01
"""A third of a shutter stop is 26 %; within 1 % a denominator may lose its decimals."""
WHOLE_FROM = 10.0
"""From here on a print side is given in whole units."""
ROUNDING_SLACK = 1e-6
"""So that a side of 90 cm that was computed as 89.9999999 stays 90."""

UNKNOWN = "not known"
CANNOT_TELL = "cannot tell"


def percent(share: float) -> str:
    """Give a share of 0 to 1 in percent; ``0 %`` and ``100 %`` only where exact.

    >>> percent(0.0004)
    '<0.1 %'
    """
    if share in (0.0, 1.0):
        return f"{share * 100:.0f} %"
    if share < FIRST_SHARE_SHOWN:
        return "<0.1 %"
    value = share * 100
    text = tenths(value) if value < WHOLE_FROM else f"{value:.0f}"
    return ">99 %" if text == "100" and share < 1 else f"{text} %"


def sides_cm(long_cm: float, short_cm: float) -> str:
    """Give a print that holds, long side first, in cm, rounded down.

    A print is never promised larger than it is. Small ones keep a decimal.
    """
    step = 1 if short_cm >= WHOLE_FROM else 10
    return " × ".join(_down(side, step) for side in (long_cm, short_cm))


def sides_in(long_cm: float, short_cm: float) -> str:
    """Give a print that holds, long side first, in inches, rounded down."""
    return sides_cm(long_cm / INCH_CM, short_cm / INCH_CM)


def wished_print(long_cm: float, short_cm: float) -> str:
    """Give a print that was asked for, in cm and inches.

    >>> wished_print(90, 60)
    '90 × 60 cm (35.4 × 23.6 in)'
    """
    inches = f"{tenths(long_cm / INCH_CM)} × {tenths(short_cm / INCH_CM)}"
    return f"{tenths(long_cm)} × {tenths(short_cm)} cm ({inches} in)"


def length(length_cm: float) -> str:
    """Give a length that was asked for in cm and inches."""
    return f"{tenths(length_cm)} cm ({tenths(length_cm / INCH_CM)} in)"


def distance(distance_m: float) -> str:
    """Give a distance outdoors in metres and feet.

    >>> distance(3.0)
    '3 m (9.84 ft)'
    """
    return f"{number(distance_m)} m ({number(distance_m / FOOT_M)} ft)"


def edge_width(width_px: float, low_px: float | None, high_px: float | None) -> str:
    """Give an edge width with the wider half of its interval, rounded up."""
    text = f"{width_px:.1f}"
    if low_px is None or high_px is None:
        return text
    half = max(high_px - width_px, width_px - low_px)
    return f"{text} ±{math.ceil(half * 10 - ROUNDING_SLACK) / 10:.1f}"


def shutter(time_s: float) -> str:
    """Give a shutter time as the trade writes it.

    >>> shutter(1 / 60), shutter(0.4), shutter(30)
    ('1/60 s', '0.4 s', '30 s')
    """
    if not 0 < time_s < SLOWEST_FRACTION_S:
        return f"{time_s:g} s"
    below = 1 / time_s
    whole = round(below)
    exact = abs(below / whole - 1) <= FRACTION_TOLERANCE
    return f"1/{whole} s" if exact else f"1/{below:.1f} s"


def number(value: float) -> str:
    """Give a figure with three digits, or all of a larger one, without needless zeros."""
    if abs(value) >= 1000:
        return f"{value:.0f}"
    return tenths(value) if abs(value) >= 100 else f"{value:.3g}"


def tenths(value: float) -> str:
    """Give a figure with one decimal, or none where that is zero."""
    return f"{value:.1f}".removesuffix(".0")


def counted(number_of: int, noun: str) -> str:
    """Give a number of things.

    >>> counted(1, "frame"), counted(3, "frame")
    ('1 frame', '3 frames')
    """
    return f"{number_of} {noun}" if number_of == 1 else f"{number_of} {noun}s"


def figure(value: float, unit: str) -> str:
    """Give a figure in its unit, shares in percent and times as shutter times."""
    if unit == "share":
        return percent(value) if 0 <= value <= 1 else f"{number(value * 100)} %"
    if unit == "s":
        return shutter(value)
    if unit == "ratio":
        return f"{number(value)} times"
    return f"{number(value)} {unit}".rstrip()


def _down(value: float, step: int) -> str:
    return f"{math.floor(value * step + ROUNDING_SLACK) / step:.{0 if step == 1 else 1}f}"
