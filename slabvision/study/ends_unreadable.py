"""Pictures that are no end grain, or end grain that nobody could read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.study.ends_pictures import KnownEnd, as_jpeg

__all__ = ["KINDS", "NoEnd", "unreadable"]

Floats = NDArray[np.float64]
Pixels = NDArray[np.uint8]
SHAPE = (600, 900)


@dataclass(frozen=True, eq=False)
class NoEnd:
    """A picture that must be refused; ``mask`` is what somebody outlined in it, or None."""

    kind: str
    pixels: Pixels
    mask: NDArray[np.bool_] | None


def _grain(rng: np.random.Generator, size: tuple[float, float]) -> Floats:
    """Return smooth noise of unit spread with a grain size in rows and columns."""
    small = tuple(max(2, int(n / s) + 2) for n, s in zip(SHAPE, size, strict=True))
    out = cv2.resize(rng.normal(0, 1, small), SHAPE[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray(out / (out.std() + 1e-9))


def _tinted(grey: Floats, rng: np.random.Generator, tint: tuple[float, float, float]) -> Pixels:
    noise = rng.normal(0, rng.uniform(1.0, 5.0), SHAPE)
    lit = (grey + noise)[..., None] * np.array(tint)
    return np.asarray(np.clip(lit, 0, 255), dtype=np.uint8)


_WOOD = (1.0, 0.84, 0.64)


def _ground(kind: str) -> Callable[[np.random.Generator], Pixels]:
    def make(rng: np.random.Generator) -> Pixels:
        from slabvision.scene.yard import ground_texture

        made = ground_texture(rng, kind, SHAPE, float(rng.uniform(0.4, 1.6)))
        return np.clip(made, 0, 255).astype(np.uint8)

    return make


def _noise(rng: np.random.Generator) -> Pixels:
    size = float(np.exp(rng.uniform(0.0, 3.5)))
    return _tinted(140 + 30 * _grain(rng, (size, size)), rng, (1.0, 1.0, 1.0))


def _sky(rng: np.random.Generator) -> Pixels:
    down = np.linspace(230, 130, SHAPE[0])[:, None] + np.zeros(SHAPE)
    clouds = sum(_grain(rng, (s / 2, s)) * s for s in (20.0, 60.0, 200.0))
    return _tinted(down + 0.25 * np.clip(clouds, 0, None), rng, (0.8, 0.9, 1.0))


def _straight_face(rng: np.random.Generator) -> Pixels:
    """Draw a board's face with straight grain: lines along it, some pores."""
    lean = rng.uniform(-0.06, 0.06)
    row, col = np.indices(SHAPE)
    across = row + lean * col + 4 * _grain(rng, (120, 400))
    lines = np.interp(across % 5000, np.arange(0, 5000, 6), rng.normal(0, 1, 834))
    grey = 165 + rng.uniform(8, 25) * lines + 6 * _grain(rng, (2, 40))
    picture = _tinted(grey, rng, _WOOD)
    turn = int(rng.integers(0, 2))
    return np.ascontiguousarray(np.rot90(picture, turn))


def _cathedral_face(rng: np.random.Generator) -> Pixels:
    """Draw a flat-sawn face: nested arches along the grain, as level lines of a long cone."""
    row, col = np.indices(SHAPE)
    middle = SHAPE[0] * rng.uniform(0.35, 0.65) + 12 * _grain(rng, (200, 300))
    depth = rng.uniform(60, 160)
    radius = np.hypot(row - middle, depth + col * rng.uniform(0.03, 0.09))
    radius += 3 * _grain(rng, (60, 300))
    phase = (radius / rng.uniform(9, 22)) % 1.0
    grey = (
        185 - rng.uniform(25, 60) * np.clip((phase - 0.5) / 0.45, 0, 1) + 5 * _grain(rng, (2, 50))
    )
    return _tinted(grey, rng, _WOOD)


