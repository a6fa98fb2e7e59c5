"""Ring angle across a slab's width, as movement needs it: a profile with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slabvision.estimate import DRAWS, Floats, named_normals, named_rng

__all__ = ["RingProfile"]

_FINE = 201


@dataclass(frozen=True)
class RingProfile:
    """Angle between rings and wide face along the width.

    Attributes
    ----------
    positions_mm : tuple of float
        Rising, across the width; one entry means the same angle everywhere.
    angles_deg : tuple of float
        0 is flat-sawn, 90 quarter-sawn.
    angles_u_deg : tuple of float
        Standard uncertainty at each position; the error is shared along the profile (the cautious
        case: errors of one photo do not average out).
    known : bool
        False when nobody looked at the end: any angle is possible.
    name : str
        Whose error it is.
    remark : str

    Examples
    --------
    >>> RingProfile.constant(0.0).mean_cos2()
    1.0
    >>> round(RingProfile.round_pith(-100.0, 100.0, 100.0).mean_cos2(), 3)  # pi / 4
    0.785
    """

    positions_mm: tuple[float, ...]
    angles_deg: tuple[float, ...]
    angles_u_deg: tuple[float, ...]
    known: bool = True
    name: str = "rings"
    remark: str = ""

    def __post_init__(self) -> None:
        count = len(self.positions_mm)
        if count == 0 or len(self.angles_deg) != count or len(self.angles_u_deg) != count:
            raise ValueError(
                f"ring profile has {count} positions, {len(self.angles_deg)} angles and "
                f"{len(self.angles_u_deg)} uncertainties; the same number of each, at least one"
            )
        if any(not b > a for a, b in zip(self.positions_mm, self.positions_mm[1:], strict=False)):
            raise ValueError("positions of the ring profile must rise across the width")
        for angle in self.angles_deg:
            if not 0 <= angle <= 90:
                raise ValueError(f"ring angle is {angle:g} degrees; it must lie from 0 to 90")
        for u in self.angles_u_deg:
            if not 0 <= u <= 90:
                raise ValueError(f"uncertainty of a ring angle is {u:g} degrees; 0 to 90")

    @classmethod
    def constant(cls, angle_deg: float, u_deg: float = 0.0, *, name: str = "rings") -> RingProfile:
        """Return the same angle across the whole width."""
        return cls((0.0,), (float(angle_deg),), (float(u_deg),), name=name)

    @classmethod
    def round_pith(
        cls, x1_mm: float, x2_mm: float, height_mm: float, u_deg: float = 0.0, *,
        name: str = "rings",
    ) -> RingProfile:  # fmt: skip
        """Return the profile of circular rings round a pith below the face.

        Parameters
        ----------
        x1_mm, x2_mm : float
            Edges of the face, sideways from the point nearest the pith.
        height_mm : float
            Of the face above the pith, over 0.
        """
        if not height_mm > 0:
            raise ValueError(f"height above the pith is {height_mm:g} mm; it must be over 0")
        x = np.linspace(x1_mm, x2_mm, _FINE)
        angles = np.degrees(np.arctan(np.abs(x) / height_mm))
        return cls(tuple(x.tolist()), tuple(angles.tolist()), (float(u_deg),) * _FINE, name=name)

    @classmethod
    def unknown(cls, *, name: str = "rings") -> RingProfile:
        """Return the profile of a slab whose end nobody looked at: any angle from 0 to 90."""
        return cls(
            (0.0,), (45.0,), (0.0,), known=False, name=name,
            remark="ring angle not known: anything from quarter-sawn to flat-sawn",
        )  # fmt: skip

    def mean_cos2(self) -> float:
        """Return the mean of cos² of the angle over the width: 1 flat-sawn, 0 quarter-sawn."""
        return float(_mean_cos2(self._fine()[0]))

    def mean_cos2_draws(self, draws: int = DRAWS) -> Floats:
        """Return the same by draw, with the angle's uncertainty."""
        if not self.known:
            rank = named_rng(f"ring angle:{self.name}").permutation(draws)
            angles: Floats = (rank + 0.5) / draws * 90.0
            return np.cos(np.radians(angles)) ** 2
        angle, u = self._fine()
        error = named_normals(f"ring angle:{self.name}", draws)
        return _mean_cos2(angle[None, :] + u[None, :] * error[:, None])

    def _fine(self) -> tuple[Floats, Floats]:
        """Return angle and uncertainty on a fine even grid over the width."""
        at = np.asarray(self.positions_mm)
        grid = np.linspace(at[0], at[-1], _FINE) if len(at) > 1 else at
        return np.interp(grid, at, self.angles_deg), np.interp(grid, at, self.angles_u_deg)


def _mean_cos2(angle_deg: Floats) -> Floats:
    """Average cos² over the last axis by trapezoids.

    An angle driven below 0 or past 90 by its error folds back by itself: cos² is even.
    """
    squares = np.cos(np.radians(angle_deg)) ** 2
    if squares.shape[-1] == 1:
        return np.asarray(squares[..., 0])
    ends = (squares[..., 0] + squares[..., -1]) / 2
    return np.asarray((squares.sum(axis=-1) - ends) / (squares.shape[-1] - 1))
