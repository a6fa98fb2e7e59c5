"""A region while it grows: windows looked through, the shape that is shown, click by click."""

from __future__ import annotations

from copy import copy
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
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["Growth", "View"]

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
_FAR, _SEEN = 6.0, 3.0
"""Log odds of a place so far from the ellipse's border, one for each place; and of what is seen,
which so moves the border by the latter at most."""
_STREAK, _AS_THICK = 2.5, 1.5
"""A region longer than the former, in its width, is missed beyond its window no deeper than the
latter, in half its thickness."""
_SURE = 0.84
"""The uncertain part of a region lies between this chance and the opposite one."""


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

    def after(self, point: Floats, inside: bool) -> Growth:
        """Return the region after one more click; this one stays as it is."""
        new = copy(self)
        new.said, new.heard, new._wrongs = [*self.said], [*self.heard], self._wrongs.copy()
        new.add(point, inside)
        return new

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
        """Show the likeliest ellipse, its border moved to what is seen near it.

        Not where what is seen cannot be one.
        """
        view = self.seen
        oval = oval_of(view.chance, self.first, view.window, self.heard)
        drawn = oval.drawn(self.first, view.window)
        odds = np.clip(signed(drawn), -_FAR, _FAR) + np.clip(logit(view.chance), -_SEEN, _SEEN)
        chance = (1 / (1 + np.exp(-odds))).astype(np.float32)
        said = view.window.heard(self.said)
        shown = view._replace(field=field_of(chance, 0.5, said))
        if self.elliptic or (
            _overlap(view.region, drawn) > _ALIKE and _elongation(view.region) < _LONG
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
        far = float(np.abs(point - view.window.middle).max()) - side / 4
        if _elongation(view.region) > _STREAK:
            # A streak goes on about as thick as it is, however far.
            thick = float(signed(view.region).max()) * view.window.step
            far = min(far, _AS_THICK * thick)
        return max(far, 1.0) if inside else 0.0
    row, col = np.clip(np.rint(place), 0, SIDE - 1).astype(int)
    if bool(view.field[row, col] > 0) == inside:
        return 0.0
    return depth_at(view.region, place) * view.window.step
