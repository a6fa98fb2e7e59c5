"""Find the printed board in a photo, without a click.

Markers are found by OpenCV's detector, once on a smaller picture and, if nothing is there, once
at full size; its default lower limit on a marker's perimeter (3 % of the picture's longer side)
would lose the board beyond about two metres, so the limit is set in pixels here. One marker is
enough to start from: the chequered pattern's crossings are then followed from square to square,
each placed by fitting a saddle in the board's own frame, where perspective is undone. What is
reported are these crossings, not the markers' corners.

The saddle fit is that of L. Lucchese and S. K. Mitra, "Using saddle points for subpixel feature
detection in camera calibration targets", Asia-Pacific Conference on Circuits and Systems, 2002,
taken to the hyperbolic term alone, re-centred until it stands still.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision import board_pattern as pattern
from slabvision.board_page import PAPERS, write_board
from slabvision.board_pattern import CHECK_MM

__all__ = ["CHECK_MM", "PAPERS", "BoardSighting", "check_scale", "find_board", "write_board"]

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

TOTAL = (pattern.ROWS + 1) * (pattern.COLUMNS + 1)
_MIN_FOUND = 8
"""Eight of the twenty crossings, all of the right sense and in one perspective."""
_MIN_MARKERS = 2
"""Markers that must look as they should: one may be misread, its neighbour says so."""
_QUICK_SIDE_PX = 2016
_NEAR_WINDOWS_PX = (23, 55)
_FAR_WINDOWS_PX = (23,)
"""Sides of the squares over which light and dark are told apart: about one to six modules. Each
costs time, the small ones most, because grain and noise break up there."""
_MIN_PERIMETER_PX = 44.0
"""A 42 mm marker at 4.5 m and 60 degrees, 3,000 px focal length, has about 80."""
_FIRST_MM = 14.0
"""How far off a crossing may lie as one blurred, oblique marker's own corners foretell it."""
_WIDE_MM, _FINE_MM, _FINE_PX = 6.5, 5.0, 12.0
_SAMPLES = 17
_MIN_FIT = 0.75
"""Correlation of what is seen round a crossing with an ideal one."""
_MIN_CONTRAST = 6.0
_AGREE_MM = 1.5
_SURE_PX = 0.1


@dataclass(frozen=True, eq=False)
class BoardSighting:
    """The board as seen in one photo.

    Attributes
    ----------
    points : ndarray of float, shape (N, 2)
        Crossings found, (row, col) in pixels.
    mm : ndarray of float, shape (N, 2)
        Where they lie on the print, (down, across) in millimetres.
    ids : ndarray of int, shape (N,)
        Their numbers, 0 to 19, row by row.
    total : int
        Crossings on the board.
    residual_px : float
        Root mean square distance to the best perspective view of a flat board.
    outline : ndarray of float, shape (4, 2)
        The pattern's outer corners, (row, col), to be left out of what is seen of the wood.
    """

    points: Floats
    mm: Floats
    ids: NDArray[np.int64]
    total: int
    residual_px: float
    outline: Floats

    @property
    def found(self) -> int:
        """Number of crossings found."""
        return len(self.ids)

    def scaled(self, scale: float) -> BoardSighting:
        """Return the sighting for a print that came out ``scale`` times its nominal size."""
        return replace(self, mm=self.mm * scale)


def check_scale(measured_mm: float, nominal_mm: float = CHECK_MM) -> float:
    """Return how much larger a print came out than it should, as a factor.

    Parameters
    ----------
    measured_mm : float
        What the person measured on the check line.
    nominal_mm : float
        What it should be.

    Raises
    ------
    ValueError
        More than 15 % off: printers that "fit to page" stay within about 10 %.

    Examples
    --------
    >>> round(check_scale(145.5), 4)
    0.97
    """
    if not nominal_mm > 0:
        raise ValueError(f"nominal length is {nominal_mm} mm; it must be over 0")
    scale = measured_mm / nominal_mm
    if not 0.85 <= scale <= 1.15:
        raise ValueError(
            f"the check line was measured as {measured_mm:g} mm and should be near {nominal_mm:g} "
            "mm. Measure it again in millimetres, or print the board at 100 % (actual size)"
        )
    return scale


def find_board(pixels: NDArray[Any]) -> BoardSighting | None:
    """Find the printed board in a photo.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3) or (H, W)
        RGB or grey.

    Returns
    -------
    BoardSighting or None
        ``None`` where there is no board, or too little of it is seen to be sure.
    """
    grey = _grey(pixels)
    longest = max(grey.shape)
    if min(grey.shape) < 32:
        return None
    if longest > _QUICK_SIDE_PX:
        found = _search(grey, longest / _QUICK_SIDE_PX, _NEAR_WINDOWS_PX)
        return found if found is not None else _search(grey, 1.0, _FAR_WINDOWS_PX)
    return _search(grey, 1.0, (*_FAR_WINDOWS_PX, *_NEAR_WINDOWS_PX[1:]))


