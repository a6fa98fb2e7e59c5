"""Thickness left once both faces are flat, for the whole slab or for a chosen part of it.

The slab is taken as a sheet bent by bow (along), cup (across) and twist, of the thickness read at
stations: bow and cup as parabolas, twist as a straight-sided warp. A part of a bent slab is bent
less: bow falls with the square of the part's length, cup with the square of its width, twist with
length times width. A bent slab of even thickness loses the bow once, not twice. Derived geometry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from slabvision.estimate import DRAWS, Estimate, Floats
from slabvision.trade.quantity import Number, as_estimate, checked, draws_of, value_of, values_of

__all__ = [
    "Flattened",
    "Part",
    "ThicknessReading",
    "Warp",
    "bow_from_edge_mm",
    "flatten",
    "warp_of_part",
]

_GRID = 33


@dataclass(frozen=True)
class Warp:
    """How far a slab is from flat, measured over its whole length and width.

    Attributes
    ----------
    bow_mm : float or Estimate
        Greatest gap under a straightedge along the slab; below 0 when the other face is hollow.
    cup_mm : float or Estimate
        Greatest gap under a straightedge across it; below 0 when the other face is hollow.
    twist_mm : float or Estimate
        Height of the fourth corner with three on a plane, or the gap between winding sticks at the
        ends, taken over the width.
    """

    bow_mm: Number = 0.0
    cup_mm: Number = 0.0
    twist_mm: Number = 0.0

    def __post_init__(self) -> None:
        for what, number in (("bow", self.bow_mm), ("cup", self.cup_mm), ("twist", self.twist_mm)):
            checked(number, "mm", what, at_least=-500, at_most=500)


@dataclass(frozen=True)
class ThicknessReading:
    """One thickness with its place.

    Attributes
    ----------
    thickness_mm : float or Estimate
    u_mm : float
        Along the slab from one end.
    v_mm : float, optional
        Across the slab from one edge; None when it was read without noting the side.
    """

    thickness_mm: Number
    u_mm: float
    v_mm: float | None = None

    def __post_init__(self) -> None:
        checked(self.thickness_mm, "mm", "thickness", over=0)
        checked(self.u_mm, "mm", "station", at_least=0)
        if self.v_mm is not None:
            checked(self.v_mm, "mm", "station across", at_least=0)


@dataclass(frozen=True)
class Part:
    """A rectangle of the slab, mm: along from ``u0`` to ``u1``, across from ``v0`` to ``v1``."""

    u0_mm: float
    u1_mm: float
    v0_mm: float
    v1_mm: float

    def __post_init__(self) -> None:
        if not (0 <= self.u0_mm < self.u1_mm and 0 <= self.v0_mm < self.v1_mm):
            raise ValueError(
                f"part runs from {self.u0_mm:g} to {self.u1_mm:g} mm along and {self.v0_mm:g} to "
                f"{self.v1_mm:g} mm across; the second of each must be larger and none below 0"
            )


@dataclass(frozen=True)
class Flattened:
    """What is left after both faces are flat and parallel.

    Attributes
    ----------
    thickness_mm : Estimate
        Left; not determined when nothing is left in the best case.
    loss_mm : Estimate
        Thinnest reading of the part minus what is left.
    first_face_mm, second_face_mm : float
        Deepest cut on the face the warp was read on, and on the other.
    warp : Warp
        Of the part.
    text : str
    """

    thickness_mm: Estimate
    loss_mm: Estimate
    first_face_mm: float
    second_face_mm: float
    warp: Warp
    text: str


def warp_of_part(
    warp: Warp, length_mm: float, width_mm: float, part_length_mm: float, part_width_mm: float
) -> Warp:
    """Return the warp of a part of a slab.

    Bow falls with the square of the length, cup with the square of the width, twist with their
    product (derived: parabolas and a straight-sided warp keep their curvature).

    >>> warp_of_part(Warp(bow_mm=16.0), 2400.0, 800.0, 1200.0, 800.0).bow_mm
    4.0
    """
    for what, size, whole in (("length", part_length_mm, length_mm),
                              ("width", part_width_mm, width_mm)):  # fmt: skip
        if not 0 < size <= whole * (1 + 1e-9):
            raise ValueError(
                f"{what} of the part is {size:g} mm; over 0 and at most the slab's {whole:g} mm"
            )
    along, across = part_length_mm / length_mm, part_width_mm / width_mm
    return Warp(warp.bow_mm * along**2, warp.cup_mm * across**2, warp.twist_mm * along * across)


def bow_from_edge_mm(points_mm: Any) -> float:
    """Return bow, mm, from points traced along one face's line in an edge photo.

    Parameters
    ----------
    points_mm : array_like, shape (N, 2)
        In mm on a plane (along, height), from end to end, at least 3.

    Returns
    -------
    float
        Greatest gap from the straight line between the end points: what a straightedge shows.

    Examples
    --------
    >>> bow_from_edge_mm([[0.0, 0.0], [1000.0, 9.0], [2000.0, 0.0]])
    9.0
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3:
        raise ValueError(f"points have shape {points.shape}; (N, 2) with N of 3 or more is needed")
    if not np.isfinite(points).all():
        raise ValueError("points of the edge hold a number that is not finite")
    start, along = points[0], points[-1] - points[0]
    length = float(np.hypot(*along))
    if length <= 0:
        raise ValueError("the first and the last point of the edge are the same; trace end to end")
    off = points - start
    gaps = (along[0] * off[:, 1] - along[1] * off[:, 0]) / length
    return float(np.abs(gaps).max())


