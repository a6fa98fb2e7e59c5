"""What a slab weighs, with its interval, and how many people or what equipment that means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from slabvision.estimate import DRAWS, Estimate
from slabvision.trade.quantity import Number, as_estimate, checked, draws_of, propagate, value_of
from slabvision.trade.wood import Wood
from slabvision.units import pounds, pounds_per_cubic_foot, round_sum

__all__ = [
    "LOAD_CONSTANT_KG",
    "Haul",
    "Lifting",
    "Weight",
    "density_from_ovendry_kg_m3",
    "density_kg_m3",
    "haul",
    "lifting",
    "specific_gravity_at",
    "structural_density_kg_m3",
    "weight",
]

LOAD_CONSTANT_KG = 23.0
"""Load constant of the revised NIOSH lifting equation, 51 lb: what nearly all workers lift safely
under ideal conditions; reach, height, twist, frequency and grip lower it (NIOSH Pub. 94-110)."""

_START_PCT = 30.0


def specific_gravity_at(
    green_gravity: Number, mc_pct: Number, shrinkage_volumetric_pct: Number | None = None
) -> Number:
    """Return specific gravity at the volume of a moisture content, from the green (basic) one.

    GTR-190 eq. 4-9 with 4-7 (GTR-282: 4-11, 4-9); without the total volumetric shrinkage eq. 4-11,
    which puts 26.5 Gb in its place (eq. 4-10, Stamm 1964).

    Examples
    --------
    >>> round(specific_gravity_at(0.55, 12.0), 4)  # the handbook's white ash, p.4-10
    0.6027
    """
    checked(green_gravity, "", "specific gravity", over=0, at_most=1.54)
    checked(mc_pct, "%", "moisture", at_least=0, at_most=400)
    if shrinkage_volumetric_pct is None:
        return propagate(lambda g, m: g / (1.0 - 0.265 * g * _dried(m)), "", green_gravity, mc_pct)
    checked(shrinkage_volumetric_pct, "%", "volumetric shrinkage", at_least=0, at_most=50)
    return propagate(
        lambda g, m, s: g / (1.0 - s / 100.0 * _dried(m)),
        "", green_gravity, mc_pct, shrinkage_volumetric_pct,
    )  # fmt: skip


def _dried(mc: Any) -> Any:
    return 1.0 - np.minimum(mc, _START_PCT) / _START_PCT


def density_kg_m3(
    green_gravity: Number, mc_pct: Number, shrinkage_volumetric_pct: Number | None = None
) -> Number:
    """Return density with its water, kg/m³, from the green (basic) specific gravity.

    GTR-190 eq. 4-12 (GTR-282: 4-14): 1000 Gx (1 + M / 100), Gx at the volume of that moisture.
    Leaving the shrinkage out would understate white oak at 12 % by a tenth.

    Examples
    --------
    >>> round(density_kg_m3(0.51, 12.0, 12.8), 1)  # black walnut
    618.7
    """
    at_volume = specific_gravity_at(green_gravity, mc_pct, shrinkage_volumetric_pct)
    return propagate(lambda g, m: 1000.0 * g * (1.0 + m / 100.0), "kg m-3", at_volume, mc_pct)


def density_from_ovendry_kg_m3(
    ovendry_kg_m3: Number, mc_pct: Number, shrinkage_volumetric_pct: Number | None = None
) -> Number:
    """Return density with its water, kg/m³, from ovendry density.

    GTR-190 eq. 4-13; without the shrinkage eq. 4-14: S0 = 26.5 r0 / (1000 + 0.265 r0).

    >>> round(density_from_ovendry_kg_m3(500.0, 0.0, 12.0), 1)
    500.0
    """
    checked(ovendry_kg_m3, "kg m-3", "ovendry density", over=0, at_most=1540)
    checked(mc_pct, "%", "moisture", at_least=0, at_most=400)
    total = shrinkage_volumetric_pct
    if total is None:
        total = propagate(lambda r: 26.5 * r / (1000.0 + 0.265 * r), "%", ovendry_kg_m3)
    checked(total, "%", "volumetric shrinkage", at_least=0, at_most=50)
    return propagate(
        lambda r, m, s: r * (1.0 + m / 100.0) * (100.0 - s) / (100.0 - s * _dried(m)),
        "kg m-3", ovendry_kg_m3, mc_pct, total,
    )  # fmt: skip


def structural_density_kg_m3(ovendry_gravity: Number, mc_pct: Number) -> Number:
    """Return density, kg/m³, by the form structural design uses.

    62.4 [G / (1 + 0.009 G M)] (1 + M / 100) lb/ft³, G on ovendry mass and ovendry volume (form of
    the US wood design specification, as a public engineering reference gives it).

    >>> round(structural_density_kg_m3(0.55, 12.0), 1)
    581.2
    """
    checked(ovendry_gravity, "", "specific gravity", over=0, at_most=1.54)
    checked(mc_pct, "%", "moisture", at_least=0, at_most=30)
    water = 62.4 / pounds_per_cubic_foot(1.0)
    return propagate(
        lambda g, m: water * g / (1.0 + 0.009 * g * m) * (1.0 + m / 100.0),
        "kg m-3", ovendry_gravity, mc_pct,
    )  # fmt: skip


# A slab ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Weight:
    """Weight of one slab.

    Attributes
    ----------
    kg : Estimate
    density_kg_m3 : Estimate
    mc_pct : float
        The moisture it is told for.
    source : str
        Where the specific gravity comes from.
    other_kg : float
        The same from the published specific gravity at 12 % (read values only), NaN when there is
        none: where it differs, both are shown.
    remarks : tuple of str
    """

    kg: Estimate
    density_kg_m3: Estimate
    mc_pct: float
    source: str
    other_kg: float
    remarks: tuple[str, ...]


def weight(wood: Wood, volume_mm3: Number, mc_pct: Number) -> Weight:
    """Return what a slab weighs, kg.

    Parameters
    ----------
    wood : Wood
        Slabs of one tree share their density error; set ``tree`` for that.
    volume_mm3 : float or Estimate (unit ``mm3``)
        As it lies there.
    mc_pct : float or Estimate (unit ``%``)
        Moisture of the whole section, not of the shell.

    Notes
    -----
    Spread within a species: 10 % (GTR-190 p.4-9). One point of moisture is about 1 % of ovendry
    weight.

    Examples
    --------
    >>> from slabvision.trade.species import resolve_species
    >>> slab = weight(resolve_species("walnut"), 96 * 30 * 2.5 * 25.4**3, 12.0)
    >>> round(slab.kg.value)  # 161 lb
    73
    """
    checked(volume_mm3, "mm3", "volume", over=0)
    checked(mc_pct, "%", "moisture", at_least=0, at_most=400)
    draws = draws_of([volume_mm3, mc_pct]) or DRAWS
    gravity = wood.estimate("sg_green", draws=draws)
    total: Estimate | None = wood.estimate("shrink_volumetric_pct", draws=draws)
    columns = ["sg_green", "shrink_volumetric_pct"]
    remarks: list[str] = []
    if len(wood.rows) == 1 and not any(v.read for v in wood.values("shrink_volumetric_pct")):
        total, columns = None, ["sg_green"]
        remarks.append("volumetric shrinkage by GTR-190 eq. 4-10 (26.5 Gb): none was read")
    density = as_estimate(density_kg_m3(gravity, mc_pct, total), "kg m-3", draws=draws)
    kg = as_estimate(
        propagate(lambda r, v: r * v / 1e9, "kg", density, volume_mm3), "kg", draws=draws
    )
    mc, other = value_of(mc_pct), float("nan")
    at_12 = [v for v in wood.values("sg_12") if v.read]
    if at_12 and kg.determined:
        green = at_12[0].value / (1.0 + 0.265 * 0.6 * at_12[0].value)
        if total is not None:
            green = at_12[0].value * (1.0 - 0.6 * total.value / 100.0)
        base = value_of(density_kg_m3(green, mc, total.value if total is not None else None))
        other = base * value_of(volume_mm3) / 1e9
        if abs(other - kg.value) > 0.03 * kg.value:
            remarks.append(
                f"by the specific gravity at 12 % ({at_12[0].value:g}, {at_12[0].source}) it would "
                f"be {other:.0f} kg ({pounds(other):.0f} lb): the sources differ"
            )
    if mc > _START_PCT:
        remarks.append("above fibre saturation the weight follows the water: it may be far off")
    return Weight(
        kg, density, mc, wood.source("sg_green"), other,
        tuple(dict.fromkeys([*wood.marks(*columns), *remarks])),
    )  # fmt: skip


@dataclass(frozen=True)
class Lifting:
    """What a weight means for the people who move it.

    Attributes
    ----------
    times_one_person : float
        Upper end of the weight over what one person lifts under ideal conditions.
    people_at_least : int
        Under ideal conditions; more when reach, height, twist, grip or the ground are worse.
    equipment : bool
        Whether to use a cart, hoist, crane or forklift from the start.
    text : str
    """

    times_one_person: float
    people_at_least: int
    equipment: bool
    text: str


def lifting(kg: Number) -> Lifting:
    """Return people and equipment for a weight, by the load constant of NIOSH Pub. 94-110.

    The upper end of the interval is what must be carried. The constant is for one person under
    ideal conditions; no weight is declared safe by it. Equipment from more than two of them up is
    common practice, no source. Local rules and qualified people decide.

    Examples
    --------
    >>> lifting(73.0).people_at_least, lifting(73.0).equipment
    (4, True)
    """
    checked(kg, "kg", "weight", over=0)
    if isinstance(kg, Estimate) and not kg.determined:
        return Lifting(float("nan"), 0, True, f"weight not determined: {kg.reason}")
    most = kg.interval[1] if isinstance(kg, Estimate) else float(kg)
    times = most / LOAD_CONSTANT_KG
    people = math.ceil(times - 1e-9)
    upper = f"up to {round_sum(most, 1, 'up'):.0f} kg ({round_sum(pounds(most), 1, 'up'):.0f} lb)"
    limit = "51 lb (23 kg), what one person lifts under ideal conditions (NIOSH)"
    if people <= 1:
        text = f"{upper}: within {limit}; less with reach, height, twist or poor grip"
    elif people == 2:
        text = f"{upper}: {times:.1f} times {limit}: two people at least, more where it is awkward"
    else:
        text = (
            f"{upper}: {times:.1f} times {limit}: use a cart, hoist or forklift; by hand not "
            f"fewer than {people} people even under ideal conditions"
        )
    return Lifting(times, people, people > 2, text)


@dataclass(frozen=True)
class Haul:
    """Several slabs on one vehicle.

    Attributes
    ----------
    kg : Estimate
        Total.
    heaviest_kg : Estimate
        The slab with the highest upper end: it decides how they are lifted.
    share_of_payload : float
        Upper end of the total over the payload; NaN without one.
    fits : bool or None
        Whether the upper end stays within the payload; None without one.
    text : str
    """

    kg: Estimate
    heaviest_kg: Estimate
    share_of_payload: float
    fits: bool | None
    text: str


def haul(slabs_kg: Sequence[Estimate], *, payload_kg: Number | None = None) -> Haul:
    """Return the weight of a load, kg, and whether it stays within a payload.

    Parameters
    ----------
    slabs_kg : sequence of Estimate (unit ``kg``)
        Slabs of one tree share their error draw by draw, so the total is as wide as it should be.
    payload_kg : float or Estimate (unit ``kg``), optional
        Rated payload less people, tools and straps. The interval's upper end is held against it.
    """
    if not slabs_kg:
        raise ValueError("no slab is given; a load needs at least one")
    for kg in slabs_kg:
        checked(kg, "kg", "weight", over=0)
    total = slabs_kg[0]
    for kg in slabs_kg[1:]:
        total = total + kg
    if not total.determined:
        nan = float("nan")
        return Haul(total, total, nan, None, f"not determined: {total.reason}")
    heaviest = max(slabs_kg, key=lambda kg: kg.interval[1])
    lo, hi = total.interval
    text = (
        f"{total.value:.0f} kg ({lo:.0f} to {hi:.0f}), {pounds(total.value):.0f} lb "
        f"({pounds(lo):.0f} to {pounds(hi):.0f})"
    )
    if payload_kg is None:
        return Haul(total, heaviest, float("nan"), None, text)
    checked(payload_kg, "kg", "payload", over=0)
    most = value_of(payload_kg)
    share = hi / most
    if share <= 1:
        word = f"within the payload of {most:.0f} kg ({pounds(most):.0f} lb)"
    elif lo > most:
        word = f"over the payload of {most:.0f} kg ({pounds(most):.0f} lb): two trips"
    else:
        word = (
            f"may be over the payload of {most:.0f} kg ({pounds(most):.0f} lb): too close to call"
        )
    return Haul(total, heaviest, share, share <= 1, f"{text}: {word}")
