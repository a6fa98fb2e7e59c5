"""The drawing hand of the validation study: right size, right sign, closed."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.study.hand import DrawingHand, clicked, drawn_line

RECTANGLE = np.array([[0, 0], [0, 2400], [800, 2400], [800, 0]], float)


def _area(ring):
    return (
        abs(
            np.dot(ring[:, 0], np.roll(ring[:, 1], -1))
            - np.dot(ring[:, 1], np.roll(ring[:, 0], -1))
        )
        / 2
    )


@pytest.mark.parametrize("ring", [RECTANGLE, RECTANGLE[::-1]])
def test_a_steady_offset_outwards_adds_perimeter_times_offset(ring):
    rng = np.random.default_rng(1)
    steady = DrawingHand(offset_mm=0.0, wobble_mm=0.0)
    assert _area(drawn_line(ring, 1.0, steady, rng)) == pytest.approx(2400 * 800, rel=1e-6)
    grown = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        offset = np.random.default_rng(seed).normal(0, 2.0)
        area = _area(drawn_line(ring, 1.0, DrawingHand(offset_mm=2.0, wobble_mm=0.0), rng))
        grown.append((offset, (area - 2400 * 800) / 6400))
    offsets, got = np.array(grown).T
    assert np.allclose(offsets, got, atol=0.05 + 0.1 * np.abs(offsets).max())
    assert np.corrcoef(offsets, got)[0, 1] > 0.99


def test_wobble_has_its_size_and_is_correlated():
    hand = DrawingHand(offset_mm=0.0, wobble_mm=2.0)
    ring = drawn_line(RECTANGLE, 1.0, hand, np.random.default_rng(3), every_mm=5)
    top = ring[(ring[:, 0] < 50) & (ring[:, 1] > 50) & (ring[:, 1] < 2350)]
    out = top[:, 0]
    assert 1.0 < np.std(out) < 3.0
    assert np.corrcoef(out[:-1], out[1:])[0, 1] > 0.8


def test_clicks_have_their_spread():
    points = clicked(np.zeros((4000, 2)), DrawingHand(click_px=1.5), np.random.default_rng(0))
    assert np.std(points) == pytest.approx(1.5, rel=0.05)
