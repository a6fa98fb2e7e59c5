"""Whether a picture is end grain that can be read, and what to do if it is not."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from slabvision.endgrain.directions import ANGLES, Directions
from slabvision.endgrain.errors import NotReadable

__all__ = ["Evidence", "refuse_if_unreadable"]

LEAST_AGREEMENT = 3.4
"""Noise, gravel and grass reach 2.8, photos of boards mostly 3.3, rings from 3.5 on."""
LEAST_TURNING = 0.65
"""Faces and bark reach 0.35 to 0.69, ends from 0.67 on."""
TWO_WAYS, TWO_WAYS_AGREEMENT, NEAR = 0.5, 4.4, 0.3
"""Masonry and print: most lines run level or upright, though the centre seems near."""


@dataclass(frozen=True)
class Evidence:
    """How well rings round one centre explain the picture.

    Attributes
    ----------
    agreement : float
        What runs along the general run of the rings or square to it, against chance (about 1.8
        in a flat distribution of directions).
    clear : float
        Mean clearness of the best slope over the wood.
    seen : float
        Share of the wood where rings are seen.
    trusted : float
        Share of what is seen that agrees with a smooth field.
    deviation : float
        Root mean square slope of rings against circles.
    scatter : float
        Root mean square difference between a node's own slope and the smooth field.
    distance : float
        Distance from the centre to the nearest wood, in radii of the wood.
    turning : float
        Share of the strongest lines that do not run one way all over the wood.
    two_ways : float
        Largest share of all lines that run within 8 degrees of one direction or square to it.
    """

    agreement: float
    clear: float
    seen: float
    trusted: float
    deviation: float
    scatter: float
    distance: float
    turning: float = 1.0
    two_ways: float = 0.0

    def with_look(self, agreement: float, distance: float, directions: Directions) -> Evidence:
        """Return the evidence with what was known before the rings were followed."""
        every = float(directions.every.max(axis=1).mean())
        total = directions.every.sum(axis=0)
        around = total + np.roll(total, 1) + np.roll(total, -1)
        pairs = around[: ANGLES // 2] + around[ANGLES // 2 :]
        return replace(
            self,
            agreement=agreement,
            distance=distance,
            turning=float(directions.lines.max(axis=1).mean()) / (every + 1e-9),
            two_ways=float(pairs.max() / (total.sum() + 1e-9)),
        )


FRESH = "Cut or plane a fresh strip across the end and photograph it closer, in focus"
WHOLE = "Photograph the sawn end, square on, so that it fills the frame, and outline its wood"


def refuse_if_unreadable(evidence: Evidence) -> None:
    """Raise NotReadable where the evidence is too thin."""
    if evidence.seen < 0.05:
        raise NotReadable("No growth rings can be made out on this end", FRESH)
    if evidence.turning < LEAST_TURNING:
        raise NotReadable(
            "Nearly all lines run one way, as on a face, bark or a rough saw cut", WHOLE
        )
    if evidence.agreement < LEAST_AGREEMENT:
        raise NotReadable("No common centre of rings can be made out", FRESH)
    square = evidence.two_ways > TWO_WAYS and evidence.distance < NEAR
    if square and evidence.agreement < TWO_WAYS_AGREEMENT:
        raise NotReadable(
            "Lines run level and upright only, as in masonry, print or a board", WHOLE
        )
