"""The profile across the slab: position, ring angle, thickness."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.view import View

if TYPE_CHECKING:
    import pandas as pd

    from slabvision.endgrain.result import EndGrain

__all__ = ["profile_of", "stations"]

Floats = NDArray[np.float64]


def stations(view: View, along: Floats, count: int) -> tuple[Floats, Floats, Floats]:
    """Return positions along the face, mid-thickness points and thicknesses, in flat pixels.

    Parameters
    ----------
    view : View
        Flat picture and wood.
    along : ndarray, shape (2,)
        Unit vector (row, col) along the face.
    count : int
        Number of equal steps; each station stands in the middle of its step.

    Returns
    -------
    position : ndarray, shape (count,)
        Distance from the end of the wood where the face line starts.
    middle : ndarray, shape (count, 2)
        Row and column half way between the faces; NaN where there is no wood.
    thickness : ndarray, shape (count,)
        Distance between the faces; NaN where there is no wood.
    """
    rows, cols = view.grey.shape
    step = max(1, max(rows, cols) // 900)
    if view.mask is None:
        wood = np.argwhere(np.ones((-(-rows // step), -(-cols // step)), bool)) * float(step)
    else:
        wood = np.argwhere(view.mask[::step, ::step]) * float(step)
    across = np.array([along[1], -along[0]])
    s = wood @ along
    t = wood @ across
    start, end = float(s.min()), float(s.max())
    width = (end - start) / count
    index = np.clip(((s - start) / max(width, 1e-9)).astype(int), 0, count - 1)
    order = np.argsort(index, kind="stable")
    position = (np.arange(count) + 0.5) * width
    middle = np.full((count, 2), np.nan)
    thickness = np.full(count, np.nan)
    edges = np.searchsorted(index[order], np.arange(count + 1))
    for k in range(count):
        here = t[order[edges[k] : edges[k + 1]]]
        if here.size < 3:
            continue
        # One stray pixel must not move a face.
        low, high = np.percentile(here, (1.0, 99.0))
        thickness[k] = (high - low) / 0.98 + step
        middle[k] = along * (start + position[k]) + across * 0.5 * (low + high)
    return np.asarray(position), middle, thickness


def profile_of(end: EndGrain, count: int = 60) -> pd.DataFrame:
    """Return ring angle across the width, at mid-thickness.

    Parameters
    ----------
    end : EndGrain
        What was read.
    count : int
        Number of equal steps.

    Returns
    -------
    DataFrame
        ``position_px`` (or ``position_mm`` with a plane), ``row``, ``col`` (in the photo),
        ``ring_angle_deg``, ``ring_angle_u_deg``, ``seen`` (else inferred) and, with a plane,
        ``thickness_mm``.
    """
    import pandas as pd

    position, middle, thickness = stations(end.view, end.along, count)
    kept = np.isfinite(thickness)
    photo = end.view.to_photo(middle[kept])
    known = np.isfinite(end.view.mm_per_px)
    scale = end.view.mm_per_px if known else 1.0
    table = {
        "position_mm" if known else "position_px": position[kept] * scale,
        "row": photo[:, 0],
        "col": photo[:, 1],
        "ring_angle_deg": end.ring_angle_deg(photo),
        "ring_angle_u_deg": end.ring_angle_u_deg(photo),
        "seen": end.seen(photo),
    }
    if known:
        table["thickness_mm"] = thickness[kept] * scale
    return pd.DataFrame(table)
