"""Numbers of a report: each with its unit and interval, or the reason why there is none."""

from __future__ import annotations

import math
from typing import Literal

from slabvision.estimate import Estimate
from slabvision.findings import Budget
from slabvision.report.markup import Html, el
from slabvision.show import area_words, board_feet_words, length_words
from slabvision.units import LB_KG, round_sum

__all__ = ["area", "board_feet", "length", "money", "percent", "spread", "weight", "why_not"]

Unit = Literal["in", "mm"]


def why_not(reason: str) -> Html:
    """Return the reason why a number is missing."""
    return el("span", f"not determined: {reason or 'no reason was kept'}", class_="why")


def _step(value: float, lo: float, hi: float) -> float:
    width = max(hi - lo, abs(value) * 1e-3, 1e-9) / 8
    power = 10.0 ** math.floor(math.log10(width))
    return max(step * power for step in (1, 2, 5) if step * power <= width)


def spread(
    estimate: Estimate, unit: str, *, per: float = 1.0, step: float | None = None
) -> Html | str:
    """Write ``14.4 % (13.1 to 15.8)``, the interval rounded outwards.

    Parameters
    ----------
    estimate : Estimate
    unit : str
        As shown.
    per : float
        How many of the estimate's unit make one of the shown.
    step : float, optional
        Rounding; otherwise what is known decides.
    """
    if not estimate.determined:
        return why_not(estimate.reason)
    value = estimate.value / per
    lo, hi = (end / per for end in estimate.interval)
    by = step or _step(value, lo, hi)
    places = max(0, -math.floor(math.log10(by) + 1e-9))

    def shown(number: float, toward: str) -> str:
        text = f"{round_sum(number, by, toward):,.{places}f}"
        return text.removeprefix("-") if float(text.replace(",", "")) == 0 else text

    if hi == lo:
        return f"{shown(value, 'nearest')} {unit}"
    space = "" if unit.startswith("°") else " "
    return (
        f"{shown(value, 'nearest')}{space}{unit} ({shown(lo, 'down')} to {shown(hi, 'up')})".strip()
    )


def area(budget: Budget, unit: Unit) -> Html | str:
    """Write an area, ft² or m²."""
    return area_words(budget, unit) if budget.determined else why_not(budget.estimate.reason)


def length(number: Budget | Estimate, unit: Unit, *, sixteenths: int = 4) -> Html | str:
    """Write a length, inches and fractions or mm."""
    budget = number if isinstance(number, Budget) else Budget(number)
    if not budget.determined:
        return why_not(budget.estimate.reason)
    return length_words(budget, unit, sixteenths=sixteenths)


def board_feet(budget: Budget) -> Html | str:
    """Write board feet."""
    return board_feet_words(budget) if budget.determined else why_not(budget.estimate.reason)


def weight(kg: Estimate, unit: Unit) -> Html | str:
    """Write a weight, lb or kg, to whole numbers."""
    if unit == "mm":
        return spread(kg, "kg", step=1.0)
    return spread(kg, "lb", per=LB_KG, step=1.0)


def percent(estimate: Estimate, unit: str = "%") -> Html | str:
    """Write a share of moisture, %, to a tenth."""
    return spread(estimate, unit, step=0.1)


def money(estimate: Estimate, currency: str, *, cents: bool = True) -> Html | str:
    """Write an amount of money with its interval."""
    return spread(estimate, currency, step=0.01 if cents else 1.0)
