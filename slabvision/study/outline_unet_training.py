"""Learn the outline's two convolutional nets from rendered scenes.

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

from slabvision.segment.unet import load_unets
from slabvision.segment.window import Floats
from slabvision.study.outline_lessons import (
    SIDE,
    EdgeLesson,
    EdgeLessons,
    Lesson,
    as_lesson,
    click_on,
    nearer,
    picture_lesson,
    turned,
)
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

FIRST_SEED = 2000
"""Seeds from here on are learned from; the benchmark's are far away."""
SMALL, LARGE = 120, 40
"""Scenes of 0.8 MP, then scenes of 3 MP."""
HARD_SEEDS = *range(2218, 2544), *range(2660, 2752)
HARD_YARDS = "stack", "rack"
"""Further scenes of 0.8 MP where other wood lies all round; the seed's remainder chooses."""
SHARP_SEEDS = *range(2800, 2844), *range(2845, 3040, 2)
"""Further scenes of 3 MP, in all yards, for the edge's net."""
MOST_ENDS = 120
"""Scenes whose wood the edge's net sees as a log's end as well."""
PICTURES = 3
"""Pictures made of each scene."""
CLASSES = 4
"""Ground, face, bark, side."""
LARGE_SHARE = 0.7
NEARER = 2
"""Parts of each scene, cut by their frames, that the edge's net learns from too."""
FIRST_STEPS, EDGE_STEPS = 20_000, 20_000
"""How many steps would do; minutes may end them before."""
FIRST, EDGE = (16, 32, 64, 128, 128), (16, 32, 48, 64)
"""Channels at each scale of the net for the slab and of the one for its edge."""
FIRST_BATCH, EDGE_BATCH = 4, 8
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


def learn_edge(
    small: list[OutlineScene], large: list[OutlineScene], minutes: float, before: Net | None = None
) -> Net:
    """Return the net that finds its edge, from the start or learned on from one before."""
    ribbons, sharp = (
        [EdgeLessons(each) for each in (*scenes, *_nearer(scenes), *_ends(scenes[:MOST_ENDS]))]
        for scenes in (small, large)
    )
    if before is None:
        net, rate = new_net(23, EDGE, CLASSES, 3), FROM_START
    else:
        net, rate = widened(before, EDGE, 3), LEARN_ON
    batches = edge_batches(ribbons, sharp, EDGE_BATCH, 4 if before is None else 5)
    return learn(net, batches, EDGE_STEPS, rate, minutes=minutes)


def _nearer(scenes: list[OutlineScene]) -> list[OutlineScene]:
    """Return parts of scenes that their frames cut the slab off in."""
    rng = np.random.default_rng(7)
    parts = [nearer(rng, each) for each in scenes for _ in range(NEARER)]
    return [each for each in parts if each is not None]


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
    if "edge" in which:
        sharp = large + scenes_kept(SHARP_SEEDS, 3.0, kept)
        nets["edge"] = learn_edge(small, sharp, minutes, nets["edge"] if on else None)
    if mean:
        nets |= {name: mean_of(before[name], nets[name]) for name in which}
    write(out, nets)


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path, help="outline_unet.npz to write")
    parser.add_argument("scenes", type=Path, help="folder of rendered scenes")
    parser.add_argument("--minutes", type=float, default=float("inf"), help="of learning, each net")
    parser.add_argument("--only", choices=("first", "edge"), help="learn one net")
    parser.add_argument("--on", action="store_true", help="learn on from the kept nets")
    parser.add_argument("--mean", action="store_true", help="write the mean of before and after")
    said = parser.parse_args()
    if said.mean and not said.on:
        parser.error("--mean goes with --on: a net learned from the start has none before it")
    main(
        said.out,
        said.scenes,
        said.minutes,
        [said.only] if said.only else ["first", "edge"],
        on=said.on,
        mean=said.mean,
    )
