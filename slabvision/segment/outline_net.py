"""A small learned classifier as plain arrays: numbers in an ``npz``, never code."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from slabvision.segment.window import Floats32

__all__ = ["Net", "load_nets"]

FILE = Path(__file__).with_name("outline.npz")


class Net(NamedTuple):
    """Layers of a multilayer perceptron: rectified sums between, a softmax at the end.

    Attributes
    ----------
    weights : tuple of ndarray, shapes (inputs, outputs)
    offsets : tuple of ndarray, shapes (outputs,)
    """

    weights: tuple[Floats32, ...]
    offsets: tuple[Floats32, ...]

    def chances(self, rows: Floats32) -> Floats32:
        """Return the chance of each class for every row of features, shape (N, classes)."""
        out = rows
        last = len(self.weights) - 1
        for k, (weight, offset) in enumerate(zip(self.weights, self.offsets, strict=True)):
            out = out @ weight
            out += offset
            if k < last:
                np.maximum(out, 0, out=out)
        out -= out.max(axis=1, keepdims=True)
        np.exp(out, out=out)
        out /= out.sum(axis=1, keepdims=True)
        return out


@cache
def load_nets(file: Path = FILE) -> dict[str, Net]:
    """Return the nets of a file by name; pickled content is refused by NumPy."""
    with np.load(file, allow_pickle=False) as kept:
        names = sorted({key.split(".")[0] for key in kept.files})
        nets = {}
        for name in names:
            layers = sorted(
                int(key.rsplit(".", 1)[1]) for key in kept.files if key.startswith(f"{name}.w.")
            )
            nets[name] = Net(
                tuple(kept[f"{name}.w.{k}"].astype(np.float32) for k in layers),
                tuple(kept[f"{name}.b.{k}"].astype(np.float32) for k in layers),
            )
    return nets
