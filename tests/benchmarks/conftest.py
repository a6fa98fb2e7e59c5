"""What the benchmarks share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from slabvision.opencv import cv2


@pytest.fixture
def one_core() -> Iterator[None]:
    """OpenCV on one core, as the bars have it."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(before)
