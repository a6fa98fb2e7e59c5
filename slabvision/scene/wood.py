"""Colour of clear wood on any plane of the log: rings, pores, fibres and rays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slabvision.estimate import named_rng
from slabvision.opencv import cv2
from slabvision.scene.fill import Array
from slabvision.scene.log import Log
from slabvision.scene.looks import Look
from slabvision.scene.noise import blur_noise, enlarge, smoothstep
from slabvision.scene.sawing import Frame

__all__ = ["Canvas", "clear_wood"]

_STEP = 0.05
"""Resolution of the ring tables, mm of age radius."""


@dataclass(frozen=True)
class Canvas:
    """A window on a sawn plane: where its pixels lie.

    Attributes
    ----------
    frame : Frame
        The plane.
    u0, v0 : float
        Position of the centre of pixel (0, 0), mm.
    mm : float
        Size of a pixel.
    shape : (int, int)
        Rows, columns.
    end : bool
        The plane is cross-cut.
    """

    frame: Frame
    u0: float
    v0: float
    mm: float
    shape: tuple[int, int]
    end: bool

    def to_pixels(self, uv: Array) -> Array:
        """Return (row, col) of points (u, v)."""
        uv = np.asarray(uv, np.float64)
        return np.column_stack([(uv[:, 1] - self.v0) / self.mm, (uv[:, 0] - self.u0) / self.mm])

    def to_mm(self, points: Array) -> Array:
        """Return (u, v) of points (row, col)."""
        points = np.asarray(points, np.float64)
        return np.column_stack([points[:, 1] * self.mm + self.u0, points[:, 0] * self.mm + self.v0])

    def grid(self, rows: slice, cols: slice) -> tuple[Array, Array, Array]:
        """Return log coordinates of a block of pixels."""
        u = (
            self.u0
            + self.mm * np.arange(rows.start, rows.stop)[:, None] * 0
            + self.mm * np.arange(cols.start, cols.stop)
        )
        v = self.v0 + self.mm * np.arange(rows.start, rows.stop)[:, None]
        x, y, z = self.frame.to_log(u, v)
        return tuple(np.broadcast_arrays(x, y, z))  # type: ignore[return-value]

    def coarse(self, factor: int) -> tuple[Array, Array, Array]:
        """Return log coordinates of block centres, one block of border all round."""
        rows, cols = (-(-n // factor) + 2 for n in self.shape)
        offset = (factor - 1) / 2
        u = self.u0 + self.mm * ((np.arange(cols) - 1) * factor + offset)
        v = self.v0 + self.mm * ((np.arange(rows) - 1) * factor + offset)
        x, y, z = self.frame.to_log(u[None, :], v[:, None])
        # What a coordinate does not depend on stays short: less to work out.
        return _short(x), _short(y), _short(z)


def _short(a: Array) -> Array:
    if a.shape[0] > 1 and np.all(a[:, :1] == a[:, :1][0]) and np.all(a == a[:1]):
        a = a[:1]
    if a.shape[1] > 1 and np.all(a == a[:, :1]):
        a = a[:, :1]
    return a


def ring_tables(log: Log, mm: float, *, end: bool) -> tuple[Array, Array, Array]:
    """Return darkness, pore density and pigment over the age radius, one entry per 0.05 mm."""
    look = log.look
    rng = named_rng("scene ring tables", log.seed)
    age = np.arange(0.0, float(log.ring_edges[-1]), _STEP)
    number = np.interp(age, log.ring_edges, np.arange(len(log.ring_edges)))
    year = np.minimum(number.astype(int), len(log.ring_edges) - 1)
    f = number - year
    # Trees differ as much as years do: some stems are pale and even, some strongly banded.
    plain = named_rng("scene ring contrast", log.seed).uniform(0.0, 1.0, 2)
    strength = np.clip(rng.normal(0.85, 0.22, len(log.ring_edges)), 0.3, 1.3)[year]
    strength = strength * (0.75 + 0.65 * plain[0])
    late = look.late_share * (0.75 + 0.75 * plain[1]) * rng.normal(1.0, 0.2, len(log.ring_edges))
    late = np.clip(late, 0.08, 0.7)[year]
    if look.structure == "softwood":
        dark = np.clip((f - (1 - 1.5 * late)) / (1.4 * late), 0, 1) ** 1.6
        pores = np.zeros_like(f)
    elif look.structure == "ring-porous":
        early = 1 - smoothstep(0.0, 1.0, f / np.maximum(1 - late, 0.2))
        dark = 0.72 * early**1.5 + 0.3 * smoothstep(0.75, 1.0, f)
        pores = early**1.2
    elif look.structure == "semi-ring-porous":
        early = np.clip(1 - f, 0, 1) ** 1.6
        dark = 0.45 * early + 0.85 * smoothstep(0.86, 0.99, f)
        pores = 0.25 + 0.75 * early
    else:
        dark = smoothstep(1 - 1.2 * late, 0.99, f) ** 1.4 * 0.8
        pores = np.full_like(f, 0.6)
    dark = np.minimum(dark * strength * (1.1 if end else 0.92), 1.3)
    years = rng.normal(0.0, 1.0, len(log.ring_edges) + 20)
    slow = np.convolve(years, np.hanning(7) / np.hanning(7).sum(), mode="same")
    very = np.convolve(years[::-1], np.hanning(19) / np.hanning(19).sum(), mode="same")
    pigment = look.pigment * np.interp(number, np.arange(len(slow)), 0.5 * slow + 1.0 * very)
    sigma = max(0.45 * mm, 0.12) / _STEP
    tables = [
        cv2.GaussianBlur(t.astype(np.float32)[None, :], (0, 0), sigmaX=sigma)[0]
        for t in (dark, pores)
    ]
    return tables[0], tables[1], pigment.astype(np.float32)


def _paint(look: Look, heart: Array, dark: Array) -> Array:
    """Mix colours: ``heart`` 0 sapwood to 1 heartwood, ``dark`` 0 ground to 1 latewood."""
    out = np.empty((*heart.shape, 3), np.float32)
    for k in range(3):
        ground = look.sap[k] + heart * (look.heart[k] - look.sap[k])
        late = look.sap_late[k] + heart * (look.heart_late[k] - look.sap_late[k])
        out[..., k] = ground + dark * (late - ground)
    return out


def _sample(image: Array, col: Array, row: Array) -> Array:
    return np.asarray(cv2.remap(
        image, col.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    ))  # fmt: skip


def clear_wood(log: Log, canvas: Canvas, seed: int) -> tuple[Array, Array, Array]:
    """Paint clear wood on a canvas.

    Returns
    -------
    pixels : ndarray of float32, shape (H, W, 3)
        sRGB, 0 to 255, lit evenly.
    age : ndarray of float32, shape (H, W)
        Age radius, mm.
    sap : ndarray of float32, shape (H, W)
        Depth outside the heartwood, mm; positive in sapwood.
    """
    mm, shape = canvas.mm, canvas.shape
    factor = int(np.clip(round((0.9 if canvas.end else 2.0) / mm), 1, 16))
    x, y, z = canvas.coarse(factor)
    coarse_age = log.age_radius(x, y, z)
    age = enlarge(coarse_age, factor, shape)
    sap = enlarge(log.sapwood_depth(x, y, z, coarse_age), factor, shape)
    dark_of, pores_of, pigment_of = ring_tables(log, mm, end=canvas.end)
    index = np.clip(age * (1 / _STEP), 0, len(dark_of) - 1).astype(np.int32)
    dark, pores = dark_of[index], pores_of[index]
    heart = np.clip(0.5 - sap / 5.0, 0.0, 1.0)
    dark += pigment_of[index] * (0.25 + 0.75 * heart)
    del index
    rng = named_rng(f"scene wood {canvas.frame.origin}", seed)
    if canvas.end:
        light = _end_detail(log, canvas, rng, pores)
    else:
        light = _face_detail(log, canvas, rng, pores, factor, x, y, z)
    pixels = _paint(log.look, heart, dark)
    pixels *= light[..., None]
    return pixels, age, sap


def _face_detail(log: Log, canvas: Canvas, rng: np.random.Generator, pores: Array,
                 factor: int, x: Array, y: Array, z: Array) -> Array:  # fmt: skip
    """Return the brightness of fibres, pores and rays along a face."""
    look, mm, shape = log.look, canvas.mm, canvas.shape
    cy, cz = log.pith(x)
    fibre = y - 0.6 * cy - log.sideways(x, y, z)
    low = float(fibre.min())
    across = enlarge(fibre, factor, shape)
    across -= low
    span = float(fibre.max()) - low
    along = np.broadcast_to(np.arange(shape[1], dtype=np.float32)[None, :], shape)
    fine = max(mm, 0.35)
    rows = int(span / fine) + 4
    # Fibres: three lengths of streak in fibre coordinates (row: across, column: along).
    step = 8.0
    cols = int(shape[1] * mm / step) + 4
    streaks = 0.055 * blur_noise(rng, (rows, cols), (0.6, 2.2))
    streaks += 0.04 * blur_noise(rng, (rows, cols), (2.0 / fine, 9.0))
    streaks += 0.035 * blur_noise(rng, (rows, cols), (9.0 / fine, 26.0))
    row = across * np.float32(1 / fine)
    light = 1.0 + _sample(streaks, along * np.float32(mm / step), row)
    if look.pores > 0.05:
        step = max(look.pore_mm / 3.0, mm)
        cols = int(shape[1] * mm / step) + 4
        dashes = blur_noise(rng, (rows, cols), (0.55, 0.9 * look.pore_mm / 3.0 / step))
        dashes = np.clip((dashes - 0.7) * 0.75, 0.0, 1.0)
        light -= (0.55 * look.pores) * pores * _sample(dashes, along * np.float32(mm / step), row)
    if look.rays > 0.05:
        r = np.hypot(y - cy, z - cz) + 1e-6
        flat = np.abs((z - cz) / r)
        quarter = enlarge(smoothstep(0.72, 0.95, np.sqrt(1 - flat**2)), factor, shape)
        fleck = blur_noise(rng, shape, (0.42 * look.ray_mm[1] / mm, 0.4 * look.ray_mm[0] / mm))
        fleck = np.clip((fleck - 0.35) * 1.1, 0.0, 1.0)
        light += (0.24 * look.rays) * quarter * fleck
        step = max(look.ray_mm[1] * 0.22, mm)
        cols = int(shape[1] * mm / step) + 4
        lines = np.clip(blur_noise(rng, (rows, cols), (0.5, 1.4)) - 1.0, 0.0, 1.2)
        light -= (
            (0.2 * look.rays) * (1 - quarter) * _sample(lines, along * np.float32(mm / step), row)
        )
    light *= 1.0 + 0.03 * blur_noise(rng, shape, (22.0 / mm, 70.0 / mm))
    light += 0.02 * rng.standard_normal(shape, dtype=np.float32)
    return np.asarray(light)


def _end_detail(log: Log, canvas: Canvas, rng: np.random.Generator, pores: Array) -> Array:
    """Return the brightness of pores and rays on a cross-cut end."""
    look, mm, shape = log.look, canvas.mm, canvas.shape
    x, y, z = canvas.grid(slice(0, shape[0]), slice(0, shape[1]))
    cy, cz = log.pith(float(np.mean(x)))
    py, pz = (y - cy).astype(np.float32), (z - cz).astype(np.float32)
    r = np.hypot(py, pz)
    turn = np.arctan2(float(pz.mean()), float(py.mean()))
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    angle = np.arctan2(pz * c - py * s, py * c + pz * s)
    middle = float(np.median(r)) + 1.0
    fine = max(mm, 0.25)
    low, high = float(angle.min()), float(angle.max())
    rows = int((high - low) * middle / fine) + 4
    light = np.ones(shape, np.float32)
    if rows < 24_000:
        cols = int((float(r.max()) - float(r.min())) / 3.0) + 4
        lines = blur_noise(rng, (rows, cols), (0.6, 3.5))
        wide = blur_noise(rng, (rows, cols), (4.0 / fine, 10.0))
        at = (angle - low) * np.float32(middle / fine), (r - float(r.min())) * np.float32(1 / 3.0)
        fade = min(1.0, (0.4 / mm) ** 0.8)  # rays are thinner than a coarse picture's pixels
        light += (0.03 + 0.13 * look.rays * fade) * _sample(
            np.clip(lines, -0.6, 2.0) - 0.2, at[1], at[0]
        )
        light += 0.035 * _sample(wide, at[1], at[0])
    dots = blur_noise(rng, shape, (0.28 / mm, 0.28 / mm))
    light -= 0.28 * look.pores * pores * np.clip(dots - 0.9, 0.0, 1.4)
    light *= 1.0 + 0.035 * blur_noise(rng, shape, (18.0 / mm, 18.0 / mm))
    light += 0.03 * blur_noise(rng, shape, (0.25 / mm, 0.25 / mm))
    return light
