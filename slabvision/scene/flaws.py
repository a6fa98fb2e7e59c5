"""Painting what is wrong over clear wood: knots, cracks, rot, bark, holes, iron."""

from __future__ import annotations

import numpy as np

from slabvision.opencv import cv2
from slabvision.scene.condition import Region, Slab
from slabvision.scene.faults import Blob, Ellipsoid, KnotBody
from slabvision.scene.fill import Array, coverage, rings_of
from slabvision.scene.log import Log
from slabvision.scene.noise import blur_noise, smoothstep
from slabvision.scene.wood import Canvas

__all__ = ["paint_flaws"]

_DARK = np.array([30.0, 24.0, 20.0], np.float32)


def _block(canvas: Canvas, blob: Blob, margin_mm: float) -> tuple[slice, slice] | None:
    x0, x1, y0, y1, z0, z1 = blob.box
    corners = np.array([[x, y, z] for x in (x0, x1) for y in (y0, y1) for z in (z0, z1)])
    depth = (corners - np.asarray(canvas.frame.origin)) @ canvas.frame.normal()
    if depth.min() > margin_mm or depth.max() < -margin_mm:
        return None
    at = canvas.to_pixels(canvas.frame.from_log(corners))
    pad = margin_mm / canvas.mm
    low = np.floor(at.min(axis=0) - pad).astype(int)
    high = np.ceil(at.max(axis=0) + pad).astype(int)
    r0, c0 = max(int(low[0]), 0), max(int(low[1]), 0)
    r1, c1 = min(int(high[0]) + 1, canvas.shape[0]), min(int(high[1]) + 1, canvas.shape[1])
    return (slice(r0, r1), slice(c0, c1)) if r0 < r1 and c0 < c1 else None


def _mix(pixels: Array, colour: Array, alpha: Array) -> None:
    pixels += alpha[..., None].astype(np.float32) * (colour - pixels)


