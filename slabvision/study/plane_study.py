"""Count how often the plane's intervals hold the truth: geometry alone, no pictures.

A slab of 2.4 x 0.8 m is photographed from 3 to 4 m by a simulated camera whose focal length and
distortion differ from what is believed of them, reference objects have errors of their own, and
points are clicked with noise. The projection is written here, on its own, from the textbook
(pinhole and the first radial term, Hartley and Zisserman, Multiple View Geometry, 2nd ed.,
chapters 6 and 7.4), so that an error in :mod:`slabvision.view` cannot hide itself.
"""

from __future__ import annotations

import itertools
import math
import time
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.board_pattern import crossings_mm
from slabvision.plane import (
    Board,
    Camera,
    HorizonError,
    Length,
    Mark,
    PlaneError,
    Rectangle,
    Square,
    Tape,
    fit_plane,
)

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["BANDS", "CELLS", "LAWS", "REFERENCES", "Cell", "Shot", "run", "simulate", "table"]

Floats: TypeAlias = NDArray[np.float64]

SHAPE = (3000, 4000)
FOCAL_PX = 3000.0
CLICK_PX, CORNER_PX = 1.5, 0.3
FOCAL_U, K1_U = 0.03, 0.01
LENGTH_MM, WIDTH_MM = 2400.0, 800.0

BANDS = ((0.0, 15.0), (30.0, 55.0))
LAWS = ("even", "beside")
"""``even``: tilt and its direction uniform. ``beside``: a place to stand, uniform over the sphere
around the slab's middle, on either of its long sides; the camera is aimed by hand."""

_SLAB = np.array([[-1200.0, -400], [1200, -400], [1200, 400], [-1200, 400]])


@dataclass(frozen=True)
class Cell:
    """One line of the table."""

    reference: str
    band: tuple[float, float]
    law: str

    @property
    def name(self) -> str:
        """Plain name, also used for files."""
        return f"{self.reference}, {self.band[0]:.0f} to {self.band[1]:.0f} deg, {self.law}"


@dataclass(frozen=True)
class Shot:
    """A simulated photograph of the face's plane, (u, v) mm around the slab's middle."""

    rotation: Floats
    position: Floats
    focal_px: float
    k1: float

    def pixels(self, mm: Floats) -> Floats:
        """Project points of the face, (N, 2) row, col."""
        points = np.column_stack([mm, np.zeros(len(mm))]) - self.position
        x, y, z = self.rotation @ points.T
        if (z <= 0).any():
            return np.full((len(mm), 2), np.nan)
        x, y = x / z, y / z
        bend = 1 + self.k1 * (x * x + y * y)
        middle = (np.array(SHAPE) - 1) / 2
        return np.column_stack([y * bend, x * bend]) * self.focal_px + middle


def _looking(position: Floats, target: Floats, roll: float) -> Floats:
    """Rotation of a camera at ``position`` that looks at ``target``; z of the face is up."""
    ahead = (target - position) / np.linalg.norm(target - position)
    # The picture's x axis runs along the slab as well as it can.
    right = np.array([1.0, 0.0, 0.0]) - ahead[0] * ahead
    if np.linalg.norm(right) < 1e-6:
        right = np.array([0.0, 1.0, 0.0]) - ahead[1] * ahead
    right /= np.linalg.norm(right)
    down = np.cross(ahead, right)
    c, s = math.cos(roll), math.sin(roll)
    return np.array([c * right + s * down, c * down - s * right, ahead])


