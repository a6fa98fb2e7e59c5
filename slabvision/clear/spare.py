"""How much room a placed shape has, in the best world and in every draw.

A placed part touches what is not clear at a few places. Moving and turning it a little changes
each gap linearly, so the largest room all round, after the best small move, is a linear program
in (move, turn, room); its answer changes with the boundary by the multipliers of the touching
places. The program of every draw is solved together by the dual simplex method, one exchange at
a time for all draws at once.

The least of many noisy gaps reads small. Two steps against that: the wobble that is recognised as
the hand's and not the edge's (:mod:`slabvision.clear.wobble`) is taken out of the gaps first, and
the draws are mirrored about the program without noise (the basic bootstrap interval of Davison and
Hinkley, *Bootstrap Methods and their Application*, 1997, section 5.2), which turns the pull of
further noise round.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from slabvision.clear.region import OTHER_FACE, ClearRegion
from slabvision.clear.wobble import SideWobble, side_wobbles
from slabvision.clear.worlds import Worlds, drawn_places, nearest_source, sources_of

__all__ = [
    "Contacts",
    "Freed",
    "best_per_world",
    "boundary_points",
    "edge_arrays",
    "freed",
    "sides_in_worlds",
]

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.intp]

_ROUNDS = 80


@dataclass(frozen=True, eq=False)
class Contacts:
    """Places where a part could touch what is not clear.

    Attributes
    ----------
    points : ndarray, shape (M, 2)
        On the region's boundary, mm.
    normals : ndarray, shape (M, 2)
        Unit vectors from the part towards the boundary.
    gaps : ndarray, shape (M,)
        Distance left, mm; negative where the part is over.
    rows : ndarray, shape (M, d)
        How much of each gap the shape's own freedoms (move, turn, grow) use up.
    centre : ndarray, shape (2,)
        Middle of the part.
    """

    points: Floats
    normals: Floats
    gaps: Floats
    rows: Floats
    centre: Floats


def best_per_world(
    rows: Floats, limits: Floats, gain: Floats, reach: Floats
) -> tuple[Floats, Floats, Floats]:
    """Maximise ``gain · x`` with ``rows @ x <= limits[k]`` and ``|x| <= reach`` for every k.

    Parameters
    ----------
    rows : ndarray, shape (M, d)
    limits : ndarray, shape (K, M)
    gain, reach : ndarray, shape (d,)

    Returns
    -------
    x : ndarray, shape (K, d)
        The best freedoms in every world.
    slope : ndarray, shape (M, d)
        In world 0: how much each freedom rises per mm that each limit is relaxed.
    best : ndarray, shape (K,)
        ``gain · x``.
    """
    count, size = rows.shape
    bounds = np.vstack([np.eye(size), -np.eye(size)])
    a = np.vstack([bounds, rows])
    b = np.hstack([np.tile(np.concatenate([reach, reach]), (len(limits), 1)), limits])
    # a hair of tilt breaks ties, which could make the exchange run in circles
    tilt = 1e-9 * np.abs(gain).max() * np.array([1.0, 1.7, 2.3, 3.1, 4.3, 5.9])[:size]
    c = gain + tilt
    start = np.where(c >= 0, np.arange(size), np.arange(size) + size)
    first, _ = _exchange(a, b[:1], c, np.tile(start, (1, 1)))
    _, x = _exchange(a, b, c, np.tile(first[0], (len(b), 1)))
    slope = np.zeros((2 * size + count, size))
    slope[first[0]] = np.linalg.inv(a[first[0]]).T
    return x, slope[2 * size :], x @ gain


def _exchange(a: Floats, b: Floats, c: Floats, basis: Ints) -> tuple[Ints, Floats]:
    basis = basis.copy()
    x = np.zeros((len(b), a.shape[1]))
    busy = np.arange(len(b))
    for _ in range(_ROUNDS):
        chosen = a[basis[busy]]  # (k, d, d)
        x[busy] = np.linalg.solve(
            chosen, np.take_along_axis(b[busy], basis[busy], axis=1)[..., None]
        )[..., 0]
        over = x[busy] @ a.T - b[busy]
        worst = np.argmax(over, axis=1)
        more = over[np.arange(len(busy)), worst] > 1e-7
        if not more.any():
            break
        busy, worst, chosen = busy[more], worst[more], chosen[more]
        flipped = chosen.transpose(0, 2, 1)
        lam = np.linalg.solve(flipped, np.broadcast_to(c, (len(busy), len(c)))[..., None])[..., 0]
        step = np.linalg.solve(flipped, a[worst][..., None])[..., 0]
        ratio = np.where(step > 1e-10, np.maximum(lam, 0.0) / np.maximum(step, 1e-10), np.inf)
        leave = np.argmin(ratio, axis=1)
        stuck = ~np.isfinite(ratio.min(axis=1))
        basis[busy, leave] = np.where(stuck, basis[busy, leave], worst)
        busy = busy[~stuck]
        if busy.size == 0:
            break
    return basis, x


# The region's boundary ------------------------------------------------------------------------


def edge_arrays(shape: Any) -> tuple[Floats, Floats]:
    """Return start and end of every straight piece of a shape's boundary, each (N, 2), mm."""
    lines = [shapely.get_coordinates(line) for line in shapely.get_parts(shape.boundary)]
    return np.vstack([line[:-1] for line in lines]), np.vstack([line[1:] for line in lines])


