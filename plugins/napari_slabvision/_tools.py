"""The segmenting tools: what each needs and gives. Adding one is one line in ``TOOLS``.

A tool is pixels and clicks in, a preview out. It knows neither layers nor windows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["TOOLS", "Preview", "Tool", "available", "cut_out"]

Point = tuple[float, float]
Pixels = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Preview:
    """What a tool proposes.

    Attributes
    ----------
    mask : ndarray of bool, shape (h, w)
        In a window of the photo.
    corner : (row, col)
        Where the window begins.
    words : str
        What was found, for the person.
    trace : dict, optional
        ``centre_line`` and ``widths_px`` of a traced check.
    """

    mask: NDArray[np.bool_]
    corner: tuple[int, int]
    words: str = ""
    trace: dict[str, Any] | None = None


@dataclass(frozen=True)
class Tool:
    """One tool.

    Attributes
    ----------
    key, title, words : str
        Its name in records, its button, and what to click.
    least : int
        Clicks it needs.
    outside : bool
        Whether Alt+click (outside) means something to it.
    function : str
        What it needs of :mod:`slabvision.segment`; a version without it does not show the tool.
    propose : callable
        ``(pixels, inside, outside) -> Preview``.
    """

    key: str
    title: str
    words: str
    least: int
    outside: bool
    function: str
    propose: Callable[[Pixels, Sequence[Point], Sequence[Point]], Preview]


def cut_out(mask: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], tuple[int, int]]:
    """Return the part of a whole photo's mask that holds anything, and its corner."""
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not rows.size:
        return np.zeros((0, 0), np.bool_), (0, 0)
    window = mask[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    return window, (int(rows[0]), int(cols[0]))


def _trace(pixels: Pixels, inside: Sequence[Point], outside: Sequence[Point]) -> Preview:
    from slabvision.segment import trace_check, trace_check_line

    line = trace_check_line(pixels, inside)
    mask, corner = cut_out(trace_check(pixels, inside))
    trace = {
        "centre_line": [(float(r), float(c)) for r, c in line.centre_line],
        "widths_px": [float(w) for w in line.width_px],
    }
    words = f"check of {line.length_px:.0f} px, opening {line.width_text()}"
    return Preview(mask, corner, words, trace)


def _grow(pixels: Pixels, inside: Sequence[Point], outside: Sequence[Point]) -> Preview:
    from slabvision.segment import grow_region

    mask, corner = cut_out(grow_region(pixels, inside, outside))
    return Preview(mask, corner, f"region of {int(mask.sum()):,} px")


def available(tools: Sequence[Tool]) -> list[Tool]:
    """Return the tools whose function this version of the library has."""
    from slabvision import segment

    return [tool for tool in tools if hasattr(segment, tool.function)]


TOOLS = (
    Tool("trace", "Trace a check",
         "Click both ends of the check, and between them where it strays. Enter accepts.",
         2, False, "trace_check_line", _trace),
    Tool("grow", "Grow from a click",
         "Click in the middle of the knot, rot or stain; Alt+click what is not part of it. "
         "Enter accepts.", 1, True, "grow_region", _grow),
)  # fmt: skip
