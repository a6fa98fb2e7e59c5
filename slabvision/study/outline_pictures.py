"""Pictures to learn the outline from: rendered scenes seen otherwise, on other ground, cut anew.

So few renders look alike that what is learned from them alone would know the renderer, not wood.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.window import Floats
from slabvision.study.outline_classes import BARK, FACE, GROUND, Classes, classes_of, filled
from slabvision.study.outline_grounds import (
    Picture,
    covered,
    ground_for,
    jittered,
    piece_of,
    soft,
)
from slabvision.study.outline_rounds import round_ring, with_rings
from slabvision.study.outline_scenes import OutlineScene

__all__ = ["end_scene", "training_picture"]

_USUAL_SIDE = 832
"""Longer side of most pictures, pixels: bark is so many times as wide where one is larger."""
_COVERED = 0.2
"""Share of pictures with posts, or another slab, before the slab."""


def _half_in_shade(rng: np.random.Generator, image: Picture) -> Picture:
    """Lay the hard edge of a shadow across a picture; the shade is bluer than the sun."""
    rows, cols = image.shape[:2]
    turn = rng.uniform(0, 2 * np.pi)
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    away = (x - cols * rng.uniform(0.2, 0.8)) * np.float32(np.cos(turn))
    away += (y - rows * rng.uniform(0.3, 0.7)) * np.float32(np.sin(turn))
    coarse = rng.standard_normal((8, 8), dtype=np.float32)
    wave = cv2.resize(coarse, (cols, rows), interpolation=cv2.INTER_CUBIC)
    away += wave * np.float32(0.04 * cols * rng.uniform())
    lit = 1 / (1 + np.exp(-np.clip(away / np.float32(rng.uniform(1.5, 8)), -20, 20)))
    shade = float(np.exp(rng.uniform(np.log(0.12), np.log(0.65))))
    tint = np.array([1.0, 1.03, 1.12], np.float32) ** np.float32(rng.uniform(0, 1.5))
    dark = np.asarray(image, np.float32) * (np.float32(shade) * tint)
    return np.asarray(dark + lit[..., None] * (image - dark))


def _photographed(rng: np.random.Generator, image: Picture) -> NDArray[np.uint8]:
    """Blur, add noise and compress."""
    out = image.astype(np.float32)
    if rng.uniform() < 0.3:
        out = cv2.GaussianBlur(out, (0, 0), rng.uniform(0.4, 1.6))
    out = out + rng.standard_normal(out.shape, dtype=np.float32) * np.float32(rng.uniform(0, 5))
    done = np.clip(out, 0, 255).astype(np.uint8)
    if rng.uniform() < 0.4:
        quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(35, 90))]
        done = cv2.imdecode(cv2.imencode(".jpg", done, quality)[1], cv2.IMREAD_COLOR)
    return np.asarray(done)


def _blob(rng: np.random.Generator, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return a random closed curve between disc and rectangle."""
    rows, cols = shape
    t = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    r = np.ones_like(t)
    for k in range(2, 14):
        r += rng.normal(0, 0.12 / k) * np.cos(k * t + rng.uniform(0, 2 * np.pi))
    power = int(rng.choice([2, 2, 4, 8]))
    c, s = np.cos(t), np.sin(t)
    r *= (np.abs(c) ** power + np.abs(s) ** power) ** (-1 / power)
    x = rng.uniform(0.18, 0.5) * cols * r * c
    y = rng.uniform(0.2, 0.5) * rows * r * s
    turn = rng.uniform(0, np.pi) if rng.uniform() < 0.5 else rng.normal(0, 0.15)
    row = rows / 2 + rng.normal(0, 0.06) * rows + x * np.sin(turn) + y * np.cos(turn)
    col = cols / 2 + rng.normal(0, 0.06) * cols + x * np.cos(turn) - y * np.sin(turn)
    return np.column_stack([row, col])


