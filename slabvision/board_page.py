"""Print the board: a PDF page of exact size, the same pattern on letter and A4 paper."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np

from slabvision import board_pattern as pattern

__all__ = ["PAPERS", "write_board"]

PAPERS = {"letter": (215.9, 279.4), "a4": (210.0, 297.0)}
"""Width and height, mm (ANSI/ASME Y14.1 size A; ISO 216)."""

_TOP_MM = 8.0
"""White above the pattern: most printers need 4 to 6 mm."""
_POINT_MM = 25.4 / 72.0
_INK = "#000000"
_NOTE = "#333333"


def write_board(path: str | os.PathLike[str], paper: str = "letter") -> Path:
    """Write the reference board as a vector PDF, to be printed at 100 %.

    Parameters
    ----------
    path : path
        File to write; replaced if it exists.
    paper : {"letter", "a4"}
        Size of the page. The pattern is the same on both.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    ValueError
        Another paper.
    OSError
        The file cannot be written.
    """
    if paper not in PAPERS:
        raise ValueError(f"paper is {paper!r}; it must be one of {', '.join(PAPERS)}")
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.figure import Figure

    width, height = PAPERS[paper]
    figure = Figure(figsize=(width / 25.4, height / 25.4))
    FigureCanvasPdf(figure)
    # One data unit is one millimetre, x to the right and y down from the paper's upper left.
    page = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(height, 0))
    page.set_axis_off()
    left = (width - pattern.WIDTH_MM) / 2
    _draw_pattern(page, left, _TOP_MM + pattern.RING_MM)
    _draw_words(page, width, _TOP_MM + pattern.HEIGHT_MM + 2 * pattern.RING_MM)
    target = Path(path)
    about = {"Title": "Reference board", "Creator": "slabvision", "CreationDate": None}
    with rc_context({"pdf.fonttype": 42}):
        figure.savefig(target, format="pdf", metadata=about)
    return target


def _draw_pattern(page: Any, left: float, top: float) -> None:
    """Draw everything black as one shape: squares drawn side by side would show hairlines."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline
    from shapely import box, unary_union
    from shapely.geometry.polygon import orient

    whole: Any = unary_union([box(x, y, x + w, y + h) for y, x, h, w in pattern.black_rectangles()])
    for part in getattr(whole, "geoms", [whole]):
        turned = orient(part)  # holes run the other way round
        rings = [np.asarray(ring.coords) for ring in (turned.exterior, *turned.interiors)]
        codes = [
            [Outline.MOVETO, *[Outline.LINETO] * (len(ring) - 2), Outline.CLOSEPOLY]
            for ring in rings
        ]
        outline = Outline(np.concatenate(rings) + np.array([left, top]), np.concatenate(codes))
        page.add_patch(PathPatch(outline, facecolor=_INK, edgecolor="none", linewidth=0))


def _draw_words(page: Any, width: float, top: float) -> None:
    """Draw the check line and what to do, in the strip below the pattern."""
    from matplotlib.lines import Line2D

    length = pattern.CHECK_MM
    start = (width - length) / 2
    y = top + 5.5
    thin = 0.25 / _POINT_MM

    def line(x0: float, y0: float, x1: float, y1: float) -> None:
        page.add_line(Line2D([x0, x1], [y0, y1], color=_INK, linewidth=thin, solid_capstyle="butt"))

    def words(x: float, y: float, text: str, points: float, **how: Any) -> None:
        page.text(x, y, text, fontsize=points, color=_NOTE, va="baseline", **how)

    line(start, y, start + length, y)
    for mm in range(0, round(length) + 1, 5):
        end, ten = mm in (0, round(length)), mm % 10 == 0
        line(start + mm, y - (3.5 if end else 2.0 if ten else 1.2), start + mm, y)
        if mm % 50 == 0:
            words(start + mm, y + 3.0, f"{mm} mm" if end else f"{mm}", 7, ha="center")
    for x, y_line, text, points, how in (
        (start, y + 7.2, "Reference board for slab photos", 10.5, {"weight": "bold"}),
        (
            start,
            y + 10.8,
            "Check the print with a steel rule: type what the line above measures, end tick to end "
            f"tick. Long side of the pattern: {pattern.HEIGHT_MM + 2 * pattern.RING_MM:g} mm.",
            7.5,
            {},
        ),
        (
            start,
            y + 14.0,
            "Print at 100 %, never “fit to page”, on stiff matt paper or glued flat to a panel. "
            "Replace it when wavy or wet.",
            7.5,
            {},
        ),
        (
            start,
            y + 17.2,
            "Lay it flat on the slab's face, near the middle, all of it in the picture, and not "
            "half in shade.",
            7.5,
            {},
        ),
    ):
        words(x, y_line, text, points, **how)
