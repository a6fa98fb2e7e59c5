"""What can be cut from a 2.4 m slab with 40 defects, against shapely's own inscribed circle.

.venv/bin/pytest tests/benchmarks/bench_clear.py --benchmark-only -m ""
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from slabvision.boundary import HAND
from slabvision.clear.circle import circle_size, largest_circle
from slabvision.clear.parts import LiveEdgePart, best_placement
from slabvision.clear.rectangle import largest_rectangle
from slabvision.clear.region import ClearRegion, Trims, clear_region
from slabvision.clear.shapes import DefectShape, FaceShape
from slabvision.clear.worlds import Worlds
from slabvision.study.slab_pairs import slab_outline

GROUP = "2.4 m, 40 defects: bars are circle <= 100 ms, rectangle and live-edge part <= 1 s"


@pytest.fixture(scope="module")
def region() -> ClearRegion:
    """A slab with ragged live edges and forty small knots, holes and checks, invented."""
    outline, rng = slab_outline(8, 2400.0), np.random.default_rng(8)
    u0, v0, u1, v1 = outline.bounds
    defects: list[DefectShape] = []
    while len(defects) < 40:
        at = shapely.Point(rng.uniform(u0, u1), rng.uniform(v0, v1))
        kind = ("sound_knot", "hole", "surface_check")[len(defects) % 3]
        wide, high = (rng.uniform(40, 150), 3.0) if kind == "surface_check" else (12.0, 12.0)
        spot = shapely.affinity.scale(at.buffer(1.0, quad_segs=16), wide, high)
        if outline.contains(spot):
            defects.append(DefectShape(len(defects) + 1, kind, spot))
    return clear_region(FaceShape(outline, tuple(defects)), trims=Trims.usual())


@pytest.mark.benchmark(group=GROUP)
def test_shapely_inscribed_circle(benchmark, region):
    # GEOS MaximumInscribedCircle of the largest piece, to a tenth of a millimetre
    piece = max(shapely.get_parts(region.with_keep_outs), key=lambda part: part.area)
    line = benchmark(lambda: shapely.maximum_inscribed_circle(piece, tolerance=0.1))
    assert line.length > 30


@pytest.mark.benchmark(group=GROUP)
def test_circle(benchmark, region):
    found = benchmark(lambda: largest_circle(region.with_keep_outs))
    reference = max(
        shapely.maximum_inscribed_circle(piece, tolerance=0.1).length
        for piece in shapely.get_parts(region.with_keep_outs)
    )
    assert found.diameter_mm >= 2 * reference - 0.2


@pytest.mark.benchmark(group=GROUP)
def test_circle_with_its_interval(benchmark, region):
    worlds, circle = Worlds(hand=HAND), largest_circle(region.with_keep_outs)
    assert benchmark(lambda: circle_size(region, circle, worlds)).estimate.determined


@pytest.mark.benchmark(group=GROUP)
def test_rectangle_at_any_angle(benchmark, region):
    found = benchmark(lambda: largest_rectangle(region.with_keep_outs))
    assert region.with_keep_outs.covers(found.polygon)


@pytest.mark.benchmark(group=GROUP)
def test_live_edge_part(benchmark, region):
    worlds, part = Worlds(hand=HAND), LiveEdgePart(300.0, 150.0, 450.0, keep="one")
    placed = benchmark(lambda: best_placement(region, part, worlds))
    assert placed is not None
    assert placed.polygon.area > 300 * 140
