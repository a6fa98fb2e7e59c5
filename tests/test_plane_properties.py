"""What must hold for any plane: scale, rotation, additivity, mask = polygon, shared errors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slabvision.contours import mask_rings
from slabvision.estimate import named_normals
from slabvision.opencv import cv2
from slabvision.plane import Board, Camera, Length, Rectangle, Tape, fit_plane

SHAPE = (1500, 2000)
FOCAL = 1500.0
CAMERA = Camera(SHAPE, FOCAL)
SHEET = np.array([[-600.0, -300], [600, -300], [600, 300], [-600, 300]])
SLAB = np.array([[-1100.0, -390], [1000, -410], [1150, 380], [100, 460], [-1080, 350]])

few = settings(max_examples=12, deadline=None)
tilts = st.floats(0, 50)
turns = st.floats(0, 360)


def seen(mm, tilt, turn, distance=3500.0, k1=0.0):
    """Pixels (row, col) of points on a plane, by OpenCV's own projection."""
    a = np.radians(turn)
    axis = np.array([-np.sin(a), np.cos(a), 0.0]) * np.radians(tilt)
    matrix = np.array([[FOCAL, 0, 999.5], [0, FOCAL, 749.5], [0, 0, 1.0]])
    points = np.column_stack([mm, np.zeros(len(mm))])
    image, _ = cv2.projectPoints(
        points, axis, np.array([0, 0, distance]), matrix, np.array([k1, 0, 0, 0.0])
    )
    return image[:, 0, ::-1].astype(float)


@few
@given(tilts, turns, st.floats(0.2, 5.0))
def test_twice_the_millimetres_are_twice_the_length_and_four_times_the_area(tilt, turn, factor):
    corners, slab = seen(SHEET, tilt, turn), seen(SLAB, tilt, turn)
    one = fit_plane([Rectangle(corners, 1200, 600, 1.0)], CAMERA)
    more = fit_plane([Rectangle(corners, 1200 * factor, 600 * factor, factor)], CAMERA)
    assert more.length(slab[0], slab[1]).value == pytest.approx(
        factor * one.length(slab[0], slab[1]).value, rel=1e-6
    )
    area, larger = one.area(slab), more.area(slab)
    assert larger.value == pytest.approx(factor**2 * area.value, rel=1e-6)
    assert larger.interval == pytest.approx(tuple(factor**2 * np.array(area.interval)), rel=1e-4)


@few
@given(tilts, turns, st.sampled_from([1, 2, 3]))
def test_turning_the_photo_changes_nothing(tilt, turn, quarters):
    corners, slab = seen(SHEET, tilt, turn), seen(SLAB, tilt, turn)
    height, width = SHAPE

    def turned(points):
        for _ in range(quarters):
            side = (width if _ % 2 == 0 else height) - 1
            points = np.column_stack([side - points[:, 1], points[:, 0]])
        return points

    shape = SHAPE if quarters == 2 else SHAPE[::-1]
    plain = fit_plane([Rectangle(corners, 1200, 600)], CAMERA).area(slab)
    again = fit_plane([Rectangle(turned(corners), 1200, 600)], Camera(shape, FOCAL))
    spread = plain.interval[1] - plain.interval[0]
    area = again.area(turned(slab))
    assert abs(area.value - plain.value) < 0.1 * spread
    assert np.abs(np.array(area.interval) - plain.interval).max() < 0.2 * spread


@few
@given(tilts, turns, st.floats(0.1, 0.9))
def test_areas_add_up_in_every_draw(tilt, turn, part):
    slab = seen(SLAB, tilt, turn)
    plane = fit_plane([Rectangle(seen(SHEET, tilt, turn), 1200, 600)], CAMERA)
    cut = slab[0] + part * (slab[1] - slab[0])
    left = plane.area(np.array([slab[0], cut, slab[3], slab[4]]))
    right = plane.area(np.array([cut, slab[1], slab[2], slab[3]]))
    # A cut point on a side that is straight in the picture is straight on the face but for the
    # lens's distortion, which is nearly none.
    whole = plane.area(slab)
    assert (left + right).value == pytest.approx(whole.value, rel=2e-4)
    assert (left + right).draws == pytest.approx(whole.draws, rel=3e-3)


