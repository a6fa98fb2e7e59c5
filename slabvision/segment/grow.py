"""Grow a click in a knot, rot, bark inclusion or stain to its region."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.defects import defect_kind
from slabvision.opencv import cv2
from slabvision.segment.grow_colour import settled
from slabvision.segment.grow_ellipse import Heard, Oval, heard_from, oval_of
from slabvision.segment.grow_field import best_cut, field_of, logit
from slabvision.segment.grow_look import SIDE, Said, Window, cells_of, depth_at, signed
from slabvision.segment.grow_tiles import in_tiles, sheet_of
from slabvision.segment.unet import load_unets, scores
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

_FIRST_SIDE_PX = 90.0
_SIDE_RATIO = 2.6
_REACH_SHARE = 0.25
_LEAST_REACH_PX = 600.0
"""Windows looked at after the first click: the sides of the smallest and of the largest one."""
_ROOM = 1.8
"""Side of the window that fits a region, in the region's longer side."""
_LEAST_SIDE_PX = 24.0
_MOST_RIM, _RIM_THICK = 0.04, 0.5
"""A region that lies on more of its window's rim than the former goes on beyond it, a thin one on
more than the latter of its thickness."""
_LEAST_RIM = 4
"""Places of a rim that say nothing."""
_ENOUGH = 1.35
"""A window is looked through again where one that fits is this much larger or smaller."""
_REFITS = 2
_FAIR, _GIVEN_UP = 0.3, 0.8
"""The shape is given up once its wrongs come to the latter, in the region's radius, and the net's
to less than the former share of them."""
_ALIKE, _LONG = 0.4, 8.0
"""Where the kind is not said, an ellipse is shown for a region that overlaps it by so much, and is
no longer, in its width."""
_SURE = 0.84
"""The uncertain part of a region lies between this chance and the opposite one."""


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


class View(NamedTuple):
    """A window looked through: chances, the overlap with the truth to be expected, the region.

    ``field`` is above 0 in the region, shape (SIDE, SIDE).
    """

    window: Window
    chance: Floats32
    expected: float
    field: Floats32

    @property
    def region(self) -> Mask:
        """Which places are in the region."""
        return np.asarray(self.field > 0)


