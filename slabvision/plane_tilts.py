"""Views of a face whose tilt the marks hardly determine.

The tilt is drawn first, from kernels along the ridges of the likelihood (two lengths leave a
thin curve of tilts open), then everything else from its conditional normal density given the
tilt; importance weights put right what is approximate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.plane_fit import (
    CLEAR_DEG,
    FREEDOM,
    Mode,
    climb,
    effective_draws,
    spread_normals,
    weights_of,
    with_distance,
)
from slabvision.plane_model import Evaluation, Model

__all__ = ["tilts_first"]

Floats: TypeAlias = NDArray[np.float64]

_STEEPEST = math.radians(82.0)
_KERNELS = 300
_REACH = 0.12
"""Standard deviation of a kernel along a ridge, as part of 1 + slope²."""


@dataclass(frozen=True)
class _Kernels:
    """Student t kernels over the slopes: share, centre and inverse scale of each."""

    share: Floats
    centre: Floats
    precise: Floats


def tilts_first(
    model: Model, modes: list[Mode], rng: np.random.Generator, draws: int
) -> tuple[Floats, Floats, Floats]:
    """Return parameters, wide heights and their weights; ``modes`` are the softened model's."""
    soft = model.softened()
    broad = any(
        mode.tilt_u_deg > CLEAR_DEG for mode in modes if mode.log_mass > modes[0].log_mass - 6
    )
    kernels = _ridge_kernels(soft, rng) if broad else _mode_kernels(soft, modes)
    aside = 0.15 if broad else 0.05
    for part in (1.5, 2.0, 3.0):
        theta, wide, weight, hess = _draw(model, kernels, aside, rng, int(part * draws))
        if effective_draws(weight) > 0.4 * draws:
            break
        kernels = _learnt_kernels(theta, weight, hess, widen=bool(model.wide))
        aside = 0.08
    return theta, wide, weight


def _even_tilts(rng: np.random.Generator, count: int) -> Floats:
    """Slopes of tilts uniform up to the steepest, in every direction, (count, 2)."""
    tilt = _STEEPEST * (rng.permutation(count) + rng.random(count)) / count
    turn = 2 * math.pi * (rng.permutation(count) + rng.random(count)) / count
    return np.asarray(np.tan(tilt)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]))


def _log_even_tilts(slopes: Floats) -> Floats:
    """Log density of :func:`_even_tilts` by slope."""
    s = np.hypot(slopes[:, 0], slopes[:, 1]).clip(1e-9)
    density = 1 / (_STEEPEST * 2 * math.pi * s * (1 + s * s))
    return np.asarray(np.where(np.arctan(s) < _STEEPEST, np.log(density), -np.inf))


def _slope_precision(hess: Floats) -> Floats:
    """Inverse covariance of the slopes, everything else free, (K, 2, 2)."""
    cross = hess[:, :2, 2:]
    rest = np.linalg.solve(hess[:, 2:, 2:], np.swapaxes(cross, 1, 2))
    return np.asarray(hess[:, :2, :2] - cross @ rest)


def _mode_kernels(soft: Model, modes: list[Mode]) -> _Kernels:
    mass = np.array([mode.log_mass for mode in modes])
    share = np.maximum(np.exp(mass - mass.max()), 0.05)
    hess = np.array([mode.hess for mode in modes])
    centre = np.array([mode.theta[:2] for mode in modes])
    return _Kernels(share / share.sum(), centre, _slope_precision(hess) / 1.4)


def _local_precision(slopes: Floats, hess: Floats) -> Floats:
    """Inverse scales of kernels: the likelihood's own across a ridge, short along it."""
    precise = _slope_precision(hess) / 1.5
    reach = _REACH * (1 + (slopes**2).sum(axis=1))
    precise[:, [0, 1], [0, 1]] += 1 / reach[:, None] ** 2
    return precise


