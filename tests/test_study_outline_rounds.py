"""A log's end among the pictures that the outline learns from: its rim, its rings."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.study.outline_classes import BARK, FACE, GROUND, classes_of, filled
from slabvision.study.outline_pictures import end_scene
from slabvision.study.outline_rounds import round_ring, with_rings
from slabvision.study.outline_scenes import shrunk
from tests.test_study_outline_lessons import red_on_green


@pytest.mark.parametrize("seed", range(12))
def test_a_rim_is_one_piece_of_a_fair_size(seed: int) -> None:
    rim = round_ring(np.random.default_rng(seed), (600, 800))
    mask = filled((600, 800), rim)
    assert 0.02 < mask.mean() < 0.85
    row, col = np.rint(rim.mean(axis=0)).astype(int)
    assert mask[row, col], "the middle of an end is wood"


def test_rings_run_round_the_pith_and_nothing_else_changes() -> None:
    """On flat wood with a round rim the tone depends on the distance from the middle."""
    t = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    rim = 200 + 150 * np.column_stack([np.sin(t), np.cos(t)])
    skin = filled((400, 400), rim) > 0
    wood = np.full((400, 400, 3), 180.0)
    y, x = np.mgrid[:400, :400]
    told = []
    for seed in range(10):
        made = with_rings(np.random.default_rng(seed), wood, rim, skin)
        assert (made[~skin] == 180).all()
        light = made.mean(axis=2)
        from_middle = np.hypot(y - 200, x - 200).astype(int)
        mean = np.bincount(from_middle[skin], light[skin]) / np.bincount(from_middle[skin])
        at_random = np.random.default_rng(seed).permutation(from_middle[skin])
        by_chance = np.bincount(at_random, light[skin]) / np.bincount(at_random)
        told.append((mean[from_middle[skin]].var(), by_chance[at_random].var()))
        assert light[skin].std() > 2
    ours, chance = np.array(told).T
    assert (ours > 3 * chance).all()


def test_an_end_cut_from_a_scene_is_its_wood_on_another_ground() -> None:
    scene = shrunk(red_on_green(), 384)
    made = [end_scene(np.random.default_rng(k), scene, scene) for k in range(10)]
    shown = [each for each in made if each is not None]
    assert len(shown) >= 5
    for end in shown:
        shows = classes_of(end)
        assert set(np.unique(shows)) <= {GROUND, FACE, BARK}
        assert end.pixels.shape == (*shows.shape, 3)
        assert ((shows == FACE) == (filled(shows.shape, end.arris) > 0)).all()
        face = end.pixels[shows == FACE].mean(axis=0)
        assert face.std() < 12 or face[0] > face[1], "red, or photographed without colour"
    assert any((classes_of(end) == BARK).any() for end in shown)
    assert not all((classes_of(end) == BARK).any() for end in shown)
