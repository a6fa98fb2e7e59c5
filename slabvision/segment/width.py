"""Where a check's borders lie on either side of its centre line, and the mask between them."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.ridge import dark_ridge
from slabvision.segment.window import Floats, Floats32, Mask, ribbon

__all__ = ["Borders", "measure_borders", "normals", "paint", "resample", "smooth"]

_MIN_HALF_RIBBON_PX = 8.0
_MAX_HALF_RIBBON_PX = 160.0
_RIBBON_WIDTHS = 2.5
"""Half of the ribbon in widths of the check, so that the wood beside is judged from as far away."""
_STEP_ACROSS_PX = 0.5
_WOOD_PERCENTILE = 45
"""Wood beside a check, a little under the median: bright raised edges do not count."""


class Borders(NamedTuple):
    """Signed distances (pixels) from the centre line along its normal; left is negative."""

    left: Floats
    right: Floats


def resample(path: Floats, spacing: float = 1.0) -> Floats:
    """Return points at equal steps along a path; both ends are kept."""
    steps = np.hypot(*np.diff(path, axis=0).T)
    keep = np.concatenate([[True], steps > 1e-9])
    path = path[keep]
    at = np.concatenate([[0.0], np.cumsum(steps[keep[1:]])])
    number = max(2, round(float(at[-1]) / spacing) + 1)
    want = np.linspace(0, at[-1], number)
    return np.column_stack([np.interp(want, at, path[:, k]) for k in (0, 1)])


def smooth(values: Floats, sigma: float) -> Floats:
    """Return values calmed along a line, reflected through its ends so that these stay in place."""
    from scipy.ndimage import gaussian_filter1d

    pad = min(len(values) - 1, int(4 * sigma) + 1)
    before = 2 * values[0] - values[pad:0:-1]
    after = 2 * values[-1] - values[-2 : -pad - 2 : -1]
    long = np.concatenate([before, values, after])
    out = gaussian_filter1d(long, sigma, axis=0, mode="nearest")
    return np.asarray(out[pad : pad + len(values)], dtype=np.float64)


def normals(line: Floats, sigma: float = 4.0) -> Floats:
    """Return unit normals of a line, calmed along it."""
    tangent = np.gradient(smooth(line, sigma), axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def _look(image: NDArray[Any], line: Floats, normal: Floats, across: Floats) -> Floats32:
    rows = line[:, :1] + across * normal[:, :1]
    cols = line[:, 1:] + across * normal[:, 1:]
    return ribbon(image, rows, cols)


def _settle(look: Floats32, free: int, at_clicks: NDArray[np.int_]) -> NDArray[np.int_]:
    """Middle of the dark line per station: dynamic programming over the straightened picture.

    ``free`` is how far (in samples) the line may stray from the middle column at a click.
    """
    ridge = dark_ridge(look).astype(np.float64)
    usual = max(float(np.median(ridge.max(axis=1))), 1e-4)
    cost = 1 / (1 + np.square(2 * ridge / usual)) + 1e-3 * np.abs(
        np.arange(look.shape[1]) - look.shape[1] // 2
    )
    middle = look.shape[1] // 2
    for station in at_clicks:
        off = np.abs(np.arange(look.shape[1]) - middle)
        cost[station] += np.where(off > free, 1e6, 0.0)
    move = np.array([-1, 0, 1])
    price = np.array([0.25, 0.0, 0.25])
    total = cost[0].copy()
    came = np.zeros(cost.shape, dtype=np.int8)
    for s in range(1, len(cost)):
        padded = np.pad(total, 1, constant_values=1e9)
        options = np.stack([padded[:-2] + price[0], padded[1:-1], padded[2:] + price[2]])
        pick = options.argmin(axis=0)
        came[s] = move[pick]
        total = options[pick, np.arange(total.size)] + cost[s]
    column = np.empty(len(cost), dtype=np.int_)
    column[-1] = int(total.argmin())
    for s in range(len(cost) - 1, 0, -1):
        column[s - 1] = column[s] + came[s, column[s]]
    return column


def measure_borders(image: NDArray[Any], path: Floats, clicks: Floats) -> tuple[Floats, Borders]:
    """Settle the centre line near a path and find the opening on both sides of it.

    Parameters
    ----------
    image : ndarray
        The photo.
    path : ndarray, shape (M, 2)
        Rough path through the clicks.
    clicks : ndarray, shape (K, 2)
        The line stays within a few pixels of them.

    Returns
    -------
    line : ndarray, shape (N, 2)
        Centre line at steps of about a pixel.
    borders : Borders
        Both borders, pixels from the line, at half of the local depth of darkness.
    """
    line = resample(path)
    if len(line) >= 4:
        line = resample(smooth(line, 2.0))
    normal = normals(line)
    near = np.array([int(np.argmin(np.hypot(*(line - c).T))) for c in clicks])
    reach = 8
    look = _look(image, line, normal, np.arange(-reach, reach + 1, dtype=np.float64))
    shift = _settle(look, 3, near) - reach
    line = line + smooth(shift.astype(np.float64), 1.5)[:, None] * normal
    line = resample(line)
    normal = normals(line)

    half = _MIN_HALF_RIBBON_PX
    for _ in range(5):
        across = np.arange(-half, half + 0.1, _STEP_ACROSS_PX)
        look = _look(image, line, normal, across)
        borders = _half_depth(look)
        wide = float(np.median(borders.right - borders.left))
        wanted = float(np.clip(_RIBBON_WIDTHS * wide, _MIN_HALF_RIBBON_PX, _MAX_HALF_RIBBON_PX))
        if 0.8 * half <= wanted <= 1.25 * half:
            break
        half = wanted
    middle = (borders.left + borders.right) / 2
    line = line + middle[:, None] * normal
    return line, Borders(borders.left - middle, borders.right - middle)


def _half_depth(look: Floats32) -> Borders:
    """Borders where the darkness falls to half of its depth, per station."""
    from scipy.ndimage import gaussian_filter1d

    calm = gaussian_filter1d(look.astype(np.float64), 1.0, axis=0, mode="nearest")
    middle = calm.shape[1] // 2
    near = round(1.5 / _STEP_ACROSS_PX)
    dark = calm[:, middle - near : middle + near + 1].min(axis=1)
    # The wood beside: the usual brightness on each side, away from the line itself.
    sides = (calm[:, : middle - near], calm[:, middle + near + 1 :])
    wood = sum(np.percentile(side, _WOOD_PERCENTILE, axis=1) for side in sides) / 2
    depth = gaussian_filter1d(wood, 4.0, mode="nearest") - dark
    level = dark + 0.5 * depth
    clear = depth > 0.25 * np.median(depth)
    left = _border(calm[:, middle::-1], level, clear)
    right = _border(calm[:, middle:], level, clear)
    return Borders(-left, right)


def _border(side: Floats, level: Floats, clear: Mask) -> Floats:
    """Distance to the border on one side, pixels; bridged where the check does not show."""
    from scipy.ndimage import gaussian_filter1d, median_filter

    far = np.where(clear, _first_over(side, level) * _STEP_ACROSS_PX, np.nan)
    if not clear.any():
        return np.full(len(side), 0.5)
    far = np.where(far > 4 * np.nanmedian(far) + 4, np.nan, far)
    known = np.isfinite(far)
    index = np.arange(len(side))
    far = np.interp(index, index[known], far[known])
    return np.asarray(gaussian_filter1d(median_filter(far, 5, mode="nearest"), 1.0, mode="nearest"))


def _first_over(side: Floats, level: Floats) -> Floats:
    """Sub-sample index of the first crossing above the level, walking outwards."""
    over = side > level[:, None]
    first = np.where(over.any(axis=1), over.argmax(axis=1), side.shape[1] - 1)
    index = np.arange(len(side))
    inner = side[index, np.maximum(first - 1, 0)]
    outer = side[index, first]
    gap = np.where(outer > inner, (level - inner) / np.maximum(outer - inner, 1e-9), 0.0)
    return np.asarray(np.maximum(first - 1 + np.clip(gap, 0, 1), 0.0))


def paint(mask: Mask, line: Floats, borders: Borders) -> None:
    """Set the pixels whose centres lie between the borders, and those under the line itself."""
    from skimage.draw import polygon

    height, width = mask.shape
    inside = (np.clip(np.rint(line), 0, (height - 1, width - 1))).astype(np.intp)
    mask[inside[:, 0], inside[:, 1]] = True
    if len(line) < 2:
        return
    normal = normals(line)
    left = line + borders.left[:, None] * normal
    right = line + borders.right[:, None] * normal
    # Flat caps half a pixel beyond the outermost clicks.
    for side in (left, right):
        for end, inner in ((0, 1), (-1, -2)):
            d = side[end] - side[inner]
            side[end] += 0.5 * d / max(float(np.hypot(*d)), 1e-9)
    # In pieces: the test of each pixel against a whole long outline would be slow.
    piece = 24
    for at in range(0, len(line) - 1, piece):
        part = slice(at, min(at + piece + 1, len(line)))
        outline = np.concatenate([left[part], right[part][::-1]])
        rr, cc = polygon(  # type: ignore[no-untyped-call]
            outline[:, 0], outline[:, 1], shape=(height, width)
        )
        mask[rr, cc] = True
