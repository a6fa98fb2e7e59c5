"""Real photographs of flat boards: corners held out of the fit lie where the plane says."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from slabvision.opencv import cv2
from slabvision.plane import Board, Camera, Rectangle, Tape, fit_plane

pytestmark = pytest.mark.real_photos

SHAPE = (480, 640)
SIDE = 25.0
CHESS = ("left01.jpg", "left03.jpg", "left05.jpg", "left07.jpg")
# An old wide-angle camera: straight lines are visibly bent, far more than by a phone.
OLD_LENS = Camera(SHAPE, 535.0, k1_u=0.3, centre_u=0.01)


@pytest.fixture(scope="module")
def corners(real_photos):
    """Picture points and positions on the target, by photo, then by name of the target."""
    found: dict[str, dict[str, list[tuple[float, ...]]]] = {}
    with (real_photos / "metrology" / "points.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            places = found.setdefault(row["image"], {}).setdefault(row["target"], [])
            places.append(tuple(float(row[key]) for key in ("y", "x", "X_units", "Y_units")))
    return {
        photo: {name: np.array(rows) for name, rows in targets.items()}
        for photo, targets in found.items()
    }


def held_out(plane, pixels, mm, pick_px=0.0, seed=0, pairs=60):
    """Share of lengths between random corners that lie in their interval."""
    rng = np.random.default_rng(seed)
    held = []
    for _ in range(pairs):
        a, b = rng.choice(len(pixels), 2, replace=False)
        truth = float(np.hypot(*(mm[a] - mm[b])))
        length = plane.length(pixels[a], pixels[b])
        u = pick_px * plane.mm_per_px((pixels[a] + pixels[b]) / 2) * np.sqrt(2)
        low, high = np.percentile(length.draws + u * rng.standard_normal(1000), (2.5, 97.5))
        held.append(low <= truth <= high)
    return float(np.mean(held))


@pytest.mark.parametrize("photo", CHESS)
def test_a_chessboard_from_a_part_of_it(corners, photo):
    data = corners[photo]["chess"]
    pixels, mm = data[:, :2], data[:, 2:] * SIDE
    x, y = data[:, 2], data[:, 3]

    def at(u, v):
        return int(np.flatnonzero((x == u) & (y == v))[0])

    whole = pixels[[at(0, 0), at(8, 0), at(8, 5), at(0, 5)]]
    parts = {
        "middle": (x >= 3) & (x <= 5) & (y >= 1) & (y <= 4),
        "half": x <= 4,
        "every other": (x + y) % 2 == 0,
    }
    fits = {
        name: (fit_plane([Board(pixels[part], mm[part], 0.0005)], OLD_LENS), ~part)
        for name, part in parts.items()
    }
    sheet = [at(2, 1), at(6, 1), at(6, 4), at(2, 4)]
    fits["sheet"] = (
        fit_plane([Rectangle(pixels[sheet], 4 * SIDE, 3 * SIDE, 0.1)], OLD_LENS, click_px=0.5),
        np.ones(len(x), bool),
    )
    along, across = [at(u, 2) for u in range(0, 9, 2)], [at(4, v) for v in range(6)]
    tapes = [Tape(pixels[along], mm[along, 0], 0.1), Tape(pixels[across], mm[across, 1], 0.1)]
    fits["tapes"] = (fit_plane(tapes, OLD_LENS, click_px=0.5), np.ones(len(x), bool))
    for name, (plane, rest) in fits.items():
        area = plane.area(whole)
        assert area.holds(40 * SIDE**2), (name, area)
        assert area.value == pytest.approx(40 * SIDE**2, rel=0.03), name
        assert held_out(plane, pixels[rest], mm[rest], pick_px=0.3) >= 0.9, name


def test_focal_length_and_tilt_agree_with_a_calibration_from_all_four(corners):
    boards = [corners[photo]["chess"] for photo in CHESS]
    objects = [
        np.column_stack([b[:, 2:] * SIDE, np.zeros(len(b))]).astype(np.float32) for b in boards
    ]
    images = [b[:, 1::-1].astype(np.float32) for b in boards]
    _, matrix, bend, turns, _ = cv2.calibrateCamera(
        objects, images, SHAPE[::-1], None, None, flags=cv2.CALIB_ZERO_TANGENT_DIST
    )
    middle = float(np.hypot(matrix[0, 2] - 319.5, matrix[1, 2] - 239.5))
    assert middle < 30  # the calibration itself is sound
    assert bend.ravel()[0] < -0.2
    unknown = Camera(SHAPE, None, k1_u=0.3, centre_u=0.01)
    for board, turn in zip(boards, turns, strict=True):
        plane = fit_plane([Board(board[:, :2], board[:, 2:] * SIDE, 0.0005)], unknown)
        normal = cv2.Rodrigues(turn)[0][:, 2]
        tilt = float(np.degrees(np.arccos(abs(normal[2]))))
        low, high = plane.tilt_deg.interval
        assert low - 1.0 < tilt < high + 1.0
        low, high = np.percentile(plane.worlds.focal_px, (2.5, 97.5))
        assert low - 10 < matrix[0, 0] < high + 10


@pytest.mark.parametrize("photo", CHESS)
def test_a_lens_that_bends_lines_is_noticed_and_said(corners, photo):
    data = corners[photo]["chess"]
    part = (data[:, 2] + data[:, 3]) % 2 == 0
    plane = fit_plane([Board(data[part, :2], data[part, 2:] * SIDE)], Camera(SHAPE, 535.0))
    assert any("bends straight lines" in sentence for sentence in plane.advice)
    x, y = data[:, 2], data[:, 3]
    ends = [
        int(np.flatnonzero((x == u) & (y == v))[0]) for u, v in ((0, 0), (8, 0), (8, 5), (0, 5))
    ]
    assert plane.area(data[ends, :2]).holds(40 * SIDE**2)


@pytest.mark.parametrize("known", [(0, 1, 2, 3, 4, 5, 6, 7), (0, 4, 15, 19, 30, 34), range(13, 22)])
def test_a_bent_sheet_of_markers_on_a_desk(corners, known):
    sheet = corners["gboriginal.jpg"]
    names = [f"marker{k}" for k in known]
    inside = np.concatenate([sheet[name] for name in names])
    rest = np.concatenate([rows for name, rows in sheet.items() if name not in names])
    plane = fit_plane(
        [Board(inside[:, :2], inside[:, 2:] * 30, 0.0005)],
        Camera(SHAPE, None, k1_u=0.1, centre_u=0.01),
    )
    # The sheet is bent and its corners were found within about 0.5 px each (its description).
    assert held_out(plane, rest[:, :2], rest[:, 2:] * 30, pick_px=0.6) >= 0.85


@pytest.mark.parametrize("pair", [(0, 1), (2, 3), (4, 5)])
def test_equal_markers_measure_equal_from_any_two_of_them(corners, pair):
    markers = list(corners["singlemarkersoriginal.jpg"].values())
    known = [Board(markers[k][:, :2], markers[k][:, 2:] * 40, 0.0005) for k in pair]
    plane = fit_plane(known, Camera(SHAPE, None), corner_px=0.5)
    for marker in markers:
        assert plane.area(marker[:, :2]).holds(1600)
        assert plane.length(marker[0, :2], marker[2, :2]).holds(40 * np.sqrt(2))
