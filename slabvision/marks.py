"""Reference marks: lengths, tapes, sheets, squares and boards that lie in the picture.

Each mark is an observation about the face's plane. Pixel points are (row, col), lengths are
millimetres. A mark says where it lies; a number typed wrongly is refused here when the mark
alone shows it, and by :func:`slabvision.plane.fit_plane` when only the others do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BadMarkError",
    "Board",
    "ContradictingMarksError",
    "HorizonError",
    "Length",
    "Mark",
    "PlaneError",
    "Rectangle",
    "Square",
    "Tape",
]

Place = Literal["face", "ground", "unsaid"]
Floats: TypeAlias = NDArray[np.float64]
PointLike: TypeAlias = Sequence[float] | NDArray[Any]
PointsLike: TypeAlias = Sequence[PointLike] | NDArray[Any]

MIN_MM, MAX_MM = 1.0, 100_000.0
"""A reference shorter than 1 mm or longer than 100 m is a slip of the hand."""


def _cross(a: Floats, b: Floats) -> Floats:
    """Signed area of the parallelogram of plane vectors."""
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


class PlaneError(ValueError):
    """Something about the reference marks, or about a point, keeps it from being measured."""


class BadMarkError(PlaneError):
    """A reference mark cannot be right by itself."""


class ContradictingMarksError(PlaneError):
    """Reference marks that cannot all be true.

    Attributes
    ----------
    percent : float
        By how much the worst mark differs from what the others say.
    names : tuple of str
        The marks concerned, the worst first.
    """

    def __init__(self, message: str, *, names: tuple[str, ...] = (), percent: float = math.nan):
        super().__init__(message)
        self.names = names
        self.percent = percent


class HorizonError(PlaneError):
    """A point of the picture looks past the horizon of the face's plane."""


@dataclass(frozen=True, kw_only=True)
class Mark:
    """What every reference mark says about itself.

    Attributes
    ----------
    place : {"face", "ground", "unsaid"}
        Where it lies. ``"face"``: on the measured face, ``offset_mm`` above it (negative:
        below; the upper side of a 3 mm thick square is at 3). ``"ground"``: on the ground
        beside, below the face by ``offset_mm``, the slab's thickness; without a thickness
        anything from 0 to 220 mm is believed. ``"unsaid"``: either of the two, as likely.
    offset_mm, offset_u_mm : float
        Distance from the face's plane and its standard uncertainty.
    shared : str
        Name of the object in the yard (this tape, this board), the same in every photo it
        lies in, so that its own error is the same in draw ``k`` of each of them.
    name : str
        What to call it in messages.
    """

    place: Place = "face"
    offset_mm: float = 0.0
    offset_u_mm: float = 0.0
    shared: str = ""
    name: str = ""

    def __post_init__(self) -> None:
        if self.place not in ("face", "ground", "unsaid"):
            raise BadMarkError(
                f"{self.called}: place is {self.place!r}; it is 'face', 'ground' or 'unsaid'"
            )
        self._number("offset_mm", self.offset_mm, -2000.0, 2000.0)
        self._number("offset_u_mm", self.offset_u_mm, 0.0, 1000.0)

    @property
    def called(self) -> str:
        """Name for messages."""
        return self.name or type(self).__name__.lower()

    @property
    def pixels(self) -> Floats:
        """All its points in the picture, (N, 2) row, col."""
        raise NotImplementedError

    def _set(self, field: str, value: object) -> None:
        object.__setattr__(self, field, value)

    def _number(self, field: str, value: float, low: float, high: float) -> None:
        try:
            number = float(value)
        except (TypeError, ValueError):
            raise BadMarkError(f"{self.called}: {field} is {value!r}, not a number") from None
        if not low <= number <= high:
            raise BadMarkError(
                f"{self.called}: {field} is {number:g}; it must be {low:g} to {high:g}"
            )
        self._set(field, number)

    def _points(self, field: str, value: PointsLike, count: int | None = None) -> None:
        """Check and freeze (row, col) points."""
        try:
            points = np.array(value, dtype=np.float64)
        except (TypeError, ValueError):
            raise BadMarkError(f"{self.called}: {field} are not numbers") from None
        if points.ndim != 2 or points.shape[1] != 2:
            raise BadMarkError(
                f"{self.called}: {field} have shape {points.shape}; (N, 2), row and col, is needed"
            )
        if count is not None and len(points) != count:
            raise BadMarkError(f"{self.called}: {len(points)} {field}; {count} are needed")
        if not np.isfinite(points).all():
            bad = int(np.flatnonzero(~np.isfinite(points).all(axis=1))[0])
            raise BadMarkError(f"{self.called}: {field[:-1]} {bad + 1} is not a finite position")
        self._set(field, tuple((float(a), float(b)) for a, b in points))

    def _apart(self) -> None:
        """No two of its points may be the same pixel."""
        points = self.pixels
        for first in range(len(points)):
            gaps = np.hypot(*(points[first + 1 :] - points[first]).T)
            if gaps.size and gaps.min() < 1.0:
                second = first + 1 + int(gaps.argmin())
                row, col = points[first]
                raise BadMarkError(
                    f"{self.called}: points {first + 1} and {second + 1} lie on one another at "
                    f"row {row:.0f}, col {col:.0f}; click two different points"
                )


