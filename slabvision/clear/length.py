"""The longest straight clear length at a given width."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.clear.rectangle import Rectangle, largest_rectangle, rectangle_contacts
from slabvision.clear.region import ClearRegion
from slabvision.clear.spare import Contacts, freed
from slabvision.clear.worlds import Sized, Worlds
from slabvision.estimate import Estimate

__all__ = ["ClearLength", "longest_clear_length"]


@dataclass(frozen=True, eq=False)
class ClearLength:
    """The longest board of one width: where it lies and how long it is, mm."""

    width_mm: float
    rectangle: Rectangle
    length_mm: Sized


def longest_clear_length(
    region: ClearRegion,
    width_mm: float,
    worlds: Worlds | None = None,
    *,
    within_deg: float = 10.0,
) -> ClearLength | None:
    """Return the longest clear straight length at a width, along the grain, mm.

    Parameters
    ----------
    region : ClearRegion
    width_mm : float
        Width the board must have everywhere.
    worlds : Worlds, optional
        For the interval.
    within_deg : float
        How far it may run off the line between the middles of the ends.

    Returns
    -------
    ClearLength or None
        None where nothing of this width is clear.
    """
    if not 0 < width_mm < 10_000:
        raise ValueError(f"width is {width_mm:g} mm; over 0 and under 10000 is allowed")
    axis = region.grain.direction_deg(0.0, region.grain.length_mm)
    within = (axis - within_deg, axis + within_deg)
    found = largest_rectangle(
        region.with_keep_outs, least_width_mm=width_mm, within_deg=within, longest=True
    )
    if found is None:
        return None
    board = Rectangle(found.centre, found.length_mm, width_mm, found.angle_deg)
    contacts = rectangle_contacts(region.with_keep_outs, board, turns=True)
    # the width is given: its two sides only shift together
    worlds = worlds or Worlds()
    side, length = contacts.rows, board.length_mm
    ends = _only(contacts, np.any(side[:, :2] != 0, axis=1), side[:, :2])
    reach = np.array([0.2 * length + 50, 0.2 * length + 50])
    room = freed(ends, np.array([1.0, 1.0]), reach, region, worlds)
    best = length + float(room.best[0] + room.best[1])
    draws = np.maximum(length + room.draws[:, 0] + room.draws[:, 1], 0.0)
    parts = {cause: d[:, 0] + d[:, 1] for cause, d in room.parts.items()}
    # Where the board only just passes, it does not pass in some of the worlds; there the length
    # is that of a board which passes with more room.
    both = np.column_stack([side[:, 3] - side[:, 2], side[:, 4], np.ones(len(side))])
    waist = _only(contacts, np.any(side[:, 2:4] != 0, axis=1), both)
    pass_ = freed(
        waist, np.array([0.0, 0.0, 1.0]), np.array([found.width_mm, 0.035, 1e4]), region, worlds
    )
    stuck = pass_.draws[:, 2] < -1e-6
    if stuck.any():
        more = width_mm + 4 * float(np.std(pass_.draws[:, 2]))
        wider = largest_rectangle(
            region.with_keep_outs, least_width_mm=more, within_deg=within, longest=True
        )
        draws = np.where(stuck, 0.0 if wider is None else min(wider.length_mm, best), draws)
    return ClearLength(width_mm, board, Sized(Estimate(best, draws, "mm"), parts))


def _only(
    contacts: Contacts, chosen: NDArray[np.bool_] | np.bool_, rows: NDArray[np.float64]
) -> Contacts:
    return Contacts(
        contacts.points[chosen],
        contacts.normals[chosen],
        contacts.gaps[chosen],
        rows[chosen],
        contacts.centre,
    )
