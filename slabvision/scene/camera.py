"""A phone's camera: pinhole, principal point, radial distortion, and where it stands.

World coordinates are those of the plane that is photographed: (u, v) on it, ``w`` into the wood,
mm. The distortion is OpenCV's: ``x_d = x (1 + k1 r² + k2 r⁴)`` for coordinates divided by the
focal length. Pixel points are (row, col).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from slabvision.scene.fill import Array
from slabvision.scene.noise import enlarge

__all__ = ["LENSES", "Camera", "Lens", "aim", "fit_distance"]


@dataclass(frozen=True)
class Lens:
    """A lens: focal length, 35-mm equivalent and opening as the phone says, real distortion."""

    focal_mm: float
    focal35_mm: float
    opening_mm: float
    k1_spread: float
    k2_spread: float


LENSES = {
    "main": Lens(5.4, 26.0, 3.0, 0.010, 0.004),
    "ultra-wide": Lens(1.9, 13.0, 0.9, 0.025, 0.008),
}
"""Invented phone lenses; 26 and 13 mm are the usual equivalents (common knowledge, no source)."""
_WIDEST = 2.5
"""Tangent of the widest angle a lens is known for: further out distortion grows no more."""


@dataclass(frozen=True, eq=False)
class Camera:
    """Where a camera stands and how it draws.

    Attributes
    ----------
    shape : (int, int)
        Rows, columns of the upright picture.
    focal_px : float
        Focal length in pixels.
    centre : (float, float)
        Principal point, (row, col).
    k1, k2 : float
        Radial distortion.
    rotation : ndarray, shape (3, 3)
        From world to camera axes (x right, y down, z forward).
    position : ndarray, shape (3,)
        Where the lens stands in the world, mm.
    """

    shape: tuple[int, int]
    focal_px: float
    centre: tuple[float, float]
    k1: float
    k2: float
    rotation: Array
    position: Array

    def depth(self, points: Array) -> Array:
        """Return how far world points (N, 3) lie before the lens along its axis, mm."""
        return np.asarray((points - self.position) @ self.rotation[2])

    def project(self, points: Array) -> Array:
        """Return (row, col) of world points (N, 3), all of them before the lens."""
        p = (np.atleast_2d(np.asarray(points, np.float64)) - self.position) @ self.rotation.T
        x, y = p[:, 0] / p[:, 2], p[:, 1] / p[:, 2]
        r2 = np.minimum(x * x + y * y, _WIDEST**2)
        stretch = 1.0 + self.k1 * r2 + self.k2 * r2 * r2
        return np.column_stack(
            [y * stretch * self.focal_px + self.centre[0],
             x * stretch * self.focal_px + self.centre[1]]
        )  # fmt: skip

    def rays(self, points: Array) -> Array:
        """Return world directions (N, 3) of the rays through (row, col) points."""
        points = np.atleast_2d(np.asarray(points, np.float64))
        yd = (points[:, 0] - self.centre[0]) / self.focal_px
        xd = (points[:, 1] - self.centre[1]) / self.focal_px
        rd = np.hypot(xd, yd)
        r = rd.copy()
        for _ in range(12):  # Newton; converges to rounding for phone lenses
            r2 = r * r
            error = r * (1.0 + self.k1 * r2 + self.k2 * r2 * r2) - rd
            r -= error / (1.0 + 3.0 * self.k1 * r2 + 5.0 * self.k2 * r2 * r2)
        scale = np.where(rd > 1e-12, r / np.maximum(rd, 1e-12), 1.0)
        return np.column_stack([xd * scale, yd * scale, np.ones(len(rd))]) @ self.rotation

    def to_plane(self, points: Array, w: Array | float = 0.0) -> Array:
        """Return (u, v) where rays through (row, col) points meet the plane at depth ``w``.

        Rays that never meet it give NaN.
        """
        rays = self.rays(points)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (w - self.position[2]) / rays[:, 2]
        t = np.where(t > 0, t, np.nan)
        return np.asarray(self.position[:2] + t[:, None] * rays[:, :2])

    def plane_maps(self, axis: int = 2, level: float = 0.0, reach: float = 4e4) -> list[Array]:
        """Return, for every pixel, the two other world coordinates on a plane ``axis = level``.

        Float32, computed on every eighth pixel or finer and enlarged (exact to a few hundredths
        of a pixel). Rays that do not meet the plane, or only beyond ``reach`` mm, give places at
        least ``reach`` away.
        """
        factor = 8 if self.shape[1] > 3000 else 4 if self.shape[1] > 1400 else 2
        rows, cols = (-(-n // factor) + 2 for n in self.shape)
        r = (np.arange(rows) - 1) * factor + (factor - 1) / 2
        c = (np.arange(cols) - 1) * factor + (factor - 1) / 2
        rr, cc = np.meshgrid(r, c, indexing="ij")
        rays = self.rays(np.column_stack([rr.ravel(), cc.ravel()]))
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (level - self.position[axis]) / rays[:, axis]
        t = np.where((t > 0) & (t < reach), t, 1e3 * reach)
        others = [k for k in range(3) if k != axis]
        return [
            enlarge((self.position[k] + t * rays[:, k]).reshape(rows, cols), factor, self.shape)
            for k in others
        ]

    def defocus(self, opening_mm: float, focus_mm: float) -> Array:
        """Return the blur (sigma, pixels) of the plane ``w = 0``, one value per 32 x 32 pixels.

        A thin lens focused at a distance draws a point at another one as a disc of
        ``opening x focal_px x |1/distance - 1/focus|``; a disc spreads as much as a Gaussian of a
        quarter of its diameter.
        """
        rows, cols = (-(-n // 32) for n in self.shape)
        rr, cc = np.meshgrid(
            np.arange(rows) * 32 + 15.5, np.arange(cols) * 32 + 15.5, indexing="ij"
        )
        rays = self.rays(np.column_stack([rr.ravel(), cc.ravel()]))
        with np.errstate(divide="ignore"):
            far = -self.position[2] / rays[:, 2]
        nearness = np.where(far > 0, 1.0 / np.maximum(far, 100.0), 0.0).reshape(rows, cols)
        return np.asarray(0.25 * opening_mm * self.focal_px * np.abs(nearness - 1.0 / focus_mm))

    def resized(self, shape: tuple[int, int]) -> Camera:
        """Return the camera of the same picture shrunk to another size."""
        s = shape[1] / self.shape[1]
        r, c = self.centre
        return replace(
            self, shape=shape, focal_px=self.focal_px * s,
            centre=((r + 0.5) * s - 0.5, (c + 0.5) * s - 0.5),
        )  # fmt: skip


def aim(
    target: Array,
    distance_mm: float,
    tilt_deg: float,
    azimuth_deg: float,
    roll_deg: float,
    *,
    steady: bool,
) -> tuple[Array, Array]:
    """Return rotation and position of a camera that looks at a target on the plane.

    Parameters
    ----------
    target : ndarray, shape (3,)
        World point in the middle of the picture.
    distance_mm, tilt_deg, azimuth_deg : float
        Where the camera stands: distance, angle off the plane's normal, and direction in the
        plane (0: along +u, 90: along +v, the near side of an upright picture).
    roll_deg : float
        Turn of the camera about its axis.
    steady : bool
        True: the picture's rows follow +u as nearly as they can; False: they are level.
    """
    tilt, azimuth = np.radians([tilt_deg, azimuth_deg])
    back = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), -np.cos(tilt)])
    forward = -back
    if steady:
        right = np.array([1.0, 0.0, 0.0]) - forward * forward[0]
    else:
        right = np.cross([0.0, 0.0, 1.0], forward)
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    rotation = np.stack([c * right + s * down, c * down - s * right, forward])
    return rotation, np.asarray(target, np.float64) + distance_mm * back


def fit_distance(
    camera: Camera, points: Array, pose: tuple[float, float, float], *, margin: float, steady: bool
) -> tuple[Camera, float]:
    """Move a camera until world points just fill its picture, and centre them.

    ``pose`` is (tilt, azimuth, roll) in degrees. Returns the camera and its distance.
    """
    points = np.asarray(points, np.float64)
    target = (points.min(axis=0) + points.max(axis=0)) / 2
    rows, cols = camera.shape
    distance = 0.0
    for _ in range(4):
        near, far = 200.0, 30_000.0
        for _ in range(40):
            middle = (near + far) / 2
            placed = _placed(camera, target, middle, pose, steady)
            depth = (points - placed.position) @ placed.rotation[2]
            at = placed.project(points)
            fits = depth.min() > 50 and bool(np.all(
                (at > [margin * rows, margin * cols])
                & (at < [(1 - margin) * rows, (1 - margin) * cols])
            ))  # fmt: skip
            near, far = (near, middle) if fits else (middle, far)
        distance = far
        placed = _placed(camera, target, distance, pose, steady)
        at = placed.project(points)
        centre = (at.min(axis=0) + at.max(axis=0)) / 2
        ray = placed.rays(np.array([centre, [(rows - 1) / 2, (cols - 1) / 2]]))
        hit = placed.position + ray * ((target[2] - placed.position[2]) / ray[:, 2:3])
        target = target + (hit[0] - hit[1])
    return _placed(camera, target, distance, pose, steady), distance


def _placed(camera: Camera, target: Array, distance: float, pose: tuple[float, float, float],
            steady: bool) -> Camera:  # fmt: skip
    rotation, position = aim(target, distance, *pose, steady=steady)
    return replace(camera, rotation=rotation, position=position)
