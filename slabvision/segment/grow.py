"""Grow a click in a knot, rot, bark inclusion or stain to its region."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.ground import Ground, Said, depth_in, evidence
from slabvision.segment.matter import matter_round
from slabvision.segment.network import Weights, answers, stored
from slabvision.segment.polar import ANGLES, Frame, Pyramid, look_round
from slabvision.segment.shape import Ellipses, Passes, bend
from slabvision.segment.window import (
    BadClickError,
    Clicks,
    Floats,
    Floats32,
    Mask,
    as_clicks,
    as_pixels,
)

__all__ = ["GrownRegion", "Growth", "grow_region", "grow_region_soft"]

INNER_PX = 2.0
_LEAST_REACH_PX = 700.0
_REACH_SHARE = 0.25
"""A region is looked for within this share of the photo's long side."""
_SHAPE_TRUST = 1.0
"""Log odds per 15 % of radius inside the shape, beyond what the network gives it."""
_SMALL_ERROR = 0.4
"""Depth of an error, in radii of the region, up to which the region's shape is kept."""
_ONE_SIGMA = float(np.log(0.84 / 0.16))


def reach_of(shape: tuple[int, ...], far: float) -> float:
    """How far round the first click is looked, pixels, when the farthest other click is ``far``."""
    return max(_LEAST_REACH_PX, _REACH_SHARE * max(shape[:2]), 1.8 * far)


class GrownRegion(NamedTuple):
    """A region and how sure its border is.

    Attributes
    ----------
    mask : ndarray of bool, shape (H, W)
    area_px : float
        Area of the mask, pixels.
    area_u_px : float
        Standard uncertainty of the area, pixels: half of what lies between the lines that hold
        the region with 16 % and with 84 % probability.
    border_u_px : float
        The same as a mean distance across the border, pixels.
    """

    mask: Mask
    area_px: float
    area_u_px: float
    border_u_px: float


