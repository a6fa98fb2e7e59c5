"""The plane of a face: from pixels to millimetres, and how sure.

:func:`fit_plane` takes reference marks and what is known of the camera, and returns a
:class:`Plane` that carries equally likely views of the face: every length and area is measured
in each of them, so its interval holds what the marks leave open.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.estimate import DRAWS, Estimate, named_rng
from slabvision.marks import (
    BadMarkError,
    Board,
    ContradictingMarksError,
    HorizonError,
    Length,
    Mark,
    PlaneError,
    PointLike,
    PointsLike,
    Rectangle,
    Square,
    Tape,
)
from slabvision.view import NEAR_HORIZON, Camera, Views

__all__ = [
    "BadMarkError",
    "Board",
    "Camera",
    "ContradictingMarksError",
    "HorizonError",
    "Length",
    "Mark",
    "Plane",
    "PlaneError",
    "Rectangle",
    "Square",
    "Tape",
    "fit_plane",
]

Floats: TypeAlias = NDArray[np.float64]

_LARGEST_RATIO = 2.0
"""An area whose interval spans more than this factor is called not determined."""


@dataclass(frozen=True, eq=False)
class Plane:
    """The plane of a face as one photo shows it.

    Made by :func:`fit_plane`. Points on the face are (u, v) mm: u to the right and v down in
    the picture around the marks, until :meth:`aligned` lays u along the slab.

    Attributes
    ----------
    best : Views
        The one view that :meth:`to_mm` and every estimate's value use.
    worlds : Views
        The equally likely views, one per draw.
    camera : Camera
        What was known of the camera.
    anchor : tuple of (row, col)
        Pixel of (0, 0), and a pixel on the positive u axis.
    residuals : tuple of str
        One sentence per mark: what it says against what the fit says.
    advice : tuple of str
        What would make the answer surer; empty when nothing is wanting.
    reason : str
        Why sizes are not determined; empty when they are.
    effective : float
        How many independent draws the weighted ones were worth.
    """

    best: Views
    worlds: Views
    camera: Camera
    anchor: tuple[tuple[float, float], tuple[float, float]]
    residuals: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    reason: str = ""
    effective: float = float("nan")

    # What it is -----------------------------------------------------------------------------

    @property
    def draws(self) -> int:
        """Number of draws."""
        return len(self.worlds)

    @property
    def determined(self) -> bool:
        """Whether the marks determine sizes on the face at all."""
        return not self.reason

    @property
    def focal_px(self) -> float:
        """Fitted focal length, pixels."""
        return float(self.best.focal_px[0])

    @property
    def tilt_deg(self) -> Estimate:
        """Angle between the line of sight and the face's normal, degrees; 0 is square-on."""
        return Estimate(float(self.best.tilt_deg[0]), self.worlds.tilt_deg, "deg")

    @property
    def distance_mm(self) -> Estimate:
        """Distance of the camera from the face's plane, mm."""
        return Estimate(float(self.best.distance_mm[0]), self.worlds.distance_mm, "mm")

    # Points ---------------------------------------------------------------------------------

    def to_mm(self, points: PointsLike) -> Floats:
        """Carry picture points to the face.

        Parameters
        ----------
        points : array (N, 2)
            (row, col) pixels.

        Returns
        -------
        ndarray (N, 2)
            (u, v) mm.

        Raises
        ------
        HorizonError
            A point looks past the horizon of the face's plane.
        """
        pixels = _as_points(points)
        self._in_front(pixels)
        return np.asarray(self._framed(self.best, pixels)[0])

    def to_mm_draws(self, points: PointsLike) -> Floats:
        """Carry picture points to the face in every draw, (draws, N, 2) mm.

        In draws that put a point past the horizon it is cut off shortly before it.
        """
        pixels = _as_points(points)
        self._in_front(pixels)
        return self._framed(self.worlds, pixels)

    def to_pixels(self, points_mm: PointsLike) -> Floats:
        """Carry points on the face (N, 2) mm to the picture, (N, 2) row, col.

        Raises
        ------
        HorizonError
            A point lies behind the camera.
        """
        points = _as_points(points_mm, "points on the face")
        origin, turn = self._frame(self.best)
        cos, sin = turn[0]
        x = cos * points[:, 0] - sin * points[:, 1] + origin[0, 0]
        y = sin * points[:, 0] + cos * points[:, 1] + origin[0, 1]
        with np.errstate(invalid="ignore"):
            col, row = self.best.in_image(x[None], y[None])
        pixels = np.column_stack([row[0], col[0]])
        bad = np.flatnonzero(~np.isfinite(pixels).all(axis=1))
        if bad.size:
            u, v = points[bad[0]]
            raise HorizonError(
                f"the point {u:.0f}, {v:.0f} mm on the face lies behind the camera or outside "
                "its field of view"
            )
        return pixels

    def lean(self, points_mm: PointsLike) -> Floats:
        """Return where wood really lies that lies off the plane, (N, 2): mm for each mm below it.

        What stands proud is seen further from the camera than it lies, and larger. Right under the
        camera nothing moves; seen at 45 degrees it moves by as much as it stands proud.
        """
        points = _as_points(points_mm, "points on the face")
        x, y = self.best.foot
        origin, turn = self._frame(self.best)
        x, y = (x - origin[:, :1])[0, 0], (y - origin[:, 1:])[0, 0]
        cos, sin = turn[0]
        foot = np.array([cos * x + sin * y, cos * y - sin * x])
        return np.asarray((points - foot) / self.best.distance_mm[0])

    def mm_per_px(self, point: PointLike) -> float:
        """Return the scale at a picture point, mm on the face per pixel (root of the area)."""
        pixel = _as_points([point])
        self._in_front(pixel)
        _, (xx, xy, yx, yy) = self.best.local(pixel[:, 1], pixel[:, 0])
        return float(np.sqrt(np.abs(xx * yy - xy * yx))[0, 0])

    def aligned(self, origin_px: PointLike, along_px: PointLike) -> Plane:
        """Return the plane with its frame anchored anew, in every draw alike.

        Parameters
        ----------
        origin_px : (row, col)
            Becomes (0, 0).
        along_px : (row, col)
            Comes to lie on the positive u axis.
        """
        ends = _as_points([origin_px, along_px])
        if np.hypot(*(ends[1] - ends[0])) < 1e-6:
            raise PlaneError("origin and direction of the frame are the same pixel")
        self._in_front(ends)
        return replace(
            self,
            anchor=((float(ends[0, 0]), float(ends[0, 1])), (float(ends[1, 0]), float(ends[1, 1]))),
        )

    def _in_front(self, pixels: Floats) -> None:
        _, _, ahead, part = self.best.sights(pixels[:, 1], pixels[:, 0])
        bad = np.flatnonzero(~((ahead[0] > NEAR_HORIZON) & (part[0] > 0)))
        if bad.size:
            row, col = pixels[bad[0]]
            raise HorizonError(
                f"the point at row {row:.0f}, col {col:.0f} looks past the horizon of the face's "
                f"plane, which is tilted {self.best.tilt_deg[0]:.0f} degrees: it cannot lie on "
                "the face, or the marks have been clicked in the wrong places"
            )

    def _raw(self, views: Views, pixels: Floats) -> tuple[Floats, Floats]:
        return views.on_plane(pixels[:, 1], pixels[:, 0], least=NEAR_HORIZON)

    def _frame(self, views: Views) -> tuple[Floats, Floats]:
        """Origin (K, 2) and (cos, sin) of the u axis (K, 2), in the plane's own axes."""
        x, y = self._raw(views, np.array(self.anchor))
        run = np.stack([x[:, 1] - x[:, 0], y[:, 1] - y[:, 0]], axis=1)
        return np.stack([x[:, 0], y[:, 0]], axis=1), run / np.hypot(run[:, :1], run[:, 1:])

    def _framed(self, views: Views, pixels: Floats) -> Floats:
        x, y = self._raw(views, pixels)
        origin, turn = self._frame(views)
        x, y = x - origin[:, :1], y - origin[:, 1:]
        cos, sin = turn[:, :1], turn[:, 1:]
        return np.stack([cos * x + sin * y, cos * y - sin * x], axis=2)

    # Sizes ----------------------------------------------------------------------------------

    def length(self, p: PointLike, q: PointLike) -> Estimate:
        """Return the distance on the face between two picture points (row, col), mm."""
        ends = _as_points([p, q])
        self._in_front(ends)
        if np.hypot(*(ends[1] - ends[0])) < 1e-6:
            raise PlaneError(
                f"both ends of the length are the pixel row {ends[0, 0]:.0f}, col "
                f"{ends[0, 1]:.0f}; click two different points"
            )

        def run(views: Views) -> Floats:
            x, y = self._raw(views, ends)
            return np.hypot(x[:, 1] - x[:, 0], y[:, 1] - y[:, 0])

        return self._said(float(run(self.best)[0]), run(self.worlds), "mm", 1)

    def area(self, region: PointsLike | NDArray[np.bool_]) -> Estimate:
        """Return the area on the face of a region of the picture, mm²; the plane alone.

        Parameters
        ----------
        region : array (N, 2) or boolean mask (H, W)
            Vertices (row, col) of a polygon whose sides are straight on the face, or a mask;
            a mask's pixels reach half a pixel beyond their centres.

        Raises
        ------
        HorizonError
            Part of it looks past the horizon.
        PlaneError
            Fewer than three vertices, or a mask of another size than the photo.
        """
        array = np.asarray(region)
        if array.dtype == np.bool_:
            return self._mask_area(array)
        pixels = _as_points(array)
        if len(pixels) < 3:
            raise PlaneError(f"the region has {len(pixels)} vertices; at least 3 are needed")
        self._in_front(pixels)
        value = abs(float(_shoelace(*self._raw(self.best, pixels))[0]))
        return self._said(value, np.abs(_shoelace(*self._raw(self.worlds, pixels))), "mm2", 2)

    def _mask_area(self, mask: NDArray[np.bool_]) -> Estimate:
        from slabvision.plane_mask import mask_areas

        if mask.shape != self.camera.shape:
            raise PlaneError(
                f"the mask has shape {mask.shape}, the photo {self.camera.shape}; they must be "
                "the same"
            )
        if not mask.any():
            return Estimate.exact(0.0, "mm2", draws=self.draws)
        rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
        box = np.array([[r, c] for r in (rows[0], rows[-1]) for c in (cols[0], cols[-1])], float)
        self._in_front(box + np.array([[-0.5, -0.5], [-0.5, 0.5], [0.5, -0.5], [0.5, 0.5]]))
        value, draws = mask_areas(mask, self.best, self.worlds, least=NEAR_HORIZON)
        return self._said(value, draws, "mm2", 2)

    def _said(self, value: float, draws: Floats, unit: str, power: int) -> Estimate:
        if self.reason:
            return Estimate.undetermined(self.reason, unit, draws=self.draws)
        low, high = np.percentile(draws, (2.5, 97.5))
        if not high < _LARGEST_RATIO ** (power / 2) * max(low, 1e-12):
            return Estimate.undetermined(
                f"not determined: anything from {low:.3g} to {high:.3g} {unit} fits the marks; "
                "add a length across the first, as long as the slab is wide",
                unit,
                draws=self.draws,
            )
        return Estimate(value, draws, unit)


