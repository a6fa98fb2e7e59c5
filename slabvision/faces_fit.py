"""Lay one outline on another by least squares: the fit behind :mod:`slabvision.faces_match`.

Unknown are shift, turn, scale along and across, how far each end is out of square and how far each
edge flares; what is known of them beforehand enters as a prior (maximum a posteriori), and what
broke off an edge is held back by Huber weights.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from slabvision.clear.shapes import Sides

__all__ = [
    "COUNT",
    "SIDES",
    "Edges",
    "Fit",
    "Landmark",
    "Priors",
    "Profile",
    "fit_outline",
    "moves",
    "sampled",
    "side_points",
]

Floats: TypeAlias = NDArray[np.float64]

_STEP_MM = 10.0
_CORNER_MM = 40.0
_ROUNDS = 25
_LEAST_HANG = 75.0 * math.sqrt(math.pi) / _STEP_MM
"""Samples per independent value at least: a hand's wobble hangs together over about 75 mm."""


@dataclass(frozen=True)
class Landmark:
    """One place marked on both: a bolt hole, a through knot's middle, a notch; mm in each frame."""

    on_a: tuple[float, float]
    on_b: tuple[float, float]
    u_mm: float = 3.0


@dataclass(frozen=True)
class Priors:
    """What is known before two outlines are compared: standard uncertainties.

    Attributes
    ----------
    scale_along, scale_across : float
        Relative difference in scale of the two photos.
    across_mean : float
        Expected log of the scale across (drying shrinks a face between two dates).
    flare_mm : float
        Mean distance between the two arrises, outwards, the same at both edges.
    flare_apart_mm, flare_apart_share : float
        How much the two edges differ in it, each from their mean: so many mm, and so much of the
        mean. In 14 of the renderer's solid logs half the difference was 0.18 of the mean (root
        mean square), and under 2 mm where the mean was under 15.
    flare_taper_mm : float
        How much it changes from the middle to an end.
    end_mm : float
        How far a sawn end is out of square through the thickness.
    """

    scale_along: float = 0.01
    scale_across: float = 0.01
    across_mean: float = 0.0
    flare_mm: float = 40.0
    flare_apart_mm: float = 1.0
    flare_apart_share: float = 0.2
    flare_taper_mm: float = 10.0
    end_mm: float = 4.0


SIDES = ("left", "right", "top", "bottom")
_OUTWARD = (-1.0, 1.0, -1.0, 1.0)


@dataclass(frozen=True, eq=False)
class Profile:
    """One side as a function: across it over along it (edges: v over u, ends: u over v)."""

    at: Floats
    value: Floats

    @classmethod
    def of(cls, points: Floats, side: int) -> Profile:
        """Return the profile of a side's points, (N, 2) mm; ``side`` is its index in SIDES."""
        axis = 1 if side < 2 else 0
        order = np.argsort(points[:, axis], kind="stable")
        return cls(points[order, axis], points[order, 1 - axis])

    def __call__(self, at: Floats) -> Floats:
        """Return the value across at places along, mm."""
        return np.asarray(np.interp(at, self.at, self.value))

    def slope(self, at: Floats) -> Floats:
        """Slope over a hand's breadth: a ragged edge has none at a point."""
        return (self(at + 15.0) - self(at - 15.0)) / 30.0

    def covers(self, at: Floats) -> NDArray[np.bool_]:
        """Return whether the side is there, with a margin for its slope."""
        return np.asarray((at >= self.at[0] + 15.0) & (at <= self.at[-1] - 15.0))


@dataclass(frozen=True, eq=False)
class Edges:
    """Sampled sides of the first outline."""

    at: Floats  # along each side
    value: Floats  # across it
    side: NDArray[np.intp]  # index in SIDES
    along: Floats  # -1 to 1 along the slab
    pivot: Floats


def side_points(line: LineString) -> Floats:
    """Return points of a side no more than 3 mm apart, (N, 2) mm."""
    return np.asarray(shapely.get_coordinates(shapely.segmentize(line, 3.0)))


