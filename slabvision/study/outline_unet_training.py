"""Learn the outline's two convolutional nets from rendered scenes.

    python -m slabvision.study.outline_unet_training OUTLINE_UNET_NPZ SCENES [MINUTES]

renders the scenes that the folder lacks, makes pictures of all that it holds and learns each net
from the start, for so many minutes at most. Needs ``jax``, which nothing else here does:
``pip install jax``.
"""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.outline_unet import CELL, CLASSES, answer
from slabvision.study.outline_lessons import (
    SIDE,
    EdgeLessons,
    Lesson,
    as_lesson,
    click_on,
    picture_lesson,
    turned,
)
from slabvision.study.outline_pictures import UNKNOWN
from slabvision.study.outline_scenes import OutlineScene, kept_scene, scenes_kept, shrunk

__all__ = ["FIRST_SEED", "ByJax", "learn", "main", "new_net"]

Net = dict[str, Any]
Batch = tuple[NDArray[np.float32], NDArray[np.uint8]]

FIRST_SEED = 2000
"""Seeds from here on are learned from; the benchmark's are far away."""
SMALL, LARGE = 90, 50
"""Scenes of 0.8 MP, then scenes of 3 MP."""
PICTURES = 8
"""Pictures made of each scene."""
FIRST, EDGE = (16, 32, 48, 64, 64), (16, 24, 32, 40)
"""Channels at each scale of the net for the slab and of the one for its edge."""
_said = logging.getLogger(__name__)


