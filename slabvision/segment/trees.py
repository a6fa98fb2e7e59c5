"""Boosted trees whose numbers are plain arrays in an ``npz``: what was learned is never code."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.network import Weights
from slabvision.segment.window import Floats, Floats32

__all__ = ["boosted"]


def boosted(features: Floats32, trees: Weights) -> Floats:
    """Return the log odds that boosted trees give to each row of features.

    Gradient boosting (Friedman 2001, Annals of Statistics 29): the sum of what each tree says.

    Parameters
    ----------
    features : ndarray, shape (N, F)
    trees : dict
        ``column``, ``limit``, ``low``, ``high``, ``value``, each of shape (trees, nodes): at a
        node go to ``low`` where the column is at most the limit, else to ``high``; a node whose
        ``column`` is negative is a leaf that says ``value``. ``start`` (1,) is added.

    Examples
    --------
    >>> stump = {
    ...     "column": np.array([[0, -1, -1]]), "limit": np.array([[2.0, 0, 0]]),
    ...     "low": np.array([[1, 0, 0]]), "high": np.array([[2, 0, 0]]),
    ...     "value": np.array([[0, -1.0, 3.0]]), "start": np.array([0.5]),
    ... }
    >>> boosted(np.array([[1.0], [9.0]], np.float32), stump).tolist()
    [-0.5, 3.5]
    """
    column = trees["column"].astype(np.intp)
    low, high = trees["low"].astype(np.intp), trees["high"].astype(np.intp)
    tree = np.arange(column.shape[0])
    at = np.zeros((len(features), column.shape[0]), dtype=np.intp)
    row = np.arange(len(features))[:, None]
    while True:
        asked = column[tree, at]
        inner = asked >= 0
        if not inner.any():
            return np.asarray(
                trees["value"][tree, at].sum(axis=1, dtype=np.float64) + trees["start"]
            )
        less = features[row, np.maximum(asked, 0)] <= trees["limit"][tree, at]
        down: NDArray[np.intp] = np.where(less, low[tree, at], high[tree, at])
        at = np.where(inner, down, at)
