"""The segmenting tools: what each needs and gives. Adding one is one line in ``TOOLS``.

A tool is a question in (pixels, clicks, scale), a preview out. It knows neither layers nor
windows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from napari_slabvision._outline_shape import few_corners
from slabvision.units import MM_PER_IN

if TYPE_CHECKING:
    from slabvision.plane import Plane

__all__ = ["PROPOSE", "TOOLS", "Ask", "Preview", "Tool", "available", "cut_out"]

Point = tuple[float, float]
Pixels = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Ask:
    """What a tool is asked.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    inside, outside : sequence of (row, col)
        Clicks on what is meant, and on what is not.
    plane : Plane, optional
        The photo's plane, for sizes in words.
    unit : {"in", "mm"}
        What the person reads.
    bark : {"out", "in"}
        Whether an outline leaves the bark out or takes it in.
    order : sequence of bool
        Which clicks were inside, in the order they were set.
    kind : str, optional
        Of the defect that is meant, where one is chosen that a region may be.
    kept : dict
        What the tool found out for the clicks before, for it alone to read and write.
    """

    pixels: Pixels
    inside: Sequence[Point] = ()
    outside: Sequence[Point] = ()
    plane: Plane | None = None
    unit: str = "in"
    bark: Literal["out", "in"] = "out"
    order: Sequence[bool] = ()
    kind: str | None = None
    kept: dict[str, Any] = field(default_factory=dict)

    def length_words(self, line: NDArray[np.float64]) -> str:
        """Return the length of a line on the face in words, in pixels without a reference."""
        if self.plane is not None:
            try:
                at = np.asarray(self.plane.to_mm(line))
            except ValueError:  # part of it looks past the horizon
                return f"{_length(line):.0f} px"
            mm = _length(at)
            return f"{mm / MM_PER_IN:.1f} in" if self.unit == "in" else f"{mm:.0f} mm"
        return f"{_length(line):.0f} px"

    def mm_per_px(self, at: Any) -> float | None:
        """Return the scale at a pixel, None without a reference."""
        if self.plane is None:
            return None
        try:
            return float(self.plane.mm_per_px((float(at[0]), float(at[1]))))
        except ValueError:
            return None


def _length(line: NDArray[np.float64]) -> float:
    steps = np.diff(line, axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())


@dataclass(frozen=True, eq=False)
class Preview:
    """What a tool proposes: a mask that becomes a defect, or the corners of an outline.

    Attributes
    ----------
    mask : ndarray of bool, shape (h, w)
        In a window of the photo.
    corner : (row, col)
        Where the window begins.
    words : str
        What was found, for the person; its area is added.
    trace : dict, optional
        ``centre_line`` and ``widths_px`` of a traced check.
    outline : ndarray (N, 2), optional
        Corners (row, col).
    open : bool
        Whether the photo's frame cuts the outline off.
    bark : {"out", "in", "unsaid"}
        Whether the outline leaves the bark out.
    """

    mask: NDArray[np.bool_]
    corner: tuple[int, int]
    words: str = ""
    trace: dict[str, Any] | None = None
    outline: NDArray[np.float64] | None = None
    open: bool = False
    bark: str = "unsaid"

    @property
    def holds(self) -> bool:
        """Whether there is anything to accept."""
        return bool(self.mask.any()) or (self.outline is not None and len(self.outline) > 2)


@dataclass(frozen=True)
class Tool:
    """One tool.

    Attributes
    ----------
    key, title, words : str
        Its name in records, its button, and what to click.
    least : int
        Clicks it needs; 0: it proposes at once, and clicks correct it.
    outside : bool
        Whether Alt+click (outside) means something to it.
    function : str
        What it needs of :mod:`slabvision.segment`; a version without it does not show the tool.
    propose : callable
        From what is asked to a preview.
    """

    key: str
    title: str
    words: str
    least: int
    outside: bool
    function: str
    propose: Callable[[Ask], Preview]


def cut_out(mask: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], tuple[int, int]]:
    """Return the part of a whole photo's mask that holds anything, and its corner."""
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not rows.size:
        return np.zeros((0, 0), np.bool_), (0, 0)
    window = mask[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    return window, (int(rows[0]), int(cols[0]))


def _trace(ask: Ask) -> Preview:
    from slabvision.segment import trace_check, trace_check_line

    line = trace_check_line(ask.pixels, ask.inside)
    mask, corner = cut_out(trace_check(ask.pixels, ask.inside))
    trace = {
        "centre_line": [(float(r), float(c)) for r, c in line.centre_line],
        "widths_px": [float(w) for w in line.width_px],
    }
    scale = ask.mm_per_px(line.centre_line[len(line.centre_line) // 2])
    opening = f"opening {line.width_text(scale)}"
    return Preview(mask, corner, f"check of {ask.length_words(line.centre_line)}, {opening}", trace)


def _grow(ask: Ask) -> Preview:
    from slabvision.segment import RegionSearch

    search, of = ask.kept.get("region", (None, None))
    if of is not ask.pixels or search.kind != ask.kind:
        search = RegionSearch(ask.pixels, ask.kind)
        ask.kept["region"] = search, ask.pixels
    found = search.region(ask.inside, ask.outside, order=ask.order)
    mask, corner = cut_out(found.mask)
    return Preview(mask, corner, "region")


def _find_outline(ask: Ask) -> Preview:
    from slabvision.segment import OutlineSearch

    search, of = ask.kept.get("search", (None, None))
    if of is not ask.pixels or search.bark != ask.bark:
        search = OutlineSearch(ask.pixels, bark=ask.bark)
        ask.kept["search"] = search, ask.pixels
    found = search.outline(ask.inside, ask.outside)
    corners = few_corners(found.points)
    words = f"outline of {len(corners)} corners, bark {_BARK[ask.bark]}"
    if found.open:
        words += ", cut off by the photo's frame"
    return Preview(
        np.zeros((0, 0), np.bool_), (0, 0), f"{words}. Look along the whole edge",
        outline=corners, open=found.open, bark=ask.bark,
    )  # fmt: skip


_BARK = {"out": "left out", "in": "included"}


def available(tools: Sequence[Tool]) -> list[Tool]:
    """Return the tools whose function this version of the library has."""
    from slabvision import segment

    return [tool for tool in tools if hasattr(segment, tool.function)]


TOOLS = (
    Tool("trace", "Trace a check",
         "Click both ends of the check, and between them where it strays. Enter accepts.",
         2, False, "trace_check_line", _trace),
    Tool("grow", "Grow from a click",
         "Choose its kind, click in its middle; Alt+click what is not part of it. "
         "Enter accepts.", 1, True, "RegionSearch", _grow),
)  # fmt: skip
"""What finds defects."""

PROPOSE = (
    Tool("proposed", "Propose",
         "Click wood that was left out; Alt+click what is no slab. Enter accepts.",
         0, True, "OutlineSearch", _find_outline),
)  # fmt: skip
"""What finds the outline."""
