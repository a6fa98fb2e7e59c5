"""Growing a region from clicks: hand-made pictures, a rendered face, real knots."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import GrownRegion, grow_region, grow_region_soft
from slabvision.segment.ellipses import borders, within
from slabvision.segment.ground import Blob, Click
from slabvision.segment.grow import Growth
from slabvision.segment.network import answers, stored
from slabvision.segment.window import BadClickError, BadPixelsError
from tests.benchmarks.click_protocol import click_through, deepest, next_click, overlap

WOOD, DARK = (188, 152, 110), (84, 58, 40)


def spot(
    shape: tuple[int, int] = (300, 400),
    middle: tuple[float, float] = (150, 200),
    half: tuple[float, float] = (30, 50),
    blur: float = 1.0,
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Pale wood with fine noise and a dark ellipse; pixels and truth."""
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    truth = ((yy - middle[0]) / half[0]) ** 2 + ((xx - middle[1]) / half[1]) ** 2 <= 1
    soft = cv2.GaussianBlur(truth.astype(np.float32), (0, 0), blur)[..., None]
    pixels = np.array(WOOD) * (1 - soft) + np.array(DARK) * soft
    noise = np.random.default_rng(4).normal(0, 4, (*shape, 1))
    return np.clip(pixels + noise, 0, 255).astype(np.uint8), truth


@pytest.mark.parametrize("half", [(12, 14), (30, 50), (20, 90)])
def test_a_click_in_a_dark_spot_gives_the_spot(half: tuple[float, float]) -> None:
    pixels, truth = spot(half=half)
    assert overlap(grow_region(pixels, [(150, 200)]), truth) > 0.8


def test_the_spot_is_found_from_a_click_beside_its_middle() -> None:
    pixels, truth = spot()
    assert overlap(grow_region(pixels, [(160, 225)]), truth) > 0.8


def test_every_kind_of_picture_is_read_alike() -> None:
    pixels, truth = spot()
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    alpha = np.dstack([pixels, np.full(truth.shape, 255, np.uint8)])
    expected = grow_region(pixels, [(150, 200)])
    assert (grow_region(alpha, [(150, 200)]) == expected).all()
    # Half a grey value more or less moves the clusters of colours a little.
    assert overlap(grow_region(pixels.astype(np.uint16) * 257, [(150, 200)]), expected) > 0.9
    assert overlap(grow_region(pixels / 255.0, [(150, 200)]), expected) > 0.9
    # Without colour less can be told.
    assert overlap(grow_region(grey, [(150, 200)]), truth) > 0.5


def test_every_click_gets_its_way_and_the_same_call_gives_the_same_answer() -> None:
    pixels, _ = spot()
    rng = np.random.default_rng(8)
    inside = np.column_stack([rng.uniform(100, 200, 6), rng.uniform(130, 270, 6)])
    outside = np.column_stack([rng.uniform(100, 200, 6), rng.uniform(130, 270, 6)])
    mask = grow_region(pixels, inside, outside)
    assert mask.dtype == np.bool_
    assert mask.shape == pixels.shape[:2]
    for points, value in ((inside, True), (outside, False)):
        at = np.rint(points).astype(int)
        assert (mask[at[:, 0], at[:, 1]] == value).all()
    assert (grow_region(pixels, inside, outside) == mask).all()


def test_the_order_of_clicks_is_heard() -> None:
    """Two clicks told in the order that would be guessed give the same region."""
    pixels, _ = spot()
    inside, outside = [(150, 200), (150, 260)], [(190, 200)]
    growth = Growth(pixels, np.array(inside[0], float), 60.0)
    first = growth.wrong(np.array(inside[1]), True) >= growth.wrong(np.array(outside[0]), False)
    guessed = grow_region(pixels, inside, outside)
    told = grow_region(pixels, inside, outside, order=[True, first, not first])
    assert (told == guessed).all()
    late = grow_region(pixels, inside, outside, order=[False, True, True])
    assert (late == grow_region(pixels, inside, outside, order=[True, False, True])).all()