def sampled(four: Sides) -> Edges:
    """Sample the sides of an outline every 10 mm, corners left out."""
    at, value, side = [], [], []
    for index, name in enumerate(SIDES):
        profile = Profile.of(side_points(getattr(four, name)), index)
        lo, hi = profile.at[0], profile.at[-1]
        inset = min(_CORNER_MM, (hi - lo) / 4)
        here = np.arange(lo + inset, hi - inset + 1e-9, _STEP_MM)
        # the mean over a step: what a hand draws between samples counts
        fine = (np.arange(5) - 2) * _STEP_MM / 5
        at.append(here)
        value.append(profile(here[:, None] + fine).mean(axis=1))
        side.append(np.full(len(here), index))
    top = np.concatenate([at[2], at[3]])
    middle, half = (top.min() + top.max()) / 2, max(float(np.ptp(top)) / 2, 1.0)
    all_at, all_side = np.concatenate(at), np.concatenate(side)
    along = np.where(all_side >= 2, (all_at - middle) / half, 0.0)
    level = np.array([middle, float(np.mean([value[2].mean(), value[3].mean()]))])
    return Edges(all_at, np.concatenate(value), all_side, along, level)


@dataclass(frozen=True, eq=False)
class Fit:
    """What a fit found, and how far the edges then lie apart."""

    parameters: Floats  # u, v (mm), turn, ln scale along and across, ends, flares, their tapers
    covariance: Floats
    residuals: Floats
    covered: NDArray[np.bool_]
    cost: float
    profiles: list[Profile]
    matrix: Floats

    @property
    def residual_mm(self) -> float:
        """Median distance between the two edges, flare taken out."""
        return float(np.median(np.abs(self.residuals[self.covered])))


def _matrix(p: Floats, base: Floats, pivot: Floats) -> Floats:
    """Return the base orientation about the pivot, scaled, turned and shifted, (2, 3)."""
    c, s = math.cos(p[2]), math.sin(p[2])
    scale = np.diag(np.exp(p[3:5]))
    linear = np.array([[c, -s], [s, c]]) @ scale @ base[:, :2]
    # base already carries the second's middle to the pivot
    shift = np.array([[c, -s], [s, c]]) @ scale @ (base[:, 2] - pivot) + pivot + p[:2]
    return np.column_stack([linear, shift])


COUNT = 11
_PRIOR_SHIFT_MM = 400.0


def _prior(
    priors: Priors, length: float, width: float, flare: float
) -> tuple[Floats, Floats, Floats]:
    """Rows, targets and uncertainties of what is known beforehand; ``flare`` by the widths."""
    rows, target, u = [], [], []

    def known(weights: dict[int, float], value: float, uncertainty: float) -> None:
        row = np.zeros(COUNT)
        for index, weight in weights.items():
            row[index] = weight
        rows.append(row)
        target.append(value)
        u.append(uncertainty)

    known({0: 1}, 0, _PRIOR_SHIFT_MM)
    known({1: 1}, 0, _PRIOR_SHIFT_MM)
    known({2: 1}, 0, max(2 * width / length, 0.05) / 2)
    known({3: 1}, 0, priors.scale_along)
    known({4: 1}, priors.across_mean, priors.scale_across)
    known({5: 1}, 0, priors.end_mm)
    known({6: 1}, 0, priors.end_mm)
    known({7: 0.5, 8: 0.5}, 0, priors.flare_mm)
    apart = math.hypot(priors.flare_apart_mm, priors.flare_apart_share * flare)
    known({7: 1, 8: -1}, 0, apart * math.sqrt(2))
    known({9: 1}, 0, priors.flare_taper_mm)
    known({10: 1}, 0, priors.flare_taper_mm)
    return np.array(rows), np.array(target), np.array(u)


