"""From a photo of a sawn end to the rings: the order of the steps."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from slabvision.endgrain.centre import share_agreeing
from slabvision.endgrain.directions import Directions, directions_of
from slabvision.endgrain.errors import NotReadable
from slabvision.endgrain.evidence import Evidence, refuse_if_unreadable
from slabvision.endgrain.field import RingField, smooth_slopes
from slabvision.endgrain.pith import walk_inwards
from slabvision.endgrain.pyramid import Pyramid, build_pyramid, grey_of
from slabvision.endgrain.rings import PolarFrame, flatten, polar_frame, slopes_of, unroll
from slabvision.endgrain.saw_marks import SawMarks, without_saw_marks
from slabvision.endgrain.trend import Trend, best_trend, follow
from slabvision.endgrain.view import PlaneLike, View, flat_view
from slabvision.endgrain.wood import face_direction, plain_background, wood_from_cells

if TYPE_CHECKING:
    from slabvision.endgrain.result import EndGrain

__all__ = ["read_end_grain"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

EDGE_SHARE = 0.012
"""Band along the outline that does not vote, as a share of the wood's long side."""

LEAST_LINES = 0.02
"""Share of the contrast that lines must hold; even noise reaches 0.05."""
MOST_SAWS = 2
"""Saw marks are taken out in at most so many directions."""
GAIN = 1.05
"""How much more must agree with one centre without them."""
LEAST_U_DEG = 1.4
"""Standard uncertainty of a direction where rings are clear, degrees: counted on rendered ends."""
NODES_AGREE = 0.9
"""Share of the scatter of single nodes that is left after smoothing: counted likewise."""
REACH, STEP = 0.32, 0.08
"""Slopes are tried so far from the general run of the rings, in such steps."""
TREND = 0.75
"""Share of the general run's own uncertainty: counted likewise."""
START_U = 0.05
"""Standard deviation of the first guess of the pith, in long sides of the wood."""


def _checked(
    pixels: NDArray[np.uint8],
    mask: NDArray[np.bool_] | None,
    face: ArrayLike | None,
    pith_hint: ArrayLike | None,
) -> None:
    if pixels.ndim not in (2, 3) or (pixels.ndim == 3 and pixels.shape[2] not in (3, 4)):
        raise ValueError(f"pixels have shape {pixels.shape}; (rows, cols, 3) RGB is needed")
    if pixels.dtype != np.uint8:
        raise ValueError(f"pixels are {pixels.dtype}; uint8 (0 to 255) is needed")
    if mask is not None:
        if mask.shape != pixels.shape[:2]:
            raise ValueError(
                f"mask has shape {mask.shape}, the picture {pixels.shape[:2]}; "
                "they must be the same size"
            )
        if not mask.any():
            raise ValueError("the mask is empty; paint the wood, or leave the mask out")
    if face is not None:
        ends = np.asarray(face, dtype=np.float64)
        if ends.shape != (2, 2) or not np.isfinite(ends).all():
            raise ValueError(f"face has shape {ends.shape}; two (row, col) points are needed")
        if np.hypot(*(ends[1] - ends[0])) < 2:
            raise ValueError("the two face points are the same; click one at each end of the face")
    if pith_hint is not None:
        hint = np.asarray(pith_hint, dtype=np.float64)
        if hint.shape != (2,) or not np.isfinite(hint).all():
            raise ValueError(f"pith_hint has shape {hint.shape}; one (row, col) point is needed")
    if min(pixels.shape[:2]) < 48:
        raise NotReadable(
            f"The picture is only {pixels.shape[0]} x {pixels.shape[1]} pixels",
            "Photograph the end so that it fills the frame",
        )


