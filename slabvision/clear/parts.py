"""Does a wanted part fit on the clear wood: where, with how much to spare, and how sure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point, Polygon, affinity

from slabvision.clear.circle import largest_circle
from slabvision.clear.liveedge import EdgeCut, LiveEdgePart, live_edge_cut
from slabvision.clear.placing import Placed, place, placed_contacts
from slabvision.clear.region import ClearRegion
from slabvision.clear.shapes import check_outline
from slabvision.clear.spare import freed
from slabvision.clear.strike import Strike, length_words, strike
from slabvision.clear.worlds import Sized, Worlds
from slabvision.estimate import Estimate
from slabvision.units import round_sum

__all__ = [
    "LiveEdgePart",
    "OutlinePart",
    "Part",
    "Placement",
    "RectPart",
    "RoundPart",
    "best_placement",
    "fits",
]

Floats: TypeAlias = NDArray[np.float64]
Verdict: TypeAlias = Literal["fits", "too close", "does not fit"]


@dataclass(frozen=True)
class RoundPart:
    """A round part, rough size, mm."""

    diameter_mm: float
    name: str = "round"

    def __post_init__(self) -> None:
        _within("diameter", self.diameter_mm)


@dataclass(frozen=True)
class RectPart:
    """A rectangular part, rough size, mm.

    Attributes
    ----------
    length_mm, width_mm : float
        Length lies along the grain.
    off_grain_deg : float
        How far the length may lie off the local grain; 90 is any angle.
    """

    length_mm: float
    width_mm: float
    off_grain_deg: float = 10.0
    name: str = "rectangle"

    def __post_init__(self) -> None:
        _within("length", self.length_mm)
        _within("width", self.width_mm)
        _within("off_grain_deg", self.off_grain_deg, 0.0, 90.0)


@dataclass(frozen=True)
class OutlinePart:
    """A part of any outline, mm; its grain runs along x as drawn.

    Attributes
    ----------
    outline : Polygon
        Rough size; anywhere in its own frame.
    off_grain_deg : float
        How far its x may lie off the local grain; 90 is any angle.
    may_flip : bool
        Its other face may be up.
    """

    outline: Polygon
    off_grain_deg: float = 15.0
    may_flip: bool = False
    name: str = "outline"

    def __post_init__(self) -> None:
        check_outline(self.outline, what=f"outline of part {self.name!r}")
        _within("off_grain_deg", self.off_grain_deg, 0.0, 90.0)


Part: TypeAlias = RoundPart | RectPart | OutlinePart | LiveEdgePart


def _within(what: str, value: float, least: float = 1.0, most: float = 20_000.0) -> None:
    if not least <= value <= most:
        raise ValueError(f"{what} of the part is {value:g}; {least:g} to {most:g} is allowed")


@dataclass(frozen=True, eq=False)
class Placement:
    """Where a part goes and whether it fits.

    Attributes
    ----------
    part : Part
    polygon : Polygon
        Where it lies on the face, mm.
    spare_mm : Sized
        Room all round: how far the part could grow on every side before it touches something.
        For a live-edge part the least of what is left of its length, width limits and clearance.
        Negative: so much is missing.
    verdict : {"fits", "too close", "does not fit"}
        ``"fits"`` when the lower end of the interval of ``spare_mm`` is over 0.
    tight : (float, float)
        The place that decides, mm: tape the part across here.
    limit : str
        What it touches there: ``"end check 3"``, ``"arris"``, ``"width over"``, ...
    strikes : tuple of Strike
        Marks from a named end and edge: the centre of a round, the corners of anything else.
    tape_at : Strike
        The tight place as a mark.
    angle_deg : float
        Turn of the part's length, from ``u`` towards ``v``.
    flipped : bool
        An outline part lies with its other face up.
    """

    part: Part
    polygon: Polygon
    spare_mm: Sized
    verdict: Verdict
    tight: tuple[float, float]
    limit: str
    strikes: tuple[Strike, ...]
    tape_at: Strike
    angle_deg: float
    flipped: bool = False

    def words(self, unit: str = "in") -> str:
        """Return the verdict as a person reads it.

        For instance ``fits, 5/8 in to spare (± 1/4)``; what is left rounds down.
        """
        lo, hi = self.spare_mm.interval
        step = 25.4 / 8 if unit == "in" else 1.0
        half = max(round_sum((hi - lo) / 2, step, "up"), step)
        give = length_words(half, unit, eighths=True).removesuffix(f" {unit}")
        value = self.spare_mm.value
        if self.verdict == "fits":
            left = length_words(max(value, 0.0), unit, toward="down", eighths=True)
            return f"fits, {left} to spare (± {give})"
        if self.verdict == "too close":
            place = (
                f"{length_words(self.tape_at.from_end_mm.value, unit)} from {self.tape_at.end}, "
                f"at {self.limit}"
            )
            return f"too close: tape it across here, {place}"
        missing = length_words(-value, unit, toward="up", eighths=True)
        return f"does not fit: {missing} short (± {give}), at {self.limit}"


def fits(region: ClearRegion, part: Part, worlds: Worlds | None = None) -> Placement | None:
    """Return where a part fits, where it is too close to call, or None where it does not fit.

    Parameters
    ----------
    region : ClearRegion
    part : RoundPart, RectPart, OutlinePart or LiveEdgePart
        At its rough size: allowances for shrinkage and for sawing are the caller's.
    worlds : Worlds, optional
        For the interval; the fit is judged by its lower end.

    Examples
    --------
    >>> from slabvision.clear.region import clear_region
    >>> from slabvision.clear.shapes import FaceShape
    >>> region = clear_region(FaceShape(shapely.box(0, 0, 2000, 600)))
    >>> fits(region, RoundPart(560)).words("mm")
    'fits, 20 mm to spare (± 1)'
    >>> fits(region, RoundPart(640)) is None
    True
    """
    found = best_placement(region, part, worlds)
    return None if found is None or found.verdict == "does not fit" else found


def best_placement(
    region: ClearRegion, part: Part, worlds: Worlds | None = None
) -> Placement | None:
    """Return the placement with the most to spare, or with the least missing.

    Returns
    -------
    Placement or None
        None only where nothing is clear, or (live-edge part) no stretch is long enough to try.
    """
    worlds = worlds or Worlds()
    if region.with_keep_outs.is_empty:
        return None
    if isinstance(part, LiveEdgePart):
        if part.keep == "none":
            plain = RectPart(part.length_mm, part.least_width_mm, name=part.name)
            found = best_placement(region, plain, worlds)
            return None if found is None else _renamed(found, part)
        cut = live_edge_cut(region, part, worlds)
        return None if cut is None else _from_cut(region, part, cut, worlds)
    if isinstance(part, RoundPart):
        circle = largest_circle(region.with_keep_outs)
        if circle is None:
            return None
        radius = part.diameter_mm / 2
        disc = Point(circle.centre).buffer(radius, quad_segs=64)
        placed = Placed(disc, circle.centre, 0.0, circle.diameter_mm / 2 - radius)
        return _judged(region, part, placed, worlds, turns=False)
    axis = region.grain.direction_deg(0.0, region.grain.length_mm)
    found_placed: tuple[Placed, bool] | None = None
    for shape, flipped in _shapes(part):
        placed_ = _along(region, shape, part.off_grain_deg, axis, two_ways=_two_ways(part))
        if placed_ and (found_placed is None or placed_.room_mm > found_placed[0].room_mm + 0.01):
            found_placed = (placed_, flipped)
    if found_placed is None:
        return None
    return _judged(
        region, part, found_placed[0], worlds, turns=part.off_grain_deg > 0, flipped=found_placed[1]
    )


def _two_ways(part: RectPart | OutlinePart) -> bool:
    return isinstance(part, OutlinePart)


def _shapes(part: RectPart | OutlinePart) -> list[tuple[Polygon, bool]]:
    if isinstance(part, RectPart):
        half = np.array([part.length_mm, part.width_mm]) / 2
        return [(shapely.box(*-half, *half), False)]
    middle = largest_circle(part.outline)
    assert middle is not None
    own = affinity.translate(part.outline, -middle.centre[0], -middle.centre[1])
    return [(own, False)] + [(affinity.scale(own, 1, -1, origin=(0, 0)), True)] * part.may_flip


def _along(
    region: ClearRegion, shape: Polygon, off_grain: float, axis: float, *, two_ways: bool
) -> Placed | None:
    """Place within ``off_grain`` degrees of the grain where the part lies."""
    u0, v0, u1, v1 = shape.bounds
    half_long = max(u1, -u0)
    grain = region.grain
    step = math.degrees(np.clip(0.25 * min(v1 - v0, u1 - u0) / (u1 - u0), 0.009, 0.05))
    if off_grain >= 90:
        count = math.ceil(180 / step)
        half = np.arange(count) * 180.0 / count - 90.0
        angles = np.concatenate([half, half + 180.0]) if two_ways else half
        return place(region.with_keep_outs, shape, angles)
    best: Placed | None = None
    for turn in (0.0, 180.0) if two_ways else (0.0,):
        middle = axis
        for _ in range(3):
            lo, hi = middle - off_grain, middle + off_grain
            count = math.ceil((hi - lo) / step) if off_grain else 0
            angles = np.linspace(lo, hi, count + 1) if count else np.array([middle])
            limits = (lo + turn, hi + turn)
            found = place(region.with_keep_outs, shape, angles + turn, turn_limits=limits)
            if found is None:
                break
            # on a swept slab the grain where the part lies is not the whole slab's
            s = grain.to_st(np.array(found.centre)[None])[0, 0]
            local = grain.direction_deg(s - half_long, s + half_long)
            inside = abs(found.angle_deg - turn - local) <= off_grain + 0.5
            if inside and (best is None or found.room_mm > best.room_mm):
                best = found
            if abs(local - middle) < 0.5:
                break
            middle = local
    return best


def _judged(
    region: ClearRegion,
    part: Part,
    placed: Placed,
    worlds: Worlds,
    *,
    turns: bool,
    flipped: bool = False,
) -> Placement:
    size = math.hypot(*np.ptp(np.array(placed.polygon.exterior.coords), axis=0))
    margin = max(placed.room_mm, 0.0) + 30.0 + 0.02 * size
    contacts = placed_contacts(
        region.with_keep_outs, placed.polygon, placed.centre, margin, turns=turns
    )
    reach = np.array([60.0, 60.0, *([0.05] if turns else []), 1e4])
    gain = np.zeros(len(reach))
    gain[-1] = 1.0
    room = freed(contacts, gain, reach, region, worlds)
    # the program is linear; what it adds to the room found on the polygons is a correction
    value = placed.room_mm + float(room.best[-1] - room.drawn[-1])
    draws = value + room.draws[:, -1] - room.best[-1]
    spare = Sized(
        Estimate(value, draws, "mm"), {cause: d[:, -1] for cause, d in room.parts.items()}
    )
    tightest = int(np.argmin(contacts.gaps))
    tight = contacts.points[tightest]
    return _finished(
        region, part, placed.polygon, spare, tight, _limit_at(region, tight), worlds,
        angle_deg=placed.angle_deg, flipped=flipped, centre=placed.centre,
    )  # fmt: skip


def _finished(
    region: ClearRegion,
    part: Part,
    polygon: Polygon,
    spare: Sized,
    tight: Floats,
    limit: str,
    worlds: Worlds,
    *,
    angle_deg: float,
    flipped: bool = False,
    centre: tuple[float, float] | None = None,
) -> Placement:
    lo, hi = spare.interval
    verdict: Verdict = "fits" if lo > 0 else "does not fit" if hi < 0 else "too close"
    if isinstance(part, RoundPart) and centre is not None:
        marks: list[tuple[str, Any]] = [("centre", centre)]
    else:
        corners = shapely.get_coordinates(polygon.exterior)[:-1]
        if isinstance(part, LiveEdgePart):
            corners = corners[:0]
        marks = [(f"corner {i + 1}", corner) for i, corner in enumerate(corners[:12])]
    strikes = tuple(strike(region, at, what=what, worlds=worlds) for what, at in marks)
    return Placement(
        part=part,
        polygon=polygon,
        spare_mm=spare,
        verdict=verdict,
        tight=(float(tight[0]), float(tight[1])),
        limit=limit,
        strikes=strikes,
        tape_at=strike(region, tight, what="tape across", worlds=worlds),
        angle_deg=angle_deg,
        flipped=flipped,
    )


def _from_cut(region: ClearRegion, part: LiveEdgePart, cut: EdgeCut, worlds: Worlds) -> Placement:
    found = _finished(
        region, part, cut.polygon, cut.spare_mm, cut.tight, cut.limit, worlds,
        angle_deg=cut.angle_deg,
    )  # fmt: skip
    marks = tuple(strike(region, at, what=what, worlds=worlds) for what, at in cut.marks)
    return _renamed(found, part, marks)


def _renamed(found: Placement, part: Part, strikes: tuple[Strike, ...] | None = None) -> Placement:
    from dataclasses import replace

    return replace(found, part=part, strikes=found.strikes if strikes is None else strikes)


def _limit_at(region: ClearRegion, point: Floats) -> str:
    """Name what bounds the clear region at a point."""
    at = Point(point)
    near = [(r.shape.boundary.distance(at), r.name) for r in region.removals]
    near.append((region.face.outline.exterior.distance(at), "the edge of the face"))
    return min(near)[1]
