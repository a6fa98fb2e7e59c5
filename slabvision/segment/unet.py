"""Small convolutional networks as plain arrays: numbers in an ``npz``, never code."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.window import Floats32

__all__ = [
    "CELL",
    "Arithmetic",
    "Weights",
    "answer",
    "chances",
    "largest_of_four",
    "load_unets",
    "scores",
]

CELL = 2
"""A net answers for this many places in each direction per cell of what it looks at."""
_BAND = 1_000_000
"""Numbers taken together for one product of matrices: what the processor holds near."""

Weights: TypeAlias = Mapping[str, Any]
"""``down.K.w``, ``down.K.b`` … : kernels (3, 3, inputs, outputs) and offsets (outputs,)."""


class Arithmetic(Protocol):
    """What a net is computed with: NumPy here, another library where it is learned."""

    def convolved(self, x: Any, weight: Any, offset: Any) -> Any:
        """Return rectified sums over 3 x 3 neighbours; beyond the rim there is nothing."""

    def halved(self, x: Any) -> Any:
        """Return the largest of each 2 x 2; a last odd row or column stands alone."""

    def doubled(self, x: Any) -> Any:
        """Return every cell four times."""

    def joined(self, one: Any, other: Any) -> Any:
        """Return both, one channel after another; the first is cut to the other's size."""


def answer(net: Weights, x: Any, by: Arithmetic) -> Any:
    """Return the last features of a net that looks at ever coarser scales and comes back.

    An encoder and a decoder with links between equal scales (Ronneberger, Fischer and Brox 2015,
    "U-Net", MICCAI).
    """
    scales = sum(key.startswith("down.") and key.endswith(".0.w") for key in net)
    links = []
    for k in range(scales):
        x = by.halved(x) if k else x
        for half in (0, 1):
            x = by.convolved(x, net[f"down.{k}.{half}.w"], net[f"down.{k}.{half}.b"])
        links.append(x)
    for k in reversed(range(scales - 1)):
        x = by.joined(by.doubled(x), links[k])
        x = by.convolved(x, net[f"up.{k}.w"], net[f"up.{k}.b"])
    return x


def largest_of_four(x: Floats32) -> Floats32:
    """Return the largest of each 2 x 2; rows and columns are even."""
    pairs = np.maximum(x[::2], x[1::2])
    return np.asarray(np.maximum(pairs[:, ::2], pairs[:, 1::2]))


class _ByNumPy:
    """The arithmetic on one picture, (rows, cols, channels)."""

    def convolved(self, x: Floats32, weight: Floats32, offset: Floats32) -> Floats32:
        rows, cols, count = x.shape
        wide = np.zeros((rows + 2, cols + 2, count), np.float32)
        wide[1:-1, 1:-1] = x
        kernel = weight.reshape(9 * count, -1)
        out = np.empty((rows, cols, kernel.shape[1]), np.float32)
        band = max(_BAND // (9 * count * cols), 1)
        for top in range(0, rows, band):
            high = min(band, rows - top)
            near = np.empty((high, cols, 9 * count), np.float32)
            for k in range(9):
                at = np.s_[top + k // 3 : top + k // 3 + high, k % 3 : k % 3 + cols]
                near[..., k * count : (k + 1) * count] = wide[at]
            sums = near.reshape(high * cols, -1) @ kernel
            out[top : top + high] = sums.reshape(high, cols, -1)
        out += offset
        return np.asarray(np.maximum(out, 0, out=out))

    def halved(self, x: Floats32) -> Floats32:
        if x.shape[0] % 2 or x.shape[1] % 2:
            x = np.pad(x, ((0, x.shape[0] % 2), (0, x.shape[1] % 2), (0, 0)))
        return largest_of_four(x)

    def doubled(self, x: Floats32) -> Floats32:
        return x.repeat(2, axis=0).repeat(2, axis=1)

    def joined(self, one: Floats32, other: Floats32) -> Floats32:
        return np.concatenate([one[: other.shape[0], : other.shape[1]], other], axis=2)


def scores(net: Weights, x: Floats32) -> Floats32:
    """Return a score per class for every place, shape (2 rows, 2 cols, classes)."""
    last = answer(net, x, _ByNumPy())
    rows, cols, count = last.shape
    out = last.reshape(-1, count) @ net["head.w"] + net["head.b"]
    parts = out.reshape(rows, cols, CELL, CELL, -1).swapaxes(1, 2)
    return np.asarray(parts.reshape(CELL * rows, CELL * cols, -1))


def chances(score: Floats32) -> Floats32:
    """Return chances of the classes from their scores (softmax)."""
    out = np.exp(score - score.max(axis=2, keepdims=True))
    out /= out.sum(axis=2, keepdims=True)
    return np.asarray(out)


@cache
def load_unets(name: str) -> dict[str, dict[str, NDArray[np.float32]]]:
    """Return the nets of ``name``.npz beside this module; pickled content is refused by NumPy."""
    nets: dict[str, dict[str, NDArray[np.float32]]] = {}
    with np.load(Path(__file__).with_name(f"{name}.npz"), allow_pickle=False) as kept:
        for key in kept.files:
            net, _, part = key.partition(".")
            nets.setdefault(net, {})[part] = kept[key].astype(np.float32)
    return nets