def test_corrections_lead_to_a_region_that_no_colour_shows() -> None:
    """The left half of a dark ellipse: only clicks can say where it ends."""
    pixels, truth = spot(half=(40, 60))
    truth[:, 200:] = False
    session = click_through(lambda i, o: grow_region(pixels, i, o), truth, 0.85)
    assert session.clicks(0.85) <= 10
    assert session.overlaps[-1] > session.overlaps[0]


def test_a_region_cut_by_the_frame_and_clicks_on_the_frame() -> None:
    pixels, truth = spot(middle=(0, 200))
    mask = grow_region(pixels, [(8, 200)])
    assert overlap(mask, truth) > 0.6
    for corner in ((-0.5, -0.5), (299.5, 399.5)):
        assert grow_region(pixels, [corner]).any()


@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (7, 9), (40, 3)])
def test_tiny_pictures(shape: tuple[int, int]) -> None:
    pixels = np.full((*shape, 3), 128, np.uint8)
    assert grow_region(pixels, [(0, 0)])[0, 0]


def test_a_flat_picture_gives_something_round_the_click() -> None:
    mask = grow_region(np.full((200, 200, 3), 150, np.uint8), [(100, 100)])
    assert mask[100, 100]
    assert mask.mean() < 0.9


def test_far_away_pixels_do_not_matter() -> None:
    pixels, _ = spot((2400, 2600), (1200, 1300), (25, 30))
    expected = grow_region(pixels, [(1200, 1300)])
    changed = pixels.copy()
    changed[:300] = 0
    changed[:, -300:] = 255
    assert (grow_region(changed, [(1200, 1300)]) == expected).all()


def test_a_soft_border_makes_the_area_less_sure() -> None:
    sharp = grow_region_soft(spot(blur=1)[0], [(150, 200)])
    soft = grow_region_soft(spot(blur=12)[0], [(150, 200)])
    assert isinstance(sharp, GrownRegion)
    assert sharp.area_px == np.count_nonzero(sharp.mask)
    assert soft.area_u_px > sharp.area_u_px > 0
    assert soft.border_u_px > sharp.border_u_px > 0


def test_errors_say_what_is_wrong() -> None:
    pixels, _ = spot()
    with pytest.raises(BadClickError, match="click once in the middle"):
        grow_region(pixels, [])
    with pytest.raises(BadClickError, match=r"row 500, col 3\) is outside"):
        grow_region(pixels, [(500, 3)])
    with pytest.raises(BadClickError, match=r"row 150, col 200\) was clicked inside and outside"):
        grow_region(pixels, [(150, 200)], [(150.2, 199.9)])
    with pytest.raises(BadClickError, match="order is of 1 clicks inside and 1 outside; 1 and 0"):
        grow_region(pixels, [(150, 200)], order=[True, False])
    with pytest.raises(BadPixelsError, match="shape"):
        grow_region(np.zeros(5), [(0, 0)])


# Shapes ----------------------------------------------------------------------------------------


def test_how_far_a_point_lies_in_an_ellipse() -> None:
    """Half axes 20 and 5 px by hand: a middle 5 px from the border, one end 4 px inside it."""
    shape = np.array([[0.0, 0.0, np.log(4.0), 0.0]])  # long side along the rows
    log_size = np.array([[np.log(10.0)]])
    for point, expected in (((0, 0), 5.0), ((16, 0), 4.0), ((0, 7), -2.0), ((26, 0), -6.0)):
        depth = within(shape, log_size, np.array(point, float))[0, 0]
        assert depth == pytest.approx(expected, rel=0.35), point
    border = np.exp(borders(shape)[0] + np.log(10.0))
    assert border[0] == pytest.approx(5)  # along the columns
    assert border[24] == pytest.approx(20)  # down the rows


def test_clicks_dent_and_bulge_a_border() -> None:
    round_one = np.full(96, np.log(20.0))
    out, into = np.array([0.0, 26.0]), np.array([0.0, -16.0])
    blob = Blob(round_one, [Click(out, True, 6.0), Click(into, False, 4.0)])
    assert blob.at(out) >= 0.6 * 6
    assert blob.at(into) <= -0.6 * 4
    assert blob.at(np.array([0.0, 29.0])) > 0, "the border moved beyond the click"
    assert blob.at(np.array([20.5, 0.0])) < 0, "elsewhere it stayed"
    assert blob.at(np.array([19.0, 0.0])) > 0


