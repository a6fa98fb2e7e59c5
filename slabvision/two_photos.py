"""A long slab in two overlapping photos: its face made one, on the first photo's plane."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from slabvision.face import FaceInView
from slabvision.record import BoardMark, PhotoEntry

if TYPE_CHECKING:
    from slabvision.clear.shapes import FaceShape
    from slabvision.faces_join import Joined

__all__ = ["joined_view", "shared_places"]

Place = tuple[float, float]

_BOARD_U_MM, _SPOT_U_MM = 0.7, 2.0
"""Standard uncertainty of a board's corner and of a named spot in one photo (common practice)."""


def joined_view(first: FaceInView, second: FaceInView) -> tuple[FaceInView, str]:
    """Return two photos of one face as one face, and how well they hang together, in words.

    Raises
    ------
    slabvision.faces_join.CannotJoinError
        Why they cannot be made one, and what to do.
    """
    from slabvision.faces_join import join_photos

    shared, u_mm = shared_places(first, second)
    plus = max((d.number for d in first.entry.defects), default=0)
    joined = join_photos(
        first.shape,
        first.worlds,
        _renumbered(second.shape, plus),
        second.worlds,
        shared,
        mark_u_mm=u_mm,
    )
    later = [d.model_copy(update={"number": d.number + plus}) for d in second.entry.defects]
    entry = first.entry.model_copy(update={"defects": [*first.entry.defects, *later]})
    view = replace(
        first,
        entry=entry,
        shape=joined.face,
        widest=None,
        worlds=joined.worlds,
        in_photo=shapely.box(*first.shape.outline.bounds),
    )
    return view, _words(first.entry, second.entry, len(shared), joined)


def shared_places(first: FaceInView, second: FaceInView) -> tuple[list[tuple[Place, Place]], float]:
    """Return the places that both photos show, mm in each one's frame, and their uncertainty.

    Spots named alike where there are two or more; else the corners of the printed board, if it
    lies in both and was not moved (the outlines then agree where the photos overlap).
    """
    one, two = ({m.name: m.point for m in view.entry.landmarks} for view in (first, second))
    names = [name for name in one if name in two]
    if len(names) >= 2:
        pixels = [[one[n] for n in names], [two[n] for n in names]]
        return _pairs(first, second, pixels), _SPOT_U_MM
    for mark in first.entry.marks:
        for other in second.entry.marks:
            if not (isinstance(mark, BoardMark) and isinstance(other, BoardMark)):
                continue
            if mark.shared != other.shared or "ground" in (mark.place, other.place):
                continue
            at = dict(zip(other.mm, other.points, strict=True))
            both = [(p, at[mm]) for mm, p in zip(mark.mm, mark.points, strict=True) if mm in at]
            if len(both) >= 4:
                pixels = [[p for p, _ in both], [q for _, q in both]]
                return _pairs(first, second, pixels), _BOARD_U_MM
    pixels = [[one[n] for n in names], [two[n] for n in names]]
    return _pairs(first, second, pixels), _SPOT_U_MM


def _pairs(
    first: FaceInView, second: FaceInView, pixels: list[list[Place]]
) -> list[tuple[Place, Place]]:
    if not pixels[0]:
        return []
    a, b = (
        view.plane.to_mm(np.array(points))
        for view, points in zip((first, second), pixels, strict=True)
    )
    return [
        ((float(p[0]), float(p[1])), (float(q[0]), float(q[1]))) for p, q in zip(a, b, strict=True)
    ]


def _renumbered(face: FaceShape, plus: int) -> FaceShape:
    return replace(face, defects=tuple(replace(d, number=d.number + plus) for d in face.defects))


def _words(one: PhotoEntry, two: PhotoEntry, count: int, joined: Joined) -> str:
    return (
        f"{one.file} and {two.file} made one face by {count} places that show in both and agree to "
        f"{joined.residual_mm:.1f} mm; the photos overlap by {joined.overlap_mm:.0f} mm"
    )