def _as_points(points: PointsLike, what: str = "points") -> Floats:
    array = np.asarray(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 2:
        raise PlaneError(f"{what} have shape {array.shape}; (N, 2) is needed")
    if not np.isfinite(array).all():
        bad = int(np.flatnonzero(~np.isfinite(array).all(axis=1))[0])
        raise PlaneError(f"{what}: number {bad + 1} is not finite ({array[bad].tolist()})")
    return array


def _shoelace(x: Floats, y: Floats) -> Floats:
    """Signed areas of polygons (K, N), with x first."""
    x, y = x - x[:, :1], y - y[:, :1]
    twice = (x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1)).sum(axis=1)
    return np.asarray(twice / 2)


def fit_plane(
    marks: Sequence[Mark],
    camera: Camera,
    *,
    click_px: float = 1.5,
    corner_px: float = 0.3,
    on_face: PointsLike | None = None,
    draws: int = DRAWS,
    seed: int = 0,
) -> Plane:
    """Fit the plane of a face to reference marks.

    Parameters
    ----------
    marks : sequence of Length, Tape, Rectangle, Square, Board
        At least one, in any mixture.
    camera : Camera
        Size of the photo and what is known of its lens.
    click_px, corner_px : float
        Standard uncertainty of a clicked point and of a board's corner, each coordinate, pixels.
    on_face : array (N, 2), optional
        (row, col) points known to lie on the face, such as its outline: views that would put
        one past the horizon are left out.
    draws : int
        Number of equally likely views.
    seed : int
        Seed of the draws; they also depend on where the marks were clicked, so that photos of
        one visit are independent but for what they share by name.

    Raises
    ------
    BadMarkError
        A mark lies outside the photo, or none was given.
    ContradictingMarksError
        Marks that cannot all be true, by name and by how many percent.
    PlaneError
        No position of the camera fits.
    """
    from slabvision.plane_check import check_marks, describe
    from slabvision.plane_fit import central, draw_posterior, share_draws
    from slabvision.plane_model import build_model

    marks = _named(marks, camera)
    for what, value in (("click_px", click_px), ("corner_px", corner_px)):
        if not 0 < value <= 100:
            raise PlaneError(f"{what} is {value}; it must be over 0 and at most 100 pixels")
    if draws < 2:
        raise PlaneError(f"draws is {draws}; at least 2 are needed")
    seen = None if on_face is None else _as_points(on_face, "points on the face")
    model = build_model(marks, camera, click_px=click_px, corner_px=corner_px, seen=seen)
    model, modes, notes = check_marks(marks, model)
    rng = named_rng(f"plane:{_fingerprint(marks, camera)}", seed)
    sample = share_draws(model, draw_posterior(model, modes, rng, draws), draws, seed=0)
    best = central(model, modes, sample)
    pixels = np.concatenate([mark.pixels for mark in marks])
    middle = pixels.mean(axis=0)
    plane = Plane(
        best=model.views(best[None]),
        worlds=model.views(sample.theta),
        camera=camera,
        anchor=((float(middle[0]), float(middle[1])), (float(middle[0]), float(middle[1]) + 1.0)),
        effective=sample.effective,
    )
    wide = np.median(sample.wide, axis=0)
    residuals, advice, reason = describe(marks, model, plane, best, wide)
    return replace(plane, residuals=residuals, advice=(*notes, *advice), reason=reason)


