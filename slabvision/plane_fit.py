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

__all__ = [
    "CLEAR_DEG",
    "FREEDOM",
    "Mode",
    "Sample",
    "central",
    "climb",
    "draw_posterior",
    "effective_draws",
    "find_modes",
    "share_draws",
    "spread_normals",
    "weights_of",
    "with_distance",
]

Floats: TypeAlias = NDArray[np.float64]

_START_TILTS = (12.0, 32.0, 50.0, 64.0)
FREEDOM = 8.0
CLEAR_DEG = 7.0
"""Above this standard uncertainty of the tilt the views are drawn the long way."""
_FEW, _STEPS = 0.25, 30
"""Below this part of independent draws they are freshened by so many Metropolis steps."""


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
    theta, free = _starts(model), np.arange(model.columns)
    theta, _ = climb(model, theta, model.middle_wide(len(theta)), free[2:], 3)
    theta, done = climb(model, theta, model.middle_wide(len(theta)), free, 8)
    # Those worth finishing, one for each place reached so far.
    theta = theta[_distinct(theta, done, 0.02, 40.0)[:8]]
    theta, done = climb(model, theta, model.middle_wide(len(theta)), free, 25)
    left = np.linalg.solve(done.hess, done.grad[:, :, None])[:, :, 0]
    settled = (left * done.grad).sum(axis=1) < 0.1
    if settled.any():
        done.log_post[~settled] = -np.inf
    modes = []
    for k in _distinct(theta, done, 2.0, 12.0)[:6]:
        top, log_post = _polished(model, theta[k], done.hess[k], float(done.log_post[k]))
        half_det = 0.5 * float(np.linalg.slogdet(done.hess[k])[1])
        modes.append(Mode(top, done.hess[k], log_post, log_post - half_det))
    modes.sort(key=lambda mode: -mode.log_mass)
    if not modes:
        raise PlaneError(
            "no position of the camera fits the marks: some of them would lie past the horizon; "
            "check that every mark was clicked on the object it names"
        )
    return modes


def _polished(model: Model, theta: Floats, hess: Floats, log_post: float) -> tuple[Floats, float]:
    """Climb the log posterior itself, by differences.

    The Gauss-Newton steps before leave out how the local scale, the priors and the integrated
    errors change; over the many corners of a board that would move the optimum.
    """
    columns = len(theta)
    reach = 0.05 / np.sqrt(np.diag(hess))
    shifts = np.concatenate([np.diag(reach), -np.diag(reach)])
    wide = model.middle_wide(2 * columns)
    for _ in range(4):
        around = model.evaluate(theta + shifts, wide, slopes=False).log_post
        if not np.isfinite(around).all():
            break
        step = np.linalg.solve(hess, (around[:columns] - around[columns:]) / (2 * reach))
        parts = np.array([1.0, 0.5, 0.25])[:, None] * step
        trial = model.evaluate(theta + parts, wide[:3], slopes=False).log_post
        best = int(trial.argmax())
        if not trial[best] > log_post:
            break
        gained = float(trial[best]) - log_post
        theta, log_post = theta + parts[best], float(trial[best])
        if gained < 1e-3:
            break
    return theta, log_post


def _distinct(theta: Floats, done: Evaluation, apart: float, depth: float) -> list[int]:
    """Return, best first, those further apart than ``apart`` in squared standard units."""
    order = np.argsort(-done.log_post)
    chosen: list[int] = []
    for k in order:
        if not done.log_post[k] > done.log_post[order[0]] - depth:
            break
        gaps = theta[k] - theta[chosen]
        if not any(g @ done.hess[c] @ g < apart for g, c in zip(gaps, chosen, strict=True)):
            chosen.append(int(k))
    return chosen


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
    return with_distance(model, theta)[0]


def with_distance(model: Model, theta: Floats) -> tuple[Floats, NDArray[np.bool_]]:
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


