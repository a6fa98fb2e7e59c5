"""Grounds and neighbours for pictures to learn from: floors, boards of the same wood, posts."""

from __future__ import annotations

import itertools
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.study.outline_classes import FACE, GROUND, UNKNOWN, Classes, classes_of
from slabvision.study.outline_scenes import OutlineScene

__all__ = ["Picture", "covered", "ground_for", "jittered", "piece_of", "soft"]

Picture: TypeAlias = NDArray[Any]

_OF_BOARDS = 0.4
"""Share of grounds made of rendered pictures that are boards."""


def jittered(rng: np.random.Generator, image: Picture, strength: float = 1.0) -> Picture:
    """Change exposure, white balance and saturation as cameras and weather do."""
    levels = (np.arange(256) / 255) ** np.exp(rng.normal(0, 0.22 * strength))
    gains = np.exp(rng.normal(0, 0.14 * strength) + rng.normal(0, 0.05 * strength, 3))
    table = (255 * levels[None, :, None] * gains[None, None, :]).astype(np.float32)
    lit = cv2.LUT(np.clip(image, 0, 255).astype(np.uint8), table)
    keep = float(np.clip(np.exp(rng.normal(0, 0.35 * strength)), 0, 1.8))
    if rng.uniform() < 0.06:
        keep = 0.0
    grey = cv2.transform(lit, np.full((3, 3), 1 / 3, np.float32))
    return np.asarray(np.clip(cv2.addWeighted(lit, keep, grey, 1 - keep, 0), 0, 255))


def soft(mask: NDArray[Any]) -> NDArray[np.float32]:
    """Return a mask with soft edges, a channel last."""
    return np.asarray(cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.8)[..., None])


def _plain_ground(rng: np.random.Generator, shape: tuple[int, int]) -> Picture:
    """Return paper, cloth, floor, earth: one colour, shaded, with mottle of some sizes."""
    rows, cols = shape
    base = rng.uniform(0, 255, 3) * 0.35 + rng.choice([10, 40, 90, 150, 210, 250]) * 0.65
    if rng.uniform() < 0.3:
        base = np.full(3, rng.choice([3, 12, 248, 255]))
    y, x = np.mgrid[:rows, :cols]
    slope = 1 + rng.normal(0, 0.15) * (y / rows - 0.5) + rng.normal(0, 0.15) * (x / cols - 0.5)
    mottle = np.zeros(shape, np.float32)
    for sigma in (0.7, 2.0, 6.0, 20.0):
        noise = rng.standard_normal(shape, dtype=np.float32)
        noise = cv2.GaussianBlur(noise, (0, 0), sigma, sigmaY=sigma * rng.choice([1, 1, 4]))
        mottle += noise / noise.std() * rng.exponential(6) * (rng.uniform() < 0.5)
    return np.asarray(np.clip(base * slope[..., None] + mottle[..., None], 0, 255))


def _tiled(piece: Picture, shape: tuple[int, int]) -> Picture:
    """Mirror a piece until it fills a shape."""
    rows, cols = shape
    out = piece
    while out.shape[0] < rows or out.shape[1] < cols:
        more = (
            min(max(0, rows - out.shape[0]), out.shape[0] - 1),
            min(max(0, cols - out.shape[1]), out.shape[1] - 1),
        )
        out = cv2.copyMakeBorder(out, 0, more[0], 0, more[1], cv2.BORDER_REFLECT_101)
    return np.asarray(out[:rows, :cols])


def piece_of(
    rng: np.random.Generator,
    image: Picture,
    where: NDArray[np.bool_],
    size: tuple[int, int],
    shape: tuple[int, int],
) -> Picture | None:
    """Return a window that lies in a region, tiled to a shape; None where none was found."""
    rows, cols = size
    if rows < 30 or cols < 30 or rows >= where.shape[0] or cols >= where.shape[1]:
        return None
    for _ in range(30):
        r = int(rng.integers(0, where.shape[0] - rows))
        c = int(rng.integers(0, where.shape[1] - cols))
        if where[r : r + rows, c : c + cols].mean() > 0.98:
            piece = image[r : r + rows, c : c + cols]
            zoom = rng.uniform(1.0, 2.0)
            piece = cv2.resize(piece, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC)
            if rng.uniform() < 0.3:
                piece = np.rot90(piece).copy()
            return _tiled(piece, shape)
    return None


def ground_for(
    rng: np.random.Generator,
    scene: OutlineScene,
    other: OutlineScene,
    shape: tuple[int, int],
    rendered: float,
) -> Picture:
    """Return something for a slab to lie on.

    Parameters
    ----------
    rng : Generator
    scene, other : OutlineScene
        The slab's, whose wood may be the boards' under it, and one that may lend its ground.
    shape : (int, int)
    rendered : float
        Chance that the ground is made of what scenes show, and not of one plain colour.
    """
    if rng.uniform() < rendered:
        if rng.uniform() < _OF_BOARDS:
            made = _boards(rng, scene if rng.uniform() < 0.5 else other, shape)
        else:
            made = _shown(rng, other, GROUND, shape)
        if made is not None:
            return made
    return _plain_ground(rng, shape)


