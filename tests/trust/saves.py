"""A small slab whose number stands in its notebook and in its painted image: they must agree."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np

from slabvision.record import Defect, Notebook, Outline, PhotoEntry, SlabRecord
from slabvision.store import load_slab, read_labels, read_zones, save_slab

SHAPE = (64, 96)
PHOTO = "face.png"


def start(folder: Path) -> SlabRecord:
    """Make the slab and save it once, as number 0."""
    (folder / PHOTO).write_bytes(b"stands for a photo")
    entry = PhotoEntry(
        file=PHOTO,
        sha256=hashlib.sha256(b"stands for a photo").hexdigest(),
        shape=SHAPE,
        role="face A",
        arris=Outline(points=[(1, 1), (1, 50), (30, 50), (30, 1)]),
        defects=[Defect(number=1, kind="rot")],
    )
    return save_number(folder, SlabRecord(photos=[entry]), 0)


def _pattern(number: int) -> np.ndarray:
    return (np.random.default_rng(number).random(SHAPE) < 0.5).astype(np.uint16)


def save_number(folder: Path, record: SlabRecord, number: int) -> SlabRecord:
    """Save a number: in the notebook and in both images."""
    book = Notebook(tag=str(number), note="x" * (number % 7) * 400)
    image = _pattern(number)
    return save_slab(
        folder,
        record.model_copy(update={"notebook": book}),
        labels={PHOTO: image},
        zones={PHOTO: (image * 101).astype(np.uint8)},
    )


def number_in(folder: Path) -> int:
    """Load the slab and return its number; picture and table must be of the same save."""
    record = load_slab(folder)
    number = int(record.notebook.tag)
    entry = record.photo(PHOTO)
    assert (read_labels(folder, entry) == _pattern(number)).all(), "picture of another save"
    assert (read_zones(folder, entry) == _pattern(number) * 101).all(), "zones of another save"
    return number
