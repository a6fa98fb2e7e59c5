"""Rendered scenes with the truth of the outline: to learn from and to be measured on."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.scene import looks, render_slab
from slabvision.scene.camera import Camera
from slabvision.scene.face_photo import LIGHTS
from slabvision.scene.reference import REFERENCES
from slabvision.scene.render import TILT_BANDS
from slabvision.scene.yard import YARDS
from slabvision.study.from_scene import face_truth_of

__all__ = ["OutlineScene", "keep_scene", "kept_scene", "outline_scene", "scenes_kept", "shrunk"]

_ARRAYS = ("pixels", "arris", "bark", "widest", "hidden")
_said = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False)
class OutlineScene:
    """A rendered photo of a face and the truth of its outline.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    arris, bark, widest : ndarray, shape (N, 2)
        Truth, (row, col).
    hidden : ndarray of bool, shape (H, W)
        Where something hides the slab.
    camera : Camera
    words : str
        What was drawn.
    """

    pixels: NDArray[np.uint8]
    arris: NDArray[np.float64]
    bark: NDArray[np.float64]
    widest: NDArray[np.float64]
    hidden: NDArray[np.bool_]
    camera: Camera
    words: str

    def to_mm(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return places on the face, mm."""
        return np.asarray(self.camera.to_plane(points))


def outline_scene(seed: int, megapixels: float, yards: tuple[str, ...] = YARDS) -> OutlineScene:
    """Render one scene; yard and camera height go round with the seed, the rest is drawn.

    Parameters
    ----------
    seed : int
    megapixels : float
        0.1 to 24.
    yards : tuple of str
        Among which the seed chooses, by its remainder.
    """
    rng = np.random.default_rng(seed)
    look = str(rng.choice(looks()))
    yard, band = yards[seed % len(yards)], tuple(TILT_BANDS)[seed // len(yards) % 2]
    light = str(rng.choice(LIGHTS))
    # A slab in a rack stands on edge: no tape lies on the ground by it.
    near = [each for each in REFERENCES if each != "tape on ground"]
    drawn: dict[str, Any] = {
        "boots": bool(rng.uniform() < 0.3),
        "cut_off": bool(rng.uniform() < 0.08),
        "sticks": int(rng.choice([0, 0, 0, 2, 3])),
        "messenger": bool(rng.uniform() < 0.1),
    }
    scene = render_slab(
        seed, look=look, yard=yard, tilt_band=band, light=light,
        reference=str(rng.choice(near)) if yard == "rack" else None, megapixels=megapixels, **drawn,
    )  # fmt: skip
    photo = scene.photos[0]
    truth = face_truth_of(photo)
    hidden = np.asarray((truth.hidden > 0) & truth.wood)
    words = ", ".join([look, yard, band, light, *(f"{k} {v:d}" for k, v in drawn.items() if v)])
    return OutlineScene(
        photo.pixels, truth.arris, truth.bark, truth.widest, hidden, photo.camera, words
    )


def keep_scene(file: Path, scene: OutlineScene) -> None:
    """Write a scene as plain arrays: what a folder holds is never run."""
    camera = {f"camera_{name}": value for name, value in vars(scene.camera).items()}
    arrays = {name: getattr(scene, name) for name in _ARRAYS}
    with file.open("wb") as stream:
        np.savez(stream, allow_pickle=False, words=scene.words, **arrays, **camera)


def kept_scene(file: Path) -> OutlineScene:
    """Return a scene that :func:`keep_scene` wrote."""
    with np.load(file, allow_pickle=False) as kept:
        camera = {key[7:]: kept[key] for key in kept.files if key.startswith("camera_")}
        plain = {key: each if each.ndim == 2 else each.tolist() for key, each in camera.items()}
        plain["shape"], plain["centre"] = tuple(plain["shape"]), tuple(plain["centre"])
        plain["position"] = camera["position"]
        arrays = {name: kept[name] for name in _ARRAYS}
        return OutlineScene(**arrays, camera=Camera(**plain), words=str(kept["words"]))


def scenes_kept(
    seeds: Iterable[int], megapixels: float, folder: Path, yards: tuple[str, ...] = YARDS
) -> list[OutlineScene]:
    """Render scenes, or take those that an earlier run left in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for seed in seeds:
        file = folder / f"{seed}.npz"
        if not file.exists():
            keep_scene(file, outline_scene(seed, megapixels, yards))
            _said.info("rendered %d", seed)
        out.append(kept_scene(file))
    return out


def shrunk(scene: OutlineScene, side: int) -> OutlineScene:
    """Return a scene with so many pixels on its longer side; its camera stays as it was."""
    rows, cols = scene.pixels.shape[:2]
    factor = side / max(rows, cols)
    size = (round(cols * factor), round(rows * factor))
    way = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    rings = {
        name: (getattr(scene, name) + 0.5) * (np.array(size[::-1]) / (rows, cols)) - 0.5
        for name in ("arris", "bark", "widest")
    }
    hidden = cv2.resize(scene.hidden.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    return replace(
        scene, pixels=cv2.resize(scene.pixels, size, interpolation=way), hidden=hidden, **rings
    )