def _bricks(rng: np.random.Generator) -> Pixels:
    high, wide = rng.uniform(25, 60), rng.uniform(70, 160)
    row, col = np.indices(SHAPE)
    course = (row / high).astype(int)
    shift = np.where(course % 2, 0.5 * wide, 0.0)
    joint = ((row % high) < 4) | (((col + shift) % wide) < 4)
    tone = rng.normal(140, 14, (60, 60))[course % 60, ((col + shift) / wide).astype(int) % 60]
    return _tinted(np.where(joint, 200, tone) + 6 * _grain(rng, (3, 3)), rng, (1.0, 0.7, 0.6))


def _stripes(rng: np.random.Generator) -> Pixels:
    """Draw saw marks alone, or cloth, corrugated sheet: parallel lines of one direction."""
    turn = rng.uniform(0, np.pi)
    row, col = np.indices(SHAPE)
    across = col * np.cos(turn) + row * np.sin(turn) + 2000
    pitch = rng.uniform(5, 30)
    wave = np.interp(across / pitch % 400, np.arange(400), rng.normal(0, 1, 400))
    return _tinted(150 + rng.uniform(10, 40) * wave + 6 * _grain(rng, (3, 3)), rng, _WOOD)


def _bark(rng: np.random.Generator) -> Pixels:
    ridge = _grain(rng, (70, 9)) + 0.6 * _grain(rng, (30, 5))
    fissure = np.exp(-((_grain(rng, (90, 14)) / 0.3) ** 2))
    return _tinted(110 + 22 * ridge - 70 * fissure, rng, (1.0, 0.9, 0.8))


def _writing(rng: np.random.Generator) -> Pixels:
    page = np.full(SHAPE, 225, np.uint8)
    for line in range(30, SHAPE[0], int(rng.integers(24, 44))):
        words = "".join(rng.choice(list("abcdeghiklmnorstuvwz   "), 50))
        size = float(rng.uniform(0.6, 1.0))
        cv2.putText(page, words, (10, line), cv2.FONT_HERSHEY_SIMPLEX, size, 40.0, 2)
    return _tinted(page.astype(float), rng, (1.0, 0.99, 0.96))


def _rendered_face(rng: np.random.Generator) -> Pixels:
    """Render a piece of a slab's face, of any species, sawn anyhow."""
    from slabvision.scene import looks, render_face_patch

    made = render_face_patch(
        int(rng.integers(0, 10**6)), str(rng.choice(looks())), (300.0, 450.0), 0.5,
        blur_px=float(rng.uniform(0.4, 1.1)), noise=float(rng.uniform(1.0, 5.0)),
    )  # fmt: skip
    return np.ascontiguousarray(np.rot90(made.pixels, int(rng.integers(0, 2))))


PICTURES = (
    "astronaut", "brick", "camera", "cat", "cell", "coffee", "coins", "grass", "gravel",
    "hubble_deep_field", "immunohistochemistry", "moon", "page", "retina", "rocket", "text",
)  # fmt: skip
"""What scikit-image brings along of photographs of other things, in its ``data``."""


def _other_photo(rng: np.random.Generator) -> Pixels:
    from skimage import data

    picture = getattr(data, str(rng.choice(PICTURES)))()
    grey = picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, axis=2)
    high, wide = (int(n * rng.uniform(0.6, 1.0)) for n in grey.shape[:2])
    top, left = (int(rng.uniform(0, n - m)) for n, m in zip(grey.shape, (high, wide), strict=False))
    part = np.ascontiguousarray(grey[top : top + high, left : left + wide, :3])
    size = float(np.clip(900 / max(part.shape), 0.6, 3.0))
    return np.asarray(cv2.resize(part, None, fx=size, fy=size, interpolation=cv2.INTER_CUBIC))


