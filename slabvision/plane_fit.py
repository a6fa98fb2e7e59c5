"""From a model of the marks to equally likely views of the face.

The modes are climbed from starts spread over all tilts at once (a small board's tilt can flip,
and then both solutions stay). Well-determined views are drawn by importance resampling from a
mixture of Student t densities at the modes; where the tilt is hardly determined, or a height has
a wide prior, tilts are drawn first and everything else from its conditional normal density,
again corrected by importance weights, in rounds that learn where the weight is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.estimate import named_normals
from slabvision.marks import PlaneError
from slabvision.plane_model import Evaluation, Model

__all__ = ["Mode", "Sample", "central", "draw_posterior", "find_modes", "share_draws"]

Floats: TypeAlias = NDArray[np.float64]

_START_TILTS = (12.0, 32.0, 50.0, 64.0)
_FREEDOM = 8.0
_CLEAR_DEG = 7.0
"""Above this standard uncertainty of the tilt the views are drawn the long way."""


@dataclass(frozen=True)
class Mode:
    """A local optimum: parameters, their Hessian, log posterior there, and log of its mass."""

    theta: Floats
    hess: Floats
    log_post: float
    log_mass: float

    @property
    def cov(self) -> Floats:
        """Covariance of the normal approximation."""
        return np.asarray(np.linalg.inv(self.hess), dtype=np.float64)

    @property
    def tilt_u_deg(self) -> float:
        """Largest standard uncertainty of the plane's direction, degrees."""
        s2 = float((self.theta[:2] ** 2).sum())
        slope = self.theta[:2] / math.sqrt(max(s2, 1e-12))
        cov = self.cov[:2, :2]
        radial = float(slope @ cov @ slope) / (1 + s2) ** 2
        round_ = float(np.trace(cov) - slope @ cov @ slope) / (1 + s2)
        return math.degrees(math.sqrt(max(radial, round_)))


@dataclass(frozen=True)
class Sample:
    """Equally likely parameters (K, P) and heights, and what the weights were worth."""

    theta: Floats
    wide: Floats
    effective: float


def find_modes(model: Model) -> list[Mode]:
    """Climb from many tilts; return the distinct optima that matter, the best first."""
    starts = _starts(model)
    wide = model.middle_wide(len(starts))
    theta, free = starts, np.arange(model.columns)
    held = np.arange(2, model.columns)
    theta, _ = _climb(model, theta, wide, held, 3)
    theta, done = _climb(model, theta, wide, free, 14)
    log_post, hess = done.log_post, done.hess
    order = np.argsort(-log_post)
    modes: list[Mode] = []
    for k in order:
        if not np.isfinite(log_post[k]) or log_post[k] < log_post[order[0]] - 12:
            break
        gaps = [theta[k] - mode.theta for mode in modes]
        if any(g @ m.hess @ g < 2.0 for g, m in zip(gaps, modes, strict=True)):
            continue
        half_det = 0.5 * np.linalg.slogdet(hess[k])[1]
        modes.append(Mode(theta[k], hess[k], float(log_post[k]), float(log_post[k] - half_det)))
        if len(modes) == 6:
            break
    if not modes:
        raise PlaneError(
            "no position of the camera fits the marks: some of them would lie past the horizon; "
            "check that every mark was clicked on the object it names"
        )
    return modes


def _starts(model: Model) -> Floats:
    turns = np.radians(np.arange(0, 360, 45))
    slopes = [(0.0, 0.0)]
    for step, tilt in enumerate(_START_TILTS):
        for turn in turns + step * math.radians(22.5):
            slopes.append(
                (
                    math.tan(math.radians(tilt)) * math.cos(turn),
                    math.tan(math.radians(tilt)) * math.sin(turn),
                )
            )
    theta = np.zeros((len(slopes), model.columns))
    theta[:, :2] = slopes
    return _with_distance(model, theta)[0]


