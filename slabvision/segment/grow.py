"""Grow a click in a knot, rot, bark inclusion or stain to its region."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.by_colour import ByColour, by_colour, lifted, stands_out
from slabvision.segment.ground import Blob, Click, Ground
from slabvision.segment.matter import MATTERS, matter_at, matter_round
from slabvision.segment.network import Weights, answers, stored
from slabvision.segment.polar import Frame, Pyramid, look_round
from slabvision.segment.shape import Correction, Ellipses
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
_PLACE = 0.2
"""An error less deep than this share of the region's radius is about a place, not the whole."""
_MOST_COUNTED = 5
"""Clicks beyond this many change nothing more in the choice between shape and colour."""

_LEAST_ACCORD = 0.2
"""Where shape and colour overlap less, colour has gone astray."""
_LEAST_CONTRAST = 0.8
_PATIENCE = 3.0
_LEAST_SPREAD_PX = 0.5

FEATURES = (
    "shape and colour agree", "colour larger", "shape stands out", "colour stands out",
    "colour reaches the rim", "size", "clicks", "clicks like an ellipse", "clicks off colour",
    "clicks off shape", *MATTERS,
)  # fmt: skip
"""What the choice between shape and colour is made from, in this order."""


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


class Fields(NamedTuple):
    """A region as its shape and as its colour has it, above 0 inside, and what helps to choose."""

    ground: Ground
    shape: Floats32
    colour: Floats32
    speaks: Floats32


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
        self.pyramid = Pyramid(image, first, reach)
        self.frame = Frame(first, INNER_PX, reach)
        self.ellipses = Ellipses(
            *look_round(self.pyramid, self.frame, image.shape),
            matter_round(self.pyramid, self.frame),
            self.frame,
            ellipse_weights,
        )
        self.first, self.shape = first, image.shape
        self.clicks: list[Click] = []
        self.matter = matter_at(self.pyramid, first)
        self._settle()
        self.colour = self._by_colour()

    def _settle(self) -> None:
        """Border and its spread from the likeliest ellipses, dented by the clicks."""
        border, chance = self.ellipses.likely()
        order = np.argsort(border, axis=0)
        share = np.cumsum(chance[order], axis=0)
        low, self.border, high = (
            np.take_along_axis(
                border, np.take_along_axis(order, (share < p).sum(axis=0)[None], axis=0), axis=0
            )[0]
            for p in (0.16, 0.5, 0.84)
        )
        self.spread_px = (np.exp(high) - np.exp(low)) / 2
        self.blob = Blob(self.border, self.clicks)

    def wrong(self, point: Floats, inside: bool) -> float:
        """How far on the wrong side of the border a point of the photo lies, pixels; 0 if right."""
        value = self.blob.at(point - self.first)
        return max(-value if inside else value, 0.0)

    def add(self, point: Floats, inside: bool) -> None:
        """Take a click into account."""
        depth = self.wrong(point, inside)
        off = point - self.first
        self.clicks.append(Click(off, inside, depth))
        if depth > 0:
            depth = max(depth, 1.0)
            size = float(np.exp(self.border.mean()))
            weight = min(1.0, depth / (_PLACE * size))
            self.ellipses.hear(Correction(off, inside, depth, weight, self.border))
        self._settle()
        if self.colour is not None and not self.colour.holds(self.clicks[-1], self.patience):
            self.colour = None

    def _by_colour(self) -> ByColour | None:
        """Return the region by its colour if that is likely better than the shape."""
        fields = self.fields()
        gain = float(answers(fields.speaks[None], self.weights)[0, 0])
        accord, contrast = fields.speaks[0], fields.speaks[3]
        if gain <= 0 or accord < _LEAST_ACCORD or abs(contrast) < _LEAST_CONTRAST:
            return None
        return ByColour(fields.ground, fields.colour)

    @property
    def patience(self) -> float:
        """How much worse than the shape colour may do: bark and holes have no regular shape."""
        irregular = sum(self.matter[MATTERS.index(name)] for name in ("bark", "hole"))
        return _PATIENCE if irregular > 0.5 else 0.0

    def box(self) -> tuple[float, float, float, float]:
        """Window that holds the region and all clicks inside, with room round it."""
        points = [self.blob.corners]
        for hump in self.blob.humps:
            far = hump.reach + abs(hump.height)
            points += [hump.middle[None] - far, hump.middle[None] + far]
        both = np.concatenate(points)
        low, high = both.min(axis=0), both.max(axis=0)
        room = 12 + 0.5 * (high - low)
        low, high = np.clip((low - room, high + room), -self.frame.outer, self.frame.outer)
        row, col = self.first
        return row + low[0], row + high[0], col + low[1], col + high[1]

    def fields(self) -> Fields:
        """Return the region as its shape has it and as its colour has it."""
        ground = Ground(self.pyramid, self.shape, self.first, self.box())
        shape = self.blob.on(ground)
        raw = by_colour(ground, shape, self.clicks)
        colour = lifted(ground, raw, self.clicks)
        return Fields(ground, shape, colour, self._speaks(ground, shape, raw, colour))

    def _speaks(self, ground: Ground, shape: Floats32, raw: Floats32, colour: Floats32) -> Floats32:
        """Return what helps to choose between shape and colour; see :data:`FEATURES`."""
        a, b = shape > 0, colour > 0
        both, either = int(np.count_nonzero(a & b)), max(int(np.count_nonzero(a | b)), 1)
        size = max(int(np.count_nonzero(a)), 1) * ground.step**2
        missed = [
            float(np.clip((raw[ground.at(c.point)]) * (-1 if c.inside else 1), 0, None))
            for c in self.clicks
        ]
        rim = np.mean([b[0].mean(), b[-1].mean(), b[:, 0].mean(), b[:, -1].mean()])
        n = len(self.clicks)
        told = [
            both / either,
            np.log((np.count_nonzero(b) + 1) / (np.count_nonzero(a) + 1)),
            stands_out(ground.light, a), stands_out(ground.light, b), rim,
            np.log(size), min(n, _MOST_COUNTED), self.ellipses.accord / max(n, 1),
            sum(missed) / np.sqrt(size), sum(c.depth for c in self.clicks) / np.sqrt(size),
            *self.matter,
        ]  # fmt: skip
        return np.array(told, dtype=np.float32)

    def finish(self) -> tuple[Mask, float, float]:
        """Return the mask at the photo's size, and the areas of its sure and its possible part."""
        if self.colour is not None:
            ground, field = self.colour.ground, self.colour.field
            spread = max(_blur_of(ground, field), _LEAST_SPREAD_PX)
        else:
            ground = Ground(self.pyramid, self.shape, self.first, self.box())
            field = self.blob.on(ground)
            spread = max(_blur_of(ground, field), _LEAST_SPREAD_PX)
            spread = float(np.hypot(spread, self.spread_px.mean()))
        mask = np.zeros(self.shape[:2], dtype=np.bool_)
        fine = ground.at_pixels(field)
        mask[ground.low[0] : ground.high[0], ground.low[1] : ground.high[1]] = fine > 0
        if self.colour is not None:
            self.colour.draw_beyond(mask)
        return mask, float(np.count_nonzero(fine > spread)), float(np.count_nonzero(fine > -spread))


