"""What is wrong in the solid: cracks, rot, bark, holes, metal, each a body cut by any plane.

A *crack* is a thin body whose width is a function of place along and across the grain; a *blob*
is where a function of (x, y, z) is negative. Kinds are keys of :data:`slabvision.defects.KINDS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from slabvision.scene.fill import Array
from slabvision.scene.log import Branch, Log
from slabvision.scene.noise import Waves

__all__ = ["Blob", "Crack", "CrotchBark", "Cylinders", "Ellipsoid", "KnotBody", "PithBody", "Trace"]

Box: TypeAlias = tuple[float, float, float, float, float, float]
Field: TypeAlias = Callable[[Array, Array, Array], Array]


@dataclass(frozen=True)
class Trace:
    """Where a crack meets a plane: centre line in log coordinates and width along it.

    Attributes
    ----------
    points : ndarray, shape (N, 3)
        (x, y, z), mm, one every half millimetre or so, tip to tip.
    width : ndarray, shape (N,)
        Opening, mm; 0 at a tip.
    """

    points: Array
    width: Array


@dataclass(frozen=True)
class Crack:
    """A crack in the plane of the rays (a check), or along a ring (a shake).

    Attributes
    ----------
    number : int
        Defect number, the same in every picture of the slab.
    form : {"end", "surface", "heart", "shake"}
        How it opens.
    x_mouth, x_tip : float
        Where it is widest and where it ends, mm along the log. A surface check is widest
        in the middle: the two are its tips.
    azimuth : float
        Direction of the ray plane from the pith, radians (a shake: middle of its arc).
    r_in, r_mid, r_out : float
        Its inner and outer edge at the mouth and the radius where it runs deepest, mm;
        of a shake: half its arc (radians), the age radius, unused.
    width_mm : float
        Greatest opening.
    z_open : float
        Plane at which a surface check is open.
    depth_mm : float
        Depth of a surface check.
    jitter, wiggle : Waves
        Irregularity of width (share) and of line (mm), over x.
    """

    number: int
    form: str
    x_mouth: float
    x_tip: float
    azimuth: float
    r_in: float
    r_mid: float
    r_out: float
    width_mm: float
    z_open: float
    depth_mm: float
    jitter: Waves
    wiggle: Waves

    @property
    def line(self) -> bool:
        """A crack is a line: its length is meant."""
        return True

    def _along(self, x: Array) -> Array:
        """Share of the full width at x: 1 at the mouth, 0 at a tip."""
        if self.form == "surface":
            middle, half = (self.x_mouth + self.x_tip) / 2, abs(self.x_tip - self.x_mouth) / 2
            s = np.clip(np.abs(x - middle) / half, 0.0, 1.0)
            return np.asarray((1.0 - s**1.7) ** 1.2)
        s = (x - self.x_mouth) / (self.x_tip - self.x_mouth)
        return np.asarray(np.where(s < 0, 1.0, (1.0 - np.clip(s, 0.0, 1.0)) ** 1.15))

    def _width(self, x: Array, r: Array, log: Log, z: Array | float) -> Array:
        along = self._along(x)
        rough = np.clip(1.0 + self.jitter(x + 0.8 * r), 0.35, 1.8)
        if self.form == "surface":
            deep = np.abs(np.asarray(z) - self.z_open) / np.maximum(self.depth_mm * along, 1e-6)
            return np.asarray(self.width_mm * along * rough * np.clip(1.0 - deep, 0.0, 1.0) ** 0.7)
        # Towards the tip the crack draws back to the radius where it runs deepest.
        shrink = along**0.45
        inner = self.r_mid - (self.r_mid - self.r_in) * shrink
        outer = self.r_mid + (self.r_out - self.r_mid) * shrink
        q = np.where(
            r < self.r_mid,
            (self.r_mid - r) / np.maximum(self.r_mid - inner, 1e-6),
            (r - self.r_mid) / np.maximum(outer - self.r_mid, 1e-6),
        )
        across = np.clip(1.0 - np.clip(q, 0.0, 1.0) ** 2.5, 0.0, 1.0)
        return np.asarray(self.width_mm * along * rough * across)

    def on_plane(self, log: Log, z: float, x0: Array, x1: Array) -> list[Trace]:
        """Return its traces on the plane at height z, between the ends x0(y) and x1(y)."""
        low, high = sorted((self.x_mouth, self.x_tip))
        x = np.arange(low, high + 0.5, 0.5)
        if len(x) < 4:
            return []
        if self.form == "shake":
            y, ok = self._shake_y(log, x, z)
            width = np.where(
                ok, self.width_mm * self._along(x) * np.clip(1 + self.jitter(x), 0.3, 2), 0.0
            )
        else:
            cy, cz = log.pith(x)
            rise = z - cz
            sin, cos = np.sin(self.azimuth), np.cos(self.azimuth)
            with np.errstate(divide="ignore"):
                r = rise / sin
            base = cy + r * cos + self.wiggle(x)
            y = base + log.sideways(x, base, np.full_like(x, z))
            y = base + log.sideways(x, y, np.full_like(x, z))
            width = np.where(r > 0, self._width(x, r, log, z), 0.0)
        start, stop = np.interp(y, x0[0], x0[1]), np.interp(y, x1[0], x1[1])
        keep = (width > 0) & (x >= start - 0.25) & (x <= stop + 0.25) & np.isfinite(y)
        return [
            Trace(np.column_stack([x[run], y[run], np.full(run.size, z)]), width[run])
            for run in _runs(keep)
        ]

    def _shake_y(self, log: Log, x: Array, z: float) -> tuple[Array, Array]:
        cy, _ = log.pith(x)
        side = 1.0 if np.cos(self.azimuth) >= 0 else -1.0
        near, far = np.zeros_like(x), np.full_like(x, 1.6 * log.radius_mm)
        for _ in range(34):
            middle = (near + far) / 2
            out = log.age_radius(x, cy + side * middle, np.full_like(x, z)) > self.r_mid
            near, far = np.where(out, near, middle), np.where(out, middle, far)
        y = cy + side * near
        _, angle = log.polar(x, y, np.full_like(x, z))
        off = np.abs((angle - self.azimuth + np.pi) % (2 * np.pi) - np.pi)
        return y, (off < self.r_in) & (near > 0.5)

    def on_end(self, log: Log, x_of_y: Callable[[Array], Array], x_end: float) -> Trace | None:
        """Return its trace on the end near ``x_end``; None where it does not reach it."""
        low, high = sorted((self.x_mouth, self.x_tip))
        if not low - 2.0 <= x_end <= high + 2.0:
            return None
        cy, cz = (float(c) for c in log.pith(x_end))
        if self.form == "shake":
            angle = np.linspace(self.azimuth - self.r_in, self.azimuth + self.r_in, 240)
            near, far = np.zeros_like(angle), np.full_like(angle, 1.6 * log.radius_mm)
            for _ in range(34):
                mid = (near + far) / 2
                y, z = cy + mid * np.cos(angle), cz + mid * np.sin(angle)
                out = log.age_radius(x_of_y(y), y, z) > self.r_mid
                near, far = np.where(out, near, mid), np.where(out, mid, far)
            y, z = cy + near * np.cos(angle), cz + near * np.sin(angle)
            q = (angle - self.azimuth) / self.r_in
            width = self.width_mm * np.clip(1 - q**2, 0, 1) * float(self._along(np.array(x_end)))
            return Trace(np.column_stack([x_of_y(y), y, z]), width)
        if self.form == "surface":
            face_r = (self.z_open - cz) / np.sin(self.azimuth)
            depth = self.depth_mm * float(self._along(np.array(x_end)))
            inward = depth / abs(np.sin(self.azimuth))
            r = np.linspace(face_r - inward, face_r + inward, 400)
        else:
            r = np.linspace(max(self.r_in, 0.0), self.r_out, 400)
        if r[-1] - r[0] < 1.0:
            return None
        line = (0.8 * self.jitter(2.5 * r) + 0.25 * self.jitter(7.0 * r)) * np.minimum(1, r / 40)
        y = cy + r * np.cos(self.azimuth) - line * np.sin(self.azimuth)
        z = cz + r * np.sin(self.azimuth) + line * np.cos(self.azimuth)
        y = y + float(self.wiggle(np.array(x_end)))
        width = self._width(np.full_like(r, x_end), r, log, z)
        keep = (width > 0) & (r >= 0)
        if keep.sum() < 4:
            return None
        return Trace(np.column_stack([x_of_y(y), y, z])[keep], width[keep])


def _runs(keep: Array) -> list[Array]:
    index = np.flatnonzero(keep)
    if index.size == 0:
        return []
    parts = np.split(index, np.flatnonzero(np.diff(index) > 1) + 1)
    return [part for part in parts if part.size >= 4]


@dataclass(frozen=True)
class Blob:
    """A body: negative inside ``field``, zero on its border, within ``box`` (x, y, z limits)."""

    number: int
    kind: str
    field: Field
    box: Box
    soft_mm: float = 0.0

    @property
    def line(self) -> bool:
        """A blob is no line."""
        return False


@dataclass(frozen=True)
class Ellipsoid:
    """An irregular ellipsoid along the grain: half axes along, radial and tangential, mm."""

    log: Log
    centre: tuple[float, float, float]
    half: tuple[float, float, float]
    ripple: Waves
    rough: float

    def __call__(self, x: Array, y: Array, z: Array) -> Array:
        """Return the signed distance to the border, mm, roughly."""
        cy, cz = self.log.pith(self.centre[0])
        angle = np.arctan2(self.centre[2] - cz, self.centre[1] - cy)
        py, pz = self.log.pith(x)
        dy = y - self.centre[1] - (py - cy)
        dz = z - self.centre[2] - (pz - cz)
        radial = dy * np.cos(angle) + dz * np.sin(angle)
        tangential = -dy * np.sin(angle) + dz * np.cos(angle)
        a, b, c = self.half
        q = np.sqrt(((x - self.centre[0]) / a) ** 2 + (radial / b) ** 2 + (tangential / c) ** 2)
        q = q + self.rough * self.ripple(x, y, z)
        return np.asarray((q - 1.0) * min(b, c))


@dataclass(frozen=True)
class Cylinders:
    """Insect holes: round tunnels of given start, end and radius."""

    starts: Array
    ends: Array
    radii: Array

    def __call__(self, x: Array, y: Array, z: Array) -> Array:
        """Return the distance outside the nearest tunnel, mm (negative inside)."""
        best: Array = np.full(np.broadcast_shapes(np.shape(x), np.shape(y), np.shape(z)), 1e3)
        for a, b, r in zip(self.starts, self.ends, self.radii, strict=True):
            d = b - a
            length2 = float(d @ d)
            px, py, pz = x - a[0], y - a[1], z - a[2]
            t = np.clip((px * d[0] + py * d[1] + pz * d[2]) / length2, 0.0, 1.0)
            dist = np.sqrt((px - t * d[0]) ** 2 + (py - t * d[1]) ** 2 + (pz - t * d[2]) ** 2)
            best = np.minimum(best, dist - r)
        return best


@dataclass(frozen=True)
class KnotBody:
    """The body of a branch."""

    log: Log
    branch: Branch

    def __call__(self, x: Array, y: Array, z: Array) -> Array:
        """Return the distance outside the knot, mm."""
        return self.log.knot(self.branch, x, y, z)


@dataclass(frozen=True)
class CrotchBark:
    """Bark shut in between two stems."""

    log: Log

    def __call__(self, x: Array, y: Array, z: Array) -> Array:
        """Return the distance outside that bark, mm."""
        fork = self.log.fork
        if fork is None:
            raise ValueError("this log has no second stem")
        return fork.bark_between(self.log.first_stem(x, y, z), x, y, z)


@dataclass(frozen=True)
class PithBody:
    """The pith: a soft core of a few millimetres."""

    log: Log
    radius_mm: float

    def __call__(self, x: Array, y: Array, z: Array) -> Array:
        """Return the distance outside the pith, mm."""
        r, _ = self.log.polar(x, y, z)
        return np.asarray(r - self.radius_mm)
