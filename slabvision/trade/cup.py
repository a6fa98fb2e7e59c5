"""Cup: how far a face goes hollow between two moisture contents, and on which side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from slabvision.estimate import DRAWS, Estimate
from slabvision.trade.movement import principal_movement
from slabvision.trade.quantity import Number, as_estimate, checked, draws_of, propagate, value_of
from slabvision.trade.wood import Wood

__all__ = ["Cup", "cup", "cup_depth_mm", "cup_first_order_mm"]

_POINTS = 101
_LINEAR_BELOW_PCT = 20.0


@dataclass(frozen=True)
class Cup:
    """Cup of one face, as a free section would show it.

    Attributes
    ----------
    depth_mm : Estimate
        Greatest gap under a straightedge across the face, 0 or more; what a free section does,
        hence the most to expect of a slab held by its thickness, its weight or a pith crack.
    hollow_on : str
        ``bark side``, ``pith side`` or ``neither``.
    first_order_mm : float
        d w² / (4 h) where it holds (centred, width under height); NaN elsewhere.
    remarks : tuple of str
        Limits of the model that this case meets.
    """

    depth_mm: Estimate
    hollow_on: str
    first_order_mm: float
    remarks: tuple[str, ...]


def cup_depth_mm(x1_mm: Any, x2_mm: Any, height_mm: Any, tangential: Any, radial: Any) -> Any:
    """Return signed cup depth, mm, by the polar map; above 0 hollow on the bark side.

    Parameters
    ----------
    x1_mm, x2_mm : float or ndarray (N,)
        Edges of the face, sideways from the point nearest the pith.
    height_mm : float or ndarray (N,)
        Of the face above the pith, over 0.
    tangential, radial : float or ndarray (N,)
        Relative movement along and across the rings, below 0 for shrinking.

    Notes
    -----
    A point (r, phi) about the pith goes to r (1 + eR), phi (1 + eT) / (1 + eR): exact for
    elements that move freely with constant eT and eR. The kind of model in Mitchell 2016,
    BioResources 11(3) 6416-6425; the map itself is derived, not taken from there.

    Examples
    --------
    >>> maple = cup_depth_mm(-6.0, 6.0, 10.0, -0.01765, -0.00825)  # sugar maple, 12 to 7 %
    >>> round(float(maple), 4)
    0.0303
    """
    share = np.linspace(0.0, 1.0, _POINTS)
    x1, x2, height = (np.asarray(v, dtype=np.float64)[..., None] for v in (x1_mm, x2_mm, height_mm))
    along, across = (np.asarray(v, dtype=np.float64)[..., None] for v in (tangential, radial))
    x = x1 + (x2 - x1) * share
    radius = np.hypot(x, height) * (1.0 + across)
    turn = np.arctan2(x, height) * (1.0 + along) / (1.0 + across)
    u, v = radius * np.sin(turn), radius * np.cos(turn)
    du, dv = u[..., -1:] - u[..., :1], v[..., -1:] - v[..., :1]
    gap = ((u - u[..., :1]) * dv - (v - v[..., :1]) * du) / np.hypot(du, dv)
    deepest = np.abs(gap).argmax(axis=-1)[..., None]
    return np.take_along_axis(gap, deepest, axis=-1)[..., 0]


def cup_first_order_mm(
    width_mm: float, height_mm: float, tangential: float, radial: float
) -> float:
    """Return cup depth, mm, by d w² / (4 h), d the difference of the two movements (derived).

    For a face centred over the pith and narrower than its height above it; overshoots beyond.

    >>> round(cup_first_order_mm(12.0, 10.0, -0.01765, -0.00825), 4)
    0.0338
    """
    if not 0 < width_mm < 2 * height_mm:
        raise ValueError(
            f"width {width_mm:g} mm over height {height_mm:g} mm above the pith: the estimate "
            "holds for faces narrower than their height; use the polar map"
        )
    return (radial - tangential) * width_mm**2 / (4.0 * height_mm)


def cup(
    wood: Wood,
    width_mm: Number,
    height_mm: Number,
    mc_from_pct: Number,
    mc_to_pct: Number,
    *,
    pith_offset_mm: Number = 0.0,
) -> Cup:
    """Return how far a face cups between two moisture contents, and which side goes hollow.

    Parameters
    ----------
    width_mm : float or Estimate (unit ``mm``)
        Width of the face.
    height_mm : float or Estimate (unit ``mm``)
        Distance of the face from the pith. 0 or less means the pith lies in the slab.
    mc_from_pct, mc_to_pct : float or Estimate (unit ``%``)
    pith_offset_mm : float or Estimate (unit ``mm``)
        How far the pith lies off the middle of the width.

    Examples
    --------
    >>> from slabvision.trade.species import resolve_species
    >>> cup(resolve_species("sugar maple"), 304.8, 254.0, 12.0, 7.0).hollow_on
    'bark side'
    """
    checked(width_mm, "mm", "width", over=0)
    checked(height_mm, "mm", "height above the pith")
    checked(pith_offset_mm, "mm", "pith offset")
    for mc in (mc_from_pct, mc_to_pct):
        checked(mc, "%", "moisture", at_least=0, at_most=400)
    given = [width_mm, height_mm, pith_offset_mm, mc_from_pct, mc_to_pct]
    draws = draws_of(given) or DRAWS
    if value_of(height_mm) <= 0:
        why = (
            "the pith lies in the slab: rings cannot close round it, so it opens along the pith "
            "instead of cupping; cut it out or plan for the crack"
        )
        return Cup(Estimate.undetermined(why, "mm", draws=draws), "neither", float("nan"), (why,))
    tangential, radial, _ = principal_movement(wood, mc_from_pct, mc_to_pct, draws=draws)

    def by_map(w: Any, h: Any, off: Any, along: Any, across: Any) -> Any:
        # A height that an interval carries through the pith is held at the slab's edge of sense.
        height = np.maximum(h, 1e-3 * value_of(width_mm))
        edges = np.broadcast_arrays(-w / 2 - off, w / 2 - off, height, along, across)
        return cup_depth_mm(*edges)

    signed = as_estimate(
        propagate(by_map, "mm", width_mm, height_mm, pith_offset_mm, tangential, radial),
        "mm", draws=draws,
    )  # fmt: skip
    flip = -1.0 if signed.value < 0 else 1.0
    depth = Estimate(abs(signed.value), np.maximum(flip * signed.draws, 0.0), "mm", signed.reason)
    hollow = "neither"
    if abs(signed.value) > 1e-9:
        hollow = "bark side" if signed.value > 0 else "pith side"
    first = float("nan")
    width, height = value_of(width_mm), value_of(height_mm)
    if width < height and abs(value_of(pith_offset_mm)) < 0.05 * width:
        first = abs(cup_first_order_mm(width, height, tangential.value, radial.value))
    return Cup(depth, hollow, first, _limits(wood, height, mc_from_pct, mc_to_pct))


def _limits(wood: Wood, height: float, mc_from: Number, mc_to: Number) -> tuple[str, ...]:
    columns = ("coef_tangential", "coef_radial")
    remarks = [
        "a free section: a real slab held by thickness, weight or a pith crack cups less",
        *wood.marks(*columns),
    ]
    if max(value_of(mc_from), value_of(mc_to)) > _LINEAR_BELOW_PCT:
        remarks.append(
            "cup follows moisture in a straight line only below 20 % (Balodis 1972): rough here"
        )
    if height > 60 and all(row.genus == "Pinus" for row in wood.rows):
        remarks.append(
            "another source (Balodis 1972) found cup negligible for Pinus boards over 60 mm from "
            "the pith"
        )
    return tuple(dict.fromkeys(remarks))
