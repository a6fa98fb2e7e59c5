"""Small frozen results of measuring a slab, every interval with its contributions kept apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from slabvision.estimate import Estimate
from slabvision.record import SlabRecord

if TYPE_CHECKING:
    from slabvision.clear.region import ClearRegion
    from slabvision.ends import EndRead
    from slabvision.face import FaceInView
    from slabvision.faces_match import Match
    from slabvision.trade.slab_trade import SlabTrade

__all__ = [
    "BothFaces",
    "Budget",
    "DefectFindings",
    "FaceFindings",
    "Findings",
    "WidthFindings",
    "interval_halfwidth",
]

Floats = NDArray[np.float64]

SHRINKS = MappingProxyType(
    {
        "plane": "lay a longer reference, or one along and one across, flat on the face",
        "boundary": "zoom in and go over the outline and the large defects again",
        "thickness": "read the thickness at more stations",
        "match": "name three spots that show on both faces",
        "flatness": "measure the bow with a straightedge and enter it",
    }
)
"""What would narrow each contribution."""

_OPEN = 2.0
"""Ratio of the limits of an area above which there is no number, as for a plane as a whole."""


@dataclass(frozen=True)
class Budget:
    """A measured quantity with what each cause alone adds to its interval.

    Attributes
    ----------
    estimate : Estimate
        The quantity with everything in it.
    parts : mapping of str to ndarray, shape (N,)
        For each cause the deviation it alone makes, in the quantity's unit.
    """

    estimate: Estimate
    parts: Mapping[str, Floats] = field(default_factory=dict)

    @classmethod
    def sum_of(cls, value: float, unit: str, parts: Mapping[str, Floats]) -> Budget:
        """Return a value whose deviations from several causes simply add."""
        total = value + np.sum(list(parts.values()), axis=0)
        return cls(Estimate(value, total, unit), dict(parts))

    @classmethod
    def undetermined(cls, reason: str, unit: str, draws: int) -> Budget:
        """Return a quantity that cannot be had, with the reason."""
        return cls(Estimate.undetermined(reason, unit, draws=draws))

    @property
    def determined(self) -> bool:
        """Whether there is a number."""
        return self.estimate.determined

    def known(self, reason: str) -> Budget:
        """Return the quantity, or ``reason`` where the plane alone leaves its size open.

        Open is an area whose 95 % limits are a factor of two apart, or a length that would make
        such an area.
        """
        plane = self.parts.get("plane")
        if plane is None or not self.determined:
            return self
        low, high = np.percentile(self.estimate.value + plane, (2.5, 97.5))
        power = 1 if self.estimate.unit == "mm" else 2
        if high < _OPEN ** (power / 2) * low:
            return self
        return Budget.undetermined(reason, self.estimate.unit, self.estimate.draws.size)

    def plus(self, cause: str, deviation: Floats) -> Budget:
        """Return the quantity with one more independent cause."""
        estimate = Estimate(
            self.estimate.value, self.estimate.draws + deviation, self.estimate.unit
        )
        return Budget(estimate, {**self.parts, cause: deviation})

    def times(self, other: Budget) -> Budget:
        """Return the product of two quantities, causes of the same name added."""
        estimate = self.estimate * other.estimate
        parts: dict[str, Floats] = {}
        for one, two in ((self, other), (other, self)):
            for cause, deviation in one.parts.items():
                parts[cause] = parts.get(cause, 0.0) + deviation * two.estimate.value
        return Budget(estimate, parts)

    def shares(self) -> dict[str, float]:
        """Return for each cause its share of the variance, largest first."""
        variances = {cause: float(np.var(d)) for cause, d in self.parts.items()}
        total = sum(variances.values())
        if total == 0:
            return {}
        ranked = sorted(variances.items(), key=lambda item: -item[1])
        return {cause: variance / total for cause, variance in ranked}


def interval_halfwidth(deviation: Floats) -> float:
    """Return half the width of the 95 % interval of a deviation."""
    lo, hi = np.percentile(deviation, (2.5, 97.5))
    return float(hi - lo) / 2


@dataclass(frozen=True)
class DefectFindings:
    """One defect in real units; station is the distance of its middle from end A."""

    photo: str
    number: int
    kind: str
    title: str
    depth: str
    treatment: str
    area_mm2: Budget
    length_mm: Budget
    width_mm: Budget
    width_words: str
    station_mm: float
    tool: str
    note: str


@dataclass(frozen=True)
class WidthFindings:
    """The face's width at a distance from end A, square to the long axis."""

    photo: str
    face: str
    station_mm: float
    width_mm: Budget


