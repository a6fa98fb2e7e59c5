"""Pictures of sawn ends whose rings are known: rendered ones and photographed cross-sections."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2

__all__ = ["KnownEnd", "real_ends", "rendered_end", "strips_of"]

Floats = NDArray[np.float64]
Pixels = NDArray[np.uint8]

RENDERED_CUTS = ("flat", "rift", "quarter", "through pith")
"""What the rings do in the middle of a rendered end; the pith is in the wood in the last only."""
POINTS = 400
"""Points at which the direction of a rendered end's rings is compared."""
QUALITY_WEIGHT = {"good": 1.0, "fair": (2.0 / 5.0) ** 2, "none": 0.0}
"""Weight of traced directions: about 2 degrees of error where good, 5 where fair, so 1/u²."""


@dataclass(frozen=True, eq=False)
class KnownEnd:
    """A picture of an end and what is known of it.

    Attributes
    ----------
    name : str
    pixels : ndarray of uint8, shape (rows, cols, 3)
    mask : ndarray of bool, shape (rows, cols)
        The wood.
    pith : ndarray, shape (2,)
        (row, col); may be outside.
    face : ndarray, shape (2, 2), or None
        Two points along the wide face.
    points : ndarray, shape (N, 2)
        Where the rings' direction is known.
    tangent_deg : ndarray, shape (N,)
        That direction, from +column towards +row.
    weight : float
        What these directions count for.
    ring_px : float
        Mean width of a ring, pixels, where it is known.
    """

    name: str
    pixels: Pixels
    mask: NDArray[np.bool_]
    pith: Floats
    face: Floats | None
    points: Floats
    tangent_deg: Floats
    weight: float = 1.0
    ring_px: float = float("nan")

    @property
    def diagonal(self) -> float:
        """Diagonal of the picture, pixels."""
        return float(np.hypot(*self.pixels.shape[:2]))

    def angle_deg(self, tangent_deg: Floats) -> Floats:
        """Return angles to the face (0 to 90) of directions in the picture."""
        if self.face is None:
            raise ValueError(f"{self.name}: no face is known")
        along = self.face[1] - self.face[0]
        turned = np.asarray(tangent_deg) - np.rad2deg(np.arctan2(along[0], along[1]))
        return np.asarray(np.abs((turned + 90.0) % 180.0 - 90.0))


