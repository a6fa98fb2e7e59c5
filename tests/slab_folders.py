"""Slab folders with a known answer, for tests: a camera looks squarely down on a slab.

Invented data. With a focal length of 3200 px at 3000 mm a pixel is 0.9375 mm of the face.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np

from slabvision.opencv import cv2
from slabvision.record import (
    Defect,
    LengthMark,
    Notebook,
    Outline,
    PhotoEntry,
    RectangleMark,
    SlabRecord,
    ThicknessReading,
    YardClaim,
)
from slabvision.store import save_slab

SHAPE = (1200, 2800)
MM_PER_PX = 0.9375
FOCAL_PX = 3200.0
SLAB_PX = ((100, 100), (100, 2660), (900, 2660), (900, 100))  # 2400 x 750 mm
LENGTH_MM, WIDTH_MM = 2560 * MM_PER_PX, 800 * MM_PER_PX
KNOT = (slice(400, 480), slice(1000, 1120))  # 80 x 120 px
CHECK = (slice(700, 703), slice(101, 501))  # 3 px x 400 px
TAPE_ZONE = (slice(980, 1020), slice(0, 2000))  # off the slab


def sheet_mark(**more: Any) -> RectangleMark:
    """A sheet of 1200 x 600 mm flat on the face."""
    corners = [(300, 600), (300, 1880), (940, 1880), (940, 600)]
    known: dict[str, Any] = {"name": "plywood sheet", "place": "face", "corners": corners}
    return RectangleMark(**(known | {"width_mm": 1200, "height_mm": 600} | more))


def square_on_slab(
    folder: Path, *, notebook: Notebook | None = None, grey: int = 150, **entry: Any
) -> Path:
    """Write the slab folder and return it; photos of another grey are other photos."""
    folder.mkdir(parents=True, exist_ok=True)
    pixels = np.full((*SHAPE, 3), grey, np.uint8)
    cv2.imwrite(str(folder / "face-a.png"), pixels)
    digest = hashlib.sha256((folder / "face-a.png").read_bytes()).hexdigest()
    labels, zones = np.zeros(SHAPE, np.uint16), np.zeros(SHAPE, np.uint8)
    labels[KNOT], labels[CHECK] = 1, 2
    known: dict[str, Any] = {
        "file": "face-a.png",
        "sha256": digest,
        "shape": SHAPE,
        "role": "face A",
        "focal_px": FOCAL_PX,
        "focal_u": 0.03,
        "marks": [sheet_mark()],
        "arris": Outline(points=SLAB_PX, bark="out"),
        "defects": [Defect(number=1, kind="sound_knot"), Defect(number=2, kind="surface_check")],
    }
    photo = PhotoEntry(**(known | entry))
    readings = [
        ThicknessReading(mm=x, station_mm=s) for x, s in ((51, 200), (50, 1200), (52, 2200))
    ]
    book = notebook or Notebook(
        tag="T-1",
        species="black walnut",
        thickness=readings,
        claim=YardClaim(board_feet=40, price=480, price_basis="each"),
        invented=True,
    )
    record = SlabRecord(photos=[photo], notebook=book)
    save_slab(folder, record, labels={"face-a.png": labels}, zones={"face-a.png": zones})
    return folder


__all__ = [
    "CHECK",
    "KNOT",
    "LENGTH_MM",
    "MM_PER_PX",
    "SHAPE",
    "WIDTH_MM",
    "LengthMark",
    "square_on_slab",
]
