"""How a slab's width and thickness move between two moisture contents, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from slabvision.estimate import DRAWS, Estimate
from slabvision.trade.moisture import HYSTERESIS_U_PCT, emc_pct
from slabvision.trade.movement_equations import LINEAR_RANGE_PCT, fraction_moved
from slabvision.trade.quantity import (
    Number,
    as_estimate,
    checked,
    draws_of,
    propagate,
    value_of,
    values_of,
)
from slabvision.trade.rings import RingProfile
from slabvision.trade.species_table import Value, species_rows
from slabvision.trade.wood import Wood

__all__ = [
    "Movement",
    "SeasonRow",
    "SourceMovement",
    "movement",
    "principal_movement",
    "season_table",
    "size_to_cut_mm",
]

_RIFT = (30.0, 60.0)
"""Ring angles called rift-sawn: Architectural Woodwork Standards, 1st ed. 2009, App. B."""

_SMALL = 0.05
"""Below 5 % strains are rotated as they are; above, stretches are combined (derived)."""


@dataclass(frozen=True)
class SourceMovement:
    """What one published source says the width moves by.

    Attributes
    ----------
    source : str
    status : str
    width_change_mm : float
    """

    source: str
    status: str
    width_change_mm: float


@dataclass(frozen=True)
class Movement:
    """Movement of one slab between two moisture contents.

    Attributes
    ----------
    width_change_mm, thickness_change_mm : Estimate
        Below 0 it shrinks; thickness not determined when none was given.
    width_after_mm, thickness_after_mm : Estimate
    equation : str
        Which handbook equation was used and why.
    by_source : tuple of SourceMovement
        The width's change by every source known for the species; the first is the one in use.
    contributions_mm : mapping
        Standard uncertainty of the width's change from each cause alone: ``ring angle``,
        ``coefficient``, ``moisture``, ``size``.
    remarks : tuple of str
    """

    width_change_mm: Estimate
    thickness_change_mm: Estimate
    width_after_mm: Estimate
    thickness_after_mm: Estimate
    equation: str
    by_source: tuple[SourceMovement, ...]
    contributions_mm: Mapping[str, float]
    remarks: tuple[str, ...]

    @property
    def disagreement(self) -> str:
        """Say how far the sources lie apart; empty when they agree within 5 %."""
        changes = [abs(s.width_change_mm) for s in self.by_source]
        if len(changes) < 2 or max(changes) - min(changes) <= 0.05 * max(changes):
            return ""
        share = (max(changes) - min(changes)) / max(changes) * 100
        return f"published sources differ by {share:.0f} %"


def principal_movement(
    wood: Wood, mc_from_pct: Number, mc_to_pct: Number, *, draws: int = DRAWS
) -> tuple[Estimate, Estimate, str]:
    """Return relative movement along the rings and across them, and the equation used.

    Both moistures from 6 to 14 %: eq. 13-2 with the coefficient; otherwise eq. 13-3 with total
    shrinkage. The choice is made on the best values, so all draws follow one equation.
    """
    linear = _linear(mc_from_pct, mc_to_pct)
    start = wood.fibre_saturation_pct
    moved = []
    for direction in ("tangential", "radial"):
        base = f"coef_{direction}" if linear else f"shrink_{direction}_pct"
        constant = wood.estimate(base, draws=draws)
        change = propagate(
            lambda k, a, b: fraction_moved(k, k, a, b, start, linear=linear),
            "", constant, mc_from_pct, mc_to_pct,
        )  # fmt: skip
        moved.append(as_estimate(change, "", draws=draws))
    words = (
        "GTR-190 eq. 13-2 (6 to 14 % moisture)"
        if linear
        else f"GTR-190 eq. 13-3 (outside 6 to 14 %; no change above {start:g} %)"
    )
    return moved[0], moved[1], words


def _linear(mc_from: Number, mc_to: Number) -> bool:
    low, high = LINEAR_RANGE_PCT
    return all(low <= value_of(mc) <= high for mc in (mc_from, mc_to))


def _across(cos2: Any, tangential: Any, radial: Any) -> Any:
    """Relative change across the width from the mean of cos² of the ring angle."""
    small = cos2 * tangential + (1.0 - cos2) * radial
    large = np.sqrt(cos2 * (1.0 + tangential) ** 2 + (1.0 - cos2) * (1.0 + radial) ** 2) - 1.0
    is_small = np.maximum(np.abs(tangential), np.abs(radial)) < _SMALL
    return np.where(is_small, small, large)


def movement(
    wood: Wood,
    width_mm: Number,
    mc_from_pct: Number,
    mc_to_pct: Number,
    *,
    thickness_mm: Number | None = None,
    rings: RingProfile | None = None,
) -> Movement:
    """Return how width and thickness change between two moisture contents.

    Parameters
    ----------
    wood : Wood
        From :func:`slabvision.trade.species.resolve_species`.
    width_mm : float or Estimate (unit ``mm``)
        Width at ``mc_from_pct``.
    mc_from_pct, mc_to_pct : float or Estimate (unit ``%``)
    thickness_mm : float or Estimate (unit ``mm``), optional
    rings : RingProfile, optional
        Ring angle across the width; left out, any angle is possible and the interval says so.

    Notes
    -----
    Coefficients are means of a species; the handbook warns that boards are rarely fully flat- or
    quarter-sawn, so that width is over- and thickness under-estimated: here the profile of the
    ring angle is integrated across the width (plane tensor rotation, derived).

    Examples
    --------
    >>> from slabvision.trade.species import resolve_species
    >>> flat = RingProfile.constant(0.0)
    >>> table = movement(resolve_species("black walnut"), 1016.0, 12.0, 7.0, rings=flat)
    >>> round(table.width_change_mm.value / 25.4, 3)  # 40 in: - 0.548 in
    -0.548
    """
    checked(width_mm, "mm", "width", over=0)
    for mc in (mc_from_pct, mc_to_pct):
        checked(mc, "%", "moisture", at_least=0, at_most=400)
    if thickness_mm is not None:
        checked(thickness_mm, "mm", "thickness", over=0)
    given = [width_mm, mc_from_pct, mc_to_pct, *([] if thickness_mm is None else [thickness_mm])]
    draws = draws_of(given) or DRAWS
    rings = rings or RingProfile.unknown()
    tangential, radial, equation = principal_movement(wood, mc_from_pct, mc_to_pct, draws=draws)
    cos2 = Estimate(rings.mean_cos2(), rings.mean_cos2_draws(draws), "")
    relative = as_estimate(propagate(_across, "", cos2, tangential, radial), "", draws=draws)
    width = as_estimate(width_mm, "mm", draws=draws)
    change = as_estimate(propagate(lambda w, e: w * e, "mm", width, relative), "mm", draws=draws)
    thick = Estimate.undetermined("no thickness given", "mm", draws=draws)
    thick_after = thick
    if thickness_mm is not None:
        through = propagate(lambda c, t, r: _across(1.0 - c, t, r), "", cos2, tangential, radial)
        before = as_estimate(thickness_mm, "mm", draws=draws)
        thick = as_estimate(propagate(lambda t, e: t * e, "mm", before, through), "mm")
        thick_after = before + thick
    columns = _columns(mc_from_pct, mc_to_pct)
    remarks = [*wood.marks(*columns), rings.remark]
    if max(value_of(mc_from_pct), value_of(mc_to_pct)) > wood.fibre_saturation_pct:
        remarks.append(f"no change of size above {wood.fibre_saturation_pct:g} % moisture")
    return Movement(
        change, thick, width + change, thick_after, equation,
        _by_source(wood, value_of(width_mm), value_of(mc_from_pct), value_of(mc_to_pct), rings),
        _contributions(wood, width, mc_from_pct, mc_to_pct, rings, draws),
        tuple(dict.fromkeys(r for r in remarks if r)),
    )  # fmt: skip


def _columns(mc_from: Number, mc_to: Number) -> tuple[str, str]:
    if _linear(mc_from, mc_to):
        return "coef_tangential", "coef_radial"
    return "shrink_tangential_pct", "shrink_radial_pct"


def _by_source(
    wood: Wood, width: float, mc_from: float, mc_to: float, rings: RingProfile
) -> tuple[SourceMovement, ...]:
    """Return the width's change by each source; radial values pair with their own publication."""
    columns = _columns(mc_from, mc_to)
    tangentials, radials = wood.values(columns[0]), wood.values(columns[1])
    if not tangentials:
        return ()
    linear, start, cos2 = _linear(mc_from, mc_to), wood.fibre_saturation_pct, rings.mean_cos2()

    def moved(constant: float) -> float:
        return float(fraction_moved(constant, constant, mc_from, mc_to, start, linear=linear))

    found = []
    for value in tangentials:
        radial = _same_publication(value, radials, wood.value(columns[1]))
        change = width * float(_across(cos2, moved(value.value), moved(radial)))
        found.append(SourceMovement(value.source, value.status, change))
    if linear and _RIFT[0] <= np.degrees(np.arccos(np.sqrt(cos2))) <= _RIFT[1]:
        row = wood.rows[0]
        for each in (row, species_rows().get(row.group)):
            rift = each.values.get("industry_rift_64ths") if each is not None else None
            if rift is not None:
                change = width * rift.value / 64 / 12 / 5 * (mc_to - mc_from)
                found.append(SourceMovement(rift.source, rift.status, change))
    return tuple(found)


