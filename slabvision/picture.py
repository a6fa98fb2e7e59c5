"""Annotated pictures of a measured face: outline, clear wood, defects, references, a scale."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from slabvision.defects import defect_kind
from slabvision.findings import FaceFindings, Findings
from slabvision.record import PhotoEntry, mark_points
from slabvision.text import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["face_figure", "write_face_pictures"]

Unit = Literal["in", "mm"]
_LONG_SIDE_PX = 1600
_CLEAR = "#2fb37a"
_INK = "#14213d"


def write_face_pictures(findings: Findings, folder: Path | str, unit: Unit) -> list[Path]:
    """Write one annotated PNG for each measured face into a folder.

    Returns
    -------
    list of path
    """
    import io

    from slabvision.tables import write_whole

    written = []
    slab = Path(findings.folder).name
    for face in findings.faces:
        figure = face_figure(findings, face, unit)
        stream = io.BytesIO()
        figure.savefig(stream, format="png", metadata={"Software": "slabvision"})
        alike = sum(each.face == face.face for each in findings.faces) > 1
        which = f"{face.face} {Path(face.photo).stem}" if alike else face.face
        name = f"{slab} {which}.png".replace(" ", "-")
        written.append(write_whole(Path(folder) / name, stream.getvalue()))
    return written


def face_figure(findings: Findings, face: FaceFindings, unit: Unit) -> Figure:
    """Return a figure of one face with what was drawn and what is clear.

    Green is clear with keep-outs; a dashed green line bounds what is clear as seen. Each kind
    of defect has its colour and, for grey prints, its hatch.
    """
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    from slabvision.photo import read_thumbnail
    from slabvision.store import photo_path

    entry = findings.record.photo(face.photo)
    image = read_thumbnail(photo_path(findings.folder, entry), _LONG_SIDE_PX)
    height, width = entry.shape
    top, left, bottom, right = _view_of(entry)
    inches = (16.0, 16.0 * (bottom - top) / (right - left) + 1.7)
    figure = Figure(figsize=inches, dpi=100, facecolor="white")
    strip = 1.7 / inches[1]
    axes = figure.add_axes((0, strip, 1, 1 - strip))
    axes.imshow(image, extent=(-0.5, width - 0.5, height - 0.5, -0.5), interpolation="antialiased")
    axes.set_axis_off()
    _draw_clear(axes, face)
    labels = _draw_defects(axes, findings, face)
    if entry.arris is not None:
        _line(axes, entry.arris.points, closed=not entry.arris.open, color="white", width=3.0)
        _line(axes, entry.arris.points, closed=not entry.arris.open, color=_INK, width=1.4)
    for mark in entry.marks:
        _draw_mark(axes, mark)
    axes.set_xlim(left, right)
    axes.set_ylim(bottom, top)
    handles = [Patch(facecolor=_CLEAR, alpha=0.45, label="clear, with keep-outs")]
    for kind in labels:
        term = defect_kind(kind)
        handles.append(
            Patch(facecolor=term.color, hatch=term.hatch, edgecolor="white", label=term.title)
        )
    figure.legend(
        handles=handles,
        loc="upper right",
        bbox_to_anchor=(0.995, strip * 0.97),
        ncol=max(1, min(3, (len(handles) + 3) // 4)),
        frameon=False,
        fontsize=11,
    )
    _caption(figure, findings, face, unit, strip)
    return figure


def _view_of(entry: PhotoEntry) -> tuple[float, float, float, float]:
    """Return the part of the photo worth showing: slab and marks with a margin."""
    height, width = entry.shape
    points = [np.asarray(o.points) for o in (entry.arris, entry.widest) if o is not None]
    points += [np.asarray(mark_points(mark)) for mark in entry.marks]
    both = np.concatenate(points)
    low, high = both.min(axis=0), both.max(axis=0)
    margin = 0.06 * float((high - low).max())
    top, left = np.maximum(low - margin, -0.5)
    bottom, right = np.minimum(high + margin, (height - 0.5, width - 0.5))
    return float(top), float(left), float(bottom), float(right)


def _caption(
    figure: Figure, findings: Findings, face: FaceFindings, unit: Unit, strip: float
) -> None:
    from slabvision.show import area_words, board_feet_words, length_words

    notebook = findings.record.notebook
    name = plain(notebook.tag) or Path(findings.folder).name
    title = f"Slab {name}, {face.face}" + (
        f": {plain(notebook.species)}" if notebook.species else ""
    )
    lines = [
        f"gross (arris)  {area_words(face.gross_area_mm2, unit)}",
        f"clear, as seen  {area_words(face.as_seen_mm2, unit)}",
        f"clear, with keep-outs  {area_words(face.keep_outs_mm2, unit)}",
        f"length  {length_words(face.length_mm, unit)}    "
        f"gross  {board_feet_words(findings.gross_mm3)}",
    ]
    text: dict[str, Any] = {"color": _INK, "va": "top", "parse_math": False}
    figure.text(0.01, strip * 0.93, title, fontsize=17, weight="bold", **text)
    figure.text(0.01, strip * 0.70, "\n".join(lines), fontsize=12, linespacing=1.45, **text)
    small = "95 % intervals in brackets. " + (
        "Invented demonstration data." if notebook.invented else ""
    )
    figure.text(0.01, strip * 0.04, small, fontsize=9, color="#555555")


def _line(axes: Axes, points: Any, *, closed: bool, color: str, width: float) -> None:
    path = np.asarray(points, float)
    if closed:
        path = np.concatenate([path, path[:1]])
    axes.plot(path[:, 1], path[:, 0], color=color, linewidth=width, solid_joinstyle="round")


def _add_polygons(axes: Axes, shape: Any, **style: Any) -> None:
    """Draw shapely polygons in (row, col) with their holes."""
    import shapely
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    for polygon in shapely.get_parts(shape):
        vertices: list[Any] = []
        codes: list[Any] = []
        for ring in (polygon.exterior, *polygon.interiors):
            points = np.asarray(ring.coords)[:, ::-1]
            vertices.append(points)
            codes += [Outline.MOVETO] + [Outline.LINETO] * (len(points) - 2) + [Outline.CLOSEPOLY]
        axes.add_patch(PathPatch(Outline(np.concatenate(vertices), codes), **style))


def _draw_clear(axes: Axes, face: FaceFindings) -> None:
    clear = face.view.to_pixels(face.region.with_keep_outs)
    _add_polygons(axes, clear, facecolor=_CLEAR, alpha=0.30, edgecolor="none")
    _add_polygons(axes, clear, facecolor="none", edgecolor=_CLEAR, linewidth=1.6)
    seen = face.view.to_pixels(face.region.as_seen)
    _add_polygons(axes, seen, facecolor="none", edgecolor=_CLEAR, linewidth=0.9, linestyle="--")


def _draw_defects(axes: Axes, findings: Findings, face: FaceFindings) -> list[str]:
    import shapely

    kinds: list[str] = []
    for each, drawn in zip(face.defects, face.view.shape.defects, strict=True):
        shape = face.view.to_pixels(drawn.shape)
        term = defect_kind(each.kind)
        kinds.append(each.kind)
        _add_polygons(
            axes,
            shapely.simplify(shape, 0.7),
            facecolor=term.color,
            alpha=0.75,
            hatch=term.hatch,
            edgecolor="white",
            linewidth=0.6,
        )
        place = shape.representative_point()
        axes.annotate(
            str(each.number),
            (place.y, place.x),
            xytext=(9, -9),
            textcoords="offset points",
            fontsize=9,
            color=_INK,
            bbox={
                "boxstyle": "round,pad=0.18",
                "facecolor": "white",
                "linewidth": 0,
                "alpha": 0.85,
            },
        )
    return list(dict.fromkeys(kinds))


def _draw_mark(axes: Axes, mark: Any) -> None:
    closed = mark.type == "rectangle"
    path = np.asarray(mark_points(mark), float)
    if mark.type == "board":
        axes.plot(path[:, 1], path[:, 0], "x", color="#e0218a", markersize=5, markeredgewidth=1.2)
    else:
        _line(axes, path, closed=closed, color="#e0218a", width=1.5)
        axes.plot(path[:, 1], path[:, 0], "o", color="#e0218a", markersize=4)
    at = path[0]
    axes.annotate(
        plain(mark.name),
        (at[1], at[0]),
        xytext=(6, 10),
        textcoords="offset points",
        fontsize=10,
        color="white",
        parse_math=False,
        bbox={"boxstyle": "round,pad=0.2", "facecolor": "#e0218a", "linewidth": 0},
    )