def boundary_points(shape: Any, spacing_mm: float) -> Floats:
    """Return every vertex of a shape's boundary and points between, (N, 2), mm."""
    points = shapely.get_coordinates(shapely.segmentize(shape.boundary, spacing_mm))
    return np.asarray(points)


def deviations(
    region: ClearRegion, contacts: Contacts, worlds: Worlds
) -> tuple[dict[str, Floats], Floats]:
    """Return how each gap deviates in every draw, by cause, mm, and the hand's known share.

    Returns
    -------
    parts : dict of str to ndarray, shape (draws, M)
        For ``"plane"``, ``"boundary"`` and ``"flatness"``, and ``"match"`` for a region of both
        faces.
    shift : ndarray, shape (M,)
        Wobble of the hand that the edge's own spectrum gives away, to be added to the gaps.
    """
    points, normals, centre = contacts.points, contacts.normals, contacts.centre
    flat = worlds.smooth(region.face.outline.bounds)
    drawn = drawn_places(region, points)
    parts = {}
    for cause, carried, still in (
        ("plane", flat, worlds.warp is None),
        ("flatness", worlds.bent, worlds.bend is None),
    ):
        parts[cause] = np.zeros((worlds.draws, len(points)))
        if not still:
            moved = carried(np.vstack([drawn, centre]))
            moved = moved[:, :-1] + (points - drawn) - moved[:, -1:]
            parts[cause] = _shifted(moved, points - centre, normals)
    parts["boundary"], shift = _drawn(region, points, normals, worlds)
    if region.wander is not None:
        parts["match"] = _wandered(region, contacts)
    return parts, shift


def _shifted(moved: Floats, arm: Floats, normals: Floats) -> Floats:
    """Return how far arms (M, 2) that became moved (draws, M, 2) reach out along the normals.

    What turns the whole face does not change a gap and is taken off first.
    """
    dot = np.einsum("kmi,mi->k", moved, arm)
    cross = np.sum(moved[..., 1] * arm[:, 0] - moved[..., 0] * arm[:, 1], axis=1)
    size = np.hypot(dot, cross)
    cos, sin = (dot / size)[:, None], (cross / size)[:, None]
    turned_u = cos * moved[..., 0] + sin * moved[..., 1] - arm[:, 0]
    turned_v = -sin * moved[..., 0] + cos * moved[..., 1] - arm[:, 1]
    return np.asarray(turned_u * normals[:, 0] + turned_v * normals[:, 1])


def _wandered(region: ClearRegion, contacts: Contacts) -> Floats:
    """Return how each gap deviates because what bounds it was carried from the other face."""
    assert region.wander is not None
    found = sources_of(region)
    other = np.array([source.startswith(OTHER_FACE) for source, _ in found])
    here = other[nearest_source(found, contacts.points)]
    moved = region.wander(contacts.points)
    return np.where(here, np.einsum("kni,ni->kn", moved, contacts.normals), 0.0)


