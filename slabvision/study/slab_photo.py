"""A slab photographed and marked, without pixels: what a person would have clicked and drawn.

Where a photo's points lie is worked out by the renderer's camera (a pinhole with two radial terms,
checked against OpenCV's ``projectPoints`` in ``tests/test_scene_camera.py``; the fit knows one
radial term in another form). Nothing after the marks looks at pixels, so none are rendered.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from slabvision.board_pattern import CHECK_MM
from slabvision.boundary import HAND
from slabvision.defects import KINDS
from slabvision.exif import Exif
from slabvision.lens import read_lens
from slabvision.record import BoardMark, Defect, Outline, PhotoEntry
from slabvision.scene.camera import LENSES, Camera, fit_distance
from slabvision.scene.fill import inside
from slabvision.scene.reference import Placed, ReferenceMark, place_reference, tape
from slabvision.study.from_scene import ScenePlace, marks_of
from slabvision.study.hand import DrawingHand, drawn_line
from slabvision.study.true_slab import CHECK_STEP_MM, TrueFace

__all__ = ["BANDS", "DISTANCES", "REFERENCES", "Setup", "Taken", "photograph"]

Floats: TypeAlias = NDArray[np.float64]

REFERENCES = (
    "board", "rectangle", "square", "crossed tapes", "one tape",
    "tape on the ground", "tape on the ground, not said",
    "two tapes on the ground", "two tapes on the ground, not said",
)  # fmt: skip
BANDS = ((0.0, 15.0), (30.0, 60.0))
DISTANCES = ("near", "far")
"""``near``: the slab fills the picture. ``far``: from 1.6 times as far."""

SHAPE = (3000, 4000)
_FAR = 1.6
_LEAST_PAINTED_MM2 = 25.0
"""Nobody paints a defect smaller than this."""


@dataclass(frozen=True)
class Setup:
    """One cell of the study."""

    reference: str
    band: tuple[float, float]
    lens: str
    distance: str = "near"


@dataclass(frozen=True, eq=False)
class Taken:
    """A photo as marked.

    Attributes
    ----------
    entry : PhotoEntry
    labels : ndarray, shape (H, W)
        What was painted, as if somebody had looked under the reference too.
    largest, longest : int
        Numbers of the largest defect painted and of the longest check traced; 0 for none.
    tilt_deg, distance_mm, mm_per_px : float
        How it was taken.
    """

    entry: PhotoEntry
    labels: NDArray[np.uint16]
    largest: int
    longest: int
    tilt_deg: float
    distance_mm: float
    mm_per_px: float


def photograph(face: TrueFace, setup: Setup, rng: np.random.Generator, sha256: str) -> Taken:
    """Lay a reference, take the photo and mark it.

    Parameters
    ----------
    face : TrueFace
    setup : Setup
    rng : Generator
        Everything not in ``setup`` is drawn from it.
    sha256 : str
        Name of the photo that was never taken.
    """
    said = "not said" not in setup.reference
    placed, bearers = _laid(face, setup.reference, rng)
    camera, tilt, distance = _taken(face, placed, setup, rng)
    middle = np.asarray(face.outline.centroid.coords[0])
    scale = _mm_per_px(camera, middle)
    hand = DrawingHand(offset_mm=HAND.offset(scale), wobble_mm=HAND.wobble(scale))
    drawing = _Drawing(face, camera, hand, rng, scale)

    lens = LENSES[setup.lens]
    size = (SHAPE[1], SHAPE[0])
    belief = read_lens(Exif(focal_mm=lens.focal_mm, focal35_mm=lens.focal35_mm, size=size), size)
    marks: list[Any] = []
    for each in placed:
        true = _seen(face, each, camera, rng)
        where = ScenePlace(say=said, offset_u_mm=2.0)
        if each.place == "ground":
            # Without bearers nobody measures: the notebook's thickness says how far below.
            stated = 5.0 * round((each.offset_mm + rng.normal(0, 3.0)) / 5.0) if bearers else 0.0
            true, where = replace(true, offset_mm=stated), ScenePlace(said, offset_u_mm=5.0)
        (mark,) = marks_of(
            (true,), hand, rng, tape_u_mm=1.0, stretch_mm=0.0, place=where, first=len(marks) + 1
        )
        if isinstance(mark, BoardMark) and rng.uniform() < 0.5:
            mark = _check_read(mark, true.mm, rng)
        marks.append(mark)
    painted = drawing.defects()
    largest, longest = _to_judge(face, painted)
    entry = PhotoEntry(
        file="face.jpg", sha256=sha256, shape=SHAPE, role=face.role,
        focal_px=belief.focal_px, focal_u=belief.focal_u, focal_why=belief.why,
        marks=marks, defects=painted,
        arris=Outline(points=_pairs(drawing.ring(face.outline.exterior)), bark="out"),
    )  # fmt: skip
    return Taken(entry, drawing.labels, largest, longest, tilt, distance, scale)


def _pairs(points: Floats) -> list[tuple[float, float]]:
    return [(round(float(r), 2), round(float(c), 2)) for r, c in points]


# What lies there ---------------------------------------------------------------------------------


def _laid(
    face: TrueFace, reference: str, rng: np.random.Generator
) -> tuple[tuple[Placed, ...], float]:
    """Return the reference, and the height of the bearers under the slab, mm."""
    kinds = {
        "board": "board", "rectangle": "plywood", "square": "square",
        "crossed tapes": "two tapes", "one tape": "tape on face",
    }  # fmt: skip
    if reference in kinds:
        return place_reference(rng, kinds[reference], face.outline, 0.0), 0.0
    bearers = float(rng.choice([0.0, rng.uniform(40.0, 100.0)]))
    below = face.thickness_mm + bearers
    along = place_reference(rng, "tape on ground", face.outline, below)
    if reference.startswith("tape"):
        return along, bearers
    _, v0, u1, v1 = face.outline.bounds
    start = np.array([u1 + rng.uniform(60.0, 140.0), v0])
    length = float(rng.uniform(0.8, 1.0) * (v1 - v0))
    turn = math.pi / 2 + float(rng.normal(0, 0.025))
    return (*along, tape(rng, start, turn, length, below, "ground", below)), bearers


def _seen(
    face: TrueFace, placed: Placed, camera: Camera, rng: np.random.Generator
) -> ReferenceMark:
    """Return a reference as it really is: on bent wood, with its own errors, at a few places."""
    uv, below = placed.world[:, :2].copy(), placed.world[:, 2]
    mm, keep = placed.mm, np.arange(len(placed.world))
    if placed.kind == "tape":
        count = 5 if np.ptp(placed.mm) > 900 else 3
        keep = np.unique(np.linspace(0, len(keep) - 1, count).round().astype(int))
        uv, below, mm = uv[keep], below[keep], mm[keep]
        way = (uv[-1] - uv[0]) / np.linalg.norm(uv[-1] - uv[0])
        # Each mark is met to a millimetre and a half either way; a tape is up to class II wrong.
        off = rng.uniform(-1.7, 1.7, len(uv)) + mm * rng.uniform(-2e-4, 2e-4)
        uv = uv + off[:, None] * way
    elif placed.kind in ("rectangle", "square"):
        u = 1.0 if placed.kind == "rectangle" else 0.5
        uv = _out_of_true(uv, u, rng)
    if placed.place == "face":
        drop = face.depth_mm(uv)
        if placed.kind != "tape":  # stiff: it bridges
            design = np.column_stack([uv, np.ones(len(uv))])
            drop = design @ np.linalg.lstsq(design, drop, rcond=None)[0]
        below = below + drop
    else:
        below = below + rng.normal(0, 4.0)  # no yard is even
    world = np.column_stack([uv, below])
    points = camera.project(world)
    return ReferenceMark(placed.kind, placed.place, placed.offset_mm, points, mm, world)


def _out_of_true(corners: Floats, u_mm: float, rng: np.random.Generator) -> Floats:
    """Stretch both sides of a sheet or square and lean one, each by about ``u_mm``."""
    origin, end_a, end_b = corners[0], corners[1], corners[-1]
    a, b = np.linalg.norm(end_a - origin), np.linalg.norm(end_b - origin)
    axes = np.stack([(end_a - origin) / a, (end_b - origin) / b])
    flat = (corners - origin) @ axes.T
    wide, high, lean = rng.normal(0, u_mm, 3)
    flat = np.column_stack([
        flat[:, 0] * (1 + wide / a) + lean * flat[:, 1] / b, flat[:, 1] * (1 + high / b)
    ])  # fmt: skip
    return np.asarray(origin + flat @ axes)


def _check_read(mark: BoardMark, true_mm: Floats, rng: np.random.Generator) -> BoardMark:
    """Add what was read on the print's check length, to a quarter of a millimetre."""
    larger = np.ptp(true_mm, axis=0).max() / np.ptp(np.asarray(mark.mm), axis=0).max()
    read = round(4 * (CHECK_MM * larger + rng.normal(0, 0.15))) / 4
    return mark.model_copy(update={"check_length_mm": read})


