"""Moisture: what the air asks for, what a destination wants, and what is still to lose.

Moisture content is in percent of ovendry mass. Equilibrium moisture content (EMC) follows the
Wood Handbook (GTR-190/GTR-282, eq. 4-5, after Simpson 1973).
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from slabvision.estimate import DRAWS, Estimate, MixedUnitsError
from slabvision.trade.quantity import Number, as_estimate, checked, draws_of, propagate, value_of
from slabvision.units import celsius

__all__ = [
    "DESTINATIONS",
    "HYSTERESIS_U_PCT",
    "Destination",
    "PointsToLose",
    "destination",
    "emc_glass_pct",
    "emc_pct",
    "emc_pct_from_fahrenheit",
    "points_to_lose",
    "room_target_pct",
]

HYSTERESIS_U_PCT = 0.7
"""Standard uncertainty of an EMC for a real board, points of moisture. Derived: drying and wetting
boards differ by 1 to 4 points at 50 % RH (Swedish Wood) and Table 4-2 lies midway (GTR-282 p.4-4);
half of the mean difference, 1.25, taken as the half-width of a rectangle."""

_LOW_C, _HIGH_C = celsius(30.0), celsius(270.0)
_LOW_RH, _HIGH_RH = 5.0, 95.0

_CELSIUS = ((349.0, 1.29, 0.0135), (0.805, 0.000736, -0.00000273),
            (6.27, -0.00938, -0.000303), (1.91, 0.0407, -0.000293))  # fmt: skip
_FAHRENHEIT = ((330.0, 0.452, 0.00415), (0.791, 0.000463, -0.000000844),
               (6.34, 0.000775, -0.0000935), (1.09, 0.0284, -0.0000904))  # fmt: skip


def _equation_4_5(temp: Any, rh_pct: Any, constants: Any) -> Any:
    w, k, k1, k2 = (a + b * temp + c * temp**2 for a, b, c in constants)
    kh = k * np.clip(np.asarray(rh_pct, dtype=np.float64) / 100.0, 0.0, 0.999)
    product, square = k1 * kh, k1 * k2 * kh**2
    return 1800.0 / w * (kh / (1.0 - kh) + (product + 2.0 * square) / (1.0 + product + square))


def _climate(temp_c: Number, rh_pct: Number, temp_unit: str = "degC") -> None:
    """Check a climate; an estimate's temperature carries the unit ``degC``."""
    checked(rh_pct, "%", "relative humidity", at_least=_LOW_RH, at_most=_HIGH_RH)
    if isinstance(temp_c, Estimate) and temp_c.unit != temp_unit:
        raise MixedUnitsError(
            f"temperature is in {temp_c.unit or 'no unit'}; it must be in {temp_unit}"
        )
    value = value_of(temp_c)
    if not _LOW_C - 0.05 <= value <= _HIGH_C + 0.05:
        raise ValueError(
            f"temperature is {value:g} °C; the handbook's table runs from {_LOW_C:.1f} to "
            f"{_HIGH_C:.0f} °C (30 to 270 °F): use the nearest climate it covers"
        )


def emc_pct(temp_c: Number, rh_pct: Number) -> Number:
    """Return equilibrium moisture content, %, at a temperature (°C) and relative humidity (%).

    Parameters
    ----------
    temp_c : float or Estimate (unit ``degC``)
        -1.1 to 132 °C.
    rh_pct : float or Estimate (unit ``%``)
        5 to 95 %.

    Notes
    -----
    Wood Handbook eq. 4-5 with the constants for °C (GTR-190 and GTR-282 p.4-3; Simpson 1973). It
    reproduces Table 4-2 within 0.06; the fitted table itself deviates by 0.13 on average.

    Examples
    --------
    >>> round(emc_pct(21.1, 50.0), 1)  # Table 4-2: 9.2
    9.2
    """
    _climate(temp_c, rh_pct)
    return propagate(lambda t, h: _equation_4_5(t, h, _CELSIUS), "%", temp_c, rh_pct)


def emc_pct_from_fahrenheit(temp_f: float, rh_pct: Number) -> Number:
    """Return equilibrium moisture content, %, by the handbook's own constants for °F.

    The two sets of constants agree within 0.013 points from 30 to 120 °F.

    >>> round(emc_pct_from_fahrenheit(70.0, 50.0), 2)
    9.25
    """
    _climate(celsius(temp_f), rh_pct)
    return propagate(lambda h: _equation_4_5(temp_f, h, _FAHRENHEIT), "%", rh_pct)


def emc_glass_pct(temp_c: Number, rh_pct: Number) -> Number:
    """Return equilibrium moisture content, %, by the other published equation.

    GTR-282 eq. 4-6 (Glass and others 2014). At 21 °C it lies up to 1 point above eq. 4-5 at high
    humidity and does not reproduce Table 4-2: shown beside it, never averaged with it.

    >>> round(emc_glass_pct(21.1, 50.0), 2)
    9.41
    """
    _climate(temp_c, rh_pct)

    def equation(temp: Any, rh: Any) -> Any:
        kelvin = temp + 273.15
        base = -0.000612 * kelvin * (1.0 - kelvin / 647.1) ** 2.43
        return 100.0 * (base * np.log(1.0 - np.clip(rh / 100.0, 0.0, 0.999))) ** (
            0.0577 * kelvin**0.430
        )

    return propagate(equation, "%", temp_c, rh_pct)


# Where the piece will live -----------------------------------------------------------------------


