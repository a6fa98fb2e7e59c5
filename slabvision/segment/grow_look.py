"""What the net that grows a region looks at: a window of the photo, clicks, the region so far."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_cells import in_cells
from slabvision.segment.window import Floats, Floats32, Mask, as_unit

__all__ = ["INPUTS", "SIDE", "Said", "Window", "cells_of", "depth_at", "signed"]

SIDE = 96
"""Places on a side of the window, whatever its size in the photo."""
_CELL = 2
_TOLD_KINDS = {"sound_knot": 0, "loose_knot": 0, "bark_inclusion": 1, "rot": 2}
"""Kinds the net is told, where they are said, and which number each is told by."""
INPUTS = 29
"""Numbers told about each cell of 2 x 2 places; see :func:`cells_of`."""
_NEAR = 1.0
"""How far a click itself is seen, cells."""
_SOFT = 4.0
"""A place so far from the border counts as well inside or outside, places."""
_LEAST_SPREAD = np.array([4.0, 3.0, 3.0], np.float32)
"""CIE L*, a*, b*: a window flatter than this is shown flat."""
_RAGGED = 0.5
"""How much a place's unrest counts beside its colour, in spreads of the window's lightness."""
_FAR = 3.0
"""Colours so many spreads apart are as unlike as any."""
_BINS = (12, 6, 6)
_BINS_FROM, _BINS_TO = -3.0, 3.0
"""Histograms of the region before and of what lies round it, in spreads from the window's mean."""


class Said(NamedTuple):
    """A click (row, col), what it says, and how far it lay from the border then shown (0: none)."""

    point: Floats
    inside: bool
    depth: float


