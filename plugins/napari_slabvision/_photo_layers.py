"""A photo's entry as layer data, and the drawn layers back into an entry: no window.

A layer is ``(data, arguments, type)``, as npe2 readers give it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from napari_slabvision._defect_table import (
    colors,
    features_of,
    traces_of,
    zone_colors,
    zone_features,
)
from napari_slabvision._marks import MARK_COLOR, mark_lines, marks_to_points
from napari_slabvision._owned import KEY, PIXELS, tagged
from napari_slabvision._session import Images
from slabvision.record import Outline, PhotoEntry

__all__ = [
    "ARRIS_COLOR",
    "LayerTuple",
    "defects_layer",
    "outline_layer",
    "outlines_from",
    "photo_layers",
    "reference_layers",
    "role_of_tuple",
    "spots_layer",
]

LayerTuple = tuple[Any, dict[str, Any], str]
ARRIS_COLOR = "#14d2ff"
WIDEST_COLOR = "#ffffff"
_NAMES = {"arris": "arris", "widest": "widest"}


def role_of_tuple(made: LayerTuple) -> str:
    """Return what a layer to be made is to us."""
    return str(made[1]["metadata"][KEY]["role"])


def line_px(shape: tuple[int, int]) -> float:
    """Return a line's width in photo pixels that stays visible with the whole photo in view."""
    return max(1.5, max(shape) / 900)


def photo_layers(
    entry: PhotoEntry, pixels: NDArray[np.uint8], images: Images, unit: str = "in"
) -> list[LayerTuple]:
    """Return all layers of a photo, lowest first."""
    photo = {
        "rgb": True,
        "name": f"Photo: {entry.file}",
        "metadata": tagged("photo", entry.file),
        **PIXELS,
    }
    return [
        (pixels, photo, "image"),
        zones_layer(entry, images.zones),
        defects_layer(entry, images.labels),
        outline_layer(entry),
        *reference_layers(entry, unit),
        spots_layer(entry),
    ]


def zones_layer(entry: PhotoEntry, zones: NDArray[np.uint8]) -> LayerTuple:
    """Return the zones and what is not seen."""
    return (
        zones,
        {
            "name": "Zones and not seen",
            "metadata": tagged("zones", entry.file),
            "opacity": 0.45,
            "features": zone_features(),
            "colormap": _direct(zone_colors()),
            **PIXELS,
        },
        "labels",
    )


def defects_layer(entry: PhotoEntry, labels: NDArray[np.uint16]) -> LayerTuple:
    """Return the painted defects; the table of defects stands in ``features``."""
    return (
        labels,
        {
            "name": "Defects",
            "metadata": tagged("defects", entry.file, traces=traces_of(entry.defects)),
            "opacity": 0.65,
            "features": features_of(entry.defects),
            "colormap": _direct(colors({d.number: d.kind for d in entry.defects})),
            **PIXELS,
        },
        "labels",
    )


def _direct(color_of: dict[int | None, str]) -> Any:
    from napari.utils.colormaps import DirectLabelColormap

    return DirectLabelColormap(color_dict=color_of)


def outline_layer(entry: PhotoEntry) -> LayerTuple:
    """Return arris and widest silhouette as polygons whose corners can be dragged."""
    drawn = [(name, getattr(entry, name)) for name in _NAMES if getattr(entry, name)]
    pith = np.array(entry.pith_line, float).reshape(-1, 2)
    data = [np.array(outline.points, float) for _, outline in drawn]
    if len(pith) > 1:
        data.append(pith)
    names = [name for name, _ in drawn] + (["pith line"] if len(pith) > 1 else [])
    return (
        data,
        {
            "name": "Outline",
            "shape_type": ["path" if name == "pith line" else "polygon" for name in names],
            "features": {"outline": np.array(names, dtype=object)},
            "feature_defaults": {"outline": "arris"},
            "edge_color": [WIDEST_COLOR if name == "widest" else ARRIS_COLOR for name in names]
            or ARRIS_COLOR,
            "face_color": "transparent",
            "edge_width": line_px(entry.shape),
            "metadata": tagged("outline", entry.file),
            **PIXELS,
        },
        "shapes",
    )


def outlines_from(
    entry: PhotoEntry, data: Sequence[NDArray[np.float64]], names: Sequence[str]
) -> dict[str, Any]:
    """Return the changed fields of an entry from the outline layer.

    Of several shapes of one name the last drawn counts; a shape without a name is the arris.
    """
    changes: dict[str, Any] = {"arris": None, "widest": None, "pith_line": []}
    for points, name in zip(data, names, strict=True):
        at = [(float(row), float(col)) for row, col in points]
        if name == "pith line":
            changes["pith_line"] = at
            continue
        which = name if name in _NAMES else "arris"
        if len(at) < 3:
            continue
        before: Outline | None = getattr(entry, which)
        if before is not None and list(before.points) == at:
            changes[which] = before
            continue
        kept = {"bark": before.bark, "open": before.open} if before else {}
        changes[which] = Outline(points=at, tool="hand", **kept)
    return changes


def reference_layers(entry: PhotoEntry, unit: str = "in") -> list[LayerTuple]:
    """Return the reference marks: lines below, draggable points with their readings above."""
    points, table = marks_to_points(entry.marks, unit)
    lines = mark_lines(entry.marks)
    width = line_px(entry.shape)
    return [
        (
            lines,
            {
                "name": "Reference lines",
                "shape_type": "path",
                "edge_color": MARK_COLOR,
                "face_color": "transparent",
                "edge_width": width,
                "metadata": tagged("mark lines", entry.file),
                **PIXELS,
            },
            "shapes",
        ),
        (
            points,
            {
                "name": "Reference",
                "ndim": 2,
                "features": table,
                "size": 7 * width,
                "symbol": "cross",
                "face_color": MARK_COLOR,
                "border_width": 0.0,
                "text": _text(),
                "metadata": tagged("marks", entry.file),
                **PIXELS,
            },
            "points",
        ),
    ]


def _text(color: str = "white") -> dict[str, Any]:
    return {"string": "{text}", "color": color, "size": 9, "anchor": "upper_left"}


def spots_layer(entry: PhotoEntry) -> LayerTuple:
    """Return named spots: end A, the pith's hint, landmarks."""
    spots: list[tuple[tuple[float, float], str]] = []
    if entry.end_a is not None:
        spots.append((entry.end_a, "end A"))
    if entry.end_grain is not None and entry.end_grain.pith_hint is not None:
        spots.append((entry.end_grain.pith_hint, "pith about here"))
    spots += [(mark.point, mark.name) for mark in entry.landmarks]
    return (
        np.array([at for at, _ in spots], float).reshape(-1, 2),
        {
            "name": "Named spots",
            "ndim": 2,
            "features": {
                "name": [name for _, name in spots],
                "text": [name.partition(" (")[0] for _, name in spots],  # short, beside the point
            },
            "size": 7 * line_px(entry.shape),
            "symbol": "diamond",
            "face_color": "#ffd23f",
            "border_color": "black",
            "text": _text("#ffd23f"),
            "metadata": tagged("spots", entry.file),
            **PIXELS,
        },
        "points",
    )
