"""Ring direction in the polar picture around a centre, by stacking along trial slopes.

In log-polar coordinates round the pith rings are nearly level lines and angles are kept (the map
is conformal). At each node the picture is averaged along short lines of many trial slopes, and
the slope whose average keeps the most radial contrast is the ring's: the local slant stack and
semblance of seismic exploration (Taner & Koehler 1969; Marfurt 2006), here on rings instead of
strata. Radial checks, rays and stain average out along the arc, and saw marks rarely follow it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2

__all__ = ["PolarFrame", "Slopes", "flatten", "polar_frame", "slopes_of", "unroll"]

Floats = NDArray[np.float64]
Image = NDArray[np.float32]

SAW_STEP_DEG = 3.0
"""Step of direction in which saw marks are looked for."""
APART = 0.2
"""Slope from which on a line is not a ring's, as far as saw marks are concerned."""
MOSTLY = 0.4
"""Saw marks show in all but this share of the wood."""
MOST_TAPS = 21
"""A stack samples at most so many rays; neighbours on a long arc say nearly the same."""


@dataclass(frozen=True)
class PolarFrame:
    """Where the samples of a log-polar picture lie.

    Attributes
    ----------
    centre : ndarray, shape (2,)
        Row and column.
    theta0, dtheta : float
        Angle (radians, from +column towards +row) of the first ray and step between rays.
    rho0, drho : float
        Natural logarithm of the first radius (pixels) and step.
    shape : tuple of int
        Rays, radii.
    closed : bool
        Whether the rays go all the way round.
    """

    centre: Floats
    theta0: float
    dtheta: float
    rho0: float
    drho: float
    shape: tuple[int, int]
    closed: bool

    def points(self, theta: Floats, rho: Floats) -> tuple[Floats, Floats]:
        """Return row and column of polar positions."""
        r = np.exp(rho)
        return self.centre[0] + r * np.sin(theta), self.centre[1] + r * np.cos(theta)

    def polar(self, points: Floats) -> tuple[Floats, Floats]:
        """Return angle (unwrapped to this frame) and log radius of points (N, 2)."""
        away = points - self.centre
        theta = np.arctan2(away[:, 0], away[:, 1])
        middle = self.theta0 + 0.5 * self.dtheta * (self.shape[0] - 1)
        theta = middle + (theta - middle + np.pi) % (2 * np.pi) - np.pi
        return theta, np.log(np.hypot(away[:, 0], away[:, 1]) + 1e-9)


def polar_frame(
    centre: Floats,
    wood: Floats,
    *,
    ring_px: float,
    min_radius_px: float,
    arc_deg: float = 0.5,
    max_radii: int = 1500,
) -> PolarFrame:
    """Lay a log-polar frame round a centre over the wood.

    Parameters
    ----------
    centre : ndarray, shape (2,)
        Row and column.
    wood : ndarray, shape (N, 2)
        Points of the wood (for instance cells).
    ring_px : float
        Narrowest ring to be resolved, pixels.
    min_radius_px : float
        Nothing is read closer to the centre than this.
    """
    away = wood - centre
    radius = np.hypot(away[:, 0], away[:, 1])
    theta = np.arctan2(away[:, 0], away[:, 1])
    mean = np.arctan2(away[:, 0].sum(), away[:, 1].sum())
    offset = (theta - mean + np.pi) % (2 * np.pi) - np.pi
    low, high = float(offset.min()), float(offset.max())
    sectors = np.unique(np.floor((theta + np.pi) / (2 * np.pi) * 36).astype(int)).size
    closed = sectors >= 33
    r_max = float(radius.max())
    r_min = max(min_radius_px, float(radius.min()))
    dtheta = np.deg2rad(arc_deg)
    if closed:
        rays = round(2 * np.pi / dtheta)
        dtheta = 2 * np.pi / rays
        theta0 = -np.pi
    else:
        span = max(high - low, 1e-3)
        dtheta = min(dtheta, span / 240)
        rays = int(np.ceil(span / dtheta)) + 1
        theta0 = mean + low
    drho = max(ring_px / 5.0 / r_max, np.log(r_max / r_min) / max_radii)
    radii = int(np.ceil(np.log(r_max / r_min) / drho)) + 1
    return PolarFrame(
        np.asarray(centre, dtype=np.float64), float(theta0), float(dtheta),
        float(np.log(r_min)), float(drho), (rays, radii), closed,
    )  # fmt: skip


@dataclass(frozen=True)
class Slopes:
    """Ring slope at nodes of the polar picture.

    Attributes
    ----------
    theta, rho : ndarray
        Angle and log radius of the nodes.
    slope : ndarray, shape (theta, rho)
        d(log radius)/d(angle): tangent of the angle between ring and circle.
    weight : ndarray
        How clear the maximum is: 0 (nothing) to 1.
    semblance : ndarray
        Share of the contrast that stays after stacking.
    seen : ndarray
        Share of wood.
    expected : ndarray
        Slope that was expected.
    """

    theta: Floats
    rho: Floats
    slope: Floats
    weight: Floats
    semblance: Floats
    seen: Floats
    expected: Floats