class ByJax:
    """The arithmetic of a batch of pictures, differentiable."""

    @staticmethod
    def convolved(x: Any, weight: Any, offset: Any) -> Any:
        """Return rectified sums over 3 x 3 neighbours; beyond the rim there is nothing."""
        import jax

        out = jax.lax.conv_general_dilated(
            x, weight, (1, 1), "SAME", dimension_numbers=("NHWC", "HWIO", "NHWC")
        )
        return jax.nn.relu(out + offset)

    @staticmethod
    def halved(x: Any) -> Any:
        """Return the largest of each 2 x 2."""
        import jax.numpy as jnp

        x = jnp.pad(x, ((0, 0), (0, x.shape[1] % 2), (0, x.shape[2] % 2), (0, 0)))
        n, rows, cols, count = x.shape
        return x.reshape(n, rows // 2, 2, cols // 2, 2, count).max(axis=(2, 4))

    @staticmethod
    def doubled(x: Any) -> Any:
        """Return every cell four times."""
        import jax.numpy as jnp

        return jnp.repeat(jnp.repeat(x, 2, axis=1), 2, axis=2)

    @staticmethod
    def joined(one: Any, other: Any) -> Any:
        """Return both, one channel after another."""
        import jax.numpy as jnp

        return jnp.concatenate([one[:, : other.shape[1], : other.shape[2]], other], axis=3)


def new_net(inputs: int, channels: tuple[int, ...], seed: int) -> Net:
    """Return a net that knows nothing (weights after He, Zhang, Ren and Sun 2015, ICCV)."""
    rng = np.random.default_rng(seed)

    def kernel(count: int, out: int) -> NDArray[np.float32]:
        return rng.normal(0, np.sqrt(2 / (9 * count)), (3, 3, count, out)).astype(np.float32)

    net: Net = {}
    before = inputs
    for k, out in enumerate(channels):
        for half, count in enumerate((before, out)):
            net[f"down.{k}.{half}.w"] = kernel(count, out)
            net[f"down.{k}.{half}.b"] = np.zeros(out, np.float32)
        before = out
    for k in reversed(range(len(channels) - 1)):
        net[f"up.{k}.w"] = kernel(channels[k] + before, channels[k])
        net[f"up.{k}.b"] = np.zeros(channels[k], np.float32)
        before = channels[k]
    head = rng.normal(0, np.sqrt(1 / before), (before, CELL * CELL * CLASSES))
    net["head.w"] = head.astype(np.float32)
    net["head.b"] = np.zeros(CELL * CELL * CLASSES, np.float32)
    return net


def _scores(net: Net, x: Any) -> Any:
    last = answer(net, x, ByJax())
    n, rows, cols, _ = last.shape
    parts = (last @ net["head.w"] + net["head.b"]).reshape(n, rows, cols, CELL, CELL, CLASSES)
    return parts.swapaxes(2, 3).reshape(n, CELL * rows, CELL * cols, CLASSES)


def _loss(net: Net, x: Any, shows: Any) -> Any:
    import jax
    import jax.numpy as jnp

    known = shows != UNKNOWN
    logs = jax.nn.log_softmax(_scores(net, x))
    right = jnp.take_along_axis(logs, jnp.where(known, shows, 0)[..., None].astype(int), axis=3)
    return -(right[..., 0] * known).sum() / known.sum()


def learn(
    net: Net,
    batches: Callable[[Net, Any], Iterator[Batch]],
    steps: int,
    rate: float = 2e-3,
    *,
    minutes: float = float("inf"),
) -> Net:
    """Return a net after so many steps of Adam (Kingma and Ba 2015, ICLR), or so many minutes.

    Parameters
    ----------
    net : dict
    batches : callable
        Given the net as it is at any time and its forward pass, yields lessons for ever.
    steps : int
    rate : float
        Highest rate of learning; it rises at first and falls to nothing along a cosine.
    minutes : float
        Where time is short: the rate falls along it instead.
    """
    import jax
    import jax.numpy as jnp

    def step(net: Net, first: Net, second: Net, x: Any, shows: Any, rate: Any, k: Any) -> Any:
        loss, slope = jax.value_and_grad(_loss)(net, x, shows)
        size = jnp.sqrt(sum(jnp.square(each).sum() for each in slope.values()))
        slope = {key: each / jnp.maximum(1.0, size) for key, each in slope.items()}
        first = {key: 0.9 * first[key] + 0.1 * slope[key] for key in net}
        second = {key: 0.99 * second[key] + 0.01 * slope[key] ** 2 for key in net}
        moved = {
            key: net[key]
            - rate * (first[key] / (1 - 0.9**k)) / (jnp.sqrt(second[key] / (1 - 0.99**k)) + 1e-7)
            for key in net
        }
        return moved, first, second, loss

    quick: Any = jax.jit(step)
    forward = jax.jit(_scores)
    net = {key: jnp.asarray(each) for key, each in net.items()}
    first = {key: jnp.zeros_like(each) for key, each in net.items()}
    second = dict(first)
    current = dict(net)
    usual, begun = 1.0, time.monotonic()
    for k, (x, shows) in enumerate(batches(current, forward)):
        done = max(k / steps, (time.monotonic() - begun) / (60 * minutes))
        if done >= 1:
            break
        now = rate * min(1.0, (k + 1) / 100) * 0.5 * (1 + np.cos(np.pi * done))
        net, first, second, loss = quick(net, first, second, x, shows, now, k + 1.0)
        current.update(net)
        usual += (float(loss) - usual) / min(k + 1, 100)
        if k % 100 == 99:
            _said.info("step %d, %.0f %% done, loss %.4f", k + 1, 100 * done, usual)
    return {key: np.asarray(each) for key, each in net.items()}


def picture_batches(
    lessons: list[Lesson], size: int, seed: int
) -> Callable[[Net, Any], Iterator[Batch]]:
    """Return batches of pictures; half of them carry the click that the net would get next."""

    def batches(net: Net, forward: Any) -> Iterator[Batch]:
        rng = np.random.default_rng(seed)
        none = np.zeros((0, 2))
        while True:
            chosen = [lessons[int(k)] for k in rng.integers(len(lessons), size=size)]
            seen = [turned(rng, each) for each in chosen]
            looks = [as_lesson(each, none, none) for each in seen]
            asked = size // 2
            score = np.array(forward(net, np.stack(looks[:asked])))
            for k in range(asked):
                chance = np.exp(score[k] - score[k].max(axis=2, keepdims=True))
                face = chance[..., 1] / chance.sum(axis=2)
                looks[k] = as_lesson(seen[k], *click_on(rng, face, seen[k].shows))
            yield np.stack(looks), np.stack([each.shows for each in seen])

    return batches


def edge_batches(
    ribbons: list[EdgeLessons], size: int, seed: int
) -> Callable[[Net, Any], Iterator[Batch]]:
    """Return batches of ribbons."""

    def batches(net: Net, forward: Any) -> Iterator[Batch]:
        rng = np.random.default_rng(seed)
        while True:
            taken: list[Any] = []
            while len(taken) < size:
                got = ribbons[int(rng.integers(len(ribbons)))].take(rng)
                if got is not None:
                    taken.append(got)
            yield np.stack([t[0] for t in taken]), np.stack([t[1] for t in taken])

    return batches


def scenes_for_learning(folder: Path) -> list[OutlineScene]:
    """Return every scene kept in a folder, those that are missing rendered first."""
    scenes_kept(range(FIRST_SEED, FIRST_SEED + SMALL), 0.8, folder)
    scenes_kept(range(FIRST_SEED + SMALL, FIRST_SEED + SMALL + LARGE), 3.0, folder)
    return [kept_scene(file) for file in sorted(folder.glob("*.npz"))]


def lessons_of(scenes: list[OutlineScene]) -> list[Lesson]:
    """Return pictures to learn the slab from, made of scenes."""
    small = [shrunk(each, SIDE) for each in scenes]
    out = []
    for k in range(PICTURES * len(small)):
        rng = np.random.default_rng(100 + k)
        out.append(picture_lesson(rng, small[k % len(small)], small[int(rng.integers(len(small)))]))
    _said.info("made %d pictures of %d scenes", len(out), len(small))
    return out


def learn_first(scenes: list[OutlineScene], minutes: float) -> Net:
    """Return the net that finds the slab."""
    net = new_net(57, FIRST, 1)
    return learn(net, picture_batches(lessons_of(scenes), 8, 2), 3000, minutes=minutes)


def learn_edge(scenes: list[OutlineScene], minutes: float) -> Net:
    """Return the net that finds its edge."""
    ribbons = [EdgeLessons(each) for each in scenes]
    return learn(new_net(19, EDGE, 3), edge_batches(ribbons, 8, 4), 4000, minutes=minutes)


def write(out: Path, nets: dict[str, Net]) -> None:
    """Write nets as 16-bit numbers."""
    arrays: dict[str, Any] = {
        f"{name}.{key}": np.asarray(value, np.float16)
        for name, net in nets.items()
        for key, value in net.items()
    }
    np.savez_compressed(out, allow_pickle=False, **arrays)


def main(out: Path, kept: Path, minutes: float) -> None:
    """Render, learn and write the file."""
    scenes = scenes_for_learning(kept)
    write(out, {"first": learn_first(scenes, minutes), "edge": learn_edge(scenes, minutes)})


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    limit = float(sys.argv[3]) if len(sys.argv) > 3 else float("inf")
    main(Path(sys.argv[1]), Path(sys.argv[2]), limit)