class Window(NamedTuple):
    """A square of the photo: its middle (row, col) and its side, pixels."""

    middle: Floats
    side: float

    @property
    def step(self) -> float:
        """Pixels of the photo per place."""
        return self.side / SIDE

    def places(self, points: Floats) -> Floats:
        """Return where points (row, col) of the photo lie in the window, places."""
        return np.asarray((points - self.middle) / self.step + (SIDE - 1) / 2)

    def heard(self, said: list[Said]) -> list[Said]:
        """Return clicks in places."""
        return [Said(self.places(s.point), s.inside, s.depth / self.step) for s in said]

    def seen_in(self, image: NDArray[Any]) -> NDArray[Any]:
        """Return the photo in the window, shape (SIDE, SIDE, 3); beyond its frame it goes on."""
        shape, half = np.array(image.shape[:2]), self.side / 2 + self.step + 1
        shrink = max(1, int(self.step))
        low = np.clip(np.floor(self.middle - half), 0, shape - 1).astype(int)
        high = np.clip(np.ceil(self.middle + half) + shrink, low + 1, shape).astype(int)
        part = image[low[0] : high[0], low[1] : high[1]]
        size = np.maximum((high - low) // shrink, 1)
        if shrink > 1:
            part = part[: size[0] * shrink, : size[1] * shrink]
            part = cv2.resize(part, (int(size[1]), int(size[0])), interpolation=cv2.INTER_AREA)
        scale = self.step / shrink
        row, col = (self.middle - low + 0.5) / shrink - 0.5 - scale * (SIDE - 1) / 2
        seen = cv2.warpAffine(
            np.ascontiguousarray(part), np.array([[scale, 0, col], [0, scale, row]]), (SIDE, SIDE),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        return np.repeat(seen[..., None], 3, axis=2) if seen.ndim == 2 else np.asarray(seen)

    def known_in(self, shape: tuple[int, ...]) -> Mask:
        """Return which places lie in a photo of this shape."""
        off = (np.arange(SIDE) - (SIDE - 1) / 2) * self.step
        rows, cols = self.middle[0] + off, self.middle[1] + off
        down = (rows > -0.5) & (rows < shape[0] - 0.5)
        return np.asarray(down[:, None] & ((cols > -0.5) & (cols < shape[1] - 0.5)))

    def moved(self, field: Floats32, new: Window) -> Floats32:
        """Return a field of this window in another one; far below 0 where it was not."""
        scale = new.step / self.step
        row, col = self.places(new.middle) - scale * (SIDE - 1) / 2
        return np.asarray(cv2.warpAffine(
            field, np.array([[scale, 0, col], [0, scale, row]]), (SIDE, SIDE),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_CONSTANT,
            borderValue=-9.0,
        ))  # fmt: skip


def signed(mask: Mask) -> Floats32:
    """Return the distance to a region's border, places, above 0 inside."""
    inner = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    outer = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(np.minimum(inner, 2 * SIDE) - np.minimum(outer, 2 * SIDE))


def depth_at(region: Mask, place: Floats) -> float:
    """Return how far a place lies from a region's border, places."""
    row, col = np.clip(np.rint(place), 0, SIDE - 1).astype(int)
    return float(abs(signed(region)[row, col]))


def cells_of(
    seen: NDArray[Any], known: Mask, before: Mask | None, said: list[Said], kind: str | None = None
) -> Floats32:
    """Return what the net looks at, shape (SIDE / 2, SIDE / 2, INPUTS).

    Every place's colour against the window's mean in units of its spread; the distance to the
    border shown before, and whether one was; the clicks inside and outside, each as a spot and as
    a hill as wide as the error it lay in was deep; the latest click; where the photo is. How
    unlike each place's colour and unrest are to those clicked inside and to those clicked outside,
    and what its colour says after those inside and outside of the region before: a net of few
    layers cannot compare what lies far apart by itself. And which kind it is, where that is said.
    Clicks and the mask before as inputs: Sofiiuk, Petrov and Konushin 2022, ICIP, "Reviving
    iterative training with mask guidance for interactive segmentation".
    """
    lab = np.asarray(cv2.cvtColor(as_unit(seen), cv2.COLOR_RGB2LAB))
    there = known.astype(np.uint8) if known.any() else None
    mean, spread = (each[:, 0].astype(np.float32) for each in cv2.meanStdDev(lab, mask=there))
    lab = (lab - mean) / (spread + _LEAST_SPREAD)
    line = np.zeros((SIDE, SIDE, 1), np.float32)
    if before is not None:
        line[..., 0] = np.tanh(signed(before) / _SOFT)
    half = SIDE // _CELL
    told = np.zeros((half, half, 7), np.float32)
    told[..., 0] = known[::_CELL, ::_CELL]
    told[..., 1] = before is not None
    at = np.arange(half)
    for k, click in enumerate(said):
        row, col = (click.point + 0.5) / _CELL - 0.5
        apart = np.square(at - row)[:, None] + np.square(at - col)[None]
        wide = max(click.depth / _CELL, _NEAR)
        plane = 2 if click.inside else 4
        for p, sigma in ((plane, _NEAR), (plane + 1, wide)):
            spot = np.exp(-apart / (2 * sigma**2)) if sigma < 3 * half else np.ones_like(apart)
            np.maximum(told[..., p], spot, out=told[..., p])
        if k == len(said) - 1:
            told[..., 6] = np.exp(-apart / (2 * (2 * _NEAR) ** 2)) * (1 if click.inside else -1)
    like = _alike(lab, known, before, said)
    what = np.zeros((half, half, len(set(_TOLD_KINDS.values()))), np.float32)
    if kind in _TOLD_KINDS:
        what[..., _TOLD_KINDS[kind]] = 1
    parts = in_cells(lab, _CELL, _CELL), in_cells(line, _CELL, _CELL), told, like, what
    return np.concatenate(parts, axis=2)


def _alike(lab: Floats32, known: Mask, before: Mask | None, said: list[Said]) -> Floats32:
    """Return what each cell's colour says, shape (SIDE / 2, SIDE / 2, 3)."""
    half = SIDE // _CELL
    mean = cv2.resize(lab, (half, half), interpolation=cv2.INTER_AREA)
    light = mean[..., 0]
    unrest = cv2.GaussianBlur(np.square(light - cv2.GaussianBlur(light, (0, 0), 1.5)), (0, 0), 1.5)
    soft = cv2.GaussianBlur(mean, (0, 0), 0.8)
    look = np.dstack([soft, np.sqrt(unrest) / np.float32(_RAGGED)])
    out = np.zeros((half, half, 3), np.float32)
    out[..., :2] = 1
    for click in said:
        row, col = np.rint((click.point + 0.5) / _CELL - 0.5).astype(int)
        if 0 <= row < half and 0 <= col < half:
            plane = out[..., 0 if click.inside else 1]
            apart = np.sqrt(np.square(look - look[row, col]).sum(axis=2)) / np.float32(_FAR)
            np.minimum(plane, apart, out=plane)
    if before is not None:
        there = known[::_CELL, ::_CELL]
        out[..., 2] = _by_histograms(mean, before[::_CELL, ::_CELL] & there, there)
    return out


def _by_histograms(mean: Floats32, region: Mask, there: Mask) -> Floats32:
    """Return from -1 to 1 how much likelier each colour is in the region than round it."""
    bins = np.array(_BINS)
    share = (mean - _BINS_FROM) / (_BINS_TO - _BINS_FROM) * bins
    at = np.clip(share, 0, bins - 1).astype(np.intp)
    flat = np.ravel_multi_index(tuple(np.moveaxis(at, 2, 0)), _BINS)
    logs = []
    for where in (region, there & ~region):
        seen = np.bincount(flat[where], minlength=int(bins.prod())).astype(np.float32)
        # Along lightness only: light varies over a region, hue does not.
        rows = cv2.GaussianBlur(seen.reshape(_BINS[0], -1), (1, 5), sigmaX=0.1, sigmaY=0.8)
        logs.append(np.log(rows.ravel() / max(float(rows.sum()), 1.0) + np.float32(1e-3)))
    return np.asarray(np.tanh((logs[0] - logs[1]) / 3)[flat], np.float32)
