"""Good slab folders, wanted parts and tables: what the mutator starts from. Invented data."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from slabvision.opencv import cv2
from slabvision.record import SlabRecord

SHAPE = (150, 350)
"""One eighth of the geometry in ``tests/slab_folders.py``: 7.5 mm of the face per pixel."""
MM = 7.5
MARKS: dict[str, dict[str, Any]] = {
    "rectangle": {"type": "rectangle", "corners": [[38, 75], [38, 235], [118, 235], [118, 75]],
                  "width_mm": 1200, "height_mm": 600},
    "tape": {"type": "tape", "points": [[10, 20], [10, 100], [10, 200], [10, 300]],
             "mm": [0, 80 * MM, 180 * MM, 280 * MM], "shared": "steel tape"},
    "length": {"type": "length", "p": [130, 20], "q": [130, 320], "mm": 300 * MM},
    "across": {"type": "length", "p": [20, 170], "q": [110, 170], "mm": 90 * MM, "place": "face"},
    "square": {"type": "square", "heel": [60, 60], "end_a": [60, 140], "end_b": [20, 60],
               "a_mm": 600, "b_mm": 300},
    "board": {"type": "board", "points": [[50, 100], [50, 130], [80, 130], [80, 100]],
              "mm": [[0, 0], [225, 0], [225, 225], [0, 225]], "check_length_mm": 150},
}  # fmt: skip
MARK_SETS = (("rectangle",), ("tape", "across"), ("length", "across"), ("square",), ("board",))


def _png(image: np.ndarray) -> bytes:
    return bytes(cv2.imencode(".png", image)[1])


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@cache
def files() -> dict[str, bytes]:
    """Return the folder's photos and label images by name."""
    grain = np.random.default_rng(0).integers(100, 170, (*SHAPE, 3)).astype(np.uint8)
    labels, zones = np.zeros(SHAPE, np.uint16), np.zeros(SHAPE, np.uint8)
    labels[50:60, 125:140], labels[87:88, 15:65], zones[122:127] = 1, 2, 101
    made = {"face-a.png": _png(grain), "face-b.png": _png(255 - grain), "end-a.png": _png(grain)}
    for kind, image in (("defects", labels), ("zones", zones)):
        data = _png(image)
        made[f"{kind}-{_hash(data)[:20]}.png"] = data
    return made


def _ref(kind: str) -> dict[str, str]:
    name = next(name for name in files() if name.startswith(kind))
    return {"file": name, "sha256": _hash(files()[name])}


@cache
def record_text(number: int) -> str:
    """Return a good ``slab.json``; the number chooses its reference marks and what else it has."""
    marks = [MARKS[name] | {"name": name} for name in MARK_SETS[number % len(MARK_SETS)]]
    face = {
        "sha256": _hash(files()["face-a.png"]), "file": "face-a.png", "shape": SHAPE,
        "role": "face A", "focal_px": 400.0, "marks": marks, "labels": _ref("defects"),
        "zones": _ref("zones"), "pith_line": [[60, 20], [62, 320]], "end_a": [60, 5],
        "arris": {"points": [[12, 12], [12, 332], [60, 340], [112, 332], [112, 12]], "bark": "out"},
        "defects": [
            {"number": 1, "kind": "sound_knot", "note": "tight"},
            {"number": 2, "kind": "surface_check", "centre_line": [[87, 15], [87, 64]],
             "widths_px": [0.5, 0.6], "depth": "unknown"},
        ],
        "landmarks": [{"name": "knot", "point": [55, 132]}],
    }  # fmt: skip
    photos = [face]
    if number % 2:
        photos.append(face | {"file": "face-b.png", "sha256": _hash(files()["face-b.png"]),
                              "role": "face B", "labels": None, "zones": None,
                              "defects": []})  # fmt: skip
        end_grain = {"face_line": [[10, 10], [10, 300]]}
        photos.append({"file": "end-a.png", "sha256": _hash(files()["end-a.png"]), "shape": SHAPE,
                       "role": "end A", "end_grain": end_grain})  # fmt: skip
    notebook = {
        "tag": "T-1", "species": "black walnut", "log_number": "7", "place": "row 3",
        "date": "2031-05-17", "invented": True, "note": "sound",
        "thickness": [{"mm": 52.0, "station_mm": 300.0}, {"mm": 51.0, "where": "edge 1"}],
        "moisture": [{"percent": 14.0, "station_mm": 600.0, "depth_mm": 12.0, "meter": "pin",
                      "temperature_c": 20.0}],
        "flatness": {"bow_mm": 4.0, "cup_mm": 3.0, "twist_mm": None},
        "claim": {"board_feet": 40.0, "price": 480.0, "price_basis": "board foot",
                  "thickness_mm": 50.8, "moisture_percent": 12.0},
    }  # fmt: skip
    record = {"schema_version": 1, "generation": 3, "notebook": notebook, "photos": photos}
    return json.dumps(SlabRecord.model_validate_json(json.dumps(record)).model_dump(mode="json"))


def write_folder(folder: Path, record: bytes) -> None:
    """Write a slab folder round a record."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files().items():
        (folder / name).write_bytes(data)
    (folder / "slab.json").write_bytes(record)


WANTED = """\
[[part]]
name = "top"
shape = "round"
diameter = "24 in"
thickness = "1 1/2 in"
accept = ["sound_knot"]

[[part]]
name = "shelf"
shape = "rectangle"
count = 2
length = "30 in"
width = "250 mm"
thickness = "1 in"
ring_angle_deg = [0, 90]
species = ["black walnut"]

[[part]]
name = "bench"
shape = "outline"
outline = [[0, 0], [500, 0], [450, 200], [0, 180]]
outline_unit = "mm"
thickness = "40 mm"
allowance = "0 in"

[shop]
payload = "1200 lb"
kerf = "1/8 in"

[costs]
tax_percent = 8
haul_per_slab = 25.5

[[set]]
name = "pair"
slabs = ["T-1", "T-2"]
price = 900
"""

TAPED = "slab,what,at,measured\nT-1,length,,94 1/2 in\nT-1,width,24 in,29.5 in\n"


@cache
def species_text() -> str:
    """Return the head and the first rows of the package's own species table."""
    text = resources.files("slabvision.trade").joinpath("species.csv").read_text("utf-8")
    return "\r\n".join(text.splitlines()[:12]) + "\r\n"
