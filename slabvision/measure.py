"""A slab folder in, findings out: the one function that measures."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from slabvision.defects import KINDS, KeepOut, Treatment
from slabvision.estimate import DRAWS, Estimate, named_normals
from slabvision.findings import Budget, FaceFindings, Findings
from slabvision.record import BoardMark, PhotoEntry, SlabRecord

if TYPE_CHECKING:
    from slabvision.clear.region import Trims
    from slabvision.ends import EndRead
    from slabvision.face import FaceInView
    from slabvision.plane import Plane
    from slabvision.trade.rings import RingProfile

__all__ = ["Buying", "ImagesOf", "MeasureError", "measure_record", "measure_slab", "read_ends"]

Floats = NDArray[np.float64]
ImagesOf = Callable[[PhotoEntry], tuple[NDArray[np.uint16], NDArray[np.uint8]]]
"""Gives the label image and the zones' image of a photo, each (H, W)."""

_STATION_SPREAD_MM = 1.5
"""Standard uncertainty of a slab's mean thickness away from one reading (common practice)."""
_CHECK_READING_U = 0.0015
"""Relative standard uncertainty of a board whose 150 mm check length was read with a steel rule
to a quarter of a millimetre (reading rules: common practice)."""
_BOW_U_MM, _CUP_U_MM = 4.0, 3.0
"""Standard uncertainty of bow and cup where nobody measured them (common practice, no source)."""

_GROUND_U_MM = 4.0
"""Standard uncertainty of how level the ground beside a slab is with what the slab lies on
(common practice, no source)."""


class MeasureError(Exception):
    """A slab cannot be measured at all; the message says what is missing and what to do."""


@dataclass(frozen=True)
class Buying:
    """What this purchase does with defects, and what it trims.

    Attributes
    ----------
    treatments : dict of str to {"avoid", "accept", "fill"}
        By kind, where it differs from the table of kinds.
    keep_outs : dict of str to KeepOut
        By kind, where it differs from the table of kinds.
    trims : Trims, optional
        Cut back at ends and edges; the usual ones where not said.
    widths_every_mm : float
        Distance between the widths of ``widths.csv``.
    """

    treatments: dict[str, Treatment] = field(default_factory=dict)
    keep_outs: dict[str, KeepOut] = field(default_factory=dict)
    trims: Trims | None = None
    widths_every_mm: float = 304.8


def plane_of(entry: PhotoEntry, thickness: Budget, draws: int = DRAWS) -> Plane:
    """Fit the plane of a photo from its marks.

    Raises
    ------
    slabvision.plane.PlaneError
        The marks contradict one another or cannot lie on a face, by name.
    """
    from slabvision import plane as p
    from slabvision.lens import distortion_u

    marks: list[Any] = []
    for mark in entry.marks:
        place, offset, offset_u = mark.place, mark.offset_mm, mark.offset_u_mm
        if place == "ground" and offset == 0 and thickness.determined:
            offset = thickness.estimate.value
            offset_u = max(math.hypot(thickness.estimate.u, _GROUND_U_MM), offset_u)
        shared: dict[str, Any] = {
            "name": mark.name,
            "place": place,
            "offset_mm": offset,
            "offset_u_mm": offset_u,
            "shared": mark.shared,
        }
        match mark.type:
            case "length":
                marks.append(p.Length(mark.p, mark.q, mark.mm, mark.u_mm, **shared))
            case "tape":
                marks.append(p.Tape(tuple(mark.points), tuple(mark.mm), mark.u_mm, **shared))
            case "rectangle":
                corners = tuple(mark.corners)
                marks.append(
                    p.Rectangle(corners, mark.width_mm, mark.height_mm, mark.u_mm, **shared)
                )
            case "square":
                marks.append(
                    p.Square(
                        mark.heel, mark.end_a, mark.end_b, mark.a_mm, mark.b_mm, mark.u_mm, **shared
                    )
                )
            case "board":
                marks.append(_board(mark, shared))
    bend_u = distortion_u(entry.focal_px, entry.shape)
    camera = p.Camera(entry.shape, entry.focal_px, entry.focal_u, bend_u, shared=entry.camera)
    return p.fit_plane(marks, camera, draws=draws, seed=int(entry.sha256[:8], 16))


