"""Findings as layers: shapes on the face carried back through the projection, no window."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from napari_slabvision._owned import PIXELS, tagged
from napari_slabvision._photo_layers import LayerTuple, line_px
from slabvision.findings import FaceFindings

__all__ = ["CLEAR", "KEEP_OUT", "finding_layers", "ring_paths"]

CLEAR = "#2fb37a"
KEEP_OUT = "#ff8c42"
CIRCLE = "#7fd1ff"
RECTANGLE = "#ffe066"
_STEP_MM = 25.0
"""Straight edges on the face are carried over in steps, since a lens may bend them."""


def ring_paths(face: FaceFindings, shape: Any) -> list[NDArray[np.float64]]:
    """Return every border of a shape (mm on the face) as a closed path in the photo, (N, 2)."""
    import shapely

    paths = []
    for part in shapely.get_parts(shape):
        if part.geom_type != "Polygon" or part.is_empty:
            continue
        for ring in (part.exterior, *part.interiors):
            fine = shapely.simplify(shapely.segmentize(ring, _STEP_MM), 0.3)
            at = np.asarray(face.view.plane.to_pixels(np.asarray(fine.coords)[:, :2]))
            paths.append(at)
    return paths


def finding_layers(face: FaceFindings, extras: dict[str, Any] | None = None) -> list[LayerTuple]:
    """Return clear wood, keep-outs and what fits into it as layers, lowest first.

    Parameters
    ----------
    face : FaceFindings
        Of the photo that is shown.
    extras : dict of str to geometry, optional
        ``"circle"``, ``"rectangle"``, ``"parts"``: mm on the face.
    """
    entry = face.view.entry
    layers = []
    region = face.region
    wide = line_px(entry.shape)
    for role, name, shape, color, weight in (
        ("keep-outs", "Keep-outs and trims", _keep_outs(region), KEEP_OUT, 0.7),
        ("as seen", "Clear as seen", region.as_seen, "#bff0d8", 0.8),
        ("clear", "Clear with keep-outs", region.with_keep_outs, CLEAR, 1.3),
        ("circle", "Largest circle", (extras or {}).get("circle"), CIRCLE, 1.3),
        ("rectangle", "Largest rectangle", (extras or {}).get("rectangle"), RECTANGLE, 1.3),
        ("parts", "Parts", (extras or {}).get("parts"), "#ffffff", 1.2),
    ):
        if shape is None or shape.is_empty:
            continue
        paths = ring_paths(face, shape)
        layers.append(
            (
                paths,
                {
                    "name": name,
                    "shape_type": "path",
                    "edge_color": color,
                    "face_color": "transparent",
                    "edge_width": weight * wide,
                    "metadata": tagged(f"finding: {role}", entry.file, weight=weight),
                    "visible": role != "as seen",
                    **PIXELS,
                },
                "shapes",
            )
        )
    return layers


def clear_overlay(face: FaceFindings, step: int = 4) -> LayerTuple:
    """Return clear wood as a wash of colour, coarser than the photo by ``step``."""
    import shapely
    from napari.utils.colormaps import DirectLabelColormap

    from slabvision.opencv import cv2

    entry = face.view.entry
    small = np.zeros([-(-side // step) for side in entry.shape], np.uint8)
    for part in shapely.get_parts(face.region.with_keep_outs):
        rings = [
            np.round((at[:, ::-1] - (step - 1) / 2) / step * 16).astype(np.int32)
            for at in ring_paths(face, shapely.MultiPolygon([part]))
        ]
        cv2.fillPoly(small, rings, 1, shift=4)
    return (
        small,
        {
            "name": "Clear wood",
            "opacity": 0.3,
            "colormap": DirectLabelColormap(color_dict={0: "transparent", None: CLEAR}),
            "scale": (float(step), float(step)),
            "translate": ((step - 1) / 2, (step - 1) / 2),
            "units": ("pixel", "pixel"),
            "metadata": tagged("finding: wash", entry.file),
        },
        "labels",
    )


def _keep_outs(region: Any) -> Any:
    import shapely

    taken = [r.shape for r in region.removals if not r.shape.is_empty]
    return shapely.union_all(taken) if taken else None
