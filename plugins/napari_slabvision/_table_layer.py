"""The table and the pixels of a Labels layer that holds defects."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from napari_slabvision._owned import KEY
from slabvision.defects import KINDS

__all__ = ["row_of", "rows_of", "traces_in", "where_is", "window_of"]


def rows_of(layer: Any) -> list[dict[str, Any]]:
    table = layer.features
    if "index" not in table or "kind" not in table:
        return [row_of(0, "")]
    return list(table.to_dict("records"))


def traces_in(layer: Any) -> dict[int, Any]:
    return dict(layer.metadata.get(KEY, {}).get("traces", {}))


def row_of(number: int, kind: str, tool: str = "hand") -> dict[str, Any]:
    return {
        "index": number,
        "defect": KINDS[kind].title if kind else "",
        "kind": kind,
        "depth": "unknown" if kind else "",
        "tool": tool if kind else "",
        "note": "",
    }


def window_of(labels: NDArray[Any], number: int) -> tuple[NDArray[np.bool_], tuple[int, int]]:
    """Return the mask of a number in its own window, and the window's corner."""
    whole = labels == number
    rows, cols = np.flatnonzero(whole.any(axis=1)), np.flatnonzero(whole.any(axis=0))
    if not rows.size:
        return np.zeros((0, 0), bool), (0, 0)
    cut = whole[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    return cut, (int(rows[0]), int(cols[0]))


def where_is(labels: NDArray[Any], number: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    mask, corner = window_of(labels, number)
    rows, cols = np.nonzero(mask)
    return rows + corner[0], cols + corner[1]
