"""Board feet: the exact figure, the figure by the tag's rule, and how the two compare.

A board foot is 144 in³ (ASTM D9). A rule with roundings does not have a smooth ±: its figure
jumps, so it is told as "54, or 55 if the width is over 27 1/2 in".
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import Any, Literal

import numpy as np

from slabvision.estimate import DRAWS, Estimate
from slabvision.trade.quantity import (
    Number,
    as_estimate,
    checked,
    draws_of,
    propagate,
    value_of,
)
from slabvision.trade.tally_rules import Rounding, TallyRule
from slabvision.trade.tally_words import (
    Jump,
    jumps_of,
    possible_figures,
    statement,
    working,
)
from slabvision.units import BOARD_FOOT_MM3

__all__ = [
    "PackTally",
    "RuleInputError",
    "SlabSizes",
    "Tally",
    "board_feet_exact",
    "outline_area",
    "tally",
    "tally_pack",
]


class RuleInputError(ValueError):
    """A rule asks for something that was not measured; says what."""


@dataclass(frozen=True)
class SlabSizes:
    """What a tape or a photo says about one slab.

    Attributes
    ----------
    length_mm : float or Estimate
    widths_mm : tuple of float or Estimate
        One width, the two ends, end-middle-end, or any number in order along the slab.
    thickness_mm : float or Estimate, optional
        As it measures now.
    sawn_thickness_mm : float or Estimate, optional
        The thickness it was sawn to (its class, 8/4 = 50.8 mm); used by rules that say so.
    stations : tuple of float, optional
        Where each width lies, as a fraction of the length (0 one end, 1 the other); left out,
        the widths are evenly spaced from end to end.
    other_face_widths_mm : tuple, optional
        Widths of the other face at the same stations (rules that take the mean of both).
    area_mm2 : float or Estimate, optional
        Area of the outline, when a photo gave it.
    bark : {"in", "out", "not said"}
        Whether these widths include bark.
    bark_mm : float or Estimate, optional
        Bark across the width, both edges together; turns one convention into the other.
    """

    length_mm: Number
    widths_mm: tuple[Number, ...]
    thickness_mm: Number | None = None
    sawn_thickness_mm: Number | None = None
    stations: tuple[float, ...] = ()
    other_face_widths_mm: tuple[Number, ...] = ()
    area_mm2: Number | None = None
    bark: Literal["in", "out", "not said"] = "not said"
    bark_mm: Number | None = None

    def __post_init__(self) -> None:
        checked(self.length_mm, "mm", "length", over=0)
        if not self.widths_mm:
            raise RuleInputError("no width is given; measure at least one")
        for width in (*self.widths_mm, *self.other_face_widths_mm):
            checked(width, "mm", "width", over=0)
        for thickness in (self.thickness_mm, self.sawn_thickness_mm):
            if thickness is not None:
                checked(thickness, "mm", "thickness", over=0)
        if self.area_mm2 is not None:
            checked(self.area_mm2, "mm2", "outline area", over=0)
        if self.bark_mm is not None:
            checked(self.bark_mm, "mm", "bark", at_least=0)
        if self.bark not in ("in", "out", "not said"):
            raise ValueError(f"bark is {self.bark!r}; it must be in, out or not said")
        count = len(self.widths_mm)
        if self.other_face_widths_mm and len(self.other_face_widths_mm) != count:
            raise RuleInputError(
                f"{count} widths on one face and {len(self.other_face_widths_mm)} on the other; "
                "take them at the same places"
            )
        if self.stations:
            ordered = all(a < b for a, b in zip(self.stations, self.stations[1:], strict=False))
            if len(self.stations) != count or not ordered:
                raise ValueError(
                    f"stations are {self.stations}; one for each of the {count} widths, rising"
                )
            if self.stations[0] < 0 or self.stations[-1] > 1:
                raise ValueError(f"stations are {self.stations}; fractions of the length, 0 to 1")
        elif count > 1:
            object.__setattr__(self, "stations", tuple(np.linspace(0.0, 1.0, count).tolist()))

    @property
    def numbers(self) -> tuple[Number, ...]:
        """Every number that was given."""
        maybe = (self.thickness_mm, self.sawn_thickness_mm, self.area_mm2, self.bark_mm)
        return (self.length_mm, *self.widths_mm, *self.other_face_widths_mm,
                *(n for n in maybe if n is not None))  # fmt: skip


@dataclass(frozen=True)
class Tally:
    """A slab's figure by a rule, beside what it really holds.

    Attributes
    ----------
    rule : TallyRule
    figure : float
        By the rule, from the best values, in ``rule.unit``.
    figures : Estimate
        The same with its interval; in jumps when the rule rounds.
    unrounded : Estimate
        The rule's formula with nothing rounded.
    exact_bf : Estimate
        Board feet the slab holds: area × thickness as measured; not determined without them.
    possible : tuple of (figure, share)
        What the figure can be, with the share of draws; empty when the rule does not round.
    statement : str
        In words.
    working : tuple of str
        How it came about, one step a line.
    remarks : tuple of str
        What a reader must know: memory, practice, guesses.
    jumps : tuple of Jump
        At which size the figure jumps, within the sizes' intervals.
    """

    rule: TallyRule
    figure: float
    figures: Estimate
    unrounded: Estimate
    exact_bf: Estimate
    possible: tuple[tuple[float, float], ...]
    statement: str
    working: tuple[str, ...]
    remarks: tuple[str, ...]
    jumps: tuple[Jump, ...] = ()


def board_feet_exact(area_mm2: Number, thickness_mm: Number) -> Number:
    """Return gross board feet from area × thickness (144 in³ each, ASTM D9).

    >>> round(board_feet_exact(96 * 23 * 645.16, 2.25 * 25.4), 9)
    34.5
    """
    checked(area_mm2, "mm2", "area", over=0)
    checked(thickness_mm, "mm", "thickness", over=0)
    return propagate(lambda a, t: a * t / BOARD_FOOT_MM3, "bf", area_mm2, thickness_mm)


# Which widths a rule takes -----------------------------------------------------------------------


def _along(sizes: SlabSizes, widths: Sequence[Number], at: float) -> Number:
    """Width at a fraction of the length, straight between stations."""
    stations = sizes.stations
    if len(widths) == 1:
        return widths[0]
    right = int(np.clip(np.searchsorted(stations, at), 1, len(widths) - 1))
    left = right - 1
    share = float(np.clip((at - stations[left]) / (stations[right] - stations[left]), 0.0, 1.0))
    return propagate(lambda a, b: a * (1 - share) + b * share, "mm", widths[left], widths[right])


def _narrow_third(sizes: SlabSizes, widths: Sequence[Number]) -> Number:
    first, last = value_of(_along(sizes, widths, 0.0)), value_of(_along(sizes, widths, 1.0))
    return _along(sizes, widths, 1 / 3 if first <= last else 2 / 3)


def outline_area(sizes: SlabSizes) -> tuple[Number, str]:
    """Return the area of the outline, mm², and how it was found.

    From the outline when a photo gave it; otherwise one width is a rectangle, three evenly
    spaced widths go by Simpson's rule (exact for parabolic edges), others by trapezoids (exact
    for straight edges).
    """
    if sizes.area_mm2 is not None:
        return sizes.area_mm2, "area of the outline"
    widths = sizes.widths_mm
    if len(widths) == 1:
        return propagate(lambda a, b: a * b, "mm2", sizes.length_mm, widths[0]), "length × width"
    stations = np.array(sizes.stations)
    if len(widths) == 3 and np.allclose(stations, [0.0, 0.5, 1.0]):
        weights, how = np.array([1.0, 4.0, 1.0]) / 6, "Simpson's rule on three widths"
    else:
        inner = np.diff(stations)
        weights = np.zeros(len(widths))
        weights[:-1] += inner / 2
        weights[1:] += inner / 2
        weights[0] += stations[0]
        weights[-1] += 1 - stations[-1]
        how = f"trapezoids on {len(widths)} widths"
    area = propagate(
        lambda length, *ws: length * sum(w * c for w, c in zip(ws, weights, strict=True)),
        "mm2", sizes.length_mm, *widths,
    )  # fmt: skip
    return area, how


def _taken(rule: TallyRule, sizes: SlabSizes) -> tuple[tuple[Number, ...], tuple[str, ...]]:
    """Return the widths the rule takes (bark convention applied) and remarks."""
    remarks: list[str] = []

    def pick(widths: tuple[Number, ...]) -> tuple[Number, ...]:
        count, at = len(widths), rule.width_at
        if count == 1 and at in ("ends", "three", "third"):
            where = {"ends": "both ends", "three": "both ends and the middle",
                     "third": "both ends"}[at]  # fmt: skip
            raise RuleInputError(f"rule {rule.name!r} takes widths at {where}; one is given")
        if at == "one":
            if count > 1:
                remarks.append("the rule does not say where its width is taken: middle used")
            return (_along(sizes, widths, 0.5),)
        if at == "middle":
            return (_along(sizes, widths, 0.5),)
        if at == "ends":
            return (_along(sizes, widths, 0.0), _along(sizes, widths, 1.0))
        if at == "three":
            if count == 2:
                raise RuleInputError(
                    f"rule {rule.name!r} takes widths at both ends and the middle; two are given"
                )
            return tuple(_along(sizes, widths, x) for x in (0.0, 0.5, 1.0))
        if at == "narrowest":
            return (propagate(lambda *ws: reduce(np.minimum, ws), "mm", *widths),)
        return (_narrow_third(sizes, widths),)

    if rule.basis == "each":
        return sizes.widths_mm[:1], ()
    if rule.width_at == "mean":
        area, how = outline_area(sizes)
        remarks.append(f"mean width from {how}")
        widths: tuple[Number, ...] = (
            propagate(lambda a, length: a / length, "mm", area, sizes.length_mm),
        )
    else:
        widths = pick(sizes.widths_mm)
    if rule.both_faces:
        if not sizes.other_face_widths_mm:
            raise RuleInputError(
                f"rule {rule.name!r} takes the mean of both faces; give the other face's widths too"
            )
        widths = widths + pick(sizes.other_face_widths_mm)
    return _bark(rule, sizes, widths, remarks), tuple(dict.fromkeys(remarks))


def _bark(
    rule: TallyRule, sizes: SlabSizes, widths: tuple[Number, ...], remarks: list[str]
) -> tuple[Number, ...]:
    if rule.bark == "as measured":
        said = {"in": "bark included", "out": "bark excluded"}
        remarks.append(said.get(sizes.bark, "not said whether the widths include bark"))
        return widths
    if sizes.bark == rule.bark:
        return widths
    if sizes.bark == "not said":
        remarks.append(f"the rule takes widths with bark {rule.bark}; taken as measured that way")
        return widths
    if sizes.bark_mm is None:
        raise RuleInputError(
            f"rule {rule.name!r} takes widths with bark {rule.bark}, these have bark {sizes.bark}; "
            "give the bark's thickness, both edges together"
        )
    sign = 1.0 if rule.bark == "in" else -1.0
    turned = tuple(
        propagate(lambda w, b: w + sign * b, "mm", width, sizes.bark_mm) for width in widths
    )
    for width in turned:
        checked(width, "mm", "width without bark", over=0)
    return turned


def _thickness(rule: TallyRule, sizes: SlabSizes) -> tuple[Number | None, str]:
    if rule.basis in ("area", "each"):
        return None, ""
    if rule.thickness_as == "sawn" and sizes.sawn_thickness_mm is not None:
        return sizes.sawn_thickness_mm, ""
    if sizes.thickness_mm is not None:
        note = "the rule counts the sawn thickness; the measured one is used"
        return sizes.thickness_mm, note if rule.thickness_as == "sawn" else ""
    if sizes.sawn_thickness_mm is not None:
        return sizes.sawn_thickness_mm, "no measured thickness: the sawn one is used"
    raise RuleInputError(f"rule {rule.name!r} needs a thickness; measure it near the ends")


# The figure --------------------------------------------------------------------------------------


def tally(rule: TallyRule, sizes: SlabSizes, *, half_up: bool = True) -> Tally:
    """Return a slab's figure by a rule, the exact figure, and the jumps between.

    Parameters
    ----------
    rule : TallyRule
        A preset of :data:`slabvision.trade.tally_rules.RULES` or one set by hand.
    sizes : SlabSizes
        Sizes in mm; estimates give the interval and the jumps.
    half_up : bool
        What an exact half does where the rule alternates (:func:`tally_pack` keeps the turn).

    Raises
    ------
    RuleInputError
        The rule asks for a width, a thickness or bark that was not given.
    MixedUnitsError
        An estimate in another unit.

    Examples
    --------
    >>> from slabvision.trade.tally_rules import RULES
    >>> slab = SlabSizes(8 * 304.8, (6.25 * 25.4,), sawn_thickness_mm=50.8)
    >>> tally(RULES["hardwood surface measure"], slab).figure  # export council's example
    8.0
    """
    widths, remarks = _taken(rule, sizes)
    thickness, note = _thickness(rule, sizes)
    inputs: tuple[Number, ...] = (sizes.length_mm, *widths)
    inputs = inputs if thickness is None else (*inputs, thickness)
    draws = draws_of([*inputs, *sizes.numbers]) or DRAWS

    def by(using: TallyRule) -> Callable[..., Any]:
        def run(length: Any, *rest: Any) -> Any:
            ws, t = (rest, 1.0) if thickness is None else (rest[:-1], rest[-1])
            return using.figure(length, ws, t, half_up=half_up)

        return run

    figures = as_estimate(propagate(by(rule), rule.unit, *inputs), rule.unit, draws=draws)
    free = propagate(by(rule.unrounded()), rule.unit, *inputs)
    marks = [*remarks, note, rule.remark]
    if "memory" not in rule.remark:
        marks.append(_STATUS.get(rule.status, ""))
    if _exact_half(rule, sizes.length_mm, widths):
        marks.append(
            "an exact half is raised or dropped in turn along the tally (for surface measure "
            "the turn is from memory, unverified)"
        )
    possible = possible_figures(figures) if _rounds(rule) else ()
    jumps = jumps_of(by(rule), inputs, thickness is not None) if possible else ()
    return Tally(
        rule,
        figures.value,
        figures,
        as_estimate(free, rule.unit, draws=draws),
        _exact(sizes, draws),
        possible,
        statement(rule.unit, figures, possible, jumps),
        working(rule, inputs, thickness is not None, half_up=half_up),
        tuple(dict.fromkeys(mark for mark in marks if mark)),
        jumps,
    )


_STATUS = {
    "memory": "rule from memory, unverified",
    "practice": "common practice, no source",
}


def _rounds(rule: TallyRule) -> bool:
    steps = (rule.length_mm, rule.width_each_mm, rule.width_mm, rule.thickness_mm,
             rule.surface_ft2, rule.total)  # fmt: skip
    return rule.basis == "each" or any(rounding.step > 0 for rounding in steps)


def _exact_half(rule: TallyRule, length_mm: Number, widths: tuple[Number, ...]) -> bool:
    """Whether an alternating rounding of this rule meets an exact half on the best values."""
    if rule.basis == "each":
        return False
    values = [value_of(w) for w in widths]
    mean = sum(float(rule.width_each_mm(w)) for w in values) / len(values)
    surface = float(rule.raw_surface(value_of(length_mm), values))
    return (
        rule.width_mm.is_half(mean)
        or any(rule.width_each_mm.is_half(w) for w in values)
        or rule.surface_ft2.is_half(surface)
    )


def _exact(sizes: SlabSizes, draws: int) -> Estimate:
    thickness = sizes.thickness_mm if sizes.thickness_mm is not None else sizes.sawn_thickness_mm
    if thickness is None:
        return Estimate.undetermined("no thickness given: measure it", "bf", draws=draws)
    return as_estimate(board_feet_exact(outline_area(sizes)[0], thickness), "bf", draws=draws)


# A pack of slabs on one tag ----------------------------------------------------------------------


@dataclass(frozen=True)
class PackTally:
    """Several slabs tallied by one rule.

    Attributes
    ----------
    rule : TallyRule
    total : float
        The figure on the tally sheet: the sum, then the rule's last rounding.
    totals : Estimate
        The same with its interval.
    exact_bf : Estimate
        What the pack really holds.
    slabs : tuple of Tally
        Piece by piece; exact halves took turns.
    """

    rule: TallyRule
    total: float
    totals: Estimate
    exact_bf: Estimate
    slabs: tuple[Tally, ...]


def tally_pack(rule: TallyRule, slabs: Sequence[SlabSizes]) -> PackTally:
    """Tally several slabs as one: pieces by the rule, exact halves in turn, then the total.

    Board feet of a hardwood tally are the sum of surface measure × thickness, taken to whole
    board feet at the end (NHLA 2015 par. 18).
    """
    if not slabs:
        raise ValueError("no slab is given; a tally needs at least one")
    piece_rule = replace(rule, total=Rounding())
    half_up, pieces = True, []
    for sizes in slabs:
        piece = tally(piece_rule, sizes, half_up=half_up)
        if _exact_half(rule, sizes.length_mm, _taken(rule, sizes)[0]):
            half_up = not half_up
        pieces.append(piece)
    whole, exact = pieces[0].figures, pieces[0].exact_bf
    for piece in pieces[1:]:
        whole, exact = whole + piece.figures, exact + piece.exact_bf
    totals = as_estimate(propagate(rule.total, rule.unit, whole), rule.unit)
    return PackTally(rule, totals.value, totals, exact, tuple(pieces))
