"""From a photo of a sawn end to the rings: the order of the steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from slabvision.endgrain.centre import refine_centre, score_centres, vote_for_centre
from slabvision.endgrain.errors import NotReadable
from slabvision.endgrain.evidence import Evidence, refuse_if_unreadable
from slabvision.endgrain.field import RingField, smooth_slopes
from slabvision.endgrain.pith import walk_inwards
from slabvision.endgrain.rings import flatten, polar_frame, slopes_of, unroll
from slabvision.endgrain.tensor import Cells, Pyramid, build_pyramid, cells_of, grey_of
from slabvision.endgrain.view import PlaneLike, View, flat_view
from slabvision.endgrain.wood import face_direction, plain_background, wood_from_cells
from slabvision.estimate import named_rng

if TYPE_CHECKING:
    from slabvision.endgrain.result import EndGrain

__all__ = ["read_end_grain"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

EDGE_SHARE = 0.012
"""Band along the outline that does not vote, as a share of the wood's long side."""

RADIAL = 0.5
"""What a line running towards a centre (ray, check, stain) is worth in the vote."""


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


def _first_centre(cells: Cells, hint: Floats | None, reach: float) -> tuple[Floats, Floats, float]:
    """Return a first centre, its covariance and the share of directions that agree with it."""
    rng = named_rng("end grain: pairs of normals")
    if cells.weight.size < 50 or cells.weight.sum() < 1e-3:
        raise NotReadable(
            "There is almost no structure in the wood",
            "Cut or plane a fresh strip across the end and photograph it closer, in focus",
        )
    args = (cells.centre, cells.normal, cells.weight)
    if hint is not None:
        starts = hint[None]
    else:
        starts, _ = vote_for_centre(*args, rng=rng, reach=reach, radial=RADIAL)
        starts = starts[:6]
    if starts.shape[0] == 0:
        raise NotReadable(
            "All lines in the picture are straight and parallel, as on a face or from a saw",
            "Photograph the sawn end, planed or cut fresh, with several rings in view",
        )
    refined = []
    for start in starts[:: max(1, len(starts) // 3)]:
        # Lines that run towards the centre help to find it: their own direction is the normal.
        away = start - cells.centre
        cosine = np.abs((away * cells.normal).sum(axis=1)) / (np.hypot(*away.T) + 1e-9)
        ray = cosine < np.sin(np.deg2rad(15.0))
        normals = np.where(
            ray[:, None], np.stack([-cells.normal[:, 1], cells.normal[:, 0]], axis=1), cells.normal
        )
        weights = np.where(ray, RADIAL * cells.weight, cells.weight)
        refined.append(refine_centre(start, cells.centre, normals, weights))
    scores = score_centres(np.array([one[0] for one in refined]), *args, radial=RADIAL)
    best = int(np.argmax(scores))
    return refined[best][0], refined[best][1], float(scores[best])


def _field(
    pyramid: Pyramid, level: int, centre: Floats, cov: Floats, wood: Floats
) -> tuple[RingField, Evidence]:
    """Read the slopes of the rings round a centre and smooth them."""
    scale = pyramid.scales[level]
    frame = polar_frame(centre, wood, ring_px=8 / scale, min_radius_px=8 / scale)
    picture, inside = unroll(frame, pyramid.levels[level], pyramid.inside[level], scale)
    rest = flatten(picture, inside, frame, 24 / scale)
    found = slopes_of(rest, inside, frame)
    scales = ((1.0, 1.0), (3.0, 3.0), (10.0, 8.0))
    smooth, seen, prior, trust = smooth_slopes(
        found.slope, found.weight, scales=scales, closed=frame.closed, floor=0.02
    )
    wooden = found.seen > 0.5
    w = found.weight * trust
    total = float(w[wooden].sum()) + 1e-9
    rms = float(np.sqrt((w * smooth**2)[wooden].sum() / total))
    scatter = float(np.sqrt((w * (found.slope - smooth) ** 2)[wooden].sum() / total))
    u = np.sqrt(np.deg2rad(1.0) ** 2 + (scatter * 0.5) ** 2 + prior * max(rms, 0.05) ** 2)
    field = RingField(frame, found.theta, found.rho, smooth, u, seen * wooden, trust * wooden, cov)
    evidence = Evidence(
        agreement=0.0,
        clear=float(found.weight[wooden].mean()) if wooden.any() else 0.0,
        seen=float(seen[wooden].mean()) if wooden.any() else 0.0,
        trusted=float((found.weight * trust)[wooden].sum() / (found.weight[wooden].sum() + 1e-9)),
        deviation=rms,
        scatter=scatter,
        distance=0.0,
    )
    return field, evidence


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
    Structure tensor with Scharr gradients (Bigün & Granlund 1987; Scharr 2000), robust voting for
    the centre (Fischler & Bolles 1981; Holland & Welsch 1977), local slant stacks in the
    log-polar picture (Taner & Koehler 1969), normalized convolution (Knutsson & Westin 1993).
    """
    from slabvision.endgrain.result import EndGrain

    _checked(pixels, mask, face, pith_hint)
    grey = grey_of(pixels)
    if mask is None:
        mask = plain_background(grey)
    masked = mask is not None
    view = flat_view(grey, mask, plane)
    hint = None
    if pith_hint is not None:
        hint = view.to_flat(np.asarray(pith_hint, dtype=np.float64)[None])[0]
    pyramid, wood, long_side = _prepare(view)
    cells = cells_of(pyramid, edge_px=EDGE_SHARE * long_side)
    centre, cov, agreement = _first_centre(cells, hint, reach=12 * long_side)
    if not masked:
        view = _wood_found(view, cells, centre)
        pyramid, wood, long_side = _prepare(view)
    level = min(1, len(pyramid.levels) - 1)
    radius = float(np.sqrt(_area(view) / np.pi))
    centre, cov = walk_inwards(pyramid, level, centre, cov, wood)
    field, evidence = _field(pyramid, level, centre, cov, wood)
    evidence = evidence.with_centre(agreement, float(np.hypot(*(wood - centre).T).min()) / radius)
    refuse_if_unreadable(evidence)
    if face is not None:
        ends = np.asarray(face, dtype=np.float64)
        flat_ends = view.to_flat(ends)
        along = flat_ends[1] - flat_ends[0]
        along = along / np.hypot(*along)
    else:
        along = face_direction(view.mask if view.mask is not None else np.ones(grey.shape, bool))
    return EndGrain(view, field, along, evidence, grey.shape)


def _area(view: View) -> float:
    return float(view.grey.size if view.mask is None else np.count_nonzero(view.mask))


def _prepare(view: View) -> tuple[Pyramid, Floats, float]:
    mask = view.mask if view.mask is not None else np.ones(view.grey.shape, bool)
    step = max(1, max(mask.shape) // 160)
    wood = _small(mask, step)
    if wood.shape[0] < 20:
        step = 1
        wood = _small(mask, step)
    long_side = float(max(np.ptp(wood[:, 0]), np.ptp(wood[:, 1]))) + step
    return build_pyramid(view.grey, view.mask, long_side), wood, long_side


def _wood_found(view: View, cells: Cells, centre: Floats) -> View:
    """Return the view with the wood that the rings themselves show."""
    from slabvision.opencv import cv2

    away = centre - cells.centre
    sine = np.abs(away[:, 0] * cells.normal[:, 1] - away[:, 1] * cells.normal[:, 0])
    agree = (sine < np.sin(np.deg2rad(25.0)) * np.hypot(away[:, 0], away[:, 1])).astype(float)
    region = wood_from_cells(agree, cells.weight, cells.cell, cells.grid)
    if region.mean() < 0.02:
        return view
    rows, cols = view.grey.shape
    found = cv2.resize(region.astype(np.uint8), (cols, rows), interpolation=cv2.INTER_NEAREST) > 0
    if view.mask is not None:
        found &= view.mask
    return View(view.grey, found, view.mm_per_px, view.origin_mm, view.plane)
