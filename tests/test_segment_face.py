"""A face turned along the columns; what the net that looks over it is given."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.face_look import SEEN, look_of
from slabvision.segment.face_view import (
    CELL_PX,
    View,
    cells_of_face,
    labels_in_photo,
    light_of_places,
    usual_light,
    view_of,
)


def turned_board(angle_deg: float, tone: float = 0.6) -> tuple[NDArray[np.uint8], NDArray]:
    """A board of 500 x 120 px with a dark spot a quarter along it, on black; its outline."""
    angle = np.radians(angle_deg)
    along, across = (
        np.array([-np.sin(angle), np.cos(angle)]),
        np.array([np.cos(angle), np.sin(angle)]),
    )
    outline = np.array([300, 320]) + np.array(
        [250 * s * along + 60 * t * across for s, t in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    )
    image = np.zeros((600, 640, 3), np.uint8)
    cv2.fillPoly(image, [np.rint(outline[:, ::-1]).astype(np.int32)], (int(255 * tone),) * 3)
    spot = np.array([300, 320]) - 125 * along
    cv2.circle(image, (round(spot[1]), round(spot[0])), 9, (30, 30, 30), -1)
    return image, outline


@pytest.mark.parametrize("angle_deg", [0.0, 33.0, -58.0, 90.0])
def test_a_face_lies_along_the_columns_whatever_its_direction(angle_deg: float) -> None:
    image, outline = turned_board(angle_deg)
    view = view_of(image, outline, long_cells=100)
    rows, cols = view.wood.shape
    assert cols == pytest.approx(200, abs=2)
    assert rows == pytest.approx(200 * 120 / 500, abs=3)
    assert view.pixels.shape == (2 * rows, 2 * cols, 3)
    dark = np.argwhere((view.pixels[::2, ::2, 0] < 0.3) & view.wood)
    where = dark.mean(axis=0) / (rows, cols)
    assert where[0] == pytest.approx(0.5, abs=0.03)
    assert min(where[1], 1 - where[1]) == pytest.approx(0.25, abs=0.01)


def test_what_is_marked_on_the_view_comes_back_to_its_place_in_the_photo() -> None:
    image, outline = turned_board(33.0)
    view = view_of(image, outline)
    small = cv2.resize(view.pixels, view.wood.shape[::-1], interpolation=cv2.INTER_AREA)
    spot = ((small[..., 0] < 0.35) & view.wood).astype(np.uint16) * 7
    back = labels_in_photo(view, spot, image.shape[:2])
    truth = image[..., 0] == 30
    assert set(np.unique(back)) == {0, 7}
    assert np.count_nonzero((back > 0) & truth) > 0.9 * np.count_nonzero((back > 0) | truth)


def test_a_photo_much_larger_than_the_view_shows_the_same() -> None:
    image, outline = turned_board(12.0)
    large = cv2.resize(image, None, fx=4, fy=4, interpolation=cv2.INTER_LINEAR)
    one = view_of(image, outline, long_cells=60)
    other = view_of(large, (outline + 0.5) * 4 - 0.5, long_cells=60)
    assert one.pixels.shape == other.pixels.shape
    inner = cv2.erode(np.pad(one.wood, 1).astype(np.uint8), np.ones((5, 5)))[1:-1, 1:-1] > 0
    off = np.abs(one.pixels - other.pixels)[::2, ::2][inner]
    assert np.median(off) < 0.01
    assert off.mean() < 0.02


def view_with_shade() -> View:
    """Grey wood, its right half in a shade of a third; a spot half as bright in each half."""
    pixels = np.full((80 * CELL_PX, 400 * CELL_PX, 3), 0.6, np.float32)
    for col in (100, 300):
        pixels[158:166, col * CELL_PX : col * CELL_PX + 8] *= 0.5
    pixels[:, 200 * CELL_PX :] *= 1 / 3
    return View(pixels, np.ones((160, 800), bool), np.eye(2, 3))


def test_a_small_or_near_face_is_not_blown_up() -> None:
    """500 px long: 1.25 times that; at 0.3 mm a pixel half of it, 0.6 mm a pixel of the view."""
    image, outline = turned_board(0.0)
    length = view_of(image, outline).pixels.shape[1]
    assert length == pytest.approx(1.25 * 500, abs=CELL_PX)
    assert view_of(image, outline, mm_per_px=4.0).pixels.shape[1] == length
    near = view_of(image, outline, mm_per_px=0.3)
    assert near.pixels.shape[1] == pytest.approx(250, abs=CELL_PX)
    spot = near.turn @ np.array([320 - 125, 300, 1.0])  # as far along as before
    assert spot[0] / near.wood.shape[1] == pytest.approx(0.25, abs=0.02)


def test_a_dark_spot_in_the_shade_looks_as_it_does_in_the_light() -> None:
    light = light_of_places(view_with_shade())
    assert light[80, 201, 0] == pytest.approx(light[80, 601, 0], abs=0.06)
    assert light[80, 201, 0] == pytest.approx(3 * np.log(0.5) / 4, abs=0.06)
    assert np.abs(light[80, [150, 650], 0]).max() < 0.03, "neither light nor shade is a spot"


def test_a_cell_carries_each_of_its_pixels() -> None:
    view = view_with_shade()
    usual = usual_light(view.pixels, view.wood)
    cells = cells_of_face(view.pixels, view.wood, usual)
    assert cells.shape == (80, 400, 52)
    changed = view.pixels.copy()
    changed[4 * 10 + 2, 4 * 20 + 3] = 0.1
    other = cells_of_face(changed, view.wood, usual)
    assert np.argwhere((cells != other).any(axis=2)).tolist() == [[10, 20]]
    assert np.flatnonzero(cells[10, 20] != other[10, 20])[0] == 3 * (2 * CELL_PX + 3)


def test_chances_are_chances_and_nothing_is_seen_off_the_face() -> None:
    image, outline = turned_board(5.0)
    view = view_of(image, outline)
    seen = look_of(view)
    assert seen.shape == (*view.wood.shape, len(SEEN))
    np.testing.assert_allclose(seen.sum(axis=2), 1, atol=1e-5)
    assert (seen[~view.wood][:, 0] == 1).all()


def test_a_lesson_shows_a_thin_check_and_leaves_open_what_lies_beside_it() -> None:
    from slabvision.study.unet_training import UNKNOWN
    from tests.benchmarks.suggest_lessons import CHECK, _places

    shows = np.zeros((12, 16), np.uint8)
    shows[5, 4:10] = CHECK
    places = _places(shows)
    assert (places[2, 2:5] == CHECK).all()
    assert (places[1:4, 1] == UNKNOWN).all()
    assert (places[1, 2:5] == UNKNOWN).all()
    assert np.count_nonzero(places == 0) == 6 * 8 - 3 * 5
