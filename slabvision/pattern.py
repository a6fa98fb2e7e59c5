"""A mark as a flat pattern of known shape, laid on the plane of each view.

Position and turn of the pattern in the plane are found in closed form; what is left over is
turned into pixels by the local scale and divided by the picking error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.view import Views

__all__ = ["Lay", "Pattern", "lay_pattern"]

Floats: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True)
class Pattern:
    """A mark as the model sees it.

    Attributes
    ----------
    xy : ndarray (N, 2)
        Image points, x first.
    base : ndarray (N, 2)
        The same points on the object, millimetres around their mean.
    modes : ndarray (M, N, 2)
        Changes of the object's shape by one standard uncertainty, independent of other photos.
    common : tuple of (int, ndarray (N, 2))
        Such changes that are shared by name: column of the parameters, and change.
    along_u_mm : float
        Independent uncertainty of each point along the first axis (readings of a tape).
    sigma_px : float
        Picking error, each coordinate.
    height_mm : float
        Height above the face; the expected one where it is uncertain.
    height_column : int
        Column of the standard normal that moves it by ``height_u_mm``, or -1.
    height_u_mm : float
        Standard uncertainty of the height.
    height_wide : int
        Column of the heights drawn from a prior that is not normal, or -1.
    """

    xy: Floats
    base: Floats
    modes: Floats
    common: tuple[tuple[int, Floats], ...]
    along_u_mm: float
    sigma_px: float
    height_mm: float = 0.0
    height_column: int = -1
    height_u_mm: float = 0.0
    height_wide: int = -1


@dataclass(frozen=True)
class Lay:
    """A pattern laid on the plane of each view as well as it goes.

    Attributes
    ----------
    mm : (ndarray (K, N), ndarray (K, N))
        Where the image points lie in the plane.
    shrink : ndarray (K, 1)
        Scale of the mark's own plane against the face's.
    inverse : four ndarrays (K, N)
        Pixels per millimetre.
    cos, sin : ndarray (K, 1)
        Turn of the pattern.
    residual : ndarray (K, 2N)
        Picture residual before position and turn are refined.
    columns : tuple of ndarray (K, 2N)
        Its derivatives by position, turn and the pattern's own errors.
    log_spread, log_density : ndarray (K,)
        Logarithms of the size of the picking error and of the pixels per millimetre.
    """

    mm: tuple[Floats, Floats]
    shrink: Floats
    inverse: tuple[Floats, Floats, Floats, Floats]
    cos: Floats
    sin: Floats
    residual: Floats
    columns: tuple[Floats, ...]
    log_spread: Floats
    log_density: Floats
    sigma_px: float
    stretch: tuple[Floats, Floats, Floats] | None

    def in_pixels(self, dx: Floats, dy: Floats) -> Floats:
        """Turn a displacement in the plane into one in the picture, (K, 2N)."""
        i00, i01, i10, i11 = self.inverse
        return np.concatenate([i00 * dx + i01 * dy, i10 * dx + i11 * dy], axis=1)

    def turned(self, change: Floats) -> Floats:
        """Return the effect of a change of the pattern on the residual, (K, 2N)."""
        cx, cy = change[:, 0], change[:, 1]
        return -self.in_pixels(self.cos * cx - self.sin * cy, self.sin * cx + self.cos * cy)

    def whiten(self, rows: Floats) -> Floats:
        """Divide rows (K, R, 2N) by the picking error."""
        if self.stretch is None:
            return rows / self.sigma_px
        ux, uy, loss = self.stretch
        n = ux.shape[1]
        along = (rows[:, :, :n] * ux[:, None] + rows[:, :, n:] * uy[:, None]) * loss[:, None]
        flat = np.concatenate(
            [rows[:, :, :n] - along * ux[:, None], rows[:, :, n:] - along * uy[:, None]], axis=2
        )
        return flat / self.sigma_px


def lay_pattern(pattern: Pattern, views: Views, theta: Floats, wide: Floats) -> Lay:
    """Lay a pattern on the plane of each view."""
    x, y = pattern.xy[:, 0], pattern.xy[:, 1]
    (px, py), (xx, xy, yx, yy) = views.local(x, y)
    height = np.full((len(theta), 1), pattern.height_mm)
    if pattern.height_column >= 0:
        col = pattern.height_column
        height = height + pattern.height_u_mm * theta[:, col : col + 1]
    if pattern.height_wide >= 0:
        height = wide[:, pattern.height_wide : pattern.height_wide + 1]
    shrink = 1 - height / views.distance_mm[:, None]
    shrink = np.where(shrink > 0.01, shrink, np.nan)
    px, py = px * shrink, py * shrink
    det = (xx * yy - xy * yx) * shrink
    inverse = (yy / det, -xy / det, -yx / det, xx / det)
    base = pattern.base[None]
    for column, change in pattern.common:
        base = base + theta[:, column, None, None] * change
    bx, by = base[:, :, 0], base[:, :, 1]
    mx, my = px.mean(axis=1, keepdims=True), py.mean(axis=1, keepdims=True)
    qx, qy = px - mx, py - my
    c = (bx * qx + by * qy).sum(axis=1, keepdims=True)
    s = (bx * qy - by * qx).sum(axis=1, keepdims=True)
    size = np.sqrt(c * c + s * s)
    cos, sin = c / size, s / size
    tx, ty = cos * bx - sin * by, sin * bx + cos * by
    i00, i01, i10, i11 = inverse
    ex, ey = qx - tx, qy - ty
    residual = np.concatenate([i00 * ex + i01 * ey, i10 * ex + i11 * ey], axis=1)
    columns = [
        -np.concatenate([i00, i10], axis=1),
        -np.concatenate([i01, i11], axis=1),
        -np.concatenate([-i00 * ty + i01 * tx, -i10 * ty + i11 * tx], axis=1),
    ]
    for mode in pattern.modes:
        ux, uy = cos * mode[:, 0] - sin * mode[:, 1], sin * mode[:, 0] + cos * mode[:, 1]
        columns.append(-np.concatenate([i00 * ux + i01 * uy, i10 * ux + i11 * uy], axis=1))
    log_spread = np.full(len(theta), 2 * len(x) * math.log(pattern.sigma_px))
    stretch = None
    if pattern.along_u_mm > 0:
        vx = pattern.along_u_mm * (i00 * cos + i01 * sin)
        vy = pattern.along_u_mm * (i10 * cos + i11 * sin)
        v2 = vx * vx + vy * vy
        grow = np.sqrt(1 + v2 / pattern.sigma_px**2)
        v = np.sqrt(np.maximum(v2, 1e-300))
        stretch = (vx / v, vy / v, 1 - 1 / grow)
        log_spread = log_spread + np.log(grow).sum(axis=1)
    middle = np.log(np.abs(i00 * i11 - i01 * i10)).mean(axis=1)
    return Lay(
        (px, py), shrink, inverse, cos, sin, residual, tuple(columns), log_spread, middle,
        pattern.sigma_px, stretch,
    )  # fmt: skip
