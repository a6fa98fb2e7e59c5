"""Drawn end grain whose ring direction is known everywhere; invented, nothing measured in it.

The rings are level lines of an age field: a centre that wanders as the tree grows, lobes that
change with age, local bumps round knots. Weather, rays, checks, stain, saw marks, uneven light,
sensor noise and JPEG come on top. Written apart from the library and knows nothing of its method.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slabvision.opencv import cv2


@dataclass(frozen=True)
class DrawnEnd:
    """Picture, wood, pith (row, col), tangent in degrees everywhere, face direction (row, col)."""

    pixels: np.ndarray
    mask: np.ndarray
    pith: np.ndarray
    tangent_deg: np.ndarray
    face: np.ndarray
    ring_px: float
    clean: np.ndarray

    def angle_deg(self, points: np.ndarray) -> np.ndarray:
        """True ring angle to the face at points."""
        along = self.face[1] - self.face[0]
        face = np.rad2deg(np.arctan2(along[0], along[1]))
        at = self.tangent_deg[points[:, 0].astype(int), points[:, 1].astype(int)]
        return np.abs((at - face + 90) % 180 - 90)

    def points(self, count: int, seed: int = 0) -> np.ndarray:
        """Points of clean wood, some way off the pith."""
        rng = np.random.default_rng(seed)
        where = np.argwhere(self.clean)
        far = np.hypot(*(where - self.pith).T) > 2.5 * self.ring_px
        where = where[far]
        return where[rng.integers(0, len(where), count)].astype(float)


def smooth_noise(shape: tuple[int, int], size: float, rng: np.random.Generator) -> np.ndarray:
    """Smooth noise of unit spread and a given grain size in pixels."""
    small = (max(3, int(shape[0] / size) + 3), max(3, int(shape[1] / size) + 3))
    out = cv2.resize(rng.normal(0, 1, small), shape[::-1], interpolation=cv2.INTER_CUBIC)
    return out / (out.std() + 1e-9)


def age_field(
    row: np.ndarray, col: np.ndarray, pith: np.ndarray, reach: float, rng: np.random.Generator
) -> np.ndarray:
    """Mean radius of the ring through each pixel."""
    knots = np.linspace(0, reach, 7)
    drift = np.cumsum(rng.normal(0, 0.018 * reach, (7, 2)), axis=0)
    drift -= drift[0]
    lobes = []
    for k in range(2, 9):
        size = rng.normal(0, 0.11 / k**1.2) * np.linspace(0.1, 1, 7) ** 0.7
        lobes.append((k, size, rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.12, 7))))
    age = np.hypot(row - pith[0], col - pith[1])
    for _ in range(6):
        y = row - pith[0] - np.interp(age, knots, drift[:, 0])
        x = col - pith[1] - np.interp(age, knots, drift[:, 1])
        theta = np.arctan2(y, x)
        shape = np.ones_like(age)
        for k, size, phase in lobes:
            shape += np.interp(age, knots, size) * np.cos(k * theta + np.interp(age, knots, phase))
        age = 0.4 * age + 0.6 * np.hypot(y, x) / np.clip(shape, 0.4, 2.0)
    for _ in range(rng.integers(0, 3)):  # rings bulge where a branch came through
        t = rng.uniform(0, 2 * np.pi)
        at = pith + rng.uniform(0.2, 0.9) * reach * np.array([np.sin(t), np.cos(t)])
        width = rng.uniform(0.05, 0.1) * reach
        away = ((row - at[0]) ** 2 + (col - at[1]) ** 2) / width**2
        age -= rng.uniform(0.1, 0.35) * width * np.exp(-0.5 * away)
    return age


def ring_tone(age: np.ndarray, ring_px: float, kind: str, rng: np.random.Generator) -> np.ndarray:
    """Darkness 0 to 1 of a ring-porous, diffuse-porous or softwood ring pattern."""
    count = int(age.max() / ring_px * 2.5) + 8
    widths = ring_px * np.exp(
        rng.normal(0, 0.25, count) + 0.15 * np.cumsum(rng.normal(0, 0.2, count)).clip(-2, 2)
    )
    edges = np.concatenate([[0.0], np.cumsum(widths)])
    edges *= max(1.0, 1.02 * age.max() / edges[-1])
    number = np.interp(age, edges, np.arange(edges.size))
    phase = number % 1.0
    strength = 0.6 + 0.4 * rng.random(edges.size)[np.clip(number.astype(int), 0, edges.size - 1)]
    if kind == "softwood":
        dark = np.clip((phase - 0.45) / 0.5, 0, 1) ** 1.5
    elif kind == "ring-porous":
        dark = np.exp(-phase / 0.18) * 0.9
    else:
        dark = np.exp(-0.5 * ((phase - 0.93) / 0.06) ** 2) * 0.7
    return dark * strength


def draw_end(
    seed: int,
    *,
    shape: tuple[int, int] | None = None,
    cut: str | None = None,
    ring_px: float | None = None,
    saw: float | None = None,
    kind: str | None = None,
    noise: float | None = None,
    blur: float | None = None,
    contrast: float | None = None,
) -> DrawnEnd:
    """Draw one end; what is not given is drawn by lot from the seed.

    ``cut`` is where the pith lies: "disc", "inside", "edge", "outside" or "far".
    """
    rng = np.random.default_rng(seed)
    lot = rng.integers(0, 5)
    cut = cut or ("disc", "inside", "edge", "outside", "far")[lot]
    tilt = np.deg2rad(rng.uniform(-25, 25))
    if shape is None:
        side = int(rng.integers(700, 1300))
        shape = (side, side) if cut == "disc" else (int(side * rng.uniform(0.35, 0.75)), side)
    rows, cols = shape
    width = 0.86 * cols * (1.0 if cut == "disc" else 0.98)
    thick = width if cut == "disc" else min(width * rng.uniform(0.14, 0.3), 0.6 * rows)
    middle = np.array([(rows - 1) / 2, (cols - 1) / 2])
    along = np.array([np.sin(tilt), np.cos(tilt)])
    across = np.array([along[1], -along[0]])
    if cut != "disc":
        need = thick + width * abs(np.sin(tilt))
        if need > 0.95 * rows:
            rows = int(need / 0.95)
            middle = np.array([(rows - 1) / 2, (cols - 1) / 2])
    reach = width * 0.52
    depth = {"disc": 0.0, "inside": rng.uniform(-0.35, 0.35) * thick, "edge": 0.5 * thick,
             "outside": thick * 0.5 + rng.uniform(0.05, 0.35) * width,
             "far": thick * 0.5 + rng.uniform(0.45, 0.8) * width}[cut]  # fmt: skip
    pith = middle + across * depth + along * rng.uniform(-0.12, 0.12) * width
    row, col = np.indices((rows, cols)).astype(float)
    full = np.hypot(row - pith[0], col - pith[1]).max()
    reach = max(reach, 0.8 * full)
    age = age_field(row, col, pith, reach, rng)
    gy, gx = np.gradient(cv2.GaussianBlur(age, (0, 0), 1.0))
    tangent = np.rad2deg(np.arctan2(gx, -gy)) % 180
    u = (row - middle[0]) * along[0] + (col - middle[1]) * along[1]
    v = (row - middle[0]) * across[0] + (col - middle[1]) * across[1]
    if cut == "disc":
        live = age + 0.02 * width * smooth_noise((rows, cols), 40, rng)
        mask = (live < 0.47 * width) & (np.abs(u) < 0.49 * cols) & (np.abs(v) < 0.49 * rows)
    else:
        wobble = 0.015 * width * smooth_noise((rows, cols), 60, rng)
        mask = (np.abs(u) < 0.5 * width + wobble) & (np.abs(v) < 0.5 * thick)
    ring = ring_px or float(np.exp(rng.uniform(np.log(9), np.log(42))))
    kind = kind or ("softwood", "ring-porous", "diffuse")[rng.integers(0, 3)]
    dark = ring_tone(age, ring, kind, rng)
    strong = contrast if contrast is not None else rng.uniform(25, 85)
    base = rng.uniform(130, 200)
    tone = base - strong * dark
    theta = np.arctan2(row - pith[0], col - pith[1])
    radius = np.hypot(row - pith[0], col - pith[1])
    # Rays and stain run out from the pith.
    spokes = np.interp(
        (theta + np.pi) / (2 * np.pi) * 1440, np.arange(1442), rng.normal(0, 1, 1442)
    )
    tone += rng.uniform(0, 6) * spokes
    if rng.random() < 0.35:
        fan = np.interp((theta + np.pi) / (2 * np.pi) * 90, np.arange(92), rng.random(92))
        patch = smooth_noise((rows, cols), width / 5, rng)
        tone -= rng.uniform(20, 45) * np.clip(fan - 0.5, 0, 1) * 2 * (patch > 0.2)
    tone += rng.uniform(0, 14) * smooth_noise((rows, cols), width / 6, rng)
    tone += rng.uniform(0, 5) * smooth_noise((rows, cols), 5, rng)
    clean = mask.copy()
    for _ in range(rng.integers(0, 4)):  # checks
        t = rng.uniform(0, 2 * np.pi)
        bend = rng.normal(0, 0.06)
        off = (theta - t - bend * np.log1p(radius / ring) + np.pi) % (2 * np.pi) - np.pi
        begin, long = rng.uniform(0, 0.4) * width, rng.uniform(0.1, 0.4) * width
        wide = rng.uniform(1, 5) * np.clip((radius - begin) / (0.2 * width), 0, 1)
        crack = (np.abs(off) * radius < wide) & (radius > begin) & (radius < begin + long)
        tone = np.where(crack, 35, tone)
        clean &= ~crack
    size = saw if saw is not None else (rng.uniform(4, 16) if rng.random() < 0.6 else 0.0)
    if size > 0:
        way = rng.uniform(0, np.pi)
        k = col * -np.sin(way) + row * np.cos(way)
        k -= k.min()
        pitch = rng.uniform(4, 12)
        n = int(k.max() / pitch) + 4
        tone += size * np.interp(k / pitch, np.arange(n), rng.normal(0, 1, n))
    light = rng.normal(0, 0.25, 2)
    tone *= 1 + light[0] * (row / rows - 0.5) + light[1] * (col / cols - 0.5)
    colour = np.array([1.0, rng.uniform(0.78, 0.92), rng.uniform(0.55, 0.8)])
    picture = tone[..., None] * colour
    look = rng.integers(0, 3)
    if look == 0:
        ground = np.full((rows, cols, 3), rng.uniform(190, 250))
    elif look == 1:
        ground = 120 + 35 * smooth_noise((rows, cols), 3, rng)[..., None] * np.ones(3)
    else:
        planks = 150 + 14 * np.interp(v + 2000, np.arange(0, 4000, 5), rng.normal(0, 1, 800))
        ground = planks[..., None] * np.array([1.0, 0.9, 0.75])
    picture = np.where(mask[..., None], picture, ground)
    soft = blur if blur is not None else rng.uniform(0.4, 1.2)
    picture = cv2.GaussianBlur(picture, (0, 0), soft)
    grain = noise if noise is not None else rng.uniform(1, 8)
    picture = picture + rng.normal(0, grain, (rows, cols, 1))
    pixels = np.clip(picture, 0, 255).astype(np.uint8)
    _, coded = cv2.imencode(
        ".jpg", pixels[..., ::-1].copy(), [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 96))]
    )
    pixels = np.ascontiguousarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1])
    ends = np.stack([middle - along * width * 0.4, middle + along * width * 0.4])
    return DrawnEnd(pixels, mask, pith, tangent, ends, ring, clean)