@dataclass(frozen=True)
class FaceFindings:
    """One face: sizes, defects, widths, and what is clear."""

    photo: str
    face: str
    outline_used: str
    bark: str
    gross_area_mm2: Budget
    widest_area_mm2: Budget
    as_seen_mm2: Budget
    keep_outs_mm2: Budget
    not_seen_mm2: Budget
    if_unseen_clear_mm2: Budget
    length_mm: Budget
    mean_width_mm: Budget
    max_width_mm: Budget
    tilt_deg: Estimate
    mm_per_px: float
    defects: tuple[DefectFindings, ...]
    widths: tuple[WidthFindings, ...]
    residuals: tuple[str, ...]
    notes: tuple[str, ...]
    view: FaceInView
    """The face on its plane, for pictures and for whoever lays parts out on it."""
    region: ClearRegion
    joined_with: str = ""
    """The second photo's file, where two overlapping photos were made one face."""

    def known(self, reason: str) -> FaceFindings:
        """Return the face without the sizes that its marks leave open, ``reason`` instead."""
        return replace(
            _known(self, reason),
            defects=tuple(_known(defect, reason) for defect in self.defects),
            widths=tuple(_known(width, reason) for width in self.widths),
        )


_Kept = TypeVar("_Kept", FaceFindings, DefectFindings, WidthFindings)


def _known(kept: _Kept, reason: str) -> _Kept:
    known: dict[str, Any] = {}
    for each in fields(kept):
        size = getattr(kept, each.name)
        if isinstance(size, Budget):
            known[each.name] = size.known(reason)
    return replace(kept, **known)


@dataclass(frozen=True, eq=False)
class BothFaces:
    """The slab's other face, laid on the one that the slab's row speaks of.

    Attributes
    ----------
    best : ClearRegion
        Of the face that the row speaks of.
    other : FaceFindings
    match : Match
        How the other face lies on it.
    """

    best: ClearRegion
    other: FaceFindings
    match: Match

    @cached_property
    def region(self) -> ClearRegion:
        """Clear through, in the frame of the best face: to lay parts out on."""
        from slabvision.faces import through_region

        return through_region(self.best, self.other.region, self.match)


@dataclass(frozen=True)
class Findings:
    """Everything measured of one slab."""

    folder: str
    record: SlabRecord
    faces: tuple[FaceFindings, ...]
    best: FaceFindings | None
    """The face that the slab's row speaks of: face A if it could be measured, else face B."""
    faces_seen: str
    through_mm2: Budget
    thickness_mm: Budget
    gross_mm3: Budget
    clear_mm3: Budget
    trade: SlabTrade
    """Figures of the trade: by the tag's rule, moisture, weight, movement, flattening."""
    notes: tuple[str, ...]
    ends: tuple[EndRead, ...] | None = None
    """The ends as read from their photos; None where nobody asked for them."""
    sawn_by: str = "wood-handbook"
    """Key of the authority that names how the slab was sawn."""
    both: BothFaces | None = None
    """None where one face was seen, or the two could not be laid on each other."""
    joined: tuple[FaceFindings, ...] = ()
    """Faces made one from two photos; ``faces`` has the photos that they were made of."""

    @property
    def by_face(self) -> tuple[FaceFindings, ...]:
        """Every measured face, two photos that were made one only once."""
        parts = {file for face in self.joined for file in (face.photo, face.joined_with)}
        return (*self.joined, *(face for face in self.faces if face.photo not in parts))

    @property
    def laid_out_on(self) -> FaceFindings | None:
        """The best face with what parts are laid out on: clear through, where both are known."""
        if self.best is None or self.both is None:
            return self.best
        return replace(self.best, region=self.both.region)
