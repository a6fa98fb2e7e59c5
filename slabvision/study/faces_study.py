"""Count how well face B is laid on face A, and how often the interval of clear through holds.

Right pairs and wrong ones; outlines alone, no pictures (:mod:`slabvision.study.slab_pairs`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point, Polygon

from slabvision.boundary import HAND
from slabvision.clear.region import ClearRegion, Trims, clear_region
from slabvision.clear.shapes import BadOutlineError, DefectShape, FaceShape
from slabvision.clear.worlds import Worlds
from slabvision.estimate import named_rng
from slabvision.faces import clear_through, match_faces
from slabvision.faces_fit import Landmark
from slabvision.faces_match import Match, NotTheSameSlabError, lay_on
from slabvision.study.hand import DrawingHand
from slabvision.study.slab_pairs import (
    EDGES,
    View,
    drawn,
    log_faces,
    own_frame,
    slab_pair,
    strangers,
)

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ROWS", "Row", "held_through", "laid", "run", "table"]

Floats: TypeAlias = NDArray[np.float64]
Case: TypeAlias = dict[str, float]

SCALE_U = 0.004
HAND_MM = DrawingHand(0.0, offset_mm=HAND.offset(1.0), wobble_mm=HAND.wobble(1.0))
"""As sure as the program supposes a hand to be at 1 mm per pixel, with another law of wobble."""
MARK_MM = 2.0
"""A landmark is marked so well in each photo, standard deviation in each direction."""


@dataclass(frozen=True)
class Row:
    """One line of the table: what is compared, and how one case of it is made.

    Attributes
    ----------
    share : float
        Of the cases asked for, of wrong pairs where ``wrong``.
    """

    name: str
    case: Callable[[int], Case | None]
    share: float = 1.0
    wrong: bool = False


# One case -----------------------------------------------------------------------------------------


def _off_mm(match: Match, frame: View, shape: Polygon) -> float:
    """Return how far off face B's wood is put on face A, root mean square over the face, mm."""
    u0, v0, u1, v1 = shape.bounds
    grid = np.array([(u0 + p * (u1 - u0), v0 + q * (v1 - v0))
                     for p in (0.1, 0.3, 0.5, 0.7, 0.9) for q in (0.2, 0.5, 0.8)])  # fmt: skip
    return float(np.sqrt(np.mean(np.sum((match.points_to_a(frame(grid)) - grid) ** 2, axis=1))))


def _marks(
    rng: np.random.Generator, shape: Polygon, frame: View, count: int
) -> tuple[Landmark, ...]:
    u0, v0, u1, v1 = shape.bounds
    marks = []
    for place in (np.arange(count) + 0.5) / max(count, 1):
        u = u0 + place * (u1 - u0) + rng.uniform(-0.1, 0.1) * (u1 - u0)
        spot = np.array([u, v0 + rng.uniform(0.3, 0.7) * (v1 - v0)])
        near, far = (view(spot) + rng.normal(0, MARK_MM, 2) for view in (lambda p: p, frame))
        marks.append(Landmark((near[0], near[1]), (far[0], far[1])))
    return tuple(marks)


def laid(
    faces: tuple[Polygon, Polygon] | None, name: str, *, landmarks: int = 0, mirrored: bool = True
) -> Case | None:
    """Lay one drawn face on another and return what came of it; None where there is no pair.

    ``mirrored`` False: the second is a photo of the first's own face, offered as the other one.
    """
    if faces is None:
        return None
    a, b = faces
    rng = named_rng(f"faces study:{name}")
    frame = own_frame(rng, mirrored=mirrored, scale_u=SCALE_U)
    first, second = (
        FaceShape(drawn(rng, a, HAND_MM)),
        FaceShape(shapely.transform(drawn(rng, b, HAND_MM), frame)),
    )
    marks = _marks(rng, a, frame, landmarks)
    try:
        match = lay_on(first, second, mirrored=True, landmarks=marks, draws=2, key=name)
    except (NotTheSameSlabError, BadOutlineError):
        return {"accepted": 0.0}
    return {
        "accepted": 1.0,
        "residual": match.residual_mm,
        "off": _off_mm(match, frame, a),
        "stated": match.u_mm,
    }