@dataclass(frozen=True)
class Destination:
    """A place a finished piece lives in, with the moisture it will settle at.

    Attributes
    ----------
    key, title : str
    low_pct, high_pct : float
        Moisture as published; equal where one figure is given.
    source : str
    """

    key: str
    title: str
    low_pct: float
    high_pct: float
    source: str

    @property
    def middle_pct(self) -> float:
        """Middle of the published range, %."""
        return (self.low_pct + self.high_pct) / 2

    def target_pct(self, *, draws: int = DRAWS) -> Estimate:
        """Return the moisture a piece will settle at, %: rectangle over the range, and hysteresis.

        Rooms of one kind share their error over a visit.
        """
        half = (self.high_pct - self.low_pct) / 2
        u = float(np.hypot(half / np.sqrt(3.0), HYSTERESIS_U_PCT))
        return Estimate.normal(self.middle_pct, u, "%", name=f"destination:{self.key}", draws=draws)


_FIG_13_1 = "GTR-190 Fig. 13-1 / Table 13-2, secondary copy"
_F13 = "FPL Technical Note F-13"
_OSU = "Oregon State University Extension EM 8612-E"

DESTINATIONS = MappingProxyType(
    {
        d.key: d
        for d in (
            Destination("interior", "indoors, most of the US", 8.0, 8.0, _FIG_13_1),
            Destination("interior-dry", "indoors, dry Southwest of the US", 6.0, 6.0, _FIG_13_1),
            Destination("interior-damp", "indoors, damp coastal South of the US", 11.0, 11.0,
                        _FIG_13_1),
            Destination("furniture", "hardwood for furniture, as dried", 6.0, 8.0,
                        "GTR-190 ch. 13"),
            Destination("heated", "heated rooms or arid Southwest", 4.0, 6.0, _F13),
            Destination("sheltered", "outdoors under cover, northern US", 12.0, 12.0, _F13),
            Destination("sheltered-west-oregon", "outdoors under cover, western Oregon",
                        12.0, 14.0, _OSU),
            Destination("sheltered-east-oregon", "outdoors under cover, eastern Oregon",
                        8.0, 10.0, _OSU),
        )
    }
)  # fmt: skip
"""Published in-use moisture, by key. Ranges of single pieces are not printed where a single figure
is given: the interval then holds hysteresis alone."""


def destination(key: str) -> Destination:
    """Return a destination, or raise ``ValueError`` that lists them."""
    try:
        return DESTINATIONS[key]
    except KeyError:
        raise ValueError(
            f"destination {key!r} is not known; one of {', '.join(DESTINATIONS)}, "
            "or give the room's temperature and humidity"
        ) from None


def room_target_pct(
    temp_c: float, rh_low_pct: float, rh_high_pct: float, *, draws: int = DRAWS
) -> Estimate:
    """Return the moisture a piece settles at in a room, %, over its yearly range of humidity.

    Midway between the EMC at the lowest and the highest humidity; the interval spans both, with
    hysteresis. A thick top follows the seasons only in part, so the true swing is smaller.
    """
    if rh_low_pct > rh_high_pct:
        raise ValueError(
            f"humidity runs from {rh_low_pct:g} to {rh_high_pct:g} %; give the low one first"
        )
    low = value_of(emc_pct(temp_c, rh_low_pct))
    high = value_of(emc_pct(temp_c, rh_high_pct))
    place = Destination(f"room:{temp_c:g}:{rh_low_pct:g}:{rh_high_pct:g}", "room", low, high, "")
    return place.target_pct(draws=draws)


@dataclass(frozen=True)
class PointsToLose:
    """What still has to dry out (or come back).

    Attributes
    ----------
    points : Estimate
        Moisture now minus target, percentage points; below 0 the wood will take up moisture.
    water_kg : Estimate or None
        The same as water, when a weight is known.
    text : str
    """

    points: Estimate
    water_kg: Estimate | None
    text: str


def points_to_lose(
    mc_pct: Number, target_pct: Number, *, weight_kg: Number | None = None
) -> PointsToLose:
    """Return moisture still to lose, points, and as water when the slab's weight is known.

    Parameters
    ----------
    mc_pct, target_pct : float or Estimate (unit ``%``)
        Moisture now, and in use.
    weight_kg : float or Estimate (unit ``kg``), optional
        Weight now.

    Examples
    --------
    >>> points_to_lose(13.0, 8.0).text
    '5.0 points still to lose'
    """
    checked(mc_pct, "%", "moisture", at_least=0, at_most=400)
    checked(target_pct, "%", "target moisture", at_least=0, at_most=30)
    draws = draws_of([mc_pct, target_pct]) or DRAWS
    points = as_estimate(propagate(lambda a, b: a - b, "%", mc_pct, target_pct), "%", draws=draws)
    water: Estimate | None = None
    if weight_kg is not None:
        checked(weight_kg, "kg", "weight", over=0)
        lost = propagate(
            lambda kg, a, b: kg * (a - b) / (100.0 + a), "kg", weight_kg, mc_pct, target_pct
        )
        water = as_estimate(lost, "kg", draws=draws)
    return PointsToLose(points, water, _points_text(points))


def _points_text(points: Estimate) -> str:
    if not points.determined:
        return f"not determined: {points.reason}"
    lo, hi = points.interval
    span = "" if hi - lo < 0.05 else f" ({lo:.1f} to {hi:.1f})"
    if points.value < -0.05:
        span = "" if hi - lo < 0.05 else f" ({-hi:.1f} to {-lo:.1f})"
        return f"{-points.value:.1f} points drier than its place: it will swell{span}"
    if hi > 0 > lo:
        return f"{points.value:.1f} points still to lose{span}: may be there already"
    return f"{points.value:.1f} points still to lose{span}"
