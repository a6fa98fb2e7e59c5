"""The sample slab that comes with the program: invented demonstration data."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import as_file, files
from pathlib import Path

__all__ = ["SAMPLE", "sample_folder"]

SAMPLE = "quay-04"
"""Folder of the sample slab inside the package."""


@contextmanager
def sample_folder() -> Iterator[Path]:
    """Give the sample slab as a folder of its own that may be changed; it is removed afterwards."""
    source = files("slabvision") / "sample_data" / SAMPLE
    with as_file(source) as packed, tempfile.TemporaryDirectory(prefix="slabvision-") as place:
        target = Path(place) / SAMPLE
        shutil.copytree(packed, target)
        yield target
