"""Scale of an end from one length that lies on it, where nothing tells how the photo is tilted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from slabvision.endgrain.tilt import tilts
from slabvision.estimate import DRAWS, named_rng

__all__ = ["SquareOn"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SquareOn:
    """A plane seen square on, but for the tilt of a hand-held camera.

    One length gives no tilt. A plane fitted to it alone allows for any view of a slab on the
    ground; an end is photographed square on, and that is known without a mark.

    Attributes
    ----------
    p, q : array_like, shape (2,)
        Row and column of the ends of the length.
    mm, u_mm : float
        What it measures, and its standard uncertainty.
    name : str
        Whose reading it is; errors are drawn from the name.

    Examples
    --------
    >>> end = SquareOn((0.0, 0.0), (0.0, 200.0), 100.0, 1.0)
    >>> end.to_mm(np.array([[10.0, 40.0]])).tolist()
    [[20.0, 5.0]]
    """

    p: ArrayLike
    q: ArrayLike
    mm: float
    u_mm: float
    name: str = "length"

    def __post_init__(self) -> None:
        if not np.hypot(*self._arrow) >= 2.0:
            raise ValueError(f"{self.name}: both ends lie at {tuple(np.asarray(self.p))} px")
        if not self.mm > 0:
            raise ValueError(f"{self.name}: {self.mm:g} mm; a length above 0 is needed")

    @property
    def _arrow(self) -> Floats:
        return np.asarray(self.q, dtype=np.float64) - np.asarray(self.p, dtype=np.float64)

    @property
    def mm_per_px(self) -> float:
        """Scale."""
        return self.mm / float(np.hypot(*self._arrow))

    def to_mm(self, points: Floats) -> Floats:
        """Return (u, v) in mm, shape (N, 2), of pixels (row, col)."""
        return np.asarray(points, dtype=np.float64)[:, ::-1] * self.mm_per_px

    def to_pixels(self, points: Floats) -> Floats:
        """Return pixels (row, col), shape (N, 2), of (u, v) in mm."""
        return np.asarray(points, dtype=np.float64)[:, ::-1] / self.mm_per_px

    def to_mm_draws(self, points: Floats) -> Floats:
        """Return (u, v) in mm in each possible world, shape (draws, N, 2)."""
        stretch, axis = tilts(DRAWS)
        axis = axis[:, ::-1]  # (u, v)

        def tilted(uv: Floats) -> Floats:
            part = uv @ axis.T  # (N, draws)
            return np.asarray(uv[None] + ((stretch - 1.0) * part).T[..., None] * axis[:, None, :])

        # The length keeps its reading, however the photo is tilted.
        length = tilted((self._arrow[::-1] * self.mm_per_px)[None])[:, 0]
        read = self.mm + self.u_mm * named_rng(f"end grain: {self.name}").standard_normal(DRAWS)
        scale = read / np.hypot(length[:, 0], length[:, 1])
        return np.asarray(tilted(self.to_mm(points)) * scale[:, None, None])
