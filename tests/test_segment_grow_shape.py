"""Growing what is long, and what is an ellipse: when the shape is shown, when what is seen."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import grow_region, growth
from slabvision.segment.ellipses import ANGLES, borders, within
from slabvision.segment.grow_ellipse import Oval, heard_from, oval_of
from slabvision.segment.grow_look import SIDE, Said, Window
from slabvision.segment.growth import Growth, View
from slabvision.segment.window import Mask
from tests.benchmarks.click_protocol import click_through, next_click, overlap

WOOD = (188, 152, 110)


def streak() -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """A long dark streak that winds along the grain, as rot does; pixels and truth."""
    rng = np.random.default_rng(1)
    yy, xx = np.mgrid[:400, :1400]
    winding = np.abs(yy - 200 - 12 * np.sin(xx / 160)) < 22 + 8 * np.sin(xx / 90)
    truth = winding & (np.abs(xx - 700) < 520)
    soft = cv2.GaussianBlur(truth.astype(np.float32), (0, 0), 2)[..., None]
    pixels = np.array(WOOD) * (1 - soft) + np.array([120, 92, 64]) * soft
    grain = cv2.GaussianBlur(rng.normal(0, 1, truth.shape), (0, 0), sigmaX=30, sigmaY=1)
    pixels += (8 / grain.std() * grain + rng.normal(0, 4, truth.shape))[..., None]
    return np.clip(pixels, 0, 255).astype(np.uint8), truth


@pytest.mark.parametrize("kind", [None, "rot"])
def test_a_click_at_the_end_of_a_streak_makes_no_ellipse_of_it(kind: str | None) -> None:
    """As if a knot were said, it does: overlap 0.1 after the second click."""
    pixels, truth = streak()
    order: list[bool] = []

    def segment(inside: Any, outside: Any) -> Mask:
        order.append(len(inside) > sum(order))
        return grow_region(pixels, inside, outside, order=order, kind=kind)

    session = click_through(segment, truth)
    assert min(session.overlaps) > 0.6
    assert session.clicks(0.9) <= 3


@pytest.mark.parametrize(
    ("rows", "cols", "on"),
    [
        (slice(60, 68), slice(20, SIDE), True),  # a streak 8 places wide that the rim cuts off
        (slice(60, 68), slice(20, SIDE - 1), False),
        (slice(30, 70), slice(20, 80), False),
        (slice(30, 70), slice(20, SIDE), True),
    ],
)
def test_a_region_goes_on_where_its_window_cuts_it_off(rows: slice, cols: slice, on: bool) -> None:
    growth = Growth(streak()[0], np.array([200.0, 700.0]))
    field = np.full((SIDE, SIDE), -1, np.float32)
    field[rows, cols] = 1
    view = growth.view._replace(window=Window(np.array([200.0, 700.0]), 256.0), field=field)
    assert growth._goes_on(view) == on


def test_a_hair_from_a_thick_region_to_the_rim_is_not_its_going_on() -> None:
    growth = Growth(streak()[0], np.array([200.0, 700.0]))
    field = np.full((SIDE, SIDE), -1, np.float32)
    field[30:70, 20:80] = 1
    field[50:53, 80:] = 1
    view = growth.view._replace(window=Window(np.array([200.0, 700.0]), 256.0), field=field)
    assert not growth._goes_on(view)


@pytest.mark.parametrize(
    ("half", "depth"),
    [
        # By hand: 400 px from the middle of a window of 256 px, a quarter of it taken off.
        ((20, 24), 400 - 64),
        # A streak 8 places of 256 / 96 px thick at its thickest: one and a half times half of that.
        ((4, 40), 1.5 * 4 * 256 / SIDE),
    ],
)
def test_a_streak_is_missed_beyond_its_window_no_deeper_than_it_is_thick(
    half: tuple[int, int], depth: float
) -> None:
    growth = Growth(streak()[0], np.array([200.0, 700.0]))
    field = np.full((SIDE, SIDE), -1, np.float32)
    field[48 - half[0] : 48 + half[0], 48 - half[1] : 48 + half[1]] = 1
    growth.view = growth.view._replace(window=Window(np.array([200.0, 700.0]), 256.0), field=field)
    assert growth.wrong(np.array([200.0, 1100.0]), True) == pytest.approx(depth, rel=0.02)
    assert growth.wrong(np.array([200.0, 1100.0]), False) == 0


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


def test_an_ellipse_follows_the_picture_and_then_the_clicks() -> None:
    """A disc of 15 places shown; a click 30 places out, 15 deep in an error, asks for far more."""
    yy, xx = np.mgrid[:SIDE, :SIDE]
    off = np.hypot(yy - 47.5, xx - 47.5)
    chance = np.where(off < 15, 0.95, 0.02).astype(np.float32)
    window, first = Window(np.array([100.0, 100.0]), 2.0 * SIDE), np.array([100.0, 100.0])
    seen = oval_of(chance, first, window, [])
    region = seen.drawn(first, window)
    assert overlap(region, off < 15) > 0.85
    click = Said(first + np.array([0.0, 2 * 30.0]), True, 2 * 15.0)
    heard = heard_from(first, click, region, window)
    assert heard.weight == 1
    wide = oval_of(chance, first, window, [heard]).drawn(first, window)
    assert wide[47, 47 + 30]
    assert not wide[47, 47 + 58 :].any(), "as far beyond the click as it was from the border"
    assert wide[47, :40].any()
    assert seen.area_u_px > 0


def test_any_ellipse_is_reached_with_no_help_from_the_picture() -> None:
    """Flat grey: only the clicks speak, heard in the order they were set in."""
    pixels = np.full((400, 600, 3), 150, np.uint8)
    yy, xx = np.mgrid[:400, :600]
    truth = ((yy - 210) / 45) ** 2 + ((xx - 320) / 110) ** 2 <= 1
    growth = Growth(pixels, np.array([210.0, 320.0]))
    overlaps = [overlap(growth.finish()[0], truth)]
    while overlaps[-1] < 0.85 and len(overlaps) < 8:
        point, inside = next_click(growth.finish()[0], truth)
        growth.add(np.array(point, float), inside)
        overlaps.append(overlap(growth.finish()[0], truth))
    assert overlaps[-1] >= 0.85


@pytest.mark.parametrize(
    ("seen", "shown"), [(24.0, 24.0), (26.0, 26.0), (30.0, 27.0), (17.0, 21.0)]
)
def test_an_ellipse_gives_way_to_what_is_seen_by_three_places(
    monkeypatch: pytest.MonkeyPatch, seen: float, shown: float
) -> None:
    """By hand: a circle of 24 places, and the net sure of a smaller or a larger one."""
    middle = np.full(2, (SIDE - 1) / 2)
    window = Window(middle, float(SIDE))
    likely = Oval(*(np.full(ANGLES, np.log(24.0)) for _ in range(3)))
    monkeypatch.setattr(growth, "oval_of", lambda *_: likely)
    far = np.hypot(*(np.indices((SIDE, SIDE)) - middle[0]))
    chance = np.where(far < seen, 0.99, 0.01).astype(np.float32)
    grown = Growth.__new__(Growth)
    grown.first, grown.heard, grown.elliptic = middle, [], True
    grown.said = [Said(middle, True, 0.0)]
    grown.seen = grown.view = View(window, chance, 0.9, (chance - 0.5).astype(np.float32))
    grown._take_shape()
    radius = np.sqrt(np.count_nonzero(grown.view.region) / np.pi)
    assert radius == pytest.approx(shown, abs=0.7)