@dataclass(frozen=True)
class Length(Mark):
    """Two points and the distance between them.

    Attributes
    ----------
    p, q : (row, col)
        Its ends in the picture.
    mm, u_mm : float
        The distance and its standard uncertainty.
    """

    p: PointLike
    q: PointLike
    mm: float
    u_mm: float = 1.0

    def __post_init__(self) -> None:
        super().__post_init__()
        self._number("mm", self.mm, MIN_MM, MAX_MM)
        self._number("u_mm", self.u_mm, 0.0, self.mm / 3)
        ends: list[PointLike] = [self.p, self.q]
        self._points("points", ends, 2)
        p, q = self.__dict__.pop("points")
        self._set("p", p)
        self._set("q", q)
        self._apart()

    @property
    def pixels(self) -> Floats:
        """Its two ends, (2, 2) row, col."""
        return np.array([self.p, self.q])


@dataclass(frozen=True)
class Tape(Mark):
    """Points along one straight tape, and what it reads there.

    Attributes
    ----------
    points : (N, 2) row, col
        Two or more points on the tape's edge.
    mm : (N,)
        The readings, rising or falling along the tape.
    u_mm : float
        Standard uncertainty of each reading, independent of the others.
    scale_u : float
        Relative standard uncertainty of the tape itself. The default is the permitted error
        of class II tapes, 0.2 mm per metre (Directive 2014/32/EU, annex X), over root three.
    """

    points: PointsLike
    mm: Sequence[float] | Floats
    u_mm: float = 1.0
    scale_u: float = 0.00012

    def __post_init__(self) -> None:
        super().__post_init__()
        self._points("points", self.points)
        mm = np.asarray(self.mm, dtype=np.float64).ravel()
        if len(mm) != len(self.points) or len(mm) < 2:
            raise BadMarkError(
                f"{self.called}: {len(self.points)} points and {len(mm)} readings; as many "
                "readings as points are needed, two or more"
            )
        for number in mm:
            self._number("mm", float(number), -MAX_MM, MAX_MM)
        self._set("mm", tuple(float(number) for number in mm))
        self._number("u_mm", self.u_mm, 0.0, max(float(np.ptp(mm)), MIN_MM) / 3)
        self._number("scale_u", self.scale_u, 0.0, 0.2)
        self._apart()
        self._in_order(mm)

    def _in_order(self, mm: Floats) -> None:
        points = self.pixels
        far = points[int(np.hypot(*(points - points[0]).T).argmax())]
        near = points[int(np.hypot(*(points - far).T).argmax())]
        run = float(np.hypot(*(far - near)))
        along = (points - near) @ (far - near) / run
        across = np.abs(_cross(points - near, (far - near) / run))
        shown = ", ".join(f"{reading:g}" for reading in mm[np.argsort(along)])
        steps = np.diff(mm[np.argsort(along)])
        if not ((steps > 0).all() or (steps < 0).all()):
            raise BadMarkError(
                f"{self.called}: along the tape the readings are {shown} mm; they must rise or "
                "fall all the way, so one is typed wrongly or clicked in the wrong place"
            )
        if np.ptp(mm) < MIN_MM:
            raise BadMarkError(f"{self.called}: the readings {shown} mm span less than 1 mm")
        if across.max() > max(0.06 * run, 6.0):
            bad = int(across.argmax())
            raise BadMarkError(
                f"{self.called}: point {bad + 1} (reading {mm[bad]:g} mm) lies "
                f"{across.max():.0f} px beside the line of the others, "
                f"{100 * across.max() / run:.0f} % of the tape's length; a tape must lie straight"
            )

    @property
    def pixels(self) -> Floats:
        """Its points, (N, 2) row, col."""
        return np.array(self.points)


