"""Both measured faces of a slab: what is clear through, and which defects go through."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from slabvision.face import sized
from slabvision.findings import BothFaces, Budget, FaceFindings

if TYPE_CHECKING:
    from slabvision.faces_fit import Landmark

__all__ = ["both_faces", "shared_landmarks", "with_depths"]


def both_faces(
    best: FaceFindings, other: FaceFindings | None, draws: int
) -> tuple[Budget, BothFaces | None]:
    """Lay the other face on the best one.

    Parameters
    ----------
    best : FaceFindings
    other : FaceFindings or None
        None where one face was seen.
    draws : int

    Returns
    -------
    Budget
        Clear through, mm², or why that cannot be said.
    BothFaces or None
    """
    from slabvision.faces import (
        NotTheSameSlabError,
        clear_through,
        match_faces,
    )

    if other is None:
        return Budget.undetermined("clear through needs both faces", "mm2", draws), None
    for face in (best, other):
        if not face.keep_outs_mm2.determined:
            why = f"clear through, {face.face}: {face.keep_outs_mm2.estimate.reason}"
            return Budget.undetermined(why, "mm2", draws), None
    key = f"{best.view.entry.sha256}:{other.view.entry.sha256}"
    worlds = best.view.worlds, other.view.worlds
    a, b = best.region, other.region
    try:
        marks = shared_landmarks(best, other)
        match = match_faces(a, b, marks, worlds=worlds, draws=draws, key=key)
    except NotTheSameSlabError as error:
        return Budget.undetermined(f"clear through: {error}", "mm2", draws), None
    area = sized(clear_through(a, worlds[0], b, worlds[1], match).area_mm2)
    return area, BothFaces(a, other, match)


def shared_landmarks(one: FaceFindings, two: FaceFindings) -> tuple[Landmark, ...]:
    """Return the spots that are named alike in two photos, mm in each face's frame."""
    from slabvision.faces import landmarks_of

    on_one, on_two = (
        {
            mark.name: tuple(face.view.plane.to_mm([mark.point])[0].tolist())
            for mark in face.view.entry.landmarks
        }
        for face in (one, two)
    )
    return landmarks_of(on_one, on_two)


def with_depths(
    faces: list[FaceFindings], best: FaceFindings, both: BothFaces
) -> tuple[list[FaceFindings], FaceFindings, BothFaces]:
    """Return the same with the depth of each defect that also shows on the other face.

    What a person said of a defect's depth stays. A defect that shows on one face alone may still
    go deep: nothing is said of it.
    """
    from slabvision.faces import depths

    through = depths(best.view.shape, both.other.view.shape, both.match)

    def told(face: FaceFindings) -> FaceFindings:
        numbers = through[face.view.shape.face]
        defects = tuple(
            replace(d, depth="through") if d.depth == "unknown" and d.number in numbers else d
            for d in face.defects
        )
        return replace(face, defects=defects)

    new = {id(face): told(face) for face in (best, both.other)}
    return (
        [new.get(id(face), face) for face in faces],
        new[id(best)],
        replace(both, other=new[id(both.other)]),
    )
