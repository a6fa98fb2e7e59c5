"""How much of the width carries which authority's name, with intervals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.authorities import Authority
from slabvision.estimate import DRAWS, Estimate, named_rng

__all__ = ["Sawn", "angle_draws", "sawn_by"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Sawn:
    """Shares of the width by one authority's names.

    Attributes
    ----------
    authority : Authority
        Whose names they are, with the source.
    shares : mapping of str to Estimate
        Share of the width, 0 to 1, of each name, in order of the angle.
    ring_angle_deg : Estimate
        Mean ring angle over the width: the angle comes first.
    seen_share : float
        Share of the width where rings were seen, not inferred.
    """

    authority: Authority
    shares: Mapping[str, Estimate]
    ring_angle_deg: Estimate
    seen_share: float

    @property
    def name(self) -> str:
        """The name that most of the width carries."""
        return max(self.shares, key=lambda one: self.shares[one].value)

    @property
    def share_words(self) -> str:
        """Share of the width of every name, with its 95 % interval."""
        parts = []
        for name, share in self.shares.items():
            lo, hi = share.interval
            parts.append(f"{name} {share.value:.0%} ({lo:.0%} to {hi:.0%})")
        return ", ".join(parts)

    def __str__(self) -> str:
        """Say the angle first, then the name with its authority."""
        low, high = self.ring_angle_deg.interval
        return (
            f"ring angle {self.ring_angle_deg.value:.0f}° ({low:.0f} to {high:.0f}); "
            f"{self.share_words} of the width, by {self.authority.title}"
        )


def angle_draws(angle_deg: Floats, u_deg: Floats, name: str = "end", draws: int = DRAWS) -> Floats:
    """Return possible angles along the width, shape (draws, N), 0 to 90.

    Half of the variance is common to all positions (the face line, the view), half changes
    smoothly over about a sixth of the width (local reading of the rings).
    """
    rng = named_rng(f"end grain: ring angles: {name}")
    count = angle_deg.size
    common = rng.standard_normal((draws, 1))
    knots = rng.standard_normal((draws, 8))
    place = np.linspace(0, 6.999, count)
    low = place.astype(int)
    part = place - low
    local = knots[:, low] * (1 - part) + knots[:, low + 1] * part
    local /= np.sqrt((1 - part) ** 2 + part**2)
    worlds = angle_deg + u_deg * np.sqrt(0.5) * (common + local)
    folded = np.abs((worlds + 90.0) % 180.0 - 90.0)
    return np.asarray(folded, dtype=np.float64)


def sawn_by(
    authority: Authority,
    angle_deg: Floats,
    u_deg: Floats,
    seen: NDArray[np.bool_],
    *,
    name: str = "end",
) -> Sawn:
    """Return shares of the width by an authority's names.

    Parameters
    ----------
    authority : Authority
        Whose limits apply.
    angle_deg, u_deg : ndarray, shape (N,)
        Ring angle and its standard uncertainty at equal steps across the width.
    seen : ndarray of bool, shape (N,)
        Whether rings were seen there.
    name : str
        Whose errors they are; two ends of a slab err independently.
    """
    worlds = angle_draws(angle_deg, u_deg, name)
    shares = {
        one.name: Estimate(float(one.holds(angle_deg).mean()), one.holds(worlds).mean(axis=1))
        for one in authority.classes
    }
    mean = Estimate(float(angle_deg.mean()), worlds.mean(axis=1), "deg")
    return Sawn(authority, shares, mean, float(np.mean(seen)) if seen.size else 0.0)
