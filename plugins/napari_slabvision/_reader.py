"""Reader for slab folders: ``napari slab-07`` or a folder dropped on the window."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

__all__ = ["get_reader", "read_slab"]

LayerTuple = tuple[Any, dict[str, Any], str]
RECORD = "slab.json"


def get_reader(path: str | list[str]) -> Callable[[str], list[LayerTuple]] | None:
    """Return a reader when the path is a slab folder or its ``slab.json``."""
    if isinstance(path, list):
        if len(path) != 1:
            return None
        path = path[0]
    place = Path(path)
    if place.name == RECORD and place.is_file():
        return read_slab
    return read_slab if (place / RECORD).is_file() else None


def read_slab(path: str | list[str]) -> list[LayerTuple]:
    """Return the first face of a slab with everything drawn on it.

    The layers carry the slab's folder; the dock takes the slab over from them.
    """
    from napari_slabvision._owned import KEY
    from napari_slabvision._photo_layers import photo_layers
    from napari_slabvision._session import SlabSession
    from slabvision.photo import read_photo
    from slabvision.store import check_photo

    place = Path(path[0] if isinstance(path, list) else path)
    session = SlabSession.open(place.parent if place.name == RECORD else place)
    if not session.file:
        return [(None,)]  # type: ignore[list-item]  # npe2's sign for "nothing to show"
    entry = session.entry
    pixels = read_photo(check_photo(session.folder, entry), allow_panorama=True).pixels
    made = photo_layers(entry, pixels, session.read_images(entry))
    kept = []
    for data, arguments, kind in made:
        if kind in ("shapes", "points") and not len(data):
            continue
        arguments["metadata"][KEY]["folder"] = str(session.folder)
        kept.append((data, arguments, kind))
    return kept
