"""What the wood really costs: price, tax, haul, kiln, flattening and fill, per board foot.

Three divisors stand side by side: the gross board feet that are paid for, the clear ones that can
be used, and the finished ones that end up in the piece. How the costs are added up is common
practice, no source; every amount is the person's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np

from slabvision.estimate import DRAWS, Estimate
from slabvision.trade.quantity import Number, as_estimate, checked, draws_of, propagate

__all__ = ["CostLine", "Fee", "LandedCost", "landed_cost"]

Per = Literal["slab", "board foot", "square foot", "hour", "pound", "kg"]
_UNITS = {"slab": "", "board foot": "bf", "square foot": "ft2", "hour": "h", "pound": "lb",
          "kg": "kg"}  # fmt: skip

_LEAST_BF = 0.01
"""Below a hundredth of a board foot there is nothing to share the cost among."""


@dataclass(frozen=True)
class Fee:
    """One cost as it is charged.

    Attributes
    ----------
    what : str
        ``price``, ``haul``, ``kiln``, ``flattening``, ``fill``, or any other word.
    amount : float
        Money for one unit of ``per``.
    per : {"slab", "board foot", "square foot", "hour", "pound", "kg"}
        ``slab`` is a lump sum.
    quantity : float or Estimate, optional
        How many units; an estimate carries ``bf``, ``ft2``, ``h``, ``lb`` or ``kg``. Not needed
        for a lump sum.
    taxed : bool
        Whether sales tax is charged on it.
    """

    what: str
    amount: float
    per: Per = "slab"
    quantity: Number | None = None
    taxed: bool = False

    def __post_init__(self) -> None:
        checked(self.amount, "", f"amount of {self.what}", at_least=0)
        if self.per not in _UNITS:
            raise ValueError(f"{self.what} is charged per {self.per!r}; one of {', '.join(_UNITS)}")
        if self.per == "slab":
            if self.quantity is not None:
                raise ValueError(f"{self.what} is a lump sum; leave its quantity out")
        elif self.quantity is None:
            raise ValueError(f"{self.what} is charged per {self.per}; say how many")
        else:
            checked(self.quantity, _UNITS[self.per], f"quantity of {self.what}", at_least=0)

    @property
    def total(self) -> Number:
        """Money for the whole fee, without tax."""
        if self.quantity is None:
            return self.amount
        return propagate(lambda q: self.amount * q, "", self.quantity)


@dataclass(frozen=True)
class CostLine:
    """One line of the sum: what, and its money."""

    what: str
    money: Estimate


@dataclass(frozen=True)
class LandedCost:
    """What a slab costs once it is flat in the shop.

    Attributes
    ----------
    total : Estimate
        Money; carries no unit, the person's currency.
    lines : tuple of CostLine
        Each cost, tax as its own line.
    per_board_foot : mapping of str to Estimate
        ``gross``, ``clear``, ``finished``; not determined, with the reason, where the board feet
        are missing or may be none.
    """

    total: Estimate
    lines: tuple[CostLine, ...]
    per_board_foot: Mapping[str, Estimate]


def landed_cost(
    fees: Sequence[Fee],
    *,
    tax_pct: float = 0.0,
    gross_bf: Number | None = None,
    clear_bf: Number | None = None,
    finished_bf: Number | None = None,
) -> LandedCost:
    """Return the landed cost of a slab and what it makes each board foot cost.

    Parameters
    ----------
    fees : sequence of Fee
        At least one.
    tax_pct : float
        Sales tax on the fees marked ``taxed``.
    gross_bf, clear_bf, finished_bf : float or Estimate (unit ``bf``), optional

    Examples
    --------
    >>> fees = [Fee("price", 20.0, "board foot", 30.0), Fee("haul", 60.0)]
    >>> cost = landed_cost(fees, gross_bf=30.0, clear_bf=22.0)
    >>> cost.total.value, cost.per_board_foot["clear"].value
    (660.0, 30.0)
    """
    if not fees:
        raise ValueError("no cost is given; give at least the price")
    checked(tax_pct, "%", "tax", at_least=0, at_most=100)
    divisors = {"gross": gross_bf, "clear": clear_bf, "finished": finished_bf}
    numbers = [f.quantity for f in fees if f.quantity is not None]
    draws = draws_of([*numbers, *(d for d in divisors.values() if d is not None)]) or DRAWS
    lines = [CostLine(fee.what, as_estimate(fee.total, "", draws=draws)) for fee in fees]
    if tax_pct > 0:
        taxed = [line.money for fee, line in zip(fees, lines, strict=True) if fee.taxed]
        if not taxed:
            raise ValueError(f"tax of {tax_pct:g} % is given, but no cost is marked as taxed")
        base = Estimate.exact(0.0, draws=draws)
        for money in taxed:
            base = base + money
        lines.append(CostLine(f"tax {tax_pct:g} %", base * (tax_pct / 100)))
    total = Estimate.exact(0.0, draws=draws)
    for line in lines:
        total = total + line.money
    each = {name: _per(name, total, bf) for name, bf in divisors.items()}
    return LandedCost(total, tuple(lines), MappingProxyType(each))


def _per(name: str, total: Estimate, bf: Number | None) -> Estimate:
    draws = total.draws.size
    if bf is None:
        return Estimate.undetermined(f"{name} board feet not known", "bf-1", draws=draws)
    checked(bf, "bf", f"{name} board feet", at_least=0)
    amount = as_estimate(bf, "bf", draws=draws)
    if not amount.determined:
        return Estimate.undetermined(amount.reason, "bf-1", draws=draws)
    if amount.value < _LEAST_BF or bool(np.any(amount.draws < _LEAST_BF)):
        return Estimate.undetermined(f"{name} board feet may be none", "bf-1", draws=draws)
    return total / amount
