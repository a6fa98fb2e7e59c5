"""A photo of a face with what was drawn and what is clear, as inline SVG over the photo."""

from __future__ import annotations

import base64
import io
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from slabvision.defects import defect_kind
from slabvision.findings import FaceFindings, Findings
from slabvision.record import mark_points
from slabvision.report.markup import Html, el, join

if TYPE_CHECKING:
    from pathlib import Path

    from slabvision.record import PhotoEntry

__all__ = ["Placed", "face_figure", "photo_uri"]

_CLEAR = "#14824f"
_MARK = "#c2126f"
_PART = "#1d4ed8"


@dataclass(frozen=True, eq=False)
class Placed:
    """A part to draw on a face: its outline in mm and its name."""

    name: str
    polygon: Any


Box = tuple[int, int, int, int]
"""First row, first column, rows, columns, in the photo's pixels."""


def photo_uri(path: Path, shape: tuple[int, int], box: Box, side_px: int) -> str:
    """Return a small copy of a part of a photo as a data URI.

    Parameters
    ----------
    path : path
    shape : (int, int)
        Rows and columns of the photo.
    box : Box
        The part, in the photo's pixels.
    side_px : int
        Longest side of the copy.
    """
    from PIL import Image

    from slabvision.photo import read_thumbnail

    row, col, rows, cols = box
    whole = read_thumbnail(path, min(max(shape), round(side_px * max(shape) / max(rows, cols))))
    down, across = whole.shape[0] / shape[0], whole.shape[1] / shape[1]
    pixels = whole[
        round(row * down) : max(round((row + rows) * down), round(row * down) + 1),
        round(col * across) : max(round((col + cols) * across), round(col * across) + 1),
    ]
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=78, optimize=True, progressive=True)
    text = base64.b64encode(stream.getvalue()).decode("ascii")
    return f"data:image/jpeg;base64,{text}"


def _box_round(entry: PhotoEntry, marks: bool = True) -> Box:
    """Return the part of a photo round the slab and its references, with room for labels."""
    points = [np.asarray(entry.arris.points)] if entry.arris is not None else []
    points += [np.asarray(mark_points(mark), float) for mark in entry.marks if marks]
    height, width = entry.shape
    if not points:
        return 0, 0, height, width
    every = np.concatenate(points)
    lo, hi = every.min(axis=0), every.max(axis=0)
    room = 0.06 * float(np.max(hi - lo))
    row, col = np.clip(np.floor(lo - room), 0, np.array(entry.shape) - 2).astype(int)
    below, right = np.clip(np.ceil(hi + room), (row + 1, col + 1), entry.shape).astype(int)
    return int(row), int(col), int(below - row), int(right - col)


def _path(shape: Any) -> str:
    """Return polygons in (row, col) as SVG path data."""
    import shapely

    out = []
    for part in shapely.get_parts(shape):
        rings = [part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part]
        for ring in rings:
            points = np.asarray(ring.coords)
            pairs = " ".join(f"{col:.1f} {row:.1f}" for row, col in points)
            out.append(f"M{pairs}" + ("Z" if part.geom_type == "Polygon" else ""))
    return "".join(out)


def _ring(points: Any, *, closed: bool = True) -> str:
    pairs = " ".join(f"{col:.1f} {row:.1f}" for row, col in np.asarray(points, float))
    return f"M{pairs}{'Z' if closed else ''}"


def face_figure(
    findings: Findings,
    face: FaceFindings,
    caption: str,
    *,
    parts: Sequence[Placed] = (),
    side_px: int = 1400,
    key: str = "f",
) -> Html:
    """Return the figure of one face with its legend.

    Parameters
    ----------
    findings, face
        What to show.
    caption : str
        Said below and used as the alternative text.
    parts : sequence of Placed
        Parts laid out on it.
    side_px : int
        Longest side of the embedded copy.
    key : str
        Makes the ids of hatches unique on the page.
    """
    import shapely

    from slabvision.store import photo_path

    entry = findings.record.photo(face.photo)
    box = _box_round(entry)
    row, col, height, width = box
    uri = photo_uri(photo_path(findings.folder, entry), entry.shape, box, side_px)
    thin, view = width / 900, face.view
    clear = shapely.simplify(view.to_pixels(face.region.with_keep_outs), 0.7)
    seen = shapely.simplify(view.to_pixels(face.region.as_seen), 0.7)
    kinds = list(dict.fromkeys(d.kind for d in face.defects))
    layers: list[Html | str] = [
        el("image", href=uri, x=col - 0.5, y=row - 0.5, width=width, height=height),
        el("path", d=_path(clear), fill=_CLEAR, fill_opacity=0.26, stroke=_CLEAR,
           stroke_width=1.8 * thin, fill_rule="evenodd"),
        el("path", d=_path(seen), fill="none", stroke="#ffffff", stroke_width=1.0 * thin,
           stroke_dasharray=f"{5 * thin:.1f} {4 * thin:.1f}"),
    ]  # fmt: skip
    if entry.arris is not None:
        line = _ring(entry.arris.points, closed=not entry.arris.open)
        layers += [
            el("path", d=line, fill="none", stroke="#fff", stroke_width=3.2 * thin),
            el("path", d=line, fill="none", stroke="#14213d", stroke_width=1.5 * thin),
        ]
    labels: list[Html | str] = []
    for each, drawn in zip(face.defects, view.shape.defects, strict=True):
        shape = view.to_pixels(drawn.shape)
        if shape.is_empty:
            continue
        kind = defect_kind(each.kind)
        data = _path(shapely.simplify(shape, 0.7))
        layers.append(
            el("path", d=data, fill=kind.color, fill_opacity=0.8, stroke="#fff",
               stroke_width=0.7 * thin)
        )  # fmt: skip
        layers.append(el("path", d=data, fill=f"url(#{key}-{each.kind})"))
        place = shape.representative_point()
        labels.append(
            el("text", str(each.number), x=round(place.y + 6 * thin, 1),
               y=round(place.x - 6 * thin, 1))
        )  # fmt: skip
    for mark in entry.marks:
        layers.append(_mark(mark, thin))
    overlaps = any(a.polygon.intersects(b.polygon) for a, b in itertools.combinations(parts, 2))
    for order, part in enumerate(parts):
        shape = view.to_pixels(shapely.segmentize(part.polygon, 50.0))
        layers.append(
            el("path", d=_path(shape), fill=_PART, fill_opacity=0.18, stroke=_PART,
               stroke_width=2.4 * thin)
        )  # fmt: skip
        place = shape.representative_point()
        # names of parts that lie over one another step down
        row_at = place.x + 0.03 * width * (order - (len(parts) - 1) / 2) * overlaps
        labels.append(
            el("text", part.name, x=round(place.y, 1), y=round(row_at, 1), text_anchor="middle")
        )
    labels += _ends(face, box)
    picture = el(
        "svg",
        el("title", caption),
        el("defs", *(_hatch(kind, key, thin) for kind in kinds)),
        *layers,
        *labels,
        viewBox=f"{col - 0.5} {row - 0.5} {width} {height}",
        role="img",
        style=f"--w:{width}",
        xmlns="http://www.w3.org/2000/svg",
    )
    return el(
        "figure",
        picture,
        el("figcaption", caption),
        _legend(kinds, bool(parts), bool(entry.marks), key),
        class_="photo",
    )


