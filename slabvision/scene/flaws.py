"""Painting what is wrong over clear wood: knots, cracks, rot, bark, holes, iron."""

from __future__ import annotations

import numpy as np

from slabvision.defects import ZONES
from slabvision.opencv import cv2
from slabvision.scene.condition import Region, Slab
from slabvision.scene.faults import Blob, Ellipsoid, KnotBody
from slabvision.scene.fill import Array, coverage, rings_of
from slabvision.scene.log import Branch, Log
from slabvision.scene.looks import Look
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
    slab: Slab, canvas: Canvas, regions: tuple[Region, ...], pixels: Array,
    rng: np.random.Generator, *, zones: Array | None = None,
) -> None:  # fmt: skip
    """Paint every flaw of a slab onto its clear wood, in place; firm spalt goes into ``zones``."""
    by_kind = {"metal": _metal, "bark_inclusion": _bark}
    for blob in slab.blobs:
        if isinstance(blob.field, KnotBody):
            _knot(slab.cut.log, canvas, blob, pixels, rng)
    for blob in slab.blobs:
        if blob.kind == "rot":
            _rot(canvas, blob, pixels, rng, zones)
        elif blob.kind in by_kind:
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
    block, mm = pixels[where], canvas.mm
    dead = smoothstep(-8.0, 10.0, t - branch.dead_mm).astype(np.float32)
    fine = blur_noise(rng, out.shape, (0.4 / mm, 0.4 / mm))
    coarse = blur_noise(rng, out.shape, (2.2 / mm, 2.2 / mm))
    # Grain crowds and darkens round the knot, and tears there under the saw.
    away = np.maximum(out, 0.0)
    block *= (1.0 - 0.2 * np.exp(-away / 5.0))[..., None]
    torn = np.exp(-away / 7.0) * np.clip(blur_noise(rng, out.shape, (0.5 / mm, 2.0 / mm)), -1, 2)
    block *= (1.0 + 0.07 * torn)[..., None]
    colour = _knot_wood(look, branch, d / width, t, dead, fine, coarse)
    azimuth = np.arctan2(side, up)
    colour *= _knot_rings(branch, d, azimuth, t, coarse)[..., None]
    star = _star(branch, d, azimuth, width, coarse, mm) * (0.35 + 0.55 * dead) * (width > 5)
    colour += star[..., None] * (_DARK * 1.15 - colour)
    if branch.rotten:
        eaten = 0.75 * dead * smoothstep(0.1, 1.0, coarse + 0.5)
        colour += eaten[..., None] * (np.array([82.0, 62, 44], np.float32) - colour)
        colour *= (1.0 + 0.16 * fine * dead)[..., None]
    if branch.bark_mm > 0.3:
        ring = smoothstep(-0.5, 0.4, d - width + 0.35 * coarse) * dead
        crust = np.array([58.0, 42, 32], np.float32) * (1.0 + 0.3 * fine + 0.15 * coarse)[..., None]
        colour += ring[..., None] * (crust - colour)
        gap = np.exp(-(((d - width - 0.2) / 0.35) ** 2)) * dead * smoothstep(-0.6, 0.6, coarse)
        colour += (0.75 * gap)[..., None] * (_DARK - colour)
    # A live knot has grown together with the wood: its border is soft, a dead one's is sharp.
    soft = np.maximum(mm, 0.3) + 1.3 * (1.0 - dead)
    _mix(block, colour.astype(np.float32), np.clip(0.5 - (out + 0.25 * fine) / soft, 0.0, 1.0))
    border = np.exp(-(((out + 0.4) / 1.1) ** 2)) * (1.0 - dead)
    block *= (1.0 - 0.22 * border)[..., None].astype(np.float32)


