"""How far a pixel is from a place without crossing edges."""

from __future__ import annotations

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.window import Floats, Floats32

__all__ = ["middle_spots", "rim_spots", "way_prices", "ways", "ways_from"]

_NOWHERE: Floats = np.zeros((0, 2))


def way_prices(picture: Floats32, sigma: float, power: float) -> Floats:
    """Price of a step through each pixel: steep where colour changes, against the usual change."""
    calm = cv2.GaussianBlur(picture, (0, 0), sigma)
    changes = [cv2.Sobel(calm, cv2.CV_32F, dx, dy, ksize=3) for dx, dy in ((0, 1), (1, 0))]
    steep = np.sqrt(sum(np.square(change).sum(axis=2) for change in changes))
    return np.asarray(0.05 + (steep / (steep.mean() + 1e-4)) ** power, np.float64)


def ways_from(prices: Floats, spots: Floats) -> Floats:
    """Return the geodesic distance of every pixel from the nearest of some spots, (N, 2)."""
    from skimage.graph import MCP_Geometric

    starts = [(int(r), int(c)) for r, c in spots]
    return np.asarray(MCP_Geometric(prices).find_costs(starts)[0])


def rim_spots(shape: tuple[int, ...]) -> Floats:
    """Return the pixels along the frame."""
    rows, cols = np.indices(shape[:2]).reshape(2, -1)
    on = (rows == 0) | (cols == 0) | (rows == shape[0] - 1) | (cols == shape[1] - 1)
    return np.column_stack([rows[on], cols[on]]).astype(np.float64)


def middle_spots(shape: tuple[int, ...], inside: Floats, outside: Floats) -> Floats:
    """Return spots round the middle of the photo, those left out that clicks speak against."""
    h, w = shape[:2]
    rows, cols = np.linspace(0.44 * h, 0.56 * h, 5), np.linspace(0.4 * w, 0.6 * w, 7)
    spots = np.array([(int(r), int(c)) for r in rows for c in cols], np.float64)
    if not len(outside):
        return spots

    def to(clicks: Floats) -> Floats:
        apart = spots[:, None] - clicks[None]
        return np.asarray(np.hypot(apart[..., 0], apart[..., 1]).min(axis=1))

    far = to(outside)
    kept = far >= to(inside) if len(inside) else far > 0.08 * w
    return spots[kept] if kept.any() or len(inside) else spots


def ways(lab: Floats32, inside: Floats | None = None, outside: Floats | None = None) -> Floats32:
    """Return how far each pixel is from the middle and from the rim without crossing edges.

    Geodesic distances on half the size, under three prices (Wei, Wen, Zhu and Sun 2012, "Geodesic
    saliency using background priors", ECCV): what cannot be reached from the rim but can from the
    middle is what was photographed. Clicks are further places to start from.

    Returns
    -------
    ndarray of float32, shape (h, w, 6)
        For each price the share of the way to the rim, and the logarithm of the way to the middle.
    """
    rows, cols = lab.shape[:2]
    half = cv2.resize(lab, (max(1, cols // 2), max(1, rows // 2)), interpolation=cv2.INTER_AREA)
    limit = np.array(half.shape[:2]) - 1
    on, off = (
        np.clip(np.rint((c + 0.5) / 2 - 0.5), 0, limit) if c is not None and len(c) else _NOWHERE
        for c in (inside, outside)
    )
    middle = np.concatenate([middle_spots(half.shape, on, off), on])
    rim = np.concatenate([rim_spots(half.shape), off])
    out = []
    # The first sees colour as shadows leave it.
    hue = half[..., 1:] / (np.maximum(half[..., :1], 0) + np.float32(0.12))
    for picture, sigma, power in ((hue, 1.5, 1.5), (half, 1.0, 2.0), (half, 2.5, 1.5)):
        prices = way_prices(picture, sigma, power)
        to_middle, to_rim = ways_from(prices, middle), ways_from(prices, rim)
        usual = float(np.percentile(to_middle, 90)) + 1e-6
        out.append(to_rim / (to_rim + to_middle + 1e-6))
        out.append(np.log(to_middle / usual + 0.02) / 4 + 0.5)
    both = np.stack(out, axis=2).astype(np.float32)
    return np.asarray(cv2.resize(both, (cols, rows), interpolation=cv2.INTER_LINEAR))
