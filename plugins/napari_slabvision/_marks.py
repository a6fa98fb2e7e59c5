"""Reference marks as draggable points, and back: pure conversion, no window.

Every mark is a run of points of one Points layer. A row of its table says which mark a point
belongs to and which point of it it is; the mark's other values (its length, where it lies) stay
in the record.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.record import Mark
from slabvision.units import inches_text

__all__ = [
    "MARK_COLOR",
    "mark_lines",
    "mark_points",
    "mark_texts",
    "marks_to_points",
    "spread_texts",
    "with_points",
]

MARK_COLOR = "#e0218a"
"""The colour of everything that lends its size: the same in pictures and in the viewer."""

_TEXT_HIGH, _LETTER_WIDE = 17.0, 8.0
"""Room for a line of text beside a point, screen pixels."""


def mark_points(mark: Mark) -> list[tuple[float, float]]:
    """Return the points of a mark in the order in which they were clicked, (row, col)."""
    match mark.type:
        case "length":
            return [mark.p, mark.q]
        case "tape" | "board":
            return list(mark.points)
        case "rectangle":
            return list(mark.corners)
        case "square":
            return [mark.end_a, mark.heel, mark.end_b]


def _moved(mark: Mark, points: Sequence[Sequence[float]]) -> Mark:
    """Return the mark with its points elsewhere."""
    at = [(float(row), float(col)) for row, col in points]
    change: dict[str, Any]
    match mark.type:
        case "length":
            change = {"p": at[0], "q": at[1]}
        case "tape" | "board":
            change = {"points": at}
        case "rectangle":
            change = {"corners": at}
        case "square":
            change = {"end_a": at[0], "heel": at[1], "end_b": at[2]}
    return mark.model_copy(update=change)


def _length(mm: float, unit: str) -> str:
    return inches_text(mm) if unit == "in" else f"{mm:.0f} mm"


def _bare(mm: float, unit: str) -> str:
    """Write a reading without its unit, which stands at the mark's first point."""
    return _length(mm, unit).removesuffix(f" {unit}")


def mark_texts(mark: Mark, unit: str = "in") -> list[str]:
    """Return what stands beside each point: the mark's name and its readings."""
    match mark.type:
        case "length":
            return [f"{mark.name}: {_length(mark.mm, unit)}", ""]
        case "tape":
            return [
                f"{mark.name}: {_length(mm, unit)}" if i == 0 else _bare(mm, unit)
                for i, mm in enumerate(mark.mm)
            ]
        case "rectangle":
            sides = f"{_length(mark.width_mm, unit)} x {_length(mark.height_mm, unit)}"
            return [f"{mark.name}: {sides}", "", "", ""]
        case "square":
            return [_length(mark.a_mm, unit), mark.name, _length(mark.b_mm, unit)]
        case "board":
            return [mark.name, *[""] * (len(mark.points) - 1)]


def marks_to_points(
    marks: Sequence[Mark], unit: str = "in"
) -> tuple[NDArray[np.float64], dict[str, list[Any]]]:
    """Return all points of all marks, (N, 2), and the table that says whose they are."""
    points: list[tuple[float, float]] = []
    table: dict[str, list[Any]] = {"mark": [], "point": [], "text": []}
    for mark in marks:
        at = mark_points(mark)
        points += at
        table["mark"] += [mark.name] * len(at)
        table["point"] += list(range(len(at)))
        table["text"] += mark_texts(mark, unit)
    return np.array(points, float).reshape(-1, 2), table


def spread_texts(points: NDArray[np.float64], texts: Sequence[str], zoom: float) -> list[str]:
    """Return the texts that have room beside their points on the screen, the others empty.

    Parameters
    ----------
    points : ndarray (N, 2)
        In the photo.
    texts : sequence of str
        Beside each point.
    zoom : float
        Screen pixels per pixel of the photo.

    Examples
    --------
    >>> spread_texts(np.array([[0, 0], [0, 9], [0, 90]]), ["0 in", "12", "24"], 1.0)
    ['0 in', '', '24']
    """
    taken: list[tuple[float, float, float, float]] = []
    kept = [""] * len(texts)
    # Names first, then the ends of what is marked, then what has room between.
    order = sorted(range(len(texts)), key=lambda i: (":" not in texts[i], i))
    for i in order:
        if not texts[i]:
            continue
        row, col = (float(x) * zoom for x in points[i])
        box = (row - _TEXT_HIGH, row, col, col + _LETTER_WIDE * (len(texts[i]) + 1))
        if all(box[0] >= b[1] or box[1] <= b[0] or box[2] >= b[3] or box[3] <= b[2]
               for b in taken):  # fmt: skip
            taken.append(box)
            kept[i] = texts[i]
    return kept


def with_points(
    marks: Sequence[Mark], points: NDArray[np.float64], table: dict[str, Sequence[Any]]
) -> list[Mark]:
    """Return the marks where their points now lie.

    A tape or board keeps its remaining points while it has enough of them; any other mark that
    lost a point is gone. Points that belong to no mark are ignored.
    """
    left: dict[str, dict[int, NDArray[np.float64]]] = {}
    for at, name, index in zip(points, table["mark"], table["point"], strict=True):
        # A point that napari's own tool added repeats the one before; the first is the real one.
        left.setdefault(str(name), {}).setdefault(int(index), at)
    kept: list[Mark] = []
    for mark in marks:
        found = left.get(mark.name, {})
        order = sorted(i for i in found if i < len(mark_points(mark)))
        if len(order) == len(mark_points(mark)):
            kept.append(_moved(mark, [found[i] for i in order]))
        elif mark.type in ("tape", "board") and len(order) >= (2 if mark.type == "tape" else 4):
            fewer = mark.model_copy(update={"mm": [mark.mm[i] for i in order]})
            kept.append(_moved(fewer, [found[i] for i in order]))
    return kept


def mark_lines(marks: Sequence[Mark]) -> list[NDArray[np.float64]]:
    """Return the lines that join each mark's points; a board has none."""
    lines = []
    for mark in marks:
        at = np.array(mark_points(mark), float)
        if mark.type == "rectangle":
            at = np.concatenate([at, at[:1]])
        if mark.type != "board":
            lines.append(at)
    return lines