def _drawn_pair(case: int, *, landmarks: int = 0, uneven: float = 1.0) -> Case | None:
    pair = slab_pair(case, uneven=uneven)
    return laid(pair, f"pair {case} {landmarks} {uneven}", landmarks=landmarks)


def _log_pair(case: int, *, pair: str, landmarks: int = 0) -> Case | None:
    return laid(log_faces(case, pair), f"log {case} {pair} {landmarks}", landmarks=landmarks)


def _stranger(case: int, *, edges: str) -> Case | None:
    return laid(strangers(case, edges), f"stranger {case} {edges}")


def _same_face(case: int) -> Case | None:
    a, _ = slab_pair(case + 5000)
    return laid((a, a), f"same face {case}", mirrored=False)


# Clear through ------------------------------------------------------------------------------------


def _spots(rng: np.random.Generator, shape: Polygon) -> list[tuple[str, Polygon]]:
    found: list[tuple[str, Polygon]] = []
    u0, v0, u1, v1 = shape.bounds
    wanted = int(rng.integers(2, 7))
    while len(found) < wanted:
        spot = shapely.affinity.scale(
            Point(rng.uniform(u0, u1), rng.uniform(v0, v1)).buffer(1, quad_segs=24),
            rng.uniform(10, 90),
            rng.uniform(5, 30),
        )
        if shape.contains(spot):
            found.append((str(rng.choice(["sound_knot", "rot", "hole"])), spot))
    return found


def _region(shape: Polygon, spots: list[tuple[str, Polygon]]) -> ClearRegion:
    defects = tuple(DefectShape(i, kind, spot) for i, (kind, spot) in enumerate(spots, start=1))
    return clear_region(FaceShape(shape, defects), trims=Trims(60, 60, 6, 6))


def held_through(case: int, *, landmarks: int = 0, draws: int = 500) -> Case:
    """Return whether the interval of clear through holds the truth, for one drawn slab."""
    name = f"through {case} {landmarks}"
    rng = named_rng(f"faces study:{name}")
    pair = slab_pair(case + 60_000)
    painted = [_spots(rng, shape) for shape in pair]
    true = [
        _region(shape, spots).with_keep_outs for shape, spots in zip(pair, painted, strict=True)
    ]
    truth = float(shapely.intersection(true[0], true[1]).area)
    scale = 1 + rng.normal(0, SCALE_U)
    frame = own_frame(rng, mirrored=True, scale_u=SCALE_U)
    views: tuple[View, View] = (lambda p: p * scale, frame)
    regions, worlds = [], []
    for shape, spots, view, side in zip(pair, painted, views, "AB", strict=True):
        seen = [
            (kind, shapely.transform(drawn(rng, spot, HAND_MM, every_mm=6), view))
            for kind, spot in spots
        ]
        regions.append(_region(shapely.transform(drawn(rng, shape, HAND_MM), view), seen))
        worlds.append(_worlds(f"{name} {side}", draws))
    marks = tuple(
        Landmark((m.on_a[0] * scale, m.on_a[1] * scale), m.on_b)
        for m in _marks(rng, pair[0], frame, landmarks)
    )
    try:
        match = match_faces(
            regions[0], regions[1], marks, worlds=(worlds[0], worlds[1]), draws=draws, key=name
        )
    except NotTheSameSlabError:
        return {"accepted": 0.0}
    area = clear_through(regions[0], worlds[0], regions[1], worlds[1], match).area_mm2.estimate
    low, high = area.interval
    return {
        "accepted": 1.0,
        "held": float(area.holds(truth)),
        "error": area.value / truth - 1,
        "width": (high - low) / truth,
    }


def _worlds(name: str, draws: int) -> Worlds:
    scale = 1 + SCALE_U * named_rng(f"scale:{name}").standard_normal(draws)
    return Worlds(
        warp=lambda points: scale[:, None, None] * points[None], hand=HAND, key=name, draws=draws
    )


