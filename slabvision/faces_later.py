"""The same face of a slab at two dates: what grew, what is new, what is gone.

The later photo is laid on the earlier one by its edges, unmirrored. Both then share the earlier
photo's scale, so most of the error of scale cancels out of a growth. Wood dries across its grain,
by up to about a tenth, and hardly along it: the scale across is left free, the scale along is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from slabvision.clear.shapes import DefectShape, FaceShape
from slabvision.clear.worlds import Sized, Worlds
from slabvision.defects import defect_kind
from slabvision.estimate import Estimate
from slabvision.faces_fit import Landmark, Priors
from slabvision.faces_match import Match, lay_on
from slabvision.faces_places import same_places

__all__ = ["Change", "Later", "compare_later"]

Floats: TypeAlias = NDArray[np.float64]
State: TypeAlias = Literal["grew", "shrank", "no change shown", "new", "gone", "not seen before",
                           "not seen now"]  # fmt: skip

_SAME_FACE = Priors(
    scale_across=0.03,
    across_mean=0.01,
    flare_mm=2.0,
    flare_apart_mm=1.5,
    flare_apart_share=0.0,
    flare_taper_mm=2.0,
    end_mm=3.0,
)
"""The same arris twice: no flare. An end may have been trimmed a little."""


@dataclass(frozen=True, eq=False)
class Change:
    """One defect, or several that were or became one, at two dates.

    Attributes
    ----------
    title : str
        Its term.
    quantity : {"length", "area"}
        What is compared: the length of checks, the area of anything else.
    before, after : tuple of int
        Numbers at the two dates.
    was, now, growth : Sized
        mm or mm², in the earlier photo's scale. ``growth`` leans on what both share.
    state : str
        ``"grew"`` and ``"shrank"`` when the whole interval lies on one side of nothing.
    place : (float, float)
        On the earlier face, mm.
    """

    title: str
    quantity: Literal["length", "area"]
    before: tuple[int, ...]
    after: tuple[int, ...]
    was: Sized
    now: Sized
    growth: Sized
    state: State
    place: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Later:
    """What changed on a face between two dates.

    Attributes
    ----------
    match : Match
        How the later face lies on the earlier one.
    changes : tuple of Change
        Defects, the greatest growth first.
    shrinkage_across : Estimate
        How much narrower the face became, a ratio; the two photos' scales bound how well it
        can be known.
    """

    match: Match
    changes: tuple[Change, ...]
    shrinkage_across: Estimate


def compare_later(
    earlier: FaceShape,
    worlds_earlier: Worlds,
    later: FaceShape,
    worlds_later: Worlds,
    *,
    landmarks: Sequence[Landmark] = (),
    key: str = "later",
) -> Later:
    """Return what grew, what is new and what is gone on one face, with intervals.

    Parameters
    ----------
    earlier, later : FaceShape
        The same face, each in its own frame.
    worlds_earlier, worlds_later : Worlds
        How each lies in every draw; the same number of draws.
    landmarks : sequence of Landmark
        Places marked on both, if the edges are plain.
    key : str
        Names the random draws of the match.

    Raises
    ------
    NotTheSameSlabError
        The outlines cannot be, or cannot be shown to be, the same face.
    """
    if worlds_earlier.draws != worlds_later.draws:
        raise ValueError(
            f"{worlds_earlier.draws} and {worlds_later.draws} draws: they do not share their worlds"
        )
    match = lay_on(
        earlier, later, mirrored=False, landmarks=landmarks, priors=_SAME_FACE,
        draws=worlds_earlier.draws, key=key,
    )  # fmt: skip
    carried = {d.number: match.to_a(d.geometry) for d in later.defects}
    changes = [
        _change(earlier, worlds_earlier, later, worlds_later, match, one, two, carried)
        for one, two in _groups(earlier, later, carried, match.u_mm)
    ]
    order = {"grew": 0, "new": 1, "no change shown": 3, "shrank": 4, "gone": 5}
    changes.sort(key=lambda c: (order.get(c.state, 2), -abs(c.growth.value)))
    return Later(
        match, tuple(changes), _shrunk(match, earlier, worlds_earlier, later, worlds_later)
    )


def _shrunk(
    match: Match, earlier: FaceShape, worlds_a: Worlds, later: FaceShape, worlds_b: Worlds
) -> Estimate:
    along = np.hypot(match.matrices[:, 0, 0], match.matrices[:, 1, 0])
    across = np.abs(np.linalg.det(match.matrices[:, :, :2])) / along
    # wood that shrank is stretched back; a photo's tilt stretches one way more than the other
    tilt = _squareness(earlier, worlds_a) / _squareness(later, worlds_b)
    best = 1.0 - match.scale_along / match.scale_across
    return Estimate(best, 1.0 - along / across / tilt)


def _squareness(face: FaceShape, worlds: Worlds) -> Floats:
    """Return across over along of the face in every draw of its plane, best value 1."""
    u0, v0, u1, v1 = face.outline.bounds
    u, v = (u0 + u1) / 2, (v0 + v1) / 2
    cross = np.array([[u0, v], [u1, v], [u, v0], [u, v1]])
    moved = worlds.moved(cross)
    long = np.linalg.norm(moved[:, 1] - moved[:, 0], axis=1) / (u1 - u0)
    wide = np.linalg.norm(moved[:, 3] - moved[:, 2], axis=1) / (v1 - v0)
    return np.asarray(wide / long)


def _groups(
    earlier: FaceShape, later: FaceShape, carried: dict[int, Any], u_mm: float
) -> list[tuple[list[DefectShape], list[DefectShape]]]:
    """Return defects of both dates that lie in the same place: checks join, spots merge."""
    first, second = list(earlier.defects), list(later.defects)
    parent = list(range(len(first) + len(second)))

    def root(i: int) -> int:
        while parent[i] != i:
            i = parent[i]
        return i

    one_at = {d.number: i for i, d in enumerate(first)}
    two_at = {d.number: len(first) + j for j, d in enumerate(second)}
    for a, b in same_places(first, second, carried, u_mm):
        parent[root(two_at[b])] = root(one_at[a])
    groups: dict[int, tuple[list[DefectShape], list[DefectShape]]] = {}
    for index in range(len(parent)):
        one, two = groups.setdefault(root(index), ([], []))
        if index < len(first):
            one.append(first[index])
        else:
            two.append(second[index - len(first)])
    return list(groups.values())


def _change(
    earlier: FaceShape,
    worlds_a: Worlds,
    later: FaceShape,
    worlds_b: Worlds,
    match: Match,
    one: list[DefectShape],
    two: list[DefectShape],
    carried: dict[int, Any],
) -> Change:
    every = one + two
    line = all(defect_kind(d.kind).line for d in every)
    unit = "mm" if line else "mm2"
    was = [_measured(d, d.geometry, line) for d in one]
    now = [_measured(d, carried[d.number], line, match) for d in two]
    before, after = sum(was), sum(now)
    drawn_a = _drawn(one, worlds_a, line)
    drawn_b = _drawn(two, worlds_b, line)
    # the later photo is measured in the earlier one's scale; how well that is known is the match's
    linear = match.matrices[:, :, :2]
    if line:
        way = np.linalg.norm(linear[:, :, 0], axis=1) / np.linalg.norm(match.matrix[:, 0])
    else:
        way = np.linalg.det(linear) / np.linalg.det(match.matrix[:, :2])
    matched = after * (np.abs(way) - 1.0)
    scale = _scale(earlier, worlds_a, 1 if line else 2)
    growth = Sized.summed(
        after - before,
        unit,
        {"plane": (after - before) * scale, "boundary": drawn_b - drawn_a, "match": matched},
    )
    place = shapely.union_all([d.geometry for d in one] or [carried[d.number] for d in two])
    at = place.representative_point()
    return Change(
        title=defect_kind((two or one)[0].kind).title,
        quantity="length" if line else "area",
        before=tuple(d.number for d in one),
        after=tuple(d.number for d in two),
        was=_positive(before, unit, {"plane": before * scale, "boundary": drawn_a}),
        now=_positive(after, unit, {"plane": after * scale, "boundary": drawn_b, "match": matched}),
        growth=growth,
        state=_state(one, two, growth, at, earlier, later, match),
        place=(float(at.x), float(at.y)),
    )


def _positive(value: float, unit: str, parts: dict[str, Floats]) -> Sized:
    whole = Sized.summed(value, unit, parts)
    return Sized(Estimate(value, np.maximum(whole.estimate.draws, 0.0), unit), parts)


def _measured(defect: DefectShape, shape: Any, line: bool, match: Match | None = None) -> float:
    """Length of a check or area of anything else, mm or mm², in the frame of ``shape``."""
    if not line:
        return float(shape.area)
    if defect.centre_line is not None:
        path = defect.centre_line if match is None else match.to_a(defect.centre_line)
        return float(path.length)
    if defect.length_mm is not None:
        return defect.length_mm * (1.0 if match is None else match.scale_along)
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    return float(np.max(np.linalg.norm(np.diff(corners, axis=0), axis=1), initial=0.0))


def _drawn(defects: list[DefectShape], worlds: Worlds, line: bool) -> Floats:
    """Return what the hand adds: two tips of a check, the whole edge of anything else."""
    out = np.zeros(worlds.draws)
    for defect in defects:
        if not line:
            out = out + worlds.area_change(f"defect {defect.number}", float(defect.shape.length))
        elif worlds.hand is not None:
            for tip in range(2):
                out = out + worlds.hand.point_draws(
                    f"{worlds.key}:defect {defect.number}:length:{tip}",
                    worlds.mm_per_px,
                    worlds.draws,
                )
    return out


def _scale(face: FaceShape, worlds: Worlds, power: int) -> Floats:
    """Relative deviation of a length (1) or an area (2) of the earlier photo in every draw."""
    gross = face.outline.area
    area = worlds.plane_area(face.outline) * worlds.bent_area(face.outline) / gross**2
    return np.asarray(area ** (power / 2) - 1.0)


def _state(
    one: list[DefectShape],
    two: list[DefectShape],
    growth: Sized,
    at: Any,
    earlier: FaceShape,
    later: FaceShape,
    match: Match,
) -> State:
    if not one:
        return "not seen before" if earlier.not_seen.intersects(at) else "new"
    if not two:
        return "not seen now" if match.to_a(later.not_seen).intersects(at) else "gone"
    lo, hi = growth.interval
    return "grew" if lo > 0 else "shrank" if hi < 0 else "no change shown"