def _field(
    pyramid: Pyramid, level: int, centre: Floats, cov: Floats, wood: Floats, trend: Trend
) -> tuple[RingField, Evidence]:
    """Read the slopes of the rings round a centre and smooth them."""
    scale = pyramid.scales[level]
    frame = polar_frame(centre, wood, ring_px=8 / scale, min_radius_px=8 / scale)
    picture, inside = unroll(frame, pyramid.levels[level], pyramid.inside[level], scale)
    rest = flatten(picture, inside, frame, 24 / scale)
    run = partial(_expected, trend, frame)
    found = slopes_of(
        rest, inside, frame, reach=REACH, step=STEP, bend=lambda theta, rho: run(theta, rho)[0]
    )
    scales = ((1.0, 1.0), (3.0, 3.0), (10.0, 8.0))
    own = found.slope - found.expected
    rest_of, seen, prior, trust = smooth_slopes(
        own, found.weight, scales=scales, closed=frame.closed, floor=0.02
    )
    smooth = found.expected + rest_of
    _, trend_u = run(found.theta, found.rho)
    wooden = found.seen > 0.5
    area = np.exp(2 * found.rho)[None, :] * wooden
    whole = float(area.sum()) + 1e-9
    w = found.weight * trust * area
    total = float(w.sum()) + 1e-9
    rms = float(np.sqrt((w * smooth**2).sum() / total))
    scatter = float(np.sqrt((w * (found.slope - smooth) ** 2).sum() / total))
    # Where nothing but the general run is known, its own uncertainty counts.
    u = np.sqrt(
        np.deg2rad(LEAST_U_DEG) ** 2 + (scatter * NODES_AGREE) ** 2 + prior * (TREND * trend_u) ** 2
    )
    field = RingField(frame, found.theta, found.rho, smooth, u, seen * wooden, trust * wooden, cov)
    evidence = Evidence(
        agreement=0.0,
        clear=float((found.weight * area).sum() / whole),
        seen=float((seen * area).sum() / whole),
        trusted=total / (float((found.weight * area).sum()) + 1e-9),
        deviation=rms,
        scatter=scatter,
        distance=0.0,
    )
    return field, evidence


def _expected(trend: Trend, frame: PolarFrame, theta: Floats, rho: Floats) -> tuple[Floats, Floats]:
    """Return slope and u (radians) of the general run at angles and log radii of a frame."""
    angle, log_radius = np.meshgrid(theta, rho, indexing="ij")
    turned, u = trend.at(*frame.points(angle, log_radius))
    return -np.tan(turned), u


def _small(mask: Mask, step: int) -> Floats:
    return np.argwhere(mask[::step, ::step]).astype(np.float64) * step


def read_end_grain(
    pixels: NDArray[np.uint8],
    *,
    mask: NDArray[np.bool_] | None = None,
    plane: PlaneLike | None = None,
    face: ArrayLike | None = None,
    pith_hint: ArrayLike | None = None,
) -> EndGrain:
    """Read ring angle, pith and sawn class from a photo of a slab's sawn end.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, cols, 3)
        RGB photo.
    mask : ndarray of bool, shape (rows, cols), optional
        The wood. Without it the region whose rings share a centre is taken.
    plane : optional
        Plane of the end (``to_mm``, ``to_pixels``, ``to_mm_draws``). With it, obliqueness is
        corrected and lengths are in mm; without it, intervals are widened for the tilt of a
        hand-held camera.
    face : array_like, shape (2, 2), optional
        Two (row, col) points along the wide face; the long axis of the mask if not given.
    pith_hint : array_like, shape (2,), optional
        Roughly where the pith is, (row, col); may be outside the picture.

    Returns
    -------
    EndGrain
        Ring direction everywhere, with its uncertainty and whether it was seen.

    Raises
    ------
    NotReadable
        If the picture is not end grain, too blurred or too fine; says what to do.
    ValueError
        If an argument has the wrong shape or type; names it.

    Notes
    -----
    Line averages in every direction instead of a structure tensor (Bigün & Granlund 1987), since
    rings, rays and saw marks cross; a Hough vote for the centre (Duda & Hart 1972), refined
    robustly (Holland & Welsch 1977); local slant stacks in the log-polar picture (Taner &
    Koehler 1969); normalized convolution (Knutsson & Westin 1993).
    """
    from slabvision.endgrain.result import EndGrain

    _checked(pixels, mask, face, pith_hint)
    grey = grey_of(pixels)
    if mask is None:
        mask = plain_background(grey)
    view = flat_view(grey, mask, plane)
    hint = None
    if pith_hint is not None:
        hint = view.to_flat(np.asarray(pith_hint, dtype=np.float64)[None])[0]
    seen = _look(view, hint)
    if mask is None:
        found = _wood_found(view, seen)
        if found is not None:
            view = found
            if pith_hint is not None:
                hint = view.to_flat(np.asarray(pith_hint, dtype=np.float64)[None])[0]
            seen = _look(view, hint)
    pyramid, wood, long_side = seen.pyramid, seen.wood, seen.long_side
    level = len(pyramid.levels) - 1
    marks: list[SawMarks] = []
    for _ in range(MOST_SAWS):
        clean = without_saw_marks(seen.pyramid, seen.directions, seen.centre, long_side)
        if clean is None:
            break
        again = _centred(clean[0], wood, long_side, hint)
        # Rings and rays that run side by side look like marks too; without them less is told.
        if again.agreement < GAIN * seen.agreement:
            break
        seen = again
        marks.append(clean[1])
    start = np.eye(2) * (START_U * long_side) ** 2
    planed = seen.pyramid
    centre, cov = walk_inwards(planed, level, seen.centre, start, wood)
    radius = float(np.sqrt(_area(view) / np.pi))
    trend = follow(seen.directions, centre, view.grey.shape)
    field, evidence = _field(planed, level, centre, cov, wood, trend)
    distance = float(np.hypot(*(wood - centre).T).min()) / radius
    evidence = evidence.with_look(trend, centre, distance, seen.directions)
    refuse_if_unreadable(evidence)
    if face is not None:
        flat_ends = view.to_flat(np.asarray(face, dtype=np.float64))
        along = flat_ends[1] - flat_ends[0]
        along = along / np.hypot(*along)
    else:
        along = face_direction(view.mask if view.mask is not None else np.ones(grey.shape, bool))
    shape = (int(grey.shape[0]), int(grey.shape[1]))
    return EndGrain(view, field, along, evidence, tuple(marks), shape)


