"""A slab's drying log: dated weighings and meter readings, and what they say together."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from slabvision.estimate import DRAWS, Estimate
from slabvision.trade.quantity import Number, as_estimate, checked, draws_of, propagate, value_of

__all__ = ["DryingLog", "DryingStep", "LogEntry", "drying_log", "mc_from_masses_pct"]


@dataclass(frozen=True)
class LogEntry:
    """One line of the log.

    Attributes
    ----------
    on : date
    weight_kg : float or Estimate (unit ``kg``), optional
    mc_pct : float or Estimate (unit ``%``), optional
        Moisture by meter, corrected, or from an ovendry sample.
    """

    on: date
    weight_kg: Number | None = None
    mc_pct: Number | None = None

    def __post_init__(self) -> None:
        if self.weight_kg is None and self.mc_pct is None:
            raise ValueError(f"log of {self.on.isoformat()} has neither a weight nor a reading")
        if self.weight_kg is not None:
            checked(self.weight_kg, "kg", f"weight of {self.on.isoformat()}", over=0)
        if self.mc_pct is not None:
            checked(self.mc_pct, "%", f"moisture of {self.on.isoformat()}", at_least=0, at_most=400)


@dataclass(frozen=True)
class DryingStep:
    """One line of the answer.

    Attributes
    ----------
    on : date
    by_weight_pct, by_meter_pct : Estimate or None
        Moisture from the weighing (through the ovendry weight) and as read.
    points_per_week : float
        Loss since the line before, by the better of the two; NaN on the first line.
    """

    on: date
    by_weight_pct: Estimate | None
    by_meter_pct: Estimate | None
    points_per_week: float

    @property
    def mc_pct(self) -> Estimate:
        """The weighing's figure where there is one, otherwise the meter's."""
        best = self.by_weight_pct if self.by_weight_pct is not None else self.by_meter_pct
        assert best is not None  # an entry has one or the other, or it is not a step
        return best


@dataclass(frozen=True)
class DryingLog:
    """The log worked out.

    Attributes
    ----------
    steps : tuple of DryingStep
        In order of date.
    ovendry_kg : Estimate
        Ovendry weight it is based on; not determined without a weighing and a reading together.
    weeks_at_least : float
        Weeks to the target at the last rate; drying slows down, so it takes longer. NaN when
        there is no target, no loss, or nothing to lose.
    texts : tuple of str
    """

    steps: tuple[DryingStep, ...]
    ovendry_kg: Estimate
    weeks_at_least: float
    texts: tuple[str, ...]


def mc_from_masses_pct(weight_kg: Number, ovendry_kg: Number) -> Number:
    """Return moisture, %: 100 (wet - dry) / dry (ovendry basis, ASTM D4442).

    >>> mc_from_masses_pct(56.0, 50.0)
    12.0
    """
    checked(weight_kg, "kg", "weight", over=0)
    checked(ovendry_kg, "kg", "ovendry weight", over=0)
    return propagate(lambda wet, dry: 100.0 * (wet - dry) / dry, "%", weight_kg, ovendry_kg)


def drying_log(
    entries: Sequence[LogEntry],
    *,
    ovendry_kg: Number | None = None,
    target_pct: Number | None = None,
) -> DryingLog:
    """Return moisture at each date, the rate, and where weighing and meter disagree.

    Parameters
    ----------
    entries : sequence of LogEntry
        In any order.
    ovendry_kg : float or Estimate (unit ``kg``), optional
        When known; otherwise it follows from the last date with both a weight and a reading
        below 30 % (meters are surest there): weight / (1 + MC / 100).
    target_pct : float or Estimate (unit ``%``), optional

    Raises
    ------
    ValueError
        No entry, or two entries of one date.
    """
    if not entries:
        raise ValueError("the log is empty; add a dated weight or reading")
    ordered = sorted(entries, key=lambda e: e.on)
    for first, second in itertools.pairwise(ordered):
        if first.on == second.on:
            raise ValueError(f"the log has two lines of {first.on.isoformat()}; join them")
    numbers = [n for e in ordered for n in (e.weight_kg, e.mc_pct) if n is not None]
    draws = draws_of([*numbers, *(n for n in (ovendry_kg, target_pct) if n is not None)]) or DRAWS
    dry = _ovendry(ordered, ovendry_kg, draws)
    steps: list[DryingStep] = []
    for entry in ordered:
        by_weight: Estimate | None = None
        if entry.weight_kg is not None and dry.determined:
            by_weight = as_estimate(mc_from_masses_pct(entry.weight_kg, dry), "%", draws=draws)
        meter = entry.mc_pct
        by_meter = as_estimate(meter, "%", draws=draws) if meter is not None else None
        if by_weight is None and by_meter is None:
            continue
        step = DryingStep(entry.on, by_weight, by_meter, float("nan"))
        if steps:
            days = (step.on - steps[-1].on).days
            lost = steps[-1].mc_pct.value - step.mc_pct.value
            step = DryingStep(entry.on, by_weight, by_meter, lost / days * 7.0)
        steps.append(step)
    weeks, texts = _outlook(steps, target_pct)
    if not dry.determined:
        texts.append(dry.reason)
    return DryingLog(tuple(steps), dry, weeks, (*_disagreements(steps), *texts))


def _ovendry(entries: Sequence[LogEntry], given: Number | None, draws: int) -> Estimate:
    if given is not None:
        checked(given, "kg", "ovendry weight", over=0)
        return as_estimate(given, "kg", draws=draws)
    for entry in reversed(entries):
        if entry.weight_kg is None or entry.mc_pct is None or value_of(entry.mc_pct) >= 30:
            continue
        dry = propagate(lambda w, mc: w / (1.0 + mc / 100.0), "kg", entry.weight_kg, entry.mc_pct)
        return as_estimate(dry, "kg", draws=draws)
    return Estimate.undetermined(
        "ovendry weight not known: weigh and read the meter on one day, below 30 %", "kg",
        draws=draws,
    )  # fmt: skip


def _disagreements(steps: Sequence[DryingStep]) -> list[str]:
    texts = []
    for step in steps:
        if step.by_weight_pct is None or step.by_meter_pct is None:
            continue
        gap = step.by_weight_pct.value - step.by_meter_pct.value
        if abs(gap) > 2.0:
            texts.append(
                f"{step.on.isoformat()}: {step.by_weight_pct.value:.1f} % by weight, "
                f"{step.by_meter_pct.value:.1f} % by meter: they do not agree"
            )
    return texts


def _outlook(steps: Sequence[DryingStep], target: Number | None) -> tuple[float, list[str]]:
    nan = float("nan")
    if not steps:
        return nan, []
    last = steps[-1]
    rate = last.points_per_week
    texts: list[str] = []
    if not np.isnan(rate):
        word = "loses" if rate >= 0 else "gains"
        texts.append(f"{word} {abs(rate):.2f} points a week at the last rate")
    if target is None:
        return nan, texts
    checked(target, "%", "target moisture", at_least=0, at_most=30)
    left = last.mc_pct.value - value_of(target)
    if left <= 0:
        return 0.0, [*texts, f"at or below the target of {value_of(target):g} %"]
    if np.isnan(rate) or rate <= 0:
        return nan, [*texts, f"{left:.1f} points above the target, and no loss to go by"]
    weeks = left / rate
    texts.append(
        f"{left:.1f} points above the target: at least {weeks:.0f} weeks more (drying slows down)"
    )
    return weeks, texts
