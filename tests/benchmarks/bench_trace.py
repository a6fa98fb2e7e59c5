"""Time of a click when tracing, at 12 and 48 MP, and of the outline, beside scikit-image's sato.

Run with ``OMP_NUM_THREADS=1 pytest tests/benchmarks/bench_trace.py --benchmark-only -m "" -o
addopts=""``; compare within one run. Bars: 150 ms a click at either size, 1.5 s for an outline
at 12 MP, on an idle core.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import OutlineSearch, find_outline, trace_check_line
from slabvision.segment.window import grey

pytestmark = pytest.mark.usefixtures("one_core")

SHAPES = {"12 MP": (3000, 4000), "48 MP": (6000, 8000)}
LENGTH_PX = 600


def board(shape: tuple[int, int]) -> NDArray[np.uint8]:
    """An invented board with grain, a level check in its middle, on a grey floor."""
    rng = np.random.default_rng(2)
    rows, cols = shape
    grain = cv2.GaussianBlur(rng.normal(0, 1, (rows // 4, cols // 4)).astype(np.float32), (9, 1), 6)
    grain = cv2.resize(grain, (cols, rows))
    image = np.full((rows, cols, 3), (105, 105, 108), np.uint8)
    top, bottom, left, right = rows // 4, 3 * rows // 4, cols // 10, 9 * cols // 10
    wood = np.array([176, 140, 100]) + 14 * grain[top:bottom, left:right, None]
    image[top:bottom, left:right] = wood.clip(0, 255).astype(np.uint8)
    at = cols // 2
    image[rows // 2 - 3 : rows // 2 + 4, at - LENGTH_PX // 2 : at + LENGTH_PX // 2] //= 3
    return image


@pytest.fixture(scope="module", params=SHAPES)
def photo(request) -> NDArray[np.uint8]:
    return board(SHAPES[request.param])


@pytest.mark.benchmark(group="a click on a check of 600 px: bar is 150 ms")
def test_trace(benchmark, photo):
    rows, cols = photo.shape[:2]
    ends = [(rows // 2, cols // 2 - 295), (rows // 2, cols // 2 + 295)]
    line = benchmark.pedantic(trace_check_line, (photo, ends), rounds=30, warmup_rounds=1)
    assert line.length_px == pytest.approx(590, rel=0.02)


@pytest.mark.benchmark(group="a click on a check of 600 px: bar is 150 ms")
def test_sato_of_the_same_window(benchmark, photo):
    """What scikit-image needs for the ridge alone, in a window as large as the tracer's strip."""
    from skimage.filters import sato

    rows, cols = photo.shape[:2]
    window = grey(
        photo[rows // 2 - 150 : rows // 2 + 151, cols // 2 - 307 : cols // 2 + 308].copy()
    )
    sigmas = (1.0, 1.6, 2.5, 4.0, 6.5, 10.0)
    assert benchmark.pedantic(sato, (window, sigmas), rounds=30).max() > 0


@pytest.mark.benchmark(group="outline at 12 MP: bar is 1.5 s")
def test_outline(benchmark):
    photo = board(SHAPES["12 MP"])
    ring = benchmark.pedantic(find_outline, (photo,), rounds=10, warmup_rounds=1)
    assert len(ring) >= 4


@pytest.mark.benchmark(group="one more click on an outline: bar is 150 ms")
def test_a_click_on_an_outline(benchmark, photo):
    """The first click off the slab, 1 % of the photo's width within its upper edge."""
    rows, cols = photo.shape[:2]
    search = OutlineSearch(photo)
    search.outline()
    # Another place each time, or the answer would be remembered.
    places = iter(np.linspace(0.35, 0.65, 40) * cols)

    def click():
        return search.outline((), [(rows // 4 + 0.01 * cols, float(next(places)))])

    assert len(benchmark.pedantic(click, rounds=30, warmup_rounds=1).points) >= 4
