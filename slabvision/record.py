"""What is kept of a slab: what a person saw and said, never a number computed from it.

The schema of ``slab.json``, version 1. Points are (row, col) in the pixels of the photo after
EXIF rotation; lengths are millimetres, moisture is percent of oven-dry mass. Reading and saving
are in :mod:`slabvision.store`.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    model_validator,
)

from slabvision.defects import KINDS
from slabvision.photo_file import MAX_MEGAPIXELS

__all__ = [
    "SCHEMA_VERSION",
    "BoardMark",
    "Defect",
    "EndGrainMarks",
    "FileRef",
    "Flatness",
    "Landmark",
    "LengthMark",
    "Mark",
    "MoistureReading",
    "Notebook",
    "Outline",
    "PhotoEntry",
    "RectangleMark",
    "SlabRecord",
    "SquareMark",
    "TapeMark",
    "ThicknessReading",
    "YardClaim",
    "json_schema",
    "mark_points",
]

SCHEMA_VERSION = 1

ROLES = ("face A", "face B", "end A", "end B", "edge", "other")
Role = Literal["face A", "face B", "end A", "end B", "edge", "other"]
Place = Literal["face", "ground", "unsaid"]
Figure = Literal["unsaid", "cathedral", "straight"]

MAX_SIDE_PX = 65_500
MAX_PIXELS = int(MAX_MEGAPIXELS * 1e6)
_Coordinate = Annotated[float, Field(ge=-2 * MAX_SIDE_PX, le=2 * MAX_SIDE_PX)]
Point = tuple[_Coordinate, _Coordinate]
Text = Annotated[str, StringConstraints(max_length=500)]
LongText = Annotated[str, StringConstraints(max_length=5000)]
Millimetres = Annotated[float, Field(gt=0, le=100_000)]
Uncertainty = Annotated[float, Field(ge=0, le=10_000)]
Percent = Annotated[float, Field(ge=0, le=300)]
Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]

_WINDOWS_NAMES = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


def _safe_name(name: str) -> str:
    """Refuse anything but a plain file name inside the slab's own folder."""
    bad = (
        not name
        or len(name.encode()) > 240
        or name != name.strip()
        or name.startswith(".")
        or any(sign in name for sign in '/\\:*?"<>|')
        or not name.isprintable()
        or _WINDOWS_NAMES.match(name)
    )
    if bad:
        raise ValueError(f"{name!r} is not a plain file name inside the slab's folder")
    return name


FileName = Annotated[str, AfterValidator(_safe_name)]