def _board(mark: BoardMark, shared: dict[str, Any]) -> Any:
    """Return a printed board at the size it was really printed, as far as that is known."""
    from slabvision import plane as p
    from slabvision.board import check_scale

    points = tuple(mark.points)
    if mark.check_length_mm is None:
        return p.Board(points, tuple(mark.mm), mark.scale_u, **shared)
    try:
        size = check_scale(mark.check_length_mm)
    except ValueError as error:
        raise p.BadMarkError(f"{mark.name}: {error}") from error
    printed = tuple((row * size, col * size) for row, col in mark.mm)
    return p.Board(points, printed, _CHECK_READING_U, **shared)


def thickness_budget(record: SlabRecord, draws: int = DRAWS) -> Budget:
    """Return the mean thickness from the notebook's stations, mm.

    The spread between stations divided by the root of their number says how well the mean is
    known; with one station a usual spread is taken (common practice, no source).
    """
    readings = record.notebook.thickness
    if not readings:
        return Budget.undetermined(
            "no thickness in the notebook: read it at three or more stations", "mm", draws
        )
    values = np.array([r.mm for r in readings])
    key = record.photos[0].sha256 if record.photos else "slab"
    reading = np.mean(
        [r.u_mm * named_normals(f"thickness {i}:{key}", draws) for i, r in enumerate(readings)],
        axis=0,
    )
    spread = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    # Few stations say little about their own spread: it is not taken below half the usual one.
    spread = max(spread, _STATION_SPREAD_MM * (0.5 if len(values) > 2 else 1.0))
    station = spread / np.sqrt(len(values)) * named_normals(f"stations:{key}", draws)
    return Budget.sum_of(float(values.mean()), "mm", {"thickness": reading + station})


def read_ends(record: SlabRecord, folder: Path | str, draws: int = DRAWS) -> tuple[EndRead, ...]:
    """Read the rings on the photos of a slab's ends; marks on such a photo give its plane.

    One length alone gives the scale of a photo taken square on.
    """
    from slabvision.endgrain.square_on import SquareOn
    from slabvision.ends import ends_of
    from slabvision.plane import PlaneError

    def plane(entry: PhotoEntry) -> Plane | SquareOn | None:
        if not entry.marks:
            return None
        only = entry.marks[0]
        if len(entry.marks) == 1 and only.type == "length" and only.place != "ground":
            return SquareOn(only.p, only.q, only.mm, only.u_mm, only.shared or entry.sha256)
        try:
            return plane_of(entry, thickness_budget(record, draws), draws)
        except PlaneError as error:
            raise ValueError(str(error)) from error

    return ends_of(record, folder, plane)


def profile_of_folder(folder: str) -> RingProfile | None:
    """Return the ring profile of a slab folder; None where no end could be read. Never raises."""
    from slabvision.ends import combined_profile
    from slabvision.store import RecordError, load_slab

    try:
        return combined_profile(read_ends(load_slab(folder), folder))
    except RecordError:
        return None


def measure_slab(
    folder: Path | str,
    *,
    buying: Buying | None = None,
    draws: int = DRAWS,
    ends: str | None = None,
) -> Findings:
    """Measure a slab folder.

    Parameters
    ----------
    folder : path
        Slab folder with ``slab.json``; photos of faces are not decoded.
    buying : Buying, optional
        Treatments and keep-outs of this purchase.
    draws : int
        Draws per estimate.
    ends : str, optional
        Key in :data:`slabvision.endgrain.SAWING_AUTHORITIES`: the photos of the ends are decoded
        and read, which takes longer than all the rest, and the sawing is named by this authority.

    Returns
    -------
    Findings
        With a reason in ``notes`` for everything that could not be had.

    Raises
    ------
    slabvision.store.RecordError
        The folder, a photo or a label image is missing, broken or not the one that was marked.
    MeasureError
        No face can be measured; the message says why.
    """
    from slabvision.photo import read_header
    from slabvision.store import check_photo, load_slab, read_labels, read_zones

    def images_of(
        entry: PhotoEntry,
    ) -> tuple[NDArray[np.uint16], NDArray[np.uint8]]:
        if (header := read_header(check_photo(folder, entry))).is_panorama:
            raise _CannotMeasureError(
                f"looks stitched ({header.panorama}): no single camera saw it, so lengths in it "
                "cannot be trusted. Take one plain photo from further away, or two that overlap"
            )
        return read_labels(folder, entry), read_zones(folder, entry)

    record = load_slab(folder)
    return measure_record(
        record,
        images_of,
        folder=folder,
        buying=buying,
        draws=draws,
        ends=None if ends is None else read_ends(record, folder, draws),
        sawn_by=ends or "wood-handbook",
    )


