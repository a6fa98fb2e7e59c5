"""Learn a small convolutional net with ``jax``, which nothing else needs.

``pip install jax``.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.unet import CELL, answer

__all__ = [
    "UNKNOWN",
    "Batch",
    "Batches",
    "ByJax",
    "Heard",
    "Net",
    "learn",
    "mean_of",
    "new_net",
    "widened",
    "write",
]

Net: TypeAlias = dict[str, Any]
Batch: TypeAlias = tuple[NDArray[np.float32], NDArray[np.uint8]]
"""What is looked at, (N, rows, cols, inputs), and classes to be seen, (N, 2 rows, 2 cols)."""
Batches: TypeAlias = Callable[[Net, Any], Iterator[Batch]]
Heard: TypeAlias = Callable[[NDArray[np.float32]], None]

UNKNOWN = 255
"""A class that counts for nothing."""
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


def new_net(inputs: int, channels: tuple[int, ...], classes: int, seed: int) -> Net:
    """Return a net that knows nothing (weights after He, Zhang, Ren and Sun 2015, ICCV).

    Parameters
    ----------
    inputs : int
        Channels of a cell that is looked at.
    channels : tuple of int
        Channels at each scale, finest first; each scale is half the one before.
    classes : int
        What the net tells apart.
    seed : int
    """
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
    head = rng.normal(0, np.sqrt(1 / before), (before, CELL * CELL * classes))
    net["head.w"] = head.astype(np.float32)
    net["head.b"] = np.zeros(CELL * CELL * classes, np.float32)
    return net


def widened(net: Net, channels: tuple[int, ...], seed: int, inputs: int | None = None) -> Net:
    """Return a net with more channels, or told more, that answers as before until it learns on.

    What the new channels say counts for nothing yet (Chen, Goodfellow and Shlens 2016, "Net2Net",
    ICLR: a wider student begins as its teacher).

    Parameters
    ----------
    net : dict
    channels : tuple of int
        At each scale, finest first; none fewer than before, as many scales.
    seed : int
    inputs : int, optional
        Channels of a cell that is looked at, the new ones last; as many as before if left out.
    """
    before: list[int] = []
    while f"down.{len(before)}.0.w" in net:
        before.append(net[f"down.{len(before)}.0.w"].shape[3])
    known_inputs, classes = net["down.0.0.w"].shape[2], net["head.w"].shape[1] // CELL**2
    wide = new_net(inputs or known_inputs, channels, classes, seed)
    if len(before) != len(channels) or any(a > b for a, b in zip(before, channels, strict=True)):
        raise ValueError(f"channels {channels} are not those of a wider net than {before}")
    last = len(channels) - 1
    known: dict[str, NDArray[np.intp]] = {"head": np.arange(before[0])}
    for k in range(len(channels)):
        known[f"down.{k}.0"] = np.arange(before[k - 1] if k else known_inputs)
        known[f"down.{k}.1"] = np.arange(before[k])
        if k < last:  # from the coarser scale, then from this one
            known[f"up.{k}"] = np.r_[
                np.arange(before[k + 1]), channels[k + 1] + np.arange(before[k])
            ]
    for name, at in known.items():
        weight, old = wide[f"{name}.w"], np.asarray(net[f"{name}.w"])
        weight[..., : old.shape[-1]] = 0
        weight[..., at, : old.shape[-1]] = old
        wide[f"{name}.b"][: old.shape[-1]] = net[f"{name}.b"]
    return wide


def _scores(net: Net, x: Any) -> Any:
    last = answer(net, x, ByJax())
    n, rows, cols, _ = last.shape
    parts = (last @ net["head.w"] + net["head.b"]).reshape(n, rows, cols, CELL, CELL, -1)
    return parts.swapaxes(2, 3).reshape(n, CELL * rows, CELL * cols, -1)


def _loss(net: Net, x: Any, shows: Any) -> Any:
    import jax
    import jax.numpy as jnp

    known = shows != UNKNOWN
    scores = _scores(net, x)
    logs = jax.nn.log_softmax(scores)
    right = jnp.take_along_axis(logs, jnp.where(known, shows, 0)[..., None].astype(int), axis=3)
    return -(right[..., 0] * known).sum() / known.sum(), scores


def learn(
    net: Net,
    batches: Batches,
    steps: int,
    rate: float = 2e-3,
    *,
    minutes: float = float("inf"),
    heard: Heard | None = None,
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
    heard : callable, optional
        Is given the scores of each batch after its step, for the next batch to answer them.
    """
    import jax
    import jax.numpy as jnp

    def step(net: Net, first: Net, second: Net, x: Any, shows: Any, rate: Any, k: Any) -> Any:
        (loss, scores), slope = jax.value_and_grad(_loss, has_aux=True)(net, x, shows)
        size = jnp.sqrt(sum(jnp.square(each).sum() for each in slope.values()))
        slope = {key: each / jnp.maximum(1.0, size) for key, each in slope.items()}
        first = {key: 0.9 * first[key] + 0.1 * slope[key] for key in net}
        second = {key: 0.99 * second[key] + 0.01 * slope[key] ** 2 for key in net}
        moved = {
            key: net[key]
            - rate * (first[key] / (1 - 0.9**k)) / (jnp.sqrt(second[key] / (1 - 0.99**k)) + 1e-7)
            for key in net
        }
        return moved, first, second, loss, scores

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
        net, first, second, loss, scores = quick(net, first, second, x, shows, now, k + 1.0)
        current.update(net)
        if heard is not None:
            heard(np.asarray(scores))
        usual += (float(loss) - usual) / min(k + 1, 100)
        if k % 100 == 99:
            _said.info("step %d, %.0f %% done, loss %.4f", k + 1, 100 * done, usual)
    return {key: np.asarray(each) for key, each in net.items()}


def mean_of(one: Net, other: Net) -> Net:
    """Return the mean of the weights of two nets, the second learned on from the first.

    Two ends of one way lie round a flat place that answers better than either (Izmailov,
    Podoprikhin, Garipov, Vetrov and Wilson 2018, "Averaging weights leads to wider optima and
    better generalization", UAI).

    Raises
    ------
    ValueError
        The nets are not of one shape.
    """
    if {k: np.shape(v) for k, v in one.items()} != {k: np.shape(v) for k, v in other.items()}:
        raise ValueError("the nets are not of one shape: widen the first before it learns on")
    return {key: (np.asarray(one[key]) + np.asarray(other[key])) / 2 for key in one}


def write(out: Path, nets: dict[str, Net]) -> None:
    """Write nets as 16-bit numbers."""
    arrays: dict[str, Any] = {
        f"{name}.{key}": np.asarray(value, np.float16)
        for name, net in nets.items()
        for key, value in net.items()
    }
    np.savez_compressed(out, allow_pickle=False, **arrays)