def _mark(mark: Any, thin: float) -> Html:
    points = mark_points(mark)
    dots = [
        el("circle", cx=round(col, 1), cy=round(row, 1), r=2.2 * thin, fill=_MARK)
        for row, col in points
    ]
    if mark.type == "board":
        return join(dots)
    line = _ring(points, closed=mark.type == "rectangle")
    return join([el("path", d=line, fill="none", stroke=_MARK, stroke_width=1.6 * thin), *dots])


def _ends(face: FaceFindings, box: Box) -> list[Html | str]:
    """Write end A and end B off the slab, inside the frame."""
    row0, col0, height, width = box
    outline = face.view.shape.outline
    u0, v0, u1, v1 = outline.bounds
    across = (v0 + v1) / 2
    room = 0.012 * max(u1 - u0, 1.0)
    out: list[Html | str] = []
    for name, u in (("end A", u0 - room), ("end B", u1 + room)):
        row, col = face.view.plane.to_pixels(np.array([[u, across]]))[0]
        left = 100 * (col - col0) / width < 50
        col = float(np.clip(col, col0 + 0.004 * width, col0 + 0.996 * width))
        row = float(np.clip(row, row0 + 0.06 * height, row0 + 0.97 * height))
        out.append(
            el("text", name, x=round(col, 1), y=round(row, 1),
               transform=f"rotate({-90 if left else 90} {col:.1f} {row:.1f})",
               text_anchor="middle")
        )  # fmt: skip
    return out


def _hatch(kind: str, key: str, thin: float) -> Html:
    """Return the hatch of a kind, so that grey prints still tell kinds apart."""
    signs, size = defect_kind(kind).hatch, 9 * thin
    half = size / 2
    stroke: dict[str, str | float] = {"stroke": "#fff", "stroke_width": 1.1 * thin, "fill": "none"}
    lines: list[Html] = []
    for sign in dict.fromkeys(signs):
        data = {
            "/": f"M0 {size:.2f}L{size:.2f} 0",
            "\\": f"M0 0L{size:.2f} {size:.2f}",
            "|": f"M{half:.2f} 0V{size:.2f}",
            "-": f"M0 {half:.2f}H{size:.2f}",
            "+": f"M{half:.2f} 0V{size:.2f}M0 {half:.2f}H{size:.2f}",
            "x": f"M0 0L{size:.2f} {size:.2f}M0 {size:.2f}L{size:.2f} 0",
        }.get(sign)
        if data is not None:
            lines.append(el("path", d=data, **stroke))
        else:
            radius = {"o": 0.28, "O": 0.4, ".": 0.12}.get(sign, 0.2) * size
            lines.append(el("circle", cx=half, cy=half, r=radius, **stroke))
    close = size / (1 + 0.35 * (len(signs) - 1))
    return el(
        "pattern", *lines, id=f"{key}-{kind}", width=close, height=close,
        patternUnits="userSpaceOnUse", viewBox=f"0 0 {size:.2f} {size:.2f}",
    )  # fmt: skip


def _legend(kinds: Sequence[str], parts: bool, marks: bool, key: str) -> Html:
    def swatch(title: str, **style: str | float) -> Html:
        box = el(
            "svg", el("rect", x=1.0, y=1.0, width=30.0, height=16.0, **style),
            viewBox="0 0 32 18", aria_hidden="true",
        )  # fmt: skip
        return el("li", box, title)

    items = [
        swatch("clear, with keep-outs", fill=_CLEAR, fill_opacity=0.35, stroke=_CLEAR,
               stroke_width=2.0),
        swatch("clear as seen", fill="#777", stroke="#fff", stroke_width=2.0,
               stroke_dasharray="5 4"),
    ]  # fmt: skip
    for kind in kinds:
        items.append(swatch(defect_kind(kind).title, fill=defect_kind(kind).color))
    if marks:
        items.append(swatch("reference", fill="none", stroke=_MARK, stroke_width=3.0))
    if parts:
        items.append(swatch("part laid out", fill=_PART, fill_opacity=0.25, stroke=_PART,
                            stroke_width=2.5))  # fmt: skip
    return el("ul", *items, class_="legend", aria_label="legend")