def _with_distance(model: Model, theta: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Set the distance at which the marks have about their size; drop views that miss a mark."""
    theta = theta.copy()
    theta[:, 2:] = 0.0
    views = model.views(theta)
    logs = []
    with np.errstate(all="ignore"):
        for pattern in model.patterns:
            px, py = views.on_plane(pattern.xy[:, 0], pattern.xy[:, 1])
            spread = np.sqrt(px.var(axis=1) + py.var(axis=1))
            logs.append(np.log(np.sqrt(pattern.base.var(axis=0).sum()) / spread))
    kept = np.isfinite(np.array(logs)).all(axis=0)
    # A mark of the wrong size must not decide alone: the middle one does.
    theta[:, 2] = np.median(np.array(logs), axis=0)
    return theta[kept], kept


def _climb(
    model: Model, theta: Floats, wide: Floats, free: NDArray[np.intp], steps: int
) -> tuple[Floats, Evaluation]:
    """Levenberg-Marquardt on a batch of parameters, the others held."""
    now = model.evaluate(theta, wide)
    damping = np.full(len(theta), 1e-3)
    for _ in range(steps):
        hess = now.hess[:, free[:, None], free[None, :]].copy()
        diagonal = np.arange(len(free))
        hess[:, diagonal, diagonal] *= 1 + damping[:, None]
        hess[:, diagonal, diagonal] += 1e-9
        step = np.linalg.solve(hess, now.grad[:, free, None])[:, :, 0]
        step = np.clip(step, -2.0, 2.0)
        trial = theta.copy()
        trial[:, free] -= step
        then = model.evaluate(trial, wide)
        better = then.cost < now.cost
        with np.errstate(invalid="ignore"):
            gain = np.where(better, now.cost - then.cost, 0.0)
        theta = np.where(better[:, None], trial, theta)
        now = Evaluation(
            np.where(better, then.log_post, now.log_post),
            np.where(better, then.chi2, now.chi2),
            np.where(better, then.cost, now.cost),
            np.where(better[:, None], then.grad, now.grad),
            np.where(better[:, None, None], then.hess, now.hess),
        )
        damping = np.where(better, damping * 0.1, damping * 10).clip(1e-9, 1e6)
        if ((gain < 1e-4) & (damping < 1)).all():
            break
    return theta, now


def draw_posterior(model: Model, modes: list[Mode], rng: np.random.Generator, draws: int) -> Sample:
    """Draw equally likely views.

    Parameters
    ----------
    model : Model
        The evidence.
    modes : list of Mode
        Its optima.
    rng : Generator
        Source of chance.
    draws : int
        How many.
    """
    clear = not model.wide and all(
        mode.tilt_u_deg < _CLEAR_DEG for mode in modes if mode.log_mass > modes[0].log_mass - 6
    )
    if clear:
        theta, weight = _around_modes(model, modes, rng, 2 * draws)
        effective = _effective(weight)
        if effective > 0.3 * draws:
            return Sample(_resample(theta, weight, rng, draws), np.zeros((draws, 0)), effective)
    tilts = None
    for part in (1.0, 1.5, 2.0):
        theta, wide, weight = _tilts_first(model, modes, rng, int(part * draws), tilts)
        effective = _effective(weight)
        if part > 1 and effective > 0.4 * draws:
            break
        tilts = (theta[:, :2], weight)
    joined = _resample(np.concatenate([theta, wide], axis=1), weight, rng, draws)
    return Sample(joined[:, : model.columns], joined[:, model.columns :], effective)


def _effective(weight: Floats) -> float:
    return float(weight.sum() ** 2 / (weight**2).sum())


def _weights(log_weight: Floats) -> Floats:
    top = log_weight.max()
    if not np.isfinite(top):
        raise PlaneError("no view of the face fits the marks; check each of them")
    return np.asarray(np.exp(log_weight - top) / np.exp(log_weight - top).sum())


def _resample(rows: Floats, weight: Floats, rng: np.random.Generator, draws: int) -> Floats:
    """Systematic resampling, in random order."""
    ticks = (np.arange(draws) + rng.random()) / draws
    chosen = np.searchsorted(np.cumsum(weight), ticks).clip(0, len(rows) - 1)
    return np.asarray(rows[rng.permutation(chosen)])


def _spread_normals(rng: np.random.Generator, count: int, columns: int) -> Floats:
    """Latin hypercube of standard normals, (count, columns)."""
    from scipy.special import ndtri

    ranks = np.argsort(rng.random((columns, count)), axis=1)
    return np.asarray(ndtri((ranks.T + rng.random((count, columns))) / count))


def _log_t(away: Floats, hess: Floats, columns: int) -> Floats:
    """Student t log density, scale matrix inverse ``hess``, up to what all components share."""
    square = np.einsum("ki,ij,kj->k", away, hess, away)
    return np.asarray(
        0.5 * np.linalg.slogdet(hess)[1] - 0.5 * (_FREEDOM + columns) * np.log1p(square / _FREEDOM)
    )


def _mode_shares(modes: list[Mode]) -> Floats:
    mass = np.array([mode.log_mass for mode in modes])
    share = np.exp(mass - mass.max())
    share = np.maximum(share / share.sum(), 0.06)
    return np.asarray(share / share.sum(), dtype=np.float64)


def _around_modes(
    model: Model, modes: list[Mode], rng: np.random.Generator, count: int
) -> tuple[Floats, Floats]:
    """Parameters from the mixture of Student t densities at the modes, and their weights."""
    shares = _mode_shares(modes)
    normals = _spread_normals(rng, count, model.columns)
    stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, count))[:, None]
    which = np.searchsorted(np.cumsum(shares), rng.permutation((np.arange(count) + 0.5) / count))
    which = which.clip(0, len(modes) - 1)
    theta = np.empty((count, model.columns))
    for k, mode in enumerate(modes):
        mine = which == k
        theta[mine] = mode.theta + (normals[mine] * stretch[mine]) @ np.linalg.cholesky(mode.cov).T
    log_q = np.full(count, -np.inf)
    for share, mode in zip(shares, modes, strict=True):
        log_q = np.logaddexp(
            log_q, math.log(share) + _log_t(theta - mode.theta, mode.hess, model.columns)
        )
    target = model.evaluate(theta, np.zeros((count, 0)), slopes=False).log_post
    return theta, _weights(target - log_q)


def _prior_tilts(rng: np.random.Generator, count: int) -> Floats:
    """Slopes of tilts uniform from 0 to 80 degrees in every direction, (count, 2)."""
    tilt = np.radians(80.0) * (rng.permutation(count) + rng.random(count)) / count
    turn = 2 * math.pi * (rng.permutation(count) + rng.random(count)) / count
    return np.tan(tilt)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])


def _log_prior_tilts(slopes: Floats) -> Floats:
    """Log density of :func:`_prior_tilts` by slope."""
    s = np.hypot(slopes[:, 0], slopes[:, 1]).clip(1e-9)
    inside = s < math.tan(math.radians(80.0))
    density = 1 / (math.radians(80.0) * 2 * math.pi * s * (1 + s * s))
    return np.asarray(np.where(inside, np.log(density), -np.inf), dtype=np.float64)


def _propose_tilts(
    modes: list[Mode],
    rng: np.random.Generator,
    count: int,
    learnt: tuple[Floats, Floats] | None,
) -> tuple[Floats, Floats]:
    """Slopes to try and their log density."""
    broad = max(mode.tilt_u_deg for mode in modes) > _CLEAR_DEG
    if learnt is None:
        spread = 0.75 if broad else 0.15
        shares = _mode_shares(modes)
        centres = np.array([mode.theta[:2] for mode in modes])
        covs = np.array([mode.cov[:2, :2] * 1.3 for mode in modes])
    else:
        spread = 0.1
        slopes, weight = learnt
        keep = np.argsort(-weight)[:400]
        shares = weight[keep] / weight[keep].sum()
        centres = slopes[keep]
        effective = min(_effective(weight), 400.0)
        mean = weight @ slopes
        cov = (weight[:, None] * (slopes - mean)).T @ (slopes - mean)
        covs = np.tile(cov * effective ** (-1 / 3) + 1e-10 * np.eye(2), (len(keep), 1, 1))
    few = int(spread * count)
    which = np.searchsorted(
        np.cumsum(shares), rng.permutation((np.arange(count - few) + 0.5) / (count - few))
    ).clip(0, len(shares) - 1)
    normals = _spread_normals(rng, count - few, 2)
    stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, count - few))[:, None]
    roots = np.linalg.cholesky(covs)
    near = centres[which] + np.einsum("kij,kj->ki", roots[which], normals * stretch)
    slopes = np.concatenate([near, _prior_tilts(rng, few)])
    precise = np.linalg.inv(covs)
    away = slopes[:, None] - centres[None]
    square = np.einsum("kmi,mij,kmj->km", away, precise, away)
    # Student t in two dimensions: 1 / (2 pi sqrt det) (1 + square / nu)^-(nu + 2) / 2
    heavy = (1 + square / _FREEDOM) ** (-(_FREEDOM + 2) / 2)
    dens = heavy @ (shares * np.sqrt(np.linalg.det(precise))) / (2 * math.pi)
    with np.errstate(divide="ignore"):
        log_q = np.logaddexp(
            math.log(1 - spread) + np.log(dens), math.log(spread) + _log_prior_tilts(slopes)
        )
    return slopes, log_q


def _tilts_first(
    model: Model,
    modes: list[Mode],
    rng: np.random.Generator,
    count: int,
    learnt: tuple[Floats, Floats] | None,
) -> tuple[Floats, Floats, Floats]:
    """Tilts and wide heights first, the rest from its conditional normal; and the weights."""
    slopes, log_q = _propose_tilts(modes, rng, count, learnt)
    wide = model.draw_wide(rng, count)
    theta = np.zeros((count, model.columns))
    theta[:, :2] = slopes
    theta, kept = _with_distance(model, theta)
    wide, log_q = wide[kept], log_q[kept]
    held = np.arange(2, model.columns)
    theta, now = _climb(model, theta, wide, held, 4)
    hess = now.hess[:, 2:, 2:]
    root = np.linalg.cholesky(np.linalg.inv(hess))
    normals = _spread_normals(rng, len(theta), model.columns - 2)
    stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, len(theta)))
    columns = model.columns - 2
    away = normals * stretch[:, None]
    theta = theta.copy()
    theta[:, 2:] += np.einsum("kij,kj->ki", root, away)
    log_q = (
        log_q
        + 0.5 * np.linalg.slogdet(hess)[1]
        - 0.5 * (_FREEDOM + columns) * np.log1p((away**2).sum(axis=1) / _FREEDOM)
    )
    target = model.evaluate(theta, wide, slopes=False).log_post
    return theta, wide, _weights(target - log_q)


def share_draws(model: Model, sample: Sample, draws: int, seed: int) -> Sample:
    """Put the draws in the order of the named draws they share with other photos.

    Draw ``k`` gets, of the equally likely views, one whose shared errors rank as the named
    normal deviates of draw ``k`` do: the board that is 0.2 % too long in draw 17 of one photo
    is so in draw 17 of every photo. Each photo's own distribution is left exactly as it was,
    and what a photo says about the board's size (a tape beside it) is kept.
    """
    if not model.shared:
        return sample
    wanted = np.column_stack([named_normals(name, draws, seed=seed) for _, name in model.shared])
    have = sample.theta[:, [column for column, _ in model.shared]]
    order = np.empty(draws, dtype=np.intp)
    if have.shape[1] == 1:
        order[np.argsort(wanted[:, 0], kind="stable")] = np.argsort(have[:, 0], kind="stable")
    else:
        from scipy.optimize import linear_sum_assignment
        from scipy.special import ndtri

        ranks = np.argsort(np.argsort(have, axis=0, kind="stable"), axis=0)
        even = ndtri((ranks + 0.5) / draws)
        apart = ((wanted[:, None] - even[None]) ** 2).sum(axis=2)
        order = linear_sum_assignment(apart)[1]
    return Sample(sample.theta[order], sample.wide[order], sample.effective)


def central(model: Model, sample: Sample) -> tuple[Floats, Floats]:
    """Return the parameters and heights of one view in the middle of the draws.

    The mean of a twentieth of the draws, those whose local scales at a lattice over the picture
    are near the medians: inside the likelier solution where there are two, and inside
    the interval where it is skewed.
    """
    height, width = model.camera.shape
    x, y = (
        part.ravel()
        for part in np.meshgrid(np.linspace(0.2, 0.8, 3) * width, np.linspace(0.2, 0.8, 3) * height)
    )
    marks = np.concatenate([pattern.xy for pattern in model.patterns])
    x, y = np.r_[x, marks[:, 0].mean()], np.r_[y, marks[:, 1].mean()]
    views = model.views(sample.theta)
    with np.errstate(all="ignore"):
        _, (xx, xy, yx, yy) = views.local(x, y)
        size = np.log(np.abs(xx * yy - xy * yx))
    # Directions matter too: lengths along and across, where the marks are.
    size = np.column_stack([size, np.log(np.hypot(xx, yx)[:, -1]), np.log(np.hypot(xy, yy)[:, -1])])
    seen = np.isfinite(size).mean(axis=0) > 0.9
    size = np.where(np.isfinite(size), size, np.inf)[:, seen]
    middle = np.median(size, axis=0)
    spread = np.percentile(np.abs(np.where(np.isfinite(size), size, 9.0) - middle), 68, axis=0)
    away = (((size - middle) / (spread + 1e-9)) ** 2).sum(axis=1)
    nearest = np.argsort(away)[: max(1, len(away) // 5)]
    # Round a ring of tilts the mean would fall into the empty middle: stay with one side.
    aside = ((sample.theta[nearest, :2] - sample.theta[nearest[0], :2]) ** 2).sum(axis=1)
    nearest = nearest[np.argsort(aside)[: max(1, len(away) // 20)]]
    return sample.theta[nearest].mean(axis=0), sample.wide[nearest].mean(axis=0)
