"""The pith: the point that the normals of the rings pass near.

Every place it may have is scored by how much of what is seen runs round it or towards it (a Hough
transform over whole distributions of direction; Duda & Hart 1972), and the best few are improved.
Refining solves for the point by iteratively reweighted least squares with Tukey's biweight
(Holland & Welsch 1977). Residuals are angles, so a pith far outside the picture is treated like
one inside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.directions import ANGLES, Directions
from slabvision.estimate import named_rng

__all__ = [
    "Candidate",
    "Explained",
    "circles_worth",
    "find_centres",
    "refine_centre",
    "share_agreeing",
    "softened",
]

Floats = NDArray[np.float64]

Candidate = tuple[float, Floats]
"""What a centre is worth, and where it is (row, col)."""

FAINT = 0.08
"""Mean weight below which rings are faint."""
WITNESS_SIZE = 10.0
"""Neighbouring cells share their errors; about one in ten is an independent witness."""
RADIAL = 0.8
"""What a line running towards a centre (ray, check, stain) is worth; a ring is 1."""
SOFT_DEG = 5.0
"""Rings are not circles: a line this far off still counts for more than half."""
REACH = 4.0
"""Centres up to this many long sides from the middle of the wood are tried."""
FINE = 96
"""Directions in a table that is read without interpolation."""
JURY = 350
"""Cells that judge all centres; the best few are judged by all cells."""


@dataclass(frozen=True)
class Explained:
    """What a circle or a ray explains where it runs through a cell, by its direction.

    Attributes
    ----------
    centre : ndarray, shape (N, 2)
        Row and column of the cells.
    table : ndarray of float32, shape (N, FINE)
        Column k: the circle's normal lies at ``k * 180 / FINE`` degrees.
    """

    centre: Floats
    table: NDArray[np.float32]


def softened(directions: Directions) -> Explained:
    """Return what circles and rays explain, spread over a few degrees: rings are not circles."""
    away = np.minimum(np.arange(ANGLES), ANGLES - np.arange(ANGLES)) * (180.0 / ANGLES)
    kernel = np.exp(-0.5 * (away / SOFT_DEG) ** 2)
    spectrum = np.fft.rfft(directions.lines, axis=1) * np.fft.rfft(kernel / kernel.sum())
    fine = np.fft.irfft(spectrum, n=FINE, axis=1) * (FINE / ANGLES)
    table = (fine + RADIAL * np.roll(fine, FINE // 2, axis=1)) / (directions.lines.mean() + 1e-12)
    return Explained(directions.centre, table.astype(np.float32))


def circles_worth(
    centres: Floats,
    soft: Explained,
    middle: Floats,
    long_side: float,
    rows: NDArray[np.int64] | slice = slice(None),
) -> Floats:
    """Return what circles round each centre (N, 2), and lines towards it, explain of what is seen.

    Parameters
    ----------
    centres : ndarray, shape (N, 2)
    soft : Explained
    middle : ndarray, shape (2,)
        Of the wood.
    long_side : float
        Of the wood, pixels.
    rows : optional
        Cells that judge; all if not given.
    """
    table, cells = soft.table[rows], soft.centre[rows].astype(np.float32)
    away = centres.astype(np.float32)[:, None, :] - cells[None]
    place = np.arctan2(away[..., 0], away[..., 1]) * np.float32(FINE / np.pi)
    column = np.rint(place).astype(np.int32) % FINE
    told = table.ravel()[column + np.arange(len(cells), dtype=np.int32) * FINE].mean(axis=1)
    # A board is cut from a log: the pith is rarely several widths away, saw marks always seem so.
    far = np.hypot(*(centres - middle).T) / (5.0 * long_side)
    return np.asarray(told / (1 + far**2), dtype=np.float64)


def _places(points: Floats, long_side: float) -> Floats:
    """Return where the pith may be: a grid over and near the wood, rings of places farther out."""
    low, high = points.min(axis=0), points.max(axis=0)
    step = long_side / 26
    margin = 0.25 * long_side
    rows = np.arange(low[0] - margin, high[0] + margin, step)
    cols = np.arange(low[1], high[1] + step, step)
    near = np.stack(np.meshgrid(rows, cols, indexing="ij"), axis=-1).reshape(-1, 2)
    turn = np.deg2rad(np.arange(0.0, 360.0, 5.0))
    radius = long_side * np.geomspace(0.4, REACH, 10)
    far = np.stack([np.outer(np.sin(turn), radius), np.outer(np.cos(turn), radius)], axis=-1)
    return np.concatenate([near, far.reshape(-1, 2) + 0.5 * (low + high)])


def find_centres(
    directions: Directions, long_side: float, *, hint: Floats | None = None, keep: int = 4
) -> list[Candidate]:
    """Return the few best centres, best first.

    Parameters
    ----------
    directions : Directions
        What runs which way.
    long_side : float
        Of the wood, pixels.
    hint : ndarray, shape (2,), optional
        Where to start instead of everywhere.
    keep : int
        So many centres that differ as seen from the wood are improved.
    """
    soft = softened(directions)
    points = directions.centre
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    if hint is not None:
        starts = hint[None]
    else:
        places = _places(points, long_side)
        rng = named_rng("end grain: jury")
        jury = rng.choice(len(points), min(len(points), JURY), replace=False)
        worth = circles_worth(places, soft, middle, long_side, jury)
        starts = _apart(places[np.argsort(-worth)[:400]], middle, long_side, keep)
    turn = np.arange(8) * np.pi / 4
    around = np.stack([np.sin(turn), np.cos(turn)], axis=1)
    found: list[Candidate] = []
    for start in starts:
        best, here = float(circles_worth(start[None], soft, middle, long_side)[0]), start
        step = max(long_side / 26, 0.12 * float(np.hypot(*(start - middle))))
        for _ in range(8):  # uphill, in ever smaller steps
            trial = here + step * around
            worth = circles_worth(trial, soft, middle, long_side)
            k = int(np.argmax(worth))
            if worth[k] > best:
                best, here = float(worth[k]), trial[k]
            else:
                step /= 2
        found.append((best, here))
    return sorted(found, key=lambda one: -one[0])


def _apart(places: Floats, middle: Floats, long_side: float, keep: int) -> Floats:
    """Keep the best few centres that differ as seen from the wood."""
    away = places - middle
    # Far away only the direction counts: squeeze all distances into a disc.
    squeezed = away / (long_side + np.hypot(away[:, 0], away[:, 1]))[:, None]
    chosen: list[int] = []
    for k in range(len(places)):
        if all(np.hypot(*(squeezed[k] - squeezed[j])) > 0.1 for j in chosen):
            chosen.append(k)
        if len(chosen) == keep:
            break
    return places[chosen]


def share_agreeing(directions: Directions, centre: Floats) -> tuple[Floats, Floats]:
    """Return what runs round a centre or towards it, and what runs at all, in each cell (N,)."""
    away = centre - directions.centre
    angle = np.arctan2(away[:, 0], away[:, 1])
    rings = np.max([directions.at(angle + d) for d in np.deg2rad([-10.0, 0.0, 10.0])], axis=0)
    rays = np.max(
        [directions.at(angle + np.pi / 2 + d) for d in np.deg2rad([-10.0, 0.0, 10.0])], axis=0
    )
    return np.maximum(rings, rays), directions.lines.max(axis=1)


def refine_centre(
    start: Floats,
    points: Floats,
    normals: Floats,
    weights: Floats,
    *,
    cut_deg: float = 20.0,
    soft_px: float = 1.0,
    rounds: int = 12,
    hold: Floats | None = None,
) -> tuple[Floats, Floats, Floats]:
    """Improve a centre by iteratively reweighted least squares on angles.

    Parameters
    ----------
    start : ndarray, shape (2,)
        Row and column to start from.
    points, normals, weights : ndarray
        Where, which way across the rings, and how far to believe it.
    cut_deg : float
        Normals farther off than this are rejected.
    soft_px : float
        Added to every distance, so that points next to the centre do not decide alone.
    rounds : int
        At most so many turns.
    hold : ndarray, shape (2, 2), optional
        Covariance of the start, pixels squared: one more witness.

    Returns
    -------
    centre : ndarray, shape (2,)
    covariance : ndarray, shape (2, 2)
        From the scatter of the residuals, pixels squared.
    trust : ndarray, shape (N,)
        Tukey weight of each normal, 0 where it was rejected.
    """
    centre = np.asarray(start, dtype=np.float64)
    cut = np.sin(np.deg2rad(cut_deg))
    trust = np.zeros(points.shape[0])
    cov = np.eye(2) * 1e6
    tangent = np.stack([normals[:, 1], -normals[:, 0]], axis=1)
    for _ in range(rounds):
        away = centre - points
        distance = np.hypot(away[:, 0], away[:, 1])
        residual = (tangent * away).sum(axis=1)
        sine = residual / (distance + soft_px)
        trust = np.clip(1 - (sine / cut) ** 2, 0, None) ** 2
        w = weights * trust / (distance + soft_px) ** 2
        normal_matrix = (tangent * w[:, None]).T @ tangent
        normal_matrix += np.eye(2) * (1e-9 * np.trace(normal_matrix) + 1e-15)
        right = (w * (tangent * points).sum(axis=1)) @ tangent
        kept = weights * trust
        spread = float((kept * sine**2).sum() / (kept.sum() + 1e-12))
        if hold is not None:
            # In the unit of the sums: weight per independent witness of unit variance.
            size = kept.sum() / _witnesses(kept)
            # Faint rings err together (stain, ghosts of the grid), so they count for less.
            faint = max(1.0, FAINT * weights.size / (kept.sum() + 1e-12)) ** 2
            holding = np.linalg.inv(hold) * max(spread, 1e-4) * size * faint
            normal_matrix += holding
            right += holding @ np.asarray(start)
        new = np.linalg.solve(normal_matrix, right)
        moved = float(np.hypot(*(new - centre)))
        centre = new
        if moved < 0.02:
            break
    kept = weights * trust
    if kept.sum() > 0:
        spread = float((kept * sine**2).sum() / kept.sum())
        cov = np.linalg.inv(normal_matrix) * max(spread, 1e-4) * kept.sum() / _witnesses(kept)
        if hold is not None:
            cov *= max(1.0, FAINT * weights.size / kept.sum())
    return centre, cov, trust


def _witnesses(kept: Floats) -> float:
    """Return how many independent witnesses the weights amount to."""
    return max(3.0, float(kept.sum() ** 2 / ((kept**2).sum() + 1e-12)) / WITNESS_SIZE)