# The count ----------------------------------------------------------------------------------------

ROWS = (
    Row("one slab", _drawn_pair),
    Row("one slab, flare equal at both edges", partial(_drawn_pair, uneven=0.0)),
    *(
        Row(f"one slab, {n} landmark{'s' * (n > 1)}", partial(_drawn_pair, landmarks=n))
        for n in (1, 2, 4)
    ),
    *(
        Row(f"one slab of a solid log, {n} landmarks",
            partial(_log_pair, pair="one slab", landmarks=n), 0.2)
        for n in (0, 3)
    ),
    *(
        Row(f"strangers, {edges} edges", partial(_stranger, edges=edges), 0.25, wrong=True)
        for edges in EDGES
    ),
    Row("the same face twice, offered as both", _same_face, 0.05, wrong=True),
    *(
        Row(f"{pair}", partial(_log_pair, pair=pair), 0.2)
        for pair in ("neighbours, inner faces", "neighbours, outer faces")
    ),
    Row("clear through", held_through, 2.0),
    Row("clear through, 3 landmarks", partial(held_through, landmarks=3), 2.0),
)  # fmt: skip


def run(
    cases: int = 100,
    wrong: int = 1000,
    rows: Iterable[Row] = ROWS,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Run the study, one process; about a quarter of an hour of one core with the defaults.

    Parameters
    ----------
    cases : int
        Right pairs in each row; clear through is counted on twice as many slabs, solid logs on
        a fifth.
    wrong : int
        Wrong pairs in all.
    rows : iterable of Row
    progress : callable, optional
        Told each finished line of the table.

    Returns
    -------
    DataFrame
        One line per row of the study, as in :func:`table`.
    """
    import pandas as pd

    if cases < 1 or wrong < 1:
        raise ValueError(f"cases is {cases} and wrong {wrong}; at least 1 is needed")
    lines = []
    for row in rows:
        count = math.ceil(row.share * (wrong if row.wrong else cases))
        found = [case for number in range(count) if (case := row.case(number)) is not None]
        lines.append(_line(row.name, found))
        if progress is not None:
            progress(_as_text(lines[-1]))
    return pd.DataFrame(lines)


def _line(name: str, found: list[Case]) -> dict[str, Any]:
    taken = [case for case in found if case["accepted"]]

    def every(key: str) -> Floats:
        return np.array([case[key] for case in taken if key in case])

    off, stated, held = every("off"), every("stated"), every("held")
    line: dict[str, Any] = {"pairs": name, "count": len(found), "taken as one": len(taken)}
    if off.size:
        line["residual, mm"] = f"{np.median(every('residual')):.1f}"
        line["off, mm"] = f"{np.median(off):.1f} (95 %: {np.percentile(off, 95):.1f})"
        line["stated, mm"] = f"{math.sqrt(float(np.mean(stated**2))):.1f}"
    if held.size:
        share = float(held.mean())
        line["off, mm"] = f"{100 * np.median(np.abs(every('error'))):.1f} % of the area"
        line["held, %"] = (
            f"{100 * share:.1f} ± {100 * math.sqrt(share * (1 - share) / held.size):.1f}"
        )
        line["width, %"] = f"{100 * np.median(every('width')):.1f}"
    return line


_COLUMNS = ("pairs", "count", "taken as one", "residual, mm", "off, mm", "stated, mm", "held, %",
            "width, %")  # fmt: skip


def _as_text(line: dict[str, Any]) -> str:
    said = (line.get(column, "") for column in _COLUMNS)
    return "| " + " | ".join(str(each) if each == each else "" for each in said) + " |"


def table(study: pd.DataFrame) -> str:
    """Return the study as a Markdown table."""
    head = "| " + " | ".join(_COLUMNS) + " |\n| --- |" + " ---: |" * (len(_COLUMNS) - 1)
    rows = study.to_dict("records")
    return "\n".join([head, *(_as_text({str(k): v for k, v in row.items()}) for row in rows)])