def unroll(
    frame: PolarFrame, level: NDArray[np.uint8], wood: NDArray[np.uint8], scale: float
) -> tuple[Image, Image]:
    """Sample picture and wood on the frame: (rays, radii)."""
    theta = frame.theta0 + frame.dtheta * np.arange(frame.shape[0])
    radius = np.exp(frame.rho0 + frame.drho * np.arange(frame.shape[1]))
    rows = frame.centre[0] + np.outer(np.sin(theta), radius)
    cols = frame.centre[1] + np.outer(np.cos(theta), radius)
    y = ((rows + 0.5) * scale - 0.5).astype(np.float32)
    x = ((cols + 0.5) * scale - 0.5).astype(np.float32)
    picture = cv2.remap(level, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.remap(wood, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    return picture.astype(np.float32), (inside > 0).astype(np.float32)


def _slow(image: Image, sigma: float) -> Image:
    # A wide blur of a picture shrunk first is as good and many times as fast.
    factor = max(1, int(sigma / 4))
    if factor == 1:
        out = cv2.GaussianBlur(image, (0, 0), sigmaX=sigma, sigmaY=1.0)
        return np.asarray(out, dtype=np.float32)
    size = (max(2, image.shape[1] // factor), image.shape[0])
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigmaX=sigma / factor, sigmaY=1.0)
    out = cv2.resize(small, image.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(out, dtype=np.float32)


def flatten(picture: Image, inside: Image, frame: PolarFrame, ring_px: float) -> Image:
    """Return radial contrast: slow changes along each ray removed, contrast evened out."""
    radius = np.exp(frame.rho0 + frame.drho * np.arange(frame.shape[1]))
    window = 2.0 * ring_px / (np.median(radius) * frame.drho)
    sigma = float(np.clip(window, 3.0, frame.shape[1] / 4))
    area = _slow(inside, sigma) + np.float32(1e-3)
    rest = (picture - _slow(picture * inside, sigma) / area) * inside
    scatter = np.sqrt(_slow(rest * rest, sigma) / area)
    wood = inside > 0
    floor = 0.5 * float(np.median(scatter[wood][::7])) + 0.5 if wood.any() else 1.0
    return np.asarray(np.clip(rest / (scatter + floor), -2.5, 2.5), dtype=np.float32)


def _bent(
    image: Image,
    index: NDArray[np.int64],
    hann: Floats,
    shifts: Floats,
    pad: int,
    start: Floats | None,
) -> list[Image]:
    """Return the rays at each tap, weighted, moved along by the slope that is expected."""
    padded = np.pad(image, ((0, 0), (pad, pad)))
    rows = [padded[index[:, k]] * np.float32(weight) for k, weight in enumerate(hann)]
    if start is None:
        return rows
    y, x = np.indices(start.shape, dtype=np.float32)
    slope = start.astype(np.float32)
    return [
        cv2.remap(row, x + np.float32(shift) * slope, y, cv2.INTER_LINEAR)
        for row, shift in zip(rows, shifts, strict=True)
    ]


def _same_everywhere(
    energy: Image, theta: Floats, trial: Floats, base: Floats, wood: NDArray[np.bool_]
) -> Image:
    """Return what of each node's energy is due to lines of one direction all over the wood.

    The saw's marks keep their direction in the picture while rings turn with the angle round the
    pith. So at each direction in the picture the energy is looked at where rings would run another
    way; what most of the wood has there, all of it has.

    Parameters
    ----------
    energy : ndarray, shape (trials, nodes, radii)
    theta : ndarray, shape (nodes,)
    trial : ndarray, shape (trials,)
        Counted from ``base``.
    base : ndarray, shape (nodes, radii)
        Slope that is expected.
    wood : ndarray of bool, shape (nodes, radii)

    Returns
    -------
    ndarray, shape (trials, nodes, radii)
    """
    beyond = energy - np.median(energy, axis=0)
    slope = base[None] + trial[:, None, None]
    along = (np.rad2deg(theta[None, :, None] - np.arctan(slope)) + 90.0) % 180.0
    place = (along / SAW_STEP_DEG).astype(np.int64)
    apart = np.abs(trial) > APART
    level = np.zeros(round(180.0 / SAW_STEP_DEG))
    told, at = beyond[apart][:, wood].ravel(), place[apart][:, wood].ravel()
    order = np.argsort(at, kind="stable")
    told, edges = told[order], np.searchsorted(at[order], np.arange(level.size + 1))
    for k in range(level.size):
        values = told[edges[k] : edges[k + 1]]
        if values.size > 40:
            # A few hundred are enough for a share.
            some = np.sort(values[:: max(1, values.size // 500)])
            level[k] = some[int(MOSTLY * some.size)]
    level = np.maximum(level, 0.0)
    smooth = (np.roll(level, 1) + 2 * level + np.roll(level, -1)) / 4
    return smooth[place].astype(np.float32)


def slopes_of(
    rest: Image,
    inside: Image,
    frame: PolarFrame,
    *,
    half_arc: float = np.deg2rad(3.0),
    reach: float = 0.6,
    step: float = 0.05,
    node_rays: int = 4,
    node_radii: int = 12,
    most_taps: int = MOST_TAPS,
    bend: Callable[[Floats, Floats], Floats] | None = None,
) -> Slopes:
    """Find the slope of the rings at nodes by stacking along trial slopes.

    ``bend`` gives the slope that is expected at angles (N,) and log radii (M,), shape (N, M);
    trials are counted from it.
    """
    rays, radii = frame.shape
    half = max(2, round(half_arc / frame.dtheta))
    stride = -(-(2 * half + 1) // most_taps)
    taps = np.arange(-(half // stride), half // stride + 1) * stride
    hann = np.cos(0.5 * np.pi * taps / (half + 1)) ** 2
    hann /= hann.sum()
    trial = np.arange(-round(reach / step), round(reach / step) + 1) * step
    nodes = np.arange(node_rays // 2, rays, node_rays)
    pad = int(np.ceil(half * frame.dtheta * reach / frame.drho)) + 1
    index = nodes[:, None] + taps[None, :]
    if frame.closed:
        index %= rays
    else:
        index = np.clip(index, 0, rays - 1)
    blocks = radii // node_radii
    used = blocks * node_radii
    energy = np.empty((trial.size, nodes.size, blocks), dtype=np.float32)
    shifts = np.asarray(taps * (frame.dtheta / frame.drho), dtype=np.float64)
    theta = frame.theta0 + frame.dtheta * nodes.astype(np.float64)
    rho = np.asarray(frame.rho0 + frame.drho * np.arange(radii), dtype=np.float64)
    expected = None if bend is None else bend(theta, rho)
    start = None if expected is None else np.pad(expected, ((0, 0), (pad, pad)), mode="edge")
    rows = _bent(rest, index, hann, shifts, pad, start)
    # Near the outline the average holds less wood for some slopes than for others; the mean of
    # what there is, times the share there is, favours none of them where nothing is seen.
    partial = float((inside > 0).mean()) < 0.97
    parts = _bent(inside, index, hann, shifts, pad, start) if partial else []
    for t, slope in enumerate(trial):
        stack = np.zeros((nodes.size, radii), dtype=np.float32)
        cover = np.zeros((nodes.size, radii), dtype=np.float32)
        for k, tap in enumerate(taps):
            shift = pad + round(tap * frame.dtheta * slope / frame.drho)
            stack += rows[k][:, shift : shift + radii]
            if partial:
                cover += parts[k][:, shift : shift + radii]
        stack *= stack
        if partial:
            stack /= np.maximum(cover, 0.15)
        energy[t] = stack[:, :used].reshape(nodes.size, blocks, node_radii).mean(axis=2)
    single = np.zeros((nodes.size, radii), dtype=np.float32)
    wood = np.zeros((nodes.size, radii), dtype=np.float32)
    for k in range(taps.size):
        single += rest[index[:, k]] ** 2 * np.float32(hann[k])
        wood += inside[index[:, k]] * np.float32(hann[k])

    def block(image: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(image[:, :used].reshape(nodes.size, blocks, node_radii).mean(axis=2))

    total, seen = block(single), block(wood)
    border = cv2.BORDER_REPLICATE

    def aggregate(image: Image) -> Image:
        if frame.closed:
            image = np.concatenate([image[-6:], image, image[:6]])
        out = cv2.GaussianBlur(image, (0, 0), sigmaX=1.2, sigmaY=1.0, borderType=border)
        return np.asarray(out[6:-6] if frame.closed else out)

    total = aggregate(total) + 1e-4
    for t in range(trial.size):
        energy[t] = aggregate(energy[t]) / total
    base = np.zeros((nodes.size, blocks)) if expected is None else block(expected)
    saw = _same_everywhere(energy, theta, trial.astype(np.float64), base, seen > 0.6)
    energy = np.maximum(energy - saw, 0.0)
    best = np.argmax(energy, axis=0)
    inner = np.clip(best, 1, trial.size - 2)
    grid = np.indices(best.shape)
    low, mid, high = (energy[inner + d, grid[0], grid[1]] for d in (-1, 0, 1))
    dip = low - 2 * mid + high
    offset = np.where(dip < -1e-9, 0.5 * (low - high) / np.minimum(dip, -1e-9), 0.0)
    slope = base + trial[inner] + step * np.clip(offset, -1, 1)
    typical = np.median(energy, axis=0)
    clear = np.clip((mid - typical) / (mid + 1e-6), 0, 1) * (np.abs(best - inner) == 0)
    return Slopes(
        theta,
        np.asarray(frame.rho0 + frame.drho * ((np.arange(blocks) + 0.5) * node_radii - 0.5)),
        slope.astype(np.float64),
        (clear * mid * (seen > 0.6)).astype(np.float64),
        mid.astype(np.float64),
        seen.astype(np.float64),
        np.asarray(base, dtype=np.float64),
    )
