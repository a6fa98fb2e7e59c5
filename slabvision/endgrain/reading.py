"""From a photo of a sawn end to the rings: the order of the steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from slabvision.endgrain.centre import refine_centre, score_centres, vote_for_centre
from slabvision.endgrain.errors import NotReadable
from slabvision.endgrain.evidence import Evidence, refuse_if_unreadable
from slabvision.endgrain.field import RingField, smooth_slopes
from slabvision.endgrain.pith import walk_inwards
from slabvision.endgrain.rings import flatten, polar_frame, slopes_of, unroll
from slabvision.endgrain.saw_marks import without_saw_marks
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

REACH = 5.0
"""How far the pith may be from the middle of the wood, in widths."""
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


@dataclass(frozen=True)
class _Guess:
    """A first centre: where, how sure, share of directions that agree, clearness of its rings."""

    centre: Floats
    cov: Floats
    agreement: float
    clearness: float


def _first_guess(
    cells: Cells,
    hint: Floats | None,
    long_side: float,
    pyramid: Pyramid,
    level: int,
    wood: Floats,
) -> _Guess:
    """Return the centre whose rings are both many and clear."""
    if cells.weight.size < 50 or cells.weight.sum() < 1e-3:
        raise NotReadable(
            "There is almost no structure in the wood",
            "Cut or plane a fresh strip across the end and photograph it closer, in focus",
        )
    args = (cells.centre, cells.normal, cells.weight)
    reach = REACH * long_side
    if hint is not None:
        starts = hint[None]
    else:
        rng = named_rng("end grain: pairs of normals")
        starts, _ = vote_for_centre(*args, rng=rng, reach=reach, radial=RADIAL)
        starts = _apart(starts, cells.centre)
    if starts.shape[0] == 0:
        raise NotReadable(
            "All lines in the picture are straight and parallel, as on a face or from a saw",
            "Photograph the sawn end, planed or cut fresh, with several rings in view",
        )
    centres, covs = [], []
    for start in starts:
        centre, cov = start, np.eye(2)
        for cut in (20.0, 12.0):
            found, found_cov, _ = refine_centre(
                centre, *_rings_and_rays(cells, centre), cut_deg=cut
            )
            if np.hypot(*(found - start)) > 3 * reach:
                break
            centre, cov = found, found_cov
        centres.append(centre)
        covs.append(cov)
    scores = score_centres(np.array(centres), *args, radial=RADIAL)
    middle = np.average(cells.centre, axis=0, weights=cells.weight)
    far = np.hypot(*(np.array(centres) - middle).T) / reach
    # A board is cut from a log: the pith is rarely several widths away, saw marks always seem so.
    worth = scores / (1 + far**2)
    able = np.nonzero(worth > 0.6 * worth.max())[0]
    clear = np.zeros(len(centres))
    for k in able:
        clear[k] = _clearness(pyramid, level, centres[k], wood)
    best = int(np.argmax(worth * np.sqrt(clear)))
    return _Guess(centres[best], covs[best], float(scores[best]), float(clear[best]))


def _clearness(pyramid: Pyramid, level: int, centre: Floats, wood: Floats) -> float:
    """Return how clear rings round a centre are, averaged over the wood's area (0 to 1)."""
    scale = pyramid.scales[level]
    frame = polar_frame(
        centre, wood, ring_px=8 / scale, min_radius_px=8 / scale, arc_deg=1.0, max_radii=900
    )
    picture, inside = unroll(frame, pyramid.levels[level], pyramid.inside[level], scale)
    rest = flatten(picture, inside, frame, 24 / scale)
    found = slopes_of(rest, inside, frame, half_arc=np.deg2rad(5.0), step=0.1, node_rays=5)
    area = np.exp(2 * found.rho)[None, :] * (found.seen > 0.5)
    level_rings = np.clip(1 - (found.slope / 0.5) ** 2, 0, 1)
    return float((found.weight * level_rings * area).sum() / (area.sum() + 1e-9))


