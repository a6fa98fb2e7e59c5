"""End grain: pictures whose rings are known by construction, worked by hand or photographed."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.endgrain import SAWING_AUTHORITIES, NotReadable, read_end_grain


def rings(shape: tuple[int, int], pith: tuple[float, float], ring_px: float = 18.0) -> np.ndarray:
    """Concentric rings: a sharp dark latewood edge, seen straight on."""
    row, col = np.indices(shape)
    radius = np.hypot(row - pith[0], col - pith[1])
    phase = (radius / ring_px) % 1.0
    tone = 205 - 90 * np.clip((phase - 0.55) / 0.4, 0, 1)
    noise = np.random.default_rng(5).normal(0, 4, shape)
    picture = np.clip(tone + noise, 0, 255)[..., None] * np.array([1.0, 0.86, 0.68])
    return picture.astype(np.uint8)


@pytest.mark.parametrize("pith", [(150.0, 300.0), (30.0, 200.0), (-260.0, 330.0)])
def test_circles_give_the_angle_of_the_drawn_circle(pith: tuple[float, float]) -> None:
    end = read_end_grain(rings((300, 600), pith), mask=np.ones((300, 600), bool))
    assert np.hypot(*(end.pith - pith)) < (3.0 if pith[0] > 0 else 20.0)
    row, col = np.mgrid[20:280:13, 20:580:13].reshape(2, -1)
    points = np.stack([row, col], axis=1).astype(float)
    away = points - pith
    far = np.hypot(*away.T) > 40
    # Tangent of a circle is square to the radius; the face runs along the columns.
    angle = np.abs(np.rad2deg(np.arctan2(away[:, 1], away[:, 0])))
    angle = np.minimum(angle, 180 - angle)
    error = np.abs(end.ring_angle_deg(points) - angle)[far]
    assert np.median(error) < 0.6
    assert np.percentile(error, 90) < 1.5


def test_flat_grey_is_refused() -> None:
    with pytest.raises(NotReadable, match="structure"):
        read_end_grain(np.full((300, 400, 3), 150, np.uint8))


def test_authorities_cover_every_angle_once() -> None:
    angles = np.linspace(0, 90, 361)
    for one in SAWING_AUTHORITIES.values():
        named = sum(c.holds(angles).astype(int) for c in one.classes)
        assert (named == 1).all(), one.key
