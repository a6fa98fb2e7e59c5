"""Charts of a report as inline SVG; glyphs are drawn as paths, so no font is needed."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from slabvision.report.markup import Html, el, svg_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["band_chart", "bar_chart", "points_chart"]

_INK, _LINE = "#1c2430", "#1f5c4a"


def _axes(xlabel: str, ylabel: str) -> tuple[Any, Axes]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5.4, 3.0), layout="constrained")
    axes = figure.add_subplot()
    axes.set_xlabel(xlabel, color=_INK, parse_math=False)
    axes.set_ylabel(ylabel, color=_INK, parse_math=False)
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(axis="y", color="#dde2e7", linewidth=0.7)
    axes.set_axisbelow(True)
    return figure, axes


def _figure(figure: Any, caption: str, key: str) -> Html:
    import matplotlib as mpl

    stream = io.StringIO()
    with mpl.rc_context({"svg.fonttype": "path", "svg.hashsalt": key}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None},
                       transparent=True)  # fmt: skip
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    # Several drawings stand on one page: their ids must not meet.
    text = re.sub(r'\bid="', f'id="{key}-', text)
    text = re.sub(r'(href="#|url\(#)', rf"\g<1>{key}-", text)
    text = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", text, count=1)
    # The caption says it in words; a reader of the page aloud need not hear the drawing.
    text = text.replace("<svg", '<svg aria-hidden="true" focusable="false"', 1)
    return el("figure", svg_of(text), el("figcaption", caption), class_="chart")


def band_chart(
    x: Sequence[float],
    y: Sequence[float],
    lo: Sequence[float],
    hi: Sequence[float],
    *,
    xlabel: str,
    ylabel: str,
    caption: str,
    key: str,
    ylim: tuple[float, float] | None = None,
) -> Html:
    """Return a line with the band of its 95 % interval."""
    figure, axes = _axes(xlabel, ylabel)
    axes.fill_between(x, lo, hi, color=_LINE, alpha=0.22, linewidth=0)
    axes.plot(x, y, color=_LINE, linewidth=2, marker="o", markersize=4)
    if ylim is not None:
        axes.set_ylim(*ylim)
    return _figure(figure, caption, key)


def points_chart(
    x: Sequence[float],
    y: Sequence[float],
    half: Sequence[float],
    *,
    xlabel: str,
    ylabel: str,
    caption: str,
    key: str,
    levels: Sequence[tuple[float, str]] = (),
) -> Html:
    """Return readings with error bars, and levels they are held against."""
    figure, axes = _axes(xlabel, ylabel)
    axes.errorbar(x, y, yerr=half, fmt="o", color=_LINE, ecolor=_LINE, capsize=4, markersize=5)
    for number, (level, says) in enumerate(levels):
        style = ("--", ":", "-.")[number % 3]
        axes.axhline(level, color="#7a3b00", linewidth=1.4, linestyle=style, label=says)
    if levels:
        axes.legend(frameon=False, fontsize=8.5, loc="best")
    axes.margins(x=0.08, y=0.25)
    return _figure(figure, caption, key)


def bar_chart(
    names: Sequence[str],
    values: Sequence[float],
    lo: Sequence[float],
    hi: Sequence[float],
    *,
    xlabel: str,
    caption: str,
    key: str,
) -> Html:
    """Return horizontal bars with intervals; names must be the program's own words."""
    figure, axes = _axes(xlabel, "")
    at = list(range(len(names)))
    errors = [
        [max(v - a, 0.0) for v, a in zip(values, lo, strict=True)],
        [max(b - v, 0.0) for v, b in zip(values, hi, strict=True)],
    ]
    axes.barh(at, values, xerr=errors, color=_LINE, alpha=0.65, capsize=4, height=0.6)
    axes.set_yticks(at, list(names))
    axes.invert_yaxis()
    axes.grid(axis="y", visible=False)
    axes.grid(axis="x", color="#dde2e7", linewidth=0.7)
    return _figure(figure, caption, key)
