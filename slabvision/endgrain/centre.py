"""The pith: the point that the normals of the rings pass near.

Robust voting (random pairs of normals, Fischler & Bolles 1981) followed by iteratively reweighted
least squares with Tukey's biweight (Holland & Welsch 1977). Residuals are angles, so a pith far
outside the picture is treated like one inside it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["refine_centre", "score_centres", "vote_for_centre"]

Floats = NDArray[np.float64]

FAINT = 0.08
"""Mean weight below which rings are faint."""
WITNESS_SIZE = 10.0
"""Neighbouring cells share their errors; about one in ten is an independent witness."""


def _sines(centres: Floats, points: Floats, normals: Floats) -> Floats:
    """Return the sine of the angle between each normal and the direction to each centre."""
    away = centres[:, None, :] - points[None, :, :]
    across = away[..., 0] * normals[:, 1] - away[..., 1] * normals[:, 0]
    return np.asarray(across / (np.hypot(away[..., 0], away[..., 1]) + 1e-9))


def score_centres(
    centres: Floats,
    points: Floats,
    normals: Floats,
    weights: Floats,
    *,
    sigma_deg: float = 8.0,
    radial: float = 0.0,
) -> Floats:
    """Return the weighted share of directions that point to each centre (0 to 1).

    ``radial`` counts lines that run towards the centre (rays, checks, stain along the rays) as so
    much of a ring: they point to the pith as well.
    """
    sines = _sines(centres, points, normals) ** 2
    width = 0.5 / np.sin(np.deg2rad(sigma_deg)) ** 2
    kernel = np.exp(-width * sines)
    if radial > 0:
        kernel += radial * np.exp(-width * (1 - sines))
    return np.asarray(kernel @ weights / (weights.sum() + 1e-12))


def vote_for_centre(
    points: Floats,
    normals: Floats,
    weights: Floats,
    *,
    rng: np.random.Generator,
    reach: float,
    pairs: int = 600,
    voters: int = 1200,
    radial: float = 0.0,
) -> tuple[Floats, Floats]:
    """Return candidate centres, best first, and their scores.

    Parameters
    ----------
    points, normals : ndarray, shape (N, 2)
        Cells and unit vectors across the rings, row and column.
    weights : ndarray, shape (N,)
        How much each is believed.
    rng : Generator
        For the random pairs.
    reach : float
        Centres farther than this from the middle of the points are not considered, pixels.
    pairs, voters : int
        How many pairs are drawn and how many cells judge them.
    radial : float
        What a line that runs towards the centre is worth (a ring is 1).
    """
    p = weights / weights.sum()
    first, second = rng.choice(points.shape[0], size=(2, pairs), p=p)
    a, b = points[first], points[second]
    m, n = normals[first], normals[second]
    det = m[:, 1] * n[:, 0] - m[:, 0] * n[:, 1]
    ok = np.abs(det) > np.sin(np.deg2rad(1.5))
    a, b, m, n, det = a[ok], b[ok], m[ok], n[ok], det[ok]
    gap = b - a
    along = (gap[:, 1] * n[:, 0] - gap[:, 0] * n[:, 1]) / det
    centres = a + along[:, None] * m
    middle = np.average(points, axis=0, weights=weights)
    centres = centres[np.hypot(*(centres - middle).T) < reach]
    if not centres.size:
        return np.empty((0, 2)), np.empty(0)
    jury = rng.choice(points.shape[0], size=min(voters, points.shape[0]), p=p)
    scores = score_centres(centres, points[jury], normals[jury], np.ones(jury.size), radial=radial)
    order = np.argsort(-scores)
    return centres[order], scores[order]


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
        residual = np.einsum("ij,ij->i", tangent, away)
        sine = residual / (distance + soft_px)
        trust = np.clip(1 - (sine / cut) ** 2, 0, None) ** 2
        w = weights * trust / (distance + soft_px) ** 2
        normal_matrix = np.einsum("i,ij,ik->jk", w, tangent, tangent)
        normal_matrix += np.eye(2) * (1e-9 * np.trace(normal_matrix) + 1e-15)
        right = np.einsum("i,ij,ij,ik->k", w, tangent, points, tangent)
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