def _cut_anew(
    rng: np.random.Generator,
    scene: OutlineScene,
    other: OutlineScene,
    rim: Floats,
    *,
    rings: bool = False,
) -> tuple[Picture, Classes] | None:
    """Return wood of one scene, cut to a shape, on other ground, with or without bark.

    With rings it looks like the sawn end of a log.
    """
    classes = classes_of(scene)
    shape = (classes.shape[0], classes.shape[1])
    at = np.argwhere(classes == FACE)
    if len(at) < 500:
        return None
    span = np.ptp(np.percentile(at, [10, 90], axis=0), axis=0) * rng.uniform(0.4, 0.9)
    size = (int(span[0]), int(span[1]))
    wood = piece_of(rng, scene.pixels, classes == FACE, size, shape)
    if wood is None:
        return None
    out = jittered(rng, ground_for(rng, scene, other, shape, 0.55))
    mask = filled(shape, rim)
    if rings:
        wood = wood.astype(np.float32)
        calm = cv2.GaussianBlur(wood, (0, 0), float(rng.exponential(8)) + 0.5)
        wood = with_rings(rng, calm + rng.uniform(0.1, 0.8) * (wood - calm), rim, mask > 0)
    new: Classes = mask.copy()
    if rng.uniform() < 0.5:
        wide = 2 * int(rng.integers(2, 12) * max(shape) / _USUAL_SIDE) + 1
        ring = cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide)))
        patchy = cv2.GaussianBlur(rng.standard_normal(shape, dtype=np.float32), (0, 0), 8)
        ring = np.where((patchy > -patchy.std()) | (mask > 0), ring, 0)
        tone = rng.uniform(25, 130) * np.array([1, 0.86, 0.72])
        skin = tone * (1 + 0.25 * rng.standard_normal((*shape, 1)))
        out = out + soft(ring) * (skin - out)
        new[(ring > 0) & (mask == 0)] = BARK
    if rng.uniform() < 0.5:
        moved = np.roll(mask, tuple(int(v) for v in rng.integers(-8, 9, 2)), (0, 1))
        shade = cv2.GaussianBlur(moved.astype(np.float32), (0, 0), rng.uniform(2, 12))
        out = out * (1 - 0.5 * rng.uniform() * shade * (new == GROUND))[..., None]
    return out + soft(mask) * (jittered(rng, wood) - out), new