def test_any_ellipse_is_reached_with_no_help_from_the_picture() -> None:
    """Flat grey: only the clicks speak, heard in the order they were set in."""
    pixels = np.full((400, 600, 3), 150, np.uint8)
    yy, xx = np.mgrid[:400, :600]
    truth = ((yy - 210) / 45) ** 2 + ((xx - 320) / 110) ** 2 <= 1
    growth = Growth(pixels, np.array([210.0, 320.0]), 0.0)
    overlaps = [overlap(growth.finish()[0], truth)]
    while overlaps[-1] < 0.85 and len(overlaps) < 8:
        point, inside = next_click(growth.finish()[0], truth)
        growth.add(np.array(point, float), inside)
        overlaps.append(overlap(growth.finish()[0], truth))
    assert overlaps[-1] >= 0.85


# What was learned ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["ellipse", "grow", "matter"])
def test_weights_are_plain_numbers_and_small(name: str) -> None:
    from slabvision.segment import network

    file = Path(network.__file__).with_name(f"{name}.npz")
    assert file.stat().st_size < 200_000
    weights = stored(name)  # np.load refuses pickles
    assert all(w.dtype == np.float32 and np.isfinite(w).all() for w in weights.values())


def test_a_network_by_hand() -> None:
    weights = {
        "mean": np.array([1, 0], np.float32), "spread": np.array([2, 1], np.float32),
        "w0": np.array([[1, -1], [1, 0]], np.float32), "b0": np.array([0, 0.5], np.float32),
        "w1": np.array([[2], [10]], np.float32), "b1": np.array([0.25], np.float32),
    }  # fmt: skip
    # (3, 1) -> (1, 1) -> (2, -0.5) -> rectified (2, 0) -> 4.25
    assert answers(np.array([[3, 1]], np.float32), weights)[0, 0] == pytest.approx(4.25)
    # Beyond 5 spreads nothing changes: (1000, 1) counts as (11, 1) -> (5, 1) -> (6, -4.5) -> 12.25
    assert answers(np.array([[1000, 1]], np.float32), weights)[0, 0] == pytest.approx(12.25)


# The protocol ----------------------------------------------------------------------------------


def test_the_next_click_is_the_deepest_point_of_the_largest_error() -> None:
    truth, mask = np.zeros((2, 40, 40), bool)
    truth[10:21, 10:31] = True
    assert deepest(truth)[0][0] == 15
    assert next_click(mask, truth) == (deepest(truth)[0], True)
    mask[10:21, 10:31] = True
    mask[0:5, 0:5] = True
    assert next_click(mask, truth) == ((2, 2), False)


def test_clicks_are_counted_until_the_target() -> None:
    truth = np.zeros((60, 60), bool)
    truth[20:40, 20:40] = True

    def slow(inside: list, outside: list) -> NDArray[np.bool_]:
        mask = np.zeros_like(truth)
        mask[20:40, 20 : 20 + 5 * len(inside)] = True
        return mask

    session = click_through(slow, truth)
    assert session.overlaps == (0.25, 0.5, 0.75, 1.0)
    assert session.clicks(0.7) == 3
    assert session.clicks(0.85) == 4
    never = click_through(lambda i, o: np.zeros_like(truth), truth)
    assert never.clicks(0.85) == 20


# Rendered and real -----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.real_photos
def test_real_knots(real_photos: Path) -> None:
    """Published knot boxes (VSB-TUO, CC BY 4.0), the ellipse in each; even photos kept apart."""
    from tests.benchmarks.grow_table import real

    gained = []
    for case in list(real(real_photos, apart=False))[1:5]:
        session = click_through(
            lambda i, o, case=case: grow_region(case.pixels, i, o), case.truth, 0.6
        )
        gained.append(max(session.overlaps) - session.overlaps[0])
    assert np.mean(gained) > 0.15