def _same_publication(value: Value, others: Sequence[Value], fallback: float) -> float:
    for other in others:
        if other.source[:12] == value.source[:12] and other.status == value.status:
            return other.value
    return others[0].value if others else fallback


def _contributions(
    wood: Wood, width: Estimate, mc_from: Number, mc_to: Number, rings: RingProfile, draws: int
) -> Mapping[str, float]:
    """Return the standard uncertainty each cause alone gives the width's change, mm."""
    tangential, _radial, _ = principal_movement(wood, mc_from, mc_to, draws=draws)
    still_t, still_r, _ = principal_movement(wood, value_of(mc_from), value_of(mc_to), draws=draws)
    calm = (still_t.value, still_r.value)
    cos2, size = rings.mean_cos2(), width.value

    def u(values: Any) -> float:
        return float(np.std(np.broadcast_to(values, (draws,)), ddof=1))

    columns = _columns(mc_from, mc_to)
    linear, start = _linear(mc_from, mc_to), wood.fibre_saturation_pct
    by_moisture = [
        fraction_moved(k, k, values_of(mc_from), values_of(mc_to), start, linear=linear)
        for k in (wood.value(columns[0]), wood.value(columns[1]))
    ]
    if not (tangential.determined and width.determined):
        return MappingProxyType({})
    return MappingProxyType(
        {
            "ring angle": u(size * _across(rings.mean_cos2_draws(draws), *calm)),
            "coefficient": u(size * _across(cos2, still_t.draws, still_r.draws)),
            "moisture": u(size * _across(cos2, *by_moisture)),
            "size": u(width.draws * _across(cos2, *calm)),
        }
    )