def end_scene(
    rng: np.random.Generator, scene: OutlineScene, other: OutlineScene
) -> OutlineScene | None:
    """Return a log's end as large as a scene, of its wood; None where too little of it is seen."""
    rim = round_ring(rng, scene.hidden.shape)
    made = _cut_anew(rng, scene, other, rim, rings=True)
    if made is None:
        return None
    whole = (made[1] > 0).astype(np.uint8)
    around = max(cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    bark = around[:, 0, ::-1].astype(np.float64)
    return replace(
        scene, pixels=_photographed(rng, made[0]), arris=rim, bark=bark, widest=bark,
        hidden=np.zeros_like(scene.hidden), words="end",
    )  # fmt: skip


def _on_other_ground(
    rng: np.random.Generator, scene: OutlineScene, other: OutlineScene
) -> tuple[Picture, Classes]:
    classes = classes_of(scene)
    shape = (classes.shape[0], classes.shape[1])
    lain = rng.uniform() < 0.8
    ground = ground_for(rng, scene, other, shape, 0.6) if lain else scene.pixels
    ground = jittered(rng, ground, 1.3)
    return ground + soft(classes > 0) * (jittered(rng, scene.pixels) - ground), classes


def _before_another(
    rng: np.random.Generator, scene: OutlineScene, other: OutlineScene
) -> tuple[Picture, Classes] | None:
    """Return a slab laid before all of another scene, whose own slab is one more behind it.

    None where that one would still be the larger: nobody could say which is meant.
    """
    classes, behind = classes_of(scene), classes_of(other)
    rows, cols = classes.shape
    if not (classes == FACE).any():
        return None
    middle = np.argwhere(classes == FACE).mean(axis=0)
    back = np.asarray(other.pixels, np.float32)
    # One tree's slabs lie together: often nearly of one colour.
    usual = [
        each.pixels[shows == FACE].mean(axis=0) + 1
        for each, shows in ((scene, classes), (other, behind))
        if (shows == FACE).any()
    ]
    alike = (usual[-1] / usual[0]) ** rng.uniform(0, 1.3) * np.exp(rng.normal(0, 0.06, 3))
    front = np.clip(scene.pixels * alike, 0, 255).astype(np.float32)
    if rng.uniform() < 0.5:
        back, behind = back[:, ::-1], behind[:, ::-1]
    back = cv2.resize(back, (cols, rows), interpolation=cv2.INTER_AREA)
    behind = cv2.resize(behind, (cols, rows), interpolation=cv2.INTER_NEAREST)
    # What the frame cuts off stays where the frame is.
    inner = np.s_[1:-1, 1:-1]
    whole = np.count_nonzero(classes[inner]) == np.count_nonzero(classes)
    way = np.eye(2, 3)
    if whole:
        zoom, turn = rng.uniform(0.7, 1.15), rng.normal(0, 0.12)
        way[:, :2] = zoom * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        to = np.array([cols / 2, rows / 2]) + rng.normal(0, 0.06, 2) * [cols, rows]
        way[:, 2] = to - way[:, :2] @ middle[::-1]
    front = cv2.warpAffine(front, way, (cols, rows))
    new = cv2.warpAffine(classes, way, (cols, rows), flags=cv2.INTER_NEAREST)
    if np.count_nonzero(new == FACE) < np.count_nonzero((behind == FACE) & (new == GROUND)):
        return None
    moved = np.roll(new > 0, tuple(int(v) for v in rng.integers(-8, 9, 2)), (0, 1))
    shade = cv2.GaussianBlur(moved.astype(np.float32), (0, 0), rng.uniform(2, 12))
    back = back * (1 - rng.uniform(0, 0.6) * shade)[..., None]
    return jittered(rng, back + soft(new > 0) * (front - back)), new


def _from_elsewhere(
    rng: np.random.Generator, scene: OutlineScene, other: OutlineScene
) -> tuple[Picture, Classes]:
    """Return the scene nearer, turned and tilted, so that the frame cuts it."""
    classes = classes_of(scene)
    rows, cols = classes.shape
    # By chance so near that wood fills the photo and is cut on several sides.
    zoom = rng.uniform(1.0, 1.9) if rng.uniform() < 0.65 else rng.uniform(1.9, 3.5)
    turn = rng.normal(0, 0.25) if rng.uniform() < 0.7 else rng.uniform(0, 2 * np.pi)
    middle = np.array([cols / 2, rows / 2])
    way = np.eye(3)
    way[:2, :2] = zoom * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    way[:2, 2] = middle + rng.normal(0, 0.12, 2) * [cols, rows] - way[:2, :2] @ middle
    way[2, :2] = rng.normal(0, 0.1, 2) / cols
    seen = cv2.warpPerspective(np.ones_like(classes), way, (cols, rows))
    moved = cv2.warpPerspective(jittered(rng, scene.pixels), way, (cols, rows))
    new = cv2.warpPerspective(classes, way, (cols, rows), flags=cv2.INTER_NEAREST)
    ground = ground_for(rng, other, other, (rows, cols), 1.0)
    return np.where(seen[..., None] > 0, moved, ground), new


def training_picture(
    rng: np.random.Generator, scene: OutlineScene, other: OutlineScene, *, plain: bool = False
) -> tuple[NDArray[np.uint8], Classes]:
    """Return a picture and what each pixel shows: ground, face, bark, side, or unknown.

    Parameters
    ----------
    rng : Generator
    scene, other : OutlineScene
        The slab's, and one that may lend its ground.
    plain : bool
        Whether the slab stays where it is.
    """
    kinds = ["as it is", "elsewhere", "ground", "another", "shape", "end"]
    kind = str(rng.choice(kinds, p=[0.26, 0.15, 0.11, 0.12, 0.06, 0.3]))
    kind = kinds[0] if plain else kind
    made = None
    if kind == "another":
        made = _before_another(rng, scene, other)
    elif kind in ("shape", "end"):
        rings = kind == "end"
        rim = (round_ring if rings else _blob)(rng, scene.hidden.shape)
        made = _cut_anew(rng, scene, other, rim, rings=rings)
    if made is None:
        if kind in ("ground", "another"):
            made = _on_other_ground(rng, scene, other)
        elif kind == "elsewhere":
            made = _from_elsewhere(rng, scene, other)
        else:
            made = jittered(rng, scene.pixels), classes_of(scene)
    if rng.uniform() < _COVERED:
        made = covered(rng, made[0], made[1], other)
    picture = _half_in_shade(rng, made[0]) if rng.uniform() < 0.3 else made[0]
    image, classes = _photographed(rng, picture), made[1]
    if rng.uniform() < 0.5:
        image, classes = image[:, ::-1], classes[:, ::-1]
    if rng.uniform() < 0.5:
        image, classes = image[::-1], classes[::-1]
    if rng.uniform() < 0.15:
        image, classes = np.rot90(image), np.rot90(classes)
    return np.ascontiguousarray(image), np.ascontiguousarray(classes)