DRAWN: dict[str, Callable[[np.random.Generator], Pixels]] = {
    "gravel": _ground("gravel"),
    "grass": _ground("grass"),
    "concrete": _ground("concrete"),
    "noise": _noise,
    "sky": _sky,
    "straight-grained face": _straight_face,
    "cathedral face": _cathedral_face,
    "bricks": _bricks,
    "parallel lines": _stripes,
    "bark": _bark,
    "writing": _writing,
    "rendered face": _rendered_face,
    "photo of another thing": _other_photo,
}
SPOILED = ("blurred end", "end with rings too fine")
KINDS = (*DRAWN, *SPOILED, "photo of a board", "photo of a printed target")
"""What must be refused; the last two only where real photographs are at hand."""


def _spoiled(kind: str, end: KnownEnd, rng: np.random.Generator) -> NoEnd:
    if kind == "blurred end":
        # Even the widest rings of the study (26 pixels) are gone at this blur.
        soft = cv2.GaussianBlur(end.pixels, (0, 0), float(rng.uniform(14.0, 20.0)))
        return NoEnd(kind, as_jpeg(np.asarray(soft), 85), end.mask)
    # Under two pixels to a ring nothing is left of it (the sampling theorem); enlarged, the file
    # may be large all the same.
    factor = float(rng.uniform(1.1, 1.9)) / end.ring_px
    size = tuple(max(64, round(n * factor)) for n in end.pixels.shape[1::-1])
    small = cv2.resize(end.pixels, size, interpolation=cv2.INTER_AREA)
    wood = cv2.resize(end.mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    big = cv2.resize(small, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    mask = np.repeat(np.repeat(wood, 4, axis=0), 4, axis=1)
    return NoEnd(kind, as_jpeg(np.asarray(big), 85), mask)


def _photos(folder: Path | None) -> list[tuple[str, Path]]:
    if folder is None:
        return []
    kinds = (("photo of a board", "boards"), ("photo of a printed target", "metrology"))
    return [
        (kind, path)
        for kind, name in kinds
        for path in sorted((folder / name).glob("*"))
        if path.suffix.lower() in (".jpg", ".png", ".bmp")
    ]


def unreadable(
    count: int, ends: list[KnownEnd], photos: Path | None, seed: int = 1
) -> Iterator[NoEnd]:
    """Make pictures that must be refused.

    Parameters
    ----------
    count : int
    ends : list of KnownEnd
        Good ends, to be spoiled.
    photos : path or None
        Folder with the real photographs (``boards``, ``metrology``), if there is one.
    seed : int
    """
    rng = np.random.default_rng(seed)
    real = _photos(photos)
    kinds = [*DRAWN, *SPOILED] + (["photo"] * 3 if real else [])
    for number in range(count):
        kind = kinds[number % len(kinds)]
        if kind == "photo":
            yield _crop(*real[int(rng.integers(0, len(real)))], rng)
        elif kind in SPOILED:
            yield _spoiled(kind, ends[int(rng.integers(0, len(ends)))], rng)
        else:
            pixels = as_jpeg(DRAWN[kind](rng), int(rng.integers(70, 96)))
            yield NoEnd(kind, pixels, _outlined(pixels.shape[:2], rng))


def _outlined(shape: tuple[int, int], rng: np.random.Generator) -> NDArray[np.bool_] | None:
    """Return a strip as if somebody had outlined it, in half of the cases."""
    if rng.uniform() < 0.5:
        return None
    mask = np.zeros(shape, bool)
    top = int(rng.uniform(0.1, 0.5) * shape[0])
    mask[top : top + int(rng.uniform(0.25, 0.45) * shape[0]), 20:-20] = True
    return mask


def _crop(kind: str, path: Path, rng: np.random.Generator) -> NoEnd:
    from slabvision.photo import read_photo

    pixels = read_photo(path).pixels
    rows, cols = pixels.shape[:2]
    high, wide = int(rows * rng.uniform(0.5, 1.0)), int(cols * rng.uniform(0.4, 1.0))
    top, left = int(rng.integers(0, rows - high + 1)), int(rng.integers(0, cols - wide + 1))
    part = np.ascontiguousarray(pixels[top : top + high, left : left + wide, :3])
    return NoEnd(kind, part, _outlined(part.shape[:2], rng))
