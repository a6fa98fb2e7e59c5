"""A rendered slab as a record: what a careful person would mark, draw and write down."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.defects import ZONES
from slabvision.record import (
    BoardMark,
    Defect,
    EndGrainMarks,
    Landmark,
    Notebook,
    Outline,
    PhotoEntry,
    RectangleMark,
    SlabRecord,
    SquareMark,
    TapeMark,
    ThicknessReading,
)
from slabvision.scene import ScenePhoto, SlabScene
from slabvision.scene.reference import ReferenceMark
from slabvision.scene.truth import EndTruth, FaceTruth
from slabvision.study.hand import DrawingHand, clicked, drawn_line

__all__ = [
    "ScenePlace",
    "marks_of",
    "marks_on",
    "photo_name",
    "readings",
    "record_of",
    "write_slab",
]

Floats = NDArray[np.float64]

_FIRST_UNSEEN = min(zone.value for zone in ZONES.values() if not zone.seen)
_LEAST_MM2 = 4.0
"""Nobody paints a defect smaller than this."""


@dataclass(frozen=True)
class ScenePlace:
    """How a person says where references lie.

    Attributes
    ----------
    say : bool
        Whether the person says it at all.
    offset_u_mm : float
        How well the height of a reference off the face is known.
    """

    say: bool = True
    offset_u_mm: float = 3.0


def photo_name(role: str) -> str:
    """Return the file name of a rendered photo."""
    return f"{role.lower().replace(' ', '-')}.jpg"


def face_truth_of(photo: ScenePhoto) -> FaceTruth:
    """Return the truth of a photo of a face."""
    if not isinstance(photo.truth, FaceTruth):
        raise TypeError(f"{photo.role} is not a face")
    return photo.truth


def _pairs(points: Any) -> list[tuple[float, float]]:
    return [(round(float(r), 2), round(float(c), 2)) for r, c in np.asarray(points)]


def marks_on(
    photo: ScenePhoto,
    hand: DrawingHand,
    rng: np.random.Generator,
    *,
    tape_u_mm: float = 1.0,
    place: ScenePlace | None = None,
) -> list[Any]:
    """Return the reference marks of a rendered photo as a person would click them.

    The reference itself is a little off as well: a tape's readings all stretch together, with
    the standard uncertainty that the mark states.
    """
    return marks_of(
        face_truth_of(photo).marks,
        hand,
        rng,
        tape_u_mm=tape_u_mm,
        stretch_mm=tape_u_mm,
        place=place,
    )


def marks_of(
    references: Iterable[ReferenceMark],
    hand: DrawingHand,
    rng: np.random.Generator,
    *,
    tape_u_mm: float,
    stretch_mm: float,
    place: ScenePlace | None = None,
    first: int = 1,
) -> list[Any]:
    """Return marks of references whose truth is known, as a person would click them.

    Parameters
    ----------
    references : iterable of ReferenceMark
    hand : DrawingHand
    rng : Generator
    tape_u_mm : float
        Standard uncertainty that the person states for a reading.
    stretch_mm : float
        Standard deviation by which a tape's readings stretch together, at its far end.
    place : ScenePlace, optional
        What the person says about where they lie.
    first : int
        Number of the first, for their names.
    """
    how = place or ScenePlace()
    out: list[Any] = []
    for number, true in enumerate(references, start=first):
        where: dict[str, Any] = {
            "name": f"{true.kind} {number}",
            "place": true.place if how.say else "unsaid",
        }
        if how.say and true.offset_mm:
            where |= {"offset_mm": true.offset_mm, "offset_u_mm": how.offset_u_mm}
        points = _pairs(clicked(true.points, hand, rng))
        mm = np.asarray(true.mm, float)
        match true.kind:
            case "tape":
                known = mm + rng.normal(0, stretch_mm) * mm / max(mm.max(), 1.0)
                out.append(
                    TapeMark(points=points, mm=known.round(2).tolist(), u_mm=tape_u_mm, **where)
                )
            case "rectangle":
                out.append(RectangleMark(corners=points, width_mm=mm[0], height_mm=mm[1], **where))
            case "square":
                heel, end_a, end_b = points
                legs: dict[str, Any] = {"a_mm": mm[0], "b_mm": mm[1]}
                out.append(SquareMark(heel=heel, end_a=end_a, end_b=end_b, **legs, **where))
            case "board":
                exact = true.points + rng.normal(0, 0.2, true.points.shape)
                print_error = 1 + rng.normal(0, 0.003)
                out.append(BoardMark(points=_pairs(exact), mm=_pairs(mm / print_error), **where))
            case _:
                raise ValueError(f"a rendered reference {true.kind!r} is not known here")
    return out


def _defects(photo: ScenePhoto) -> tuple[list[Defect], NDArray[np.uint16]]:
    truth = face_truth_of(photo)
    # Nobody paints what lies under a tape or a sheet.
    labels = np.where(np.asarray(truth.zones) >= _FIRST_UNSEEN, 0, truth.labels)
    labels = labels.astype(np.uint16)
    counts = np.bincount(labels.ravel(), minlength=1)
    kept = []
    for each in truth.table:
        seen = each.number < counts.size and counts[each.number] > 0
        if seen and each.area_mm2 >= _LEAST_MM2:
            kept.append(Defect(number=each.number, kind=each.kind, tool="truth of the rendering"))
    numbers = np.array([d.number for d in kept], int)
    labels[~np.isin(labels, numbers)] = 0
    return kept, labels


def _spots(
    scene: SlabScene, photo: ScenePhoto, hand: DrawingHand, rng: np.random.Generator
) -> list[Landmark]:
    """Three places that show on both faces, as somebody would name and click them.

    Their places are drawn from the solid; a person takes bolt holes, forks, through checks.
    """
    cut = scene.slab.cut
    along = cut.x0 + np.array([0.2, 0.5, 0.8]) * (cut.x1 - cut.x0)
    level = np.array([cut.log.pith(x)[0] for x in along], float)
    points = np.column_stack([along, level + np.array([60.0, -80.0, 70.0]), np.full(3, cut.z_a)])
    uv = cut.frame(photo.role).from_log(points)
    seen = clicked(photo.to_pixels(uv), hand, rng)
    return [
        Landmark(name=f"spot {i} (from the rendering)", point=point)
        for i, point in enumerate(_pairs(seen), start=1)
    ]


def _painted_zones(photo: ScenePhoto) -> NDArray[np.uint8]:
    """Zones as somebody would paint them: no specks, no crumbs of lichen or dust."""
    from skimage.morphology import remove_small_objects

    true = np.asarray(face_truth_of(photo).zones, np.uint8)
    least = max(64, true.size // 8000)
    out = np.zeros_like(true)
    for value in np.unique(true[true > 0]):
        out[remove_small_objects(true == value, max_size=least)] = value
    return out


def record_of(
    scene: SlabScene,
    folder: Path,
    notebook: Notebook,
    hand: DrawingHand,
    seed: int,
    **marks: Any,
) -> tuple[SlabRecord, dict[str, NDArray[np.uint16]], dict[str, NDArray[np.uint8]]]:
    """Return the record of a rendered slab with its label images.

    Parameters
    ----------
    scene : SlabScene
    folder : path
        Where its photos lie already.
    notebook : Notebook
    hand : DrawingHand
        Clicks and draws.
    seed : int
        Of the hand.
    **marks
        Passed to :func:`marks_on`.
    """
    from slabvision.photo import read_header

    rng = np.random.default_rng(seed)
    entries, labels, zones = [], {}, {}
    for photo in scene.photos:
        name = photo_name(photo.role)
        header = read_header(folder / name)
        known: dict[str, Any] = {
            "file": name,
            "sha256": header.sha256,
            "shape": header.shape,
            "role": photo.role,
            "focal_px": header.camera.focal_px,
            "focal_u": header.camera.focal_u,
            "focal_why": header.camera.why,
            "camera": "demo phone",
        }
        if photo.role.startswith("face"):
            known |= _face(photo, hand, rng, marks)
            known["defects"], labels[name] = _defects(photo)
            zones[name] = _painted_zones(photo)
            known["landmarks"] = _spots(scene, photo, hand, rng)
        elif isinstance(photo.truth, EndTruth):
            known["end_grain"] = _end(photo.truth, hand, seed)
        entries.append(PhotoEntry(**known))
    return SlabRecord(photos=entries, notebook=notebook), labels, zones


def _face(
    photo: ScenePhoto, hand: DrawingHand, rng: np.random.Generator, marks: dict[str, Any]
) -> dict[str, Any]:
    ring = np.asarray(face_truth_of(photo).arris)
    centre = ring.mean(axis=0)
    two = photo.to_mm(centre + np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 0.0]]))
    scale = float(np.mean(np.linalg.norm(two[1:] - two[0], axis=1)))
    return {
        "marks": marks_on(photo, hand, rng, **marks),
        "arris": Outline(points=_pairs(drawn_line(ring, scale, hand, rng)), bark="out"),
    }


def _end(truth: EndTruth, hand: DrawingHand, seed: int) -> EndGrainMarks:
    """Return the face line and the outline of the end's wood as somebody would click them."""
    first, *_, last = _pairs(truth.face_line)
    ring = np.asarray(truth.outline)
    long_px = float(np.ptp(ring, axis=0).max())
    scale = float(np.ptp(np.asarray(truth.outline_mm.exterior.coords), axis=0).max()) / long_px
    # A generator of its own, so that the faces' clicks stay what they were.
    drawn = drawn_line(ring, scale, hand, np.random.default_rng([seed, 5]))
    return EndGrainMarks(face_line=(first, last), outline=_pairs(drawn))


def readings(scene: SlabScene, seed: int, stations: int = 5) -> list[ThicknessReading]:
    """Return thickness readings of a rendered slab as taken with a caliper and read to 1/32 in."""
    rng = np.random.default_rng(seed)
    at = np.linspace(0.1, 0.9, stations) * scene.length_mm
    step = 25.4 / 32
    read = np.round((scene.thickness_mm + rng.normal(0, 0.5, stations)) / step) * step
    return [
        ThicknessReading(mm=round(float(mm), 2), station_mm=round(float(s)))
        for mm, s in zip(read, at, strict=True)
    ]


def write_slab(
    scene: SlabScene,
    folder: Path,
    notebook: Notebook,
    *,
    hand: DrawingHand | None = None,
    seed: int = 0,
    **marks: Any,
) -> SlabRecord:
    """Write a rendered slab as a slab folder; its truth is not in it."""
    from slabvision.store import save_slab

    folder.mkdir(parents=True, exist_ok=True)
    for photo in scene.photos:
        (folder / photo_name(photo.role)).write_bytes(photo.jpeg)
    who = hand or DrawingHand()
    record, labels, zones = record_of(scene, folder, notebook, who, seed, **marks)
    return save_slab(folder, record, labels=labels, zones=zones)
