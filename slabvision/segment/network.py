"""A small network whose weights are plain numbers in an ``npz``: what was learned is never code."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.window import Floats32

__all__ = ["Weights", "answers", "stored"]

Weights = dict[str, NDArray[np.float32]]
_FURTHEST = 5.0
"""Standardised features beyond this were not seen in training."""


@lru_cache(maxsize=8)
def stored(name: str) -> Weights:
    """Return the weights of ``name``.npz beside this module.

    They were trained on rendered faces by the command that DEVELOPERS.md gives.
    """
    with np.load(Path(__file__).with_name(f"{name}.npz"), allow_pickle=False) as file:
        return {key: np.asarray(file[key], dtype=np.float32) for key in file.files}


def answers(features: Floats32, weights: Weights) -> Floats32:
    """Return the outputs of the last layer, shape (..., outputs), for features (..., F).

    Layers ``w0, b0, w1, b1 ...`` with rectifiers between them, after standardising with
    ``mean`` and ``spread``.
    """
    flat = (features.reshape(-1, features.shape[-1]) - weights["mean"]) / weights["spread"]
    np.clip(flat, -_FURTHEST, _FURTHEST, out=flat)
    layers = sum(key.startswith("w") for key in weights)
    for k in range(layers):
        flat = flat @ weights[f"w{k}"] + weights[f"b{k}"]
        if k < layers - 1:
            np.maximum(flat, 0, out=flat)
    return np.asarray(flat.reshape(*features.shape[:-1], flat.shape[-1]), dtype=np.float32)