class Growth:
    """A region while it grows, click by click."""

    def __init__(
        self,
        image: NDArray[Any],
        first: Floats,
        far: float,
        weights: Weights | None = None,
        ellipse_weights: Weights | None = None,
    ) -> None:
        self.weights = stored("grow") if weights is None else weights
        reach = reach_of(image.shape, far)
        pyramid = Pyramid(image, first, reach)
        self.frame = Frame(first, INNER_PX, reach)
        self.ellipses = Ellipses(
            *look_round(pyramid, self.frame, image.shape),
            matter_round(pyramid, self.frame),
            self.frame,
            ellipse_weights,
        )
        self.pyramid, self.shape, self.far = pyramid, image.shape, far
        self.first = self.base = self.line = self.ellipses.best()
        self.clicks: list[tuple[Floats, bool, float]] = [(first, True, 0.0)]
        self.passes: list[tuple[int, float, float, float, bool]] = []
        self.ground = Ground(pyramid, image.shape, first, self._extent())
        self.mask: Mask | None = None
        self.evidence: Floats32
        self.logit: Floats32
        for _ in range(2):
            self.seen = self._look()
            self._hold()

    @property
    def said(self) -> list[Said]:
        """The clicks as they lie on the grid."""
        at, step = self.ground.at, self.ground.step
        return [Said(at(point), inside, depth / step) for point, inside, depth in self.clicks]

    def _extent(self) -> float:
        """Half the side of a grid that holds the shape and all clicks inside."""
        wanted = max(2.2 * float(np.exp(self.line).max()), 1.2 * self.far + 10, 24.0)
        return min(wanted, self.frame.outer)

    def wrong(self, point: Floats, inside: bool) -> float:
        """How far on the wrong side of the border a point lies, pixels; 0 if right."""
        assert self.mask is not None
        at = self.ground.at(point)
        if not self.ground.holds(at):
            return 0.0
        return float(depth_in(self.mask != inside)[at]) * self.ground.step

    def add(self, point: Floats, inside: bool) -> None:
        """Take a click into account."""
        depth = self.wrong(point, inside)
        self.clicks.append((point, inside, depth))
        if depth == 0:
            self._hold()
            return
        angle, radius = self.frame.polar(point)
        radius = max(radius, 1.0)
        border = radius + depth if inside else max(radius - depth, 0.4 * radius)
        spread = 0.05 + 0.4 * abs(float(np.log(border / radius)))
        self.passes.append(
            (round(angle) % ANGLES, float(np.log(border)), spread, float(np.log(radius)), inside)
        )
        said = Passes(*(np.array(column) for column in zip(*self.passes, strict=True)))
        assert self.mask is not None
        size = float(np.sqrt(np.count_nonzero(self.mask) / np.pi)) * self.ground.step
        wrong = depth / max(size, 1.0)
        if wrong > _SMALL_ERROR:
            self.base = self.ellipses.best(said)
        self.line = bend(self.base, said)
        self._fit_ground()
        # A small error is put right near the click only; a large one asks all anew.
        anew = float(np.clip((wrong - _SMALL_ERROR) / 0.3, 0, 1))
        share = np.maximum(self._near(point, 2.0 * depth), anew)
        seen = share * self._look() + (1 - share) * self.seen
        self.seen = np.asarray(seen, dtype=np.float32)
        self._hold()

    def _fit_ground(self) -> None:
        """Take a grid of another size where the shape has become much smaller or larger."""
        if 0.6 < self._extent() / (self.ground.half * self.ground.step) < 1.25:
            return
        before = self.ground
        self.ground = Ground(self.pyramid, self.shape, before.middle, self._extent())
        self.logit = self.ground.taken_over(self.logit, before)
        self.seen = self.ground.taken_over(self.seen, before)
        self.mask = np.asarray((self.logit > 0) & self.ground.valid)

    def _near(self, point: Floats, reach: float) -> Floats32:
        n = 2 * self.ground.half + 1
        yy, xx = np.mgrid[:n, :n].astype(np.float32)
        row, col = self.ground.at(point)
        away = np.square(yy - row) + np.square(xx - col)
        share = np.exp(-0.5 * away / max(reach / self.ground.step, 2.0) ** 2)
        return np.asarray(share, dtype=np.float32)

    def _look(self) -> Floats32:
        """Log odds that each grid point is in the region, from all that speaks for it."""
        self.evidence = evidence(self.ground, (self.first, self.line), self.said, self.mask)
        logit = answers(self.evidence, self.weights)[..., 0]
        return np.asarray(cv2.GaussianBlur(logit, (0, 0), 0.8), dtype=np.float32)

    def _hold(self) -> None:
        """Every click gets its way; what hangs together with no inside click falls off."""
        ground = self.ground
        logit = self.logit = self.seen + _SHAPE_TRUST * ground.inwards(self.line)
        said = [click for click in self.said if ground.holds(click.at)]
        for click in said:
            value = float(logit[click.at])
            if (value > 0) != click.inside or abs(value) < 0.5:
                row, col = click.at
                spot = np.s_[max(row - 1, 0) : row + 2, max(col - 1, 0) : col + 2]
                logit[spot] = (
                    np.maximum(logit[spot], 1.0) if click.inside else np.minimum(logit[spot], -1.0)
                )
        mask = (logit > 0) & ground.valid
        count, labels, stats, _ = cv2.connectedComponentsWithStats(
            mask.astype(np.uint8), connectivity=4
        )
        keep = np.zeros(count, bool)
        for click in said:
            if click.inside:
                keep[labels[click.at]] = True
        deep = (ground.inwards(self.line) > 0).ravel().astype(float)
        share = np.bincount(labels.ravel(), deep, minlength=count) / np.maximum(stats[:, 4], 1)
        keep |= (share > 0.5) & (stats[:, 4] > 4)
        keep[0] = False
        self.mask = np.asarray(keep[labels], dtype=np.bool_)


def grow_region(pixels: Any, inside: Clicks, outside: Clicks = ()) -> Mask:
    """Return the region a click lies in: a knot, rot, a bark inclusion, a stain.

    A proposal for a person to look at and decide on, not a finding.

    Parameters
    ----------
    pixels : ndarray, shape (H, W) or (H, W, 3)
        The photo, RGB or grey; uint8, uint16 or floats from 0 to 1.
    inside : array-like of float, shape (N, 2)
        Clicks (row, col) in the region, the first one well inside.
    outside : array-like of float, shape (M, 2), optional
        Clicks that are not part of it.

    Returns
    -------
    ndarray of bool, shape (H, W)
        True in the region: at every inside click and at no outside click.

    Raises
    ------
    BadPixelsError, BadClickError
        The picture or a click cannot be used, nothing was clicked inside, or the same pixel was
        clicked inside and outside.

    Notes
    -----
    See :func:`grow_region_soft`, which also says how sure the border is.
    """
    return grow_region_soft(pixels, inside, outside).mask


