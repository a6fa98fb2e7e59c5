"""Which ellipse a region may be, given the chance of each place and what later clicks say."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.ellipses import ANGLES, bank, borders, jittered, losses, within
from slabvision.segment.grow_look import SIDE, Said, Window
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["Heard", "Oval", "heard_from", "oval_of"]

_LOG_STEP = 0.05
_SIZE_SHIFT = 4
"""Steps of radius between neighbouring sizes."""
_INNER_PX, _OUTER_SHARE = 2.0, 0.75
_RAYS = 6
"""Every so many directions are looked along."""
_LIKELY, _NEAR, _KEPT = 250, 100, 250
"""Ellipses looked at closely, how many more near the likeliest, and how many count at the end."""
_SURE = 0.08
"""Difference of the expected overlap that makes an ellipse 2.7 times as likely."""
_MORE_SPREAD, _LESS_SPREAD = 0.3, 0.5
"""Spread of the log ratio of the true border's distance from a click and the shown one's."""
_WRONG_SIDE, _STAY = 4.0, 8.0
"""What it costs to leave a click on the wrong side, and to move the border elsewhere as far."""
_PLACE = 0.2
"""An error less deep than this share of the region's radius is about a place, not the whole."""


class Heard(NamedTuple):
    """A click that was on the wrong side, and what it says.

    Attributes
    ----------
    point : ndarray, shape (2,)
        (row, col) from the first click, pixels.
    inside : bool
    depth : float
        How far it lay on the wrong side of the border shown, pixels; above 0.
    weight : float
        How much of it is about the region as a whole, 0 to 1.
    before : ndarray, shape (ANGLES,)
        Log radius (pixels) of the border it corrects, from the first click.
    """

    point: Floats
    inside: bool
    depth: float
    weight: float
    before: Floats


def heard_from(first: Floats, said: Said, region: Mask, window: Window) -> Heard:
    """Return what a click says about a region that was shown."""
    radius = float(np.sqrt(np.count_nonzero(region) / np.pi)) * window.step
    depth = max(said.depth, 1.0)
    weight = min(1.0, depth / (_PLACE * max(radius, 1.0)))
    return Heard(said.point - first, said.inside, depth, weight, _border(first, region, window))


def _border(first: Floats, region: Mask, window: Window) -> Floats:
    """Log radius per direction to the farthest place of a region, as seen from a click."""
    radii = np.arange(0.5, SIDE * 1.4, 0.5)
    seen = _polar(region.astype(np.float32), window.places(first), radii) > 0.5
    far = np.where(seen.any(axis=1), radii[seen.shape[1] - 1 - seen[:, ::-1].argmax(axis=1)], 1.0)
    return np.asarray(np.log(far * window.step))


def _polar(field: Floats32, middle: Floats, radii: Floats) -> Floats32:
    angle = np.arange(ANGLES)[:, None] * (2 * np.pi / ANGLES)
    x = (middle[1] + radii * np.cos(angle)).astype(np.float32)
    y = (middle[0] + radii * np.sin(angle)).astype(np.float32)
    return np.asarray(
        cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    )


class Oval(NamedTuple):
    """Borders that hold a region with 50, 16 and 84 % probability: log radius per direction."""

    border: Floats
    low: Floats
    high: Floats

    @property
    def area_u_px(self) -> float:
        """Half the area between the outer two, pixels."""
        ring = np.exp(2 * self.high) - np.exp(2 * self.low)
        return float(ring.mean() * np.pi / 2)

    def drawn(self, first: Floats, window: Window) -> Mask:
        """Return which places of a window lie within the border round the first click."""
        angle = np.arange(ANGLES) * (2 * np.pi / ANGLES)
        radius = np.exp(self.border)
        corners = first + np.column_stack([radius * np.sin(angle), radius * np.cos(angle)])
        canvas = np.zeros((SIDE, SIDE), np.uint8)
        places = np.clip(window.places(corners)[:, ::-1], -4 * SIDE, 5 * SIDE)
        cv2.fillPoly(canvas, [np.rint(places * 16).astype(np.int32)], 1, shift=4)
        return np.asarray(canvas > 0)


class _Sums(NamedTuple):
    """Sums outwards along some directions of chance and of area."""

    log_r: Floats
    both: Floats
    area: Floats

    def overlap(self, border: Floats) -> Floats:
        """Return the overlap to be expected of borders, log radii of shape (N, rays)."""
        at = np.rint((border - self.log_r[0]) / _LOG_STEP).astype(np.intp)
        at = np.clip(at, 0, self.log_r.size - 1)
        ray = np.arange(self.both.shape[0])
        both = self.both[ray, at].sum(axis=1)
        found = self.area[at].sum(axis=1)
        return np.asarray(both / np.maximum(found + self.both[:, -1].sum() - both, 1e-6))


