"""A picture being painted: light, the plane under every pixel, and solids drawn in layers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from slabvision.opencv import cv2
from slabvision.scene.camera import Camera
from slabvision.scene.fill import Array, coverage, dense, inside

__all__ = ["Picture", "lay_flat", "lifted", "on_surface", "paint_stack"]

Lift = Callable[[Array, Array], Array]
Colour = Callable[[Array, Array, Array], Array]
Window = tuple[slice, slice]
_NEAREST_MM = 30.0
"""Nearer to the camera nothing is drawn."""


@dataclass(eq=False)
class Picture:
    """A picture of a plane ``w = 0`` and of what lies before and behind it.

    Attributes
    ----------
    camera : Camera
    light : ndarray of float32, shape (H, W, 3)
    u, v : ndarray of float32, shape (H, W)
        Where each pixel's ray meets the plane.
    zones : ndarray of uint8, shape (H, W)
        What lies over the wood, by :data:`slabvision.defects.ZONES`; 0 where nothing does.
    lift : callable or None
        Depth added at (u, v): set while things are drawn that follow a warped face.
    """

    camera: Camera
    light: Array
    u: Array
    v: Array
    zones: Array = field(init=False)
    lift: Lift | None = None

    def __post_init__(self) -> None:
        self.zones = np.zeros(self.camera.shape, np.uint8)

    def at(self, w: Array | float, where: Window | Array | None = None) -> tuple[Array, Array]:
        """Return (u, v) at depth ``w`` along the rays of some pixels (all of them by default)."""
        u = self.u if where is None else self.u[where]
        v = self.v if where is None else self.v[where]
        return on_surface(self.camera, u, v, w, self.lift)

    def project(self, ring: Array, w: float) -> Array:
        """Return (row, col) of a ring (N, 2) lifted to depth ``w``, with points added between.

        What lies behind the camera is cut off; of a ring that is all behind it a point far beside
        the picture is left.
        """
        ring = dense(ring, 20.0)
        world = self.lifted(np.column_stack([ring, np.full(len(ring), w)]))
        world = world[self.camera.depth(world) > _NEAREST_MM]
        if len(world) < 3:
            return np.full((3, 2), -4e4)
        return self.camera.project(world)

    def lifted(self, world: Array) -> Array:
        """Return world points (N, 3) moved with the warped face they are fixed to."""
        return lifted(world, self.lift)

    def cover(self, ring: Array, w: float, *, lines: int = 4) -> tuple[Array, Window]:
        """Return how much of each pixel a flat polygon covers."""
        return coverage([self.project(ring, w)], self.camera.shape, lines=lines)

    def hide(self, ring: Array, w: float, zone: int) -> None:
        """Mark what a flat polygon hides."""
        mask, where = inside([self.project(ring, w)], self.camera.shape)
        if mask.size:
            self.zones[where][mask] = zone


def on_surface(
    camera: Camera, u: Array, v: Array, w: Array | float, lift: Lift | None
) -> tuple[Array, Array]:
    """Return where rays that meet the plane ``w = 0`` at (u, v) meet the surface ``w + lift``."""
    cu, cv, cw = (np.float32(p) for p in camera.position)
    level = np.asarray(w, np.float32)

    def meet(depth: Array) -> tuple[Array, Array]:
        share = np.asarray((depth - cw) / -cw, dtype=np.float32)
        return cu + (u - cu) * share, cv + (v - cv) * share

    at = meet(level)
    for _ in range(2 if lift is not None else 0):  # a warp is shallow: exact to a micrometre
        assert lift is not None
        at = meet(level + np.asarray(lift(*at), np.float32))
    return at


def lifted(world: Array, lift: Lift | None) -> Array:
    """Return world points (N, 3) moved with a warped face."""
    if lift is None:
        return world
    out = np.array(world, np.float64)
    out[:, 2] += lift(out[:, 0], out[:, 1])
    return out


def paint_stack(
    picture: Picture, levels: Sequence[tuple[float, Array]], colour: Colour, *, skip_last: bool,
    hidden: Array | None = None,
) -> Array:  # fmt: skip
    """Paint a solid from its sections, the farthest first; return the mask of its pixels.

    Parameters
    ----------
    picture : Picture
    levels : sequence of (w, ring)
        Depth and outline (N, 2) of each section, from the farthest to the nearest.
    colour : callable
        Gives sRGB for points (u, v, w), each (n,); called for visible points only.
    skip_last : bool
        The nearest section is painted by somebody else.
    hidden : ndarray of bool, optional
        Pixels that will be painted over, so need no colour.
    """
    rows, cols = picture.camera.shape
    index = np.zeros((rows, cols), np.uint8)
    for k, (w, ring) in enumerate(levels):
        at = np.clip(picture.project(ring, w), -4e4, 4e4)
        points = np.round(at[:, ::-1] * 16).astype(np.int32)
        cv2.fillPoly(index, [points], k + 1, cv2.LINE_8, 4)
    mask = index > 0
    seen = mask & (index < len(levels)) if skip_last else mask.copy()
    if hidden is not None:
        seen &= ~hidden
    where = np.flatnonzero(seen.ravel())
    if where.size:
        depths = np.array([w for w, _ in levels], np.float32)[index.ravel()[where] - 1]
        base = picture.u.ravel()[where], picture.v.ravel()[where]
        u, v = on_surface(picture.camera, *base, depths, picture.lift)
        picture.light.reshape(-1, 3)[where] = colour(u, v, depths)
    return mask


def lay_flat(
    picture: Picture, art: Array, art_mm: float, ring: Array, w: float, origin: Array, turn: float,
    *, shadow_mm: float = 3.0, zone: int | None = None,
) -> None:  # fmt: skip
    """Lay a flat printed thing into the picture.

    Parameters
    ----------
    picture : Picture
    art : ndarray of uint8, shape (h, w, 3)
        What is on it; columns run along its own s, rows along its own t.
    art_mm : float
        Size of an art pixel; the centre of art pixel (0, 0) is at s = t = art_mm / 2.
    ring : ndarray, shape (N, 2)
        Its outline in world (u, v).
    w : float
        Depth of its upper side (negative: above the plane).
    origin : (float, float)
        World (u, v) of s = t = 0.
    turn : float
        Angle from u to s, radians.
    shadow_mm : float
        How far its soft shadow reaches.
    zone : int, optional
        What to mark it as.
    """
    cover, where = picture.cover(ring, w)
    if cover.size == 0:
        return
    _drop_shadow(picture, ring, w, shadow_mm)
    u, v = picture.at(w, where)
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    du, dv = u - np.float32(origin[0]), v - np.float32(origin[1])
    x = (du * c + dv * s) / art_mm - np.float32(0.5)
    y = (dv * c - du * s) / art_mm - np.float32(0.5)
    art = soften(art, art_mm, picture, where)
    colour = cv2.remap(art, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    block = picture.light[where]
    block += cover[..., None] * (colour.astype(np.float32) - block)
    if zone is not None:
        picture.hide(ring, w, zone)


def soften(art: Array, art_mm: float, picture: Picture, where: Window) -> Array:
    """Blur art to the picture's own resolution there, so that fine print does not alias."""
    u, v = picture.u[where], picture.v[where]
    r, c = u.shape[0] // 2, u.shape[1] // 2
    if min(u.shape) < 3:
        return art
    step = max(float(np.hypot(u[r, c] - u[r, c - 1], v[r, c] - v[r, c - 1])),
               float(np.hypot(u[r, c] - u[r - 1, c], v[r, c] - v[r - 1, c])))  # fmt: skip
    sigma = 0.38 * step / art_mm
    return np.asarray(cv2.GaussianBlur(art, (0, 0), sigmaX=sigma)) if sigma > 0.3 else art