def _knot_wood(look: Look, branch: Branch, share: Array, t: Array, dead: Array, fine: Array,
               coarse: Array) -> Array:  # fmt: skip
    """Return the ground colour of a knot: wood-coloured at its rim, browner inside."""
    rim = 0.72 * np.array(look.heart, np.float32) + 0.28 * np.array([150.0, 96, 58], np.float32)
    core = 0.5 * np.array(look.heart_late, np.float32) + 0.42 * np.array(
        [128.0, 80, 48], np.float32
    )
    gone = 0.4 * np.array(look.heart_late, np.float32) + 0.5 * np.array([84.0, 66, 52], np.float32)
    inward = np.clip(1.25 - share - 0.12 * coarse, 0.0, 1.0)[..., None] ** 1.3
    colour = rim + inward * (core - rim)
    colour = colour + (0.8 * dead)[..., None] * (gone - colour)
    return np.asarray(colour * (1.0 + 0.04 * fine + 0.05 * coarse)[..., None], np.float32)


def _knot_rings(branch: Branch, d: Array, azimuth: Array, t: Array, coarse: Array) -> Array:
    """Return the darkness of a knot's own rings: uneven in width, off centre."""
    off = 1.0 + 0.22 * np.cos(azimuth - 6.0 * branch.base_mm)  # compression side
    rough = 0.4 * branch.ripple(2 * np.cos(azimuth), 2 * np.sin(azimuth), t / 30.0)
    number = (d / off + rough + 0.12 * coarse) / branch.ring_mm
    number = number + 0.8 * np.sin(0.7 * number + branch.dead_mm)
    share = number - np.floor(number)
    strength = 0.2 + 0.12 * np.sin(2.4 * np.floor(number) + branch.x)
    rings = 1.0 - strength * np.clip((share - 0.45) / 0.5, 0.0, 1.0) ** 1.5
    heart = np.exp(-((d / 1.3) ** 2))
    return np.asarray(rings * (1.0 - 0.4 * heart), np.float32)


def _star(branch: Branch, d: Array, azimuth: Array, width: Array, coarse: Array,
          mm: float) -> Array:  # fmt: skip
    """Return the star checks of a knot that dried faster than the wood round it."""
    cover = np.zeros_like(d)
    seed = branch.x * 0.37 + branch.dead_mm
    arms = 2 + int(seed) % 3
    for k in range(arms):
        heading = seed + k * (2 * np.pi / arms) + 0.7 * np.sin(3.1 * k + seed)
        turn = (azimuth - heading + np.pi) % (2 * np.pi) - np.pi
        away = np.abs(d * np.sin(np.clip(turn, -1.5, 1.5)) + 0.5 * coarse)
        ahead = d * np.cos(turn)
        length = width * (0.5 + 0.35 * np.sin(5.0 * k + seed) ** 2)
        open_mm = (0.09 + 0.035 * branch.ring_mm) * np.sqrt(width) * np.clip(
            1.0 - ahead / length, 0.0, 1.0)  # fmt: skip
        cover = np.maximum(cover, np.clip((open_mm - away) / mm + 0.5, 0, 1) * (ahead > 0)
                           * np.clip(2.5 * open_mm / mm, 0, 1))  # fmt: skip
    return cover


def _rot(canvas: Canvas, blob: Blob, pixels: Array, rng: np.random.Generator,
         zones: Array | None) -> None:  # fmt: skip
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
    if zones is not None:
        zones[where][(out > 0.0) & (stain > 0.35)] = ZONES["spalt"].value
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
    wander = out + 1.6 * blur_noise(rng, out.shape, (4.0 / mm, 11.0 / mm))
    here = smoothstep(-0.5, 0.7, blur_noise(rng, out.shape, (12.0 / mm, 22.0 / mm)))
    thin = 0.45 + 0.15 * (number % 3)
    for level, strength in ((3.0 + 4.0 * (number % 2), 0.7), (-9.0, 0.3 * (number % 3))):
        line = np.exp(-(((wander - level) / thin) ** 2)) * strength * here
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