def _grey(pixels: NDArray[Any]) -> Grey:
    from slabvision.opencv import cv2

    image = np.asarray(pixels)
    if image.dtype != np.uint8 or image.ndim not in (2, 3) or image.shape[2:] not in ((), (3,)):
        raise ValueError(
            f"pixels have shape {image.shape} and type {image.dtype}; (H, W, 3) or (H, W) of "
            "uint8 is needed"
        )
    grey = image if image.ndim == 2 else cv2.cvtColor(np.ascontiguousarray(image), 7)  # RGB2GRAY
    return np.ascontiguousarray(grey)


# Markers ---------------------------------------------------------------------------------------


@cache
def _detector_parts() -> tuple[Any, Any]:
    from slabvision.opencv import cv2

    whole = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    ours = cv2.aruco.Dictionary(whole.bytesList[[m.code for m in pattern.MARKERS]], 4, 2)
    return cv2, ours


def _markers(grey: Grey, windows: tuple[int, ...]) -> list[tuple[int, Floats]]:
    """Read the number and four corners (x, y) of every marker in a picture."""
    cv2, dictionary = _detector_parts()
    soft = cv2.GaussianBlur(grey, (0, 0), 1.5)
    sharp = cv2.addWeighted(grey, 2.5, soft, -1.5, 0)  # markers of few pixels: undo the lens
    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = min(3.9, _MIN_PERIMETER_PX / max(grey.shape))
    settings.polygonalApproxAccuracyRate = 0.06
    settings.errorCorrectionRate = 1.0
    settings.adaptiveThreshWinSizeMin, settings.adaptiveThreshWinSizeMax = windows[0], windows[-1]
    settings.adaptiveThreshWinSizeStep = max(1, windows[-1] - windows[0])
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(sharp)
    if ids is None:
        return []
    return [
        (int(number), np.asarray(quad, dtype=np.float64).reshape(4, 2))
        for number, quad in zip(np.ravel(ids), corners, strict=True)
    ]


def _search(grey: Grey, reduce: float, windows: tuple[int, ...]) -> BoardSighting | None:
    cv2, _ = _detector_parts()
    small, factor = grey, np.ones(2)
    if reduce > 1.0:
        size = (round(grey.shape[1] / reduce), round(grey.shape[0] / reduce))
        small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
        factor = np.array([grey.shape[1] / size[0], grey.shape[0] / size[1]])
    best: BoardSighting | None = None
    tried: list[Floats] = []
    for number, quad in sorted(_markers(small, windows), key=lambda each: -_size(each[1])):
        corners = ((quad + 0.5) * factor - 0.5)[:, ::-1]  # to (row, col) at full size
        if any(_inside(corners.mean(axis=0), outline) for outline in tried):
            continue
        found = _follow(grey, pattern.MARKERS[number].corners_mm, corners)
        if found is not None:
            tried.append(found.outline)
            if best is None or found.found > best.found:
                best = found
    return best


def _size(quad: Floats) -> float:
    return float(np.ptp(quad, axis=0).sum())


def _inside(point: Floats, polygon: Floats) -> bool:
    edges = np.roll(polygon, -1, axis=0) - polygon
    to = point - polygon
    turn = edges[:, 0] * to[:, 1] - edges[:, 1] * to[:, 0]
    return bool((turn > 0).all() or (turn < 0).all())


# Crossings -------------------------------------------------------------------------------------


def _project(view: Floats, mm: Floats) -> Floats:
    lifted = np.concatenate([mm, np.ones((*mm.shape[:-1], 1))], axis=-1) @ view.T
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(lifted[..., :2] / lifted[..., 2:])


def _view(mm: Floats, points: Floats, agree_mm: float = 0.0) -> tuple[Floats, Any] | None:
    """Fit the perspective view from the print (mm) to the picture, both (down, across)."""
    cv2, _ = _detector_parts()
    if agree_mm:
        # RANSAC in millimetres on the print: the same limit near and far, straight and oblique.
        back, used = cv2.findHomography(points, mm, cv2.RANSAC, agree_mm, maxIters=500)
        if back is None or used.sum() < 4:
            return None
        kept = used.ravel().astype(bool)
    else:
        kept = np.ones(len(mm), dtype=bool)
    view, _ = cv2.findHomography(mm[kept], points[kept], 0)
    if view is None or not np.isfinite(view).all():
        return None
    return view, kept