class _Kept(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


# Marks -------------------------------------------------------------------------------------------


class _MarkKept(_Kept):
    name: Annotated[str, StringConstraints(min_length=1, max_length=80)]
    place: Place = "unsaid"
    offset_mm: Annotated[float, Field(ge=-1000, le=1000)] = 0.0
    offset_u_mm: Uncertainty = 0.0
    shared: Annotated[str, StringConstraints(max_length=80)] = ""
    """Name of the tape, rule or board, the same in every photo it lies in."""


class LengthMark(_MarkKept):
    """Two points and the distance between them."""

    type: Literal["length"] = "length"
    p: Point
    q: Point
    mm: Millimetres
    u_mm: Uncertainty = 1.0


class TapeMark(_MarkKept):
    """Three or more points along one tape, with their readings."""

    type: Literal["tape"] = "tape"
    points: Annotated[list[Point], Field(min_length=2, max_length=200)]
    mm: Annotated[list[Annotated[float, Field(ge=0, le=100_000)]], Field(min_length=2)]
    u_mm: Uncertainty = 1.0

    @model_validator(mode="after")
    def _as_many_readings(self) -> TapeMark:
        if len(self.points) != len(self.mm):
            raise ValueError(f"{len(self.points)} points but {len(self.mm)} readings")
        return self


class RectangleMark(_MarkKept):
    """Four corners in order round a sheet of known sides; the first side is the width."""

    type: Literal["rectangle"] = "rectangle"
    corners: Annotated[list[Point], Field(min_length=4, max_length=4)]
    width_mm: Millimetres
    height_mm: Millimetres
    u_mm: Uncertainty = 1.0


class SquareMark(_MarkKept):
    """A carpenter's square: heel and the ends of both legs."""

    type: Literal["square"] = "square"
    heel: Point
    end_a: Point
    end_b: Point
    a_mm: Millimetres
    b_mm: Millimetres
    u_mm: Uncertainty = 0.5


class BoardMark(_MarkKept):
    """The printed board: where its corners were found and where they are on the print."""

    type: Literal["board"] = "board"
    points: Annotated[list[Point], Field(min_length=4, max_length=500)]
    mm: Annotated[list[Point], Field(min_length=4, max_length=500)]
    scale_u: Annotated[float, Field(ge=0, le=0.2)] = 0.003
    check_length_mm: Millimetres | None = None
    """What the person measured on the print's check length."""

    @model_validator(mode="after")
    def _as_many_corners(self) -> BoardMark:
        if len(self.points) != len(self.mm):
            raise ValueError(f"{len(self.points)} points but {len(self.mm)} board corners")
        return self


Mark = Annotated[
    LengthMark | TapeMark | RectangleMark | SquareMark | BoardMark, Field(discriminator="type")
]


def mark_points(
    mark: LengthMark | TapeMark | RectangleMark | SquareMark | BoardMark,
) -> list[Point]:
    """Return the points of a mark in the order a line is drawn through them, (row, col)."""
    match mark:
        case LengthMark():
            return [mark.p, mark.q]
        case RectangleMark():
            return mark.corners
        case SquareMark():
            return [mark.end_a, mark.heel, mark.end_b]
        case TapeMark() | BoardMark():
            return mark.points


# What was drawn ----------------------------------------------------------------------------------


class Outline(_Kept):
    """A polygon in pixels; open where the photo's frame cuts the slab off."""

    points: Annotated[list[Point], Field(min_length=3, max_length=100_000)]
    open: bool = False
    bark: Literal["in", "out", "unsaid"] = "unsaid"
    tool: Text = "hand"


def _known_kind(key: str) -> str:
    if key not in KINDS:
        raise ValueError(f"defect kind {key!r} is not known; one of {', '.join(KINDS)}")
    return key


class Defect(_Kept):
    """One defect: its pixels carry its number in the label image."""

    number: Annotated[int, Field(ge=1, le=65_535)]
    kind: Annotated[str, AfterValidator(_known_kind)]
    depth: Literal["face", "through", "unknown"] = "unknown"
    tool: Text = "hand"
    note: LongText = ""
    centre_line: Annotated[list[Point], Field(max_length=20_000)] = []
    """Centre line of a traced check: its length is meant, its pixel area is not."""
    widths_px: Annotated[
        list[Annotated[float, Field(ge=0, le=10_000)]], Field(max_length=20_000)
    ] = []


class Landmark(_Kept):
    """A named spot seen in two photos (both faces, or the same face later)."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=80)]
    point: Point


class EndGrainMarks(_Kept):
    """What was marked on a photo of an end."""

    face_line: tuple[Point, Point] | None = None
    outline: Annotated[list[Point], Field(max_length=100_000)] = []
    pith_hint: Point | None = None


class FileRef(_Kept):
    """A label image, known by its content."""

    file: FileName
    sha256: Sha256


class PhotoEntry(_Kept):
    """One photo of the slab with everything marked on it."""

    file: FileName
    sha256: Sha256
    shape: tuple[
        Annotated[int, Field(ge=1, le=MAX_SIDE_PX)], Annotated[int, Field(ge=1, le=MAX_SIDE_PX)]
    ]
    role: Role = "other"
    taken_at: Text | None = None
    focal_px: Annotated[float, Field(gt=0, le=1e6)] | None = None
    focal_u: Annotated[float, Field(ge=0, le=2)] = 0.03
    focal_why: Text = ""
    camera: Annotated[str, StringConstraints(max_length=80)] = ""
    """Name of the phone, the same in every photo it took."""
    wet_face: bool = False
    figure: Figure = "unsaid"
    """What most of a face shows: cathedrals (nested arches) or straight lines."""
    marks: Annotated[list[Mark], Field(max_length=100)] = []
    arris: Outline | None = None
    widest: Outline | None = None
    pith_line: Annotated[list[Point], Field(max_length=10_000)] = []
    end_a: Point | None = None
    """A point near end A; without it end A is the left (else the upper) end of the photo."""
    labels: FileRef | None = None
    zones: FileRef | None = None
    defects: Annotated[list[Defect], Field(max_length=65_535)] = []
    landmarks: Annotated[list[Landmark], Field(max_length=100)] = []
    end_grain: EndGrainMarks | None = None

    @model_validator(mode="after")
    def _consistent(self) -> PhotoEntry:
        height, width = self.shape
        if height * width > MAX_PIXELS:
            raise ValueError(f"photo {self.file}: {width} x {height} is over {MAX_PIXELS} pixels")
        numbers = [defect.number for defect in self.defects]
        if len(set(numbers)) != len(numbers):
            twice = sorted({n for n in numbers if numbers.count(n) > 1})
            raise ValueError(f"photo {self.file}: defect numbers {twice} stand twice")
        names = [mark.name for mark in self.marks]
        if len(set(names)) != len(names):
            twice_named = sorted({n for n in names if names.count(n) > 1})
            raise ValueError(f"photo {self.file}: marks named {twice_named} stand twice")
        return self


# Notebook ----------------------------------------------------------------------------------------


class ThicknessReading(_Kept):
    """One reading of the thickness, and where it was taken."""

    mm: Annotated[float, Field(gt=0, le=1000)]
    station_mm: Annotated[float, Field(ge=0, le=100_000)] | None = None
    """Distance from end A along the slab."""
    where: Literal["edge 1", "middle", "edge 2", "unsaid"] = "unsaid"
    u_mm: Uncertainty = 0.8


class MoistureReading(_Kept):
    """One reading of the moisture meter."""

    percent: Percent
    station_mm: Annotated[float, Field(ge=0, le=100_000)] | None = None
    depth_mm: Annotated[float, Field(ge=0, le=500)] | None = None
    surface_wet: bool = False
    temperature_c: Annotated[float, Field(ge=-60, le=80)] | None = None
    meter: Text = ""
    """Kind of meter and its settings (pin or pinless, species setting, corrected or not)."""


class YardClaim(_Kept):
    """What the yard says: the tag, the asking price, the stated moisture."""

    board_feet: Annotated[float, Field(gt=0, le=100_000)] | None = None
    thickness_mm: Annotated[float, Field(gt=0, le=1000)] | None = None
    moisture_percent: Percent | None = None
    price: Annotated[float, Field(ge=0, le=1e9)] | None = None
    price_basis: Literal["board foot", "square foot", "each"] = "each"
    currency: Annotated[str, StringConstraints(max_length=8)] = "USD"
    rule: Text = ""
    """Name of the rule behind the board feet, as in ``slabvision trade``."""


class Flatness(_Kept):
    """Bow, cup and twist as measured with straightedge and winding sticks."""

    bow_mm: Annotated[float, Field(ge=0, le=1000)] | None = None
    cup_mm: Annotated[float, Field(ge=0, le=1000)] | None = None
    twist_mm: Annotated[float, Field(ge=0, le=1000)] | None = None


class Notebook(_Kept):
    """What was written down at the slab."""

    tag: Text = ""
    log_number: Text = ""
    place_in_log: Text = ""
    bark_side: Literal["A", "B", "unsaid"] = "unsaid"
    species: Text = ""
    place: Text = ""
    date: Text = ""
    thickness: Annotated[list[ThicknessReading], Field(max_length=500)] = []
    moisture: Annotated[list[MoistureReading], Field(max_length=1000)] = []
    flatness: Flatness = Flatness()
    claim: YardClaim = YardClaim()
    note: LongText = ""
    invented: bool = False
    """Whether this is made-up demonstration data."""


class SlabRecord(_Kept):
    """Everything kept of one slab."""

    schema_version: Literal[1] = 1
    generation: Annotated[int, Field(ge=0)] = 0
    """Counts the saves."""
    notebook: Notebook = Notebook()
    photos: Annotated[list[PhotoEntry], Field(max_length=1000)] = []

    @model_validator(mode="after")
    def _photos_once(self) -> SlabRecord:
        files = [photo.file for photo in self.photos]
        if len(set(files)) != len(files):
            raise ValueError(
                f"photos {sorted({f for f in files if files.count(f) > 1})} stand twice"
            )
        return self

    def photo(self, file: str) -> PhotoEntry:
        """Return the entry of a photo by its file name, or raise ``KeyError``."""
        for entry in self.photos:
            if entry.file == file:
                return entry
        raise KeyError(f"photo {file!r} is not in this record: {[p.file for p in self.photos]}")

    def with_photo(self, entry: PhotoEntry) -> SlabRecord:
        """Return a record in which this entry replaces the one of the same file, or is added."""
        kept = [entry if p.file == entry.file else p for p in self.photos]
        if all(p.file != entry.file for p in self.photos):
            kept.append(entry)
        return SlabRecord.model_validate(
            self.model_dump() | {"photos": [p.model_dump() for p in kept]}
        )


def json_schema() -> dict[str, Any]:
    """Return the published JSON Schema (2020-12) of ``slab.json``."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "slabvision slab record, version 1",
        **SlabRecord.model_json_schema(),
    }