_SOFTEST = 0.02
"""A shadow's softness at most, in the picture's longer side."""


def _drop_shadow(picture: Picture, ring: Array, w: float, reach_mm: float) -> None:
    rows, cols = picture.camera.shape
    at = np.clip(picture.project(ring, w), -4e4, 4e4)
    size = np.linalg.norm(at - np.roll(at, 1, axis=0), axis=1).sum()  # its way round, pixels
    world = np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1).sum()
    # Of a ring that goes on beside the camera its way round says nothing: at most a small part of
    # the picture is soft.
    sigma = min(max(reach_mm * size / max(world, 1e-6), 0.8), _SOFTEST * max(rows, cols))
    pad = int(4 * sigma) + 2
    low = np.floor(at.min(axis=0)).astype(int) - pad
    high = np.ceil(at.max(axis=0)).astype(int) + pad
    r0, c0 = max(int(low[0]), 0), max(int(low[1]), 0)
    r1, c1 = min(int(high[0]), rows), min(int(high[1]), cols)
    if r0 >= r1 or c0 >= c1:
        return
    mask = np.zeros((r1 - r0, c1 - c0), np.uint8)
    moved = at - [r0, c0] + 0.6 * sigma
    cv2.fillPoly(mask, [np.round(moved[:, ::-1] * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
    soft = cv2.GaussianBlur(mask, (0, 0), sigmaX=sigma).astype(np.float32) / 255
    picture.light[r0:r1, c0:c1] *= (1.0 - 0.45 * soft)[..., None]
