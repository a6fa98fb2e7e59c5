"""Tracing checks: arrays worked by hand, then real cracks with masks made by others."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import CheckLine, trace_check, trace_check_line
from slabvision.segment.ridge import dark_ridge
from slabvision.segment.window import BadClickError, BadPixelsError


def bar(width: float, rows: int = 80, cols: int = 300, blur: float = 0.7) -> NDArray[np.uint8]:
    """A bright board with one dark level bar through the middle row, blurred by a lens."""
    fine = np.full((rows * 10, 1), 190.0)
    centre = (rows // 2 + 0.5) * 10
    at = np.arange(rows * 10) + 0.5
    fine[np.abs(at - centre) < width * 5] = 40.0
    column = fine.reshape(rows, 10).mean(axis=1)
    image = np.repeat(column[:, None], cols, axis=1)
    image = cv2.GaussianBlur(image, (0, 0), blur) if blur else image
    return np.repeat(np.round(image).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize("width", [3, 5, 8, 15, 30])
def test_width_of_a_bar_is_its_width(width: int) -> None:
    line = trace_check_line(bar(width), [(40, 20), (40, 280)])
    assert np.abs(line.width_px - width).max() < 0.5
    assert line.resolved.all()
    assert np.abs(line.centre_line[:, 0] - 40).max() < 0.3
    assert line.length_px == pytest.approx(260, rel=0.005)


@pytest.mark.parametrize("width", [3, 5, 7])
def test_mask_holds_just_the_bar(width: int) -> None:
    mask = trace_check(bar(width), [(40, 20), (40, 280)])
    want = np.zeros_like(mask)
    want[40 - width // 2 : 40 + width // 2 + 1, 20:281] = True
    assert mask.dtype == np.bool_
    assert (mask & want).sum() / (mask | want).sum() > 0.95


def test_a_hair_line_is_said_in_words() -> None:
    line = trace_check_line(bar(0.8), [(40, 20), (40, 280)])
    assert not line.resolved.any()
    assert line.width_text() == "under 2 px"
    # 8 ft across 4000 px is about 1/42 in per pixel: 2 px are under 1/16 in.
    assert line.width_text(8 * 304.8 / 4000) == "under 1/16 in"
    assert line.width_text(25.4 / 10) == "under 1/4 in"
    assert trace_check(bar(0.8), [(40, 20), (40, 280)])[40, 20:281].all()


def test_width_words_where_it_is_resolved() -> None:
    line = CheckLine(np.zeros((4, 2)), np.full(4, 8.0))
    assert line.width_text() == "8 px"
    assert line.width_text(25.4 / 32) == "1/4 in"
    assert CheckLine(np.zeros((4, 2)), np.full(4, 36.0)).width_text(25.4 / 32) == "1 1/8 in"
    with pytest.raises(ValueError, match="mm_per_px is 0"):
        line.width_text(0)


def test_two_clicks_follow_a_bent_check_and_not_the_straight_line() -> None:
    rows, cols = np.mgrid[0:200, 0:400]
    course = 100 + 40 * np.sin(np.arange(400) / 400 * np.pi)
    image = np.where(np.abs(rows - course[cols]) < 2.5, 60, 180).astype(np.uint8)
    line = trace_check_line(image, [(course[10], 10), (course[390], 390)])
    off = line.centre_line[:, 0] - np.interp(line.centre_line[:, 1], np.arange(400), course)
    assert np.abs(off).max() < 1
    true_length = np.hypot(1, np.diff(course[10:391])).sum()
    assert line.length_px == pytest.approx(true_length, rel=0.02)


def test_a_darker_neighbour_does_not_lure() -> None:
    image = np.full((120, 400), 180, np.uint8)
    image[58:62, :] = 120  # the check that was clicked
    image[80:90, :] = 20  # a pencil line or a shadow beside it
    line = trace_check_line(image, [(59.5, 20), (59.5, 380)])
    assert np.abs(line.centre_line[:, 0] - 59.5).max() < 1
    assert np.abs(line.width_px - 4).max() < 0.7


def test_a_check_that_jumps_is_followed_across_the_gap() -> None:
    image = np.full((100, 300), 180, np.uint8)
    image[48:52, :145] = 70
    image[55:59, 155:] = 70
    mask = trace_check(image, [(49.5, 5), (56.5, 295)])
    assert mask[49:51, 10:140].all()
    assert mask[56:58, 160:290].all()
    assert cv2.connectedComponents(mask.astype(np.uint8))[0] == 2
    assert mask.sum() < 1.15 * 4 * 290


def test_repeated_clicks_and_their_order_change_nothing() -> None:
    image = bar(5)
    ends = [(40, 20), (40, 280)]
    once = trace_check(image, ends)
    assert (trace_check(image, [ends[0], ends[0], ends[1], ends[1], ends[0]]) == once).all()
    middle_last = trace_check(image, [*ends, (40, 150)])
    in_order = trace_check(image, [ends[0], (40, 150), ends[1]])
    assert (middle_last == in_order).all()
    assert (middle_last & once).sum() / (middle_last | once).sum() > 0.97
    beyond = trace_check(image, [(40, 100), (40, 150), (40, 280), (40, 20)])
    assert beyond[40, 20:281].all()


def test_one_place_clicked_twice_is_a_dot() -> None:
    image = bar(5)
    mask = trace_check(image, [(40, 50), (40, 50)])
    assert mask[40, 50]
    assert mask.sum() == 1


def test_results_are_deterministic_and_the_photo_is_left_alone() -> None:
    image = bar(4)
    before = image.copy()
    a = trace_check_line(image, [(40, 20), (41, 280)])
    b = trace_check_line(image, [(40, 20), (41, 280)])
    assert (a.centre_line == b.centre_line).all()
    assert (a.width_px == b.width_px).all()
    assert (image == before).all()


def test_what_lies_elsewhere_in_the_photo_does_not_matter() -> None:
    small = bar(5)
    big = np.full((1500, 2000, 3), 190, np.uint8)
    big[700:780, 900:1200] = small
    a = trace_check(small, [(40, 100), (40, 200)])
    b = trace_check(big, [(740, 1000), (740, 1100)])
    assert (b[700:780, 900:1200] == a).all()
    assert b.sum() == a.sum()


def test_turning_the_photo_turns_the_mask() -> None:
    image = bar(6)
    level = trace_check(image, [(40, 20), (40, 280)])
    upright = trace_check(np.rot90(image).copy(), [(299 - 20, 40), (299 - 280, 40)])
    turned = np.rot90(level)
    assert (upright & turned).sum() / (upright | turned).sum() > 0.97


@pytest.mark.parametrize("kind", ["grey", "float", "uint16", "alpha"])
def test_every_kind_of_picture_gives_the_same_mask(kind: str) -> None:
    image = bar(5)
    other = {
        "grey": image[..., 0],
        "float": image / 255.0,
        "uint16": image.astype(np.uint16) * 257,
        "alpha": np.dstack([image, np.full(image.shape[:2], 255, np.uint8)]),
    }[kind]
    ends = [(40, 20), (40, 280)]
    a, b = trace_check(image, ends), trace_check(other, ends)
    assert (a & b).sum() / (a | b).sum() > 0.99


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(-0.5, 79.5), st.floats(-0.5, 299.5)), min_size=1, max_size=6))
def test_any_clicks_inside_the_photo_give_a_mask_through_them(
    clicks: list[tuple[float, float]],
) -> None:
    mask = trace_check(bar(5), clicks)
    found = np.argwhere(mask)
    for click in clicks:
        assert np.hypot(*(found - np.array(click)).T).min() <= 8


def test_bad_input_is_named() -> None:
    image = bar(5)
    with pytest.raises(BadClickError, match="no point was clicked"):
        trace_check(image, [])
    with pytest.raises(BadClickError, match=r"\(row 90, col 20\) is outside .* 80 rows"):
        trace_check(image, [(90, 20), (40, 30)])
    with pytest.raises(BadClickError, match="outside"):
        trace_check(image, [(float("nan"), 20), (40, 30)])
    with pytest.raises(BadPixelsError, match=r"shape \(3,\)"):
        trace_check(np.zeros(3), [(0, 0)])
    with pytest.raises(BadPixelsError, match="int64"):
        trace_check(np.zeros((5, 5), np.int64), [(0, 0)])


def test_ridge_of_a_flat_picture_is_nothing_and_an_edge_answers_less_than_a_line() -> None:
    assert float(dark_ridge(np.full((40, 40), 0.6, np.float32)).max()) < 1e-4
    line = np.full((61, 61), 0.8, np.float32)
    line[:, 29:32] = 0.3
    edge = np.full((61, 61), 0.8, np.float32)
    edge[:, 30:] = 0.3
    assert float(dark_ridge(edge)[30].max()) < 0.6 * float(dark_ridge(line)[30].max())


# Real cracks -----------------------------------------------------------------------------------
# Masks made by others (VSB-TUO boards, CC BY 4.0; see the README beside the photos).


def _real_cracks(folder: Path) -> list[tuple[str, NDArray[np.uint8], NDArray[np.bool_]]]:
    found = []
    for file in sorted((folder / "boards" / "masks").glob("*_crack.png")):
        name = file.stem.removesuffix("_crack")
        photo = cv2.imread(str(folder / "boards" / f"{name}.jpg"))[:, :, ::-1].copy()
        truth = cv2.imread(str(file), cv2.IMREAD_GRAYSCALE)
        count, labels = cv2.connectedComponents((truth > 0).astype(np.uint8), connectivity=8)
        found += [(f"{name}.{k}", photo, labels == k) for k in range(1, count)]
    return found


def _ends(truth: NDArray[np.bool_]) -> NDArray[np.float64]:
    from skimage.morphology import skeletonize

    middle = np.argwhere(skeletonize(truth)).astype(float)
    apart = np.hypot(*(middle[:, None] - middle[None]).transpose(2, 0, 1))
    return middle[list(np.unravel_index(int(apart.argmax()), apart.shape))]


def wedge(floor: float, seed: int = 1) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Brown wood with a wedge-shaped gap from (60, 40) to a mouth of 44 px, the floor in it."""
    rng = np.random.default_rng(seed)
    rows, cols = np.mgrid[:120, :320].astype(np.float64)
    grain = 12 * np.sin(rows / 3 + cols / 60)
    image = np.array([150.0, 110, 70]) + grain[..., None]
    gap = np.abs(rows - 60) <= np.where(cols < 40, -1, (cols - 40) / 280 * 22)
    image[gap] = floor
    # The wall is in the shade.
    shade = gap & (rows - 60 < -0.6 * (cols - 40) / 280 * 22)
    image[shade] = 0.4 * floor
    image += rng.normal(0, 4, image.shape)
    return np.clip(cv2.GaussianBlur(image, (0, 0), 0.8), 0, 255).astype(np.uint8), gap


