"""Where to put the pencil: offsets from a named end and edge, as a person strikes them.

The tape lies parallel to the line between the middles of the two ends; the offset from the end
is measured along it from where the end is cut, the offset from the edge square to it from the
arris. Both are what a tape reads on the wood.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from slabvision.clear.region import ClearRegion
from slabvision.clear.shapes import EDGES, ENDS, Edge, End, sides
from slabvision.clear.worlds import Worlds
from slabvision.estimate import Estimate
from slabvision.units import inches_text, round_sum

__all__ = ["Strike", "length_words", "strike"]

Floats: TypeAlias = NDArray[np.float64]

_ON_EDGE_MM = 3.0
"""A point this little outside a side lies on it."""


@dataclass(frozen=True, eq=False)
class Strike:
    """One point to mark.

    Attributes
    ----------
    what : str
        ``"centre"``, ``"corner 1"``, ...
    point : (float, float)
        On the face, mm.
    end, edge : str
        Their names.
    from_end_mm, from_edge_mm : Estimate
        Offsets; the interval tells how far the mark may have to move once the tape is out.
    """

    what: str
    point: tuple[float, float]
    end: str
    edge: str
    from_end_mm: Estimate
    from_edge_mm: Estimate

    def words(self, unit: str = "in") -> str:
        """Return one line, for instance ``centre: 41 1/8 in from end A, 15 in from top edge``."""
        along = length_words(self.from_end_mm.value, unit, eighths=True)
        if self.from_edge_mm.value < 1.0:
            return f"{self.what}: {along} from {self.end}, on the {self.edge}"
        across = length_words(self.from_edge_mm.value, unit, eighths=True)
        return f"{self.what}: {along} from {self.end}, {across} from {self.edge}"


def length_words(
    mm: float, unit: str = "in", *, toward: str = "nearest", eighths: bool = False
) -> str:
    """Write a length in inches (to 1/8 for marks, 1/4 otherwise) or whole millimetres."""
    if unit == "in":
        return inches_text(mm, sixteenths=2 if eighths else 4, toward=toward)
    if unit == "mm":
        return f"{round_sum(mm, 1.0, toward):.0f} mm"
    raise ValueError(f"unit is {unit!r}; in or mm")


def strike(
    region: ClearRegion,
    point: tuple[float, float] | Floats,
    *,
    what: str = "point",
    end: End | None = None,
    edge: Edge | None = None,
    worlds: Worlds | None = None,
) -> Strike:
    """Return a point's offsets from an end and an edge, mm.

    Parameters
    ----------
    region : ClearRegion
    point : (float, float)
        On the face, mm.
    what : str
        What the point is.
    end, edge : str, optional
        From where; the nearer ones unless said. An end that the photo's frame cuts is no end.
    worlds : Worlds, optional
        For the intervals.

    Raises
    ------
    ValueError
        Both ends are cut off by the frame.
    """
    face, worlds = region.face, worlds or Worlds()
    at = np.asarray(point, dtype=np.float64)
    chord = region.grain.nodes[-1] - region.grain.nodes[0]
    way = chord / np.hypot(*chord)
    across = np.array([-way[1], way[0]])
    four = sides(face.outline)
    reach = 2.0 * float(np.hypot(*np.ptp(np.array(face.outline.exterior.coords), axis=0)))
    ends = [e for e in ENDS if e not in face.open_ends and (end is None or e == end)]
    if not ends:
        raise ValueError(
            "no end to measure from: the photo's frame cuts the slab there"
            if face.open_ends
            else f"end is {end!r}; left or right"
        )
    outs: dict[str, Floats] = {}
    for side in (*ends, *(e for e in EDGES if edge is None or e == edge)):
        heading = {"left": -way, "right": way, "top": -across, "bottom": across}[side]
        outs[side] = _reached(getattr(four, side), at, heading, reach)
    best_end = min(ends, key=lambda e: float(np.linalg.norm(outs[e] - at)))
    best_edge = min(
        (e for e in EDGES if e in outs), key=lambda e: float(np.linalg.norm(outs[e] - at))
    )
    offsets = []
    for side in (best_end, best_edge):
        value = float(np.linalg.norm(outs[side] - at))
        tape = np.array([at, outs[side]])
        draws = worlds.offset("arris") - value
        for carried in (worlds.moved(tape), worlds.bent(tape)):
            draws = draws + np.linalg.norm(carried[:, 1] - carried[:, 0], axis=1)
        offsets.append(Estimate(value, draws, "mm"))
    return Strike(
        what, (float(at[0]), float(at[1])), face.names[best_end], face.names[best_edge], *offsets
    )


def _reached(side: shapely.LineString, at: Floats, heading: Floats, reach: float) -> Floats:
    """Return where a tape from ``at`` along ``heading`` leaves the slab at a side."""
    ray = shapely.LineString([at - _ON_EDGE_MM * heading, at + reach * heading])
    hits = shapely.get_coordinates(shapely.intersection(ray, side))
    if len(hits):
        # the outermost: a tape is hooked there
        return np.asarray(at + max(float(np.max((hits - at) @ heading)), 0.0) * heading)
    # beside the side's own reach (a flared corner): level with its nearer corner
    corners = shapely.get_coordinates(side)[[0, -1]] - at
    aside = np.abs(corners @ np.array([-heading[1], heading[0]]))
    return np.asarray(at + max(float(corners[np.argmin(aside)] @ heading), 0.0) * heading)
