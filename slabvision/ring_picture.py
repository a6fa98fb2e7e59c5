"""A picture of a read end: rings as seen and as inferred, what was set aside, the profile."""

from __future__ import annotations

import io
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from slabvision.text import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from slabvision.endgrain.result import EndGrain
    from slabvision.endgrain.sawn import Sawn

__all__ = ["ring_figure", "write_ring_picture"]

Floats = NDArray[np.float64]

_LONG_SIDE_PX = 1600
_ROWS_OF_STROKES = 52
_REJECTED = (0.86, 0.10, 0.22)
_INK = "#14213d"


def write_ring_picture(path: Path, pixels: NDArray[np.uint8], end: EndGrain, sawn: Sawn) -> Path:
    """Write the picture of :func:`ring_figure` as PNG, whole or not at all."""
    from slabvision.tables import write_whole

    stream = io.BytesIO()
    figure = ring_figure(pixels, end, sawn, path.stem)
    figure.savefig(stream, format="png", metadata={"Software": "slabvision"})
    return write_whole(path, stream.getvalue())


def ring_figure(pixels: NDArray[np.uint8], end: EndGrain, sawn: Sawn, title: str) -> Figure:
    """Return a figure of a read end.

    Full strokes follow rings that were seen, dotted ones are inferred; colour is the angle to the
    wide face. Red is what was set aside: checks, saw marks, knots, ink, the outline's own edge.
    Below is the angle across the width with its 95 % interval.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, cols, 3)
        The photo.
    end : EndGrain
        What was read from it.
    sawn : Sawn
        How it was sawn, by one authority.
    title : str
    """
    from matplotlib.figure import Figure

    from slabvision.opencv import cv2

    rows, cols = pixels.shape[:2]
    shrink = min(1.0, _LONG_SIDE_PX / max(rows, cols))
    size = (max(1, round(cols * shrink)), max(1, round(rows * shrink)))
    small = cv2.resize(pixels[..., :3], size, interpolation=cv2.INTER_AREA)
    away = cv2.resize(end.rejected.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    small[away] = (0.35 * small[away] + 0.65 * 255 * np.array(_REJECTED)).astype(np.uint8)
    height = float(np.clip(12.0 * rows / cols, 3.0, 14.0))
    figure = Figure(figsize=(12.0, height + 4.4), dpi=100, facecolor="white")
    strip = 4.4 / (height + 4.4)
    axes = figure.add_axes((0.0, strip, 1.0, 1.0 - strip))
    axes.imshow(small, extent=(-0.5, cols - 0.5, rows - 0.5, -0.5), interpolation="antialiased")
    axes.set_axis_off()
    colours = _strokes(axes, end, rows, cols)
    table = end.profile
    axes.plot(table["col"], table["row"], color="white", linewidth=1.2, linestyle="--")
    pith = end.pith
    if -0.5 <= pith[0] < rows and -0.5 <= pith[1] < cols:
        _pith(axes, end)
    axes.set_xlim(-0.5, cols - 0.5)
    axes.set_ylim(rows - 0.5, -0.5)
    chart = figure.add_axes((0.07, 0.6 / (height + 4.4), 0.9, 2.3 / (height + 4.4)))
    _profile(chart, table, colours)
    _words(figure, end, sawn, title, strip, (rows, cols))
    return figure


def _strokes(axes: Axes, end: EndGrain, rows: int, cols: int) -> Any:
    from matplotlib import colormaps
    from matplotlib.collections import LineCollection

    step = max(rows, cols) / _ROWS_OF_STROKES
    across = np.arange(step / 2, rows, step)
    along = np.arange(step / 2, cols, step)
    grid = np.stack(np.meshgrid(across, along, indexing="ij"), axis=-1).reshape(-1, 2)
    grid = grid[end.view.on_wood(grid)]
    colours = colormaps["cividis"]
    if not len(grid):
        return colours
    turn = np.deg2rad(end.ring_tangent_deg(grid))
    half = 0.4 * step * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    lines = np.stack([grid[:, ::-1] - half, grid[:, ::-1] + half], axis=1)
    shade = colours(end.ring_angle_deg(grid) / 90.0)
    seen = end.seen(grid)
    for which, style in ((seen, "solid"), (~seen, (0, (1.0, 1.2)))):
        if which.any():
            axes.add_collection(LineCollection(list(lines[which]), colors="black", linewidths=3.0,
                                               alpha=0.35, linestyles=[style]))  # fmt: skip
            axes.add_collection(LineCollection(list(lines[which]), colors=list(shade[which]),
                                               linewidths=1.9, linestyles=[style]))  # fmt: skip
    return colours


def _pith(axes: Axes, end: EndGrain) -> None:
    from matplotlib.patches import Ellipse

    values, vectors = np.linalg.eigh(end.pith_cov)
    sizes = 2 * 2.45 * np.sqrt(np.maximum(values, 0.0))  # 95 % of a plane normal
    turn = float(np.rad2deg(np.arctan2(vectors[0, 1], vectors[1, 1])))
    spot = (float(end.pith[1]), float(end.pith[0]))
    for colour, width in (("black", 3.0), ("white", 1.4)):
        axes.add_patch(Ellipse(spot, sizes[1], sizes[0], angle=turn, fill=False, edgecolor=colour,
                               linewidth=width))  # fmt: skip
        axes.plot(*spot, marker="+", markersize=13, color=colour, markeredgewidth=width)


def _profile(axes: Axes, table: Any, colours: Any) -> None:
    where = table.iloc[:, 0].to_numpy(float)
    angle = table["ring_angle_deg"].to_numpy(float)
    u = table["ring_angle_u_deg"].to_numpy(float)
    seen = table["seen"].to_numpy(bool)
    lo, hi = np.clip(angle - 1.96 * u, 0, 90), np.clip(angle + 1.96 * u, 0, 90)
    axes.fill_between(where, lo, hi, color="#9fb3c8", alpha=0.6, linewidth=0)
    axes.plot(where, angle, color=_INK, linewidth=1.0)
    marks = {"c": angle / 90.0, "cmap": colours, "vmin": 0, "vmax": 1}
    for which, shape, words in ((seen, "o", "seen"), (~seen, "x", "inferred")):
        if which.any():
            chosen = marks | {"c": marks["c"][which]}
            axes.scatter(where[which], angle[which], marker=shape, s=26, label=words, **chosen)
    axes.set_ylim(0, 90)
    axes.set_yticks(range(0, 91, 15))
    axes.set_xlabel("across the width, " + table.columns[0].removeprefix("position_"))
    axes.set_ylabel("ring angle, °")
    axes.grid(color="#dddddd", linewidth=0.7)
    axes.legend(frameon=False, loc="upper right", ncol=2)


def _words(figure: Figure, end: EndGrain, sawn: Sawn, title: str, strip: float,
           shape: tuple[int, int]) -> None:  # fmt: skip
    text: dict[str, Any] = {"color": _INK, "va": "top", "parse_math": False}
    figure.text(0.01, strip - 0.006, plain(title), fontsize=15, weight="bold", **text)
    pith = end.pith
    inside = bool((pith >= 0).all() and (pith < shape).all())
    where = "in the picture" if inside else "outside the picture"
    marks = ", ".join(f"{mark.direction_deg:.0f}°" for mark in end.saw_marks) or "none found"
    lines = [
        "\n".join(textwrap.wrap(plain(str(sawn)), 150)),
        f"pith {where}, at row {pith[0]:.0f}, column {pith[1]:.0f}; rings seen over "
        f"{sawn.seen_share:.0%} of the width; saw marks taken out: {marks}",
        "full strokes: rings seen; dotted: inferred; red: set aside (edges across the rings)",
    ]
    figure.text(0.01, strip - 0.36 / figure.get_figheight(), "\n".join(lines), fontsize=10.5,
                linespacing=1.5, **text)  # fmt: skip