def flatten(
    warp: Warp,
    readings: Sequence[ThicknessReading],
    length_mm: float,
    width_mm: float,
    *,
    part: Part | None = None,
    clean_up_mm: float = 0.0,
) -> Flattened:
    """Return the thickness left after both faces are flat and parallel.

    Parameters
    ----------
    warp : Warp
        Of the whole slab, read on one face.
    readings : sequence of ThicknessReading
        At least one; between stations thickness runs straight, beyond the last it stays.
    length_mm, width_mm : float
        Of the whole slab.
    part : Part, optional
        The rectangle wanted; the whole slab when left out.
    clean_up_mm : float
        Taken from each face beyond flat, to clear saw marks or tear-out.

    Notes
    -----
    The two cutting planes are parallel and tilted so that most is left (a linear programme over
    the tilt, solved on the best values; the draws keep that tilt, so the lower end is cautious).
    A kink by a knot, or a bump between stations, is not in the model.

    Examples
    --------
    >>> even = [ThicknessReading(60.0, 0.0)]
    >>> flatten(Warp(bow_mm=9.0), even, 2400.0, 800.0).thickness_mm.value
    51.0
    """
    if not readings:
        raise ValueError("no thickness is given; read it at both ends and the middle")
    for what, size in (("length", length_mm), ("width", width_mm), ("clean-up", clean_up_mm)):
        checked(size, "mm", what, at_least=0)
    whole = Part(0.0, length_mm, 0.0, width_mm)
    part = part or whole
    if part.u1_mm > length_mm * (1 + 1e-9) or part.v1_mm > width_mm * (1 + 1e-9):
        raise ValueError(
            f"part reaches {part.u1_mm:g} by {part.v1_mm:g} mm on a slab of {length_mm:g} by "
            f"{width_mm:g} mm"
        )
    for reading in readings:
        if reading.u_mm > length_mm * (1 + 1e-9):
            raise ValueError(
                f"thickness station at {reading.u_mm:g} mm on a slab {length_mm:g} mm long"
            )
    numbers = [warp.bow_mm, warp.cup_mm, warp.twist_mm, *(r.thickness_mm for r in readings)]
    draws = draws_of(numbers) or DRAWS
    size_u, size_v = part.u1_mm - part.u0_mm, part.v1_mm - part.v0_mm
    local = warp_of_part(warp, length_mm, width_mm, size_u, size_v)
    x = np.linspace(-1.0, 1.0, _GRID)
    across, along = np.meshgrid(x, x)
    u = part.u0_mm + (along.ravel() + 1) / 2 * size_u
    v = part.v0_mm + (across.ravel() + 1) / 2 * size_v
    weights = _interpolation(readings, u, v, width_mm)
    shapes = np.stack([along.ravel() ** 2, across.ravel() ** 2, along.ravel() * across.ravel() / 4])

    def surfaces(bends: Sequence[Any], thicks: Sequence[Any]) -> tuple[Floats, Floats]:
        low = sum(np.asarray(b)[..., None] * s for b, s in zip(bends, shapes, strict=True))
        thick = sum(np.asarray(t)[..., None] * w for t, w in zip(thicks, weights, strict=True))
        return np.asarray(low), np.asarray(low + thick)

    bends: tuple[Number, ...] = (local.bow_mm, local.cup_mm, local.twist_mm)
    thicks = [r.thickness_mm for r in readings]
    low, high = surfaces([value_of(b) for b in bends], [value_of(t) for t in thicks])
    tilt = _best_tilt(along.ravel(), across.ravel(), low, high)
    plane = tilt[0] * along.ravel() + tilt[1] * across.ravel()
    left = float((high - plane).min() - (low - plane).max()) - 2 * clean_up_mm
    thin = float((high - low).min())
    if any(isinstance(n, Estimate) for n in (*bends, *thicks)):
        lows, highs = surfaces([values_of(b) for b in bends], [values_of(t) for t in thicks])
        lefts = (highs - plane).min(axis=-1) - (lows - plane).max(axis=-1) - 2 * clean_up_mm
        thins = (highs - lows).min(axis=-1)
        kept = Estimate(left, np.broadcast_to(np.maximum(lefts, 0.0), (draws,)), "mm")
        loss = Estimate(thin - left, np.broadcast_to(thins - lefts, (draws,)), "mm")
    else:
        kept = as_estimate(left, "mm", draws=draws)
        loss = as_estimate(thin - left, "mm", draws=draws)
    first = float((low - plane).max() - (low - plane).min()) + clean_up_mm
    second = float((high - plane).max() - (high - plane).min()) + clean_up_mm
    if left <= 0:
        why = f"nothing is left: the warp takes {thin - left:.0f} mm of {thin:.0f}; choose a part"
        return Flattened(
            Estimate.undetermined(why, "mm", draws=draws), loss, first, second, local, why
        )
    lo, hi = kept.interval
    span = "" if hi - lo < 0.05 else f" ({lo:.1f} to {hi:.1f})"
    text = f"{left:.1f} mm{span} left of {thin:.1f} at its thinnest, both faces flat"
    return Flattened(kept, loss, first, second, local, text)


