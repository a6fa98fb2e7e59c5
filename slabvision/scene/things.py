"""Things that lie on a slab or stand before it: stickers, boots, the edge of a neighbour."""

from __future__ import annotations

from typing import Any

import numpy as np

from slabvision.defects import ZONES
from slabvision.scene.fill import Array
from slabvision.scene.noise import blur_noise
from slabvision.scene.picture import Picture, lay_flat, paint_stack

__all__ = ["boots", "neighbour", "stickers"]


def _box(start: Array, along: Array, length: float, width: float) -> Array:
    across = np.array([-along[1], along[0]])
    return np.array([start, start + length * along, start + length * along + width * across,
                     start + width * across])  # fmt: skip


def _inset_levels(low: float, high: float, count: int, ring: Array) -> list[tuple[float, Array]]:
    return [(float(w), ring) for w in np.linspace(low, high, count)]


def stickers(rng: np.random.Generator, picture: Picture, outline: Any, count: int) -> None:
    """Lay strips of wood across the face, as in an opened stack."""
    u0, v0, u1, v1 = outline.bounds
    for k in range(count):
        u = u0 + (u1 - u0) * (k + 0.5 + float(rng.uniform(-0.15, 0.15))) / count
        lean = float(rng.normal(0.0, 0.04))
        along = np.array([np.sin(lean), np.cos(lean)])
        wide, high = float(rng.uniform(20.0, 38.0)), float(rng.uniform(18.0, 26.0))
        start = np.array([u, v0 - float(rng.uniform(20, 110))])
        length = v1 - start[1] + float(rng.uniform(20, 120))
        ring = _box(start, along, length, wide)
        tone = np.array([176.0, 150, 116]) * float(rng.uniform(0.7, 1.05))

        def side(u_: Array, v_: Array, w_: Array, tone: Array = tone) -> Array:
            return np.asarray(np.ones((len(u_), 1)) * tone * 0.55, np.float32)

        paint_stack(picture, _inset_levels(0.0, -high, 12, ring), side, skip_last=True)
        mm = 1.0
        shape = (int(wide / mm) + 2, int(length / mm) + 2)
        grain = 1 + 0.09 * blur_noise(rng, shape, (1.0, 40.0))
        grain += 0.05 * blur_noise(rng, shape, (0.6, 3.0))
        art = np.clip(tone * grain[..., None], 0, 255).astype(np.uint8)
        turn = float(np.arctan2(along[1], along[0]))
        lay_flat(picture, art, mm, ring, -high, start, turn, shadow_mm=8.0,
                 zone=ZONES["sticker"].value)  # fmt: skip
        picture.hide(ring, 0.0, ZONES["sticker"].value)


def _sole(at: Array, heading: float, size: float, side: float) -> Array:
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    x = np.cos(t) * 150.0
    y = np.sin(t) * (46.0 + 9.0 * np.cos(t) - 8.0 * np.cos(2 * t))
    y = y + side * 7.0 * np.cos(2 * t)
    c, s = np.cos(heading), np.sin(heading)
    return np.asarray(at + size * np.column_stack([x * c - y * s, x * s + y * c]))


