"""How long finding the board takes beside decoding the photo it is in.

Run with ``pytest tests/benchmarks/bench_board.py --benchmark-only``; compare within one run.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from slabvision.board import find_board
from slabvision.opencv import cv2
from slabvision.photo import read_header, read_photo, read_thumbnail
from slabvision.sharpness import sharpness
from tests.board_views import view

SHAPE = (3024, 4032)


def _ground() -> np.ndarray:
    """Streaks and noise: as many false edges as sawn wood has."""
    rng = np.random.default_rng(0)
    streaks = cv2.GaussianBlur(rng.normal(0, 1, SHAPE).astype(np.float32), (0, 0), 40, sigmaY=1.5)
    return np.clip(120 + streaks / streaks.std() * 25, 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder, ground = tmp_path_factory.mktemp("photos"), _ground()
    pixels = {
        "near": view(2000, 40, seed=1, shape=SHAPE, ground=ground).pixels,
        "far": view(4000, 55, seed=1, shape=SHAPE, ground=ground, blur_px=1.0).pixels,
    }
    noise = np.random.default_rng(1).normal(0, 4, SHAPE)
    pixels["none"] = np.dstack([np.clip(ground + noise, 0, 255).astype(np.uint8)] * 3)
    for name, picture in pixels.items():
        Image.fromarray(picture).save(folder / f"{name}.jpg", quality=88)
    return {name: folder / f"{name}.jpg" for name in pixels}


@pytest.mark.parametrize("name", ["near", "far", "none"])
def test_find_board(benchmark, photos, name):
    pixels = read_photo(photos[name]).pixels
    sighting = benchmark.pedantic(find_board, args=(pixels,), rounds=5, warmup_rounds=1)
    assert (sighting is None) == (name == "none")


def test_read_photo(benchmark, photos):
    assert benchmark.pedantic(read_photo, args=(photos["far"],), rounds=5).shape == SHAPE


def test_read_header(benchmark, photos):
    assert benchmark.pedantic(read_header, args=(photos["far"],), rounds=5).shape == SHAPE


def test_read_thumbnail(benchmark, photos):
    assert benchmark.pedantic(read_thumbnail, args=(photos["far"],), rounds=5).shape[1] == 512


def test_sharpness(benchmark, photos):
    pixels = read_photo(photos["far"]).pixels
    assert not benchmark.pedantic(sharpness, args=(pixels,), rounds=3).blurred