def climb(
    model: Model,
    theta: Floats,
    wide: Floats,
    free: NDArray[np.intp],
    steps: int,
    tether: float | Floats = 0.0,
) -> tuple[Floats, Evaluation]:
    """Levenberg-Marquardt on a batch of parameters, the others held.

    Parameters
    ----------
    model : Model
    theta : ndarray (K, P)
        Starts.
    wide : ndarray (K, W)
        Heights with wide priors, held.
    free : ndarray of int
        Columns that move.
    steps : int
        At most.
    tether : float or ndarray (K,)
        Weight of a spring from the slopes to where they started (to reach the nearest point
        of a ridge rather than its top).
    """
    start = theta[:, :2].copy()
    spring = np.broadcast_to(np.asarray(tether, dtype=np.float64), (len(theta),))
    now = model.evaluate(theta, wide)
    damping = np.full(len(theta), 1e-3)
    for _ in range(steps):
        hess = now.hess[:, free[:, None], free[None, :]].copy()
        grad = now.grad[:, free].copy()
        if free[0] == 0:
            grad[:, :2] += spring[:, None] * (theta[:, :2] - start)
            hess[:, [0, 1], [0, 1]] += spring[:, None]
        diagonal = np.arange(len(free))
        hess[:, diagonal, diagonal] *= 1 + damping[:, None]
        hess[:, diagonal, diagonal] += 1e-9
        step = np.linalg.solve(hess, grad[:, :, None])[:, :, 0]
        step = np.clip(step, -2.0, 2.0)
        trial = theta.copy()
        trial[:, free] -= step
        then = model.evaluate(trial, wide)
        pull = 0.5 * spring * ((theta[:, :2] - start) ** 2).sum(axis=1)
        pull_then = 0.5 * spring * ((trial[:, :2] - start) ** 2).sum(axis=1)
        with np.errstate(invalid="ignore"):
            gain = now.cost + pull - then.cost - pull_then
        better = gain > 0
        gain = np.where(better, gain, 0.0)
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
        Optima of the softened model.
    rng : Generator
        Source of chance.
    draws : int
        How many.
    """
    clear = not model.wide and all(
        mode.tilt_u_deg < CLEAR_DEG for mode in modes if mode.log_mass > modes[0].log_mass - 6
    )
    none = np.zeros((draws, 0))
    if clear:
        theta, weight = _around_modes(model, modes, rng, 2 * draws)
        effective = effective_draws(weight)
        if effective > _FEW * draws:
            return Sample(_resample(theta, weight, rng, draws), none, effective)
        if effective > 0.02 * draws:
            theta = _resample(theta, weight, rng, draws)
            return Sample(_freshened(model, theta, none, rng), none, effective)
    from slabvision.plane_tilts import tilts_first

    theta, wide, weight = tilts_first(model, modes, rng, draws)
    joined = _resample(np.concatenate([theta, wide], axis=1), weight, rng, draws)
    theta, wide, effective = (
        joined[:, : model.columns],
        joined[:, model.columns :],
        effective_draws(weight),
    )
    if effective < _FEW * draws:
        theta = _freshened(model, theta, wide, rng)
    return Sample(theta, wide, effective)


def _freshened(model: Model, theta: Floats, wide: Floats, rng: np.random.Generator) -> Floats:
    """Spread repeated draws by Metropolis steps along differences of other draws.

    Differential evolution (ter Braak, Statistics and Computing 16, 2006): the steps have the
    size and shape of the draws themselves and leave their distribution as it is.
    """
    count, columns = theta.shape
    now = model.evaluate(theta, wide, slopes=False).log_post
    for step in range(_STEPS):
        first, second = rng.integers(0, count, count), rng.integers(0, count, count)
        size = 1.0 if step % 8 == 7 else 1.7 / math.sqrt(2 * columns)
        trial = theta + size * (theta[first] - theta[second])
        trial += 1e-4 * rng.standard_normal(trial.shape)
        then = model.evaluate(trial, wide, slopes=False).log_post
        taken = np.log(rng.random(count)) < then - now
        theta, now = np.where(taken[:, None], trial, theta), np.where(taken, then, now)
    return theta


def effective_draws(weight: Floats) -> float:
    """Return how many independent draws weighted ones are worth (Kish)."""
    return float(weight.sum() ** 2 / (weight**2).sum())


def weights_of(log_weight: Floats) -> Floats:
    """Normalise logarithmic weights."""
    top = log_weight.max()
    if not np.isfinite(top):
        raise PlaneError("no view of the face fits the marks; check each of them")
    return np.asarray(np.exp(log_weight - top) / np.exp(log_weight - top).sum())


def _resample(rows: Floats, weight: Floats, rng: np.random.Generator, draws: int) -> Floats:
    """Systematic resampling, in random order."""
    ticks = (np.arange(draws) + rng.random()) / draws
    chosen = np.searchsorted(np.cumsum(weight), ticks).clip(0, len(rows) - 1)
    return np.asarray(rows[rng.permutation(chosen)])


def spread_normals(rng: np.random.Generator, count: int, columns: int) -> Floats:
    """Latin hypercube of standard normals, (count, columns)."""
    from scipy.special import ndtri

    ranks = np.argsort(rng.random((columns, count)), axis=1)
    return np.asarray(ndtri((ranks.T + rng.random((count, columns))) / count))


def _log_t(away: Floats, hess: Floats, columns: int) -> Floats:
    """Student t log density, scale matrix inverse ``hess``, up to what all components share."""
    square = np.einsum("ki,ij,kj->k", away, hess, away)
    return np.asarray(
        0.5 * np.linalg.slogdet(hess)[1] - 0.5 * (FREEDOM + columns) * np.log1p(square / FREEDOM)
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
    normals = spread_normals(rng, count, model.columns)
    stretch = np.sqrt(FREEDOM / rng.chisquare(FREEDOM, count))[:, None]
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
    return theta, weights_of(target - log_q)


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


def central(model: Model, modes: list[Mode], sample: Sample) -> Floats:
    """Return the parameters of one view in the middle of the draws.

    Where the tilt is known it is the mean of the draws around the likelier mode; where it is
    hardly known (a ring of tilts, whose mean would fall into the empty middle), the mean of
    the neighbours of one draw whose scale is the median. Either way its distance is set so
    that its scale at the marks is the median of the draws: nearly square-on every tilt makes
    the face larger, never smaller, and the best tilt alone would give too small an area.
    """
    theta = sample.theta
    middle = np.concatenate([pattern.xy for pattern in model.patterns]).mean(axis=0)
    size = _log_area_at(model, theta, middle)
    tilts = theta[:, :2]
    p = model.columns  # a softened model's modes have the wide heights behind these
    apart = np.stack([_away(theta - mode.theta[:p], mode.hess[:p, :p]) for mode in modes])
    nearest = np.argmin(apart, axis=0)
    counts = np.bincount(nearest, minlength=len(modes))
    mine = nearest == counts.argmax()
    spread = math.sqrt(float(tilts[mine].var(axis=0).sum()))
    if spread > math.tan(math.radians(1.5 * CLEAR_DEG)) * (1 + (tilts[mine].mean(0) ** 2).sum()):
        typical = np.argsort(np.abs(size - np.median(size)))[: max(1, len(size) // 10)]
        crowd = ((tilts[typical, None] - tilts[None, typical]) ** 2).sum(axis=2)
        near = np.argsort(crowd, axis=1)[:, : max(1, len(typical) // 5)]
        densest = int(np.take_along_axis(crowd, near, axis=1).sum(axis=1).argmin())
        mine = typical[near[densest]]
    best = np.asarray(theta[mine].mean(axis=0), dtype=np.float64)
    best[2] += 0.5 * (float(np.median(size)) - float(_log_area_at(model, best[None], middle)[0]))
    return best


def _away(gap: Floats, hess: Floats) -> Floats:
    return np.asarray(np.einsum("ki,ij,kj->k", gap, hess, gap))


def _log_area_at(model: Model, theta: Floats, xy: Floats) -> Floats:
    """Logarithm of square millimetres per pixel at one image point, (K,)."""
    _, (xx, xy_, yx, yy) = model.views(theta).local(xy[:1], xy[1:])
    return np.asarray(np.log(np.abs(xx * yy - xy_ * yx)[:, 0]))
