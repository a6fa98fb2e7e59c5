"""Whether a picture is end grain that can be read, and what to do if it is not."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.centre import circles_worth, softened
from slabvision.endgrain.directions import ANGLES, Directions
from slabvision.endgrain.errors import NotReadable
from slabvision.endgrain.trend import Trend

__all__ = ["Evidence", "likeness", "refuse_if_unreadable"]

Floats = NDArray[np.float64]

LEAST_AGREEMENT = 3.3
"""Noise, gravel and grass reach 2.9, photos of other things mostly 3.3, rings from 3.3 on."""
LEAST_TURNING = 0.65
"""Faces and bark reach 0.35 to 0.69, ends from 0.67 on."""
MOST_PARALLEL = 0.985
"""Masonry and ruled paper reach 1, ends 0.95."""
LEAST_LIKENESS = 7.0
"""Of :func:`likeness`: nine tenths of other pictures stay below, all but one end in fifty above."""


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
    circles : float
        What runs along circles round the centre or towards it, against chance.
    rings : float
        What runs along the general run of the rings, against chance.
    far : float
        Distance of the centre from the middle of the wood, in its long sides.
    parallel : float
        How far rings run one way all over the wood: 1 altogether, 0 in all directions alike.
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
    circles: float = 0.0
    rings: float = 0.0
    far: float = 0.0
    parallel: float = 0.0

    def with_look(
        self, trend: Trend, centre: Floats, distance: float, directions: Directions
    ) -> Evidence:
        """Return the evidence with what was known before the rings were followed."""
        every = float(directions.every.max(axis=1).mean())
        strength = directions.lines.max(axis=1)
        total = directions.every.sum(axis=0)
        around = total + np.roll(total, 1) + np.roll(total, -1)
        pairs = around[: ANGLES // 2] + around[ANGLES // 2 :]
        points = directions.centre
        away = centre - points
        normal = np.arctan2(away[:, 0], away[:, 1]) + trend.at(points[:, 0], points[:, 1])[0]
        long_side = float(np.ptp(points, axis=0).max()) + 1e-9
        middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
        circles = circles_worth(centre[None], softened(directions), centre, long_side)
        doubled = (strength * np.exp(2j * normal)).sum()
        return replace(
            self,
            agreement=trend.worth,
            distance=distance,
            turning=float(strength.mean()) / (every + 1e-9),
            two_ways=float(pairs.max() / (total.sum() + 1e-9)),
            circles=float(circles[0]),
            rings=float(directions.at(normal).mean() / (directions.lines.mean() + 1e-12)),
            far=float(np.hypot(*(centre - middle))) / long_side,
            parallel=float(np.abs(doubled) / (strength.sum() + 1e-12)),
        )


def likeness(evidence: Evidence) -> float:
    """Return how like an end all of it together is.

    Weights of a logistic regression on 91 ends and 90 pictures of other things, rounded: circles
    round a centre that lies near, rings seen in much of the wood, and lines that turn tell an end;
    what runs level and upright tells a thing.
    """
    return (
        2.3 * evidence.circles
        + 5.0 * evidence.seen
        + 3.0 * evidence.turning
        - 0.3 * evidence.rings
        - 5.0 * evidence.two_ways
        - 6.2 * float(np.log1p(evidence.far))
    )


FRESH = "Cut or plane a fresh strip across the end and photograph it closer, in focus"
WHOLE = "Photograph the sawn end, square on, so that it fills the frame, and outline its wood"


def refuse_if_unreadable(evidence: Evidence) -> None:
    """Raise NotReadable where the evidence is too thin."""
    if evidence.seen < 0.05:
        raise NotReadable("No growth rings can be made out on this end", FRESH)
    if evidence.turning < LEAST_TURNING or evidence.parallel > MOST_PARALLEL:
        raise NotReadable(
            "Nearly all lines run one way, as on a face, bark or a rough saw cut", WHOLE
        )
    if evidence.agreement < LEAST_AGREEMENT:
        raise NotReadable("No common centre of rings can be made out", FRESH)
    if likeness(evidence) < LEAST_LIKENESS:
        raise NotReadable(
            "What is seen does not run as rings do: too fine (under about 6 pixels), too faint, "
            "or no sawn end",
            FRESH,
        )
