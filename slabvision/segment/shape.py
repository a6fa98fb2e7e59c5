"""Which ellipse fits a picture round a click, and what later clicks say about it."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.ellipses import bank, borders, jittered, losses, within
from slabvision.segment.network import Weights, answers, stored
from slabvision.segment.polar import ANGLES, LOG_STEP, Frame
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["Correction", "Ellipses", "Likely", "Some"]

_SMALLEST_PX = 3.0
_SIZE_SHIFT = 3
"""Steps of the log-polar picture between neighbouring sizes."""
_USUAL_LOG_PX = 4.0
_MATTER_SHARE = 0.5
_LIKELY = 250
"""Ellipses that are looked at closely, and how many more near the likeliest of them."""
_NEAR = 100
_KEPT = 250
_RING = 8
"""Width of the rings just inside and outside a shape, steps of the log-polar picture."""
_SURE = 0.08
"""Difference of the overlap told by the network that makes an ellipse 2.7 times as likely."""
_MORE_SPREAD, _LESS_SPREAD = 0.3, 0.5
"""Spread of the log ratio of the true border's distance from a click and the shown one's."""
_WRONG_SIDE, _STAY = 4.0, 8.0
"""What it costs to leave a click on the wrong side, and to move the border elsewhere as far."""


class Correction(NamedTuple):
    """A later click and what it says.

    Attributes
    ----------
    point : ndarray, shape (2,)
        (row, col) from the first click, pixels.
    inside : bool
    depth : float
        How far it lay on the wrong side of the border, pixels; above 0.
    weight : float
        How much of it is about the region as a whole, 0 to 1; the rest is about a place.
    before : ndarray, shape (ANGLES,)
        Log radius (pixels) of the border it corrects.
    """

    point: Floats
    inside: bool
    depth: float
    weight: float
    before: Floats


class Some(NamedTuple):
    """Ellipses under a close look: shapes as in the bank, log sizes, rough scores, borders."""

    shapes: Floats
    log_sizes: Floats
    rough: Floats
    border: Floats


class Likely(NamedTuple):
    """Ellipses and how likely each is.

    Attributes
    ----------
    border : ndarray, shape (N, ANGLES)
        Log radius, pixels.
    chance : ndarray, shape (N,)
        Sums to 1.
    """

    border: Floats
    chance: Floats


def _on_border(depth: Floats, said: Correction) -> Floats:
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


def _elsewhere(border: Floats, said: Correction) -> Floats:
    """Log likelihood of a border: elsewhere the error was smaller than where it was clicked at."""
    thick = np.abs(np.exp(border) - np.exp(said.before)) / (2 * said.depth)
    return np.asarray(-_STAY * said.weight * np.clip(thick - 1.5, 0, 3).mean(axis=1))


class Ellipses:
    """Tens of thousands of ellipses round a click, and how well each fits the picture.

    Best is: another colour, mostly darker, inside than outside all along the border at several
    widths, and as a whole; not large without reason; and in accord with corrections. In a
    log-polar picture an ellipse of any size is the same line moved sideways.

    Parameters
    ----------
    seen : ndarray, shape (ANGLES, R, 3)
        The log-polar picture, CIE L*a*b*.
    known : ndarray of bool, shape (ANGLES, R)
        Where it shows the photo and not what was made up beyond its frame.
    matter : ndarray, shape (ANGLES, R, 2)
        What is no clean wood, and what is like the click; 0 to 1.
    frame : Frame
        Where it was seen from.
    weights : dict, optional
        Of the network that says how good an ellipse is.
    """

    def __init__(
        self,
        seen: Floats32,
        known: Mask,
        matter: Floats32,
        frame: Frame,
        weights: Weights | None = None,
    ) -> None:
        self.weights = stored("ellipse") if weights is None else weights
        self.seen = seen
        self.log_r = np.log(frame.radii)
        self.gain = _edge_gain(seen)
        shifts = _SIZE_SHIFT * np.arange(
            int(np.log(_SMALLEST_PX / frame.inner) / LOG_STEP) // _SIZE_SHIFT,
            (self.log_r.size - 7) // _SIZE_SHIFT,
        )
        self.sizes = self.log_r[0] + LOG_STEP * shifts
        end = _fall(matter)
        edge = _edges_along(self.gain + _MATTER_SHARE * end, shifts)
        large = np.square(np.maximum(self.sizes - _USUAL_LOG_PX, 0))
        self.rough = edge - losses(bank())[:, None] - 0.02 * large
        self._sums = _sums(seen, matter, known, frame)
        self.said: list[Correction] = []
        self.accord = 0.0
        """Log likelihood of all corrections under the likeliest ellipse."""
        self._accord_of_bank = np.zeros(self.rough.shape)
        self._told_of_bank = np.full(self.rough.size, np.nan)

    def likely(self) -> Likely:
        """Return the likeliest ellipses, given the picture and all corrections."""
        top = self._top()
        some = self.of_bank(top)
        new = np.isnan(self._told_of_bank[top])
        if new.any():
            self._told_of_bank[top[new]] = self._told(Some(*(part[new] for part in some)))
        agreed = self._agreed(some)
        log_chance = self._told_of_bank[top] + agreed
        rng = np.random.default_rng(0)
        for width in (1.0, 0.5):
            even = (np.arange(_NEAR) + 0.5) / _NEAR
            pick = np.searchsorted(np.cumsum(_shares(log_chance)), even)
            pick = np.minimum(pick, log_chance.size - 1)
            shapes, log_sizes = jittered(some.shapes[pick], some.log_sizes[pick], width, rng)
            border = borders(shapes) + log_sizes[:, None]
            near = Some(shapes, log_sizes, some.rough[pick], border)
            near_agreed = self._agreed(near)
            some = Some(*(np.concatenate(pair) for pair in zip(some, near, strict=True)))
            agreed = np.append(agreed, near_agreed)
            log_chance = np.append(log_chance, self._told(near) + near_agreed)
        self.accord = float(agreed[log_chance.argmax()])
        kept = np.argsort(-log_chance, kind="stable")[:_KEPT]
        return Likely(some.border[kept], _shares(log_chance[kept]))

    def hear(self, said: Correction) -> None:
        """Take a correction into account."""
        self.said.append(said)
        self._accord_of_bank += _on_border(within(bank(), self.sizes[None], said.point), said)

    def _top(self) -> NDArray[np.intp]:
        """Which of the bank, at which size, deserve a close look."""
        flat = (self.rough / _SURE + self._accord_of_bank).ravel()
        return np.asarray(np.argpartition(flat, -_LIKELY)[-_LIKELY:])

    def of_bank(self, flat: NDArray[np.intp]) -> Some:
        """Ellipses of the bank by their place in :attr:`rough`, flat."""
        which, size = np.unravel_index(flat, self.rough.shape)
        log_sizes = self.sizes[size]
        border = _bank_borders()[which] + log_sizes[:, None]
        return Some(bank()[which], log_sizes, self.rough[which, size].astype(np.float64), border)

    def _agreed(self, some: Some) -> Floats:
        """Log likelihood of all corrections."""
        total = np.zeros(len(some.shapes))
        for said in self.said:
            depth = within(some.shapes, some.log_sizes[:, None], said.point)[:, 0]
            total += _on_border(depth, said) + _elsewhere(some.border, said)
        return total

    def _told(self, some: Some) -> Floats:
        """Log chance of ellipses by the picture alone."""
        told = answers(self.features(some), self.weights)[:, 0]
        return np.asarray(told / _SURE, dtype=np.float64)

    def features(self, some: Some) -> Floats32:
        """Return what speaks for ellipses, shape (N, F)."""
        own = np.column_stack([some.log_sizes, losses(some.shapes), some.rough])
        return np.column_stack([own, self._describe(some.border)]).astype(np.float32)

    def _describe(self, line: Floats) -> Floats:
        """Edge all round; colour inside, just inside, and in the ring outside; spreads."""
        last = self.log_r.size - 1
        rays = np.arange(0, ANGLES, 2)
        spot = np.arange(rays.size)
        at = np.clip(np.rint((line[:, rays] - self.log_r[0]) / LOG_STEP), 0, last).astype(np.intp)
        places = (np.maximum(at - _RING, 0), at, np.minimum(at + _RING, last))
        core, whole, wide = (self._sums[:, spot, place].sum(axis=2) for place in places)
        parts = core, whole - core, wide - whole
        weight = [np.maximum(part[0], 1e-6) for part in parts]
        mean = [part[1:4] / w for part, w in zip(parts, weight, strict=True)]
        spread = [
            np.sqrt(np.maximum(part[4] / w - m[0] ** 2, 0))
            for part, w, m in zip(parts, weight, mean, strict=True)
        ]
        inner = whole[1:4] / np.maximum(whole[0], 1e-6)
        matter = np.concatenate([part[7:9] / w for part, w in zip(parts, weight, strict=True)])
        contrast = (mean[2][0] - inner[0]) / np.sqrt(9 + 0.5 * (spread[0] ** 2 + spread[2] ** 2))
        edge = np.sort(self.gain[rays][spot, at], axis=1)
        quarters = edge[:, [4, 12, 24, 36]]
        around = np.median(self.seen[..., 0])
        return np.column_stack([
            edge.mean(axis=1), quarters, np.tanh(contrast / 2), (mean[2] - inner).T / 10,
            (mean[1] - mean[0]).T / 10, np.column_stack(spread) / 10, (mean[2][0] - around) / 10,
            (inner[0] - around) / 10, np.mean(at >= last - 3, axis=1), whole[5] / whole[6],
            matter.T,
        ])  # fmt: skip


@lru_cache(maxsize=1)
def _bank_borders() -> Floats:
    return borders(bank())


def _shares(log_chance: Floats) -> Floats:
    chance = np.exp(log_chance - log_chance.max())
    return np.asarray(chance / chance.sum())


def _sums(seen: Floats32, matter: Floats32, known: Mask, frame: Frame) -> Floats:
    """Return sums along each second ray outwards: area known, colours, squares, area, matter."""
    rays = seen[::2].astype(np.float64)
    area = np.broadcast_to(frame.radii**2, rays.shape[:2])
    real = area * known[::2]
    light, red, yellow = np.moveaxis(rays, -1, 0)
    defect, like = np.moveaxis(matter[::2], -1, 0)
    planes = (real, real * light, real * red, real * yellow, real * light**2, real, area,
              real * defect, real * like)  # fmt: skip
    return np.cumsum(np.stack(planes), axis=2)


def _edges_along(gain: Floats32, shifts: NDArray[np.int_]) -> Floats32:
    """Mean gain along each ellipse at each size, shape (ellipses, sizes)."""
    lines = _bank_borders()
    rays = np.arange(0, ANGLES, 4)
    place = np.rint(lines[:, rays] / LOG_STEP).astype(np.int64)
    before, after = max(0, -int(place.min() + shifts[0])), int(place.max()) + 8
    # Beyond the picture, and nearer to the click than it resolves, nothing is gained.
    padded = np.zeros((rays.size, before + gain.shape[1] + after), dtype=np.float32)
    padded[:, before + 4 : before + gain.shape[1] - 3] = gain[rays, 4:-3]
    flat = padded.ravel()
    at = place + before + np.arange(rays.size) * padded.shape[1]
    return np.stack([flat[at + shift].mean(axis=1) for shift in shifts], axis=1)


def _fall(matter: Floats32) -> Floats32:
    """How much less outwards is like the click or a defect at all; 0 to 1."""
    angles, radii, _ = matter.shape
    total = np.zeros((angles, radii + 1), dtype=np.float32)
    np.cumsum(matter.mean(axis=2), axis=1, out=total[:, 1:])
    index = np.arange(radii)
    low, high = np.maximum(index - 4, 0), np.minimum(index + 4, radii)
    inner = (total[:, index] - total[:, low]) / np.maximum(index - low, 1)
    outer = (total[:, high] - total[:, index]) / np.maximum(high - index, 1)
    return np.clip(inner - outer, 0, 1).astype(np.float32)


def _edge_gain(seen: Floats32) -> Floats32:
    """How much the colour changes outwards at each place, dark to bright first; 0 to 1."""
    angles, radii, _ = seen.shape
    total = np.zeros((angles, radii + 1, 3), dtype=np.float32)
    np.cumsum(seen, axis=1, out=total[:, 1:])
    index = np.arange(radii)
    gain = np.zeros((angles, radii), dtype=np.float32)
    for k in (2, 4, 8):
        low, high = np.maximum(index - k, 0), np.minimum(index + k, radii)
        inner = (total[:, index] - total[:, low]) / np.maximum(index - low, 1)[:, None].astype(
            np.float32
        )
        outer = (total[:, high] - total[:, index]) / np.maximum(high - index, 1)[:, None].astype(
            np.float32
        )
        change = (outer - inner) * (index > 1)[:, None]
        strength = np.sqrt(np.square(change).sum(axis=2))
        strength = strength * np.where(change[..., 0] > 0, 1.0, 0.35)
        gain += strength / (strength + 10.0) / 3
    return gain