def _shot(cell: Cell, rng: np.random.Generator) -> Shot:
    focal = FOCAL_PX * math.exp(FOCAL_U * rng.standard_normal())
    k1 = K1_U * rng.standard_normal()
    low, high = np.radians(cell.band)
    for _ in range(1000):
        distance = rng.uniform(3000, 4000)
        if cell.law == "even":
            tilt, turn, roll = rng.uniform(low, high), rng.uniform(0, 2 * math.pi), 0.0
            target = np.zeros(3)
        else:
            tilt = math.acos(rng.uniform(math.cos(high), math.cos(low)))
            side = rng.choice([-1.0, 1.0])
            turn = side * math.pi / 2 + rng.uniform(-math.pi / 3, math.pi / 3)
            roll = math.radians(4.0) * rng.standard_normal()
            target = np.array([rng.normal(0, 100), rng.normal(0, 100), 0.0])
        lean = np.array(
            [
                math.sin(tilt) * math.cos(turn),
                math.sin(tilt) * math.sin(turn),
                math.cos(tilt),
            ]
        )
        shot = Shot(
            _looking(target + distance * lean, target, roll), target + distance * lean, focal, k1
        )
        pixels = shot.pixels(_SLAB)
        if (pixels > 20).all() and (pixels < np.array(SHAPE) - 20).all():
            return shot
    raise RuntimeError(f"{cell.name}: the slab does not fit into the picture")


Maker: TypeAlias = Callable[[Shot, np.random.Generator], list[Mark]]


def _clicked(shot: Shot, mm: Floats, rng: np.random.Generator, noise: float = CLICK_PX) -> Floats:
    return shot.pixels(mm) + rng.normal(0, noise, (len(mm), 2))


def _placed(mm: Floats, rng: np.random.Generator, reach: float) -> Floats:
    """Turn by up to 15 degrees and shift by up to ``reach`` in each direction."""
    turn = math.radians(rng.uniform(-15, 15))
    c, s = math.cos(turn), math.sin(turn)
    return np.asarray(mm @ np.array([[c, s], [-s, c]]) + rng.uniform(-reach, reach, 2))


def _length(shot: Shot, rng: np.random.Generator) -> list[Mark]:
    half = (2000 + rng.normal()) / 2
    ends = _clicked(shot, _placed(np.array([[-half, 0.0], [half, 0]]), rng, 60), rng)
    return [Length(ends[0], ends[1], 2000)]


def _two_lengths(shot: Shot, rng: np.random.Generator) -> list[Mark]:
    half = (600 + rng.normal()) / 2
    across = np.array([[0.0, -half], [0, half]]) + np.array([rng.uniform(-300, 300), 0])
    ends = _clicked(shot, across, rng)
    return [*_length(shot, rng), Length(ends[0], ends[1], 600)]


def _tape_along(
    shot: Shot, rng: np.random.Generator, readings: Floats, start: Floats, way: Floats
) -> Tape:
    where = start + (readings + rng.normal(0, 1.0, len(readings)))[:, None] * way
    return Tape(_clicked(shot, where, rng), readings)


def _tape(shot: Shot, rng: np.random.Generator) -> list[Mark]:
    start = np.array([-1000.0, rng.uniform(-250, 250)])
    return [_tape_along(shot, rng, np.arange(0.0, 2001, 500), start, np.array([1.0, 0.0]))]


def _crossed_tapes(shot: Shot, rng: np.random.Generator) -> list[Mark]:
    start = np.array([rng.uniform(-300, 300), -350.0])
    across = _tape_along(shot, rng, np.array([0.0, 350, 700]), start, np.array([0.0, 1.0]))
    return [*_tape(shot, rng), across]


def _rectangle(shot: Shot, rng: np.random.Generator) -> list[Mark]:
    width, height, skew = 1200 + rng.normal(), 600 + rng.normal(), rng.normal()
    corners = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    sheet = corners * (width, height) + np.column_stack([corners[:, 1] * skew, np.zeros(4)])
    return [Rectangle(_clicked(shot, _placed(sheet, rng, 80), rng), 1200, 600)]


def _square(shot: Shot, rng: np.random.Generator) -> list[Mark]:
    a, b = 600 + 0.5 * rng.normal(), 400 + 0.5 * rng.normal()
    legs = np.array([[0.0, 0.0], [a, 0.0], [0.5 * rng.normal(), b]]) - (200, 133)
    heel, end_a, end_b = _clicked(shot, _placed(legs, rng, 80), rng)
    return [Square(heel, end_a, end_b, 600, 400)]


