"""A slab standing on edge in a rack: floor before it, other slabs behind, posts across it.

In the face's own coordinates ``v`` runs down to the floor, ``w`` into the wood, mm.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from slabvision.defects import ZONES
from slabvision.opencv import cv2
from slabvision.scene.fill import Array
from slabvision.scene.noise import blur_noise
from slabvision.scene.picture import Picture, lay_flat, paint_stack
from slabvision.scene.yard import ground_texture

__all__ = ["paint_floor", "paint_posts"]


def paint_floor(rng: np.random.Generator, picture: Picture, outline: Any, back_mm: float) -> None:
    """Paint the floor the slab stands on, up to the slabs ``back_mm`` behind its face."""
    u0, _, u1, v1 = outline.bounds
    camera = picture.camera
    u, w = camera.plane_maps(1, float(v1), reach=2e4)
    floor = (w < back_mm) & (w > -1.9e4) & (np.abs(u) < 1.9e4)
    if not floor.any():
        return
    mm = max(2.0, (u1 - u0) / 1500.0)
    texture = ground_texture(rng, "concrete" if rng.uniform() < 0.7 else "gravel", (1400, 2400), mm)
    low = ((u0 + u1) / 2 - 1200.0 * mm, back_mm - 1400.0 * mm)
    x = np.clip((u - np.float32(low[0])) * np.float32(1 / mm), -3e4, 3e4)
    y = np.clip((w - np.float32(low[1])) * np.float32(1 / mm), -3e4, 3e4)
    image = cv2.remap(np.clip(texture, 0, 255).astype(np.uint8), x, y, cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_REFLECT)  # fmt: skip
    dark = 0.55 * np.exp(-np.clip(np.abs(w), 0.0, 1e3) / 90.0)  # where the slabs stand
    light = image.astype(np.float32) * (1.0 - dark)[..., None]
    alpha = cv2.blur(floor.astype(np.float32), (3, 3))[..., None]
    picture.light += alpha * (light - picture.light)


def paint_posts(rng: np.random.Generator, picture: Picture, outline: Any) -> None:
    """Stand the rack's posts before the face: they hide strips of it."""
    u0, v0, u1, v1 = outline.bounds
    count = int(rng.integers(1, 3))
    steel = rng.uniform() < 0.5
    tones = ([92.0, 100, 116], [150.0, 74, 40], [70.0, 84, 66]) if steel else ([158.0, 130, 96],)
    tone = np.array(tones[int(rng.integers(len(tones)))])
    near = float(rng.uniform(92.0, 140.0))  # before a slab that leans here too
    for k in range(count):
        wide = float(rng.uniform(45.0, 80.0) if steel else rng.uniform(90.0, 120.0))
        u = u0 + (u1 - u0) * (k + float(rng.uniform(0.25, 0.75))) / count
        lean = float(rng.normal(0.0, 0.006))
        top, bottom = v0 - 600.0, float(v1)
        ring = np.array([[u + lean * (top - v1), top], [u + wide + lean * (top - v1), top],
                         [u + wide, bottom], [u, bottom]])  # fmt: skip
        deep = wide * 0.8

        def side(u_: Array, v_: Array, w_: Array, tone: Array = tone) -> Array:
            return np.asarray(np.ones((len(u_), 1)) * tone * 0.55, np.float32)

        levels = [(float(w), ring) for w in np.linspace(-near, -near - deep, 24)]
        mask = paint_stack(picture, levels, side, skip_last=True)
        picture.zones[mask] = ZONES["boot"].value
        mm = 1.5
        shape = (int((bottom - top) / mm) + 2, int((wide + 40.0) / mm) + 2)
        grain = 1 + 0.07 * blur_noise(rng, shape, (60.0, 1.0) if not steel else (9.0, 9.0))
        grain -= 0.05 * np.clip(blur_noise(rng, shape, (3.0, 3.0)) - 1.2, 0.0, 2.0)
        art = np.clip(tone * grain[..., None], 0, 255).astype(np.uint8)
        lay_flat(picture, art, mm, ring, -near - deep, np.array([ring[:, 0].min(), top]), 0.0,
                 shadow_mm=0.4 * near, zone=ZONES["boot"].value)  # fmt: skip
