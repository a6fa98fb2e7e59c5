"""Numbers that may or may not carry an interval: one way to check them and to compute with them.

Every function of :mod:`slabvision.trade` takes a plain float or an
:class:`~slabvision.estimate.Estimate` for each of its numbers. Plain floats in, plain float out;
one estimate among them, and the answer is an estimate whose draws went through the same formula.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, TypeAlias

import numpy as np

from slabvision.estimate import DRAWS, Estimate, MixedUnitsError

__all__ = ["Number", "as_estimate", "checked", "draws_of", "propagate", "value_of", "values_of"]

Number: TypeAlias = float | Estimate
"""A plain number in the unit its name says, or an estimate carrying that unit."""


def checked(
    number: Number,
    unit: str,
    what: str,
    *,
    over: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
) -> Number:
    """Return ``number`` after checking its unit and range.

    Parameters
    ----------
    number : float or Estimate
        What came in.
    unit : str
        The unit the name of the argument promises, for instance ``"mm"``.
    what : str
        The name a person knows it by; begins the error.
    over, at_least, at_most : float, optional
        Range of the best value, in ``unit``.

    Raises
    ------
    MixedUnitsError
        An estimate of another unit.
    ValueError
        Not finite, or outside the range.
    """
    if isinstance(number, Estimate):
        if number.unit != unit:
            raise MixedUnitsError(
                f"{what} is in {number.unit or 'no unit (a ratio)'}; it must be in "
                f"{unit or 'no unit (a ratio)'}"
            )
        if not number.determined:
            return number
        value = number.value
    else:
        value = number = float(number)
    said = f"{what} is {value:g}{' ' + unit if unit else ''}"
    if not math.isfinite(value):
        raise ValueError(f"{said}; it must be a number")
    if over is not None and not value > over:
        raise ValueError(f"{said}; it must be over {over:g}")
    if at_least is not None and value < at_least:
        raise ValueError(f"{said}; it must be {at_least:g} or more")
    if at_most is not None and value > at_most:
        raise ValueError(f"{said}; it must be {at_most:g} or less")
    return number


def value_of(number: Number) -> float:
    """Return the best value of a float or an estimate."""
    return number.value if isinstance(number, Estimate) else float(number)


def values_of(number: Number) -> Any:
    """Return the draws of an estimate, or the float itself: what a formula is fed with."""
    return number.draws if isinstance(number, Estimate) else float(number)


def draws_of(numbers: Sequence[Number]) -> int:
    """Return how many draws the estimates among ``numbers`` have; 0 when all are floats.

    Raises
    ------
    ValueError
        Estimates of different numbers of draws do not share their worlds.
    """
    sizes = {n.draws.size for n in numbers if isinstance(n, Estimate)}
    if len(sizes) > 1:
        raise ValueError(
            f"estimates of {' and '.join(map(str, sorted(sizes)))} draws do not share their worlds"
        )
    return sizes.pop() if sizes else 0


def propagate(function: Callable[..., Any], unit: str, *numbers: Number) -> Number:
    """Evaluate a formula on floats or, draw by draw, on estimates (JCGM 101:2008, clause 7.4).

    Parameters
    ----------
    function : callable
        Takes one array or float per number; works elementwise.
    unit : str
        Unit of the result.
    *numbers : float or Estimate
        The arguments.

    Returns
    -------
    float or Estimate
        A float when every argument is one; not determined, with the first reason, when an
        argument is not determined.

    Examples
    --------
    >>> propagate(lambda a, b: a * b, "mm2", 3.0, 4.0)
    12.0
    """
    draws = draws_of(numbers)
    if draws == 0:
        return float(function(*(value_of(n) for n in numbers)))
    missing = [n for n in numbers if isinstance(n, Estimate) and not n.determined]
    if missing:
        return Estimate.undetermined(missing[0].reason, unit, draws=draws)
    value = float(function(*(value_of(n) for n in numbers)))
    spread = np.broadcast_to(function(*(values_of(n) for n in numbers)), (draws,))
    return Estimate(value, spread, unit)


def as_estimate(number: Number, unit: str, *, draws: int = DRAWS) -> Estimate:
    """Return a float as an exact estimate; an estimate as it is."""
    if isinstance(number, Estimate):
        return number
    return Estimate.exact(number, unit, draws=draws)
