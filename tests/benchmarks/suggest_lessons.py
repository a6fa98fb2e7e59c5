"""Lessons for the net that looks over a face: crops of rendered faces, in all lights."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.face_look import SEEN
from slabvision.segment.face_view import cells_of_face, usual_light, view_of
from slabvision.study.unet_training import UNKNOWN, Batch
from tests.benchmarks.rendered_faces import Face
from tests.benchmarks.rendered_yards import YardFace

SEEN_OF = {
    "sound_knot": "knot", "loose_knot": "knot", "rot": "rot", "bark_inclusion": "bark",
    "hole": "other", "grub_holes": "other", "worm_holes": "other", "metal": "other",
    "end_check": "check", "surface_check": "check", "through_check": "check", "shake": "check",
    "pith": "check",
}  # fmt: skip
CHECK = SEEN.index("check")
ROWS, COLS = 64, 96
"""Cells of a crop."""
PIECE_MM = 0.75
"""About what a pixel of a face of usual length is."""
NEARER = 0.3
"""Share of the crops that are seen from nearer: not every photo shows all of a face."""
GAMMA, GREY, COLOURFUL = 0.2, 0.05, (0.5, 1.4)
"""How cameras differ: contrast (spread of its logarithm), how many see no colour, how much."""
CHECKS = 0.5
"""Share of the crops round a defect that lie round a check, where there are any."""


class Lesson(NamedTuple):
    """A face as a view shows it, and what each pixel of it is."""

    pixels: NDArray[np.uint8]
    wood: NDArray[np.uint8]
    usual: NDArray[np.float32]
    shows: NDArray[np.uint8]
    spots: dict[int, NDArray[np.intp]]


def _classes(labels: NDArray[np.uint16], kinds: dict[int, str]) -> NDArray[np.uint8]:
    look_up = np.zeros(int(labels.max()) + 1, np.uint8)
    for number, kind in kinds.items():
        if number < look_up.size:
            look_up[number] = SEEN.index(SEEN_OF[kind])
    return look_up[labels]


def _lesson(pixels: Any, wood: NDArray[np.bool_], shows: NDArray[np.uint8]) -> Lesson:
    usual = usual_light(pixels, wood)
    spots = {}
    for kind in range(1, len(SEEN)):
        at = np.argwhere(shows[::2, ::2] == kind) * 2
        if len(at):
            spots[kind] = at[:: max(len(at) // 4000, 1)]
    small = np.rint(pixels * 255).astype(np.uint8)
    return Lesson(small, wood.astype(np.uint8), usual, shows, spots)


def lesson_of_yard(file: Path) -> Lesson:
    """A photo of a face in a yard."""
    face = YardFace.load(file)
    view = view_of(face.pixels, face.outline)
    to_pixel = 2 * view.turn + np.array([[0, 0, 0.5], [0, 0, 0.5]])
    what = _classes(face.labels, face.kinds)
    what[(face.shadow | face.faint) & (what > 0)] = UNKNOWN  # may be seen, or not
    shows = cv2.warpAffine(
        what, to_pixel, view.pixels.shape[1::-1], flags=cv2.INTER_NEAREST, borderValue=UNKNOWN
    )
    return _lesson(view.pixels, view.wood, shows)


def lesson_of_piece(file: Path) -> Lesson:
    """A crowded piece of a face, straight from above."""
    face = Face.load(file)
    cols = int(1800 / PIECE_MM) // 4 * 4
    rows = int(face.pixels.shape[0] * cols / face.pixels.shape[1]) // 4 * 4
    pixels = cv2.resize(face.pixels, (cols, rows), interpolation=cv2.INTER_AREA)
    what = _classes(face.labels, face.kinds)
    what[face.faint & (what > 0)] = UNKNOWN
    shows = cv2.resize(what, (cols, rows), interpolation=cv2.INTER_NEAREST)
    wood = cv2.resize(
        face.wood.astype(np.uint8), (cols // 2, rows // 2), interpolation=cv2.INTER_NEAREST
    )
    return _lesson(pixels / np.float32(255), wood > 0, shows)


def _places(shows: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Places of 2 x 2 pixels: a check where any of them is one, and next to it nobody knows."""
    rows, cols = shows.shape[0] // 2, shows.shape[1] // 2
    parts = shows.reshape(rows, 2, cols, 2)
    answer = parts[:, 0, :, 0].copy()
    check = (parts == CHECK).any(axis=(1, 3))
    near = cv2.dilate(check.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    answer[near & (answer == 0)] = UNKNOWN
    answer[check] = CHECK
    return answer


def as_photographed(light: Any, lit: Any, gamma: float, colourful: float) -> Any:
    """Return light (RGB, 0 to 1) in another light, by another camera."""
    out = np.clip(light * lit, 0, 1) ** np.float32(gamma)
    grey = out.mean(axis=2, keepdims=True)
    return np.clip(grey + np.float32(colourful) * (out - grey), 0, 1).astype(np.float32)


def crop(rng: np.random.Generator, lesson: Lesson, near: float) -> tuple[Any, Any]:
    """Cut a crop, turned, stretched and lit a little otherwise; ``near`` of them by a defect."""
    high, wide = ROWS * 4, COLS * 4
    size = np.array([high, wide])
    if lesson.spots and rng.random() < near:
        to_check = CHECK in lesson.spots and rng.random() < CHECKS
        spots = lesson.spots[CHECK if to_check else int(rng.choice(list(lesson.spots)))]
        middle = spots[rng.integers(len(spots))] + rng.uniform(-0.35, 0.35, 2) * size
    else:
        at = np.argwhere(lesson.wood[::8, ::8])
        middle = at[rng.integers(len(at))] * 16.0
    angle, grow = np.radians(rng.normal(0, 4)), np.exp(rng.uniform(-0.3, 0.2))
    if rng.random() < NEARER:
        grow *= np.exp(rng.uniform(0, 0.9))
    flip = rng.choice([-1, 1], 2)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) / grow
    turn = turn * flip[::-1]  # columns: x and y of the crop
    start = middle[::-1] - turn @ (size[::-1] / 2)

    def cut(plane: Any, step: float, flags: int, beyond: float = 0) -> Any:
        """Warp a plane that has one value for so many pixels each way."""
        shift = (start + (turn.sum(axis=1) - 1) * (step - 1) / 2) / step
        border = cv2.BORDER_CONSTANT if flags == cv2.INTER_NEAREST else cv2.BORDER_REPLICATE
        return cv2.warpAffine(
            plane, np.column_stack([turn, shift]), (round(wide / step), round(high / step)),
            flags=flags | cv2.WARP_INVERSE_MAP, borderMode=border, borderValue=beyond,
        )  # fmt: skip

    pixels = cut(lesson.pixels, 1, cv2.INTER_LINEAR).astype(np.float32)
    if rng.random() < 0.4:
        pixels = cv2.GaussianBlur(pixels, (0, 0), float(rng.uniform(0.3, 0.9)))
    pixels += rng.normal(0, rng.uniform(0, 4), pixels.shape).astype(np.float32)
    usual = np.exp(cut(lesson.usual, 4, cv2.INTER_LINEAR))
    lit = (np.exp(rng.normal(0, 0.3)) * np.exp(rng.normal(0, 0.07, 3))).astype(np.float32)
    gamma = np.exp(rng.normal(0, GAMMA))
    keep = 0.0 if rng.random() < GREY else rng.uniform(*COLOURFUL)
    pixels = as_photographed(pixels / np.float32(255), lit, gamma, keep)
    usual = np.log(as_photographed(usual - 0.02, lit, gamma, keep) + np.float32(0.02))
    wood = cut(lesson.wood, 2, cv2.INTER_NEAREST)
    shows = _places(cut(lesson.shows, 1, cv2.INTER_NEAREST, UNKNOWN))
    shift = int(rng.integers(-2, 4))  # outlines are not exact
    kernel = np.ones((2 * abs(shift) + 1,) * 2, np.uint8)
    wood = (cv2.dilate if shift > 0 else cv2.erode)(wood, kernel)
    shows[wood == 0] = UNKNOWN
    cells = cells_of_face(pixels, wood > 0, usual)
    cells[..., :-1] *= np.float32(np.exp(rng.normal(0, 0.15)))
    return cells, shows


def batches(lessons: list[Lesson], size: int, seed: int, near: float) -> Iterator[Batch]:
    """Yield crops for ever, a share of ``near`` of them round a defect."""
    rng = np.random.default_rng(seed)
    order: list[int] = []
    while True:
        cells, shows = [], []
        for _ in range(size):
            order = order or rng.permutation(len(lessons)).tolist()
            one = crop(rng, lessons[order.pop()], near)
            cells.append(one[0])
            shows.append(one[1])
        yield np.stack(cells).astype(np.float32), np.stack(shows)