@dataclass(frozen=True)
class Rectangle(Mark):
    """Four corners of a sheet of known sides, in order round it, either sense.

    Attributes
    ----------
    corners : (4, 2) row, col
        The first side, from corner 1 to corner 2, is the width.
    width_mm, height_mm, u_mm : float
        Its sides and their standard uncertainty, which also stands for how far a corner may
        be out of square.
    """

    corners: PointsLike
    width_mm: float
    height_mm: float
    u_mm: float = 1.0

    def __post_init__(self) -> None:
        super().__post_init__()
        self._number("width_mm", self.width_mm, MIN_MM, MAX_MM)
        self._number("height_mm", self.height_mm, MIN_MM, MAX_MM)
        self._number("u_mm", self.u_mm, 0.0, min(self.width_mm, self.height_mm) / 3)
        self._points("corners", self.corners, 4)
        self._apart()
        corners = self.pixels
        sides = np.roll(corners, -1, axis=0) - corners
        turns = _cross(sides, np.roll(sides, -1, axis=0))
        if not ((turns > 0).all() or (turns < 0).all()):
            raise BadMarkError(
                f"{self.called}: the corners do not go round a four-sided figure; click them in "
                "order round the sheet, the first two along its width"
            )

    @property
    def pixels(self) -> Floats:
        """Its corners, (4, 2) row, col."""
        return np.array(self.corners)


@dataclass(frozen=True)
class Square(Mark):
    """A carpenter's square: its heel and the ends of both legs.

    Attributes
    ----------
    heel, end_a, end_b : (row, col)
        The outer corner and the two ends.
    a_mm, b_mm, u_mm : float
        Lengths of the legs and their standard uncertainty, which also stands for how far the
        end of a leg may be out of square.
    """

    heel: PointLike
    end_a: PointLike
    end_b: PointLike
    a_mm: float
    b_mm: float
    u_mm: float = 0.5

    def __post_init__(self) -> None:
        super().__post_init__()
        self._number("a_mm", self.a_mm, MIN_MM, MAX_MM)
        self._number("b_mm", self.b_mm, MIN_MM, MAX_MM)
        self._number("u_mm", self.u_mm, 0.0, min(self.a_mm, self.b_mm) / 3)
        ends: list[PointLike] = [self.heel, self.end_a, self.end_b]
        self._points("points", ends, 3)
        for field, point in zip(
            ("heel", "end_a", "end_b"), self.__dict__.pop("points"), strict=True
        ):
            self._set(field, point)
        self._apart()
        a, b = self.pixels[1:] - self.pixels[0]
        sine = abs(float(_cross(a, b))) / float(np.hypot(*a) * np.hypot(*b))
        if sine < math.sin(math.radians(3.0)):
            raise BadMarkError(
                f"{self.called}: heel and both ends lie on one line; click the heel, then the "
                "end of each leg"
            )

    @property
    def pixels(self) -> Floats:
        """Heel, end a and end b, (3, 2) row, col."""
        return np.array([self.heel, self.end_a, self.end_b])


@dataclass(frozen=True)
class Board(Mark):
    """A printed board: corners found in the picture and where they are on the print.

    Attributes
    ----------
    points : (N, 2) row, col
        Four or more corners, found by program rather than clicked.
    mm : (N, 2)
        The same corners on the print, in millimetres; either handedness.
    scale_u : float
        Relative standard uncertainty of the print's size.
    """

    points: PointsLike
    mm: PointsLike
    scale_u: float = 0.003

    def __post_init__(self) -> None:
        super().__post_init__()
        self._points("points", self.points)
        self._points("mm", self.mm)
        if len(self.points) != len(self.mm) or len(self.mm) < 4:
            raise BadMarkError(
                f"{self.called}: {len(self.points)} points and {len(self.mm)} corners of the "
                "print; as many points as corners are needed, four or more"
            )
        self._number("scale_u", self.scale_u, 0.0, 0.2)
        self._apart()
        for what, spread in (("in the picture", self.pixels), ("on the print", np.array(self.mm))):
            axes = np.linalg.svd(spread - spread.mean(axis=0), compute_uv=False)
            if not axes[1] > 0.02 * axes[0]:
                raise BadMarkError(f"{self.called}: its corners lie on one line {what}")

    @property
    def pixels(self) -> Floats:
        """Its corners, (N, 2) row, col."""
        return np.array(self.points)
