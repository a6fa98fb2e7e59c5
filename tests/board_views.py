"""Photos of the printed board whose geometry is known exactly, for the tests of the board."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slabvision import board_pattern as pattern
from slabvision.opencv import cv2

PAPER_MM = (280.0, 216.0)  # of whole eighths, so that no edge is rounded
TOP_MM, LEFT_MM = 17.0, 24.0
BLACK, WHITE, AROUND = 28, 225, 105


@dataclass(frozen=True)
class View:
    """A picture, and where the board's millimetres (down, across) are in it."""

    pixels: np.ndarray
    to_pixels: np.ndarray  # (3, 3), from (across, down, 1) to (x, y, w)

    def points(self, mm: np.ndarray) -> np.ndarray:
        lifted = np.column_stack([mm[:, 1], mm[:, 0], np.ones(len(mm))]) @ self.to_pixels.T
        return (lifted[:, :2] / lifted[:, 2:])[:, ::-1]


def sheet(pixels_per_mm: float) -> np.ndarray:
    """The printed sheet as grey values, made fine and then averaged down."""
    fine = 8
    height, width = (round(side * fine) for side in PAPER_MM)
    page = np.full((height, width), WHITE, dtype=np.uint8)
    for down, across, h, w in pattern.black_rectangles():
        top, left = (down + TOP_MM) * fine, (across + LEFT_MM) * fine
        edges = [round(v) for v in (top, top + h * fine, left, left + w * fine)]
        page[edges[0] : edges[1], edges[2] : edges[3]] = BLACK
    size = (round(PAPER_MM[1] * pixels_per_mm), round(PAPER_MM[0] * pixels_per_mm))
    return cv2.resize(page, size, interpolation=cv2.INTER_AREA)


def view(
    distance_mm: float,
    tilt_deg: float,
    *,
    seed: int = 0,
    focal_px: float = 3100.0,
    blur_px: float = 0.8,
    noise: float = 4.0,
    quality: int = 85,
    shape: tuple[int, int] = (900, 900),
    ground: np.ndarray | None = None,
    cover: float = 0.0,
    shadow: float = 0.0,
) -> View:
    """Render the board from a distance, tilted about a random axis and turned at random.

    ``cover`` is the part of the sheet hidden by a grey strip from one side, ``shadow`` the part
    of the light taken away beyond a slanting edge.
    """
    rng = np.random.default_rng(seed)
    axis, turn = rng.uniform(0, 2 * np.pi, 2)
    tilt = np.radians(tilt_deg)
    across = np.array(
        [[0, 0, np.sin(axis)], [0, 0, -np.cos(axis)], [-np.sin(axis), np.cos(axis), 0]]
    )
    tilted = np.eye(3) + np.sin(tilt) * across + (1 - np.cos(tilt)) * across @ across
    turned = np.array(
        [[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]]
    )
    pose = tilted @ turned
    centre = (np.array(shape) - 1) / 2 + rng.uniform(-8, 8, 2)
    lens = np.array([[focal_px, 0, centre[1]], [0, focal_px, centre[0]], [0, 0, 1]])
    middle = np.array(
        [[1, 0, LEFT_MM - PAPER_MM[1] / 2], [0, 1, TOP_MM - PAPER_MM[0] / 2], [0, 0, 1]]
    )
    to_pixels = lens @ np.column_stack([pose[:, 0], pose[:, 1], [0, 0, distance_mm]]) @ middle

    page = sheet(float(np.clip(4 * focal_px / distance_mm, 1.5, 8)))
    if cover > 0:
        page[:, : round(page.shape[1] * cover)] = AROUND
    per_mm = (page.shape[1] / PAPER_MM[1], page.shape[0] / PAPER_MM[0])
    from_page = np.array(
        [
            [1 / per_mm[0], 0, 0.5 / per_mm[0] - LEFT_MM],
            [0, 1 / per_mm[1], 0.5 / per_mm[1] - TOP_MM],
            [0, 0, 1],
        ]
    )
    fine = 4
    finer = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1]])
    warp = finer @ to_pixels @ from_page
    size = (shape[1] * fine, shape[0] * fine)
    picture = cv2.resize(cv2.warpPerspective(page, warp, size), shape[::-1], interpolation=3)
    part = cv2.resize(
        cv2.warpPerspective(np.full_like(page, 255), warp, size), shape[::-1], interpolation=3
    ) / np.float32(255)
    light = picture.astype(np.float32)
    light += (1 - part) * (AROUND if ground is None else ground.astype(np.float32))
    rows, cols = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    slant = np.cos(turn + 0.6) * (cols - centre[1]) + np.sin(turn + 0.6) * (rows - centre[0])
    light *= 1 - 0.2 * slant / max(shape)
    if shadow:
        light *= 1 - shadow / (1 + np.exp(-(slant - 20) / 3))
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    light += rng.normal(0, noise, shape).astype(np.float32)
    grey = np.clip(light, 0, 255).astype(np.uint8)
    _, stored = cv2.imencode(".jpg", np.dstack([grey] * 3), [cv2.IMWRITE_JPEG_QUALITY, quality])
    return View(cv2.imdecode(stored, cv2.IMREAD_COLOR), to_pixels)