def measure_record(
    record: SlabRecord,
    images_of: ImagesOf,
    *,
    folder: Path | str,
    buying: Buying | None = None,
    draws: int = DRAWS,
    ends: tuple[EndRead, ...] | None = None,
    sawn_by: str = "wood-handbook",
) -> Findings:
    """Measure a record in memory, as it stands before it is saved.

    Parameters
    ----------
    record : SlabRecord
        As loaded, or changed since.
    images_of : callable
        Gives label image and zones' image of a photo; asked once for each face.
    folder : path
        The slab's folder, for its name; nothing is read from it here.
    buying, draws
        As for :func:`measure_slab`.
    ends : tuple of EndRead, optional
        What :func:`read_ends` returned: ring angles reach movement.
    sawn_by : str
        Key of the authority that names how the slab was sawn.

    Raises
    ------
    MeasureError
        No face can be measured; the message says why.
    """
    from shapely.errors import GEOSException

    from slabvision.ends import combined_profile
    from slabvision.through import both_faces, with_depths
    from slabvision.trade_facts import trade_of

    wants = buying or Buying()
    thickness = thickness_budget(record, draws)
    notes: list[str] = []
    if not thickness.determined:
        notes.append(thickness.estimate.reason)
    faces: list[FaceFindings] = []
    reasons: list[str] = []
    for entry in record.photos:
        if not entry.role.startswith("face"):
            continue
        try:
            faces.append(_measure_face(record, entry, images_of, thickness, wants, draws))
        except _CannotMeasureError as error:
            reasons.append(f"{entry.file}: {error}")
        except GEOSException as error:  # shapes that no outline on a plane can have
            reasons.append(
                f"{entry.file}: its outline or a defect crosses itself on the face ({error}); "
                "check the reference marks and draw it again"
            )
    if not faces:
        raise MeasureError(
            f"{folder}: no face can be measured. "
            + (" ".join(reasons) or "No photo has the role of a face: set it with its marks")
        )
    notes += reasons
    whole, said = _made_one(record, faces, thickness, wants)
    notes += said
    best = whole[0]
    seen = [face.face for face in whole]
    if len(seen) == 1:
        notes.append(f"one face seen ({seen[0]})")
    through, both = both_faces(best, whole[1] if len(whole) > 1 else None, draws)
    if len(seen) == 2 and not through.determined:
        notes.append(through.estimate.reason)
    if both is not None:
        faces, best, both = with_depths(faces, best, both)
        whole = [best, both.other]
    gross = best.gross_area_mm2.times(thickness)
    rings = combined_profile(ends) if ends else None
    try:
        trade = trade_of(record, best, thickness, gross, rings)
    except ValueError as error:
        raise MeasureError(f"{folder}: the notebook cannot be right: {error}") from None
    return Findings(
        folder=str(folder),
        record=record,
        faces=tuple(faces),
        best=best,
        faces_seen=" and ".join(face.removeprefix("face ") for face in seen),
        through_mm2=through,
        thickness_mm=thickness,
        gross_mm3=gross,
        clear_mm3=best.keep_outs_mm2.times(thickness),
        trade=trade,
        notes=tuple(notes),
        ends=ends,
        sawn_by=sawn_by,
        both=both,
        joined=tuple(face for face in whole if face.joined_with),
    )


def _made_one(
    record: SlabRecord,
    faces: list[FaceFindings],
    thickness: Budget,
    wants: Buying,
) -> tuple[list[FaceFindings], list[str]]:
    """Return the slab's faces, each once: two photos that the frame cuts are made one.

    Returns
    -------
    list of FaceFindings
    list of str
        How the photos hang together, or why they could not be made one.
    """
    from slabvision.faces_join import CannotJoinError
    from slabvision.two_photos import joined_view

    out, said = [], []
    for role in sorted({face.face for face in faces}):
        every = [face for face in faces if face.face == role]
        cut = [face for face in every if face.view.shape.open_ends]
        if len(cut) == 2 and len(cut) == len(every):
            try:
                view, words = joined_view(cut[0].view, cut[1].view)
            except CannotJoinError as error:
                said.append(f"{cut[0].photo} and {cut[1].photo}: not made one face: {error}")
            else:
                one = _sizes(record, view, thickness, wants)
                every = [replace(one, joined_with=cut[1].photo)]
                said.append(words)
        elif len(cut) > 2:
            said.append(
                f"{len(cut)} photos show a part of {role} each; two that overlap can be made one"
            )
        out.append(min(every, key=lambda face: not face.gross_area_mm2.determined))
    return out, said


class _CannotMeasureError(Exception):
    """One photo cannot be measured; the slab's other photos can."""


