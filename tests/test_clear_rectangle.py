"""The largest rectangle: worked by hand, planted among decoys, against a slow search."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon, affinity

from slabvision.clear.grain import local_grain
from slabvision.clear.rectangle import (
    along_grain,
    box_around,
    largest_rectangle,
    rectangle_size,
)
from slabvision.clear.region import clear_region
from slabvision.clear.shapes import FaceShape
from slabvision.clear.spare import boundary_points
from slabvision.clear.worlds import Worlds


def planted(seed: int) -> tuple[Polygon, float, float, float]:
    """Rooms joined by passages too thin to matter; the largest room is known."""
    rng = np.random.default_rng(seed)
    length = rng.uniform(250, 900)
    width = min(length * rng.uniform(0.08, 0.8), 400)
    angle = rng.uniform(-90, 90)

    def room(a: float, b: float, turn: float) -> Polygon:
        return affinity.rotate(shapely.box(-a / 2, -b / 2, a / 2, b / 2), turn, origin=(0, 0))

    rooms = [room(length, width, angle)]
    for _ in range(rng.integers(3, 8)):
        area = length * width * rng.uniform(0.6, 0.97)
        side = min(max(rng.uniform(0.4, 1.6) * length, area / 400), 900)
        rooms.append(room(side, area / side, rng.uniform(-90, 90)))
    at, placed = 0.0, []
    for i in rng.permutation(len(rooms)):
        low, _, high, _ = rooms[i].bounds
        placed.append(affinity.translate(rooms[i], at - low, rng.uniform(-40, 40)))
        at += high - low + 15
    passage = shapely.LineString([shape.centroid for shape in placed]).buffer(2)
    return shapely.union_all([*placed, passage]), length, width, angle


def check_planted(seed: int) -> None:
    shape, length, width, angle = planted(seed)
    found = largest_rectangle(shape)
    assert found is not None
    assert found.area_mm2 == pytest.approx(length * width, rel=0.01)
    want = angle if length >= width else angle + 90
    assert abs((found.angle_deg - want + 90) % 180 - 90) < 1.0
    assert shape.covers(found.polygon)


@pytest.mark.parametrize("seed", range(3))
def test_a_planted_rectangle_is_found(seed: int):
    check_planted(seed)


@pytest.mark.slow
def test_two_hundred_planted_rectangles_are_found():
    for seed in range(3, 200):
        check_planted(seed)


def test_square_in_a_circle():
    # the largest rectangle in a circle is the square of area 2 r² (Euclid IV.6)
    disc = Point(0, 0).buffer(500, quad_segs=256)
    assert largest_rectangle(disc).area_mm2 == pytest.approx(500_000, rel=0.003)


def test_rectangle_in_a_right_triangle():
    # half the triangle's area, whichever side it stands on (a classical extremum problem)
    triangle = Polygon([(0, 0), (900, 0), (0, 600)])
    assert largest_rectangle(triangle, angle_deg=0).area_mm2 == pytest.approx(135_000, rel=0.01)
    assert largest_rectangle(triangle).area_mm2 == pytest.approx(135_000, rel=0.01)


def test_a_hole_is_never_covered():
    shape = shapely.box(0, 0, 2000, 600).difference(Point(900, 310).buffer(30))
    found = largest_rectangle(shape, angle_deg=0)
    assert found.area_mm2 == pytest.approx(1070 * 600, rel=1e-4)
    assert found.polygon.disjoint(Point(900, 310).buffer(29))


def test_a_hair_thin_check_is_not_overlooked():
    # 3 mm wide, far below the raster's cell
    shape = shapely.box(0, 0, 2000, 600).difference(shapely.box(600, 299, 1600, 302))
    found = largest_rectangle(shape, angle_deg=0)
    assert shape.covers(found.polygon)
    assert found.area_mm2 == pytest.approx(2000 * 299, rel=1e-4)


def test_box_around_against_going_through_all():
    rng = np.random.default_rng(2)
    for _ in range(20):
        points = rng.uniform(-10, 10, (25, 2))
        ring = np.array([(-10, -10), (10, -10), (10, 10), (-10, 10)])
        edge = np.vstack([ring + f * (np.roll(ring, -1, 0) - ring) for f in np.linspace(0, 1, 9)])
        points = np.vstack([points, edge])
        found = box_around(points, np.zeros(2))
        best = 0.0
        for y0 in points[points[:, 1] < 0, 1]:
            for y1 in points[points[:, 1] > 0, 1]:
                between = points[(points[:, 1] > y0) & (points[:, 1] < y1)]
                left = between[between[:, 0] <= 0, 0].max(initial=-10)
                right = between[between[:, 0] > 0, 0].min(initial=10)
                best = max(best, (right - left) * (y1 - y0))
        assert found[4] == pytest.approx(best)


def test_along_the_grain_of_a_swept_slab():
    a = np.radians(np.linspace(70, 110, 120))
    inner, outer = (
        2700 * np.column_stack([-np.cos(a), np.sin(a)]),
        3300 * np.column_stack([-np.cos(a), np.sin(a)]),
    )
    outline = affinity.rotate(Polygon(np.vstack([outer, inner[::-1]])), 7, origin=(0, 3000))
    found = along_grain(outline, local_grain(FaceShape(outline)))
    assert outline.covers(found.polygon)
    assert found.angle_deg == pytest.approx(7, abs=3)


def test_longest_at_a_given_width():
    shape = shapely.box(0, 0, 2000, 600).difference(shapely.box(1200, 0, 1210, 350))
    wide = largest_rectangle(shape, angle_deg=0, least_width_mm=300, longest=True)
    narrow = largest_rectangle(shape, angle_deg=0, least_width_mm=240, longest=True)
    assert wide.length_mm == pytest.approx(1200, abs=0.01)
    assert narrow.length_mm == pytest.approx(2000, abs=0.01)


def test_slow_search_finds_nothing_better():
    rng = np.random.default_rng(11)
    shape = shapely.box(0, 0, 1200, 500)
    for _ in range(12):
        spot = Point(rng.uniform(0, 1200), rng.uniform(0, 500)).buffer(rng.uniform(8, 30))
        shape = shape.difference(spot)
    found = largest_rectangle(shape)
    points = boundary_points(shape, 6.0)
    best = 0.0
    seeds = rng.uniform((0, 0), (1200, 500), (120, 2))
    seeds = seeds[shapely.contains_xy(shape, seeds)]
    for angle in np.radians(np.arange(0, 90, 3)):
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        turned = points @ turn
        best = max(best, *(box_around(turned, seed @ turn)[4] for seed in seeds))
    assert found.area_mm2 > 0.99 * best


def test_a_scale_error_passes_to_length_width_and_area():
    region = clear_region(FaceShape(shapely.box(0, 0, 2000, 600)))
    scale = 1 + 0.005 * np.random.default_rng(1).standard_normal(1000)
    worlds = Worlds(warp=lambda points: scale[:, None, None] * points[None])
    found = largest_rectangle(region.with_keep_outs, angle_deg=0)
    size = rectangle_size(region, found, worlds, turns=True)
    assert size.length_mm.value == pytest.approx(2000, abs=0.1)
    assert size.length_mm.estimate.u == pytest.approx(10, rel=0.06)
    assert size.width_mm.estimate.u == pytest.approx(3, rel=0.06)
    assert size.area_mm2.estimate.u == pytest.approx(12_000, rel=0.06)
    assert size.area_mm2.parts["plane"].std() == pytest.approx(12_000, rel=0.06)
