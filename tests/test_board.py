"""The printed board: its pattern, its page, and finding it in pictures of known geometry."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slabvision import board_pattern as pattern
from slabvision.board import check_scale, find_board, write_board
from slabvision.opencv import cv2
from tests.board_views import view

# Pattern ----------------------------------------------------------------------------------------


def test_codes_are_those_of_opencvs_published_dictionary():
    whole = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for marker in pattern.MARKERS:
        drawn = cv2.aruco.generateImageMarker(whole, marker.code, pattern.MODULES) > 127
        assert np.array_equal(drawn[1:-1, 1:-1], marker.white)
        assert not drawn[[0, -1]].any()
        assert not drawn[:, [0, -1]].any()


def test_two_misread_modules_can_be_put_right():
    codes = [marker.white for marker in pattern.MARKERS]
    for one, other in itertools.combinations(codes, 2):
        assert min((np.rot90(one, k) != other).sum() for k in range(4)) >= 6
    for code in codes:
        assert min((np.rot90(code, k) != code).sum() for k in (1, 2, 3)) >= 8


def test_pattern_by_hand():
    crossings = pattern.crossings_mm()
    assert crossings.shape == (20, 2)
    assert crossings[0].tolist() == [0, 0]
    assert crossings[5].tolist() == [56, 56]  # second row, second of four
    assert crossings[-1].tolist() == [224, 168]
    assert pattern.MARKERS[0].corner_mm == (7, 63)  # 56 + (56 - 42) / 2
    assert pattern.MARKERS[0].corners_mm.tolist() == [[7, 63], [7, 105], [49, 105], [49, 63]]
    # Upper left and lower right of the first crossing are black, of the second white.
    assert pattern.polarity()[:2].tolist() == [-1, 1]


def test_black_area_by_hand():
    area = sum(h * w for _, _, h, w in pattern.black_rectangles())
    code = sum((~m.white).sum() + 20 for m in pattern.MARKERS) * 49.0
    # Ring: 7 pieces of 56 x 8 (top 1, bottom 2, left 2, right 2) and its 2 black corners.
    squares = 6 * 56.0**2
    ring = 7 * 56.0 * 8 + 2 * 64.0
    assert area == pytest.approx(squares + ring + code)


# Page -------------------------------------------------------------------------------------------


def _printed(path: Path, dpi: int) -> np.ndarray:
    import pypdfium2

    document = pypdfium2.PdfDocument(str(path))
    assert len(document) == 1
    return np.ascontiguousarray(document[0].render(scale=dpi / 72).to_numpy()[..., :3])


@pytest.mark.parametrize(("paper", "size_mm"), [("letter", (215.9, 279.4)), ("a4", (210.0, 297.0))])
def test_page_is_of_exact_size_and_found(tmp_path, paper, size_mm):
    import pypdfium2

    path = write_board(tmp_path / "board.pdf", paper=paper)
    points = pypdfium2.PdfDocument(str(path))[0].get_size()
    assert np.allclose(np.array(points) / 72 * 25.4, size_mm, atol=0.01)

    page = _printed(path, 300)
    sighting = find_board(page)
    assert sighting is not None
    assert sighting.found == sighting.total == 20
    per_mm = 300 / 25.4
    # Every distance between crossings, in print, within a pixel of the rasteriser (0.08 mm).
    seen = sighting.points[:, None] - sighting.points[None]
    meant = (sighting.mm[:, None] - sighting.mm[None]) * per_mm
    assert np.abs(seen - meant).max() < 1.1
    # Both papers: the pattern in the middle of the width, 6 mm white at least.
    middle = (sighting.points[:, 1].min() + sighting.points[:, 1].max()) / 2 + 0.5
    assert middle == pytest.approx(page.shape[1] / 2, abs=1.5)
    dark = np.argwhere(page.min(axis=2) < 128)
    assert dark.min() > 6 * per_mm
    assert (np.array(page.shape[:2]) - dark.max(axis=0)).min() > 6 * per_mm


def test_check_line_is_150_mm_and_squares_56_mm_by_measuring_ink(tmp_path):
    page = _printed(write_board(tmp_path / "b.pdf"), 600).min(axis=2) < 128
    per_mm = 600 / 25.4
    below = page[round((8 + 240 + 1) * per_mm) : round((8 + 240 + 7) * per_mm)]
    longest = below[below.sum(axis=1).argmax()]
    ink = np.flatnonzero(longest)
    assert (ink[-1] - ink[0] + 1) / per_mm == pytest.approx(150.0, abs=0.35)  # and the tick's width
    # End ticks, the only ones over 3 mm long: their middles are 150 mm apart.
    above = below[: below.sum(axis=1).argmax()]
    ticks = np.flatnonzero(above.sum(axis=0) > 3 * per_mm)
    left, right = ticks[ticks < ticks.mean()].mean(), ticks[ticks > ticks.mean()].mean()
    assert (right - left) / per_mm == pytest.approx(150.0, abs=0.05)
    # A line down through the left column: ring 0, black 56, white with marker, black 56, ...
    column = page[:, round((215.9 / 2 - 84 + 3) * per_mm)]
    edges = np.flatnonzero(np.diff(column.astype(int)))
    lengths = np.diff(edges) / per_mm
    assert lengths[:3] == pytest.approx([56.0, 56.0, 56.0], abs=0.05)


def test_same_pattern_on_both_papers(tmp_path):
    found = [
        find_board(_printed(write_board(tmp_path / f"{p}.pdf", p), 150)) for p in ("letter", "a4")
    ]
    assert found[0] is not None
    assert found[1] is not None
    assert np.array_equal(found[0].mm, found[1].mm)
    shape = [s.points - s.points.mean(axis=0) for s in found]
    assert np.abs(shape[0] - shape[1]).max() < 0.7


def test_page_is_the_same_every_time_and_refuses_other_paper(tmp_path):
    one = write_board(tmp_path / "1.pdf").read_bytes()
    assert one == write_board(tmp_path / "2.pdf").read_bytes()
    with pytest.raises(ValueError, match=r"'a3'.*letter, a4"):
        write_board(tmp_path / "3.pdf", paper="a3")


def test_check_scale():
    assert check_scale(150.0) == 1.0
    assert check_scale(141.0) == pytest.approx(0.94)
    with pytest.raises(ValueError, match=r"15 mm.*near 150 mm"):
        check_scale(15.0)
    with pytest.raises(ValueError, match="near 150"):
        check_scale(float("nan"))


# Finding ----------------------------------------------------------------------------------------


def _error_px(seen, sighting) -> np.ndarray:
    return np.hypot(*(sighting.points - seen.points(sighting.mm)).T)


@pytest.mark.parametrize("tilt_deg", [0, 30, 55])
@pytest.mark.parametrize("distance_mm", [1000, 2000, 3000, 4000])
def test_found_from_one_to_four_metres(distance_mm, tilt_deg):
    shape = (1300, 1300) if distance_mm < 1500 else (700, 700)
    for seed in range(2):
        seen = view(distance_mm, tilt_deg, seed=seed, shape=shape)
        sighting = find_board(seen.pixels)
        assert sighting is not None
        assert sighting.found >= 18
        assert _error_px(seen, sighting).max() < 0.3
        assert np.sqrt((_error_px(seen, sighting) ** 2).mean()) < 0.1


def test_found_in_a_whole_twelve_megapixel_photo():
    seen = view(4000, 50, seed=3, shape=(3024, 4032))
    sighting = find_board(seen.pixels)
    assert sighting is not None
    assert sighting.found == 20
    assert _error_px(seen, sighting).max() < 0.3


def test_found_filling_the_frame():
    seen = view(420, 10, seed=5, focal_px=1500, shape=(1500, 1500), blur_px=1.5)
    sighting = find_board(seen.pixels)
    assert sighting is not None
    assert sighting.found == 20
    assert _error_px(seen, sighting).max() < 0.2


def test_half_covered_board_gives_what_is_seen():
    seen = view(3000, 40, seed=1, cover=0.5)
    sighting = find_board(seen.pixels)
    assert sighting is not None
    assert 8 <= sighting.found <= 12
    assert set(sighting.mm[:, 1]) <= {112.0, 168.0}  # the left half is under the strip
    assert _error_px(seen, sighting).max() < 0.3


def test_found_across_a_shadow_and_in_the_dark():
    seen = view(3000, 45, seed=2, shadow=0.7)
    sighting = find_board(seen.pixels)
    assert sighting is not None
    assert sighting.found >= 12
    assert np.median(_error_px(seen, sighting)) < 0.1
    dim = find_board((seen.pixels * 0.25).astype(np.uint8))
    assert dim is not None
    assert dim.found >= 12


def test_corners_have_no_bias_under_over_exposure():
    # Over-exposed white spreads over black: free corners of squares move, crossings do not.
    bias = []
    for seed in range(6):
        seen = view(2500, 30, seed=seed, blur_px=1.2, shape=(600, 600))
        bright = np.clip(seen.pixels * 1.7, 0, 255).astype(np.uint8)
        sighting = find_board(bright)
        assert sighting is not None
        bias.append((sighting.points - seen.points(sighting.mm)).mean(axis=0))
    assert np.abs(np.mean(bias, axis=0)).max() < 0.02


def test_scale_and_outline():
    seen = view(2500, 20, seed=4)
    sighting = find_board(seen.pixels)
    assert sighting is not None
    assert np.allclose(sighting.scaled(0.97).mm, sighting.mm * 0.97)
    corners = np.array([(-8, -8), (-8, 176), (232, 176), (232, -8)], dtype=float)
    assert np.hypot(*(sighting.outline - seen.points(corners)).T).max() < 0.3


@settings(max_examples=8, deadline=None)
@given(quarter=st.integers(1, 3), seed=st.integers(0, 50))
def test_turning_the_picture_turns_the_points(quarter, seed):
    seen = view(2500, 25, seed=seed, shape=(500, 600))
    first = find_board(seen.pixels)
    turned = find_board(np.ascontiguousarray(np.rot90(seen.pixels, quarter)))
    assert first is not None
    assert turned is not None
    assert first.ids.tolist() == turned.ids.tolist()
    height, width = seen.pixels.shape[:2]
    back = {
        1: np.column_stack([turned.points[:, 1], width - 1 - turned.points[:, 0]]),
        2: np.column_stack([height - 1 - turned.points[:, 0], width - 1 - turned.points[:, 1]]),
        3: np.column_stack([height - 1 - turned.points[:, 1], turned.points[:, 0]]),
    }[quarter]
    assert np.abs(back - first.points).max() < 0.05


def test_a_mirrored_board_is_not_the_board():
    seen = view(2000, 20, seed=0)
    assert find_board(np.ascontiguousarray(seen.pixels[:, ::-1])) is None


def test_one_marker_alone_is_not_enough():
    picture = np.full((600, 600, 3), 200, dtype=np.uint8)
    whole = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    picture[200:350, 200:350] = cv2.aruco.generateImageMarker(whole, 7, 150)[..., None]
    assert find_board(picture) is None


@pytest.mark.parametrize("fill", [0, 128, 255])
def test_empty_and_tiny_pictures(fill):
    for shape in ((1, 1, 3), (1, 500, 3), (40, 40, 3), (300, 2500, 3)):
        assert find_board(np.full(shape, fill, dtype=np.uint8)) is None


def test_noise_is_not_a_board():
    rng = np.random.default_rng(0)
    for _ in range(3):
        assert find_board(rng.integers(0, 256, (700, 700, 3), dtype=np.uint8)) is None


def test_wrong_arrays_are_named():
    with pytest.raises(ValueError, match="float64"):
        find_board(np.zeros((100, 100, 3)))
    with pytest.raises(ValueError, match=r"\(100, 100, 4\)"):
        find_board(np.zeros((100, 100, 4), dtype=np.uint8))


@pytest.mark.real_photos
def test_no_board_in_photos_of_wood(real_photos):
    from slabvision.photo import read_photo

    pictures = sorted(real_photos.glob("*/*.jpg"))
    assert len(pictures) >= 20
    for path in pictures:
        assert find_board(read_photo(path).pixels) is None, path.name


@pytest.mark.real_photos
def test_board_on_real_wood(real_photos):
    from slabvision.photo import read_photo

    wood = cv2.cvtColor(read_photo(real_photos / "boards" / "vsb_s01.jpg").pixels, 7)
    ground = cv2.resize(wood, (800, 800))
    seen = view(3500, 50, seed=7, ground=ground, shape=(800, 800))
    sighting = find_board(seen.pixels)
    assert sighting is not None
    assert _error_px(seen, sighting).max() < 0.3


@pytest.mark.slow
def test_found_from_four_metres_in_at_least_ninety_nine_of_a_hundred():
    found, errors = 0, []
    for seed in range(100):
        tilt = 55 * np.sqrt(seed / 100)
        seen = view(
            4000,
            tilt,
            seed=seed,
            focal_px=3000,
            blur_px=0.7 + 0.6 * (seed % 3) / 2,
            shape=(480, 480),
        )
        sighting = find_board(seen.pixels)
        if sighting is not None:
            found += 1
            errors.append(_error_px(seen, sighting) ** 2)
    assert found >= 99
    assert np.sqrt(np.concatenate(errors).mean()) < 0.15
