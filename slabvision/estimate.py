"""A measured number: a value and equally likely draws of what it could be.

Draw ``k`` stands for the same possible world in every estimate of a visit, so sums, ratios and
totals are plain NumPy arithmetic on the draws (Monte Carlo propagation of distributions,
JCGM 101:2008, clauses 5 and 7) and the interval is two percentiles of the result.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["DRAWS", "Estimate", "MixedUnitsError", "named_normals", "named_rng"]

DRAWS = 1000
"""Draws per estimate unless said otherwise."""

_PERCENTILES = (2.5, 97.5)

Floats: TypeAlias = NDArray[np.float64]


class MixedUnitsError(TypeError):
    """Two numbers of different units were added, subtracted or compared."""


def named_rng(name: str, seed: int = 0) -> np.random.Generator:
    """Return a random generator that depends on a name and a seed only.

    The name is hashed (SHA-256), so the same name gives the same stream on every machine,
    in every process and in any order of calls.
    """
    digest = hashlib.sha256(f"{seed}\x1f{name}".encode()).digest()
    return np.random.default_rng(np.frombuffer(digest, dtype=np.uint32))


def named_normals(name: str, draws: int = DRAWS, *, seed: int = 0) -> Floats:
    """Draw standard normal deviates for a thing known by its name.

    Whatever several photos share (this tape, this printed board, this phone) takes its error
    from here, so that draw ``k`` is the same error in each of them.

    Parameters
    ----------
    name : str
        Name of the shared thing, for instance ``"board:blue"``.
    draws : int
        Number of draws.
    seed : int
        Seed of the whole study; a visit uses 0.

    Returns
    -------
    ndarray of float, shape (draws,)
        Stratified: one deviate from the middle of each of ``draws`` equally likely slices, in
        random order, so mean and spread of the sample are right even for few draws.

    Examples
    --------
    >>> a = named_normals("tape:red", 4)
    >>> bool((a == named_normals("tape:red", 4)).all()), abs(round(float(a.mean()), 9))
    (True, 0.0)
    """
    from scipy.special import ndtri

    if draws < 2:
        raise ValueError(f"draws is {draws}; at least 2 are needed for an interval")
    ranks = named_rng(name, seed).permutation(draws)
    return np.asarray(ndtri((ranks + 0.5) / draws), dtype=np.float64)


def _powers(unit: str) -> dict[str, int]:
    powers: dict[str, int] = {}
    for word in unit.split():
        found = re.fullmatch(r"([A-Za-z%$]+)(-?\d+)?", word)
        if found is None:
            raise ValueError(f"unit {unit!r}: cannot read {word!r}; write for instance 'kg mm-3'")
        powers[found[1]] = powers.get(found[1], 0) + int(found[2] or 1)
    return powers


def _combine(a: str, b: str, sign: int) -> str:
    powers = _powers(a)
    for word, power in _powers(b).items():
        powers[word] = powers.get(word, 0) + sign * power
    kept = sorted(powers.items(), key=lambda item: (-item[1], item[0]))
    return " ".join(word if p == 1 else f"{word}{p}" for word, p in kept if p != 0)


@dataclass(frozen=True, eq=False)
class Estimate:
    """A number with its uncertainty.

    Attributes
    ----------
    value : float
        Best value; NaN where the number is not determined.
    draws : ndarray of float, shape (N,)
        Equally likely values; draw ``k`` is the same possible world in every estimate.
    unit : str
        ``"mm"``, ``"mm2"``, ``"kg"``, ``"%"``, ... or ``""`` for a plain ratio. Sums of
        different units raise :class:`MixedUnitsError`; products and ratios combine them.
    reason : str
        Why the number is not determined, and what to do; empty when it is.

    Examples
    --------
    >>> side = Estimate.normal(100.0, 1.0, "mm", name="tape:red")
    >>> area = side * side
    >>> area.value, area.unit
    (10000.0, 'mm2')
    >>> lo, hi = area.interval
    >>> round(lo, -1), round(hi, -1)
    (9610.0, 10390.0)
    >>> (side / side).interval  # the same tape: its error cancels
    (1.0, 1.0)
    """

    value: float
    draws: Floats
    unit: str = ""
    reason: str = ""

    def __post_init__(self) -> None:
        draws = np.array(self.draws, dtype=np.float64)
        if draws.ndim != 1 or draws.size < 2:
            raise ValueError(f"draws have shape {draws.shape}; (N,) with N of 2 or more is needed")
        draws.flags.writeable = False
        object.__setattr__(self, "draws", draws)
        object.__setattr__(self, "value", float(self.value))

    # Makers -------------------------------------------------------------------------------

    @classmethod
    def exact(cls, value: float, unit: str = "", *, draws: int = DRAWS) -> Estimate:
        """Return a number without uncertainty."""
        return cls(value, np.full(draws, float(value)), unit)

    @classmethod
    def normal(
        cls, value: float, u: float, unit: str = "", *, name: str, draws: int = DRAWS, seed: int = 0
    ) -> Estimate:
        """Return a number with standard uncertainty ``u``; ``name`` says whose error it is."""
        if not u >= 0:
            raise ValueError(f"standard uncertainty of {name} is {u}; it must be 0 or more")
        return cls(value, value + u * named_normals(name, draws, seed=seed), unit)

    @classmethod
    def undetermined(cls, reason: str, unit: str = "", *, draws: int = DRAWS) -> Estimate:
        """Return a number that the evidence does not determine, and why."""
        return cls(float("nan"), np.full(draws, np.nan), unit, reason)

    # What it says -------------------------------------------------------------------------

    @property
    def determined(self) -> bool:
        """Whether there is a number at all."""
        return not np.isnan(self.value)

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval: the 2.5th and 97.5th percentiles of the draws."""
        if not self.determined:
            return float("nan"), float("nan")
        lo, hi = np.percentile(self.draws, _PERCENTILES)
        return float(lo), float(hi)

    @property
    def u(self) -> float:
        """Standard uncertainty: the standard deviation of the draws."""
        return float(np.std(self.draws, ddof=1)) if self.determined else float("nan")

    def holds(self, truth: float) -> bool:
        """Whether the interval contains ``truth``."""
        lo, hi = self.interval
        return lo <= truth <= hi

    # Arithmetic ---------------------------------------------------------------------------

    def _other(self, other: Estimate | float, doing: str) -> tuple[float, Floats | float, str]:
        if not isinstance(other, Estimate):
            return float(other), float(other), ""
        if other.draws.size != self.draws.size:
            raise ValueError(
                f"cannot {doing} estimates of {self.draws.size} and {other.draws.size} draws: "
                "they do not share their worlds"
            )
        return other.value, other.draws, other.unit

    def _same_unit(self, other: Estimate | float, doing: str) -> None:
        unit = other.unit if isinstance(other, Estimate) else self.unit
        if unit != self.unit:
            raise MixedUnitsError(
                f"cannot {doing} {self.unit or 'a ratio'} and {unit or 'a ratio'}"
            )

    def _why(self, other: Estimate | float) -> str:
        return self.reason or (other.reason if isinstance(other, Estimate) else "")

    def __add__(self, other: Estimate | float) -> Estimate:
        self._same_unit(other, "add")
        value, draws, _ = self._other(other, "add")
        return Estimate(self.value + value, self.draws + draws, self.unit, self._why(other))

    __radd__ = __add__

    def __neg__(self) -> Estimate:
        return Estimate(-self.value, -self.draws, self.unit, self.reason)

    def __sub__(self, other: Estimate | float) -> Estimate:
        self._same_unit(other, "subtract")
        return self + (-other)

    def __rsub__(self, other: float) -> Estimate:
        return -self + other

    def __mul__(self, other: Estimate | float) -> Estimate:
        value, draws, unit = self._other(other, "multiply")
        return Estimate(
            self.value * value,
            self.draws * draws,
            _combine(self.unit, unit, 1),
            self._why(other),
        )

    __rmul__ = __mul__

    def __truediv__(self, other: Estimate | float) -> Estimate:
        value, draws, unit = self._other(other, "divide")
        if value == 0 or np.any(np.asarray(draws) == 0):
            raise ZeroDivisionError("the divisor can be 0 within its interval")
        return Estimate(
            self.value / value,
            self.draws / draws,
            _combine(self.unit, unit, -1),
            self._why(other),
        )

    def __rtruediv__(self, other: float) -> Estimate:
        return Estimate.exact(other, draws=self.draws.size) / self

    def __repr__(self) -> str:
        """Show value, interval and unit."""
        if not self.determined:
            return f"<not determined: {self.reason}>"
        lo, hi = self.interval
        return f"<{self.value:.6g} ({lo:.6g} to {hi:.6g}) {self.unit}>".replace(" >", ">")
