"""The largest circle: worked shapes, shapely's own, and its interval."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon

from slabvision.boundary import Hand
from slabvision.clear.circle import circle_size, largest_circle
from slabvision.clear.region import clear_region
from slabvision.clear.shapes import DefectShape, FaceShape
from slabvision.clear.spare import best_per_world
from slabvision.clear.worlds import Worlds, clear_areas


def blob(seed: int, holes: int = 6) -> Polygon:
    rng = np.random.default_rng(seed)
    a = np.linspace(0, 2 * np.pi, 200)[:-1]
    r = 400 + sum(rng.normal(0, 40 / k) * np.cos(k * a + rng.uniform(0, 6)) for k in range(2, 9))
    shape = Polygon(np.column_stack([3 * r * np.cos(a), r * np.sin(a)]))
    for _ in range(holes):
        hole = Point(rng.uniform(-900, 900), rng.uniform(-250, 250)).buffer(rng.uniform(10, 80))
        shape = shape.difference(hole)
    return shape


def test_right_triangle():
    # inradius of a 3-4-5 triangle is 1: Euclid IV.4, r = (a + b - c) / 2
    found = largest_circle(Polygon([(0, 0), (400, 0), (0, 300)]))
    assert found.diameter_mm == pytest.approx(200, abs=1e-3)
    assert found.centre == pytest.approx((100, 100), abs=1e-2)


def test_a_square_hole_pushes_the_circle_aside():
    # 1000 x 400 with the left half blocked by a hole from (100, 100) to (600, 300)
    shape = shapely.box(0, 0, 1000, 400).difference(shapely.box(100, 100, 600, 300))
    found = largest_circle(shape)
    assert found.diameter_mm == pytest.approx(400, abs=1e-3)
    assert shape.buffer(1e-6).contains(found.polygon)


@pytest.mark.parametrize("seed", range(8))
def test_agrees_with_shapely(seed: int):
    shape = blob(seed)
    found = largest_circle(shape)
    line = shapely.maximum_inscribed_circle(shape, tolerance=0.01)  # GEOS MaximumInscribedCircle
    assert found.diameter_mm >= 2 * line.length - 1e-6
    assert found.diameter_mm == pytest.approx(2 * line.length, abs=0.2)
    assert shape.covers(Point(found.centre).buffer(found.diameter_mm / 2 - 0.001))


def test_of_several_pieces_the_best_is_found_and_nothing_gives_none():
    two = shapely.union(shapely.box(0, 0, 300, 300), shapely.box(1000, 0, 1310, 310))
    assert largest_circle(two).diameter_mm == pytest.approx(310, abs=1e-3)
    assert largest_circle(shapely.MultiPolygon()) is None


def test_linear_programs_of_all_worlds_against_scipy():
    from scipy.optimize import linprog

    rng = np.random.default_rng(5)
    normals = rng.normal(size=(60, 2))
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    rows = np.column_stack([normals, rng.normal(size=60) * 50, np.ones(60)])
    limits = rng.uniform(5, 20, (40, 60))
    reach = np.array([50.0, 50.0, 0.2, 100.0])
    gain = np.array([0.0, 0.0, 0.0, 1.0])
    x, slope, best = best_per_world(rows, limits, gain, reach)
    for k in range(40):
        ours = best[k]
        theirs = linprog(-gain, rows, limits[k], bounds=list(zip(-reach, reach, strict=True)))
        assert ours == pytest.approx(-theirs.fun, abs=1e-5)
        assert np.all(rows @ x[k] <= limits[k] + 1e-5)
    assert (slope @ gain).sum() == pytest.approx(1.0, abs=1e-6)  # room all round counts once


def test_a_scale_error_passes_straight_to_the_diameter():
    region = clear_region(FaceShape(shapely.box(0, 0, 2000, 600)))
    scale = 1 + 0.01 * np.random.default_rng(1).standard_normal(1000)
    turn = np.exp(1j * np.random.default_rng(2).normal(0, 0.05, 1000))  # frames may turn freely

    def warp(points: np.ndarray) -> np.ndarray:
        z = (points @ np.array([1, 1j]))[None] * (scale * turn)[:, None] + 30.0
        return np.stack([z.real, z.imag], axis=-1)

    circle = largest_circle(region.with_keep_outs)
    size = circle_size(region, circle, Worlds(warp=warp))
    assert size.value == pytest.approx(600, abs=0.01)
    lo, hi = size.interval
    want = np.percentile(600 * scale, (2.5, 97.5))
    assert (lo, hi) == pytest.approx(tuple(want), abs=1.0)
    areas = clear_areas(region, Worlds(warp=warp))
    assert np.allclose(areas.gross.estimate.draws, 1.2e6 * scale**2, rtol=1e-9)


def test_exact_worlds_give_exact_sizes():
    region = clear_region(FaceShape(shapely.box(0, 0, 2000, 600)))
    size = circle_size(region, largest_circle(region.with_keep_outs), Worlds())
    assert size.interval == pytest.approx((600, 600), abs=0.01)


def test_a_slow_offset_moves_both_edges_at_once():
    hand = Hand(offset_px=0, offset_mm=1.0, wobble_px=0, wobble_mm=0.0)
    region = clear_region(FaceShape(shapely.box(0, 0, 2000, 600)))
    size = circle_size(region, largest_circle(region.with_keep_outs), Worlds(hand=hand))
    assert size.estimate.u == pytest.approx(2.0, rel=0.02)


def test_a_knot_drawn_too_large_is_kept_away_from_by_more_than_that():
    # The keep-out of a sound knot goes by its diameter: drawn again and again with known slow
    # offsets, what the largest circle really does has the spread that the interval claims.
    def face(outline_mm: float, knot_mm: float):
        knots = [Point(u, 330).buffer(40 + knot_mm) for u in (700, 1250)]
        outline = shapely.box(0, 0, 2000, 600).buffer(outline_mm, join_style="mitre")
        each = tuple(DefectShape(i, "sound_knot", knot) for i, knot in enumerate(knots, start=1))
        region = clear_region(FaceShape(outline, each))
        return region, largest_circle(shapely.intersection(region.with_keep_outs, middle))

    middle = shapely.box(700, -50, 1250, 650)  # the circle between the knots, not beside them
    rng = np.random.default_rng(4)
    drawn = [face(*rng.normal(0, 1.0, 2))[1].diameter_mm for _ in range(40)]
    region, circle = face(0.0, 0.0)
    steady = Hand(offset_px=0.0, offset_mm=1.0, wobble_px=0.0, wobble_mm=1e-6)
    size = circle_size(region, circle, Worlds(hand=steady, draws=400))
    assert size.estimate.u == pytest.approx(np.std(drawn), rel=0.35)
    without = circle_size(replace(region, swell={}), circle, Worlds(hand=steady, draws=400))
    assert size.estimate.u > 1.4 * without.estimate.u
