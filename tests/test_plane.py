"""The plane of a face: worked cases, properties, and OpenCV's projection as the judge."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.opencv import cv2
from slabvision.plane import (
    BadMarkError,
    Board,
    Camera,
    ContradictingMarksError,
    HorizonError,
    Length,
    Plane,
    PlaneError,
    Rectangle,
    Square,
    Tape,
    fit_plane,
)
from slabvision.view import Views

SHAPE = (3000, 4000)
FOCAL = 3000.0
CAMERA = Camera(SHAPE, FOCAL)
SHEET = np.array([[-600.0, -300], [600, -300], [600, 300], [-600, 300]])


def seen(mm, tilt=0.0, azimuth=0.0, distance=3000.0, k1=0.0, k2=0.0):
    """Pixels (row, col) of points on a plane, by OpenCV's own projection."""
    axis = np.array([-np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth)), 0.0])
    matrix = np.array([[FOCAL, 0, 1999.5], [0, FOCAL, 1499.5], [0, 0, 1.0]])
    points = np.column_stack([mm, np.zeros(len(mm))])
    image, _ = cv2.projectPoints(
        points, axis * np.radians(tilt), np.array([0, 0, distance]), matrix,
        np.array([k1, k2, 0, 0.0]),
    )  # fmt: skip
    return image[:, 0, ::-1].astype(float)


@pytest.mark.parametrize("tilt", [0.0, 20.0, 50.0])
@pytest.mark.parametrize("azimuth", [0.0, 77.0, 230.0])
def test_a_sheet_seen_by_opencv_comes_back(tilt, azimuth):
    corners = seen(SHEET, tilt, azimuth)
    plane = fit_plane([Rectangle(corners, 1200, 600)], CAMERA, click_px=0.2)
    assert plane.area(corners).value == pytest.approx(720_000, rel=1e-3)
    assert plane.length(corners[0], corners[2]).value == pytest.approx(
        np.hypot(1200, 600), rel=1e-3
    )
    assert plane.area(corners).holds(720_000)
    assert plane.tilt_deg.holds(tilt) or tilt == 0.0
    assert plane.to_pixels(plane.to_mm(corners)) == pytest.approx(corners, abs=1e-6)


def test_either_sense_of_the_corners_gives_the_same_plane():
    corners = seen(SHEET, 30, 10)
    there = fit_plane([Rectangle(corners, 1200, 600)], CAMERA)
    back = fit_plane([Rectangle(corners[[1, 0, 3, 2]], 1200, 600)], CAMERA)
    assert back.area(corners).value == pytest.approx(there.area(corners).value, rel=1e-3)


def test_two_lengths_for_one_inch_slip_are_named():
    corners = seen(SHEET, 25, 40)
    marks = [
        Rectangle(corners, 1200, 600, name="plywood"),
        Length(corners[0], corners[1], 1200 / 2.54, name="rule"),
        Length(corners[1], corners[2], 600, name="lath"),
    ]
    with pytest.raises(ContradictingMarksError, match=r"'rule'.*154 % more, 2.54 times too short"):
        fit_plane(marks, CAMERA)


def test_one_length_alone_is_not_determined_across():
    corners = seen(SHEET, 40, 40)
    plane = fit_plane([Length(corners[0], corners[1], 1200, name="tape")], CAMERA)
    assert not plane.determined
    assert "add a length across it" in plane.reason
    assert not plane.area(corners).determined
    assert isinstance(plane, Plane)


def test_points_past_the_horizon_are_refused():
    corners = seen(SHEET, 60, 90)
    plane = fit_plane([Rectangle(corners, 1200, 600)], CAMERA)
    wild = np.array([[0.0, 0.0], [2999, 0], [0, 3999], [2999, 3999]])
    with pytest.raises(HorizonError, match="horizon"):
        plane.to_mm(wild * 3 - 2000)


def test_a_board_and_a_square_and_a_tape_agree():
    grid = np.stack(np.meshgrid(np.arange(6) * 35.0, np.arange(8) * 35.0), -1).reshape(-1, 2)
    readings = np.linspace(0, 2000, 5)
    tape = np.column_stack([readings - 1000, np.full(5, 200.0)])
    legs = np.array([[0.0, -200], [600, -200], [0, 200]])
    marks = [
        Board(seen(grid - grid.mean(axis=0), 30, 20), grid),
        Tape(seen(tape, 30, 20), readings),
        Square(*seen(legs, 30, 20), 600, 400),
    ]
    plane = fit_plane(marks, CAMERA)
    assert plane.area(seen(SHEET, 30, 20)).value == pytest.approx(720_000, rel=2e-3)
    assert len(plane.residuals) == 3


def test_no_marks_and_marks_outside_the_photo_are_refused():
    with pytest.raises(BadMarkError, match="no reference mark"):
        fit_plane([], CAMERA)
    with pytest.raises(BadMarkError, match="outside the photo"):
        fit_plane([Length((10, 10), (10, 5000), 100)], CAMERA)
    assert issubclass(BadMarkError, PlaneError)


def test_an_ultra_wide_lens_that_bends_twice_keeps_its_promise():
    # Two tapes across the whole picture fix the first radial term far better than a lens with a
    # second one obeys it: without that second term the interval missed the area.
    wide = Camera(SHAPE, 1500.0, k1_u=0.025)
    along = np.column_stack([np.linspace(-1000, 1000, 5), np.full(5, 30.0)])
    across = np.column_stack([np.full(3, -40.0), np.linspace(-600, 600, 3)])
    corners = np.array([[-1150.0, -700], [1150, -700], [1150, 700], [-1150, 700]])
    matrix = np.array([[1500.0, 0, 1999.5], [0, 1500.0, 1499.5], [0, 0, 1.0]])

    def shot(mm):
        points = np.column_stack([mm, np.zeros(len(mm))])
        image, _ = cv2.projectPoints(
            points, np.array([0.02, 0.1, 0]), np.array([0, 0, 1150.0]), matrix,
            np.array([0.03, 0.012, 0, 0]),
        )  # fmt: skip
        return image[:, 0, ::-1].astype(float)

    marks = [Tape(shot(along), along[:, 0] + 1000), Tape(shot(across), across[:, 1] + 600)]
    area = fit_plane(marks, wide, click_px=1.0).area(shot(corners))
    assert area.determined
    assert area.holds(2300 * 1400)


def test_both_radial_terms_are_undone():
    rng = np.random.default_rng(2)
    views = Views(
        np.array([[0.3, -0.2], [0.0, 0.5]]), np.array([2000.0, 900.0]), np.array([1500.0, 1480.0]),
        np.array([0.03, -0.02]), np.array([0.01, 0.006]), np.array([[1990.0, 1500], [2010, 1490]]),
    )  # fmt: skip
    x, y = rng.uniform(100, 3900, 50), rng.uniform(300, 2700, 50)
    px, py = views.on_plane(x, y)
    back = views.in_image(px, py)
    assert np.nanmax(np.abs(back[0] - x)) < 1e-5
    assert np.nanmax(np.abs(back[1] - y)) < 1e-5
    assert np.isfinite(px).mean() > 0.8
    h = 1e-3
    _, (xx, xy, yx, yy) = views.local(x, y)
    for slope, ahead, behind in (
        ((xx, yx), views.on_plane(x + h, y), views.on_plane(x - h, y)),
        ((xy, yy), views.on_plane(x, y + h), views.on_plane(x, y - h)),
    ):
        for k in (0, 1):
            by_difference = (ahead[k] - behind[k]) / (2 * h)
            assert np.nanmax(np.abs(slope[k] / by_difference - 1)) < 1e-4
