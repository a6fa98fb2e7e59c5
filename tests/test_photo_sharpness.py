"""Blur in pixels at edges whose blur is known, and on real photos blurred on purpose."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.opencv import cv2
from slabvision.photo import read_photo
from slabvision.sharpness import is_blurred, sharpness


def _edges(blur_px: float, noise: float = 2.0, size: int = 400) -> np.ndarray:
    picture = np.full((size, size), 60.0, dtype=np.float32)
    picture[:, size // 2 :] = 180
    picture[size // 2 :] += 30
    picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    picture += np.random.default_rng(0).normal(0, noise, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("blur_px", [1.5, 2.0, 3.0, 4.0, 5.0])
def test_blur_of_a_step_edge_comes_back(blur_px):
    assert sharpness(_edges(blur_px)).blur_px == pytest.approx(blur_px, rel=0.12)


def test_contrast_does_not_matter():
    faint = (_edges(3.0, noise=0.0) * 0.3 + 90).astype(np.uint8)
    assert sharpness(faint).blur_px == pytest.approx(3.0, rel=0.12)


def test_a_camera_moved_across_the_edge_shows():
    moved = cv2.filter2D(_edges(0.7)[:200], -1, np.full((1, 31), 1 / 31, dtype=np.float32))
    assert sharpness(moved).blurred  # a 31 px box has a standard deviation of 9 px


def test_limit_grows_with_the_picture():
    assert sharpness(np.zeros((3000, 4000), dtype=np.uint8)).limit_px == 5.0
    assert sharpness(np.zeros((300, 400), dtype=np.uint8)).limit_px == 3.5


@pytest.mark.parametrize("shape", [(10, 10, 3), (1, 900), (500, 500, 3)])
def test_nothing_to_see_is_not_called_blurred(shape):
    flat = np.full(shape, 120, dtype=np.uint8)
    assert np.isnan(sharpness(flat).blur_px)
    assert not is_blurred(flat)


def test_wrong_array_is_named():
    with pytest.raises(ValueError, match="float64"):
        is_blurred(np.zeros((100, 100)))


@pytest.mark.real_photos
def test_real_photos_are_sharp_and_the_same_blurred_are_not(real_photos):
    for path in sorted(real_photos.glob("*/*.jpg"))[::2]:
        pixels = read_photo(path).pixels
        assert not is_blurred(pixels), path.name
        noisy = cv2.GaussianBlur(pixels, (0, 0), 6.0).astype(np.float32)
        noisy += np.random.default_rng(0).normal(0, 2, noisy.shape)
        assert is_blurred(np.clip(noisy, 0, 255).astype(np.uint8)), path.name