def _sums(chance: Floats32, first: Floats, window: Window) -> _Sums:
    outer = max(_OUTER_SHARE * window.side, 4 * _INNER_PX)
    count = int(np.log(outer / _INNER_PX) / _LOG_STEP) + 1
    radii = _INNER_PX * np.exp(_LOG_STEP * np.arange(count))
    seen = _polar(chance, window.places(first), radii / window.step)[::_RAYS].astype(np.float64)
    area = radii**2
    return _Sums(np.log(radii), np.cumsum(seen * area, axis=1), np.cumsum(area))


def _on_border(depth: Floats, said: Heard) -> Floats:
    """Log likelihood of a click that lies ``depth`` pixels inside a region.

    The deepest point of an error is as far from the border that was shown as from the true one,
    or nearer to the true one where that lies on two sides of it.
    """
    right = depth if said.inside else -depth
    off = np.log(np.maximum(right, 0.15 * said.depth) / said.depth)
    spread = np.where(off > 0, _MORE_SPREAD, _LESS_SPREAD)
    seen = np.maximum(-0.5 * np.square(off / spread), -8.0)
    wrong = -8.0 - _WRONG_SIDE * np.minimum(-right / said.depth, 5.0)
    return np.asarray(said.weight * np.where(right > 0, seen, wrong))


def _elsewhere(border: Floats, said: Heard) -> Floats:
    """Log likelihood of a border: elsewhere the error was smaller than where it was clicked at."""
    thick = np.abs(np.exp(border) - np.exp(said.before)) / (2 * said.depth)
    return np.asarray(-_STAY * said.weight * np.clip(thick - 1.5, 0, 3).mean(axis=1))


@lru_cache(maxsize=1)
def _bank_borders() -> Floats:
    return borders(bank())


def _shares(log_chance: Floats) -> Floats:
    chance = np.exp(log_chance - log_chance.max())
    return np.asarray(chance / chance.sum())


def oval_of(chance: Floats32, first: Floats, window: Window, heard: list[Heard]) -> Oval:
    """Return where the border runs if the region is one of the likely ellipses.

    Parameters
    ----------
    chance : ndarray, shape (SIDE, SIDE)
        How likely each place is in the region, by the picture.
    first : ndarray, shape (2,)
        The first click, (row, col).
    window : Window
    heard : list of Heard
        All clicks that corrected something.
    """
    sums = _sums(chance, first, window)
    sizes = sums.log_r[4::_SIZE_SHIFT]
    lines = _bank_borders()[:, ::_RAYS]
    score = np.stack([sums.overlap(lines + size) for size in sizes], axis=1) / _SURE
    score -= losses(bank())[:, None]
    for said in heard:
        score += _on_border(within(bank(), sizes[None], said.point), said)
    top = np.argpartition(score.ravel(), -_LIKELY)[-_LIKELY:]
    which, size = np.unravel_index(top, score.shape)
    shapes, log_sizes = bank()[which], sizes[size]
    border = _bank_borders()[which] + log_sizes[:, None]

    def judged(shapes: Floats, log_sizes: Floats, border: Floats) -> Floats:
        total = sums.overlap(border[:, ::_RAYS]) / _SURE - losses(shapes)
        for said in heard:
            depth = within(shapes, log_sizes[:, None], said.point)[:, 0]
            total = total + _on_border(depth, said) + _elsewhere(border, said)
        return np.asarray(total)

    log_chance = judged(shapes, log_sizes, border)
    rng = np.random.default_rng(0)
    for width in (1.0, 0.5):
        even = (np.arange(_NEAR) + 0.5) / _NEAR
        pick = np.searchsorted(np.cumsum(_shares(log_chance)), even)
        pick = np.minimum(pick, log_chance.size - 1)
        more, more_sizes = jittered(shapes[pick], log_sizes[pick], width, rng)
        near = borders(more) + more_sizes[:, None]
        log_chance = np.append(log_chance, judged(more, more_sizes, near))
        shapes, log_sizes = np.concatenate([shapes, more]), np.append(log_sizes, more_sizes)
        border = np.concatenate([border, near])
    kept = np.argsort(-log_chance, kind="stable")[:_KEPT]
    border, weight = border[kept], _shares(log_chance[kept])
    order = np.argsort(border, axis=0)
    share = np.cumsum(weight[order], axis=0)
    middle, low, high = (
        np.take_along_axis(
            border, np.take_along_axis(order, (share < p).sum(axis=0)[None], axis=0), axis=0
        )[0]
        for p in (0.5, 0.16, 0.84)
    )
    return Oval(middle, low, high)