def _printed(scale_u: float) -> Maker:
    def make(shot: Shot, rng: np.random.Generator) -> list[Mark]:
        grid = np.asarray(crossings_mm(), dtype=np.float64).reshape(-1, 2)
        true = (grid - grid.mean(axis=0)) * (1 + scale_u * rng.standard_normal())
        points = _clicked(shot, _placed(true, rng, 60), rng, CORNER_PX)
        return [Board(points, grid, scale_u)]

    return make


REFERENCES: dict[str, Maker] = {
    "board of exact size": _printed(0.0),
    "board, check length measured (0.15 %)": _printed(0.0015),
    "board as printed (0.3 %)": _printed(0.003),
    "rectangle 1.2 x 0.6 m": _rectangle,
    "two crossed tapes": _crossed_tapes,
    "square 0.6 x 0.4 m": _square,
    "one tape along": _tape,
    "two lengths crossed": _two_lengths,
    "one length": _length,
}
CELLS = tuple(
    Cell(reference, band, law)
    for reference, band, law in itertools.product(REFERENCES, BANDS, LAWS)
)


def simulate(cell: Cell, case: int, seed: int = 0, *, draws: int = 1000) -> dict[str, float]:
    """Simulate one photograph, measure the slab's area and compare.

    Returns
    -------
    dict
        ``held`` (1, 0, or NaN where not determined), ``error`` (relative), ``width`` (of the
        interval, relative to the value), ``rank`` of the truth among the draws, ``seconds``.
    """
    rng = np.random.default_rng([seed, zlib.crc32(cell.name.encode()), case])
    shot = _shot(cell, rng)
    marks = REFERENCES[cell.reference](shot, rng)
    camera = Camera(SHAPE, FOCAL_PX, FOCAL_U, K1_U)
    truth = LENGTH_MM * WIDTH_MM
    start = time.perf_counter()
    nothing = {"held": math.nan, "error": math.nan, "width": math.nan, "rank": math.nan}
    try:
        plane = fit_plane(
            marks, camera, click_px=CLICK_PX, corner_px=CORNER_PX, draws=draws, seed=seed
        )
        area = plane.area(shot.pixels(_SLAB))
    except HorizonError:
        return {**nothing, "refused": 0.0, "seconds": time.perf_counter() - start}
    except PlaneError:
        return {**nothing, "refused": 1.0, "seconds": time.perf_counter() - start}
    spent = time.perf_counter() - start
    if not area.determined:
        return {**nothing, "refused": 0.0, "seconds": spent}
    low, high = area.interval
    return {
        "held": float(area.holds(truth)),
        "error": area.value / truth - 1,
        "width": (high - low) / area.value,
        "rank": float((area.draws < truth).mean()),
        "refused": 0.0,
        "seconds": spent,
    }


def _some(task: tuple[Cell, range, int]) -> list[dict[str, float]]:
    cell, cases, seed = task
    return [simulate(cell, case, seed) for case in cases]