def _shown(
    rng: np.random.Generator, scene: OutlineScene, kind: int, shape: tuple[int, int]
) -> Picture | None:
    """Return a window on what a scene shows of one class, as large as one is found."""
    classes = classes_of(scene)
    rows, cols = classes.shape
    for share in (0.5, 0.35, 0.25, 0.15):
        size = (int(rows * share), int(cols * share))
        piece = piece_of(rng, scene.pixels, classes == kind, size, shape)
        if piece is not None:
            return piece
    return None


def _boards(
    rng: np.random.Generator, scene: OutlineScene, shape: tuple[int, int]
) -> Picture | None:
    """Return boards of a scene's wood side by side, dark gaps and butted ends between them."""
    wood = _shown(rng, scene, FACE, shape)
    if wood is None:
        return None
    rows, cols = shape
    out = np.asarray(wood, np.float32).copy()
    at = -int(rng.uniform(0, 0.3) * rows)
    while at < rows:
        high = int(rng.uniform(0.08, 0.4) * rows)
        row = np.s_[max(0, at) : min(rows, at + high)]
        ends = [0, *sorted(rng.integers(0, cols, int(rng.integers(0, 3)))), cols]
        for left, right in itertools.pairwise(ends):
            part = np.roll(wood[row], int(rng.integers(cols)), axis=1)[:, left:right]
            part = part[:, ::-1] if rng.uniform() < 0.5 else part
            out[row, left:right] = part * np.exp(rng.normal(0, 0.12) + rng.normal(0, 0.03, 3))
            out[row, left : left + int(rng.integers(1, 6))] *= np.float32(rng.uniform(0.05, 0.6))
        gap = int(rng.integers(0, 8))
        out[max(0, at + high - gap) : max(0, at + high)] *= np.float32(rng.uniform(0.05, 0.5))
        at += max(8, high)
    # Rows of boards lie at any slant under the slab.
    turn = float(rng.normal(0, 6)) if rng.uniform() < 0.8 else 90.0
    way = cv2.getRotationMatrix2D((cols / 2, rows / 2), turn, float(rng.uniform(1.1, 1.5)))
    return np.asarray(cv2.warpAffine(out, way, (cols, rows), borderMode=cv2.BORDER_REFLECT_101))


def covered(
    rng: np.random.Generator, picture: Picture, classes: Classes, lender: OutlineScene
) -> tuple[Picture, Classes]:
    """Return a picture with posts before it, and by chance another slab that leans over it.

    A post leaves the classes as they are, for the slab goes on behind it; behind the slab that
    leans over nobody knows.
    """
    shape = (classes.shape[0], classes.shape[1])
    rows, cols = shape
    out, shows = np.asarray(picture, np.float32), classes.copy()
    wood = _shown(rng, lender, FACE, shape) if rng.uniform() < 0.6 else None
    leaning = wood is not None and rng.uniform() < 0.5
    slant = rng.normal(0, 0.06)
    places = rng.uniform(0.05, 0.95, int(rng.integers(0 if leaning else 1, 4)))
    widths = rng.uniform(0.015, 0.07, len(places)) * cols
    if leaning:
        places, widths = np.append(places, rng.choice([0.0, 1.0])), np.append(widths, 0.0)
        widths[-1] = rng.uniform(0.15, 0.9) * cols
    foot = rng.uniform(0.75, 1.3) * rows
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    for k, (place, across) in enumerate(zip(places, widths, strict=True)):
        last = leaning and k == len(places) - 1
        wave = _wave(rng, rows) * (0.02 * cols if last else 0.0)
        off = np.abs(x - place * cols - slant * (y - rows / 2) - wave[:, None]) - across / 2
        there = np.clip(0.5 - off, 0, 1) * (y < foot)
        tone = rng.uniform(15, 200) * (1 + rng.normal(0, 0.12, 3)) * (1 + 0.1 * _wave(rng, rows))[
            :, None, None
        ]  # fmt: skip
        skin = tone + np.zeros((rows, cols, 1)) if wood is None else jittered(rng, wood)
        if last:  # its live edge is dark with bark
            rim = np.clip(1 + off / float(rng.uniform(2, 18)), 0, 1)[..., None]
            skin = skin * (1 - rim * rng.uniform(0.3, 0.9))
        dark = 1 - rng.uniform(0, 0.6) * np.exp(-np.maximum(off, 0) / rng.uniform(2, 15))
        out = out * np.where(y < foot, dark, 1)[..., None]
        out = out + there[..., None] * (skin - out)
        if last:
            shows[(there > 0.5) & (shows > 0)] = UNKNOWN
    return out, shows


def _wave(rng: np.random.Generator, count: int) -> NDArray[np.float32]:
    """Return a slow wave of spread 1, as long as asked."""
    knots = rng.standard_normal((1, 8), dtype=np.float32)
    return np.asarray(cv2.resize(knots, (count, 1), interpolation=cv2.INTER_CUBIC)[0])