def size_to_cut_mm(
    wood: Wood,
    finished_mm: Number,
    mc_now_pct: Number,
    mc_in_use_pct: Number,
    *,
    rings: RingProfile | None = None,
) -> Estimate:
    """Return the width to cut now, mm, so that it has its finished size at in-use moisture.

    Parameters
    ----------
    finished_mm : float or Estimate (unit ``mm``)
        Width wanted at ``mc_in_use_pct``.
    mc_now_pct, mc_in_use_pct : float or Estimate (unit ``%``)
    """
    checked(finished_mm, "mm", "finished size", over=0)
    one = movement(wood, 1.0, mc_now_pct, mc_in_use_pct, rings=rings).width_change_mm
    draws = one.draws.size
    moved = Estimate(one.value, one.draws, "", one.reason)
    cut = propagate(lambda f, e: f / (1.0 + e), "mm", as_estimate(
        finished_mm, "mm", draws=draws), moved)  # fmt: skip
    return as_estimate(cut, "mm", draws=draws)


# Over the year -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class SeasonRow:
    """One line of the table over the seasons.

    Attributes
    ----------
    rh_pct : float
        Relative humidity of the room.
    emc_pct : float
        Moisture the wood would settle at (eq. 4-5).
    width_change_mm, width_mm : Estimate
        From the width now, and the width itself.
    """

    rh_pct: float
    emc_pct: float
    width_change_mm: Estimate
    width_mm: Estimate


def season_table(
    wood: Wood,
    width_mm: Number,
    mc_now_pct: Number,
    *,
    temp_c: float = 20.0,
    rh_pct: Sequence[float] = (25.0, 35.0, 45.0, 55.0, 65.0),
    rings: RingProfile | None = None,
) -> tuple[SeasonRow, ...]:
    """Return the width over a room's humidities, once the wood has settled at each.

    Parameters
    ----------
    width_mm : float or Estimate (unit ``mm``)
        Width at ``mc_now_pct``.
    temp_c : float
        Of the room.
    rh_pct : sequence of float
        Humidities, 5 to 95 %.

    Notes
    -----
    The interval holds hysteresis too (drying and wetting wood settle apart); it is one error in
    all rows, so differences between rows are surer than the rows. Thick tops and finishes follow
    the air slowly: a season's true swing is smaller than the difference of two settled widths.
    """
    if not rh_pct:
        raise ValueError("no humidity is given; give at least one between 5 and 95 %")
    draws = draws_of([width_mm, mc_now_pct]) or DRAWS
    rows = []
    for rh in rh_pct:
        emc = value_of(emc_pct(temp_c, rh))
        settled = Estimate.normal(emc, HYSTERESIS_U_PCT, "%", name="hysteresis", draws=draws)
        moved = movement(wood, width_mm, mc_now_pct, settled, rings=rings)
        rows.append(SeasonRow(rh, emc, moved.width_change_mm, moved.width_after_mm))
    return tuple(rows)
