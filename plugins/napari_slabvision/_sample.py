"""The sample slab, as napari's sample data and for the dock's button."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from pathlib import Path
from typing import Any

__all__ = ["copy_of_sample", "open_sample"]


def copy_of_sample() -> Path:
    """Copy the sample slab into a folder that may be changed and goes when napari goes."""
    from slabvision.sample import sample_folder

    place = Path(tempfile.mkdtemp(prefix="slabvision-"))
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    with sample_folder() as folder:
        return Path(shutil.copytree(folder, place / folder.name))


def open_sample() -> list[tuple[Any, dict[str, Any], str]]:
    """Return the sample slab as layers."""
    from napari_slabvision._reader import read_slab

    return read_slab(str(copy_of_sample()))