def _scale(view: Floats, mm: Floats) -> Floats:
    """Pixels per millimetre round each point of the print, the smaller direction's."""
    half = np.array([0.5, 0.0])
    down = _project(view, mm + half) - _project(view, mm - half)
    across = _project(view, mm + half[::-1]) - _project(view, mm - half[::-1])
    return np.asarray(np.minimum(np.hypot(*down.T), np.hypot(*across.T)))


def _follow(grey: Grey, mm: Floats, corners: Floats) -> BoardSighting | None:
    """Follow the pattern from one marker and report its crossings."""
    started = _view(mm, corners)
    if started is None:
        return None
    small, to_full = _reduced(grey, float(np.median(_scale(started[0], mm))))
    view = np.linalg.inv(to_full) @ started[0]
    crossings, sense = pattern.crossings_mm(), pattern.polarity()
    far = np.abs(crossings - mm.mean(axis=0)).max(axis=1)
    found = np.zeros(TOTAL, dtype=bool)
    points = np.full((TOTAL, 2), np.nan)
    # First the four crossings round this marker, then ever further.
    astray_mm = _FIRST_MM
    for reach in np.arange(0.75, pattern.ROWS + 0.5, 0.5) * pattern.SQUARE_MM:
        asked = far <= reach
        points[asked], found[asked] = _saddles(
            small, view, crossings[asked], sense[asked], astray_mm
        )
        if found.sum() < 4:
            if reach > 1.5 * pattern.SQUARE_MM:
                return None
            continue
        fitted = _view(crossings[found], points[found], _AGREE_MM)
        if fitted is not None:
            view, astray_mm = fitted[0], _WIDE_MM
            found[np.flatnonzero(found)[~fitted[1]]] = False
    points, found = _saddles(grey, to_full @ view, crossings, sense, _AGREE_MM, fine=True)
    if found.sum() < _MIN_FOUND:
        return None
    fitted = _view(crossings[found], points[found], _AGREE_MM)
    if fitted is None or fitted[1].sum() < _MIN_FOUND:
        return None
    ids = np.flatnonzero(found)[fitted[1]]
    view, ids, apart = _trimmed(fitted[0], crossings, points, ids)
    if sum(_alike(grey, view, marker) > _MIN_FIT for marker in pattern.MARKERS) < _MIN_MARKERS:
        return None  # chequers, but not ours, or a misread marker and so the wrong place on it
    edge, down, across = pattern.RING_MM, pattern.HEIGHT_MM, pattern.WIDTH_MM
    outer = np.array(
        [(-edge, -edge), (-edge, across + edge), (down + edge, across + edge), (down + edge, -edge)]
    )
    return BoardSighting(
        points=points[ids],
        mm=crossings[ids],
        ids=ids.astype(np.int64),
        total=TOTAL,
        residual_px=float(np.sqrt((apart**2).mean())),
        outline=_project(view, outer),
    )


def _alike(grey: Grey, view: Floats, marker: pattern.Marker) -> float:
    """Correlate the 16 modules seen where a marker's code should be with those it has."""
    steps = (np.arange(1, pattern.MODULES - 1) + 0.5) * pattern.MODULE_MM
    down, across = np.meshgrid(steps, steps, indexing="ij")
    centres = np.column_stack([down.ravel(), across.ravel()]) + np.array(marker.corner_mm)
    seen = _sample(grey, _project(view, centres))
    meant = marker.white.ravel() - marker.white.mean()
    apart = seen - seen.mean()
    size = float(np.sqrt((apart**2).sum() * (meant**2).sum()))
    return float((apart * meant).sum()) / size if size > 1e-6 else 0.0


def _trimmed(
    view: Floats, mm: Floats, points: Floats, ids: NDArray[np.int64]
) -> tuple[Floats, NDArray[np.int64], Floats]:
    """Leave out crossings that stand out from the rest: a shadow's edge runs through them.

    The limit is four robust standard deviations (1.48 times the median, of a normal
    distribution), so a wavy sheet, which moves all of them a little, keeps its crossings.
    """
    kept = ids
    for _ in range(5):
        apart = np.hypot(*(_project(view, mm[ids]) - points[ids]).T)
        limit = max(4.0 * 1.4826 * float(np.median(apart)), _SURE_PX)
        kept, before = ids[apart <= limit], kept
        fitted = _view(mm[kept], points[kept]) if len(kept) >= _MIN_FOUND else None
        if fitted is None:
            return view, ids, apart
        view = fitted[0]
        if np.array_equal(kept, before):
            break
    return view, kept, np.hypot(*(_project(view, mm[kept]) - points[kept]).T)