# The camera --------------------------------------------------------------------------------------


def _taken(
    face: TrueFace, placed: tuple[Placed, ...], setup: Setup, rng: np.random.Generator
) -> tuple[Camera, float, float]:
    """Stand somewhere, draw a phone, and take everything into the frame; tilt and distance."""
    ring = shapely.get_coordinates(shapely.simplify(face.outline, 4.0).exterior)
    points = np.vstack([face.lifted(ring), *(each.outline for each in placed)])
    while True:
        tilt = float(rng.uniform(*setup.band))
        steady = tilt < 20.0
        azimuth = float(rng.uniform(0, 360) if steady else rng.normal(90.0, 16.0))
        pose = (tilt, azimuth, float(rng.normal(0, 3.0)))
        camera, distance = fit_distance(
            _phone(setup.lens, rng), points, pose, margin=float(rng.uniform(0.025, 0.07)),
            steady=steady,
        )  # fmt: skip
        if setup.distance == "far":
            camera = replace(
                camera, position=camera.position - (_FAR - 1) * distance * camera.rotation[2]
            )
            distance *= _FAR
        at = camera.project(points)
        if ((at > 5) & (at < np.array(SHAPE) - 6)).all():
            return camera, tilt, distance


def _phone(lens_name: str, rng: np.random.Generator) -> Camera:
    """Draw a phone's lens as the renderer does, without lenses whose picture folds over."""
    lens, diagonal = LENSES[lens_name], float(np.hypot(*SHAPE))
    focal = lens.focal35_mm / float(np.hypot(36.0, 24.0)) * diagonal
    focal *= 1.0 + float(np.clip(rng.normal(0, 0.02), -0.05, 0.05))
    middle = np.array(SHAPE) / 2 - 0.5 + rng.normal(0, 0.004, 2) * SHAPE[1]
    corner2 = (0.5 * diagonal / focal) ** 2
    while True:
        k1 = float(np.clip(rng.normal(0, lens.k1_spread), -0.06, 0.06))
        k2 = float(np.clip(rng.normal(0, lens.k2_spread), -0.02, 0.02))
        if 1 + 3 * k1 * corner2 + 5 * k2 * corner2**2 > 0.4:
            break
    return Camera(
        SHAPE, focal, (float(middle[0]), float(middle[1])), k1, k2, np.eye(3), np.zeros(3)
    )


