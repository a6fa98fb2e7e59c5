"""Grow a click in a knot, rot, bark inclusion or stain to its region."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple, TypeAlias

import numpy as np

from slabvision.defects import defect_kind
from slabvision.segment.growth import Growth
from slabvision.segment.window import (
    BadClickError,
    Clicks,
    Floats,
    Mask,
    as_clicks,
    as_pixels,
)

__all__ = ["GrownRegion", "RegionSearch", "grow_region", "grow_region_soft"]

_Click: TypeAlias = tuple[float, float, bool]
"""Row, column, inside or not."""


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
    return RegionSearch(pixels, kind).region(inside, outside, order=order)


class RegionSearch:
    """A region while clicks correct it; what one click cost the next does not again.

    Parameters
    ----------
    pixels : ndarray, shape (H, W) or (H, W, 3)
        The photo, RGB or grey; uint8, uint16 or floats from 0 to 1.
    kind : str, optional
        As for :func:`grow_region`.

    Raises
    ------
    BadPixelsError
        The picture cannot be used.
    KeyError
        There is no such kind.
    """

    def __init__(self, pixels: Any, kind: str | None = None) -> None:
        if kind is not None:
            defect_kind(kind)
        self.kind = kind
        self._image = as_pixels(pixels)
        self._known: dict[tuple[_Click, ...], Growth] = {}

    def region(
        self, inside: Clicks, outside: Clicks = (), *, order: Sequence[bool] = ()
    ) -> GrownRegion:
        """Return the region after all clicks so far, as :func:`grow_region_soft` does.

        A click that is taken back costs nothing.

        Parameters
        ----------
        inside, outside, order
            As for :func:`grow_region`.

        Raises
        ------
        BadClickError
        """
        image = self._image
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
        mask, box, area_u = self._after(within, without, told).finish()
        mask[ins[:, 0], ins[:, 1]] = True
        mask[outs[:, 0], outs[:, 1]] = False
        part = mask[box]
        rim = np.count_nonzero(part[1:] != part[:-1]) + np.count_nonzero(
            part[:, 1:] != part[:, :-1]
        )
        # A staircase is 4/pi times as long as the line it follows, on average over directions.
        border_u = area_u / max(rim * np.pi / 4, 1.0)
        return GrownRegion(mask, float(np.count_nonzero(part)), area_u, float(border_u))

    def _after(self, within: Floats, without: Floats, order: list[bool]) -> Growth:
        """Return the region after all clicks, in their order or the one most wrong first."""
        first = within[0]
        key: tuple[_Click, ...] = ((float(first[0]), float(first[1]), True),)
        if key not in self._known:  # another region
            self._known = {key: Growth(self._image, first, self.kind)}
        growth = self._known[key]
        left = {True: list(within[1:]), False: list(without)}
        before = order.index(True) if order else 0
        # A click outside before the first one inside corrects nothing yet; it is heard after it.
        turns: Iterator[bool] = iter(order[:before] + order[before + 1 :])
        while left[True] or left[False]:
            side = next(turns, None)
            if side is None:
                wrong = {s: growth.wrong(left[s][0], s) for s in left if left[s]}
                side = max(wrong, key=lambda s: wrong[s])
            point = left[side].pop(0)
            key = (*key, (float(point[0]), float(point[1]), side))
            if key not in self._known:
                self._known[key] = growth.after(point, side)
            growth = self._known[key]
        return growth
