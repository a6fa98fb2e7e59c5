"""Makes the sample slabs: rendered photos with a record. Everything in them is invented.

    python -m slabvision.study.samples sample_images slabvision/sample_data

writes three slabs, each with both faces, both ends and an edge, and their truth beside them,
into the first folder, and a lighter copy of the first slab for the wheel into the second.
"""

from __future__ import annotations

import json
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from slabvision.record import Flatness, MoistureReading, Notebook, SlabRecord, YardClaim
from slabvision.scene import SlabScene, render_slab
from slabvision.study.from_scene import face_truth_of, readings, write_slab
from slabvision.study.hand import DrawingHand
from slabvision.units import BOARD_FOOT_MM3

__all__ = ["SAMPLES", "Sample", "make_sample"]

_CAREFUL = DrawingHand(click_px=1.0, offset_mm=0.8, wobble_mm=1.0)
_YARD = "Lower Quay salvage (invented)"


@dataclass(frozen=True)
class Sample:
    """One invented slab."""

    name: str
    seed: int
    look: str
    species: str
    reference: str
    tilt_band: str
    yard: str
    log_number: str
    place_in_log: str
    price: float
    price_basis: str
    stated_moisture: float
    moisture: tuple[float, ...]
    over_tag: float
    """How much the tag states over the exact board feet."""
    scene: tuple[tuple[str, Any], ...] = ()


SAMPLES = (
    Sample("quay-04", 12, "plane", "London plane", "two tapes", "ladder", "concrete", "LQ-2",
           "second from the heart", 620, "each", 12, (14.1, 15.3, 13.8), 1.06,
           (("light", "overcast"),)),
    Sample("quay-11", 15, "walnut", "black walnut", "plywood", "eye height", "concrete", "LQ-7",
           "third from the heart", 14.5, "board foot", 10, (10.4, 11.2, 10.1), 1.0,
           (("light", "overcast"),)),
    Sample("quay-19", 13, "oak", "northern red oak", "board", "ladder", "grass", "LQ-9",
           "first off the heart", 780, "each", 9, (12.6, 13.9, 16.2), 1.02),
)  # fmt: skip


def _notebook(sample: Sample, scene: SlabScene) -> Notebook:
    area = face_truth_of(scene.photo("face A")).arris_area_mm2
    exact = area * scene.thickness_mm / BOARD_FOOT_MM3
    per = scene.length_mm / (len(sample.moisture) + 1)
    basis: Any = sample.price_basis
    return Notebook(
        tag=sample.name.upper(),
        log_number=sample.log_number,
        place_in_log=sample.place_in_log,
        bark_side="A",
        species=sample.species,
        place=_YARD,
        date="2026-04-18",
        thickness=readings(scene, sample.seed),
        moisture=[
            MoistureReading(
                percent=percent,
                station_mm=round(per * (i + 1)),
                depth_mm=12,
                temperature_c=16,
                meter="pin meter, set to the species",
            )
            for i, percent in enumerate(sample.moisture)
        ],
        flatness=_flatness(scene),
        claim=YardClaim(
            board_feet=round(exact * sample.over_tag),
            moisture_percent=sample.stated_moisture,
            price=sample.price,
            price_basis=basis,
        ),
        note="Invented slab of an invented yard, rendered for demonstration.",
        invented=True,
    )


def _flatness(scene: SlabScene) -> Flatness:
    """Return the slab's bow, cup and twist, read to the millimetre with a straight edge."""
    warp = scene.slab.warp
    return Flatness(
        bow_mm=float(round(abs(warp.bow_mm))),
        cup_mm=float(round(abs(warp.cup_mm))),
        twist_mm=float(round(abs(warp.twist_mm))),
    )


def make_sample(
    sample: Sample, folder: Path, *, views: tuple[str, ...], megapixels: float, max_bytes: int
) -> tuple[SlabRecord, SlabScene]:
    """Render one sample and write its slab folder."""
    scene = render_slab(
        sample.seed,
        look=sample.look,
        views=views,
        reference=sample.reference,
        tilt_band=sample.tilt_band,
        yard=sample.yard,
        megapixels=megapixels,
        max_bytes=max_bytes,
        **dict(sample.scene),
    )
    shutil.rmtree(folder, ignore_errors=True)
    return write_slab(
        scene, folder, _notebook(sample, scene), hand=_CAREFUL, seed=sample.seed
    ), scene


def _overall_length_mm(outline: Any) -> float:
    """Return the long side of the smallest rectangle round a face: ends are not sawn square."""
    corners = np.asarray(outline.minimum_rotated_rectangle.exterior.coords)
    return float(np.linalg.norm(np.diff(corners, axis=0), axis=1).max())


def truth_of(scene: SlabScene) -> dict[str, Any]:
    """Return the truth of a sample as plain numbers, for tests and for the curious."""
    faces = {}
    for photo in scene.photos:
        if photo.role.startswith("face"):
            truth = face_truth_of(photo)
            faces[photo.role] = {
                "gross_area_mm2": round(truth.arris_area_mm2, 1),
                "clear_area_mm2": round(truth.clear_area_mm2, 1),
                "length_mm": round(_overall_length_mm(truth.arris_mm), 2),
                "camera_tilt_deg": round(photo.tilt_deg, 3),
            }
    return {
        "note": "truth of a rendered slab; invented",
        "seed": scene.seed,
        "look": scene.look,
        "thickness_mm": round(scene.thickness_mm, 3),
        "volume_mm3": round(scene.volume_mm3),
        "faces": faces,
        "ring_angle_profile": np.round(scene.ring_angle_profile(count=21), 2).tolist(),
    }


def main(images: Path, packed: Path) -> None:
    """Write all samples."""
    every = ("face A", "face B", "end A", "end B", "edge")
    for sample in SAMPLES:
        _, scene = make_sample(
            sample, images / sample.name, views=every, megapixels=4, max_bytes=900_000
        )
        _write_truth(images / f"{sample.name}.truth.json", scene)
    first = SAMPLES[0]
    _, scene = make_sample(
        first,
        packed / first.name,
        views=("face A", "face B", "end A"),
        megapixels=3,
        max_bytes=700_000,
    )
    _write_truth(packed / f"{first.name}.truth.json", scene)


def _write_truth(path: Path, scene: SlabScene) -> None:
    path.write_text(json.dumps(truth_of(scene), indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