def _measure_face(
    record: SlabRecord,
    entry: PhotoEntry,
    images_of: ImagesOf,
    thickness: Budget,
    wants: Buying,
    draws: int,
) -> FaceFindings:
    from slabvision.clear.shapes import BadOutlineError
    from slabvision.face import CrossingOutlineError, face_in_view
    from slabvision.plane import PlaneError

    if entry.arris is None:
        raise _CannotMeasureError("no outline yet: draw where the sawn face ends")
    if not entry.marks:
        raise _CannotMeasureError("no reference yet: mark a length of known size in the photo")
    labels, zones = images_of(entry)
    flat = record.notebook.flatness
    bow = _BOW_U_MM if flat.bow_mm is None else flat.bow_mm
    cup = _CUP_U_MM if flat.cup_mm is None else flat.cup_mm
    try:
        plane = plane_of(entry, thickness, draws)
        view = face_in_view(entry, plane, labels, zones, bow_u_mm=bow, cup_u_mm=cup)
        return _sizes(record, view, thickness, wants)
    except (PlaneError, CrossingOutlineError, BadOutlineError) as error:
        raise _CannotMeasureError(str(error)) from error


def _sizes(record: SlabRecord, view: FaceInView, thickness: Budget, wants: Buying) -> FaceFindings:
    from slabvision import face as f
    from slabvision.clear.region import Trims, clear_region
    from slabvision.clear.worlds import clear_areas

    entry, worlds, n = view.entry, view.worlds, view.worlds.draws
    notes = list(view.plane.advice)
    region = clear_region(
        view.shape,
        treatments=wants.treatments,
        keep_outs=wants.keep_outs,
        trims=wants.trims or Trims.usual(),
        species=record.notebook.species,
        thickness_mm=thickness.estimate.value if thickness.determined else None,
        wet_face=entry.wet_face,
    )
    areas = clear_areas(region, worlds)
    gross, length = f.sized(areas.gross), f.slab_length(view)
    if view.shape.open_ends:
        why = "the photo's frame cuts the slab off: no gross area, only what is clear in view"
        notes.append(why)
        gross = Budget.undetermined(why, "mm2", n)
        length = Budget.undetermined(why, "mm", n)
    widest = Budget.undetermined("no widest outline drawn", "mm2", n)
    if view.widest is not None and gross.determined:
        widest = f.area_budget(worlds, view.widest, {"widest": view.widest.length})
    hidden = _hidden(view)
    if hidden.area:
        notes.append("part of the face is not seen: a second figure says what if it is clear")
    if any(KINDS[d.kind].line for d in view.shape.defects):
        notes.append("checks may run on, unseen, beyond their tips")
    every = f.widths(view, wants.widths_every_mm)
    short = Budget.undetermined("too short for a width", "mm", n)
    face = FaceFindings(
        photo=entry.file,
        face=entry.role,
        outline_used="arris",
        bark=entry.arris.bark if entry.arris else "unsaid",
        gross_area_mm2=gross,
        widest_area_mm2=widest,
        as_seen_mm2=f.sized(areas.as_seen),
        keep_outs_mm2=f.sized(areas.with_keep_outs),
        not_seen_mm2=f.area_budget(worlds, hidden, {"not seen": hidden.length}),
        if_unseen_clear_mm2=f.sized(areas.if_unseen_clear),
        length_mm=length,
        mean_width_mm=_mean_width(gross, length),
        max_width_mm=max((w.width_mm for w in every), key=_value, default=short),
        tilt_deg=view.plane.tilt_deg,
        mm_per_px=worlds.mm_per_px,
        defects=f.defect_findings(view, wants.treatments),
        widths=every,
        residuals=tuple(view.plane.residuals),
        notes=tuple(notes),
        view=view,
        region=region,
    )
    return face.known(view.plane.reason) if view.plane.reason else face


def _value(budget: Budget) -> float:
    return budget.estimate.value


def _hidden(view: FaceInView) -> Any:
    import shapely

    return shapely.intersection(view.shape.not_seen, view.shape.outline)


def _mean_width(gross: Budget, length: Budget) -> Budget:
    if not (gross.determined and length.determined):
        return Budget.undetermined("needs gross area and length", "mm", gross.estimate.draws.size)
    ratio: Estimate = gross.estimate / length.estimate
    parts = {
        cause: (gross.estimate.value + deviation)
        / (length.estimate.value + length.parts.get(cause, 0.0))
        - ratio.value
        for cause, deviation in gross.parts.items()
    }
    return Budget(ratio, parts)