def paint_flaws(
    slab: Slab, canvas: Canvas, regions: tuple[Region, ...], pixels: Array, age: Array,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Paint every flaw of a slab onto its clear wood, in place."""
    by_kind = {"rot": _rot, "metal": _metal, "bark_inclusion": _bark}
    for blob in slab.blobs:
        if isinstance(blob.field, KnotBody):
            _knot(slab.cut.log, canvas, blob, pixels, rng)
    for blob in slab.blobs:
        if blob.kind in by_kind:
            by_kind[blob.kind](canvas, blob, pixels, rng)
    for region in regions:
        if region.kind in ("hole", "grub_holes", "worm_holes"):
            _hole(canvas, region, pixels)
        elif region.kind == "pith" and not len(region.line):
            _pith(canvas, region, pixels)
        elif len(region.line):
            _crack(canvas, region, pixels)


def _knot(log: Log, canvas: Canvas, blob: Blob, pixels: Array, rng: np.random.Generator) -> None:
    assert isinstance(blob.field, KnotBody)
    where = _block(canvas, blob, 14.0)
    if where is None:
        return
    branch, look = blob.field.branch, log.look
    x, y, z = canvas.grid(*where)
    out = log.knot(branch, x, y, z).astype(np.float32)
    if out.min() > 14.0:
        return
    t, up, side = log.along_branch(branch, x, y, z)
    d = np.hypot(up, side)
    width = branch.radius(t)
    block = pixels[where]
    dead = smoothstep(-8.0, 10.0, t - branch.dead_mm).astype(np.float32)
    # Grain crowds and darkens round the knot.
    block *= 1.0 - (0.24 * np.exp(-np.maximum(out, 0.0) / 5.0))[..., None]
    own = np.array(look.heart_late, np.float32)
    alive = 0.55 * own + 0.45 * np.array([132.0, 82.0, 48.0], np.float32)
    gone = 0.45 * own + 0.55 * np.array([66.0, 50.0, 40.0], np.float32)
    colour = alive + dead[..., None] * (gone - alive)
    azimuth = np.arctan2(side, up)
    rough = 0.55 * branch.ripple(2 * np.cos(azimuth), 2 * np.sin(azimuth), t / 30.0)
    share = ((d + rough) / branch.ring_mm) % 1.0
    colour = colour * (1.08 - 0.3 * share[..., None] ** 2)
    colour = colour * (1.0 - 0.45 * np.exp(-d / (0.12 * width + 0.8)))[..., None]
    colour = colour * (1 + 0.06 * blur_noise(rng, d.shape, (0.5 / canvas.mm,) * 2))[..., None]
    # Star checks of a knot that dried faster than the wood round it.
    arms = np.abs(np.sin((azimuth * 1.5 + 1.7 * branch.base_mm) + 0.5 * rough))
    star = np.exp(-((arms * d / 0.42) ** 2)) * (d > 0.15 * width) * (d < 0.82 * width)
    star = star * (0.25 + 0.6 * dead) * (width > 6)
    colour = colour + star[..., None] * (_DARK - colour)
    if branch.rotten:
        patch = blur_noise(rng, d.shape, (2.0 / canvas.mm, 2.0 / canvas.mm))
        eaten = 0.75 * dead * smoothstep(0.1, 1.0, patch + 0.5)
        colour = colour + eaten[..., None] * (np.array([72.0, 54, 38], np.float32) - colour)
    ring = smoothstep(-0.6, 0.3, d - width) * dead
    colour = colour + ring[..., None] * (np.array([38.0, 29, 24], np.float32) - colour)
    border = np.exp(-((out / 1.0) ** 2)) * (1 - dead) * 0.35
    alpha = np.clip(0.5 - out / max(canvas.mm, 0.25), 0.0, 1.0)
    _mix(block, colour.astype(np.float32), alpha)
    block *= (1.0 - border)[..., None].astype(np.float32)


def _rot(canvas: Canvas, blob: Blob, pixels: Array, rng: np.random.Generator) -> None:
    where = _block(canvas, blob, 26.0)
    if where is None:
        return
    out = blob.field(*canvas.grid(*where)).astype(np.float32)
    if out.min() > 20:
        return
    block, mm = pixels[where], canvas.mm
    number = blob.number
    stain = 1.0 - smoothstep(-2.0, 22.0, out)
    block *= (1.0 - 0.2 * stain)[..., None]
    soft = 1.0 - smoothstep(-blob.soft_mm, blob.soft_mm, out)
    pale = number % 2 == 0
    base = np.array([196.0, 176, 138] if pale else [104.0, 72, 46], np.float32)
    fine = blur_noise(rng, out.shape, (0.8 / mm, 3.0 / mm))
    wide = blur_noise(rng, out.shape, (4.0 / mm, 14.0 / mm))
    colour = base * (1.0 + 0.1 * fine + 0.12 * wide)[..., None]
    # Decayed wood breaks across the grain into small blocks.
    if not pale:
        cubes = np.abs(blur_noise(rng, out.shape, (5.0 / mm, 1.6 / mm)))
        colour = colour * (1.0 - 0.55 * np.exp(-((cubes / 0.12) ** 2)))[..., None]
    _mix(block, colour, soft * 0.82)
    # Zone lines of the fungus: thin dark wandering lines near the border.
    wander = out + 2.5 * blur_noise(rng, out.shape, (5.0 / mm, 9.0 / mm))
    for level, strength in ((9.0, 0.5), (2.0, 0.65), (-9.0, 0.35)):
        line = np.exp(-(((wander - level) / 0.8) ** 2)) * strength
        _mix(block, _DARK * 1.4, line)


def _metal(canvas: Canvas, blob: Blob, pixels: Array, rng: np.random.Generator) -> None:
    where = _block(canvas, blob, 18.0)
    if where is None:
        return
    x, y, z = canvas.grid(*where)
    out = blob.field(x, y, z).astype(np.float32)
    if out.min() > 15:
        return
    alpha = (1.0 - smoothstep(-4.0, 5.0, out)) * 0.8
    alpha *= 1.0 + 0.15 * blur_noise(rng, out.shape, (0.7 / canvas.mm, 9.0 / canvas.mm))
    _mix(pixels[where], np.array([48.0, 52, 64], np.float32), np.clip(alpha, 0, 0.9))
    if isinstance(blob.field, Ellipsoid):
        cx, cy, _ = blob.field.centre
        nail = np.hypot(x - cx, y - cy) - 2.2
        _mix(pixels[where], _DARK, np.clip(0.5 - nail / canvas.mm, 0, 1))


def _bark(canvas: Canvas, blob: Blob, pixels: Array, rng: np.random.Generator) -> None:
    where = _block(canvas, blob, 8.0)
    if where is None:
        return
    out = blob.field(*canvas.grid(*where)).astype(np.float32)
    if out.min() > 6:
        return
    block, mm = pixels[where], canvas.mm
    block *= (1.0 - 0.3 * np.exp(-np.maximum(out, 0) / 2.5))[..., None]
    flakes = blur_noise(rng, out.shape, (0.6 / mm, 2.2 / mm))
    colour = np.array([70.0, 48, 34], np.float32) * (1.0 + 0.28 * flakes)[..., None]
    gap = np.exp(-(((out + 0.6) / 0.6) ** 2)) * 0.7
    _mix(block, colour, np.clip(0.5 - out / max(mm, 0.4), 0, 1))
    _mix(block, _DARK * 0.7, gap)


def _polygon_block(canvas: Canvas, region: Region, lines: int) -> tuple[Array, tuple[slice, slice]]:
    rings = [canvas.to_pixels(ring) for ring in rings_of(region.polygon)]
    return coverage(rings, canvas.shape, lines=lines)


def _hole(canvas: Canvas, region: Region, pixels: Array) -> None:
    cover, where = _polygon_block(canvas, region, 8)
    if cover.size == 0:
        return
    block = pixels[where]
    depth = cv2.GaussianBlur(cover, (0, 0), sigmaX=max(3.0 / canvas.mm, 0.6))
    lit = np.clip(1.0 - depth, 0, 1)  # walls catch light near the rim
    colour = _DARK * 0.6 + lit[..., None] * 38.0
    _mix(block, colour.astype(np.float32), cover)


def _pith(canvas: Canvas, region: Region, pixels: Array) -> None:
    cover, where = _polygon_block(canvas, region, 6)
    if cover.size == 0:
        return
    soft = cv2.GaussianBlur(cover, (0, 0), sigmaX=max(0.5 / canvas.mm, 0.4))
    _mix(pixels[where], np.array([84.0, 58, 42], np.float32), soft * 0.8)


def _crack(canvas: Canvas, region: Region, pixels: Array) -> None:
    rings = [canvas.to_pixels(ring) for ring in rings_of(region.polygon)]
    cover, (rows, cols) = coverage(rings, canvas.shape, lines=16)
    if cover.size == 0:
        return
    pad = max(2, int(3.0 / canvas.mm))
    r0, c0 = max(rows.start - pad, 0), max(cols.start - pad, 0)
    r1, c1 = min(rows.stop + pad, canvas.shape[0]), min(cols.stop + pad, canvas.shape[1])
    big = np.zeros((r1 - r0, c1 - c0), np.float32)
    big[rows.start - r0 : rows.stop - r0, cols.start - c0 : cols.stop - c0] = cover
    block = pixels[r0:r1, c0:c1]
    dirt = cv2.GaussianBlur(big, (0, 0), sigmaX=max(0.9 / canvas.mm, 0.6))
    block *= (1.0 - 0.22 * np.clip(dirt, 0, 1))[..., None]
    # Wide cracks are darker inside and show one lit wall.
    wall = np.roll(big, -max(1, round(0.5 / canvas.mm)), axis=0)
    colour = _DARK + (16.0 * np.clip(big - wall, 0, 1))[..., None]
    _mix(block, colour, big * 0.94)
