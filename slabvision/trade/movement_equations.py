"""The published equations of shrinkage and movement, each with its range and its source.

Wood Handbook numbers are those of GTR-190 (2010); GTR-282 (2021) renumbers 4-7 as 4-9.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from slabvision.trade.quantity import Number, checked, propagate, value_of

__all__ = [
    "LINEAR_RANGE_PCT",
    "average_cos2",
    "change_from_coefficient_mm",
    "change_from_shrinkage_mm",
    "coefficient_across_thickness",
    "coefficient_across_width",
    "dimension_lumber_width_shrinkage_pct",
    "fraction_moved",
    "quarter_percent_change_mm",
    "shear_coefficient",
    "shrinkage_at_pct",
]

LINEAR_RANGE_PCT = (6.0, 14.0)
"""Where eq. 13-2 holds: both moisture contents from 6 to 14 % (GTR-190 p.13-16)."""


def _moistures(*mcs: Number) -> None:
    for mc in mcs:
        checked(mc, "%", "moisture", at_least=0, at_most=400)


def shrinkage_at_pct(total_pct: Number, mc_pct: Number, start_pct: float = 30.0) -> Number:
    """Return shrinkage from green to a moisture content, % of the green size.

    GTR-190 eq. 4-7: S = S0 (1 - M / Mfs); 0 above fibre saturation.

    >>> shrinkage_at_pct(7.8, 12.0), shrinkage_at_pct(7.8, 45.0)
    (4.68, 0.0)
    """
    checked(total_pct, "%", "total shrinkage", over=0, at_most=50)
    _moistures(mc_pct)
    return propagate(
        lambda s, m: s * (1.0 - np.minimum(m, start_pct) / start_pct), "%", total_pct, mc_pct
    )


def change_from_coefficient_mm(
    size_mm: Number, coefficient: Number, mc_from_pct: Number, mc_to_pct: Number
) -> Number:
    """Return the change of a size, mm, between two moisture contents of 6 to 14 %.

    GTR-190 eq. 13-2: D C (MF - MI), C per 1 % moisture (Table 13-5).

    Raises
    ------
    ValueError
        A moisture content outside 6 to 14 %: use :func:`change_from_shrinkage_mm`.

    Examples
    --------
    >>> round(change_from_coefficient_mm(9.15, 0.00245, 8.0, 11.0), 3)  # p.13-17: + 0.067 in
    0.067
    """
    checked(size_mm, "mm", "size", over=0)
    checked(coefficient, "%-1", "coefficient", over=0, at_most=0.02)
    for mc in (mc_from_pct, mc_to_pct):
        checked(mc, "%", "moisture (for eq. 13-2)", at_least=6, at_most=14)
    return propagate(
        lambda d, c, a, b: d * c * (b - a), "mm", size_mm, coefficient, mc_from_pct, mc_to_pct
    )


def change_from_shrinkage_mm(
    size_mm: Number,
    shrinkage_pct: Number,
    mc_from_pct: Number,
    mc_to_pct: Number,
    *,
    start_pct: float = 30.0,
) -> Number:
    """Return the change of a size, mm, between any two moisture contents.

    GTR-190 eq. 13-3: D (MF - MI) / (3000/S - 30 + MI), S total shrinkage in %; above fibre
    saturation (``start_pct``) the size does not change.

    Examples
    --------
    >>> round(change_from_shrinkage_mm(40.0, 7.8, 12.0, 7.0), 4)
    -0.5455
    """
    checked(size_mm, "mm", "size", over=0)
    checked(shrinkage_pct, "%", "total shrinkage", over=0, at_most=50)
    _moistures(mc_from_pct, mc_to_pct)
    return propagate(
        lambda d, s, a, b: d * _by_shrinkage(s, a, b, start_pct),
        "mm", size_mm, shrinkage_pct, mc_from_pct, mc_to_pct,
    )  # fmt: skip


def _by_shrinkage(shrinkage: Any, mc_from: Any, mc_to: Any, start: float) -> Any:
    a, b = np.clip(mc_from, 0.0, start), np.clip(mc_to, 0.0, start)
    return (b - a) / (100.0 * start / shrinkage - start + a)


def fraction_moved(
    coefficient: Any, shrinkage: Any, mc_from: Any, mc_to: Any, start: float, *, linear: bool
) -> Any:
    """Return the relative change of a size: eq. 13-2 when ``linear``, otherwise eq. 13-3."""
    if linear:
        return coefficient * (mc_to - mc_from)
    return _by_shrinkage(shrinkage, mc_from, mc_to, start)


# Ring angle --------------------------------------------------------------------------------------


def _principal(tangential: Number, radial: Number, angle_deg: Number) -> None:
    checked(tangential, "%-1", "tangential coefficient", over=0)
    checked(radial, "%-1", "radial coefficient", over=0)
    checked(angle_deg, "deg", "ring angle", at_least=0, at_most=90)


def coefficient_across_width(tangential: Number, radial: Number, angle_deg: Number) -> Number:
    """Return the movement coefficient across the width for rings at an angle to the face.

    CT cos² + CR sin²: rotation of a plane strain tensor with principal axes along and across the
    rings (derived; treated for lumber by MacLean, FPL Report R1473, 1945). 0° is flat-sawn, 90°
    quarter-sawn.

    >>> round(coefficient_across_width(0.00274, 0.0019, 30.0), 5)
    0.00253
    """
    _principal(tangential, radial, angle_deg)
    return propagate(
        lambda t, r, a: t * np.cos(np.radians(a)) ** 2 + r * np.sin(np.radians(a)) ** 2,
        "%-1", tangential, radial, angle_deg,
    )  # fmt: skip


def coefficient_across_thickness(tangential: Number, radial: Number, angle_deg: Number) -> Number:
    """Return the movement coefficient through the thickness: CT sin² + CR cos² (same rotation)."""
    _principal(tangential, radial, angle_deg)
    return propagate(
        lambda t, r, a: t * np.sin(np.radians(a)) ** 2 + r * np.cos(np.radians(a)) ** 2,
        "%-1", tangential, radial, angle_deg,
    )  # fmt: skip


def shear_coefficient(tangential: Number, radial: Number, angle_deg: Number) -> Number:
    """Return the change of a square section's angle, radians per 1 %: (CT - CR) sin 2a.

    A square leg with rings across its diagonal turns into a diamond by it (same rotation).
    """
    _principal(tangential, radial, angle_deg)
    return propagate(
        lambda t, r, a: (t - r) * np.sin(2 * np.radians(a)), "%-1", tangential, radial, angle_deg
    )


def average_cos2(x1_mm: float, x2_mm: float, height_mm: float) -> float:
    """Return the mean of cos² of the ring angle across a face at a height above the pith.

    (h / (x2 - x1)) [atan(x2/h) - atan(x1/h)] for rings that are circles round the pith, x measured
    sideways from the point of the face nearest the pith (derived).

    >>> round(average_cos2(-100.0, 100.0, 100.0), 4)  # pi / 4
    0.7854
    """
    if not height_mm > 0:
        raise ValueError(f"height above the pith is {height_mm:g} mm; it must be over 0")
    if not x2_mm > x1_mm:
        raise ValueError(f"the face runs from {x1_mm:g} to {x2_mm:g} mm; the second must be larger")
    turn = np.arctan(x2_mm / height_mm) - np.arctan(x1_mm / height_mm)
    return float(height_mm / (x2_mm - x1_mm) * turn)


# Rules beside the handbook's ---------------------------------------------------------------------


def quarter_percent_change_mm(size_mm: Number, mc_from_pct: Number, mc_to_pct: Number) -> Number:
    """Return the change of a size, mm, at 0.25 % per 1 % moisture.

    EN 1313-1:2010 clause 5 (softwood sawn timber, sizes referred to 20 % moisture), and the rule of
    thumb of 1 % of size per 4 % moisture (American Wood Council, questions on shrinkage). Flat-sawn
    dense hardwoods move 1.3 to 1.8 times as much.

    >>> quarter_percent_change_mm(200.0, 20.0, 12.0)
    -4.0
    """
    checked(size_mm, "mm", "size", over=0)
    _moistures(mc_from_pct, mc_to_pct)
    return propagate(
        lambda d, a, b: d * 0.0025 * (np.minimum(b, 30.0) - np.minimum(a, 30.0)),
        "mm", size_mm, mc_from_pct, mc_to_pct,
    )  # fmt: skip


def dimension_lumber_width_shrinkage_pct(mc_pct: float) -> float:
    """Return width shrinkage of western softwood dimension lumber, %, at 8 to 19 % moisture.

    Sw = 6.031 - 0.215 M (Green, FPL-RP-489).

    >>> round(dimension_lumber_width_shrinkage_pct(19.0), 3)
    1.946
    """
    value = value_of(checked(mc_pct, "%", "moisture (for FPL-RP-489)", at_least=8, at_most=19))
    return 6.031 - 0.215 * value
