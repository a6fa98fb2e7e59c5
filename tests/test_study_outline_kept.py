"""Scenes kept for learning come back as they were, from plain arrays."""

from __future__ import annotations

import numpy as np

from slabvision.scene.camera import Camera
from slabvision.study.outline_scenes import OutlineScene, keep_scene, kept_scene


def test_a_kept_scene_comes_back_as_it_was(tmp_path):
    random = np.random.default_rng(0)
    camera = Camera((4, 6), 5.5, (1.5, 2.5), -0.01, 0.002, np.eye(3), np.array([1.0, 2.0, -3.0]))
    scene = OutlineScene(
        pixels=random.integers(0, 256, (4, 6, 3)).astype(np.uint8),
        arris=random.random((5, 2)),
        bark=random.random((5, 2)),
        widest=random.random((7, 2)),
        hidden=random.random((4, 6)) < 0.5,
        camera=camera,
        words="oak, low sun",
    )
    keep_scene(tmp_path / "1.npz", scene)
    again = kept_scene(tmp_path / "1.npz")
    for name in ("pixels", "arris", "bark", "widest", "hidden"):
        before, after = getattr(scene, name), getattr(again, name)
        assert before.dtype == after.dtype
        assert (before == after).all()
    assert again.words == scene.words
    assert again.camera.shape == camera.shape
    assert (again.to_mm(scene.arris) == scene.to_mm(scene.arris)).all()