def as_jpeg(pixels: Pixels, quality: int) -> Pixels:
    """Return the picture as it comes back from a JPEG file."""
    _, coded = cv2.imencode(
        ".jpg", np.ascontiguousarray(pixels[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    return np.ascontiguousarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1])


def rendered_end(number: int) -> KnownEnd:
    """Render an end: any look and cut, planed to rough from the chain saw, weathered, checked.

    Parameters
    ----------
    number : int
        Decides everything.
    """
    from slabvision.estimate import named_rng
    from slabvision.scene import looks, render_end
    from slabvision.scene.looks import look as look_named

    rng = named_rng("study of ends", number)
    name = str(rng.choice(looks()))
    cut = RENDERED_CUTS[number % len(RENDERED_CUTS)]
    ring_px = float(np.exp(rng.uniform(np.log(8.0), np.log(26.0))))
    mm_per_px = float(np.clip(look_named(name).ring_mm / ring_px, 0.06, 0.6))
    cols = int(rng.integers(900, 1400))
    made = render_end(
        number, name, cut, (int(cols * rng.uniform(0.35, 0.6)), cols), mm_per_px=mm_per_px,
        roughness=float(rng.uniform(0.0, 0.8)), weathered=float(rng.uniform(0.0, 0.6)),
        blur_px=float(rng.uniform(0.4, 1.1)), noise=float(rng.uniform(1.0, 5.0)),
    )  # fmt: skip
    pith = np.asarray(made.pith)
    clear = made.mask & (made.labels == 0)
    where = np.argwhere(clear)
    where = where[np.hypot(*(where - pith).T) > 2.5 * ring_px]
    points = where[rng.integers(0, len(where), POINTS)].astype(float)
    return KnownEnd(
        f"rendered {number} {name} {cut}", as_jpeg(made.pixels, int(rng.integers(70, 96))),
        made.mask, pith, np.asarray(made.face_line), points, made.ring_tangent_deg(points),
        ring_px=look_named(name).ring_mm / mm_per_px,
    )  # fmt: skip


def real_ends(folder: Path) -> Iterator[KnownEnd]:
    """Read photographed cross-sections with their truth (``images.csv``, ``orientations.csv``).

    Parameters
    ----------
    folder : path
        Holds the pictures, the two tables and the masks that ``images.csv`` names.
    """
    from slabvision.photo import read_photo

    with (folder / "images.csv").open(newline="", encoding="utf-8") as stream:
        images = list(csv.DictReader(stream))
    traced: dict[str, list[tuple[float, float, float]]] = {}
    with (folder / "orientations.csv").open(newline="", encoding="utf-8") as stream:
        for line in csv.DictReader(stream):
            at = float(line["y"]), float(line["x"]), float(line["tangent_deg"])
            traced.setdefault(line["image"], []).append(at)
    for line in images:
        pixels = read_photo(folder / line["image"]).pixels
        mask = np.ones(pixels.shape[:2], bool)
        if line["outline_mask"]:
            mask = _mask(folder / line["outline_mask"])
        rows = np.array(traced.get(line["image"], []), dtype=float).reshape(-1, 3)
        yield KnownEnd(
            Path(line["image"]).stem, pixels, mask,
            np.array([float(line["pith_y"]), float(line["pith_x"])]), None,
            rows[:, :2], rows[:, 2], QUALITY_WEIGHT.get(line["orientation_quality"], 0.0),
        )  # fmt: skip


def _mask(path: Path) -> NDArray[np.bool_]:
    from PIL import Image

    with Image.open(path) as picture:
        return np.asarray(picture.convert("L")) > 127


STRIP_PLACES: dict[str, tuple[float, float]] = {
    "pith inside": (-0.25, 0.25),
    "pith at the edge": (0.5, 0.5),
    "pith outside": (0.7, 2.0),
}
"""How far the strip's middle lies from the pith, in thicknesses."""


def strips_of(end: KnownEnd, count: int, rng: np.random.Generator) -> list[KnownEnd]:
    """Cut slabs out of a photographed cross-section, as if sawn: (pith inside, edge, outside).

    Parameters
    ----------
    end : KnownEnd
        A cross-section with traced directions.
    count : int
        Strips of each kind; directions and offsets are drawn by lot.
    rng : Generator
    """
    out = []
    row, col = np.indices(end.mask.shape)
    width = float(np.sqrt(4.0 * end.mask.sum() / np.pi))
    for place, (low, high) in STRIP_PLACES.items():
        made = 0
        for _ in range(20 * count):
            if made == count:
                break
            turn = rng.uniform(0.0, np.pi)
            along = np.array([np.sin(turn), np.cos(turn)])
            across = np.array([along[1], -along[0]])
            thick = width * rng.uniform(0.14, 0.28)
            shift = rng.choice([-1.0, 1.0]) * rng.uniform(low, high) * thick
            height = (row - end.pith[0]) * across[0] + (col - end.pith[1]) * across[1] - shift
            strip = end.mask & (np.abs(height) < thick / 2)
            inside = np.abs((end.points - end.pith) @ across - shift) < 0.45 * thick
            if strip.mean() < 0.05 or inside.sum() < 8:
                continue
            out.append(_cropped(end, strip, inside, along, f"{place} {made}"))
            made += 1
    return out


def _cropped(end: KnownEnd, strip: NDArray[np.bool_], inside: NDArray[np.bool_], along: Floats,
             name: str) -> KnownEnd:  # fmt: skip
    where: Any = np.nonzero(strip)
    low = np.maximum(0, np.array([where[0].min(), where[1].min()]) - 6)
    high = np.array([where[0].max(), where[1].max()]) + 7
    box = np.s_[low[0] : high[0], low[1] : high[1]]
    middle = np.array([where[0].mean(), where[1].mean()]) - low
    face = np.stack([middle - 100.0 * along, middle + 100.0 * along])
    return replace(
        end, name=f"{end.name} {name}", pixels=np.ascontiguousarray(end.pixels[box]),
        mask=strip[box], pith=end.pith - low, face=face, points=end.points[inside] - low,
        tangent_deg=end.tangent_deg[inside],
    )  # fmt: skip
