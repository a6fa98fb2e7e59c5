"""How likely a view of the face is, given the reference marks.

Every mark is a flat pattern of known shape laid somewhere on a plane parallel to the face: two
points a length apart, the readings of a tape, the corners of a sheet. Its position and turn in
the plane, and its own small errors of shape, are integrated out (a linear problem once the turn
is roughly known); what remains is the likelihood of the view: two slopes, the distance, and the
camera's focal length, distortion and centre. Picking errors are normal in the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.marks import Board, Length, Mark, Rectangle, Square, Tape
from slabvision.pattern import Lay, Pattern, lay_pattern
from slabvision.view import NEAR_HORIZON, Camera, Views

__all__ = ["CORE", "Evaluation", "Model", "build_model", "log_tilt_prior"]

Floats: TypeAlias = NDArray[np.float64]

CORE = 8
"""Slope x, slope y, log distance; then, as standard normals: focal, k1, centre x, centre y, k2."""

GROUND_MM = 220.0
"""Deepest ground believed when a mark on it comes without a depth: a thick slab on bearers."""

_OF_THE_LENS = ((3, "focal"), (4, "k1"), (7, "k2"))
"""Parameters that photos by one phone share."""

_LOG_DISTANCE = (math.log(10.0), math.log(300_000.0))
"""The camera stands between 10 mm and 300 m from the face."""

_FLAT_DEG, _STEEP_DEG, _FADE_DEG = 8.0, 74.0, 4.0


@dataclass(frozen=True)
class Evaluation:
    """How well parameters do.

    Attributes
    ----------
    log_post : ndarray (K,)
        Log posterior density, up to a constant.
    chi2 : ndarray (K,)
        Weighted sum of squares of the marks' misfits and the standard normals.
    cost : ndarray (K,)
        Half of it and of what steers the search; ``grad`` and ``hess`` are its derivatives.
    """

    log_post: Floats
    chi2: Floats
    cost: Floats
    grad: Floats
    hess: Floats


@dataclass(frozen=True)
class Model:
    """All the evidence about one view.

    Attributes
    ----------
    camera : Camera
        What was known before.
    patterns : tuple of Pattern
        One per mark.
    columns : int
        Number of parameters: ``CORE`` and further standard normals.
    shared : tuple of (int, str)
        Parameters that other photos share, and the name their draws come from.
    wide : tuple of (float, float, float)
        For each height with a prior that is not normal: the probability of lying on the face,
        and the range of heights (uniform) otherwise.
    seen : ndarray (N, 2)
        Image points known to lie on the face: no view may put them past its horizon.
    """

    camera: Camera
    patterns: tuple[Pattern, ...]
    columns: int
    shared: tuple[tuple[int, str], ...]
    wide: tuple[tuple[float, float, float], ...]
    seen: Floats

    def views(self, theta: Floats) -> Views:
        """Return the views of parameters (K, P)."""
        focal, focal_u = self.camera.focal_guess
        spread = self.camera.centre_u * self.camera.diagonal_px
        return Views(
            theta[:, :2],
            np.exp(theta[:, 2].clip(*_LOG_DISTANCE)),
            focal * np.exp(focal_u * theta[:, 3]),
            self.camera.lens_k1_u * theta[:, 4],
            self.camera.lens_k2_u * theta[:, 7],
            np.array(self.camera.centre_xy) + spread * theta[:, 5:7],
        )

    def draw_wide(self, rng: np.random.Generator, count: int) -> Floats:
        """Draw the heights whose prior is not normal, (count, W)."""
        heights = np.zeros((count, len(self.wide)))
        for column, (on_face, low, high) in enumerate(self.wide):
            rank = (rng.permutation(count) + rng.random(count)) / count
            below = (rank - on_face) / max(1 - on_face, 1e-9)
            heights[:, column] = np.where(rank < on_face, 0.0, low + (high - low) * below)
        return heights

    def softened(self) -> Model:
        """Return the model with normal priors in place of the wide ones (for the search)."""
        columns, patterns = self.columns, []
        for pattern in self.patterns:
            if pattern.height_wide >= 0:
                on_face, low, high = self.wide[pattern.height_wide]
                mean = (1 - on_face) * (low + high) / 2
                square = (1 - on_face) * (low * low + low * high + high * high) / 3
                pattern = replace(
                    pattern,
                    height_mm=mean,
                    height_column=columns,
                    height_u_mm=math.sqrt(max(square - mean * mean, 1e-6)),
                    height_wide=-1,
                )
                columns += 1
            patterns.append(pattern)
        return replace(self, patterns=tuple(patterns), columns=columns, wide=())

    def middle_wide(self, count: int) -> Floats:
        """Return the expected heights, (count, W)."""
        means = [(1 - on_face) * (low + high) / 2 for on_face, low, high in self.wide]
        return np.tile(np.array(means, dtype=np.float64), (count, 1))

    def evaluate(self, theta: Floats, wide: Floats, *, slopes: bool = True) -> Evaluation:
        """Weigh parameters against marks and priors.

        Parameters
        ----------
        theta : ndarray (K, P)
            Parameters.
        wide : ndarray (K, W)
            Heights with wide priors.
        slopes : bool
            Whether gradient and Hessian of the cost are wanted (empty otherwise).
        """
        count, columns = theta.shape
        views = self.views(theta)
        normals = theta[:, 3:]
        log_post = log_tilt_prior(views) - 0.5 * (normals**2).sum(axis=1)
        # In the search for modes a broad normal stands for the prior of the tilt.
        steer = 0.7
        chi2 = (normals**2).sum(axis=1)
        cost = 0.5 * chi2 + 0.5 * steer * (theta[:, :2] ** 2).sum(axis=1)
        grad = np.zeros((count, columns if slopes else 0))
        hess = np.zeros((count, columns, columns) if slopes else (count, 0, 0))
        if slopes:
            prior = np.r_[steer, steer, 0.0, np.ones(columns - 3)]
            grad += prior * theta
            hess[:, np.arange(columns), np.arange(columns)] += prior
        with np.errstate(all="ignore"):
            for pattern in self.patterns:
                fit, half, g, h = self._weigh(pattern, views, theta, wide, slopes)
                log_post += fit
                cost += half
                chi2 += 2 * half
                if slopes:
                    grad += g
                    hess += h
        bad = ~np.isfinite(log_post) | ~np.isfinite(cost)
        if len(self.seen):
            with np.errstate(all="ignore"):
                _, _, ahead, part = views.sights(self.seen[:, 0], self.seen[:, 1])
            bad |= ~((ahead > NEAR_HORIZON) & (part > 0)).all(axis=1)
        bad |= (theta[:, 2] <= _LOG_DISTANCE[0]) | (theta[:, 2] >= _LOG_DISTANCE[1])
        if bad.any():
            log_post[bad], cost[bad], chi2[bad] = -np.inf, np.inf, np.inf
            if slopes:
                grad[bad] = 0.0
                hess[bad] = np.eye(columns)
        return Evaluation(log_post, chi2, cost, grad, hess)

    def _weigh(
        self, pattern: Pattern, views: Views, theta: Floats, wide: Floats, slopes: bool
    ) -> tuple[Floats, Floats, Floats, Floats]:
        lay = lay_pattern(pattern, views, theta, wide)
        rows = [*lay.columns]
        if slopes:
            rows = self._core_rows(pattern, lay, views) + rows
        core = len(rows) - len(lay.columns)
        stacked = lay.whiten(np.stack(rows, axis=1))
        residual = lay.whiten(lay.residual[:, None])[:, 0]
        gram = stacked @ np.swapaxes(stacked, 1, 2)
        rhs = (stacked @ residual[:, :, None])[:, :, 0]
        inner = gram[:, core:, core:].copy()
        loose = np.arange(3, inner.shape[1])
        inner[:, loose, loose] += 1.0
        finite = np.isfinite(inner).all(axis=(1, 2)) & np.isfinite(rhs).all(axis=1)
        # A mark seen edge-on leaves its position open; a trace of a prior keeps this solvable.
        every = np.arange(inner.shape[1])
        inner[:, every, every] *= 1 + 1e-10
        inner[~finite] = np.eye(inner.shape[1])
        cross = gram[:, :core, core:]
        solved = np.linalg.solve(
            inner, np.concatenate([rhs[:, core:, None], np.swapaxes(cross, 1, 2)], axis=2)
        )
        half = 0.5 * ((residual**2).sum(axis=1) - (rhs[:, core:] * solved[:, :, 0]).sum(axis=1))
        half[~finite] = np.inf
        fit = -half - 0.5 * np.linalg.slogdet(inner)[1] - lay.log_spread + lay.log_density
        if not slopes:
            return fit, half, np.empty((len(theta), 0)), np.empty((len(theta), 0, 0))
        index = self._core_index(pattern)
        g = np.zeros((len(theta), self.columns))
        h = np.zeros((len(theta), self.columns, self.columns))
        g[:, index] = rhs[:, :core] - (cross @ solved[:, :, :1])[:, :, 0]
        h[:, index[:, None], index[None, :]] = gram[:, :core, :core] - cross @ solved[:, :, 1:]
        return fit, half, g, h

    def _core_index(self, pattern: Pattern) -> NDArray[np.intp]:
        extra = [column for column, _ in pattern.common]
        if pattern.height_column >= 0:
            extra.append(pattern.height_column)
        return np.array([*range(CORE), *extra], dtype=np.intp)

    def _core_rows(self, pattern: Pattern, lay: Lay, views: Views) -> list[Floats]:
        """Return derivatives of the picture residual by the parameters, each (K, 2N)."""
        x, y = pattern.xy[:, 0], pattern.xy[:, 1]
        ax, ay = views.slope[:, :1], views.slope[:, 1:]
        xu, yu, ahead, _ = views.sights(x, y)
        reach = views.depth_mm[:, None] / ahead * lay.shrink
        sx, sy = xu * reach, yu * reach
        root = np.sqrt(1 + ax * ax + ay * ay)
        kappa = 1 / (1 + root)
        dot = ax * sx + ay * sy
        px, py = lay.mm
        rows = []
        for j, (along, share) in enumerate(((xu, sx), (yu, sy))):
            lead = -kappa * kappa * views.slope[:, j : j + 1] / root * dot + kappa * share
            dx = px * along / ahead + ax * lead
            dy = py * along / ahead + ay * lead
            if j == 0:
                dx = dx + kappa * dot
            else:
                dy = dy + kappa * dot
            rows.append(lay.in_pixels(dx, dy))
        rows.append(lay.in_pixels(px, py))
        _, focal_u = self.camera.focal_guess
        f = views.focal_px[:, None]
        fx, fy = x - views.centre[:, :1], y - views.centre[:, 1:]
        rows.append(np.concatenate([-focal_u * fx, -focal_u * fy], axis=1))
        r2 = (fx * fx + fy * fy) / (f * f)
        k1, k2 = views.k1[:, None], views.k2[:, None]
        bend = -r2 / (1 - (k1 + 3 * k2 * r2) * r2)
        first, second = self.camera.lens_k1_u * bend, self.camera.lens_k2_u * bend * r2
        rows.append(np.concatenate([first * fx, first * fy], axis=1))
        move = self.camera.centre_u * self.camera.diagonal_px
        zero, one = np.zeros_like(px), np.full_like(px, -move)
        rows += [np.concatenate([one, zero], axis=1), np.concatenate([zero, one], axis=1)]
        rows.append(np.concatenate([second * fx, second * fy], axis=1))
        rows += [lay.turned(change) for _, change in pattern.common]
        if pattern.height_column >= 0:
            lift = -pattern.height_u_mm / (views.distance_mm[:, None] * lay.shrink)
            rows.append(lay.in_pixels(px * lift, py * lift))
        return rows


def log_tilt_prior(views: Views) -> Floats:
    """Log prior density of the slopes, up to a constant, (K,).

    The tilt is uniform from a few degrees to about 70, with less weight near square-on, as for
    directions uniform over the sphere, and fading towards grazing; the direction of the tilt is
    uniform.
    """
    s2 = (views.slope**2).sum(axis=1)
    cos = 1 / np.sqrt(1 + s2)
    sin2 = s2 / (1 + s2)
    tilt = np.degrees(np.arccos(cos))
    flat = math.sin(math.radians(_FLAT_DEG)) ** 2
    # p(tilt) d tilt d azimuth = p(slopes) s ds d azimuth, with ds = d tilt / cos² and sin = s cos
    fade = np.logaddexp(0.0, (tilt - _STEEP_DEG) / _FADE_DEG)
    return np.asarray(3 * np.log(cos) - 0.5 * np.log(sin2 + flat) - fade, dtype=np.float64)


# From marks to patterns --------------------------------------------------------------------------


def build_model(
    marks: tuple[Mark, ...],
    camera: Camera,
    *,
    click_px: float,
    corner_px: float,
    seen: Floats | None = None,
) -> Model:
    """Turn marks into patterns and number their parameters; ``seen`` are (row, col) points."""
    columns = CORE
    by_name: dict[str, int] = {}
    shared: list[tuple[int, str]] = []
    wide: list[tuple[float, float, float]] = []
    if camera.shared:
        shared += [(column, f"{camera.shared}:{what}") for column, what in _OF_THE_LENS]
    patterns = []
    for mark in marks:
        base, errors, along = _shape_of(mark)
        xy = mark.pixels[:, ::-1]
        base = base - base.mean(axis=0)
        if _mirrored(xy, base):
            base = base * (1, -1)
            errors = {what: change * (1, -1) for what, change in errors.items()}
        modes, common = [], []
        for what, change in errors.items():
            change = change - change.mean(axis=0)
            if not mark.shared:
                modes.append(change)
                continue
            name = f"{mark.shared}:{what}"
            if name not in by_name:
                by_name[name] = columns
                shared.append((columns, name))
                columns += 1
            common.append((by_name[name], change))
        height, column, wide_column = mark.offset_mm, -1, -1
        if mark.place != "face":
            height = -abs(mark.offset_mm)
        if mark.place == "unsaid" or (mark.place == "ground" and height == 0):
            deepest = (-GROUND_MM, 0.0)
            if height:
                deepest = (height - 2 * mark.offset_u_mm, height + 2 * mark.offset_u_mm)
            wide_column = len(wide)
            wide.append((0.5 if mark.place == "unsaid" else 0.0, *deepest))
        elif mark.offset_u_mm > 0:
            column = columns
            columns += 1
        patterns.append(
            Pattern(
                xy=np.ascontiguousarray(xy),
                base=base,
                modes=np.array(modes, dtype=np.float64).reshape(len(modes), *base.shape),
                common=tuple(common),
                along_u_mm=along,
                sigma_px=corner_px if isinstance(mark, Board) else click_px,
                height_mm=height,
                height_column=column,
                height_u_mm=mark.offset_u_mm,
                height_wide=wide_column,
            )
        )
    seen_xy = np.empty((0, 2)) if seen is None else np.asarray(seen, dtype=np.float64)[:, ::-1]
    return Model(camera, tuple(patterns), columns, tuple(shared), tuple(wide), seen_xy)


def _shape_of(mark: Mark) -> tuple[Floats, dict[str, Floats], float]:
    """Points of the object, its own errors by name, and the error of each point along it."""
    if isinstance(mark, Length):
        unit = np.array([[-0.5, 0.0], [0.5, 0.0]])
        return unit * mark.mm, {"length": unit * mark.u_mm}, 0.0
    if isinstance(mark, Tape):
        base = np.column_stack([mark.mm, np.zeros(len(mark.mm))])
        return base, {"scale": (base - base.mean(axis=0)) * mark.scale_u}, mark.u_mm
    if isinstance(mark, Rectangle):
        unit = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
        zero = np.zeros(4)
        errors = {
            "width": np.column_stack([unit[:, 0], zero]) * mark.u_mm,
            "height": np.column_stack([zero, unit[:, 1]]) * mark.u_mm,
            "square": np.column_stack([unit[:, 1], zero]) * mark.u_mm,
        }
        return unit * (mark.width_mm, mark.height_mm), errors, 0.0
    if isinstance(mark, Square):
        legs = np.array([[0.0, 0.0], [mark.a_mm, 0.0], [0.0, mark.b_mm]])
        errors = {
            "a": np.array([[0.0, 0], [1, 0], [0, 0]]) * mark.u_mm,
            "b": np.array([[0.0, 0], [0, 0], [0, 1]]) * mark.u_mm,
            "square": np.array([[0.0, 0], [0, 0], [1, 0]]) * mark.u_mm,
        }
        return legs, errors, 0.0
    if isinstance(mark, Board):
        base = np.array(mark.mm)
        return base, {"scale": (base - base.mean(axis=0)) * mark.scale_u}, 0.0
    raise TypeError(f"{type(mark).__name__} is not a reference mark")


def _mirrored(xy: Floats, base: Floats) -> bool:
    """Whether the object's axes have the other handedness than the picture's.

    A face is seen from the front, so a mirrored match only means that the corners were listed
    the other way round or that the board's second axis points up.
    """
    design = np.column_stack([base, np.ones(len(base))])
    affine, _, rank, _ = np.linalg.lstsq(design, xy, rcond=None)
    return bool(rank == 3 and np.linalg.det(affine[:2]) < 0)
