"""What was not believed: edges that run across the rings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.field import RingField
from slabvision.endgrain.view import View
from slabvision.opencv import cv2

__all__ = ["rejected_edges"]

LONG_SIDE = 900
OFF_DEG = 30.0


def rejected_edges(view: View, field: RingField) -> NDArray[np.bool_]:
    """Return where marks, checks, stain and the like were set aside, in the flat picture.

    Strong edges that run more than 30 degrees off the rings found there: saw marks, checks,
    knots, ink, chalk, wax, the outline's own edge. They did not decide the direction.

    Parameters
    ----------
    view : View
        The flat picture.
    field : RingField
        Direction of the rings.
    """
    rows, cols = view.grey.shape
    scale = min(1.0, LONG_SIDE / max(rows, cols))
    size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
    small = cv2.resize(view.grey, size, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(small.astype(np.float32), (0, 0), 1.2)
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    strength = np.hypot(gx, gy)
    if view.mask is None:
        wood = np.ones(small.shape, bool)
    else:
        wood = cv2.resize(view.mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    if not wood.any():
        return np.zeros((rows, cols), bool)
    limit = float(np.percentile(strength[wood], 75))
    where = np.argwhere(wood & (strength > limit))
    points = (where + 0.5) / scale - 0.5
    tangent, _, _ = field.at(points)
    along = np.arctan2(gy[where[:, 0], where[:, 1]], gx[where[:, 0], where[:, 1]]) + np.pi / 2
    off = np.abs((np.rad2deg(along - tangent) + 90.0) % 180.0 - 90.0)
    out = np.zeros(small.shape, np.uint8)
    bad = where[off > OFF_DEG]
    out[bad[:, 0], bad[:, 1]] = 1
    # Single pixels are noise; what hangs together is a thing.
    dense = cv2.GaussianBlur(out.astype(np.float32), (0, 0), 2.0)
    things = ((dense > 0.3) & wood).astype(np.uint8)
    return np.asarray(cv2.resize(things, (cols, rows), interpolation=cv2.INTER_NEAREST) > 0)