def _blur_of(ground: Ground, field: Floats32) -> float:
    """Return the spread of the blur that made the border as soft as it is, pixels."""
    inside = field > 0
    near = np.abs(field) < 3 * ground.step
    if min(ground.shape) < 2 or not near.any() or inside.all() or not inside.any():
        return 0.0
    size = 0.5 * float(np.sqrt(np.count_nonzero(inside) / np.pi)) * ground.step
    far = np.abs(field) < max(size, 6 * ground.step)
    step = abs(float(ground.light[far & inside].mean() - ground.light[far & ~inside].mean()))
    down, across = np.gradient(ground.light)
    slope = float(np.hypot(down, across)[near].mean()) / ground.step
    # A step blurred by s has the slope step / (s sqrt(2 pi)) at its middle.
    return min(step / max(slope * float(np.sqrt(2 * np.pi)), 1e-6), size)


def grow_region(
    pixels: Any, inside: Clicks, outside: Clicks = (), *, order: Sequence[bool] = ()
) -> Mask:
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
    order : sequence of bool, optional
        True for each click inside and False for each outside, in the order they were set: a later
        click corrects what the earlier ones showed. Where this is not told, the click that is
        most wrong is taken for the next one.

    Returns
    -------
    ndarray of bool, shape (H, W)
        True in the region: at every inside click and at no outside click.

    Raises
    ------
    BadPixelsError, BadClickError
        The picture or a click cannot be used, nothing was clicked inside, the same pixel was
        clicked inside and outside, or the order is of other clicks.

    Notes
    -----
    See :func:`grow_region_soft`, which also says how sure the border is.
    """
    return grow_region_soft(pixels, inside, outside, order=order).mask


def grow_region_soft(
    pixels: Any, inside: Clicks, outside: Clicks = (), *, order: Sequence[bool] = ()
) -> GrownRegion:
    """Return the region a click lies in and the uncertainty of its border.

    Parameters
    ----------
    pixels, inside, outside, order
        As for :func:`grow_region`.

    Returns
    -------
    GrownRegion
        ``(mask, area_px, area_u_px, border_u_px)``.

    Notes
    -----
    Round the first click tens of thousands of ellipses are weighed by what they look like in a
    log-polar picture (a small network, trained on rendered faces) and by what later clicks say:
    a click set in the middle of an error lies as far from the true border as from the one shown
    (the deepest point of the largest error, Xu et al. 2016, CVPR, "Deep interactive object
    selection"). The border is the median of the likely ones, dented and bulged where clicks still
    lie on its wrong side. Where colour tells the region better at the first click (GrabCut), it
    is taken until a click finds it more wrong than the shape. Only a window round the clicks is
    looked at; the same call gives the same answer.
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
    told = [bool(o) for o in order]
    if told and (sum(told), len(told) - sum(told)) != (len(within), len(without)):
        raise BadClickError(
            f"the order is of {sum(told)} clicks inside and {len(told) - sum(told)} outside; "
            f"{len(within)} and {len(without)} were given"
        )
    growth = _grow(image, within, without, told)
    mask, low, high = growth.finish()
    mask[ins[:, 0], ins[:, 1]] = True
    mask[outs[:, 0], outs[:, 1]] = False
    area_u = (high - low) / 2
    part = _window_of(mask)
    rim = np.count_nonzero(part[1:] != part[:-1]) + np.count_nonzero(part[:, 1:] != part[:, :-1])
    # A staircase is 4/pi times as long as the line it follows, on average over directions.
    border_u = area_u / max(rim * np.pi / 4, 1.0)
    return GrownRegion(mask, float(np.count_nonzero(part)), area_u, float(border_u))


def _window_of(mask: Mask) -> Mask:
    """Return the part of a mask that holds all of it, with a rim of one pixel."""
    rows = np.flatnonzero(mask.any(axis=1))
    low, high = max(int(rows[0]) - 1, 0), int(rows[-1]) + 2
    cols = np.flatnonzero(mask[low:high].any(axis=0))
    return mask[low:high, max(int(cols[0]) - 1, 0) : int(cols[-1]) + 2]


def _grow(image: NDArray[Any], within: Floats, without: Floats, order: list[bool]) -> Growth:
    """Hear all clicks in their order or, where it is not told, the one that is most wrong first."""
    first = within[0]
    growth = Growth(image, first, float(np.hypot(*(within - first).T).max()))
    left = {True: list(within[1:]), False: list(without)}
    before = order.index(True) if order else 0
    # A click outside before the first one inside corrects nothing yet; it is heard after it.
    turns = iter(order[:before] + order[before + 1 :])
    while left[True] or left[False]:
        side = next(turns, None)
        if side is None:
            side = max((s for s in left if left[s]), key=lambda s: growth.wrong(left[s][0], s))
        growth.add(left[side].pop(0), side)
    return growth
