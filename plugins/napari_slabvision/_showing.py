"""Shows a photo's layers in place of those of the photo before: quickly, and with clean undo.

Making and removing layers is what takes napari long, so a layer is given its new content where
that is safe. A Labels layer that was painted on is not: napari keeps its history when the data
change, and an undo would then write old strokes into the new photo. It is made anew.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Any

import numpy as np

from napari_slabvision._owned import cheap_removal, find, owned, role_of
from napari_slabvision._photo_layers import LayerTuple, role_of_tuple

__all__ = ["refill_drawn", "same_shapes", "show_layers"]


def show_layers(
    viewer: Any,
    made: Sequence[LayerTuple],
    add: Callable[[Any, dict[str, Any], str], Any],
    painted: Collection[str],
) -> None:
    """Show layers of a photo, lowest first, in place of those that are there.

    Parameters
    ----------
    viewer : Viewer
    made : sequence of LayerTuple
        As :func:`napari_slabvision._photo_layers.photo_layers` gives them.
    add : callable
        Adds a layer.
    painted : collection of str
        Roles of Labels layers that have a history.
    """
    roles = [role_of_tuple(each) for each in made]
    whole = set(roles) <= {role_of(layer) for layer in owned(viewer)}
    with cheap_removal():
        for layer in owned(viewer):
            if not whole or role_of(layer) not in roles:
                viewer.layers.remove(layer)
        for (data, arguments, kind), role in zip(made, roles, strict=True):
            layer = find(viewer, role)
            if layer is None:
                add(data, arguments, kind)
            elif role in painted:
                at = viewer.layers.index(layer)
                viewer.layers.remove(layer)
                new = add(data, arguments, kind)
                viewer.layers.move(viewer.layers.index(new), at)
            else:
                _refill(layer, data, arguments, kind)


def _refill(layer: Any, data: Any, arguments: dict[str, Any], kind: str) -> None:
    if kind == "image":
        layer.data = data
        layer.name = arguments["name"]
    elif kind == "labels":
        layer.data = data
        layer.features = arguments["features"]
    else:
        refill_drawn(layer, data, arguments, kind)
    layer.metadata = arguments["metadata"]


def same_shapes(layer: Any, data: Any) -> bool:
    """Whether a layer of shapes or points holds this already: making shapes anew takes long."""
    return len(layer.data) == len(data) and all(
        np.array_equal(a, b) for a, b in zip(layer.data, data, strict=True)
    )


def refill_drawn(layer: Any, data: Any, arguments: dict[str, Any], kind: str) -> None:
    """Give a Points or Shapes layer other content."""
    layer.selected_data = set()
    if kind == "points":
        layer.data = data
        layer.features = arguments["features"]
        layer.refresh_text()
        return
    if len(layer.data):
        layer.data = []
    if len(data):
        names = ("shape_type", "edge_color", "edge_width", "face_color")
        layer.add(data, **{name: arguments[name] for name in names})
        if "features" in arguments:
            layer.features = arguments["features"]
