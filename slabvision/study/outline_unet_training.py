"""Learn the outline's convolutional nets from rendered scenes.

    python -m slabvision.study.outline_unet_training OUTLINE_UNET_NPZ SCENES --minutes 50

renders the scenes that the folder lacks, makes pictures of them and learns each net from the
start, for so many minutes at most; with ``--on`` from the nets kept beside the code, with
``--mean`` as well the mean of the weights before and after is written. Needs ``jax``, as all that
learns a convolutional net does: ``pip install jax``.
"""

from __future__ import annotations

import argparse
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from slabvision.segment.outline_pieces import rim
from slabvision.segment.unet import CELL, load_unets
from slabvision.segment.window import Floats
from slabvision.study.outline_classes import filled
from slabvision.study.outline_lessons import (
    SIDE,
    EdgeLesson,
    EdgeLessons,
    Lesson,
    as_lesson,
    click_on,
    picture_lesson,
    turned,
)
from slabvision.study.outline_near_lessons import first_found, near_batches, pictures_kept
from slabvision.study.outline_pictures import end_scene
from slabvision.study.outline_scenes import OutlineScene, scenes_kept, shrunk
from slabvision.study.unet_training import (
    Batch,
    Batches,
    Net,
    learn,
    mean_of,
    new_net,
    widened,
    write,
)

__all__ = ["FIRST_SEED", "main"]

NETS = "first", "near", "edge"
FIRST_SEED = 2000
"""Seeds from here on are learned from; the benchmark's are far away."""
SMALL, LARGE = 120, 40
"""Scenes of 0.8 MP, then scenes of 3 MP."""
HARD_SEEDS = *range(2218, 2544), *range(2660, 2752)
HARD_YARDS = "stack", "rack"
"""Further scenes of 0.8 MP where other wood lies all round; the seed's remainder chooses."""
SHARP_SEEDS = range(2800, 3240)
"""Further scenes of 3 MP, in all yards, for the nets of the nearer look and of the edge.

The first looks learned from none of them, so that they are as unsure here as on any photo.
"""
MOST_ENDS = 120
"""Scenes whose wood the edge's net sees as a log's end as well."""
PICTURES = 3
"""Pictures made of each scene."""
CLASSES = 4
"""Ground, face, bark, side."""
LARGE_SHARE = 0.7
FIRST_STEPS, NEAR_STEPS, EDGE_STEPS = 20_000, 40_000, 20_000
"""How many steps would do; minutes may end them before."""
FIRST, EDGE = (16, 32, 64, 128, 128), (16, 32, 48, 64)
"""Channels at each scale of the net for the slab and of the one for its edge."""
FIRST_BATCH, NEAR_BATCH, EDGE_BATCH = 4, 2, 8
FROM_START, LEARN_ON = 2e-3, 1e-3
"""Highest rate of learning, of a net that knows nothing and of one that is learned on."""
_NONE: Floats = np.zeros((0, 2))
_said = logging.getLogger(__name__)


def picture_batches(lessons: list[Lesson], size: int, seed: int) -> Batches:
    """Return batches of pictures; half of them carry the click that the net would get next."""

    def batches(net: Net, forward: Any) -> Iterator[Batch]:
        rng = np.random.default_rng(seed)
        while True:
            chosen = [lessons[int(k)] for k in rng.integers(len(lessons), size=size)]
            seen = [turned(rng, each) for each in chosen]
            looks, shows = [cells for cells, _ in seen], [each for _, each in seen]
            for k, clicks in enumerate(_next_clicks(rng, net, forward, looks, shows)):
                looks[k] = as_lesson(looks[k], *clicks)
            yield np.stack(looks), np.stack(shows)

    return batches


def edge_batches(
    small: list[EdgeLessons], large: list[EdgeLessons], size: int, seed: int
) -> Batches:
    """Return batches of ribbons, half of them with clicks.

    Most are of large scenes, which show an edge as sharp as it will be seen.
    """

    def batches(net: Net, forward: Any) -> Iterator[Batch]:
        rng = np.random.default_rng(seed)
        while True:
            taken: list[EdgeLesson] = []
            while len(taken) < size:
                among = large if rng.uniform() < LARGE_SHARE else small
                got = among[int(rng.integers(len(among)))].take(rng)
                if got is not None:
                    taken.append(got)
            looks = [each.look(_NONE, _NONE) for each in taken]
            shows = [each.shows for each in taken]
            for k, clicks in enumerate(_next_clicks(rng, net, forward, looks, shows)):
                looks[k] = taken[k].look(*clicks)
            yield np.stack(looks), np.stack(shows)

    return batches


def _next_clicks(
    rng: np.random.Generator, net: Net, forward: Any, looks: list[Any], shows: list[Any]
) -> list[tuple[Floats, Floats]]:
    """Return the clicks that half of a batch would get next, the net being as it is."""
    asked = len(looks) // 2
    score = np.array(forward(net, np.stack(looks[:asked])))
    chance = np.exp(score - score.max(axis=3, keepdims=True))
    face = chance[..., 1] / chance.sum(axis=3)
    return [click_on(rng, face[k], shows[k]) for k in range(asked)]


