"""Rendered scenes with the truth of the outline: to learn from and to be measured on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.scene import looks, render_slab
from slabvision.scene.camera import Camera
from slabvision.scene.face_photo import LIGHTS
from slabvision.scene.render import TILT_BANDS
from slabvision.scene.yard import YARDS
from slabvision.study.from_scene import face_truth_of

__all__ = ["OutlineScene", "outline_scene"]


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


def outline_scene(seed: int, megapixels: float) -> OutlineScene:
    """Render one scene; yard and camera height go round with the seed, the rest is drawn.

    Parameters
    ----------
    seed : int
    megapixels : float
        0.1 to 24.
    """
    rng = np.random.default_rng(seed)
    look = str(rng.choice(looks()))
    yard, band = YARDS[seed % len(YARDS)], tuple(TILT_BANDS)[seed // len(YARDS) % 2]
    light = str(rng.choice(LIGHTS))
    drawn: dict[str, Any] = {
        "boots": bool(rng.uniform() < 0.3),
        "cut_off": bool(rng.uniform() < 0.08),
        "sticks": int(rng.choice([0, 0, 0, 2, 3])),
        "messenger": bool(rng.uniform() < 0.1),
    }
    scene = render_slab(
        seed, look=look, yard=yard, tilt_band=band, light=light, reference=None,
        megapixels=megapixels, **drawn,
    )  # fmt: skip
    photo = scene.photos[0]
    truth = face_truth_of(photo)
    hidden = np.asarray((truth.hidden > 0) & truth.wood)
    words = ", ".join([look, yard, band, light, *(f"{k} {v:d}" for k, v in drawn.items() if v)])
    return OutlineScene(
        photo.pixels, truth.arris, truth.bark, truth.widest, hidden, photo.camera, words
    )