def _named(marks: Sequence[Mark], camera: Camera) -> tuple[Mark, ...]:
    """Give every mark a name of its own, and refuse those outside the photo."""
    if isinstance(marks, Mark):
        marks = [marks]
    if len(marks) == 0:
        raise BadMarkError("no reference mark: mark a length of known size in the photo")
    named: list[Mark] = []
    for number, mark in enumerate(marks, start=1):
        if not isinstance(mark, Mark):
            raise BadMarkError(f"mark {number} is a {type(mark).__name__}, not a reference mark")
        name = mark.name or (f"{mark.called} {number}" if len(marks) > 1 else mark.called)
        if name in {other.name for other in named}:
            name = f"{name} ({number})"
        height, width = camera.shape
        for row, col in mark.pixels:
            if not (-1 <= row <= height and -1 <= col <= width):
                raise BadMarkError(
                    f"{name}: the point at row {row:.0f}, col {col:.0f} lies outside the photo of "
                    f"{height} rows and {width} columns"
                )
        named.append(replace(mark, name=name))
    return tuple(named)


def _fingerprint(marks: tuple[Mark, ...], camera: Camera) -> str:
    """Name a photo by where its marks were clicked.

    Not by what they say: correcting a typed number moves the answer, not its chance.
    """
    places = [(type(mark).__name__, mark.pixels.tolist()) for mark in marks]
    return hashlib.sha256(repr([camera.shape, places]).encode()).hexdigest()