class Growth:
    """A region while it grows, click by click.

    Parameters
    ----------
    image : ndarray, shape (H, W) or (H, W, 3)
    first : ndarray, shape (2,)
        The first click, (row, col).
    kind : str, optional
        A key of :data:`slabvision.defects.KINDS`, where it is known.
    """

    def __init__(self, image: NDArray[Any], first: Floats, kind: str | None = None) -> None:
        self.image = image
        self.kind = kind
        self.elliptic = None if kind is None else defect_kind(kind).elliptic
        self.net = load_unets("grow")["grow"]
        self.first = first
        self.said = [Said(first, True, 0.0)]
        self.heard: list[Heard] = []
        self.oval: Oval | None = None
        self._shape_wanted: bool | None = None  # None: not yet
        self._wrongs = np.zeros(2)
        top = max(_LEAST_REACH_PX, _REACH_SHARE * max(image.shape[:2]))
        count = 1 + round(np.log(top / _FIRST_SIDE_PX) / np.log(_SIDE_RATIO))
        sides = np.geomspace(_FIRST_SIDE_PX, top, count)
        views = [self._look(Window(first, float(side)), None) for side in sides]
        agree = _agreement(views)
        best = max(range(count), key=lambda k: self._worth(views[k]) + agree[k])
        self.view = views[best]
        self._refit()
        self.seen = self.view

    def _look(self, window: Window, before: Mask | None) -> View:
        """Look through a window."""
        said = window.heard(self.said)
        chance = self._through(window, before, said)
        cut, expected = best_cut(chance)
        return View(window, chance, expected, field_of(chance, cut, said))

    def _through(self, window: Window, before: Mask | None, said: list[Said]) -> Floats32:
        """Return the chance of each place of a window, clicks given in places."""
        from scipy.special import expit

        known = window.known_in(self.image.shape)
        looks = cells_of(window.seen_in(self.image), known, before, said, self.kind)
        score = scores(self.net, looks)
        return np.where(known, expit(score[..., 1] - score[..., 0]), np.float32(0))

    def _worth(self, view: View) -> float:
        """How good a first look is: the overlap expected, little where the region goes on."""
        return view.expected - (1.0 if self._goes_on(view) else 0.0)

    def _goes_on(self, view: View) -> bool:
        """Whether a region lies on the rim of its window, within the photo."""
        known = view.window.known_in(self.image.shape)
        rim = np.ones((SIDE, SIDE), bool)
        rim[1:-1, 1:-1] = False
        met = np.count_nonzero(view.region & rim & known)
        thick = 2 * float(signed(view.region).max())
        return bool(met > min(_MOST_RIM * 4 * SIDE, max(_RIM_THICK * thick, _LEAST_RIM)))

    def _fitting(self) -> Window:
        """Return the window that fits the region and the clicks inside."""
        view = self.view
        rows, cols = np.nonzero(view.region)
        places = np.stack([[rows.min(), cols.min()], [rows.max(), cols.max()]]).astype(float)
        corners = view.window.middle + (places - (SIDE - 1) / 2) * view.window.step
        points = [corners]
        for s in self.said:
            if s.inside:
                points += [s.point[None] - s.depth, s.point[None] + s.depth]
        both = np.concatenate(points)
        low, high = both.min(axis=0), both.max(axis=0)
        side = _ROOM * float(max(high - low)) + 2
        return Window((low + high) / 2, max(side, _LEAST_SIDE_PX))

    def _refit(self) -> None:
        """Look again through a window that fits better what was found."""
        for _ in range(_REFITS):
            window = self._fitting()
            ratio = window.side / self.view.window.side
            if max(ratio, 1 / ratio) < _ENOUGH and not self._goes_on(self.view):
                return
            self.view = self._look(window, self._shown_in(window))

    def _shown_in(self, window: Window) -> Mask:
        return self.view.window.moved(self.view.field, window) > 0

    def wrong(self, point: Floats, inside: bool) -> float:
        """How far on the wrong side of the border a point of the photo lies, pixels; 0 if right."""
        return _wrong_in(self.view, point, inside)

    def add(self, point: Floats, inside: bool) -> None:
        """Take a click into account."""
        said = Said(point, inside, self.wrong(point, inside))
        if said.depth > 0:
            self.heard.append(heard_from(self.first, said, self.view.region, self.view.window))
        self._choose(point, inside)
        self.said.append(said)
        window = self._fitting()
        self.view = self._look(window, self._shown_in(window))
        self._refit()
        self.seen, self.oval = self.view, None
        if self._shape_wanted and self.elliptic is not False:
            self._take_shape()

    def _choose(self, point: Floats, inside: bool) -> None:
        """Say whether the region is told by its shape from now on, or by what is seen again."""
        by_net, by_shape = _wrong_in(self.seen, point, inside), self.wrong(point, inside)
        if self._shape_wanted is None:
            self._shape_wanted = True if by_net > 0 else None
        elif self._shape_wanted:
            self._wrongs += by_net, by_shape
            radius = np.sqrt(np.count_nonzero(self.view.region) / np.pi) * self.view.window.step
            most = _GIVEN_UP * max(float(radius), 1.0)
            if self._wrongs[1] > most and self._wrongs[0] < _FAIR * self._wrongs[1]:
                self._shape_wanted = False

    def _take_shape(self) -> None:
        """Show the likeliest ellipse, unless what is seen cannot be one."""
        view = self.seen
        oval = oval_of(view.chance, self.first, view.window, self.heard)
        far = np.clip(signed(oval.drawn(self.first, view.window)), -6, 6)
        chance = (1 / (1 + np.exp(-far))).astype(np.float32)
        said = view.window.heard(self.said)
        shown = view._replace(field=field_of(chance, 0.5, said))
        if self.elliptic or (
            _overlap(view.region, shown.region) > _ALIKE and _elongation(view.region) < _LONG
        ):
            self.oval, self.view = oval, shown

    def finish(self) -> tuple[Mask, tuple[slice, slice], float]:
        """Return the mask at the photo's size, where to look for it, and how unsure its area is.

        The last is half the area of what lies between the lines of 16 and 84 %, pixels.
        """
        view, shape = self.view, self.image.shape
        sheet = sheet_of(view.window, view.chance, view.field)
        if self.oval is None:
            sheet = in_tiles(sheet, self.said, self._through)
            sheet = settled(sheet, self.said, self.image)
        half = sheet.step / 2
        end = sheet.start + (np.array(sheet.field.shape) - 1) * sheet.step
        low = np.clip(np.ceil(sheet.start - half), 0, None).astype(int)
        high = np.clip(np.floor(end + half) + 1, low, shape[:2]).astype(int)
        box = np.s_[low[0] : high[0], low[1] : high[1]]
        mask = np.zeros(shape[:2], dtype=np.bool_)
        if (high > low).all():
            row, col = (low - sheet.start) / sheet.step
            to = np.array([[1 / sheet.step, 0, col], [0, 1 / sheet.step, row]])
            mask[box] = (
                cv2.warpAffine(
                    sheet.field, to, (int(high[1] - low[1]), int(high[0] - low[0])),
                    flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
                )
                > 0
            )  # fmt: skip
        sure = float(np.log(_SURE / (1 - _SURE)))
        unsure = np.count_nonzero(np.abs(logit(sheet.chance)) < sure) * sheet.step**2
        area_u = unsure / 2 if self.oval is None else self.oval.area_u_px
        return mask, box, area_u


