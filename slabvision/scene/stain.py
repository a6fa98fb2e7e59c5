"""Colour that is no defect: reaction wood, crotch figure, stains, marks of stickers."""

from __future__ import annotations

import numpy as np

from slabvision.defects import ZONES
from slabvision.estimate import named_rng
from slabvision.scene.fill import Array
from slabvision.scene.log import Log
from slabvision.scene.noise import blur_noise, enlarge, smoothstep, waves
from slabvision.scene.wood import Canvas

__all__ = ["crotch_figure", "reaction_wood", "stain_wood"]

_BLUE = {"pine": 0.55, "maple": 0.35, "ash": 0.3}
_MINERAL = {"maple": 0.5, "oak": 0.3, "cherry": 0.35, "ash": 0.25}
_OTHER = 0.12
"""How often a log has a stain, by look; invented."""


def reaction_wood(log: Log, canvas: Canvas, pixels: Array, age: Array, zones: Array) -> None:
    """Colour the wood a leaning stem grew on its wide side, in place, and mark the zone.

    Softwoods grow compression wood (wide reddish latewood), hardwoods tension wood (a dull silky
    sheen); Wood Handbook, FPL-GTR-282, chapter 5. Where and how strong is invented.
    """
    strength, side = log.lean
    if strength < 0.1:
        return
    rng = named_rng("scene reaction wood", log.seed)
    years = np.convolve(rng.normal(0.5, 1.0, len(log.ring_edges) + 8), np.ones(9) / 3.0, "valid")
    half = float(rng.uniform(0.7, 1.2))
    factor = int(np.clip(round(2.0 / canvas.mm), 1, 16))
    x, y, z = canvas.coarse(factor)
    _, angle = log.polar(x, y, z)
    turned = np.abs((angle - side + np.pi) % (2 * np.pi) - np.pi)
    turned = enlarge(np.broadcast_to(turned, _size(x, y, z)), factor, canvas.shape)
    number = np.interp(age, log.ring_edges, np.arange(len(log.ring_edges))).astype(np.float32)
    year = np.minimum(number.astype(int), len(years) - 1)
    amount = smoothstep(half + 0.15, half - 0.15, turned) * smoothstep(0.0, 0.8, years[year])
    if log.look.structure == "softwood":
        late = 0.3 + 0.7 * smoothstep(0.35, 0.7, number - year)
        _tint(pixels, (amount * late * 0.5).astype(np.float32), (158.0, 104.0, 66.0))
    else:
        _tint(pixels, (amount * 0.2).astype(np.float32), (164.0, 158.0, 140.0))
    zones[amount > 0.5] = ZONES["reaction_wood"].value


def crotch_figure(log: Log, canvas: Canvas, pixels: Array, zones: Array) -> None:
    """Paint the feathered grain where two stems grow together, in place, and mark the zone."""
    if log.fork is None:
        return
    factor = int(np.clip(round(2.0 / canvas.mm), 1, 16))
    x, y, z = np.broadcast_arrays(*canvas.coarse(factor))
    off, crotch = (enlarge(a, factor, canvas.shape)
                   for a in log.fork.off_seam(log.first_stem(x, y, z), x, y, z))  # fmt: skip
    amount = np.exp(-((off / 42.0) ** 2)) * smoothstep(-60.0, 30.0, crotch)
    rng = named_rng(f"scene crotch {canvas.frame.origin}", log.seed)
    mm = canvas.mm
    feather = blur_noise(rng, canvas.shape, (7.0 / mm, 2.2 / mm))
    feather += 0.6 * blur_noise(rng, canvas.shape, (22.0 / mm, 6.0 / mm))
    pixels *= (1.0 + (0.085 * amount * feather - 0.1 * amount).astype(np.float32))[..., None]
    zones[amount > 0.4] = ZONES["figure"].value


def stain_wood(log: Log, canvas: Canvas, pixels: Array, sap: Array, zones: Array) -> None:
    """Stain painted wood in place and mark the zones; a body of colour, cut by any plane."""
    rng = named_rng("scene stain", log.seed)
    blue = rng.uniform() < _BLUE.get(log.look.name, _OTHER)
    mineral = rng.uniform() < _MINERAL.get(log.look.name, _OTHER)
    wedge = waves(rng, 14, (0.5, 0.35, 0.35), (3.0, 2.2, 2.2), 1.0)
    streak = waves(rng, 18, (90.0, 5.0, 5.0), (700.0, 34.0, 34.0), 1.0)
    level = float(rng.uniform(0.55, 1.15)), float(rng.uniform(1.35, 1.75))
    sticks = rng.uniform() < 0.3
    places = rng.uniform(0.02, 0.98, int(rng.integers(2, 6)))
    if not (blue or mineral or (sticks and not canvas.end)):
        return
    fine = named_rng(f"scene stain {canvas.frame.origin}", log.seed)
    factor = int(np.clip(round((0.9 if canvas.end else 2.0) / canvas.mm), 1, 16))
    x, y, z = canvas.coarse(factor)
    grain = blur_noise(
        fine, canvas.shape, (0.6 / canvas.mm, (0.6 if canvas.end else 14) / canvas.mm)
    )
    if blue:
        # Fungi grow in along the rays: wedges in the end, long streaks on a face, sapwood only.
        _, angle = log.polar(x, y, z)
        field = wedge(x / 420.0, 2.0 * np.cos(angle), 2.0 * np.sin(angle))
        field = enlarge(np.broadcast_to(field, _size(x, y, z)), factor, canvas.shape)
        alpha = smoothstep(level[0], level[0] + 0.7, field + 0.3 * grain)
        alpha *= np.clip((sap - 2.0) / 8.0, 0.0, 1.0)
        _tint(pixels, alpha * np.float32(0.55), (96.0, 106.0, 116.0))
        zones[alpha > 0.5] = ZONES["blue_stain"].value
    if mineral:
        field = streak(x, y, z)
        field = enlarge(np.broadcast_to(field, _size(x, y, z)), factor, canvas.shape)
        alpha = smoothstep(level[1], level[1] + 0.8, field + 0.15 * grain)
        _tint(pixels, alpha * np.float32(0.5), (74.0, 72.0, 62.0))
        zones[alpha > 0.5] = ZONES["mineral_stain"].value
    if sticks and not canvas.end:
        _sticker_marks(canvas, pixels, zones, places * log.length_mm, grain)


def _size(x: Array, y: Array, z: Array) -> tuple[int, ...]:
    return np.broadcast_shapes(x.shape, y.shape, z.shape)


def _tint(pixels: Array, alpha: Array, tone: tuple[float, float, float]) -> None:
    """Mix a tone in, darker where the wood is dark."""
    level = pixels.mean(axis=2) * np.float32(1 / 150.0)
    for k in range(3):
        pixels[..., k] += alpha * (tone[k] * level - pixels[..., k])


def _sticker_marks(
    canvas: Canvas, pixels: Array, zones: Array, places: Array, grain: Array
) -> None:
    """Darken the bands where stickers lay while the stack dried."""
    u = canvas.u0 + canvas.mm * np.arange(canvas.shape[1])
    v = canvas.v0 + canvas.mm * np.arange(canvas.shape[0])[:, None]
    for place in places:
        at = place - canvas.frame.origin[0] + 0.03 * v
        share = 1.0 - smoothstep(13.0, 19.0, np.abs(u[None, :] - at))
        if share.max() < 0.01:
            continue
        share = share.astype(np.float32)
        pixels *= (1.0 - share * np.clip(0.1 + 0.03 * grain, 0.0, 0.2))[..., None]
        zones[share > 0.5] = ZONES["sticker_stain"].value
