"""How long a rendered photo takes, and its parts, one core.

Run with ``OMP_NUM_THREADS=1 pytest tests/benchmarks/bench_scene.py --benchmark-only``; compare
within one run. The bar is 10 s for 12 megapixels on an idle core.
"""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.scene import render_slab
from slabvision.scene.drying import season
from slabvision.scene.log import grow_log
from slabvision.scene.looks import look
from slabvision.scene.sawing import saw
from slabvision.scene.wood import Canvas, clear_wood
from slabvision.scene.yard import ground_texture

pytestmark = pytest.mark.usefixtures("one_core")


@pytest.mark.parametrize("band", ["ladder", "eye height"])
def test_face_photo_of_12_megapixels(benchmark, band: str) -> None:
    made = benchmark.pedantic(
        render_slab, (2,), {"look": "elm", "tilt_band": band}, rounds=2, warmup_rounds=1
    )
    assert made.photos[0].shape == (3000, 4000)


def test_end_photo_of_12_megapixels(benchmark) -> None:
    made = benchmark.pedantic(render_slab, (2,), {"look": "elm", "views": ("end A",)}, rounds=2)
    assert made.photos[0].shape == (3000, 4000)


def test_solid_and_its_regions(benchmark) -> None:
    def work() -> int:
        slab = season(2, saw(2, grow_log(2, look("elm"))))
        return sum(len(slab.regions(role)) for role in ("face A", "face B", "end A", "end B"))

    assert benchmark(work) > 4


def test_clear_wood_of_8_megapixels(benchmark) -> None:
    log = grow_log(2, look("elm"))
    canvas = Canvas(saw(2, log).frame("face A"), 0.0, 0.0, 0.6, (2000, 4000), end=False)
    pixels, _, _ = benchmark.pedantic(clear_wood, (log, canvas, 2), rounds=2)
    assert pixels.shape == (2000, 4000, 3)


@pytest.mark.parametrize("kind", ["gravel", "grass", "concrete", "stack"])
def test_ground_of_8_megapixels(benchmark, kind: str) -> None:
    rng = np.random.default_rng(1)
    image = benchmark.pedantic(ground_texture, (rng, kind, (2500, 3200), 1.0), rounds=2)
    assert image.shape == (2500, 3200, 3)
