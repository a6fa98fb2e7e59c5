"""What the outline's nets learn from shows what it says: flat colours whose class is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.scene.camera import Camera
from slabvision.segment.outline_edge import REACH
from slabvision.study.outline_lessons import (
    SIDE,
    STATIONS,
    EdgeLessons,
    as_lesson,
    click_on,
    picture_lesson,
    turned,
)
from slabvision.study.outline_pictures import FACE, GROUND
from slabvision.study.outline_scenes import OutlineScene, shrunk

NONE = np.zeros((0, 2))


def red_on_green(shape: tuple[int, int] = (576, 768)) -> OutlineScene:
    """A red face, a teal side below it, green ground."""
    arris = np.array([(150.0, 120.0), (150.0, 650.0), (400.0, 640.0), (390.0, 130.0)])
    widest = arris + np.array([(0, 0), (0, 0), (60, 0), (60, 0)])
    pixels = np.zeros((*shape, 3), np.uint8)
    pixels[:] = (40, 160, 60)
    for ring, colour in ((widest, (30, 150, 140)), (arris, (200, 40, 30))):
        cv2.fillPoly(pixels, [np.round(ring[:, ::-1]).astype(np.int32)], colour)
    camera = Camera(shape, 500.0, (288.0, 384.0), 0.0, 0.0, np.eye(3), np.zeros(3))
    hidden = np.zeros(shape, np.bool_)
    return OutlineScene(pixels, arris, arris, widest, hidden, camera, "flat")


def test_a_ribbon_is_red_where_it_says_face_and_not_elsewhere() -> None:
    scene = red_on_green()
    ribbons, taken = EdgeLessons(scene), 0
    for seed in range(12):
        got = ribbons.take(np.random.default_rng(seed))
        if got is None:
            continue
        taken += 1
        look, shows = got.look(NONE, NONE), got.shows
        assert look.shape == (STATIONS // 2, REACH, 23)
        assert not look[..., 19:].any()
        assert shows.shape == (STATIONS, 2 * REACH)
        inner = shows[::2, ::2] == FACE
        red = look[..., 1]  # red-green of each cell's first pixel
        redder = red > (red[inner].mean() + red[~inner].mean()) / 2
        assert 0.1 < inner.mean() < 0.9
        assert (redder == inner).mean() > 0.93
        # A click on the wood at a place of the answer is seen in the cell that holds it.
        at = np.argwhere(shows == FACE)[40]
        said = got.look(at[None].astype(np.float64), NONE)[..., 19]
        assert np.unravel_index(said.argmax(), said.shape) == tuple(at // 2)
    assert taken > 8


def test_a_lesson_is_red_where_it_says_face_however_it_was_made() -> None:
    scene = shrunk(red_on_green(), SIDE)
    agree = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        lesson = turned(rng, picture_lesson(rng, scene, scene))
        redness = cv2.resize(lesson.small.lab[..., 1], lesson.shows.shape[::-1])
        face = lesson.shows == FACE
        if 0.02 < face.mean() < 0.98:
            agree.append(redness[face].mean() > redness[~face].mean() + 0.05)
        assert as_lesson(lesson, NONE, NONE).shape == (72, 96, 57)
    assert sum(agree) >= 4  # of six; one is grey, as some cameras are


@pytest.mark.parametrize("missed", [True, False])
def test_the_click_lies_in_the_largest_error_and_says_which_side(missed: bool) -> None:
    shows: NDArray[np.uint8] = np.full((60, 80), GROUND, np.uint8)
    shows[20:40, 20:60] = FACE
    chance = (shows == FACE).astype(np.float32)
    if missed:
        chance[20:40, 20:40] = 0
    else:
        chance[20:40, 60:75] = 1
    inside, outside = click_on(np.random.default_rng(1), chance, shows)
    row, col = (inside if missed else outside)[0]
    assert 20 <= row < 40
    assert (20 <= col < 40) if missed else (60 <= col < 75)