def _drawn(
    region: ClearRegion, points: Floats, normals: Floats, worlds: Worlds
) -> tuple[Floats, Floats]:
    out = np.zeros((worlds.draws, len(points)))
    shift = np.zeros(len(points))
    if worlds.hand is None:
        return out, shift
    found = sources_of(region)
    nearest = nearest_source(found, points)
    for index in np.unique(nearest):
        source = found[int(index)][0]
        here = np.flatnonzero(nearest == index)
        if source == "arris":
            out[:, here], shift[here] = _on_arris(region, points[here], worlds)
            continue
        ring = _drawn_ring(region, source)
        field, step = worlds.wobble(source, ring.length)
        at = shapely.line_locate_point(ring, shapely.points(points[here])) / step
        low = np.floor(at).astype(np.intp) % field.shape[1]
        high = (low + 1) % field.shape[1]
        part = at - np.floor(at)
        wobble = field[:, low] * (1 - part) + field[:, high] * part
        # what is taken away grows into the clear wood
        out[:, here] = -(worlds.offset(source)[:, None] + wobble)
        along, across = region.swell.get(source, (0.0, 0.0))
        if along or across:
            # What is kept out goes by the mean diameter: two offsets, and the wobble at the four
            # places that bound it.
            turned = normals[here] ** 2 @ np.array([along, across])
            grown = worlds.offset(source) + worlds.diameter_wobble(source)
            out[:, here] -= turned * grown[:, None]
    return out, shift


def _on_arris(region: ClearRegion, points: Floats, worlds: Worlds) -> tuple[Floats, Floats]:
    """Return how the drawn arris lies off at points, (draws, N), and the part that is known."""
    fields = sides_in_worlds(region.face.outline, worlds)
    out, shift = np.zeros((worlds.draws, len(points))), np.zeros(len(points))
    place: Any = shapely.points(points)
    nearest = np.argmin([shapely.distance(place, field.line) for field in fields], axis=0)
    for index, field in enumerate(fields):
        here = np.flatnonzero(nearest == index)
        if len(here):
            shift[here], out[:, here] = field.at(points[here])
    return out + worlds.offset("arris")[:, None], shift


def sides_in_worlds(outline: Any, worlds: Worlds) -> tuple[SideWobble, ...]:
    """Return the wobble of an outline's sides, made once for these worlds."""
    assert worlds.hand is not None
    kept: dict[bytes, tuple[SideWobble, ...]] = worlds.__dict__.setdefault("_sides", {})
    shape = bytes(outline.wkb)
    if shape not in kept:
        key = f"{worlds.key}:arris"
        kept[shape] = side_wobbles(
            outline, worlds.hand, worlds.mm_per_px, key=key, draws=worlds.draws
        )
    return kept[shape]


def _drawn_ring(region: ClearRegion, source: str) -> Any:
    shape = next((r.as_seen for r in region.removals if r.source == source), None)
    if shape is None or shape.is_empty:
        shape = next(r.shape for r in region.removals if r.source == source)
    return max(shapely.get_parts(shape), key=lambda part: part.area).exterior


@dataclass(frozen=True, eq=False)
class Freed:
    """The freedoms of a placed shape at best and in every draw.

    Attributes
    ----------
    drawn : ndarray, shape (d,)
        At best, as drawn.
    best : ndarray, shape (d,)
        At best, the hand's known wobble taken out.
    draws : ndarray, shape (draws, d)
        In every draw, mirrored about ``best``.
    parts : dict of str to ndarray, shape (draws, d)
        Deviation by each cause alone, to first order.
    """

    drawn: Floats
    best: Floats
    draws: Floats
    parts: dict[str, Floats]


def freed(
    contacts: Contacts,
    gain: Floats,
    reach: Floats,
    region: ClearRegion,
    worlds: Worlds,
    *,
    joined: Floats | None = None,
) -> Freed:
    """Return the freedoms that maximise ``gain · x`` within the gaps, in every draw.

    Parameters
    ----------
    contacts : Contacts
        ``gaps`` and ``rows`` have one entry per limit.
    gain, reach : ndarray, shape (d,)
    region : ClearRegion
    worlds : Worlds
    joined : ndarray, shape (limits, points), optional
        How each limit moves with the points when it is not one point each (a width has two).
    """
    parts, shift = deviations(region, contacts, worlds)
    if joined is not None:
        parts = {cause: deviation @ joined.T for cause, deviation in parts.items()}
        shift = joined @ shift
    total = np.sum(list(parts.values()), axis=0)
    limits = np.vstack([contacts.gaps + shift, contacts.gaps, contacts.gaps + shift - total])
    x, slope, _ = best_per_world(contacts.rows, limits, gain, reach)
    by_cause = {cause: deviation @ slope for cause, deviation in parts.items()}
    return Freed(x[1], x[0], 2 * x[0] - x[2:], by_cause)
