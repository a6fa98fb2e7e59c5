"""The ground and the things of a yard: gravel, concrete, grass, other slabs."""

from __future__ import annotations

import numpy as np

from slabvision.opencv import cv2
from slabvision.scene.fill import Array
from slabvision.scene.log import grow_log
from slabvision.scene.looks import look, looks
from slabvision.scene.noise import blur_noise, smoothstep
from slabvision.scene.sawing import saw
from slabvision.scene.wood import Canvas, clear_wood

__all__ = ["YARDS", "ground_texture"]

YARDS = ("gravel", "concrete", "grass", "stack", "rack")
"""What the slab lies on, or stands in."""


def ground_texture(rng: np.random.Generator, kind: str, shape: tuple[int, int], mm: float) -> Array:
    """Return a picture (float32, 0 to 255) of the ground; it is laid out mirrored, so no seams."""
    if kind == "gravel":
        return _gravel(rng, shape, mm)
    if kind == "concrete":
        return _concrete(rng, shape, mm)
    if kind == "grass":
        return _grass(rng, shape, mm)
    if kind in ("stack", "rack"):
        return _planks(rng, shape, mm)
    raise ValueError(f"yard {kind!r} is not known; one of {', '.join(YARDS)}")


def _stones(rng: np.random.Generator, shape: tuple[int, int], size: float,
            share: float) -> tuple[Array, Array, Array]:  # fmt: skip
    """Return stone number, brightness of its lit dome and where there is a stone."""
    rows, cols = int(shape[0] / size) + 2, int(shape[1] / size) + 2
    r = (np.arange(rows)[:, None] + rng.uniform(-0.45, 0.45, (rows, cols))) * size
    c = (np.arange(cols)[None, :] + rng.uniform(-0.45, 0.45, (rows, cols))) * size
    seeds = np.ones(shape, np.uint8)
    inside = (r >= 0) & (r < shape[0]) & (c >= 0) & (c < shape[1])
    seeds[r[inside].astype(int), c[inside].astype(int)] = 0
    distance, label = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    count = int(label.max()) + 1
    radius = (size * rng.uniform(0.42, 0.72, count).astype(np.float32))[label]
    height = np.sqrt(np.clip(1.0 - (distance / radius) ** 2, 0.0, 1.0))
    height *= (rng.uniform(size=count) < share).astype(np.float32)[label]
    smooth = cv2.GaussianBlur(height, (0, 0), sigmaX=max(0.06 * size, 0.6))
    lit = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)
    lit += cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
    return label, 1.0 + lit * np.float32(0.05 * size), smooth


def _gravel(rng: np.random.Generator, shape: tuple[int, int], mm: float) -> Array:
    ground = 74.0 + 9.0 * blur_noise(rng, shape, (1.2, 1.2))
    out = ground[..., None] * np.array([1.04, 1.0, 0.92], np.float32)
    for size, share in ((9.0, 0.9), (17.0, 0.75), (31.0, 0.3)):
        if size / mm < 2.0:
            continue
        label, lit, height = _stones(rng, shape, size / mm, share)
        count = int(label.max()) + 1
        tone = np.clip(rng.normal(136.0, 27.0, count), 66.0, 216.0)
        warm = rng.normal(0.0, 0.035, count)
        colours = np.column_stack([tone * (1.02 + warm), tone, tone * (0.96 - warm)])
        alpha = smoothstep(0.12, 0.5, height).astype(np.float32)
        stone = colours.astype(np.float32)[label]
        stone *= np.clip(lit * (0.62 + 0.5 * height), 0.3, 1.5)[..., None]
        out *= (1.0 - 0.25 * np.roll(alpha, (2, 2), (0, 1)))[..., None]
        out += alpha[..., None] * (stone - out)
    out *= (1.0 + 0.05 * blur_noise(rng, shape, (0.8, 0.8)))[..., None]
    out *= (1.0 + 0.06 * blur_noise(rng, shape, (260 / mm, 260 / mm)))[..., None]
    return np.asarray(out, np.float32)


def _concrete(rng: np.random.Generator, shape: tuple[int, int], mm: float) -> Array:
    tone = 152.0 + 7.0 * blur_noise(rng, shape, (300 / mm, 300 / mm))
    tone += 6.0 * blur_noise(rng, shape, (40 / mm, 40 / mm))
    tone += 5.0 * blur_noise(rng, shape, (4 / mm, 4 / mm))
    tone += 4.0 * blur_noise(rng, shape, (0.7, 0.7))
    tone -= 26.0 * np.clip(blur_noise(rng, shape, (2.2 / mm, 2.2 / mm)) - 2.1, 0.0, 1.5)
    stain = smoothstep(1.1, 1.9, blur_noise(rng, shape, (120 / mm, 120 / mm)))
    tone *= 1.0 - 0.22 * stain
    vein = np.abs(blur_noise(rng, shape, (330 / mm, 330 / mm)) + 0.02 * blur_noise(
        rng, shape, (9 / mm, 9 / mm)))  # fmt: skip
    some = smoothstep(0.2, 1.0, blur_noise(rng, shape, (200 / mm, 200 / mm)))
    tone -= 40.0 * some * np.exp(-((vein / (0.004 * max(mm, 1.0))) ** 2))
    return np.asarray(tone[..., None] * np.array([1.0, 0.985, 0.95], np.float32), np.float32)


