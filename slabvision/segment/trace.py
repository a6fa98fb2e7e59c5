"""Follow a check between clicks: its centre line, its width, its mask."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.gap import gap_borders, gapes
from slabvision.segment.ridge import dark_ridge
from slabvision.segment.width import Borders, measure_borders, paint
from slabvision.segment.window import Clicks, Floats, Mask, as_clicks, as_pixels, ribbon
from slabvision.units import MM_PER_IN

__all__ = ["CheckLine", "trace_check", "trace_check_line"]

MAX_STATIONS = 600
"""A leg longer than this is searched with longer steps along, never across."""


class CheckLine(NamedTuple):
    """A traced check: where its middle runs and how wide it is there.

    Attributes
    ----------
    centre_line : ndarray of float, shape (N, 2)
        Stations (row, col), about one pixel apart, from one end to the other.
    width_px : ndarray of float, shape (N,)
        Opening at each station, pixels; where it cannot be resolved this is the smallest width
        that this picture resolves: an upper bound, see ``resolved``.
    """

    centre_line: Floats
    width_px: Floats

    @property
    def resolved(self) -> Mask:
        """Whether the width at each station is a measurement (True) or an upper bound."""
        return np.asarray(self.width_px > RESOLVABLE_PX)

    @property
    def length_px(self) -> float:
        """Length along the centre line, pixels."""
        steps = np.diff(self.centre_line, axis=0)
        return float(np.hypot(steps[:, 0], steps[:, 1]).sum())

    def width_text(self, mm_per_px: float | None = None) -> str:
        """Say the widest opening in words: ``"1/8 in"``, or ``"under 1/16 in"``.

        Parameters
        ----------
        mm_per_px : float, optional
            Size of a pixel on the face, mm; without it the answer is in pixels.

        Examples
        --------
        >>> line = CheckLine(np.array([[0.0, 0.0], [0.0, 1.0]]), np.array([2.0, 2.0]))
        >>> line.width_text(25.4 / 32), line.width_text()
        ('under 1/16 in', 'under 2 px')
        """
        known = self.width_px[self.resolved]
        few = known.size < 0.1 * self.width_px.size or known.size == 0
        widest = RESOLVABLE_PX if few else float(np.percentile(known, 95))
        if mm_per_px is None:
            return f"under {RESOLVABLE_PX:g} px" if few else f"{widest:.0f} px"
        if not mm_per_px > 0:
            raise ValueError(f"mm_per_px is {mm_per_px}; the size of a pixel must be over 0 mm")
        sixteenths = widest * mm_per_px / MM_PER_IN * 16
        if few:
            return f"under {_inches(max(1, int(np.ceil(sixteenths - 1e-6))))}"
        if sixteenths < 1:
            return "under 1/16 in"
        return _inches(round(sixteenths))


RESOLVABLE_PX = 2.0
"""Openings up to this many pixels cannot be told from the blur of lens and demosaicing."""


def _inches(sixteenths: int) -> str:
    whole, part = divmod(sixteenths, 16)
    words = [str(whole)] if whole else []
    if part:
        words.append(str(Fraction(part, 16)))
    return " ".join(words) + " in"


def trace_check(pixels: Any, points: Clicks) -> Mask:
    """Return the mask of a check that runs through the clicked points.

    Parameters
    ----------
    pixels : ndarray, shape (H, W) or (H, W, 3)
        The photo, RGB or grey; uint8, uint16 or floats from 0 to 1.
    points : array-like of float, shape (N, 2)
        Clicks (row, col) on the check, at least its two ends, in any order; a point clicked
        twice does no harm.

    Returns
    -------
    ndarray of bool, shape (H, W)
        True on the check, between the outermost clicks.

    Raises
    ------
    BadPixelsError, BadClickError
        The picture or a click cannot be used.

    Notes
    -----
    See :func:`trace_check_line`, which also gives the length and width.
    """
    image = as_pixels(pixels)
    mask = np.zeros(image.shape[:2], dtype=np.bool_)
    line, borders = _trace(image, points)
    paint(mask, line, borders)
    return mask


def trace_check_line(pixels: Any, points: Clicks) -> CheckLine:
    """Return the centre line and the width (pixels) of a check that runs through the clicks.

    Parameters
    ----------
    pixels, points
        As for :func:`trace_check`.

    Returns
    -------
    CheckLine
        ``(centre_line, width_px)``; its ``width_text`` says "under 1/16 in" where the width
        cannot be resolved.

    Notes
    -----
    Between clicks the minimal path over a multi-scale dark-ridge response (Sato et al. 1998,
    MedIA 2; minimal paths: Cohen and Kimmel 1997, IJCV 24) is found in a strip round the straight
    line between them; a second pass in a ribbon along that path settles the middle, and the
    opening is taken where the darkness falls to half of its depth against the wood beside it.
    Where the line has wood on one side only it is the wall of a gap that the ground shows
    through: then both walls are found by colour (see :mod:`slabvision.segment.gap`).
    The time depends on the length of the check in pixels, not on the size of the photo.
    """
    image = as_pixels(pixels)
    line, borders = _trace(image, points)
    width = np.maximum(borders.right - borders.left, RESOLVABLE_PX)
    return CheckLine(line, width)


def _trace(image: NDArray[Any], points: Clicks) -> tuple[Floats, Borders]:
    clicks = _in_order(as_clicks(points, image.shape))
    if len(clicks) == 1:
        half = np.array([0.5])
        return clicks, Borders(-half, half)
    legs = [_leg(image, a, b) for a, b in pairwise(clicks)]
    path = np.concatenate([legs[0], *(leg[1:] for leg in legs[1:])])
    line, borders = measure_borders(image, path, clicks)
    if gapes(image, line, borders):
        return gap_borders(image, clicks) or (line, borders)
    return line, borders


def _in_order(clicks: Floats) -> Floats:
    """Leave repeated clicks out and put the rest in order along the check.

    A later click may lie between earlier ones (a correction) or beyond them: each goes where it
    makes the chain longest by the least.
    """
    from slabvision.segment.window import BadClickError

    if len(clicks) == 0:
        raise BadClickError("no point was clicked; click the two ends of the check")
    chain: list[Floats] = []
    for click in clicks:
        if any(np.hypot(*(click - other)) < 0.5 for other in chain):
            continue
        if len(chain) < 2:
            chain.append(click)
            continue
        gaps = [np.hypot(*(click - chain[0]))]
        for a, b in pairwise(chain):
            gaps.append(np.hypot(*(click - a)) + np.hypot(*(click - b)) - np.hypot(*(b - a)))
        gaps.append(np.hypot(*(click - chain[-1])))
        chain.insert(int(np.argmin(gaps)), click)
    return np.array(chain)


def _leg(image: NDArray[Any], start: Floats, end: Floats) -> Floats:
    """Minimal path between two clicks, as points (row, col) from start to end."""
    from skimage.graph import MCP_Geometric

    length = float(np.hypot(*(end - start)))
    if length < 3:
        return np.array([start, end])
    step = max(1.0, length / MAX_STATIONS)
    beside = float(np.clip(0.3 * length, 16, 150))
    beyond = int(np.ceil(min(12.0, 0.2 * length + 2) / step))
    stations = round(length / step)
    along = np.arange(-beyond, stations + beyond + 1) * (length / stations)
    half = int(np.ceil(beside))
    across = np.arange(-half, half + 1, dtype=np.float64)
    unit = (end - start) / length
    normal = np.array([-unit[1], unit[0]])
    # Several looks per step, averaged along the line only: thin checks keep their contrast.
    looks = min(4, int(np.ceil(step)))
    strip = np.zeros((along.size, across.size), dtype=np.float32)
    for k in range(looks):
        at = along + ((k + 0.5) / looks - 0.5) * step
        rows = start[0] + at[:, None] * unit[0] + across * normal[0]
        cols = start[1] + at[:, None] * unit[1] + across * normal[1]
        strip += ribbon(image, rows, cols) / np.float32(looks)
    ridge = dark_ridge(strip)
    near, reach = slice(half - 3, half + 4), max(2, round(min(20.0, 0.3 * length) / step))
    ends = ridge[beyond : beyond + reach, near], ridge[-beyond - reach : -beyond, near]
    finder = MCP_Geometric(_cost(ridge, ends), sampling=(step, 1.0))
    first, last = (beyond, half), (beyond + stations, half)
    finder.find_costs([first], [last])
    trail = np.array(finder.traceback(last), dtype=np.float64)
    path: Floats = (
        start + along[trail[:, 0].astype(int)][:, None] * unit + (trail[:, 1:] - half) * normal
    )
    path[0], path[-1] = start, end
    return path


def _cost(ridge: NDArray[np.float32], at_ends: tuple[NDArray[np.float32], ...]) -> Floats:
    """Cost of a pixel: low on the ridge, and no lower on a darker neighbour than on this check.

    How strongly this check answers is seen near its ends, which were clicked; the noise of the
    wood and the strongest lines in view hold it between limits.
    """
    strong = float(np.median(ridge.max(axis=1)))
    noise = float(np.median(ridge))
    own = max(float(np.percentile(part.max(axis=1), 75)) for part in at_ends)
    usual = max(min(own, strong), 4 * noise, 1e-4)
    return np.asarray(0.08 + 1 / (1 + (2 * ridge.astype(np.float64) / usual) ** 4))
