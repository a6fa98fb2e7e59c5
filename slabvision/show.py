"""Findings the way people read them: rounded to what is known, fractions, words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from slabvision.findings import SHRINKS, Budget, Findings, interval_halfwidth
from slabvision.text import plain
from slabvision.units import (
    BOARD_FOOT_MM3,
    FT2_MM2,
    IN2_MM2,
    inches_text,
    round_sum,
)

if TYPE_CHECKING:
    from rich.table import Table

__all__ = [
    "area_words",
    "board_feet_words",
    "explain_table",
    "findings_table",
    "length_words",
]

Unit = Literal["in", "mm"]


def _range(value: str, lo: str, hi: str, unit: str) -> str:
    """Write ``54 board feet (53 to 55)``."""
    return f"{value} {unit} ({lo} to {hi})"


def _steps(value: float, lo: float, hi: float) -> float:
    """Return a rounding step that fits what is known: a 1, 2 or 5 near a tenth of the interval."""
    width = max(hi - lo, abs(value) * 1e-4, 1e-9) / 8
    power = 10.0 ** math.floor(math.log10(width))
    return max(step * power for step in (1, 2, 5) if step * power <= width)


def _decimal(value: float, step: float, toward: str = "nearest") -> str:
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    return f"{round_sum(value, step, toward):,.{places}f}"


def _interval(budget: Budget, per: float, unit: str, step: float | None = None) -> str:
    if not budget.determined:
        return "not determined"
    value = budget.estimate.value / per
    lo, hi = (end / per for end in budget.estimate.interval)
    chosen = step or _steps(value, lo, hi)
    # Outwards, so that the interval shown is never narrower than the one computed.
    return _range(
        _decimal(value, chosen), _decimal(lo, chosen, "down"), _decimal(hi, chosen, "up"), unit
    )


def area_words(budget: Budget, unit: Unit) -> str:
    """Write an area in square feet or square metres, with its interval."""
    return _interval(budget, FT2_MM2 if unit == "in" else 1e6, "ft²" if unit == "in" else "m²")


def small_area_words(budget: Budget, unit: Unit) -> str:
    """Write a defect's area in square inches or square centimetres, with its interval."""
    return _interval(budget, IN2_MM2 if unit == "in" else 100.0, "in²" if unit == "in" else "cm²")


def board_feet_words(budget: Budget) -> str:
    """Write board feet: to a half above ten, to a tenth below, with the interval."""
    step = 0.5 if budget.determined and budget.estimate.value / BOARD_FOOT_MM3 > 10 else 0.1
    return _interval(budget, BOARD_FOOT_MM3, "board feet", step)


def length_words(budget: Budget, unit: Unit, *, sixteenths: int = 4) -> str:
    """Write a length in inches and fractions or in millimetres, with its interval."""
    if not budget.determined:
        return "not determined"
    lo, hi = budget.estimate.interval
    if unit == "mm":
        return _interval(budget, 1.0, "mm", _steps(budget.estimate.value, lo, hi))
    value = inches_text(budget.estimate.value, sixteenths=sixteenths)
    low = inches_text(lo, sixteenths=sixteenths, toward="down").removesuffix(" in")
    high = inches_text(hi, sixteenths=sixteenths, toward="up")
    return f"{value} ({low} to {high})"


def findings_table(findings: Findings, unit: Unit) -> Table:
    """Return the findings of a slab as a table for the terminal."""
    from rich.table import Table

    notebook, face = findings.record.notebook, findings.best
    name = plain(notebook.tag) or plain(findings.folder)
    species = plain(notebook.species) or "species not stated"
    table = Table(title=f"Slab {name}: {species}", title_justify="left", show_header=False)
    table.add_column("what", style="bold", no_wrap=True)
    table.add_column("how much (95 % interval)")
    if notebook.invented:
        table.add_row("data", "invented demonstration data")
    if face is not None:
        table.add_row("gross area", f"{area_words(face.gross_area_mm2, unit)}, {face.face}, arris")
        table.add_row("clear, as seen", area_words(face.as_seen_mm2, unit))
        table.add_row("clear, with keep-outs", area_words(face.keep_outs_mm2, unit))
    if findings.through_mm2.determined:
        table.add_row("clear through", area_words(findings.through_mm2, unit))
    else:
        table.add_row("clear through", findings.through_mm2.estimate.reason)
    if face is not None:
        if face.not_seen_mm2.estimate.value > 0:
            table.add_row("not seen", area_words(face.not_seen_mm2, unit))
        table.add_row("length", length_words(face.length_mm, unit))
        table.add_row("mean width", length_words(face.mean_width_mm, unit))
    table.add_row("thickness", length_words(findings.thickness_mm, unit, sixteenths=1))
    table.add_row("board feet, gross", board_feet_words(findings.gross_mm3))
    table.add_row("board feet, clear", board_feet_words(findings.clear_mm3))
    claim = notebook.claim
    if claim.board_feet is not None:
        table.add_row("board feet, the tag", f"{claim.board_feet:g}")
    if face is not None:
        counts: dict[str, int] = {}
        for each in face.defects:
            counts[each.title] = counts.get(each.title, 0) + 1
        found = ", ".join(f"{n} {title}" for title, n in counts.items()) or "none painted"
        table.add_row("defects", found)
        for line in face.residuals:
            table.add_row("reference check", plain(line))
    for note in dict.fromkeys([*findings.notes, *(face.notes if face else ())]):
        table.add_row("note", plain(note))
    return table


def explain_table(findings: Findings, unit: Unit) -> Table:
    """Return what dominates each interval and what would shrink it."""
    from rich.table import Table

    table = Table(title="What each interval is made of", title_justify="left")
    for column in ("quantity", "cause", "alone ±", "share", "what would shrink it"):
        table.add_column(column)
    face = findings.best
    rows: list[tuple[str, Budget, float, str]] = []
    area, area_unit = (FT2_MM2, "ft²") if unit == "in" else (1e6, "m²")
    if face is not None:
        rows += [
            ("gross area", face.gross_area_mm2, area, area_unit),
            ("clear, as seen", face.as_seen_mm2, area, area_unit),
            ("clear, with keep-outs", face.keep_outs_mm2, area, area_unit),
            ("length", face.length_mm, 25.4 if unit == "in" else 1.0, unit),
        ]
    rows += [("clear through", findings.through_mm2, area, area_unit)]
    rows += [("board feet, gross", findings.gross_mm3, BOARD_FOOT_MM3, "bf")]
    for name, budget, per, short in rows:
        if not budget.determined:
            continue
        for i, (cause, share) in enumerate(budget.shares().items()):
            half = interval_halfwidth(budget.parts[cause]) / per
            table.add_row(
                name if i == 0 else "",
                cause,
                f"{half:.2g} {short}",
                f"{share:.0%}",
                SHRINKS.get(cause, "") if i == 0 else "",
            )
    return table