def _grass(rng: np.random.Generator, shape: tuple[int, int], mm: float) -> Array:
    soil = 46.0 + 8.0 * blur_noise(rng, shape, (6 / mm, 6 / mm))
    base = np.clip(soil[..., None] * np.array([0.95, 1.0, 0.6], np.float32), 0, 255)
    image = np.ascontiguousarray(base.astype(np.uint8))
    lush = blur_noise(rng, (64, 64), (5.0, 5.0))
    count = int(shape[0] * shape[1] * mm * mm / 75.0)
    r, c = rng.uniform(-20, shape[0] + 20, count), rng.uniform(-20, shape[1] + 20, count)
    turn = rng.uniform(0, 2 * np.pi, count)
    length = rng.uniform(14.0, 46.0, count) / mm
    bend = rng.normal(0.0, 0.5, count)
    here = lush[np.clip(r / shape[0] * 63, 0, 63).astype(int),
                np.clip(c / shape[1] * 63, 0, 63).astype(int)]  # fmt: skip
    tone = rng.uniform(0.45, 1.0, count) * np.linspace(0.6, 1.15, count)
    dry = (rng.uniform(size=count) < 0.16 - 0.08 * here)[:, None]
    green = np.column_stack([104 + 18 * rng.normal(size=count), 138 + 10 * here, 62 + 0 * here])
    colour = np.where(dry, [184.0, 168.0, 108.0], green) * tone[:, None]
    steps = np.array([0.0, 0.5, 1.0])
    heading = turn[:, None] + bend[:, None] * steps
    x = c[:, None] + length[:, None] * np.cumsum(np.cos(heading), axis=1) * 0.4
    y = r[:, None] + length[:, None] * np.cumsum(np.sin(heading), axis=1) * 0.4
    blades = np.stack([x, y], axis=2)
    fixed = np.round(blades * 16).astype(np.int32)
    thick = max(1, round(2.0 / mm))
    for points, paint in zip(fixed, np.clip(colour, 0, 255), strict=True):
        cv2.polylines(image, [points], False, paint.tolist(), thick, cv2.LINE_AA, 4)
    return np.asarray(image, np.float32)


def _planks(rng: np.random.Generator, shape: tuple[int, int], mm: float) -> Array:
    """Return the faces of other slabs lying side by side, dark gaps between them."""
    scale = max(mm, 2.0)
    small = (int(shape[0] * mm / scale) + 1, int(shape[1] * mm / scale) + 1)
    out = np.full((*small, 3), 38.0, np.float32)
    seed = int(rng.integers(1, 2**31))
    row = 0
    while row < small[0]:
        seed += 1
        log = grow_log(seed, look(str(rng.choice(looks()))))
        width = int(rng.uniform(380.0, 700.0) / scale)
        part = (min(width, small[0] - row), min(small[1], int(rng.uniform(2300.0, 3100.0) / scale)))
        cut = saw(seed, log, length_mm=2000.0)
        canvas = Canvas(cut.frame("face A"), -cut.x0 + 150.0, 60.0, scale, part, end=False)
        wood, _, _ = clear_wood(log, canvas, seed)
        grey = wood.mean(axis=2, keepdims=True)
        wood += 0.4 * (0.75 * grey + 32.0 - wood)
        wood[:, -max(1, int(14.0 / scale)) :] *= 0.3  # a gap between one slab's end and the next's
        # Beyond its end the next slab of the same log lies turned round.
        lies = np.abs((np.arange(small[1]) + part[1]) % (2 * part[1]) - part[1])
        out[row : row + part[0]] = wood[:, np.minimum(lies, part[1] - 1)]
        gap = 8.0 / scale * blur_noise(rng, (1, small[1]), (0.1, 130.0 / scale))[0] + 26.0 / scale
        depth = (part[0] - np.arange(part[0]))[:, None]
        dark = smoothstep(-2.0, 3.0, gap[None, :] - depth)
        out[row : row + part[0]] *= (1.0 - 0.85 * dark)[..., None].astype(np.float32)
        row += width
    big = cv2.resize(out, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(np.clip(big, 0, 255), np.float32)