def grow_region_soft(pixels: Any, inside: Clicks, outside: Clicks = ()) -> GrownRegion:
    """Return the region a click lies in and the uncertainty of its border.

    Parameters
    ----------
    pixels, inside, outside
        As for :func:`grow_region`.

    Returns
    -------
    GrownRegion
        ``(mask, area_px, area_u_px, border_u_px)``.

    Notes
    -----
    Round the first click the best of tens of thousands of ellipses is found in a log-polar
    picture. Further clicks bend it (Gaussian process regression on the log radius). A small
    network, trained on rendered faces, then weighs shape, colour and clicks at each point of a
    grid round the region and gives the probability that the point belongs to it. The network
    learned from clicks set in the way of the usual protocol: at the deepest point of the largest
    error (Xu et al. 2016, CVPR, "Deep interactive object selection"). Only a window round the
    clicks is looked at; the same call gives the same answer.
    """
    image = as_pixels(pixels)
    within = as_clicks(inside, image.shape, what="inside click")
    without = as_clicks(outside, image.shape, what="outside click")
    if len(within) == 0:
        raise BadClickError("no click inside; click once in the middle of the region")
    top = np.array(image.shape[:2]) - 1
    ins, outs = (np.clip(np.rint(p), 0, top).astype(int) for p in (within, without))
    both = set(map(tuple, ins.tolist())) & set(map(tuple, outs.tolist()))
    if both:
        row, col = min(both)
        raise BadClickError(
            f"pixel (row {row}, col {col}) was clicked inside and outside; take one click back"
        )
    growth = _grow(image, within, without)
    mask, low, high = _enlarge(growth, image.shape)
    mask[ins[:, 0], ins[:, 1]] = True
    mask[outs[:, 0], outs[:, 1]] = False
    area_u = (high - low) / 2
    rim = np.count_nonzero(mask[1:] != mask[:-1]) + np.count_nonzero(mask[:, 1:] != mask[:, :-1])
    # A staircase is 4/pi times as long as the line it follows, on average over directions.
    border_u = area_u / max(rim * np.pi / 4, 1.0)
    return GrownRegion(mask, float(np.count_nonzero(mask)), area_u, float(border_u))


def _grow(image: NDArray[Any], within: Floats, without: Floats) -> Growth:
    """Hear all clicks, the one that is most wrong first: their order said is not known."""
    first = within[0]
    growth = Growth(image, first, float(np.hypot(*(within - first).T).max()))
    left = {True: list(within[1:]), False: list(without)}
    while left[True] or left[False]:
        side = max((s for s in left if left[s]), key=lambda s: growth.wrong(left[s][0], s))
        growth.add(left[side].pop(0), side)
    return growth


def _enlarge(growth: Growth, shape: tuple[int, ...]) -> tuple[Mask, float, float]:
    """Return the mask at the photo's size, and the areas of its sure and its possible part."""
    ground = growth.ground
    assert growth.mask is not None
    logit = np.where(growth.mask, np.maximum(growth.logit, 0.01), np.minimum(growth.logit, -0.01))
    mask = np.zeros(shape[:2], dtype=np.bool_)
    extent = ground.half * ground.step
    top, left = np.maximum(np.ceil(ground.middle - extent), 0).astype(int)
    bottom, right = np.minimum(np.floor(ground.middle + extent) + 1, shape[:2]).astype(int)
    rows = (np.arange(top, bottom) - ground.middle[0]) / ground.step + ground.half
    cols = (np.arange(left, right) - ground.middle[1]) / ground.step + ground.half
    x, y = np.meshgrid(cols.astype(np.float32), rows.astype(np.float32))
    fine = cv2.remap(logit.astype(np.float32), x, y, cv2.INTER_LINEAR)
    mask[top:bottom, left:right] = fine > 0
    low, high = np.count_nonzero(fine > _ONE_SIGMA), np.count_nonzero(fine > -_ONE_SIGMA)
    return mask, float(low), float(high)