def _agreement(views: list[View]) -> list[float]:
    """Return how far each of some views, ever wider, overlaps with the next one either way."""
    pairs = [0.0]
    for near, wide in pairwise(views):
        pairs.append(_overlap(near.window.moved(near.field, wide.window) > 0, wide.region))
    return [max(pair) for pair in zip(pairs, [*pairs[1:], 0.0], strict=True)]


def _overlap(one: Mask, other: Mask) -> float:
    """Return intersection over union."""
    both, either = int(np.count_nonzero(one & other)), int(np.count_nonzero(one | other))
    return both / max(either, 1)


def _elongation(region: Mask) -> float:
    """Return how much longer than wide a region is, by its moments."""
    at = np.argwhere(region)
    if len(at) < 3:
        return 1.0
    narrow, long = np.linalg.eigvalsh(np.cov(at.T))
    # A row of places has the spread of a uniform one.
    return float(np.sqrt((long + 1 / 12) / (narrow + 1 / 12)))


def _wrong_in(view: View, point: Floats, inside: bool) -> float:
    """How far on the wrong side of the border of a view a point lies, pixels; 0 if right."""
    place, side = view.window.places(point), view.window.side
    if not ((place > -0.5) & (place < SIDE - 0.5)).all():
        far = float(np.abs(point - view.window.middle).max())
        return max(far - side / 4, 1.0) if inside else 0.0
    row, col = np.clip(np.rint(place), 0, SIDE - 1).astype(int)
    if bool(view.field[row, col] > 0) == inside:
        return 0.0
    return depth_at(view.region, place) * view.window.step


def grow_region(
    pixels: Any,
    inside: Clicks,
    outside: Clicks = (),
    *,
    order: Sequence[bool] = (),
    kind: str | None = None,
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
    kind : str, optional
        A key of :data:`slabvision.defects.KINDS`: a knot is an ellipse where a face cuts it, rot or
        a bark inclusion is not. Where it is not said, what is seen decides.

    Returns
    -------
    ndarray of bool, shape (H, W)
        True in the region: at every inside click and at no outside click.

    Raises
    ------
    BadPixelsError, BadClickError
        The picture or a click cannot be used, nothing was clicked inside, the same pixel was
        clicked inside and outside, or the order is of other clicks.
    KeyError
        There is no such kind.

    Notes
    -----
    See :func:`grow_region_soft`, which also says how sure the border is.
    """
    return grow_region_soft(pixels, inside, outside, order=order, kind=kind).mask


def grow_region_soft(
    pixels: Any,
    inside: Clicks,
    outside: Clicks = (),
    *,
    order: Sequence[bool] = (),
    kind: str | None = None,
) -> GrownRegion:
    """Return the region a click lies in and the uncertainty of its border.

    Parameters
    ----------
    pixels, inside, outside, order, kind
        As for :func:`grow_region`.

    Returns
    -------
    GrownRegion
        ``(mask, area_px, area_u_px, border_u_px)``.

    Notes
    -----
    A small convolutional net (trained on rendered faces) looks at a window round the first click
    at several scales; the scale whose answer it expects to overlap the truth most, and that its
    neighbours agree with, is looked at again through a window that fits, and the border of what is
    thin or ragged once more in fine tiles; in the end colour settles the border. The net is told
    the clicks, how deep the error was that each was set in, and the region shown before (Xu et al.
    2016, CVPR, "Deep interactive object selection"; Sofiiuk, Petrov and Konushin 2022, ICIP,
    "Reviving iterative training with mask guidance for interactive segmentation"). From
    the first correction on the likeliest ellipse is shown where one may be meant. Where a click
    would still lie on the wrong side, the border is moved round it. The same call gives the same
    answer.
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
    growth = Growth(image, within[0], kind)
    _hear(growth, within, without, told)
    mask, box, area_u = growth.finish()
    mask[ins[:, 0], ins[:, 1]] = True
    mask[outs[:, 0], outs[:, 1]] = False
    part = mask[box]
    rim = np.count_nonzero(part[1:] != part[:-1]) + np.count_nonzero(part[:, 1:] != part[:, :-1])
    # A staircase is 4/pi times as long as the line it follows, on average over directions.
    border_u = area_u / max(rim * np.pi / 4, 1.0)
    return GrownRegion(mask, float(np.count_nonzero(part)), area_u, float(border_u))


def _hear(growth: Growth, within: Floats, without: Floats, order: list[bool]) -> None:
    """Hear all clicks in their order or, where it is not told, the one that is most wrong first."""
    left = {True: list(within), False: list(without)}
    before = order.index(True) if order else 0
    # A click outside before the first one inside corrects nothing yet; it is heard after it.
    turns = iter(order[:before] + order[before + 1 :])
    left[True].pop(0)
    while left[True] or left[False]:
        side = next(turns, None)
        if side is None:
            side = max((s for s in left if left[s]), key=lambda s: growth.wrong(left[s][0], s))
        growth.add(left[side].pop(0), side)