def _reduced(grey: Grey, scale: float) -> tuple[Grey, Floats]:
    """Reduce a near view to at most 2 pixels per mm: the coarse fit's samples are 0.8 mm apart.

    Returns
    -------
    small : ndarray of uint8
    to_full : ndarray, shape (3, 3)
        From its (row, col) to those of ``grey``, pixel centres at whole numbers.
    """
    cv2, _ = _detector_parts()
    factor = max(1.0, np.ceil(scale / 2.0)) if np.isfinite(scale) else 1.0
    if factor == 1.0 or min(grey.shape) < 4 * factor:
        return grey, np.eye(3)
    size = (round(grey.shape[1] / factor), round(grey.shape[0] / factor))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    down, across = grey.shape[0] / size[1], grey.shape[1] / size[0]
    to_full = [[down, 0, (down - 1) / 2], [0, across, (across - 1) / 2], [0, 0, 1]]
    return small, np.array(to_full)


def _saddles(
    grey: Grey,
    view: Floats,
    mm: Floats,
    sense: NDArray[np.int64],
    astray_mm: float,
    *,
    fine: bool = False,
) -> tuple[Floats, NDArray[np.bool_]]:
    """Place crossings within ``astray_mm`` of where ``view`` expects them.

    Returns
    -------
    points : ndarray, shape (N, 2)
        (row, col).
    good : ndarray of bool, shape (N,)
        Contrast, sense and shape are those of a crossing, and it stands still.
    """
    scale = _scale(view, mm)
    radius = np.full(len(mm), _WIDE_MM)
    if fine:
        radius = np.minimum(_FINE_MM, _FINE_PX / np.maximum(scale, 1e-6))
    grid = np.linspace(-1, 1, _SAMPLES)
    down, across = (axis.ravel() for axis in np.meshgrid(grid, grid, indexing="ij"))
    weight = np.exp(-2.0 * (down**2 + across**2))
    terms = np.column_stack([np.ones_like(down), down, across, down * across])
    solve = np.linalg.solve((terms * weight[:, None]).T @ terms, (terms * weight[:, None]).T)

    centre, good = mm.copy(), np.isfinite(_project(view, mm)).all(axis=1)
    step = np.zeros_like(mm)
    for _ in range(6):
        around = centre[:, None] + radius[:, None, None] * np.column_stack([down, across])
        values = _sample(grey, _project(view, around))
        fit = values @ solve.T  # constant, down, across, saddle
        contrast = fit[:, 3] * sense
        good &= contrast > _MIN_CONTRAST
        slope = np.where(np.abs(fit[:, 3]) > 1e-9, fit[:, 3], 1.0)[:, None]
        # The saddle of c + a d + b x + s d x lies at d = -b / s, x = -a / s.
        step = np.clip(-fit[:, [2, 1]] / slope, -0.5, 0.5) * radius[:, None]
        centre = centre + np.where(good[:, None], step, 0.0)
    # Shape: correlation with a crossing whose edges are about as soft as those seen.
    ideal = np.clip(down / 0.3, -1, 1) * np.clip(across / 0.3, -1, 1)
    apart = values - np.average(values, axis=1, weights=weight)[:, None]
    alike = (apart * ideal) @ weight * sense
    good &= alike > _MIN_FIT * np.sqrt((apart**2 @ weight) * (ideal**2 @ weight))
    good &= np.hypot(*step.T) < 0.05 * radius
    good &= np.hypot(*(centre - mm).T) < astray_mm
    return _project(view, centre), good


def _sample(grey: Any, points: Floats) -> Floats:
    """Bilinear values at (row, col); NaN outside the picture."""
    height, width = grey.shape
    row, col = points[..., 0], points[..., 1]
    inside = (row >= 0) & (row <= height - 1) & (col >= 0) & (col <= width - 1)
    row, col = np.where(inside, row, 0.0), np.where(inside, col, 0.0)
    r0 = np.minimum(row.astype(np.int64), height - 2)
    c0 = np.minimum(col.astype(np.int64), width - 2)
    dr, dc = row - r0, col - c0
    values = (
        grey[r0, c0] * (1 - dr) * (1 - dc)
        + grey[r0, c0 + 1] * (1 - dr) * dc
        + grey[r0 + 1, c0] * dr * (1 - dc)
        + grey[r0 + 1, c0 + 1] * dr * dc
    )
    return np.asarray(np.where(inside, values, np.nan), dtype=np.float64)
