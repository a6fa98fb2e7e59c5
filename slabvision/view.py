"""A pinhole view of a plane: what a photo shows of a flat face, and back.

The face's plane is Z = depth + slope . (X, Y) in the camera's frame, Z along the optical axis.
A sight through the undistorted image point (x, y), in focal lengths from the principal point,
meets it at Z = depth / (1 - slope . (x, y)); where the divisor is not positive the sight passes
the horizon. Lengths on the plane follow from the metric I + slope slopeᵀ, whose square root
maps (X, Y) to millimetres in the plane. Radial distortion is the division model of Fitzgibbon
(CVPR 2001), undistorted = distorted / (1 + k1 r² + k2 r⁴), with r in focal lengths: closed form
towards the plane, and to first order the k1 and k2 of OpenCV.

Everything here works on a batch of K views at once; image points are (x, y) pixels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.marks import PlaneError

__all__ = ["NEAR_HORIZON", "Camera", "Views"]

Floats: TypeAlias = NDArray[np.float64]

NEAR_HORIZON = 0.02
"""Sights this close to the horizon (as part of the straight-ahead distance) are cut there."""

_MAIN_LENS_DIAGONALS = 0.66
"""Focal length over picture diagonal of a 28.5 mm equivalent: phones' main lenses are 23 to 30 mm
(common practice, no source)."""
_UNKNOWN_LENS_U = 0.30
"""Logarithmic standard uncertainty of an unknown lens: 16 to 52 mm equivalents in two u."""


_UNKNOWN_K1_U = 0.03
"""Distortion of a lens of which nothing is said, in the picture as stored (type B)."""
_K2_BY_K1 = 1 / 3
"""Standard uncertainty of the second term beside that of the first (type B): without it a long
tape across an ultra-wide picture fixes the first term far better than the lens obeys it."""


@dataclass(frozen=True)
class Camera:
    """What is known of the camera before any mark is looked at.

    Attributes
    ----------
    shape : (height, width)
        Size of the photo, pixels.
    focal_px : float or None
        Focal length in pixels; ``None`` when not known: a phone's main lens is then the guess.
    focal_u : float
        Its relative standard uncertainty (at least 0.3 when ``focal_px`` is ``None``).
    k1_u : float
        Standard uncertainty of the first radial distortion term around 0, for coordinates
        divided by the focal length (at least 0.03 when ``focal_px`` is ``None``).
    centre_u : float
        Standard uncertainty of the principal point, as part of the picture's diagonal, around
        the middle of the picture.
    shared : str
        Name of the phone or camera: photos that share it share draws of its focal length and
        distortion.
    """

    shape: tuple[int, int]
    focal_px: float | None = None
    focal_u: float = 0.03
    k1_u: float = 0.01
    centre_u: float = 0.002
    shared: str = ""

    def __post_init__(self) -> None:
        if len(self.shape) < 2 or min(self.shape[:2]) < 2:
            raise PlaneError(f"camera: picture shape is {self.shape}; (height, width) is needed")
        object.__setattr__(self, "shape", (int(self.shape[0]), int(self.shape[1])))
        if self.focal_px is not None and not 0.1 * self.diagonal_px <= self.focal_px < math.inf:
            raise PlaneError(
                f"camera: focal length is {self.focal_px:g} px; for a picture of "
                f"{self.shape[1]} x {self.shape[0]} it must be over {0.1 * self.diagonal_px:.0f}"
            )
        for field, top in (("focal_u", 1.0), ("k1_u", 1.0), ("centre_u", 0.3)):
            value = getattr(self, field)
            if not 0 <= value <= top:
                raise PlaneError(f"camera: {field} is {value}; it must be 0 to {top:g}")

    @property
    def diagonal_px(self) -> float:
        """Diagonal of the picture."""
        return math.hypot(*self.shape)

    @property
    def centre_xy(self) -> tuple[float, float]:
        """Middle of the picture, (x, y)."""
        return (self.shape[1] - 1) / 2, (self.shape[0] - 1) / 2

    @property
    def focal_guess(self) -> tuple[float, float]:
        """Focal length in pixels and its logarithmic standard uncertainty."""
        if self.focal_px is None:
            return _MAIN_LENS_DIAGONALS * self.diagonal_px, max(self.focal_u, _UNKNOWN_LENS_U)
        return self.focal_px, self.focal_u

    @property
    def lens_k1_u(self) -> float:
        """Standard uncertainty of k1: of an unknown lens, at least 0.03."""
        return max(self.k1_u, _UNKNOWN_K1_U) if self.focal_px is None else self.k1_u

    @property
    def lens_k2_u(self) -> float:
        """Standard uncertainty of k2."""
        return _K2_BY_K1 * self.lens_k1_u


@dataclass(frozen=True)
class Views:
    """K views of one plane, each (K,) or (K, 2) with x first.

    Attributes
    ----------
    slope : ndarray (K, 2)
        Rise of the plane in depth per millimetre across the view.
    depth_mm : ndarray (K,)
        Distance along the optical axis.
    focal_px, k1, k2 : ndarray (K,)
        Focal length and radial distortion.
    centre : ndarray (K, 2)
        Principal point.
    """

    slope: Floats
    depth_mm: Floats
    focal_px: Floats
    k1: Floats
    k2: Floats
    centre: Floats

    def __len__(self) -> int:
        return len(self.depth_mm)

    def take(self, rows: NDArray[np.intp] | slice) -> Views:
        """Return some of the views."""
        return Views(
            self.slope[rows],
            self.depth_mm[rows],
            self.focal_px[rows],
            self.k1[rows],
            self.k2[rows],
            self.centre[rows],
        )

    @property
    def tilt_deg(self) -> Floats:
        """Angle between the optical axis and the plane's normal, (K,)."""
        tilt = np.arctan(np.hypot(self.slope[:, 0], self.slope[:, 1]))
        return np.asarray(np.degrees(tilt), dtype=np.float64)

    @property
    def distance_mm(self) -> Floats:
        """Perpendicular distance from the camera to the plane, (K,)."""
        return np.asarray(self.depth_mm / np.sqrt(1 + (self.slope**2).sum(axis=1)))

    @property
    def foot(self) -> tuple[Floats, Floats]:
        """Place in the plane right under the camera, (K, 1) each, mm."""
        under = -self.slope * (self.depth_mm / (1 + (self.slope**2).sum(axis=1)))[:, None]
        return self._rooted(under[:, :1], under[:, 1:])

    def sights(self, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Undistort image points.

        Returns
        -------
        xu, yu, ahead, part : ndarray (K, N)
            Undistorted position; 1 - slope . (xu, yu), positive in front of the horizon; and
            1 + k1 r² + k2 r⁴, positive where the distortion model holds.
        """
        xd = (x - self.centre[:, :1]) / self.focal_px[:, None]
        yd = (y - self.centre[:, 1:]) / self.focal_px[:, None]
        r2 = xd * xd + yd * yd
        part = 1 + (self.k1[:, None] + self.k2[:, None] * r2) * r2
        safe = np.where(part > 0, part, np.nan)
        xu, yu = xd / safe, yd / safe
        ahead = 1 - (self.slope[:, :1] * xu + self.slope[:, 1:] * yu)
        return xu, yu, ahead, part

    def on_plane(self, x: Floats, y: Floats, least: float = 0.0) -> tuple[Floats, Floats]:
        """Millimetres in the plane of image points, (K, N) each.

        Past the horizon they are NaN, or with ``least`` cut off where 1 - slope . (x, y) is that.
        """
        xu, yu, ahead, _ = self.sights(x, y)
        ahead = np.maximum(ahead, least) if least else np.where(ahead > 1e-9, ahead, np.nan)
        reach = self.depth_mm[:, None] / ahead
        return self._rooted(xu * reach, yu * reach)

    def _rooted(self, sx: Floats, sy: Floats) -> tuple[Floats, Floats]:
        ax, ay = self.slope[:, :1], self.slope[:, 1:]
        kappa = 1 / (1 + np.sqrt(1 + ax * ax + ay * ay))
        dot = kappa * (ax * sx + ay * sy)
        return sx + ax * dot, sy + ay * dot

    def in_image(self, px: Floats, py: Floats) -> tuple[Floats, Floats]:
        """Image points of points in the plane, (K, N) each; NaN behind the camera."""
        ax, ay = self.slope[:, :1], self.slope[:, 1:]
        root = np.sqrt(1 + ax * ax + ay * ay)
        dot = (ax * px + ay * py) / (root * (1 + root))
        sx, sy = px - ax * dot, py - ay * dot
        z = self.depth_mm[:, None] + ax * sx + ay * sy
        z = np.where(z > 1e-9, z, np.nan)
        xu, yu = sx / z, sy / z
        grow = self._bent(xu * xu + yu * yu)
        f = self.focal_px[:, None]
        return xu * grow * f + self.centre[:, :1], yu * grow * f + self.centre[:, 1:]

    def _bent(self, u2: Floats) -> Floats:
        """Return distorted over undistorted radius for squared undistorted radii, (K, N)."""
        k1, k2 = self.k1[:, None], self.k2[:, None]
        inner = 1 - 4 * k1 * u2
        grow = 2 / (1 + np.sqrt(np.where(inner >= 0, inner, np.nan)))  # exact without k2
        if not self.k2.any():
            return np.asarray(grow)
        with np.errstate(all="ignore"):
            for _ in range(20):  # Newton on grow = 1 + k1 r² + k2 r⁴, with r² = u² grow²
                r2 = u2 * grow * grow
                off = grow - 1 - (k1 + k2 * r2) * r2
                step = off / (1 - 2 * u2 * grow * (k1 + 2 * k2 * r2))
                grow = grow - step
                if not np.nanmax(np.abs(step), initial=0.0) > 1e-13:
                    break
            return np.asarray(np.where(np.abs(off) < 1e-9, grow, np.nan))

    def local(self, x: Floats, y: Floats) -> tuple[Floats, tuple[Floats, Floats, Floats, Floats]]:
        """Positions (2, K, N) in the plane and their derivative by pixel.

        Returns
        -------
        mm : ndarray (2, K, N)
        (xx, xy, yx, yy) : ndarray (K, N) each
            Millimetres in the plane per pixel; xy is the first coordinate by image y.
        """
        xu, yu, ahead, part = self.sights(x, y)
        ax, ay = self.slope[:, :1], self.slope[:, 1:]
        ahead = np.where(ahead > 1e-9, ahead, np.nan)
        reach = self.depth_mm[:, None] / ahead
        sx, sy = xu * reach, yu * reach
        # d(sx, sy) / d(xu, yu) = reach (I + s aᵀ / (depth))
        gx, gy = sx * reach / self.depth_mm[:, None], sy * reach / self.depth_mm[:, None]
        m00, m01 = reach + gx * ax, gx * ay
        m10, m11 = gy * ax, reach + gy * ay
        # d(xu, yu) / d(xd, yd) = (I - (2 k1 + 4 k2 r²) xu xdᵀ) / part, and xd = xu part
        r2 = (xu * xu + yu * yu) * part * part
        k = 2 * self.k1[:, None] + 4 * self.k2[:, None] * r2
        scale = 1 / (part * self.focal_px[:, None])
        d00, d01 = 1 - k * xu * xu * part, -k * xu * yu * part
        d11 = 1 - k * yu * yu * part
        n00, n01 = (m00 * d00 + m01 * d01) * scale, (m00 * d01 + m01 * d11) * scale
        n10, n11 = (m10 * d00 + m11 * d01) * scale, (m10 * d01 + m11 * d11) * scale
        px, py = self._rooted(sx, sy)
        xx, yx = self._rooted(n00, n10)
        xy, yy = self._rooted(n01, n11)
        return np.stack([px, py]), (xx, xy, yx, yy)
