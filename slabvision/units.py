"""The one place that converts units and writes numbers the way people of the trade read them.

Inside, everything is millimetres, square millimetres, kilograms and percent. 1 in = 25.4 mm
exactly (international yard and pound agreement, 1959) and 1 board foot = 144 in³ =
0.002359737216 m³ exactly (derived from it; board foot: ASTM D9).
"""

from __future__ import annotations

import math
import re
from fractions import Fraction

__all__ = [
    "BOARD_FOOT_MM3",
    "FT2_MM2",
    "IN2_MM2",
    "LB_KG",
    "MM_PER_FT",
    "MM_PER_IN",
    "BadLengthError",
    "board_feet",
    "celsius",
    "fahrenheit",
    "inches",
    "inches_text",
    "parse_length_mm",
    "pounds",
    "pounds_per_cubic_foot",
    "round_sum",
]

MM_PER_IN = 25.4
MM_PER_FT = 304.8
IN2_MM2 = 645.16
"""Square millimetres in a square inch, exactly."""
FT2_MM2 = 92903.04
"""Square millimetres in a square foot, exactly."""
BOARD_FOOT_MM3 = 2_359_737.216
"""Cubic millimetres in a board foot, exactly."""
LB_KG = 0.45359237
"""Kilograms in a pound, exactly (1959 agreement)."""


class BadLengthError(ValueError):
    """A typed length could not be read."""


def inches(mm: float) -> float:
    """Convert millimetres to inches."""
    return mm / MM_PER_IN


def board_feet(mm3: float) -> float:
    """Convert cubic millimetres to board feet.

    >>> round(board_feet(2_359_737.216), 12)
    1.0
    """
    return mm3 / BOARD_FOOT_MM3


def fahrenheit(celsius: float) -> float:
    """Convert degrees Celsius to degrees Fahrenheit."""
    return celsius * 9.0 / 5.0 + 32.0


def celsius(fahrenheit: float) -> float:
    """Convert degrees Fahrenheit to degrees Celsius."""
    return (fahrenheit - 32.0) * 5.0 / 9.0


def pounds(kg: float) -> float:
    """Convert kilograms to pounds."""
    return kg / LB_KG


def pounds_per_cubic_foot(kg_m3: float) -> float:
    """Convert a density in kg/m³ to lb/ft³.

    >>> round(pounds_per_cubic_foot(1000.0), 3)
    62.428
    """
    return kg_m3 * (MM_PER_FT**3 / 1e9) / LB_KG


# Typed lengths -----------------------------------------------------------------------------------

_NUMBER = r"(?:\d+/\d+|\d+(?:[.,]\d+)?(?:[ -]+\d+/\d+)?|[.,]\d+)"
_UNITS = {
    "mm": 1.0, "millimetre": 1.0, "millimetres": 1.0, "millimeter": 1.0, "millimeters": 1.0,
    "cm": 10.0, "centimetre": 10.0, "centimetres": 10.0, "centimeter": 10.0, "centimeters": 10.0,
    "m": 1000.0, "metre": 1000.0, "metres": 1000.0, "meter": 1000.0, "meters": 1000.0,
    "in": MM_PER_IN, "inch": MM_PER_IN, "inches": MM_PER_IN, '"': MM_PER_IN, "in.": MM_PER_IN,
    "ft": MM_PER_FT, "foot": MM_PER_FT, "feet": MM_PER_FT, "'": MM_PER_FT, "ft.": MM_PER_FT,
}  # fmt: skip
_TERM = re.compile(rf"\s*({_NUMBER})\s*([a-z]+\.?|[\"'])?", re.IGNORECASE)
_TYPOGRAPHY = str.maketrans({"′": "'", "’": "'", "‘": "'", "″": '"', "”": '"', "“": '"', "⁄": "/"})
_VULGAR = {
    "½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8",
    "⅓": "1/3", "⅔": "2/3",
}  # fmt: skip
MAX_LENGTH_MM = 100_000.0
"""No slab, and nothing laid beside one, is longer than 100 m: longer is a slip of the hand."""


