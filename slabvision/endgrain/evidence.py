"""Whether a picture is end grain that can be read, and what to do if it is not."""

from __future__ import annotations

from dataclasses import dataclass, replace

from slabvision.endgrain.errors import NotReadable

__all__ = ["Evidence", "refuse_if_unreadable"]


@dataclass(frozen=True)
class Evidence:
    """How well rings round one centre explain the picture.

    Attributes
    ----------
    agreement : float
        Share of local directions that point to the centre.
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
    """

    agreement: float
    clear: float
    seen: float
    trusted: float
    deviation: float
    scatter: float
    distance: float

    def with_centre(self, agreement: float, distance: float) -> Evidence:
        """Return the evidence with what is known of the centre filled in."""
        return replace(self, agreement=agreement, distance=distance)


FRESH = "Cut or plane a fresh strip across the end and photograph it closer, in focus"


def refuse_if_unreadable(evidence: Evidence) -> None:
    """Raise NotReadable where the evidence is too thin."""
    if evidence.seen < 0.05:
        raise NotReadable("No growth rings can be made out on this end", FRESH)