def _interpolation(
    readings: Sequence[ThicknessReading], u: Floats, v: Floats, width_mm: float
) -> list[Floats]:
    """Return for each reading its weight at every grid point (straight between stations)."""
    stations = sorted({r.u_mm for r in readings})
    unit = np.eye(len(readings))
    columns: list[Floats] = []
    for station in stations:
        here = [i for i, r in enumerate(readings) if r.u_mm == station]
        placed = [i for i in here if readings[i].v_mm is not None]
        if len(placed) < len(here) or len({readings[i].v_mm for i in here}) < len(here):
            columns.append(np.broadcast_to(unit[here].mean(axis=0), (len(u), len(readings))))
            continue
        here.sort(key=lambda i: float(readings[i].v_mm or 0.0))
        places = [float(readings[i].v_mm or 0.0) for i in here]
        columns.append(
            np.stack([np.interp(v, places, unit[here][:, k]) for k in range(len(readings))], axis=1)
        )
    stack = np.stack(columns)  # station, point, reading
    at = np.clip(np.searchsorted(stations, u, side="right") - 1, 0, max(len(stations) - 2, 0))
    if len(stations) == 1:
        return list(stack[0].T)
    places_u = np.array(stations)
    share = np.clip((u - places_u[at]) / (places_u[at + 1] - places_u[at]), 0.0, 1.0)
    points = np.arange(len(u))
    mixed = stack[at, points] * (1 - share)[:, None] + stack[at + 1, points] * share[:, None]
    return list(mixed.T)


def _best_tilt(along: Floats, across: Floats, low: Floats, high: Floats) -> tuple[float, float]:
    """Return the tilt of the two parallel planes that leaves most thickness.

    Most of min(high - plane) - max(low - plane): linear in the tilt and the two offsets.
    """
    from scipy.optimize import linprog

    ones, none = np.ones_like(along), np.zeros_like(along)
    upper = np.column_stack([along, across, ones, none])  # tilt + top <= high
    lower = np.column_stack([-along, -across, none, -ones])  # tilt + bottom >= low
    found = linprog(
        c=[0.0, 0.0, -1.0, 1.0],
        A_ub=np.vstack([upper, lower]),
        b_ub=np.concatenate([high, -low]),
        bounds=[(None, None)] * 4,
        method="highs",
    )
    if not found.success:
        raise RuntimeError(f"flattening: the tilt could not be solved ({found.message})")
    return float(found.x[0]), float(found.x[1])