def scenes_for_learning(folder: Path) -> tuple[list[OutlineScene], list[OutlineScene]]:
    """Return small and large scenes kept in a folder, those that are missing rendered first."""
    middle = FIRST_SEED + SMALL
    return (
        scenes_kept(range(FIRST_SEED, middle), 0.8, folder),
        scenes_kept(range(middle, middle + LARGE), 3.0, folder),
    )


def lessons_of(scenes: list[OutlineScene]) -> list[Lesson]:
    """Return pictures to learn the slab from, made of scenes."""
    small = [shrunk(each, SIDE) for each in scenes]
    out = []
    for k in range(PICTURES * len(small)):
        rng = np.random.default_rng(100 + k)
        out.append(picture_lesson(rng, small[k % len(small)], small[int(rng.integers(len(small)))]))
    _said.info("made %d pictures of %d scenes", len(out), len(small))
    return out


def learn_first(scenes: list[OutlineScene], minutes: float, before: Net | None = None) -> Net:
    """Return the net that finds the slab, from the start or learned on from one before."""
    if before is None:
        net, rate = new_net(57, FIRST, CLASSES, 1), FROM_START
    else:
        net, rate = widened(before, FIRST, 1), LEARN_ON
    batches = picture_batches(lessons_of(scenes), FIRST_BATCH, 2)
    return learn(net, batches, FIRST_STEPS, rate, minutes=minutes)


def learn_near(
    scenes: list[OutlineScene], kept: Path, minutes: float, first: Net, before: Net | None = None
) -> Net:
    """Return the net for the nearer look: from the first one, which it sees instead of clicks."""
    pictures = pictures_kept(scenes, kept / "near")
    if before is None:
        net = widened(first, FIRST, 1)
        net["down.0.0.w"][:, :, -CELL * CELL :] = 0
    else:
        net = before
    batches = near_batches(pictures, NEAR_BATCH, 6 if before is None else 7)
    return learn(net, batches, NEAR_STEPS, LEARN_ON, minutes=minutes)


def learn_edge(
    small: list[OutlineScene], large: list[OutlineScene], minutes: float, before: Net | None = None
) -> Net:
    """Return the net that finds its edge, from the start or learned on from one before."""
    ribbons = [EdgeLessons(each) for each in (*small, *_ends(small))]
    sharp = [EdgeLessons(each, _found(each)) for each in (*large, *_ends(large[:MOST_ENDS]))]
    _said.info("looked at %d scenes", len(sharp))
    if before is None:
        net, rate = new_net(23, EDGE, CLASSES, 3), FROM_START
    else:
        net, rate = widened(before, EDGE, 3), LEARN_ON
    batches = edge_batches(ribbons, sharp, EDGE_BATCH, 4 if before is None else 5)
    return learn(net, batches, EDGE_STEPS, rate, minutes=minutes)


def _found(scene: OutlineScene) -> Floats | None:
    """Return the outline that the first looks find in a scene, None where it is no use."""
    shape = (scene.pixels.shape[0], scene.pixels.shape[1])
    found = first_found(scene.pixels, filled(shape, scene.arris) > 0)
    if found is None:
        return None
    _, piece = found
    return rim(piece, (shape[0] / piece.shape[0], shape[1] / piece.shape[1]), shape)


def _ends(scenes: list[OutlineScene]) -> list[OutlineScene]:
    """Return an end of a log for each scene that shows enough of its wood."""
    rng = np.random.default_rng(8)
    ends = [end_scene(rng, each, scenes[int(rng.integers(len(scenes)))]) for each in scenes]
    return [each for each in ends if each is not None]


def main(
    out: Path, kept: Path, minutes: float, which: list[str], *, on: bool = False, mean: bool = False
) -> None:
    """Render, learn and write the file; a net that is not learned anew is kept as it is."""
    small, large = scenes_for_learning(kept)
    nets: dict[str, Net] = {name: dict(net) for name, net in load_unets("outline_unet").items()}
    before = dict(nets)
    if "first" in which:
        hard = scenes_kept(HARD_SEEDS, 0.8, kept, HARD_YARDS)
        nets["first"] = learn_first(small + large + hard, minutes, nets["first"] if on else None)
    sharp = [] if which == ["first"] else scenes_kept(SHARP_SEEDS, 3.0, kept)
    if "near" in which:
        known = nets["near"] if on else None
        nets["near"] = learn_near(sharp, kept, minutes, nets["first"], known)
    if "edge" in which:
        nets["edge"] = learn_edge(small, large + sharp, minutes, nets["edge"] if on else None)
    if mean:
        nets |= {name: mean_of(before[name], nets[name]) for name in which}
    write(out, nets)


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path, help="outline_unet.npz to write")
    parser.add_argument("scenes", type=Path, help="folder of rendered scenes")
    parser.add_argument("--minutes", type=float, default=float("inf"), help="of learning, each net")
    parser.add_argument("--only", choices=NETS, help="learn one net")
    parser.add_argument("--on", action="store_true", help="learn on from the kept nets")
    parser.add_argument("--mean", action="store_true", help="write the mean of before and after")
    said = parser.parse_args()
    if said.mean and not said.on:
        parser.error("--mean goes with --on: a net learned from the start has none before it")
    main(
        said.out,
        said.scenes,
        said.minutes,
        [said.only] if said.only else list(NETS),
        on=said.on,
        mean=said.mean,
    )
