"""Settle the border of a region by this photo's own colours inside and round it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.grow_field import field_of, logit
from slabvision.segment.grow_look import Said, signed
from slabvision.segment.grow_tiles import Sheet
from slabvision.segment.window import Floats, Floats32, as_unit

__all__ = ["settled"]

_BINS = (20, 8, 8)
"""Of CIE L*, a*, b*, over what the surroundings show."""
_LEAST_RANGE = np.array([8.0, 4.0, 4.0])
"""Of what the bins cover: flat surroundings are not told apart by noise."""
_ROUNDS = 4
_COLOUR = 1.6
"""How much colour counts beside where the region was found."""
_MOST = 3.0
"""Log odds that a colour says at most."""
_WIDE = 0.2
"""How unsure the place of the border is, in the depth of the region."""
_SURE = 3.9
"""Log odds of what lies deep inside or far outside."""
_CLICK, _CLICKS = 2.0, 20.0
"""How far round a click its colour is taken, places, and how often it counts."""
_AROUND = 2.0
"""How far round the region colours are compared, in its depth."""
_ROOM = 6, 60
_LEAST = 20
"""A region of fewer places has no colours of its own."""


def settled(sheet: Sheet, said: list[Said], image: NDArray[Any]) -> Sheet:
    """Return a region whose border follows colour where colour tells inside from outside.

    Histograms inside and round the region say how much likelier each colour is inside; with how
    far each place lies from the border this gives a new region, and so on (alternating as in
    GrabCut: Rother, Kolmogorov and Blake 2004, SIGGRAPH; by histograms and without a cut).

    Parameters
    ----------
    sheet : Sheet
        What was found.
    said : list of Said
        All clicks, photo pixels; the region keeps them on their sides.
    image : ndarray, shape (H, W) or (H, W, 3)
    """
    from scipy.ndimage import gaussian_filter

    if np.count_nonzero(sheet.field > 0) < _LEAST:
        return sheet
    wide = _with_room(sheet)
    far = signed(wide.field > 0)
    deep = float(far.max())
    bins = _binned(_lab_on(wide, image))
    near = (far > -_AROUND * deep - 4).astype(np.float32)
    places = [Said((s.point - wide.start) / wide.step, s.inside, 0.0) for s in said]
    clicked = _clicked(places, near.shape)
    soft = cv2.GaussianBlur((far > 0).astype(np.float32), (0, 0), max(_WIDE * deep, 0.7))
    place = np.clip(logit(soft), -_SURE, _SURE)
    chance = np.clip((far > 0).astype(np.float32), 0.02, 0.98)
    for _ in range(_ROUNDS):
        shares = []
        for weight, side in ((chance, 0), (1 - chance, 1)):
            counted = (near * weight + _CLICKS * clicked[side]).ravel()
            seen = np.bincount(bins.ravel(), counted, int(np.prod(_BINS))).reshape(_BINS)
            seen = gaussian_filter(seen, (1, 0.7, 0.7), mode="nearest")
            shares.append(seen / seen.sum())
        says = np.log(shares[0] + 1e-4) - np.log(shares[1] + 1e-4)
        says = np.clip(says, -_MOST, _MOST).ravel().astype(np.float32)
        odds = cv2.GaussianBlur(place + np.float32(_COLOUR) * says[bins], (0, 0), 0.8)
        chance = (1 / (1 + np.exp(-odds))).astype(np.float32)
    # How sure the net was of the border counts as much as how sure colour is.
    both = 1 / (1 + np.exp(-(odds + logit(wide.chance)) / 2))
    field = field_of(chance, 0.5, places)
    return Sheet(wide.start, wide.step, np.asarray(both, np.float32), field)


def _with_room(sheet: Sheet) -> Sheet:
    """Return the part of a sheet round its region, as much wider as the region is deep."""
    deep = float(signed(sheet.field > 0).max())
    room = 2 * int(np.clip(deep, *_ROOM))
    rows, cols = np.nonzero(sheet.field > 0)
    low = np.array([rows.min(), cols.min()])
    part = np.s_[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1]
    padded = [np.pad(sheet.field, room, constant_values=-9.0), np.pad(sheet.chance, room)]
    own = tuple(slice(s.start, s.stop + 2 * room) for s in part)
    start = sheet.start + (low - room) * sheet.step
    return Sheet(start, sheet.step, padded[1][own], padded[0][own])


def _lab_on(sheet: Sheet, image: NDArray[Any]) -> Floats32:
    """Return the photo on a sheet's grid in CIE L*a*b*, a little blurred."""
    shape, step = sheet.field.shape, sheet.step
    last = np.array(image.shape[:2]) - 1
    end = sheet.start + (np.array(shape) - 1) * step
    low = np.clip(np.floor(sheet.start - step - 1), 0, last).astype(int)
    high = np.clip(np.ceil(end + step + 2), low + 1, last + 1).astype(int)
    part = np.ascontiguousarray(image[low[0] : high[0], low[1] : high[1]])
    if step >= 2:
        part = cv2.blur(part, (int(step), int(step)))
    row, col = sheet.start - low
    seen = cv2.warpAffine(
        part, np.array([[step, 0, col], [0, step, row]]), shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    unit = as_unit(np.repeat(seen[..., None], 3, axis=2) if seen.ndim == 2 else seen)
    return np.asarray(cv2.GaussianBlur(cv2.cvtColor(unit, cv2.COLOR_RGB2LAB), (0, 0), 1.0))


def _binned(lab: Floats32) -> NDArray[np.intp]:
    """Return the number of each place's colour."""
    low, high = np.percentile(lab.reshape(-1, 3), [1, 99], axis=0)
    share = (lab - low) / np.maximum(high - low, _LEAST_RANGE) * _BINS
    at = np.clip(share, 0, np.array(_BINS) - 1).astype(np.intp)
    return np.asarray((at[..., 0] * _BINS[1] + at[..., 1]) * _BINS[2] + at[..., 2])


def _clicked(places: list[Said], shape: tuple[int, ...]) -> tuple[Floats, Floats]:
    """Return how near each place is to clicks inside, and to clicks outside."""
    rows, cols = np.arange(shape[0]), np.arange(shape[1])
    out = np.zeros(shape), np.zeros(shape)
    for click in places:
        apart = np.square(rows - click.point[0])[:, None] + np.square(cols - click.point[1])[None]
        side = out[0 if click.inside else 1]
        np.maximum(side, np.exp(-apart / (2 * _CLICK**2)), out=side)
    return out
