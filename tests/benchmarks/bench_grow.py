"""Time of a click when growing a region, at 12 and 48 MP.

Run with ``OMP_NUM_THREADS=1 pytest tests/benchmarks/bench_grow.py --benchmark-only -m "" -o
addopts=""``. Bar: 150 ms a click at either size on an idle core. ``grow_region`` hears every
click before again, so the fifth takes longer than the first; a search, as the window has it, hears
the last one only.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import RegionSearch, grow_region
from tests.benchmarks.bench_trace import SHAPES

pytestmark = pytest.mark.usefixtures("one_core")

INSIDE = ((0, 0), (0, 90), (0, -90))
OUTSIDE = ((60, 0), (-60, 0))
"""From the middle of a knot of 80 by 240 px at 12 MP."""


@pytest.fixture(scope="module", params=SHAPES)
def photo(request) -> NDArray[np.uint8]:
    """Pale wood with noise and a soft dark knot in its middle."""
    rows, cols = SHAPES[request.param]
    zoom = rows / 3000
    image = np.random.default_rng(3).normal(150, 6, (rows, cols)).astype(np.float32)
    knot = np.zeros((rows, cols), np.float32)
    half = (round(120 * zoom), round(40 * zoom))
    cv2.ellipse(knot, (cols // 2, rows // 2), half, 0, 0, 360, 1, -1)
    image -= 70 * cv2.GaussianBlur(knot, (0, 0), 3 * zoom)
    return np.repeat(image.clip(0, 255).astype(np.uint8)[..., None], 3, axis=2)


def clicks_on(photo, count) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The first so many clicks on the knot, inside and outside."""
    rows, cols = photo.shape[:2]
    zoom, middle = rows / 3000, np.array([rows // 2, cols // 2])
    inside = middle + zoom * np.array(INSIDE[: min(count, 3)])
    return inside, middle + zoom * np.array(OUTSIDE[: max(count - 3, 0)]).reshape(-1, 2)


@pytest.mark.benchmark(group="a click in a knot: bar is 150 ms")
@pytest.mark.parametrize("clicks", [1, 3, 5])
def test_a_click(benchmark, photo, clicks):
    inside, outside = clicks_on(photo, clicks)
    zoom = photo.shape[0] / 3000
    mask = benchmark.pedantic(grow_region, (photo, inside, outside), rounds=30, warmup_rounds=1)
    assert np.count_nonzero(mask) == pytest.approx(np.pi * 120 * 40 * zoom**2, rel=0.25)


@pytest.mark.benchmark(group="one more click in a knot: bar is 150 ms")
@pytest.mark.parametrize("clicks", [3, 5])
def test_one_more_click(benchmark, photo, clicks):
    inside, outside = clicks_on(photo, clicks)

    def before():
        search = RegionSearch(photo)
        search.region(*clicks_on(photo, clicks - 1))
        return (search,), {}

    found = benchmark.pedantic(
        lambda search: search.region(inside, outside), setup=before, rounds=30, warmup_rounds=1
    )
    assert found.mask.any()
