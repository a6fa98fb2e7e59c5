"""A tally in words: what it can be, at which size it jumps, and how it was worked out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from slabvision.estimate import Estimate
from slabvision.trade.quantity import Number, propagate, value_of
from slabvision.trade.tally_rules import Rounding, TallyRule
from slabvision.units import FT2_MM2, MM_PER_IN, inches_text, round_sum

__all__ = [
    "UNIT_WORDS",
    "Jump",
    "jumps_of",
    "plain",
    "possible_figures",
    "statement",
    "where",
    "working",
]

UNIT_WORDS = {"bf": "board feet", "m3": "m³", "ft2": "square feet", "each": "piece"}
_MOST_FIGURES = 40
_SHOWN = 4


@dataclass(frozen=True)
class Jump:
    """Where a rule's figure jumps when one size changes.

    Attributes
    ----------
    what : str
        ``length``, ``width`` or ``thickness``.
    at_mm : float
        The size at which it jumps.
    figure : float
        Beyond it.
    upward : bool
        Whether the size has to be larger.
    reached : bool
        The figure holds at the size itself, not only beyond.
    """

    what: str
    at_mm: float
    figure: float
    upward: bool
    reached: bool


def plain(number: float) -> str:
    """Write a figure without a tail of zeros.

    >>> plain(54.0), plain(34.5), plain(0.0792)
    ('54', '34.5', '0.0792')
    """
    return f"{round(number, 4):.10g}"


def possible_figures(figures: Estimate) -> tuple[tuple[float, float], ...]:
    """Return the figures met among the draws with their share; empty when they are smooth."""
    if not figures.determined:
        return ()
    met, counts = np.unique(np.round(figures.draws, 9), return_counts=True)
    if len(met) > _MOST_FIGURES:
        return ()
    shares = counts / figures.draws.size
    return tuple((float(f), float(p)) for f, p in zip(met, shares, strict=True))


def jumps_of(
    figure: Callable[..., Any], inputs: tuple[Number, ...], with_thickness: bool
) -> tuple[Jump, ...]:
    """Return the jumps each uncertain size can cause within its 95 % interval.

    Parameters
    ----------
    figure : callable
        Figure from (length, widths…, thickness).
    inputs : tuple of float or Estimate
        In that order.
    with_thickness : bool
        Whether the last input is a thickness.

    Notes
    -----
    One size varies at a time, the others at their best values; all widths move together. The
    figure never falls when a size grows, so each jump is found by halving.
    """
    values = [value_of(n) for n in inputs]
    if any(np.isnan(v) for v in values):
        return ()
    last = len(inputs) - 1 if with_thickness else len(inputs)
    groups = {"length": [0], "width": list(range(1, last))}
    if with_thickness:
        groups["thickness"] = [last]
    found: list[Jump] = []
    for what, places in groups.items():
        size = propagate(lambda *w: sum(w) / len(w), "mm", *(inputs[i] for i in places))
        if not isinstance(size, Estimate):
            continue
        lo, hi = size.interval

        def at(mm: float, places: list[int] = places, best: float = size.value) -> float:
            moved = list(values)
            for i in places:
                moved[i] += mm - best
            return float(figure(*moved))

        found += _search(what, at, size.value, hi, upward=True)
        found += _search(what, at, size.value, lo, upward=False)
    return tuple(found)


def _search(
    what: str, at: Callable[[float], float], start: float, end: float, *, upward: bool
) -> list[Jump]:
    found: list[Jump] = []
    here = start
    while len(found) < _SHOWN and (end > here if upward else end < here):
        now = at(here)
        if abs(at(end) - now) < 1e-9:
            break
        near, far = here, end
        for _ in range(60):
            middle = (near + far) / 2
            if abs(at(middle) - now) < 1e-9:
                near = middle
            else:
                far = middle
        neat = round(far / MM_PER_IN * 16) / 16 * MM_PER_IN
        place = neat if abs(neat - far) < 1e-5 else far
        found.append(Jump(what, place, at(far), upward, abs(at(place) - at(far)) < 1e-9))
        here = far
    return found


def statement(
    unit: str,
    figures: Estimate,
    possible: tuple[tuple[float, float], ...],
    jumps: tuple[Jump, ...],
) -> str:
    """Say a figure: in jumps when the rule rounds, with an interval when it does not."""
    words = UNIT_WORDS[unit]
    if unit == "each":
        return "1 piece"
    if not figures.determined:
        return f"not determined: {figures.reason}"
    lo, hi = figures.interval
    if possible or hi - lo < 1e-9:
        places = 4 if unit == "m3" else 2

        def written(figure: float) -> str:
            return plain(round(figure, places))

        parts = [written(figures.value)]
        for jump in jumps:
            if len(parts) > _SHOWN:
                parts.append(f"in all {written(possible[0][0])} to {written(possible[-1][0])}")
                break
            parts.append(f"{written(jump.figure)} if the {where(jump, unit)}")
        if len(parts) == 1:
            return f"{parts[0]} {words}"
        return f"{parts[0]}, or " + ", or ".join(parts[1:])
    if unit == "m3":
        return f"{figures.value:.4f} {words} ({lo:.4f} to {hi:.4f})"
    step = 0.5 if figures.value >= 10 else 0.1
    value, low, high = (
        round_sum(figures.value, step),
        round_sum(lo, step, "down"),
        round_sum(hi, step, "up"),
    )
    return f"{plain(value)} {words} ({plain(low)} to {plain(high)})"


def where(jump: Jump, unit: str) -> str:
    """Say which size a jump takes: ``width is over 27 1/2 in``."""
    if unit == "m3":
        size, neat = f"{jump.at_mm:.0f} mm", True
    else:
        steps = jump.at_mm / MM_PER_IN * 16
        neat = abs(steps - round(steps)) < 1e-3
        size = inches_text(jump.at_mm, sixteenths=1) if neat else f"{steps / 16:.2f} in"
    if jump.reached and neat:
        return f"{jump.what} is {size} or {'more' if jump.upward else 'less'}"
    return f"{jump.what} is {'over' if jump.upward else 'under'} {size}"


_WAY = {"nearest": "nearest", "down": "down", "up": "up", "alternate": "nearest"}


def working(
    rule: TallyRule, inputs: tuple[Number, ...], with_thickness: bool, *, half_up: bool = True
) -> tuple[str, ...]:
    """Write out how a figure came about, one step a line."""
    if rule.basis == "each":
        return ("one piece",)
    values = [value_of(n) for n in inputs]
    if any(np.isnan(v) for v in values):
        return ()
    metric = rule.unit == "m3"

    def size(mm: float) -> str:
        return f"{mm:.0f} mm" if metric else f"{plain(round(mm / MM_PER_IN, 3))} in"

    def step(what: str, rounding: Rounding, mm: float) -> tuple[str, float]:
        after = float(rounding(mm, half_up=half_up))
        if rounding.step == 0:
            return f"{what} {size(mm)}", after
        return f"{what} {size(mm)} -> {size(after)} ({_WAY[rounding.toward]})", after

    length = values[0]
    widths = values[1:-1] if with_thickness else values[1:]
    lines = [step("length", rule.length_mm, length)[0]]
    each = [float(rule.width_each_mm(w, half_up=half_up)) for w in widths]
    mean = sum(each) / len(each)
    shown = " + ".join(plain(round(w if metric else w / MM_PER_IN, 3)) for w in each)
    label = f"width ({shown}) / {len(each)} =" if len(each) > 1 else "width"
    lines.append(step(label, rule.width_mm, mean)[0])
    raw = float(rule.raw_surface(length, widths, half_up=half_up))
    surface = float(rule.surface_ft2(raw, half_up=half_up))
    name = "surface measure" if rule.basis == "surface" else "area"
    area = f"{name} {raw * FT2_MM2 / 1e6:.4f} m²" if metric else f"{name} {raw:.3f} ft²"
    lines.append(area if rule.surface_ft2.step == 0 else f"{area} -> {plain(surface)}")
    final = values[-1] if with_thickness else 1.0
    if with_thickness:
        counted = float(rule.thickness_mm(final, half_up=half_up))
        line = step("thickness", rule.thickness_mm, final)[0]
        if counted < rule.thickness_least_mm:
            line += f", counts as {size(rule.thickness_least_mm)}"
        lines.append(line)
    figure = float(rule.figure(length, widths, final, half_up=half_up))
    if rule.total.step > 0:
        before = float(rule.before_total(length, widths, final, half_up=half_up))
        lines.append(f"figure {before:.2f} -> {plain(figure)} ({_WAY[rule.total.toward]})")
    return tuple(lines)