def _mm_per_px(camera: Camera, at: Floats) -> float:
    """Return the root of the area on the face that a pixel sees there."""
    row_col = camera.project(np.array([[*at, 0.0]]))
    steps = camera.to_plane(row_col + np.array([[0.0, 0], [1, 0], [0, 1]]))
    a, b = steps[1] - steps[0], steps[2] - steps[0]
    return math.sqrt(abs(float(a[0] * b[1] - a[1] * b[0])))


# The hand ----------------------------------------------------------------------------------------


class _Drawing:
    """A person draws on the photo: edges in mm on the wood, then where the photo shows them."""

    def __init__(
        self, face: TrueFace, camera: Camera, hand: DrawingHand, rng: np.random.Generator,
        scale: float,
    ) -> None:  # fmt: skip
        self.face, self.camera, self.hand, self.rng, self.scale = face, camera, hand, rng, scale
        self.labels = np.zeros(SHAPE, np.uint16)

    def pixels(self, uv: Floats) -> Floats:
        return self.camera.project(self.face.lifted(uv))

    def ring(self, true: Any) -> Floats:
        """Return a drawn outline in pixels."""
        points = np.asarray(true.coords)[:-1]
        every = float(np.clip(true.length / 40, 1.0, 10.0))
        while True:
            drawn = drawn_line(points, 1.0, self.hand, self.rng, every_mm=every)
            if shapely.Polygon(drawn).is_valid:
                return self.pixels(drawn)
            every *= 1.25  # the program shows where it crosses itself; the person draws it anew

    def fill(self, ring_px: Floats, number: int) -> None:
        mask, where = inside([ring_px], SHAPE)
        self.labels[where][mask] = number

    def defects(self) -> list[Defect]:
        """Paint and trace every defect that is large enough to bother with."""
        found = []
        for region in self.face.regions:
            one = self._check(region) if KINDS[region.kind].line else None
            if one is None:
                one = self._blob(region)
            if one is not None:
                found.append(one)
        return found

    def _blob(self, region: Any) -> Defect | None:
        parts = [p for p in shapely.get_parts(region.polygon) if p.area >= _LEAST_PAINTED_MM2]
        for part in parts:
            self.fill(self.ring(part.exterior), region.number)
        if not parts:
            return None
        return Defect(number=region.number, kind=region.kind, tool="study")

    def _check(self, region: Any) -> Defect | None:
        """Trace a check from the first to the last place where it is seen."""
        line = region.seen_line
        if len(line) < 2 or region.seen_length_mm < 5.0:
            return None
        run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        tip = self.rng.normal(0, math.hypot(self.hand.offset_mm, self.hand.wobble_mm), 2)
        count = max(3, round(run[-1] / CHECK_STEP_MM))
        at = np.linspace(tip[0], run[-1] + tip[1], count)
        if at[-1] - at[0] < 3.0:
            return None
        drawn = np.column_stack([_beyond(at, run, line[:, k]) for k in (0, 1)])
        drawn += self.rng.normal(0, 0.7 * self.scale, drawn.shape)
        first = int(np.argmin(np.linalg.norm(region.line - line[0], axis=1)))
        wide = np.interp(at, run, region.widths[first : first + len(line)])
        wide = np.maximum(wide + self.rng.normal(0, 0.4 * self.scale, count), self.scale)
        pixels = self.pixels(drawn)
        across = np.gradient(drawn, axis=0)
        across = np.column_stack([-across[:, 1], across[:, 0]])
        across *= (wide / 2 / np.maximum(np.linalg.norm(across, axis=1), 1e-9))[:, None]
        ring = self.pixels(np.vstack([drawn + across, (drawn - across)[::-1]]))
        self.fill(ring, region.number)
        return Defect(
            number=region.number, kind=region.kind, tool="study",
            centre_line=_pairs(pixels), widths_px=(wide / self.scale).round(2).tolist(),
        )  # fmt: skip


def _beyond(at: Floats, run: Floats, values: Floats) -> Floats:
    """Interpolate along a line and go straight on beyond its ends."""
    inner = np.interp(at, run, values)
    for end, near in ((0, 1), (-1, -2)):
        slope = (values[near] - values[end]) / (run[near] - run[end])
        past = at < run[0] if end == 0 else at > run[-1]
        inner = np.where(past, values[end] + slope * (at - run[end]), inner)
    return np.asarray(inner)


def _to_judge(face: TrueFace, painted: list[Defect]) -> tuple[int, int]:
    """Return the numbers of the largest painted defect and of the longest traced check."""
    traced = {defect.number: bool(defect.centre_line) for defect in painted}
    regions = [region for region in face.regions if region.number in traced]
    blobs = [r for r in regions if not traced[r.number]]
    checks = [r for r in regions if traced[r.number]]
    largest = max(blobs, key=lambda r: r.area_mm2, default=None)
    longest = max(checks, key=lambda r: r.seen_length_mm, default=None)
    return largest.number if largest else 0, longest.number if longest else 0
