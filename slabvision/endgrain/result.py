"""What was read from one end."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from slabvision.endgrain.authorities import authority_named
from slabvision.endgrain.evidence import Evidence
from slabvision.endgrain.field import RingField
from slabvision.endgrain.saw_marks import SawMarks
from slabvision.endgrain.sawn import Sawn, sawn_by
from slabvision.endgrain.tilt import view_u_deg
from slabvision.endgrain.view import View
from slabvision.estimate import Estimate, named_rng

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["EndGrain"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class EndGrain:
    """Rings of one sawn end.

    Attributes
    ----------
    view : View
        The end as seen straight on.
    field : RingField
        Ring direction everywhere in that view.
    along : ndarray, shape (2,)
        Unit vector (row, col) along the wide face, in that view.
    evidence : Evidence
        How clearly rings were seen.
    saw_marks : tuple of SawMarks
        Straight, parallel marks that were taken out first.
    shape : tuple of int
        Rows and columns of the photo.
    name : str
        Name of the end; the errors of differently named ends are independent.
    """

    view: View
    field: RingField
    along: Floats
    evidence: Evidence
    saw_marks: tuple[SawMarks, ...]
    shape: tuple[int, int]
    name: str = "end"

    # Pith ---------------------------------------------------------------------------------

    @cached_property
    def pith(self) -> Floats:
        """Pith (row, col) in the photo's pixels; may lie outside the photo."""
        return np.asarray(self.view.to_photo(self.field.frame.centre[None])[0])

    @cached_property
    def pith_cov(self) -> Floats:
        """Covariance (2, 2) of the pith, pixels squared."""
        if self.view.plane is None:
            return self.field.pith_cov
        centre = self.field.frame.centre
        ends = self.view.to_photo(np.concatenate([centre + np.eye(2), centre - np.eye(2)]))
        jacobian = (ends[:2] - ends[2:]).T / 2.0
        return np.asarray(jacobian @ self.field.pith_cov @ jacobian.T)

    # Rings --------------------------------------------------------------------------------

    def ring_tangent_deg(self, points: ArrayLike) -> Floats:
        """Return ring directions (N,) in the photo: undirected, 0 to 180, +column to +row.

        Parameters
        ----------
        points : array_like, shape (N, 2)
            Row and column in the photo.
        """
        flat = self.view.to_flat(_points(points))
        tangent, _, _ = self.field.at(flat)
        vector = np.stack([np.sin(tangent), np.cos(tangent)], axis=1)
        photo = self.view.direction_to_photo(flat, vector)
        turned = np.rad2deg(np.arctan2(photo[:, 0], photo[:, 1])) % 180.0
        return np.where(turned >= 180.0, 0.0, turned)

    def ring_angle_deg(self, points: ArrayLike) -> Floats:
        """Return ring angles (N,) to the wide face: 0 = parallel to it, 90 = square to it.

        Parameters
        ----------
        points : array_like, shape (N, 2)
            Row and column in the photo.
        """
        tangent, _, _ = self.field.at(self.view.to_flat(_points(points)))
        face = np.arctan2(self.along[0], self.along[1])
        return np.asarray(np.abs((np.rad2deg(tangent - face) + 90.0) % 180.0 - 90.0))

    def ring_angle_u_deg(self, points: ArrayLike) -> Floats:
        """Return standard uncertainties (N,) of the ring angles, degrees.

        A 95 % interval is the angle plus and minus 1.96 of these.

        Parameters
        ----------
        points : array_like, shape (N, 2)
            Row and column in the photo.
        """
        tangent, u, _ = self.field.at(self.view.to_flat(_points(points)))
        middle = self._middle
        seen_from = view_u_deg(self.view, self.along, middle, tangent)
        return np.asarray(np.hypot(np.rad2deg(u), seen_from))

    def seen(self, points: ArrayLike) -> NDArray[np.bool_]:
        """Return whether rings were seen at the points (N,); elsewhere they are inferred.

        Parameters
        ----------
        points : array_like, shape (N, 2)
            Row and column in the photo.
        """
        _, _, seen = self.field.at(self.view.to_flat(_points(points)))
        return np.asarray(seen > 0.5)

    @cached_property
    def _middle(self) -> Floats:
        if self.view.mask is None:
            return (np.array(self.view.grey.shape) - 1) / 2.0
        return np.asarray(np.argwhere(self.view.mask[::8, ::8]).mean(axis=0) * 8.0)

    # Across the slab ------------------------------------------------------------------------

    @cached_property
    def profile(self) -> pd.DataFrame:
        """Ring angle across the width at mid-thickness, see :func:`across.profile_of`."""
        from slabvision.endgrain.across import profile_of

        return profile_of(self)

    def sawn(self, authority: str = "wood-handbook") -> Sawn:
        """Return shares of the width by an authority's names, with intervals.

        Parameters
        ----------
        authority : str
            Key in ``SAWING_AUTHORITIES``.
        """
        table = self.profile
        return sawn_by(
            authority_named(authority),
            table["ring_angle_deg"].to_numpy(dtype=np.float64),
            table["ring_angle_u_deg"].to_numpy(dtype=np.float64),
            table["seen"].to_numpy(dtype=np.bool_),
            name=self.name,
        )

    @cached_property
    def rings_per_inch(self) -> Estimate:
        """Rings per inch, averaged over lines square to the rings; needs a plane."""
        from slabvision.endgrain.counting import ring_spacing_px
        from slabvision.units import MM_PER_IN

        if self.view.plane is None:
            return Estimate.undetermined(
                "the scale of the end is not known: add a length lying in its plane", "in-1"
            )
        spacing = ring_spacing_px(self.view, self.field) * self.view.mm_per_px
        if spacing.size < 3:
            return Estimate.undetermined(
                "too few rings can be told apart: plane a strip and photograph closer", "in-1"
            )
        middle = float(np.median(spacing))
        # Lines through the same rings share missed and doubled ones: a handful are independent.
        spread = 1.4826 * float(np.median(np.abs(spacing - middle)))
        u = np.hypot(spread / np.sqrt(min(spacing.size, 5)), 0.02 * middle)
        rng = named_rng(f"end grain: ring spacing: {self.name}")
        worlds = np.maximum(middle + u * rng.standard_normal(1000), 0.2 * middle)
        return Estimate(MM_PER_IN / middle, MM_PER_IN / worlds, "in-1")

    @cached_property
    def thickness_mm(self) -> Floats | None:
        """Thickness (mm) at each row of the profile; None without a plane."""
        if "thickness_mm" not in self.profile:
            return None
        return self.profile["thickness_mm"].to_numpy(dtype=np.float64)

    @cached_property
    def rejected(self) -> NDArray[np.bool_]:
        """Where edges were set aside (saw marks, checks, knots, ink, outline), in the photo."""
        from slabvision.endgrain.rejected import rejected_edges

        flat = rejected_edges(self.view, self.field)
        out = np.zeros(self.shape, dtype=np.bool_)
        if self.view.plane is None:
            row, col = self.view.corner.astype(int)
            out[row : row + flat.shape[0], col : col + flat.shape[1]] = flat
            return out
        step = 2
        row, col = np.mgrid[0 : self.shape[0] : step, 0 : self.shape[1] : step]
        at = self.view.to_flat(np.stack([row.ravel(), col.ravel()], axis=1).astype(np.float64))
        index = np.round(at).astype(int)
        inside = ((index >= 0) & (index < flat.shape)).all(axis=1)
        value = np.zeros(index.shape[0], dtype=np.bool_)
        value[inside] = flat[index[inside, 0], index[inside, 1]]
        small = value.reshape(row.shape)
        wide = np.repeat(np.repeat(small, step, axis=0), step, axis=1)
        out[:] = wide[: self.shape[0], : self.shape[1]]
        return out


def _points(points: ArrayLike) -> Floats:
    array = np.asarray(points, dtype=np.float64)
    if array.ndim == 1 and array.size == 2:
        array = array[None]
    if array.ndim != 2 or array.shape[1] != 2:
        raise ValueError(f"points have shape {array.shape}; (N, 2) rows and columns are needed")
    return array