def boots(rng: np.random.Generator, picture: Picture, at: Array, heading: float,
          floors: tuple[float, float]) -> None:  # fmt: skip
    """Stand somebody at a place, toes along ``heading`` (radians), each sole on its own floor."""
    size = float(rng.uniform(0.92, 1.05))
    leather = np.array([104.0, 72, 46]) * float(rng.uniform(0.5, 1.15))
    cloth = np.array([62.0, 74, 96]) * float(rng.uniform(0.7, 1.2))
    across = np.array([-np.sin(heading), np.cos(heading)])
    toe = np.array([np.cos(heading), np.sin(heading)])
    for side, floor in zip((-1.0, 1.0), floors, strict=True):
        step = 150.0 if floor < floors[0] or floor < floors[1] else float(rng.normal(0, 18))
        place = at + side * 95.0 * across + step * toe
        sole = _sole(place, heading + side * 0.12, size, side)
        spin = np.array([toe, across])
        levels: list[tuple[float, Array]] = [(floor - h, sole) for h in (0.0, 7.0, 14.0, 21.0)]
        for h in np.linspace(28.0, 120.0, 30):
            k = (h - 28.0) / 92.0
            local = (sole - place) @ spin.T
            rise = np.where(local[:, :1] > 0, 1.0 - 0.78 * k**0.7, 1.0 - 0.12 * k)
            wide = 1.0 - 0.16 * k
            levels.append((floor - h, place + (local * np.hstack([rise, 0 * rise + wide])) @ spin))
        heel = place - 62.0 * size * toe
        t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        ring = np.column_stack([np.cos(t), np.sin(t)]) @ spin
        for h in np.linspace(122.0, 1000.0, 110):
            girth = 68.0 + 9.0 * np.sin(h / 21.0) * (h < 330) + 0.03 * h
            levels.append((floor - h, heel + girth * ring - 0.1 * step / 150.0 * h * toe))
        wrinkle = blur_noise(rng, (128, 128), (3.0, 9.0))

        def colour(u: Array, v: Array, w: Array, place: Array = place, heel: Array = heel,
                   floor: float = floor, wrinkle: Array = wrinkle) -> Array:  # fmt: skip
            h = floor - w
            base = np.where(h[:, None] < 27, [40.0, 36, 32],
                            np.where(h[:, None] < 121, leather, cloth))  # fmt: skip
            centre = np.where(h[:, None] < 121, place, heel)
            x, y = u - centre[:, 0], v - centre[:, 1]
            shade = 0.72 + 0.36 * np.clip((x + y) / 110.0, -1, 1)
            row = (np.abs(h) * 0.5).astype(int) % 128
            fold = wrinkle[row, (np.abs(x - y) * 0.5).astype(int) % 128]
            return np.asarray(base * (shade * (1 + 0.09 * fold))[:, None], np.float32)

        mask = paint_stack(picture, levels, colour, skip_last=False)
        picture.zones[mask] = ZONES["boot"].value


def neighbour(rng: np.random.Generator, picture: Picture, outline: Any, tone: Array) -> None:
    """Lean another slab over one end, as in a rack, so that part of the face is hidden."""
    u0, v0, u1, v1 = outline.bounds
    share = float(rng.uniform(0.06, 0.2)) * (u1 - u0)
    left = rng.uniform() < 0.5
    v = np.linspace(v0 - 700.0, v1, 160)  # it stands on the same floor
    wave = 18.0 * blur_noise(rng, (1, 160), (0.1, 7.0))[0]
    wave += 7.0 * blur_noise(rng, (1, 160), (0.1, 2.5))[0]
    edge = (u0 + share if left else u1 - share) + wave
    far = u0 - 2500.0 if left else u1 + 2500.0
    ring = np.vstack([np.column_stack([edge, v]), [[far, v[-1]], [far, v[0]]]])
    mm = 2.0
    shape = (int((v[-1] - v[0]) / mm), int((share + 2600.0) / mm))
    grain = 1 + 0.1 * blur_noise(rng, shape, (40.0, 1.2))
    grain += 0.08 * blur_noise(rng, shape, (70.0, 8.0))
    art = np.clip(tone * grain[..., None], 0, 255).astype(np.uint8)
    thick, gap = 55.0, 30.0
    bark = blur_noise(rng, (256, 256), (2.0, 6.0))

    def side(u: Array, v_: Array, w: Array) -> Array:
        rough = bark[(np.abs(w)).astype(int) % 256, (np.abs(v_) / 3).astype(int) % 256]
        return np.asarray(np.array([96.0, 80, 66]) * (0.8 + 0.25 * rough[:, None]), np.float32)

    levels = _inset_levels(-gap, -gap - thick, 20, ring)
    mask = paint_stack(picture, levels, side, skip_last=True)
    picture.zones[mask] = ZONES["boot"].value
    origin = np.array([min(far, float(edge.min())), float(v[0])])
    lay_flat(picture, art, mm, ring, -gap - thick, origin, 0.0, shadow_mm=30.0,
             zone=ZONES["boot"].value)  # fmt: skip