@few
@given(tilts, turns, st.integers(0, 10**6))
def test_a_mask_measures_what_its_outline_measures(tilt, turn, seed):
    rng = np.random.default_rng(seed)
    plane = fit_plane([Rectangle(seen(SHEET, tilt, turn), 1200, 600)], CAMERA)
    mask = np.zeros(SHAPE, bool)
    for _ in range(3):
        r, c = rng.integers(400, 800), rng.integers(500, 1200)
        mask[r : r + rng.integers(3, 300), c : c + rng.integers(3, 500)] = True
    mask[600:620, 700:900] = False
    rings = [plane.area(ring) for ring in mask_rings(mask)]
    signs = [np.sign(_signed(ring)) for ring in mask_rings(mask)]
    by_ring = sum(sign * ring.value for sign, ring in zip(signs, rings, strict=True))
    draws = sum(sign * ring.draws for sign, ring in zip(signs, rings, strict=True))
    area = plane.area(mask)
    assert area.value == pytest.approx(by_ring, rel=2e-4)
    assert area.draws == pytest.approx(draws, rel=2e-3)
    # In blocks a lens's second term is followed less exactly: to a fiftieth of the interval.
    assert area.interval == pytest.approx(tuple(np.percentile(draws, (2.5, 97.5))), rel=6e-4)


def _signed(ring):
    x, y = ring[:, 1], ring[:, 0]
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())


@few
@given(tilts, turns)
def test_frame_and_back(tilt, turn):
    corners, slab = seen(SHEET, tilt, turn), seen(SLAB, tilt, turn)
    plane = fit_plane([Rectangle(corners, 1200, 600)], CAMERA).aligned(slab[0], slab[1])
    on_face = plane.to_mm(slab)
    assert on_face[0] == pytest.approx([0, 0], abs=1e-6)
    assert on_face[1, 0] > 0
    assert on_face[1, 1] == pytest.approx(0, abs=1e-6)
    assert plane.to_pixels(on_face) == pytest.approx(slab, abs=1e-5)
    draws = plane.to_mm_draws(slab)
    assert draws.shape == (1000, 5, 2)
    assert np.abs(draws[:, 0]).max() < 1e-6
    assert np.abs(draws[:, 1, 1]).max() < 1e-6
    runs = np.hypot(*(draws[:, 2] - draws[:, 0]).T)
    assert runs == pytest.approx(plane.length(slab[0], slab[2]).draws)


def test_one_board_in_two_photos_carries_one_error():
    grid = np.stack(np.meshgrid(np.arange(6) * 35.0, np.arange(8) * 35.0), -1).reshape(-1, 2)
    centred = grid - grid.mean(axis=0)

    def photo(tilt, turn, shared, move, tape_u=None):
        marks = [Board(seen(centred + move, tilt, turn), grid, 0.01, shared=shared)]
        if tape_u:
            line = np.column_stack([np.linspace(-900, 900, 4), np.full(4, 150.0)])
            marks.append(Tape(seen(line, tilt, turn), np.linspace(0, 1800, 4), tape_u))
        ends = seen(np.array([[-60.0, 0], [60, 0]]) + move, tilt, turn)
        return fit_plane(marks, CAMERA).length(ends[0], ends[1])

    def together(a, b):
        return np.corrcoef(a.draws, b.draws)[0, 1]

    one, two = photo(20, 30, "board:blue", (0, 0)), photo(25, 200, "board:blue", (40, 10))
    other = photo(25, 200, "board:red", (40, 10))
    assert together(one, two) > 0.85
    assert abs(together(one, other)) < 0.1
    assert (one / two).u < 0.4 * (one / other).u
    error = named_normals("board:blue:scale")
    assert np.corrcoef(one.draws, error)[0, 1] > 0.9
    # A good tape beside it says how large the board is: less of the shared error is left.
    told = photo(20, 30, "board:blue", (0, 0), tape_u=1.0)
    assert told.u < 0.6 * one.u
    assert 0.2 < together(told, two) < together(one, two)


def test_several_shared_things_keep_their_own_errors():
    lengths = [[-600, 0], [600, 0]], [[0, -350], [0, 350]]
    marks = [
        Length(*seen(np.array(lengths[0], float), 5, 0), 1200, 12.0, shared="rule:a"),
        Length(*seen(np.array(lengths[1], float), 5, 0), 700, 7.0, shared="rule:b"),
        Rectangle(seen(SHEET, 5, 0), 1200, 600, 6.0, shared="sheet"),
    ]
    plane = fit_plane(marks, Camera(SHAPE, FOCAL, shared="phone"))
    along = plane.length(*seen(np.array(lengths[0], float), 5, 0))
    a, b = named_normals("rule:a:length"), named_normals("rule:b:length")
    assert np.corrcoef(along.draws, a)[0, 1] > 0.25
    assert np.corrcoef(along.draws, a)[0, 1] > np.corrcoef(along.draws, b)[0, 1]