def fit_outline(
    edges: Edges,
    second: dict[str, Floats],
    swap: dict[str, str],
    base: Floats,
    start: Floats,
    priors: Priors,
    landmarks: Sequence[Landmark],
    size: tuple[float, float, float],
) -> Fit:
    """Fit the second outline's sides to the first's sampled edges from one start.

    ``size`` is the first's length and width and half of how much wider the second is, mm.
    """
    known, target, known_u = _prior(priors, *size)
    p = start.copy()
    p[4] = priors.across_mean
    for round_ in range(_ROUNDS):
        m = _matrix(p, base, edges.pivot)
        profiles = _carried(second, swap, m)
        ahead, jac, covered = _compared(edges, profiles, p)
        residual = ahead + jac[:, 5:] @ p[5:]
        sigma = max(1.4826 * float(np.median(np.abs(residual[covered]))), 0.8)
        # Huber: a piece of bark that broke off does not pull
        weights = np.minimum(1.0, 1.5 * sigma / np.maximum(np.abs(residual), 1e-9)) * covered
        per_value = _hang(edges, residual, covered)
        scaled = np.sqrt(weights / per_value) / sigma
        rows = [jac * scaled[:, None], known / known_u[:, None]]
        off = [residual * scaled, (known @ p - target) / known_u]
        for mark in landmarks:
            q = m[:, :2] @ np.array(mark.on_b) + m[:, 2]
            rows.append(moves(q[None], edges.pivot + p[:2], p)[0] / mark.u_mm)
            off.append((q - np.array(mark.on_a)) / mark.u_mm)
        matrix, vector = np.vstack(rows), np.concatenate(off)
        step = -np.linalg.lstsq(matrix, vector, rcond=None)[0]
        limit = np.array([60, 60, 0.05, 0.02, 0.03, *[60] * 6])
        p = p + np.clip(step, -limit, limit)
        if round_ > 4 and np.all(np.abs(step[:3]) < (0.02, 0.02, 1e-5)):
            break
    cost = float(vector @ vector) + 2 * covered.sum() / per_value * math.log(sigma)
    covariance = np.asarray(np.linalg.inv(matrix.T @ matrix), dtype=np.float64)
    return Fit(p, covariance, residual, covered, cost, profiles, m)


def _hang(edges: Edges, residual: Floats, covered: NDArray[np.bool_]) -> float:
    """Return how many neighbouring samples of the misfit count as one (its correlation's sum)."""
    total, power = 0.0, 0.0
    for index in (2, 3):
        e = np.where(covered, residual, 0.0)[edges.side == index]
        e = np.clip(e, -3 * np.std(e), 3 * np.std(e))
        spectrum = np.abs(np.fft.rfft(e, 2 * len(e))) ** 2
        auto = np.fft.irfft(spectrum)[: len(e) // 3]
        negative = np.flatnonzero(auto < 0)
        stop = int(negative[0]) if len(negative) else len(auto)
        total += float(2 * auto[:stop].sum() - auto[0])
        power += float(auto[0])
    return max(total / max(power, 1e-9), _LEAST_HANG)


def _carried(second: dict[str, Floats], swap: dict[str, str], m: Floats) -> list[Profile]:
    return [
        Profile.of(second[swap[name]] @ m[:, :2].T + m[:, 2], index)
        for index, name in enumerate(SIDES)
    ]


def _compared(
    edges: Edges, profiles: list[Profile], p: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return how far out the second's edge lies, its derivatives, and where it is there at all."""
    count = len(edges.at)
    ahead, covered = np.zeros(count), np.zeros(count, dtype=bool)
    jac = np.zeros((count, COUNT))
    for index, profile in enumerate(profiles):
        here = edges.side == index
        at, out = edges.at[here], _OUTWARD[index]
        value, slope = profile(at), profile.slope(at)
        ahead[here] = out * (value - edges.value[here])
        covered[here] = profile.covers(at)
        if index < 2:  # ends: u over v
            there, normal = np.column_stack([value, at]), np.column_stack([slope * 0 + 1, -slope])
        else:
            there, normal = np.column_stack([at, value]), np.column_stack([-slope, slope * 0 + 1])
        shifts = moves(there, edges.pivot + p[:2], p)
        jac[here] = out * np.einsum("nij,ni->nj", shifts, normal)
        jac[here, 5 + index] = -1.0
        if index >= 2:
            jac[here, 7 + index] = -edges.along[here]
    return ahead, jac, covered


def moves(there: Floats, pivot: Floats, p: Floats) -> Floats:
    """Return the derivative of carried points by the parameters, shape (N, 2, count)."""
    out = np.zeros((len(there), 2, COUNT))
    out[:, 0, 0] = out[:, 1, 1] = 1.0
    arm = there - pivot
    out[:, 0, 2], out[:, 1, 2] = -arm[:, 1], arm[:, 0]
    c, s = math.cos(p[2]), math.sin(p[2])
    along, across = arm @ np.array([c, s]), arm @ np.array([-s, c])
    out[:, 0, 3], out[:, 1, 3] = c * along, s * along
    out[:, 0, 4], out[:, 1, 4] = -s * across, c * across
    return out
