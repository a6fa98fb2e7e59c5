"""The rough shape round a first click: the best ellipse, then bent by what later clicks say."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.network import Weights, answers, stored
from slabvision.segment.polar import ANGLES, LOG_STEP, Frame
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["Ellipses", "Passes", "bend"]

_SMALLEST_PX = 3.0
_SIZE_SHIFT = 3
"""Steps of the log-polar picture between neighbouring sizes."""
_ASPECTS = (1.0, 1.5, 2.2, 3.2, 5.0, 8.0)
_TURNS = 12
_OFFSETS = (0.3, 0.6)
_USUAL_LOG_PX = 4.0
_ACCORD = 0.06
_MATTER_SHARE = 0.5
_LIKELY = 400
"""Ellipses that are looked at closely."""
_RING = 8
"""Width of the rings just inside and outside a shape, steps of the log-polar picture."""


@lru_cache(maxsize=1)
def _ellipses() -> tuple[Floats32, Floats32]:
    """Log radius per angle of ellipses of area pi seen from points in them, and their loss.

    The first click is usually near the middle and most defects are not very long: both cost.
    """
    angle = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    ray = np.column_stack([np.sin(angle), np.cos(angle)])
    lines, losses = [], []
    for aspect in _ASPECTS:
        for turn in range(_TURNS) if aspect > 1 else (0,):
            t = turn * np.pi / _TURNS
            rotation = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
            to_circle = np.linalg.inv(rotation @ np.diag([aspect**0.5, aspect**-0.5]))
            v = ray @ to_circle.T
            square = (v**2).sum(axis=1)
            spots = [(0.0, 0.0)]
            for share in _OFFSETS:
                spots += [
                    (share * np.sin(k * np.pi / 4), share * np.cos(k * np.pi / 4)) for k in range(8)
                ]
            for spot in spots:
                o = np.array(spot)
                along = v @ o
                radius = (-along + np.sqrt(along**2 - square * (o @ o - 1))) / square
                lines.append(np.log(radius))
                losses.append(0.1 * (o @ o) + 0.06 * np.log(aspect) ** 2)
    return np.array(lines, dtype=np.float32), np.array(losses, dtype=np.float32)


class Passes(NamedTuple):
    """What corrections say about the border: it passes here.

    Attributes
    ----------
    angle : ndarray of int, shape (K,)
        Direction from the first click, steps of direction.
    border : ndarray, shape (K,)
        Log radius (pixels) of the border there.
    spread : ndarray, shape (K,)
        Its standard uncertainty.
    click : ndarray, shape (K,)
        Log radius of the click itself.
    inside : ndarray of bool, shape (K,)
        Whether the click must lie inside.
    """

    angle: NDArray[np.intp]
    border: Floats
    spread: Floats
    click: Floats
    inside: Mask


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
        _, losses = _ellipses()
        shifts = _SIZE_SHIFT * np.arange(
            int(np.log(_SMALLEST_PX / frame.inner) / LOG_STEP) // _SIZE_SHIFT,
            (self.log_r.size - 7) // _SIZE_SHIFT,
        )
        self.sizes = self.log_r[0] + LOG_STEP * shifts
        end = _fall(matter)
        edge = _edges_along(self.gain + _MATTER_SHARE * end, shifts)
        large = np.square(np.maximum(self.sizes - _USUAL_LOG_PX, 0))
        self.rough = edge - losses[:, None] - 0.02 * large
        self._sums = _sums(seen, matter, known, frame)

    def best(self, passes: Passes | None = None) -> Floats:
        """Return the log radius (pixels) per angle of the best ellipse."""
        line, features, accord = self.likely(passes)
        score = answers(features, self.weights)[:, 0] + accord
        return np.asarray(line[int(score.argmax())])

    def likely(self, passes: Passes | None = None) -> tuple[Floats, Floats32, Floats]:
        """Return the likeliest ellipses, what speaks for each, and their accord with corrections.

        Returns
        -------
        line : ndarray, shape (N, ANGLES)
            Log radius, pixels.
        features : ndarray, shape (N, F)
        accord : ndarray, shape (N,)
        """
        lines, losses = _ellipses()
        accord = np.zeros_like(self.rough) if passes is None else self._accord(lines, passes)
        flat = (self.rough + accord).ravel()
        likely = np.argpartition(flat, -_LIKELY)[-_LIKELY:]
        which, size = np.unravel_index(likely, self.rough.shape)
        line = lines[which].astype(np.float64) + self.sizes[size][:, None]
        own = np.column_stack([self.sizes[size], losses[which], self.rough[which, size]])
        return (
            line,
            np.column_stack([own, self._describe(line)]).astype(np.float32),
            accord[which, size],
        )

    def _accord(self, lines: Floats32, passes: Passes) -> Floats:
        """Loss where an ellipse passes elsewhere than corrections say; worse on a wrong side."""
        total = np.zeros_like(self.rough)
        for angle, border, spread, click, inside in zip(*passes, strict=True):
            radius = lines[:, angle, None] + self.sizes
            total -= _ACCORD * np.minimum(np.square((radius - border) / spread), 9.0)
            total -= 0.5 * ((radius > click) != inside)
        return np.asarray(total)

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
    lines, _ = _ellipses()
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


_MODES = (0.25, 0.15, 0.15, 0.08, 0.06)
"""Standard deviation of log radius as a whole, by place, by length, by corners ..."""
_LOCAL, _LOCAL_REACH = 0.1, 0.4


@lru_cache(maxsize=1)
def _covariance() -> Floats:
    """How errors of log radius at different angles go together."""
    angle = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    between = angle[:, None] - angle
    cover = np.sum([s**2 * np.cos(k * between) for k, s in enumerate(_MODES)], axis=0)
    apart = np.abs((between + np.pi) % (2 * np.pi) - np.pi)
    return np.asarray(cover + _LOCAL**2 * np.exp(-0.5 * (apart / _LOCAL_REACH) ** 2))


def bend(line: Floats, passes: Passes) -> Floats:
    """Return the shape bent to pass where later clicks say it passes.

    Gaussian process regression on the log radius (Rasmussen and Williams 2006, ch. 2): what a
    click says about one direction tells something about the others.

    Parameters
    ----------
    line : ndarray, shape (ANGLES,)
        Log radius before.
    passes : Passes
    """
    angle = passes.angle
    cover = _covariance()
    inner = cover[np.ix_(angle, angle)] + np.diag(np.square(passes.spread))
    return np.asarray(line + cover[:, angle] @ np.linalg.solve(inner, passes.border - line[angle]))
