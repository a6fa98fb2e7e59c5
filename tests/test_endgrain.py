"""End grain: pictures whose rings are known by construction, worked by hand or photographed."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.endgrain import SAWING_AUTHORITIES, NotReadable, read_end_grain
from slabvision.endgrain.square_on import SquareOn


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


def test_one_length_on_the_end_gives_its_scale_and_hardly_widens_its_angles() -> None:
    pixels, mask = rings((300, 600), (150.0, 300.0)), np.ones((300, 600), bool)
    # 400 px are 100 mm: rings of 18 px are 4.5 mm, so 25.4 / 4.5 = 5.64 to the inch.
    end = read_end_grain(pixels, mask=mask, plane=SquareOn((290.0, 100.0), (290.0, 500.0), 100, 1))
    assert end.view.mm_per_px == pytest.approx(0.25, rel=1e-3)
    low, high = end.rings_per_inch.interval
    assert low < 25.4 / 4.5 < high
    assert end.thickness_mm is not None
    assert np.median(end.thickness_mm) == pytest.approx(75.0, abs=1.5)
    points = np.array([[60.0, 200.0], [200.0, 480.0], [250.0, 120.0]])
    alone = read_end_grain(pixels, mask=mask)
    wider = end.ring_angle_u_deg(points) - alone.ring_angle_u_deg(points)
    assert np.abs(wider).max() < 0.5
    # The length itself keeps its reading in every world, tilted or not: 100 mm give or take 1.
    drawn = end.view.plane.to_mm_draws(np.array([[290.0, 100.0], [290.0, 500.0]]))
    length = np.linalg.norm(drawn[:, 1] - drawn[:, 0], axis=1)
    assert length.mean() == pytest.approx(100.0, abs=0.2)
    assert length.std() == pytest.approx(1.0, abs=0.1)


def test_lobed_rings_are_followed_off_their_circles() -> None:
    pith, lobes, ring_px = np.array([150.0, 300.0]), 0.08, 16.0
    row, col = np.indices((300, 600))
    radius, turn = np.hypot(row - pith[0], col - pith[1]), np.arctan2(row - pith[0], col - pith[1])
    age = radius * (1 + lobes * np.sin(3 * turn))
    tone = 205 - 90 * np.clip(((age / ring_px) % 1.0 - 0.55) / 0.4, 0, 1)
    tone += np.random.default_rng(5).normal(0, 4, tone.shape)
    pixels = (np.clip(tone, 0, 255)[..., None] * np.array([1.0, 0.86, 0.68])).astype(np.uint8)
    end = read_end_grain(pixels, mask=np.ones((300, 600), bool))
    points = np.mgrid[20:280:13, 20:580:13].reshape(2, -1).T.astype(float)
    points = points[np.hypot(*(points - pith).T) > 50]
    at = np.arctan2(*(points - pith).T)
    # Along a ring log r changes by -3 k cos 3t / (1 + k sin 3t) per radian.
    slope = -3 * lobes * np.cos(3 * at) / (1 + lobes * np.sin(3 * at))
    true = np.rad2deg(at + np.pi / 2 - np.arctan(slope))
    off = np.abs((end.ring_tangent_deg(points) - true + 90) % 180 - 90)
    circles = np.abs(np.rad2deg(np.arctan(slope)))
    assert np.median(circles) > 8
    assert np.median(off) < 1.0
    assert np.percentile(off, 90) < 3.0


def test_rays_stronger_than_rings_are_not_taken_for_them() -> None:
    pith = np.array([-200.0, 330.0])
    row, col = np.indices((300, 600))
    away = np.stack([row - pith[0], col - pith[1]], axis=-1)
    radius, turn = np.hypot(away[..., 0], away[..., 1]), np.arctan2(away[..., 0], away[..., 1])
    rng = np.random.default_rng(7)
    rays = np.interp(turn, np.linspace(0, np.pi, 700), rng.normal(0, 14, 700))
    tone = 160 - 22 * np.clip(((radius / 17.0) % 1.0 - 0.55) / 0.4, 0, 1) + rays
    tone += rng.normal(0, 4, tone.shape)
    pixels = (np.clip(tone, 0, 255)[..., None] * np.array([1.0, 0.86, 0.68])).astype(np.uint8)
    end = read_end_grain(pixels, mask=np.ones((300, 600), bool))
    assert np.hypot(*(end.pith - pith)) < 40
    points = np.mgrid[20:280:13, 20:580:13].reshape(2, -1).T.astype(float)
    true = np.rad2deg(np.arctan2(*(points - pith).T)) + 90
    off = np.abs((end.ring_tangent_deg(points) - true + 90) % 180 - 90)
    assert np.percentile(off, 90) < 4.0


def test_a_wall_of_bricks_is_refused() -> None:
    row, col = np.indices((400, 700))
    shift = np.where((row // 40) % 2, 50, 0)
    joint = ((row % 40) < 4) | (((col + shift) % 100) < 4)
    tone = np.where(joint, 200, 130) + np.random.default_rng(2).normal(0, 6, row.shape)
    pixels = np.clip(tone, 0, 255).astype(np.uint8)[..., None].repeat(3, axis=2)
    with pytest.raises(NotReadable, match=r"one way|run as rings do"):
        read_end_grain(pixels)
