"""The scene's camera against OpenCV's projection, and its polygons against hand-worked pixels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slabvision.opencv import cv2
from slabvision.scene.camera import LENSES, Camera, aim, fit_distance
from slabvision.scene.fill import coverage, inside
from slabvision.scene.noise import enlarge
from slabvision.scene.picture import Picture


def camera(tilt: float = 35.0, azimuth: float = 80.0, roll: float = 4.0, k1: float = 0.02,
           k2: float = -0.006) -> Camera:  # fmt: skip
    rotation, position = aim(np.array([300.0, 200.0, 0.0]), 2100.0, tilt, azimuth, roll,
                             steady=tilt < 20)  # fmt: skip
    return Camera((900, 1200), 900.0, (455.0, 592.0), k1, k2, rotation, position)


@pytest.mark.parametrize("tilt", [0.0, 12.0, 35.0, 58.0])
def test_projection_is_opencvs(tilt: float) -> None:
    # OpenCV documentation, "Camera Calibration and 3D Reconstruction": projectPoints.
    lens = camera(tilt)
    rng = np.random.default_rng(1)
    points = np.column_stack([rng.uniform(-400, 900, 200), rng.uniform(-200, 600, 200),
                              rng.uniform(-60, 80, 200)])  # fmt: skip
    turn, _ = cv2.Rodrigues(lens.rotation)
    shift = -lens.rotation @ lens.position
    matrix = np.array([[lens.focal_px, 0, lens.centre[1]], [0, lens.focal_px, lens.centre[0]],
                       [0, 0, 1.0]])  # fmt: skip
    xy, _ = cv2.projectPoints(points, turn, shift, matrix, np.array([lens.k1, lens.k2, 0, 0]))
    assert np.abs(lens.project(points) - xy[:, 0, ::-1]).max() < 1e-8


@given(
    st.floats(0, 62), st.floats(0, 360), st.floats(-20, 20), st.floats(-0.05, 0.05),
    st.floats(-0.015, 0.015),
)  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_to_plane_undoes_project(
    tilt: float, azimuth: float, roll: float, k1: float, k2: float
) -> None:
    lens = camera(tilt, azimuth, roll, k1, k2)
    mm = np.array([[300.0, 200.0], [0.0, 0.0], [700.0, 350.0], [150.0, 420.0]])
    pixels = lens.project(np.column_stack([mm, np.full(4, 25.0)]))
    assert np.abs(lens.to_plane(pixels, 25.0) - mm).max() < 1e-6


def test_a_ray_above_the_horizon_meets_nothing() -> None:
    lens = camera(58.0, 90.0, 0.0, 0.0, 0.0)
    assert np.isnan(lens.to_plane(np.array([[-900.0, 600.0]]))).all()


def test_what_goes_on_behind_the_camera_is_cut_off() -> None:
    """A plank along +v under a camera that looks along -v: by its rays, pixel for pixel."""
    lens = camera(70.0, 90.0, 0.0)
    shape = (*lens.shape, 3)
    u, v = lens.plane_maps()
    picture = Picture(lens, np.ones(shape, np.float32), u, v)
    plank = np.array([[100.0, -500.0], [600.0, -500.0], [600.0, 9000.0], [100.0, 9000.0]])
    assert (lens.depth(np.column_stack([plank, np.zeros(4)])) < 0).any()
    cover, where = picture.cover(plank, 0.0)
    drawn = np.zeros(lens.shape)
    drawn[where] = cover
    truth = (u > 100) & (u < 600) & (v > -500) & (v < 9000)
    assert truth.mean() > 0.15
    assert ((drawn > 0.5) != truth).mean() < 0.002
    behind = plank + np.array([0.0, 9000.0])
    assert not picture.cover(behind, 0.0)[0].any()


def test_whole_picture_maps_agree_with_single_points() -> None:
    lens = camera(50.0)
    u, v = lens.plane_maps()
    points = np.array([[40.0, 60.0], [450.0, 600.0], [860.0, 1140.0], [300.0, 20.0]])
    at = np.array([[u[int(r), int(c)], v[int(r), int(c)]] for r, c in points])
    back = lens.project(np.column_stack([at, np.zeros(4)]))
    assert np.abs(back - points).max() < 0.05


def test_square_on_scale_is_focal_length_over_distance() -> None:
    lens = camera(0.0, 0.0, 0.0, 0.0, 0.0)
    a, b = lens.project(np.array([[300.0, 200.0, 0.0], [400.0, 200.0, 0.0]]))
    assert b[1] - a[1] == pytest.approx(100.0 * 900.0 / 2100.0)
    assert b[0] == pytest.approx(a[0])


def test_shrunk_picture_keeps_pixel_centres_in_place() -> None:
    lens = camera()
    half = lens.resized((450, 600))
    point = np.array([[500.0, 260.0, 0.0]])
    assert half.project(point)[0] == pytest.approx((lens.project(point)[0] + 0.5) / 2 - 0.5)


def test_fit_distance_fills_the_frame_and_not_more() -> None:
    lens = camera()
    ring = np.array([[0, 0, 0], [2400, 0, 0], [2400, 800, 0], [0, 800, 0]], float)
    placed, distance = fit_distance(lens, ring, (40.0, 90.0, 2.0), margin=0.05, steady=False)
    at = placed.project(ring)
    assert ((at > 0) & (at < [900, 1200])).all()
    spare = min(at.min(), (np.array([900, 1200]) - at.max(axis=0)).min())
    assert spare < 0.08 * 1200
    assert 1000 < distance < 6000


def test_lenses_are_a_main_and_an_ultra_wide() -> None:
    assert LENSES["main"].focal35_mm > LENSES["ultra-wide"].focal35_mm


# Polygons --------------------------------------------------------------------------------------


def test_pixels_of_a_square_are_those_whose_centre_is_inside() -> None:
    square = np.array([[0.6, 0.6], [0.6, 3.4], [2.4, 3.4], [2.4, 0.6]])
    mask, (rows, cols) = inside([square], (6, 6))
    whole = np.zeros((6, 6), bool)
    whole[rows, cols] = mask
    expected = np.zeros((6, 6), bool)
    expected[1:3, 1:4] = True
    assert np.array_equal(whole, expected)


def test_a_hole_is_left_out_and_the_frame_cuts_off() -> None:
    outer = np.array([[-5.0, -5.0], [-5.0, 5.5], [5.5, 5.5], [5.5, -5.0]])
    hole = np.array([[0.5, 0.5], [2.5, 0.5], [2.5, 2.5], [0.5, 2.5]])
    mask, (rows, cols) = inside([outer, hole], (8, 8))
    whole = np.zeros((8, 8), bool)
    whole[rows, cols] = mask
    assert whole.sum() == 36 - 4
    assert not whole[1:3, 1:3].any()


def test_neighbouring_polygons_share_no_pixel_and_leave_none() -> None:
    rng = np.random.default_rng(3)
    cut = np.column_stack([np.linspace(-1, 40, 30), 20 + 6 * rng.standard_normal(30)])
    left = np.vstack([cut, [[40, -1], [-1, -1]]])
    right = np.vstack([cut, [[40, 50], [-1, 50]]])
    count = np.zeros((40, 40), int)
    for ring in (left, right):
        mask, where = inside([ring], (40, 40))
        count[where] += mask
    assert (count == 1).all()


@given(st.floats(0.02, 5.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
@settings(max_examples=60, deadline=None)
def test_coverage_of_a_rectangle_sums_to_its_area(width: float, r: float, c: float) -> None:
    corners = np.array([[0.0, 0.0], [8.0, 0.0], [8.0, width], [0.0, width]])
    ring = corners + np.array([4 + r, 4 + c])
    cover, _ = coverage([ring], (24, 24), lines=16)
    assert float(cover.sum()) == pytest.approx(8.0 * width, rel=0.02)
    assert cover.max() <= 1.0


def test_coverage_half_pixel() -> None:
    ring = np.array([[0.5, 0.5], [2.5, 0.5], [2.5, 2.0], [0.5, 2.0]])
    cover, (rows, cols) = coverage([ring], (5, 5))
    whole = np.zeros((5, 5))
    whole[rows, cols] = cover
    assert whole[1, 1] == pytest.approx(1.0)
    assert whole[1, 2] == pytest.approx(0.5)


def test_enlarging_keeps_straight_fields_straight() -> None:
    coarse = np.add.outer(2.0 * np.arange(9), 3.0 * np.arange(11)).astype(np.float32)
    big = enlarge(coarse, 4, (20, 30))
    rows, cols = np.mgrid[0:20, 0:30]
    exact = 2.0 * ((rows - 1.5) / 4 + 1) + 3.0 * ((cols - 1.5) / 4 + 1)
    assert np.abs(big - exact)[2:-2, 2:-2].max() < 1e-4


def test_what_is_out_of_focus_is_blurred_as_a_thin_lens_would() -> None:
    # Thin lens (any optics textbook): disc = opening x magnification x |d - focus| / d, and the
    # magnification at the focus is focal_px / focus. Here worked out in whole metres.
    rotation, position = aim(np.zeros(3), 3000.0, 0.0, 0.0, 0.0, steady=True)
    lens = Camera((900, 1200), 3000.0, (449.5, 599.5), 0.0, 0.0, rotation, position)
    disc = 3.0 * (3000.0 / 2000.0) * (3000.0 - 2000.0) / 3000.0
    assert lens.defocus(3.0, 2000.0) == pytest.approx(np.full((29, 38), disc / 4), rel=1e-9)
    assert lens.defocus(3.0, 3000.0).max() < 1e-9


def test_opencv_finds_the_lens_again_from_what_it_photographed() -> None:
    # Zhang, "A flexible new technique for camera calibration", IEEE TPAMI 22 (2000), as OpenCV's
    # calibrateCamera does it: an outside judge of focal length, centre and both radial terms.
    grid = np.stack(np.meshgrid(np.arange(9) * 90.0, np.arange(7) * 90.0), axis=-1).reshape(-1, 2)
    board = np.column_stack([grid, np.zeros(len(grid))])
    poses = [(0.0, 0.0), (25.0, 20.0), (30.0, 110.0), (35.0, 200.0), (28.0, 300.0), (15.0, 60.0)]
    seen = []
    for tilt, azimuth in poses:
        rotation, position = aim(np.array([360.0, 270.0, 0.0]), 900.0, tilt, azimuth, 5.0,
                                 steady=True)  # fmt: skip
        lens = Camera((900, 1200), 900.0, (455.0, 592.0), 0.02, -0.006, rotation, position)
        seen.append(lens.project(board)[:, ::-1].astype(np.float32))
    first = np.array([[1000.0, 0, 599.5], [0, 1000.0, 449.5], [0, 0, 1]])
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO
    flags |= cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    rms, matrix, bend, _, _ = cv2.calibrateCamera(
        [board.astype(np.float32)] * len(poses), seen, (1200, 900), first, np.zeros(5), flags=flags
    )
    assert rms < 1e-3
    assert matrix[0, 0] == pytest.approx(900.0, abs=0.1)
    assert (matrix[0, 2], matrix[1, 2]) == pytest.approx((592.0, 455.0), abs=0.1)
    assert bend.ravel()[:2] == pytest.approx([0.02, -0.006], abs=3e-4)
