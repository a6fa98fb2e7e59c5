"""What the net for the nearer look learns from: parts of photos, and what was found in them."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_cells import in_other_light, mirrored
from slabvision.segment.outline_first import shrunk as sizes_of
from slabvision.segment.outline_first import slab_chance, slab_piece
from slabvision.segment.outline_near import MARGIN, near_cells, part_round
from slabvision.segment.unet import CELL
from slabvision.segment.window import Floats, Floats32
from slabvision.study.outline_classes import FACE, Classes
from slabvision.study.outline_pictures import training_picture
from slabvision.study.outline_scenes import OutlineScene, shrunk
from slabvision.study.unet_training import Batch, Batches, Net

__all__ = ["CANVASES", "NearPicture", "first_found", "near_batches", "pictures_kept"]

CANVASES = (96, 192), (112, 168), (136, 136)
"""Cells of a part that is learned from: a long one, one between, one about as high as wide."""
_SIDE = 1200
"""Longer side of the pictures that parts are taken of."""
_LEAST_FOUND = 0.6
"""Overlap with the truth that first looks must have, for those after them to be taught by them."""
_NONE: Floats = np.zeros((0, 2))
_said = logging.getLogger(__name__)


class NearPicture(NamedTuple):
    """A picture, what each pixel shows, and what the first looks found in it.

    Attributes
    ----------
    image : ndarray of uint8, shape (H, W, 3)
    shows : ndarray of uint8, shape (H, W)
    chance : ndarray of float32, shape (h, w)
    piece : ndarray of bool, shape (h, w)
    """

    image: NDArray[np.uint8]
    shows: Classes
    chance: Floats32
    piece: NDArray[np.bool_]

    def lesson(self, rng: np.random.Generator) -> tuple[int, Floats32, Classes]:
        """Return which canvas a part with room about as usual lies on, its cells, its classes."""
        above, left, below, right = (max(-0.02, MARGIN + rng.normal(0, 0.07)) for _ in range(4))
        part = part_round(self.piece, (above, left, below, right))
        image, shows, chance = (
            each[part.of(each.shape)] for each in (self.image, self.shows, self.chance)
        )
        if image.shape[0] > image.shape[1]:
            image, shows, chance = np.rot90(image), np.rot90(shows), np.rot90(chance)
        aspect = image.shape[1] / image.shape[0]
        canvas = int(np.argmin([abs(np.log(c / r / aspect)) for r, c in CANVASES]))
        rows, cols = CANVASES[canvas]
        cells = near_cells(np.ascontiguousarray(image), np.ascontiguousarray(chance), (rows, cols))
        shows = cv2.resize(
            np.ascontiguousarray(shows), (CELL * cols, CELL * rows), interpolation=cv2.INTER_NEAREST
        )
        return canvas, cells, np.asarray(shows)


def first_found(
    image: NDArray[np.uint8], face: NDArray[np.bool_]
) -> tuple[Floats32, NDArray[np.bool_]] | None:
    """Return the chance of the slab and the slab as the first looks find them in a picture.

    None where they miss the face: what looks after them cannot be taught by that.

    Parameters
    ----------
    image : ndarray of uint8, shape (H, W, 3)
    face : ndarray of bool, shape (H, W)
        The truth.
    """
    small = sizes_of(image)
    chance = slab_chance(small, _NONE, _NONE, "out")
    piece = slab_piece(chance, small.piece.lab, _NONE, _NONE)
    true = cv2.resize(face.astype(np.uint8), piece.shape[::-1]) > 0
    if (piece & true).sum() < _LEAST_FOUND * (piece | true).sum():
        return None
    return chance, piece


def near_picture(
    rng: np.random.Generator, scene: OutlineScene, other: OutlineScene, *, plain: bool
) -> NearPicture | None:
    """Return a picture made of scenes and the first looks at it; None where they miss the slab."""
    image, shows = training_picture(rng, shrunk(scene, _SIDE), shrunk(other, _SIDE), plain=plain)
    found = first_found(image, shows == FACE)
    return None if found is None else NearPicture(image, shows, *found)


def pictures_kept(scenes: list[OutlineScene], folder: Path) -> list[NearPicture]:
    """Return two pictures of each scene that the first looks find a slab in, one of them plain.

    Those that an earlier run left in the folder are taken; a picture that was given up is kept
    as an empty file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for k in range(2 * len(scenes)):
        file = folder / f"near{k}.npz"
        if not file.exists():
            rng = np.random.default_rng(700 + k)
            scene, other = scenes[k // 2], scenes[int(rng.integers(len(scenes)))]
            made = near_picture(rng, scene, other, plain=k % 2 == 0)
            with file.open("wb") as stream:
                np.savez(stream, allow_pickle=False, **({} if made is None else made._asdict()))
        with np.load(file, allow_pickle=False) as kept:
            if kept.files:
                out.append(NearPicture(**{name: kept[name] for name in NearPicture._fields}))
        if k % 50 == 49:
            _said.info("%d pictures of %d", len(out), k + 1)
    return out


def near_batches(pictures: list[NearPicture], size: int, seed: int) -> Batches:
    """Return batches of parts on one canvas each."""

    def batches(_net: Net, _forward: Any) -> Iterator[Batch]:
        rng = np.random.default_rng(seed)
        waiting: list[list[tuple[Floats32, Classes]]] = [[] for _ in CANVASES]
        while True:
            picture = pictures[int(rng.integers(len(pictures)))]
            canvas, cells, shows = picture.lesson(rng)
            waiting[canvas].append(_seen_otherwise(rng, cells, shows))
            if len(waiting[canvas]) == size:
                looks, classes = zip(*waiting[canvas], strict=True)
                waiting[canvas] = []
                yield np.stack(looks), np.stack(classes)

    return batches


def _seen_otherwise(
    rng: np.random.Generator, cells: Floats32, shows: Classes
) -> tuple[Floats32, Classes]:
    """Mirror a lesson by chance, change its light, and let the first looks be less sure."""
    down, over = (bool(rng.uniform() < 0.5) for _ in range(2))
    gain, chroma = np.exp(rng.normal(0, 0.1)), np.exp(rng.normal(0, 0.12))
    shift = np.array([rng.normal(0, 0.02), *rng.normal(0, 0.012, 2)], np.float32)
    said = cells.shape[2] - CELL * CELL
    out = mirrored(cells, down=down, over=over)
    out = in_other_light(out, np.array([gain, chroma, chroma], np.float32), shift)
    odds = out[..., said:].reshape(*out.shape[:2], CELL, CELL)
    odds = odds[:, :, :: -1 if down else 1, :: -1 if over else 1] * np.exp(rng.normal(0, 0.25))
    if rng.uniform() < 0.3:
        coarse = rng.normal(0, 0.5, (9, 12)).astype(np.float32)
        odds = (
            odds
            + cv2.resize(coarse, out.shape[1::-1], interpolation=cv2.INTER_CUBIC)[..., None, None]
        )
    out[..., said:] = odds.reshape(*out.shape[:2], CELL * CELL)
    return out, np.ascontiguousarray(shows[:: -1 if down else 1, :: -1 if over else 1])
