"""What lies on sawn wood: saw marks, weather, planed patch, wet, dust, chalk, wax, lichen, mud."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slabvision.defects import ZONES
from slabvision.opencv import cv2
from slabvision.scene.fill import Array, inside
from slabvision.scene.noise import blur_noise, smoothstep
from slabvision.scene.wood import Canvas

__all__ = ["SAWS", "Surface", "finish"]

SAWS = ("band", "chain", "circular", "planed")
"""How a face came off: band-saw, chain-saw or circular-saw marks, or planed smooth."""


@dataclass(frozen=True)
class Surface:
    """State of a sawn face; shares run from 0 (none) to 1 (all over, strong).

    Attributes
    ----------
    saw : str
        One of :data:`SAWS`.
    depth : float
        Strength of the saw marks; 1 is usual.
    weathered : float
        Grey weathering.
    wet : float
        Wet patches; 1 is wet all over.
    dust : float
        Sawdust and dirt.
    chalk : str
        What is written in chalk; empty for nothing.
    lichen, mud : float
        Patches that hide the wood.
    wax : float
        Wax or paint on an end.
    planed_patch : tuple of (u, v), or None
        Corners of a patch somebody planed clean.
    """

    saw: str = "band"
    depth: float = 1.0
    weathered: float = 0.3
    wet: float = 0.0
    dust: float = 0.2
    chalk: str = ""
    lichen: float = 0.0
    mud: float = 0.0
    wax: float = 0.0
    planed_patch: tuple[tuple[float, float], ...] | None = None

    def __post_init__(self) -> None:
        if self.saw not in SAWS:
            raise ValueError(f"saw {self.saw!r} is not known; one of {', '.join(SAWS)}")
        for name in ("weathered", "wet", "dust", "lichen", "mud", "wax"):
            value = getattr(self, name)
            if not 0.0 <= value <= 1.0:
                raise ValueError(f"{name} is {value:g}; it must lie between 0 and 1")


def _profile(rng: np.random.Generator, length: int, mm: float, pitch: float) -> Array:
    """Return a row of ridges of irregular pitch, spread 1, one value per pixel."""
    at, ridges = 0.0, np.zeros(length, np.float32)
    total = length * mm
    while at < total:
        at += float(pitch * np.exp(rng.normal(0.0, 0.25)))
        k = int(at / mm)
        if k < length:
            ridges[k] += float(rng.normal(1.0, 0.35))
    ridges += 0.18 * rng.standard_normal(length, dtype=np.float32)
    smooth = cv2.GaussianBlur(ridges[None, :], (0, 0), sigmaX=max(0.16 * pitch / mm, 0.6))[0]
    lit = smooth - np.roll(smooth, max(1, round(0.15 * pitch / mm)))
    return np.asarray(lit / (lit.std() or 1.0), dtype=np.float32)


def saw_marks(rng: np.random.Generator, canvas: Canvas, saw: str) -> Array:
    """Return the relief of saw marks as brightness, spread about 1."""
    rows, cols = canvas.shape
    mm = canvas.mm
    if saw == "planed":
        return np.zeros(canvas.shape, np.float32)
    u = np.arange(cols, dtype=np.float32)[None, :]
    v = np.arange(rows, dtype=np.float32)[:, None]
    pitch = float({"band": rng.uniform(2.5, 7.0), "chain": rng.uniform(5.0, 12.0),
                   "circular": rng.uniform(4.0, 9.0)}[saw])  # fmt: skip
    slant = float(rng.normal(0.0, 0.05))
    shift = slant * v + 1.2 / mm * blur_noise(rng, (rows, 1), (60.0 / mm, 0.1))
    if saw == "circular":
        radius = float(rng.uniform(350.0, 600.0)) / mm
        shift = shift + radius - np.sqrt(np.maximum(radius**2 - (v - rows / 2) ** 2, 1.0))
    if saw == "chain":
        shift = shift + (v - rows * 0.5) ** 2 / (2 * float(rng.uniform(400, 900)) / mm)
        shift = shift + 0.8 / mm * blur_noise(rng, canvas.shape, (30.0 / mm, 40.0 / mm))
    shift = shift - shift.min()
    profile = _profile(rng, cols + int(np.ceil(float(shift.max()))) + 2, mm, pitch)
    marks = profile[(u + shift).astype(np.int32)]
    here = np.clip(0.55 + 0.55 * blur_noise(rng, canvas.shape, (60.0 / mm, 110.0 / mm)), 0.08, 1.6)
    marks = marks * here
    if saw == "chain":  # steps where the bar was set anew
        steps = np.sign(blur_noise(rng, (1, cols), (0.1, 180.0 / mm))) * 0.2
        marks = marks + steps.astype(np.float32)
    # Torn fibre: short rough dashes along the grain.
    torn = np.clip(blur_noise(rng, canvas.shape, (0.5 / mm, 3.0 / mm)) - 1.2, 0.0, 2.0)
    return np.asarray(marks + 0.8 * torn * here, dtype=np.float32)


def finish(
    rng: np.random.Generator, canvas: Canvas, pixels: Array, zones: Array, surface: Surface
) -> Array:
    """Put the surface's state on painted wood, in place; marks zones too.

    Returns
    -------
    bare : ndarray of bool
        Where wood is bare (no lichen, mud or wax over it).
    """
    mm, shape = canvas.mm, canvas.shape
    raw = pixels.copy() if surface.planed_patch is not None else None
    if surface.saw != "planed":  # rough fibres scatter: paler and duller than planed wood
        grey = pixels @ np.array([0.3, 0.55, 0.15], np.float32)
        for k in range(3):
            pixels[..., k] += 0.2 * (0.94 * grey + 9.0 - pixels[..., k])
    light = 1.0 + 0.035 * surface.depth * saw_marks(rng, canvas, surface.saw)
    if surface.saw == "chain":
        light = 1.0 + 2.0 * (light - 1.0)
    if surface.saw != "planed":
        light += 0.03 * rng.standard_normal(shape, dtype=np.float32)
    if surface.weathered > 0.01:
        patch = blur_noise(rng, shape, (70.0 / mm, 130.0 / mm))
        patch += 0.4 * blur_noise(rng, shape, (2.0 / mm, 18.0 / mm))
        amount = smoothstep(-1.2, 1.2, patch + 3.0 * surface.weathered - 1.8)
        amount = (amount * (0.35 + 0.5 * surface.weathered)).astype(np.float32)
        grey = pixels @ np.array([0.3, 0.55, 0.15], np.float32)
        grey = 0.62 * grey + 46.0
        for k, tint in enumerate((1.0, 0.985, 0.95)):
            pixels[..., k] += amount * (grey * tint - pixels[..., k])
        zones[amount > 0.45] = ZONES["weathering"].value
    if surface.dust > 0.01:
        dust = blur_noise(rng, shape, (14.0 / mm, 20.0 / mm)) + 0.7 * blur_noise(
            rng, shape, (0.7 / mm, 0.9 / mm)
        )
        amount = 0.42 * surface.dust * smoothstep(-0.5, 2.2, dust)
        for k, tone in enumerate((196.0, 178.0, 146.0)):
            pixels[..., k] += amount * (tone - pixels[..., k])
    if surface.wet > 0.01:
        patch = blur_noise(rng, shape, (60.0 / mm, 110.0 / mm))
        patch += 0.35 * blur_noise(rng, shape, (9.0 / mm, 26.0 / mm))
        patch += 0.14 * blur_noise(rng, shape, (1.2 / mm, 6.0 / mm))
        level = 3.0 - 6.2 * surface.wet
        wet = smoothstep(level - 0.2, level + 0.2, patch).astype(np.float32)
        mean = pixels.mean(axis=2, keepdims=True)
        soaked = np.clip((pixels + 0.35 * (pixels - mean)) * 0.62, 0, 255)
        pixels += wet[..., None] * (soaked - pixels)
        light = 1.0 + (light - 1.0) * (1.0 - 0.6 * wet)
    if raw is not None and surface.planed_patch is not None:
        light = _planed(rng, canvas, pixels, raw, light, zones, surface)
    pixels *= light[..., None]
    if surface.chalk:
        _chalk(rng, canvas, pixels, surface.chalk)
    return _cover(rng, canvas, pixels, zones, surface)


def _planed(rng: np.random.Generator, canvas: Canvas, pixels: Array, raw: Array, light: Array,
            zones: Array, surface: Surface) -> Array:  # fmt: skip
    corners = canvas.to_pixels(np.array(surface.planed_patch))
    mask, where = inside([corners], canvas.shape)
    if mask.size == 0:
        return light
    ragged = 1.5 * blur_noise(rng, mask.shape, (2.0 / canvas.mm, 14.0 / canvas.mm))
    near = cv2.distanceTransform(np.pad(mask.astype(np.uint8), 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    soft = np.clip((near * canvas.mm - 1.0 + ragged) / 1.2, 0.0, 1.0)
    fresh = raw[where]
    mean = fresh.mean(axis=2, keepdims=True)
    fresh = np.clip((fresh + 0.06 * (fresh - mean)) * 0.99, 0, 255)
    pixels[where] += soft[..., None] * (fresh - pixels[where])
    zones[where][soft > 0.5] = ZONES["planed_patch"].value
    light[where] = 1.0 + (light[where] - 1.0) * (1.0 - 0.92 * soft)
    return light


def _chalk(rng: np.random.Generator, canvas: Canvas, pixels: Array, text: str) -> None:
    """Write on the wood with chalk: broken strokes that catch on the ridges."""
    rows, cols = canvas.shape
    height = float(rng.uniform(60.0, 110.0)) / canvas.mm
    scale = height / 22.0
    thick = max(1, int(6.0 / canvas.mm))
    (w, h), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, scale, thick)
    x = int(rng.uniform(0.05, 0.6) * max(cols - w, 1))
    y = int(h + rng.uniform(0.15, 0.75) * max(rows - 1.3 * h, 1))
    pad = int(8.0 / canvas.mm) + thick
    r0, r1 = max(y - h - pad, 0), min(y + h // 2 + pad, rows)
    c0, c1 = max(x - pad, 0), min(x + w + pad, cols)
    if r0 >= r1 or c0 >= c1:
        return
    ink = np.zeros((r1 - r0, c1 - c0), np.uint8)
    at = (x - c0, y - r0)
    cv2.putText(ink, text, at, cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, scale, 255, thick, cv2.LINE_AA)
    soft = cv2.GaussianBlur(ink, (0, 0), sigmaX=max(1.2 / canvas.mm, 0.5)).astype(np.float32) / 255
    grain = blur_noise(rng, ink.shape, (0.5 / canvas.mm, 1.8 / canvas.mm))
    alpha = np.clip(soft * (0.75 + 0.45 * grain), 0.0, 0.9)
    colour = np.array([232.0, 230, 224] if rng.uniform() < 0.7 else [226.0, 200, 96], np.float32)
    block = pixels[r0:r1, c0:c1]
    block += alpha[..., None] * (colour - block)


_PAINTS = ((168.0, 48.0, 42.0), (52.0, 84.0, 136.0), (62.0, 108.0, 70.0), (224.0, 221.0, 212.0))
"""Colours yards seal ends with; invented."""


def _cover(rng: np.random.Generator, canvas: Canvas, pixels: Array, zones: Array,
           surface: Surface) -> Array:  # fmt: skip
    """Lay lichen, mud and wax over the wood."""
    mm, shape = canvas.mm, canvas.shape
    bare = np.ones(shape, bool)
    layers = (
        (surface.lichen, "mud", (168.0, 176.0, 142.0), (5.0, 5.0), 0.85),
        (surface.mud, "mud", (112.0, 92.0, 70.0), (16.0, 24.0), 0.9),
        (surface.wax, "wax", (206.0, 200.0, 184.0), (30.0, 60.0), 0.72),
    )
    for share, key, usual, size, strength in layers:
        if share <= 0.01:
            continue
        tone, paint = usual, float(rng.uniform())
        if key == "wax" and paint < 0.5:  # ends are painted as often as waxed
            tone, strength = _PAINTS[int(paint * 2 * len(_PAINTS))], 0.92
        field = blur_noise(rng, shape, (size[0] / mm, size[1] / mm))
        field += 0.35 * blur_noise(rng, shape, (1.2 / mm, 1.6 / mm))
        level = 3.2 - 6.2 * share if key == "wax" else 2.9 - 2.2 * share
        alpha = strength * smoothstep(level - 0.25, level + 0.25, field)
        speck = 1.0 + 0.1 * blur_noise(rng, shape, (0.9 / mm, 0.9 / mm))
        for k in range(3):
            pixels[..., k] += alpha * (tone[k] * speck - pixels[..., k])
        hidden = alpha > 0.5 * strength
        zones[hidden] = ZONES[key].value
        bare &= ~hidden
    return bare