def _ridge_kernels(soft: Model, rng: np.random.Generator) -> _Kernels:
    starts = np.zeros((_KERNELS, soft.columns))
    starts[:, :2] = _even_tilts(rng, _KERNELS)
    theta, _ = with_distance(soft, starts)
    none = np.zeros((len(theta), 0))
    theta, _ = climb(soft, theta, none, np.arange(2, soft.columns), 3)
    reach = _REACH * (1 + (theta[:, :2] ** 2).sum(axis=1))
    theta, now = climb(soft, theta, none, np.arange(soft.columns), 6, tether=1 / reach**2)
    hess = now.hess
    half = 0.5 * np.linalg.slogdet(hess[:, 2:, 2:])[1]
    precise = _local_precision(theta[:, :2], hess)
    share = weights_of(now.log_post - half - 0.5 * np.linalg.slogdet(precise)[1])
    # The fourth root of unevenness: the weights come later, the kernels only have to cover.
    share = np.where(share > 1e-6 * share.max(), share, 0.0) ** 0.75
    kept = share > 0
    share = share[kept] / share.sum()
    return _Kernels(share, theta[kept, :2], precise[kept])


def _learnt_kernels(theta: Floats, weight: Floats, hess: Floats, *, widen: bool) -> _Kernels:
    """Kernels at the heaviest points of a round."""
    keep = np.argsort(-weight)[:_KERNELS]
    keep = keep[weight[keep] > 1e-9]
    slopes = theta[keep, :2]
    # Tempered, or one lucky point would have all the kernels.
    share = np.sqrt(weight[keep])
    precise = _local_precision(slopes, hess[keep])
    if widen:
        precise = precise / 2
    return _Kernels(share / share.sum(), slopes, precise)


def _draw(
    model: Model, kernels: _Kernels, aside: float, rng: np.random.Generator, count: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """One round: parameters, wide heights, weights, and the Hessians at the conditional optima."""
    slopes, log_q = _draw_slopes(kernels, aside, rng, count)
    wide = model.draw_wide(rng, count)
    theta = np.zeros((count, model.columns))
    theta[:, :2] = slopes
    theta, kept = with_distance(model, theta)
    wide, log_q = wide[kept], log_q[kept]
    theta, now = climb(model, theta, wide, np.arange(2, model.columns), 4)
    theta, log_q = _rest(theta, now, log_q, rng)
    target = model.evaluate(theta, wide, slopes=False).log_post
    return theta, wide, weights_of(target - log_q), now.hess


def _draw_slopes(
    kernels: _Kernels, aside: float, rng: np.random.Generator, count: int
) -> tuple[Floats, Floats]:
    few = int(aside * count)
    many = count - few
    ticks = (rng.permutation(many) + rng.random(many)) / many
    which = np.searchsorted(np.cumsum(kernels.share), ticks).clip(0, len(kernels.share) - 1)
    roots = np.linalg.cholesky(np.linalg.inv(kernels.precise))
    stretch = np.sqrt(FREEDOM / rng.chisquare(FREEDOM, many))[:, None]
    step = np.einsum("kij,kj->ki", roots[which], spread_normals(rng, many, 2) * stretch)
    slopes = np.concatenate([kernels.centre[which] + step, _even_tilts(rng, few)])
    dx = slopes[:, :1] - kernels.centre[:, 0]
    dy = slopes[:, 1:] - kernels.centre[:, 1]
    p = kernels.precise
    square = p[:, 0, 0] * dx * dx + 2 * p[:, 0, 1] * dx * dy + p[:, 1, 1] * dy * dy
    # Student t in two dimensions: sqrt(det) / 2 pi (1 + square / nu)^-(nu + 2) / 2
    heavy = np.exp(-(FREEDOM + 2) / 2 * np.log1p(square / FREEDOM))
    dens = heavy @ (kernels.share * np.sqrt(np.linalg.det(p))) / (2 * math.pi)
    with np.errstate(divide="ignore"):
        log_q = np.logaddexp(
            math.log(1 - aside) + np.log(dens), math.log(aside) + _log_even_tilts(slopes)
        )
    return slopes, log_q


def _rest(
    theta: Floats, now: Evaluation, log_q: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Draw all but the slopes around their conditional optimum."""
    hess = now.hess[:, 2:, 2:]
    columns = hess.shape[1]
    root = np.linalg.cholesky(np.linalg.inv(hess))
    stretch = np.sqrt(FREEDOM / rng.chisquare(FREEDOM, len(theta)))
    away = spread_normals(rng, len(theta), columns) * stretch[:, None]
    theta = theta.copy()
    theta[:, 2:] += np.einsum("kij,kj->ki", root, away)
    dens = 0.5 * np.linalg.slogdet(hess)[1]
    dens = dens - 0.5 * (FREEDOM + columns) * np.log1p((away**2).sum(axis=1) / FREEDOM)
    return theta, log_q + dens
