"""What the training scripts share: networks become plain arrays beside the code that uses them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.segment import network
from slabvision.segment.network import Weights


def fit(model: Any, rows: NDArray[np.float32], truths: NDArray[Any]) -> Weights:
    """Fit a network and return its weights as plain arrays."""
    mean, spread = rows.mean(axis=0), rows.std(axis=0) + 1e-3
    model.fit(np.clip((rows - mean) / spread, -5, 5), truths)
    weights = {"mean": mean, "spread": spread}
    for k, (w, b) in enumerate(zip(model.coefs_, model.intercepts_, strict=True)):
        weights |= {f"w{k}": w, f"b{k}": b}
    return {key: np.asarray(value, np.float32) for key, value in weights.items()}


def write(name: str, weights: Weights) -> None:
    """Keep weights beside the code that uses them."""
    target = Path(network.__file__).with_name(f"{name}.npz")
    np.savez_compressed(target, **weights)
    print(f"wrote {target.name}, {target.stat().st_size} bytes", flush=True)
