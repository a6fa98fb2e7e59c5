"""Speed of the buying desk: choosing among 100 slabs, and two workers against one run.

.venv/bin/pytest tests/benchmarks/bench_desk.py --benchmark-only -m ""
"""

from __future__ import annotations

import time

import numpy as np
import pytest
import shapely

from slabvision.clear.region import Trims
from slabvision.clear.shapes import DefectShape, FaceShape
from slabvision.desk.choose import choose
from slabvision.desk.offers import Offer
from slabvision.desk.packing import SlabPacking
from slabvision.desk.pieces import pieces_of
from slabvision.desk.visit import TOTALS, measure_visit, slab_folders
from slabvision.desk.wanted import Wanted

KINDS = ("surface_check", "sound_knot", "end_check", "hole", "bark_inclusion")


def live_slab(number: int) -> Offer:
    """A slab with wavy edges, up to twelve defects, and a price by its size; invented."""
    rng = np.random.default_rng(number)
    length, width = rng.uniform(1800, 3200), rng.uniform(450, 900)
    u = np.linspace(0, length, 60)

    def edge(v: float) -> np.ndarray:
        wave = sum(
            rng.normal(0, 12) * np.sin(2 * np.pi * u / length * k + rng.uniform(0, 6))
            for k in (1, 2, 3)
        )
        return np.column_stack([u, v + wave])

    ring = np.concatenate([edge(0.0), edge(width)[::-1]])
    defects = []
    for n in range(int(rng.integers(2, 12))):
        at = rng.uniform((100, 60), (length - 200, width - 90))
        size = rng.uniform((30, 4), (300, 40))
        shape = shapely.box(*at, *(at + size))
        defects.append(DefectShape(n + 1, KINDS[int(rng.integers(len(KINDS)))], shape))
    face = FaceShape(shapely.Polygon(ring), tuple(defects))
    price = length * width / 92903 * rng.uniform(15, 40)
    return Offer(
        name=f"slab {number}", face=face, cost=float(round(price)), thickness_mm=55.0,
        trims=Trims.usual(), scale_u=0.004, edge_u_mm=1.2, log=f"log {number // 4}",
    )  # fmt: skip


WANTED = Wanted.model_validate({"part": [
    {"name": "table top half", "shape": "rectangle", "length": "1900 mm", "width": "430 mm",
     "thickness": "38 mm", "count": 2},
    {"name": "round", "shape": "round", "diameter": "520 mm", "thickness": "38 mm", "count": 2},
    {"name": "bench", "shape": "live edge", "length": "1500 mm", "least_width": "380 mm",
     "most_width": "1000 mm", "thickness": "38 mm"},
    {"name": "leg", "shape": "rectangle", "length": "720 mm", "width": "90 mm",
     "thickness": "38 mm", "count": 8},
    {"name": "desk", "shape": "glued-up", "length": "1500 mm", "width": "700 mm", "strips": 5,
     "thickness": "30 mm"},
    {"name": "bracket", "shape": "outline", "outline": [[0, 0], [500, 0], [400, 220], [0, 180]],
     "thickness": "30 mm", "count": 3},
]})  # fmt: skip


def test_a_hundred_slabs_and_six_parts(benchmark):
    offers = [live_slab(n) for n in range(100)]
    for offer in offers:
        offer.region({})  # a measured slab brings it along

    def run():
        return choose(offers, WANTED)

    plan = benchmark.pedantic(run, rounds=1, iterations=1)
    benchmark.extra_info.update(
        cost=plan.cost, gap=plan.gap, rounds=plan.rounds, slabs=[b.offer.name for b in plan.bought]
    )
    assert not plan.unmet


def test_one_slab_and_six_parts(benchmark):
    offer, pieces = live_slab(3), pieces_of(WANTED)
    offer.region({})

    def run():
        packing = SlabPacking(offer, pieces, 4.8)
        return packing.most({i: p.count for i, p in enumerate(pieces)})[0]

    assert benchmark.pedantic(run, rounds=3, iterations=1)


FORTY = 40
"""Rendered slabs for the ratio of two workers to one run."""


@pytest.fixture(scope="module")
def forty(tmp_path_factory):
    """Write rendered slabs, one face of 1.5 megapixels each; takes two minutes."""
    from slabvision.record import Notebook
    from slabvision.scene import render_slab
    from slabvision.study.from_scene import readings, write_slab

    place = tmp_path_factory.mktemp("forty")
    for n in range(FORTY):
        scene = render_slab(
            100 + n, look=("oak", "walnut", "plane")[n % 3], views=("face A",),
            reference=("board", "two tapes", "plywood")[n % 3],
            tilt_band=("ladder", "eye height")[n % 2], yard=("concrete", "grass")[n % 2],
            megapixels=1.5, max_bytes=400_000,
        )  # fmt: skip
        book = Notebook(tag=f"s{n}", species="oak", thickness=readings(scene, n))
        write_slab(scene, place / f"slab-{n:02d}", book)
    return slab_folders([place])


def test_two_workers_against_one_run(benchmark, forty):
    """One run here with OpenCV's own threads against two workers of one thread each."""
    from slabvision.opencv import cv2

    start = time.perf_counter()
    alone = measure_visit(forty)
    serial = time.perf_counter() - start
    two = benchmark.pedantic(lambda: measure_visit(forty, jobs=2), rounds=1, iterations=1)
    benchmark.extra_info.update(
        serial_s=serial,
        opencv_threads_of_the_serial_run=cv2.getNumThreads(),
        ratio=serial / benchmark.stats.stats.min,
        not_measured=len(alone.broken),
    )
    for name in TOTALS:
        assert np.array_equal(alone.total(name).draws, two.total(name).draws, equal_nan=True)