def parse_length_mm(text: str, *, default_unit: str | None = None) -> float:
    r"""Read a length as people type it and return millimetres.

    Parameters
    ----------
    text : str
        For instance ``48 1/2 in``, ``4' 1/2"``, ``4 ft 6 in``, ``1230 mm``, ``123 cm``, ``1,23 m``.
    default_unit : str, optional
        Unit of a bare number (``"in"`` or ``"mm"``); without it a bare number is refused.

    Raises
    ------
    BadLengthError
        Not a length, no unit, zero, negative, or over 100 m.

    Examples
    --------
    >>> parse_length_mm("48 1/2 in"), parse_length_mm("4' 1/2\""), parse_length_mm("123 cm")
    (1231.9, 1231.9, 1230.0)
    """
    shown = text if len(text) <= 40 else text[:37] + "..."
    example = "write for instance 48 1/2 in, 4' 1/2\", 1230 mm or 123 cm"
    plain = text.translate(_TYPOGRAPHY).replace("''", '"')
    for sign, written in _VULGAR.items():
        plain = re.sub(rf"(?<=\d)\s*{sign}", f" {written}", plain).replace(sign, written)
    plain = plain.strip()
    if not plain or len(plain) > 80:
        raise BadLengthError(f"length {shown!r} cannot be read; {example}")
    total, at = 0.0, 0
    seen: list[str] = []
    while at < len(plain):
        found = _TERM.match(plain, at)
        if found is None or found.end() == at:
            raise BadLengthError(
                f"length {shown!r} cannot be read at {plain[at:][:12]!r}; {example}"
            )
        unit = (found[2] or "").lower() or None
        if unit is None and seen == ["ft"]:
            unit = "in"  # 4' 6 means four feet six
        unit = unit or default_unit
        if unit is None:
            raise BadLengthError(f"length {shown!r} has no unit; {example}")
        if unit not in _UNITS:
            raise BadLengthError(f"length {shown!r}: unit {unit!r} is not known; {example}")
        total += _number(found[1], shown) * _UNITS[unit]
        seen.append("ft" if _UNITS[unit] == MM_PER_FT else unit)
        at = found.end()
        at += len(plain[at:]) - len(plain[at:].lstrip(" ,-"))
    if len(seen) > 1 and seen[0] != "ft":
        raise BadLengthError(f"length {shown!r} has two parts that do not follow on; {example}")
    if len(seen) > 2:
        raise BadLengthError(f"length {shown!r} has too many parts; {example}")
    total = round(total, 6)
    if not 0 < total <= MAX_LENGTH_MM:
        raise BadLengthError(
            f"length {shown!r} is {total:g} mm; it must be over 0 and at most 100 m"
        )
    return total


def _number(text: str, shown: str) -> float:
    try:
        parts = re.split(r"[ -]+", text.replace(",", "."))
        return float(sum(Fraction(part) for part in parts))
    except (ValueError, ZeroDivisionError):
        raise BadLengthError(f"length {shown!r}: {text!r} is not a number") from None


# Numbers as people read them ---------------------------------------------------------------------


def round_sum(value: float, step: float, toward: str = "nearest") -> float:
    """Round to a whole number of steps.

    Parameters
    ----------
    value, step : float
        Same unit; ``step`` over 0.
    toward : {"nearest", "down", "up"}
        What a buyer can get is rounded down, what must be carried is rounded up.
    """
    if not step > 0:
        raise ValueError(f"step is {step}; it must be over 0")
    ways = {"nearest": lambda x: math.floor(x + 0.5), "down": math.floor, "up": math.ceil}
    if toward not in ways:
        raise ValueError(f"toward is {toward!r}; nearest, down or up")
    slack = 1e-9 if toward == "down" else -1e-9 if toward == "up" else 0.0
    return float(ways[toward](value / step + slack) * step)


def inches_text(mm: float, *, sixteenths: int = 4, toward: str = "nearest") -> str:
    """Write a length in inches and fractions.

    Parameters
    ----------
    mm : float
        Length in millimetres.
    sixteenths : int
        Step in sixteenths of an inch: 4 is a quarter (lengths), 1 a sixteenth (thickness).
    toward : {"nearest", "down", "up"}
        Which way to round.

    Examples
    --------
    >>> inches_text(1231.9), inches_text(-15.9, sixteenths=1)
    ('48 1/2 in', '-5/8 in')
    """
    steps = round(round_sum(mm / MM_PER_IN, sixteenths / 16, toward) * 16)
    sign, steps = ("-" if steps < 0 else ""), abs(steps)
    whole, rest = divmod(steps, 16)
    if rest == 0:
        return f"{sign}{whole} in"
    fraction = Fraction(rest, 16)
    part = f"{fraction.numerator}/{fraction.denominator}"
    return f"{sign}{whole} {part} in" if whole else f"{sign}{part} in"