def _rings_and_rays(cells: Cells, centre: Floats) -> tuple[Floats, Floats, Floats]:
    """Return points, normals and weights; a line running towards the centre is its own normal."""
    away = centre - cells.centre
    cosine = np.abs((away * cells.normal).sum(axis=1)) / (np.hypot(away[:, 0], away[:, 1]) + 1e-9)
    ray = cosine < np.sin(np.deg2rad(15.0))
    along = np.stack([-cells.normal[:, 1], cells.normal[:, 0]], axis=1)
    normals = np.where(ray[:, None], along, cells.normal)
    return cells.centre, normals, np.where(ray, RADIAL * cells.weight, cells.weight)


def _apart(starts: Floats, points: Floats, keep: int = 5) -> Floats:
    """Keep the best few centres that differ as seen from the wood."""
    middle = points.mean(axis=0)
    size = float(np.ptp(points, axis=0).max())
    away = starts - middle
    # Far away only the direction counts: squeeze all distances into a disc.
    squeezed = away / (size + np.hypot(away[:, 0], away[:, 1]))[:, None]
    chosen: list[int] = []
    for k in range(min(len(starts), 200)):
        if all(np.hypot(*(squeezed[k] - squeezed[j])) > 0.12 for j in chosen):
            chosen.append(k)
        if len(chosen) == keep:
            break
    return starts[chosen]


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
    area = np.exp(2 * found.rho)[None, :] * wooden
    whole = float(area.sum()) + 1e-9
    w = found.weight * trust * area
    total = float(w.sum()) + 1e-9
    rms = float(np.sqrt((w * smooth**2).sum() / total))
    scatter = float(np.sqrt((w * (found.slope - smooth) ** 2).sum() / total))
    u = np.sqrt(np.deg2rad(1.0) ** 2 + (scatter * 0.5) ** 2 + prior * max(rms, 0.05) ** 2)
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
    level = min(1, len(pyramid.levels) - 1)
    guess = _first_guess(cells, hint, long_side, pyramid, level, wood)
    if not masked:
        view = _wood_found(view, cells, guess.centre)
        pyramid, wood, long_side = _prepare(view)
    edge_px = EDGE_SHARE * long_side
    level = min(1, len(pyramid.levels) - 1)
    planed, marks = without_saw_marks(pyramid, guess.centre)
    if marks:
        cells = cells_of(planed, edge_px=edge_px)
        again = _first_guess(cells, hint, long_side, planed, level, wood)
        # Rings that cross a thin slab squarely look like marks, but then nothing agrees better.
        if max(mark.sure for mark in marks) > 2 or again.agreement > guess.agreement + 0.02:
            guess, pyramid = again, planed
        else:
            marks = ()
    centre, cov = walk_inwards(pyramid, level, guess.centre, guess.cov, wood)
    if _clearness(pyramid, level, centre, wood) < 0.9 * _clearness(
        pyramid, level, guess.centre, wood
    ):
        # The walk followed something else than rings.
        centre, cov = guess.centre, guess.cov + np.eye(2) * (0.05 * long_side) ** 2
    radius = float(np.sqrt(_area(view) / np.pi))
    field, evidence = _field(pyramid, level, centre, cov, wood)
    evidence = evidence.with_centre(
        guess.agreement, float(np.hypot(*(wood - centre).T).min()) / radius
    )
    refuse_if_unreadable(evidence)
    if face is not None:
        ends = np.asarray(face, dtype=np.float64)
        flat_ends = view.to_flat(ends)
        along = flat_ends[1] - flat_ends[0]
        along = along / np.hypot(*along)
    else:
        along = face_direction(view.mask if view.mask is not None else np.ones(grey.shape, bool))
    shape = (int(grey.shape[0]), int(grey.shape[1]))
    return EndGrain(view, field, along, evidence, marks, shape)


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