@dataclass(frozen=True)
class _Look:
    """A first look at the wood: directions, and the centre that explains most of them."""

    pyramid: Pyramid
    wood: Floats
    long_side: float
    directions: Directions
    centre: Floats
    agreement: float


def _look(view: View, hint: Floats | None) -> _Look:
    pyramid = build_pyramid(view.grey, view.mask)
    mask = view.mask if view.mask is not None else np.ones(view.grey.shape, bool)
    step = max(1, max(mask.shape) // 160)
    wood = _small(mask, step)
    if wood.shape[0] < 30:
        raise NotReadable("The wood is too small in the picture", "Photograph the end closer")
    long_side = float(np.ptp(wood, axis=0).max()) + step
    return _centred(pyramid, wood, long_side, hint)


def _centred(pyramid: Pyramid, wood: Floats, long_side: float, hint: Floats | None) -> _Look:
    directions = directions_of(pyramid, edge_px=EDGE_SHARE * long_side)
    if len(directions.centre) < 30 or directions.every.max(axis=1).mean() < LEAST_LINES:
        raise NotReadable(
            "There is almost no structure in the wood",
            "Cut or plane a fresh strip across the end and photograph it closer, in focus",
        )
    rows, cols = pyramid.levels[0].shape
    shape = (round(rows / pyramid.scales[0]), round(cols / pyramid.scales[0]))
    centre, trend = best_trend(directions, long_side, shape, hint=hint)
    return _Look(pyramid, wood, long_side, directions, centre, trend.worth)


def _area(view: View) -> float:
    return float(view.grey.size if view.mask is None else np.count_nonzero(view.mask))


def _wood_found(view: View, seen: _Look) -> View | None:
    """Return the view of the wood that the rings themselves show; None if that is no part."""
    from slabvision.opencv import cv2

    agree, all_of_it = share_agreeing(seen.directions, seen.centre)
    share = agree / (all_of_it + 1e-9)
    region = wood_from_cells(share, all_of_it, seen.directions.cell, seen.directions.grid)
    if not 0.02 < region.mean() < 0.98:
        return None
    rows, cols = view.grey.shape
    found = cv2.resize(region.astype(np.uint8), (cols, rows), interpolation=cv2.INTER_NEAREST) > 0
    if view.plane is None:
        return flat_view(view.grey, found, None)
    return replace(view, mask=found if view.mask is None else found & view.mask)