def run(
    cases: int = 3000,
    seed: int = 1,
    cells: Iterable[Cell] | None = None,
    progress: Callable[[str], None] | None = None,
    *,
    folder: Path | None = None,
    workers: int = 2,
) -> pd.DataFrame:
    """Run the study.

    Parameters
    ----------
    cases : int
        Simulated photographs per cell.
    seed : int
        Seed of all of them.
    cells : iterable of Cell, optional
        Which cells; all by default.
    progress : callable, optional
        Told about each finished cell in one line.
    folder : Path, optional
        Where finished cells are kept, one CSV file each; a cell found there with the same cases
        and seed is not run again.
    workers : int
        Processes.

    Returns
    -------
    DataFrame
        One row per cell: coverage of the 95 % interval with its binomial standard error, median
        absolute error and median width of the interval, percent; cases not determined.
    """
    import pandas as pd

    if cases < 1:
        raise ValueError(f"cases is {cases}; at least 1 is needed")
    rows = []
    with _pool(workers) as over:
        for cell in CELLS if cells is None else cells:
            kept = _file(folder, cell, cases, seed)
            if kept is not None and kept.exists():
                results = pd.read_csv(kept)
            else:
                parts = [
                    (cell, range(first, min(first + 25, cases)), seed)
                    for first in range(0, cases, 25)
                ]
                results = pd.DataFrame([one for some in over(_some, parts) for one in some])
                if kept is not None:
                    kept.parent.mkdir(parents=True, exist_ok=True)
                    partial = kept.with_suffix(".part")
                    results.to_csv(partial, index=False)
                    partial.replace(kept)
            rows.append(_summary(cell, results))
            if progress is not None:
                row = rows[-1]
                progress(
                    f"{cell.name}: {row['coverage_percent']:.1f} % held, median error "
                    f"{row['median_error_percent']:.2f} %, not determined {row['not_determined']}"
                )
    return pd.DataFrame(rows)


def _file(folder: Path | None, cell: Cell, cases: int, seed: int) -> Path | None:
    if folder is None:
        return None
    plain = "".join(c if c.isalnum() else "-" for c in cell.name)
    return folder / f"{plain}-{cases}-{seed}.csv"


class _pool:
    """A process pool's ordered map, or the plain one for a single worker."""

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self.pool: Any = None

    def __enter__(self) -> Callable[..., Iterable[Any]]:
        if self.workers < 2:
            return map
        from concurrent.futures import ProcessPoolExecutor

        self.pool = ProcessPoolExecutor(self.workers)
        return self.pool.map  # type: ignore[no-any-return]

    def __exit__(self, *why: object) -> None:
        if self.pool is not None:
            self.pool.shutdown(cancel_futures=True)


def _summary(cell: Cell, results: pd.DataFrame) -> dict[str, Any]:
    told = results[results["held"].notna()]
    n = len(told)
    share = float(told["held"].mean()) if n else math.nan
    return {
        "reference": cell.reference,
        "tilt_deg": f"{cell.band[0]:.0f} to {cell.band[1]:.0f}",
        "law": cell.law,
        "cases": len(results),
        "not_determined": int(len(results) - n - results["refused"].sum()),
        "refused": int(results["refused"].sum()),
        "coverage_percent": 100 * share,
        "coverage_se_percent": 100 * math.sqrt(share * (1 - share) / n) if n else math.nan,
        "low_percent": 100 * float((told["rank"] > 0.975).mean()) if n else math.nan,
        "high_percent": 100 * float((told["rank"] < 0.025).mean()) if n else math.nan,
        "median_error_percent": 100 * float(told["error"].abs().median()) if n else math.nan,
        "median_width_percent": 100 * float(told["width"].median()) if n else math.nan,
        "median_seconds": float(results["seconds"].median()),
    }


def table(study: pd.DataFrame) -> str:
    """Return the study as a Markdown table."""
    head = (
        "| reference | tilt, degrees | law | cases | held, % | median error, % | "
        "width of interval, % | not determined | refused |\n"
        "| --- | --- | --- | ---: | ---: | ---: | ---: | ---: | ---: |"
    )
    lines = [head]
    for row in study.to_dict("records"):
        if math.isnan(row["coverage_percent"]):
            held, error, width = "-", "-", "-"
        else:
            held = f"{row['coverage_percent']:.1f} ± {row['coverage_se_percent']:.1f}"
            error = f"{row['median_error_percent']:.2f}"
            width = f"{row['median_width_percent']:.1f}"
        lines.append(
            f"| {row['reference']} | {row['tilt_deg']} | {row['law']} | {row['cases']} | {held} | "
            f"{error} | {width} | {row['not_determined']} | {row['refused']} |"
        )
    return "\n".join(lines) + "\n"
