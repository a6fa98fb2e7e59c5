"""Layers of ours in a viewer: found by a key in their metadata, never by their name."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

__all__ = [
    "KEY",
    "cheap_removal",
    "find",
    "fit_to_zoom",
    "owned",
    "remove_owned",
    "role_of",
    "tagged",
]

KEY = "slabvision"
PIXELS: dict[str, Any] = {"scale": (1.0, 1.0), "units": ("pixel", "pixel")}
"""Annotations live in pixels: a tilted photo has no single millimetre per pixel to scale by."""


def tagged(role: str, file: str, **more: Any) -> dict[str, Any]:
    """Return layer metadata that says what the layer is to us."""
    return {KEY: {"role": role, "file": file, **more}}


def role_of(layer: Any) -> str:
    """Return what a layer is to us; empty for other people's layers."""
    mine = layer.metadata.get(KEY)
    return str(mine.get("role", "")) if isinstance(mine, dict) else ""


def owned(viewer: Any) -> list[Any]:
    """Return our layers, lowest first."""
    return [layer for layer in viewer.layers if role_of(layer)]


def find(viewer: Any, role: str) -> Any | None:
    """Return our layer of this role, or None."""
    for layer in viewer.layers:
        if role_of(layer) == role:
            return layer
    return None


@contextmanager
def cheap_removal() -> Iterator[None]:
    """Remove layers without a full garbage collection for each.

    napari collects after every removal, about a third of a second with a few viewers' worth of
    objects. What exists already is put out of the collector's sight meanwhile; the next ordinary
    collection sees it again.
    """
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def remove_owned(viewer: Any, prefix: str = "") -> None:
    """Remove our layers whose role begins so."""
    gone = [layer for layer in owned(viewer) if role_of(layer).startswith(prefix)]
    if gone:
        with cheap_removal():
            for layer in gone:
                viewer.layers.remove(layer)


LINE_PX, POINT_PX = 2.0, 13.0
"""Width of a line and of a point on the screen."""


def fit_to_zoom(layer: Any, zoom: float) -> None:
    """Give lines and points of ours a width on the screen instead of one in the photo.

    Parameters
    ----------
    layer : Layer
    zoom : float
        Screen pixels per pixel of the photo.
    """
    weight = float(layer.metadata.get(KEY, {}).get("weight", 1.0))
    kind = type(layer).__name__
    if kind == "Shapes":
        width = weight * LINE_PX / zoom
        if len(layer.data) and abs(layer.edge_width[0] - width) > 0.1 * width:
            layer.edge_width = [width] * len(layer.data)
            layer.refresh()  # napari 0.9 keeps showing the old width until then
    elif kind == "Vectors":
        layer.edge_width = weight * LINE_PX / zoom
    elif kind == "Points":
        size = weight * POINT_PX / zoom
        if len(layer.data) and abs(float(layer.size[0]) - size) > 0.1 * size:
            layer.size = size