@pytest.mark.parametrize("floor", [60.0, 215.0])
def test_a_gap_that_shows_the_floor_is_traced_from_wall_to_wall(floor: float) -> None:
    photo, gap = wedge(floor)
    mask = trace_check(photo, [(60, 42), (59, 318)])
    true = gap & (np.arange(320) <= 318)
    assert (mask & true).sum() / (mask | true).sum() > 0.85
    line = trace_check_line(photo, [(60, 42), (59, 318)])
    at = np.abs(line.centre_line[:, 1] - 200).argmin()
    assert line.width_px[at] == pytest.approx(2 * 160 / 280 * 22, abs=2.5)
    assert line.length_px == pytest.approx(276, rel=0.02)


def test_a_check_along_the_border_of_sapwood_is_no_gap() -> None:
    image = np.repeat(bar(5.0)[..., :1], 3, axis=2).astype(np.float64)
    image[:40] *= [0.75, 0.7, 0.65]
    line = trace_check_line(np.round(image).astype(np.uint8), [(40, 20), (40, 280)])
    assert np.abs(line.width_px - 5).max() < 1.5


@pytest.mark.real_photos
def test_real_gaps_on_ends_are_found_from_wall_to_wall(real_photos: Path) -> None:
    """Masks drawn by hand over two gaps, mouth and tip clicked."""
    from scipy.ndimage import distance_transform_edt

    for name in ("eg_s01", "eg_s03"):
        photo = cv2.imread(str(real_photos / "endgrain" / f"{name}.jpg"))[:, :, ::-1].copy()
        drawn = cv2.imread(str(next((real_photos / "endgrain" / "crack").glob(f"{name}*.png"))), 0)
        _, labels, stats, _ = cv2.connectedComponentsWithStats((drawn > 0).astype(np.uint8))
        truth = labels == 1 + stats[1:, 4].argmax()
        at = np.argwhere(truth).astype(np.float64)
        along = (at - at.mean(0)) @ np.linalg.svd(at - at.mean(0), full_matrices=False)[2][0]
        ends = [at[along <= along.min() + 2].mean(0), at[along >= along.max() - 2].mean(0)]
        mask = trace_check(photo, ends)
        precision = (distance_transform_edt(~truth)[mask] <= 3).mean()
        recall = (distance_transform_edt(~mask)[truth] <= 3).mean()
        assert 2 * precision * recall / (precision + recall) >= 0.85, name


@pytest.mark.real_photos
def test_real_cracks_after_two_clicks_two_pixels_off(real_photos: Path) -> None:
    from scipy.ndimage import distance_transform_edt

    cracks = _real_cracks(real_photos)
    assert len(cracks) >= 6
    rng = np.random.default_rng(3)
    for name, photo, truth in cracks:
        clicks = _ends(truth) + rng.uniform(-2, 2, (2, 2))
        mask = trace_check(photo, np.clip(clicks, 0, np.array(truth.shape) - 1))
        both, either = (mask & truth).sum(), (mask | truth).sum()
        precision = (distance_transform_edt(~truth)[mask] <= 1).mean()
        recall = (distance_transform_edt(~mask)[truth] <= 1).mean()
        assert both / either >= 0.7, name
        assert 2 * precision * recall / (precision + recall) >= 0.85, name
