"""Write a scene: photos as a visit would hold them, the truth apart from them."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np

from slabvision.scene.fill import Array, rings_of
from slabvision.scene.patches import Defect
from slabvision.scene.render import ScenePhoto, SlabScene
from slabvision.scene.truth import EdgeTruth, FaceTruth

__all__ = ["write_scene"]


def _points(points: Array, digits: int = 3) -> list[Any]:
    return list(np.round(np.asarray(points, np.float64), digits).tolist())


def _shape(shape: Any) -> list[Any]:
    return [_points(ring) for ring in rings_of(shape)]


def _defect(d: Defect) -> dict[str, Any]:
    step = max(1, len(d.line) // 400)
    keep = np.unique(np.append(np.arange(0, len(d.line), step), len(d.line) - 1)) \
        if len(d.line) else np.empty(0, int)  # fmt: skip
    return {
        "number": d.number, "kind": d.kind, "area_mm2": d.area_mm2, "length_mm": d.length_mm,
        "seen_length_mm": d.seen_length_mm, "tips_px": _points(d.tips),
        "line_px": _points(d.line[keep]), "widths_mm": _points(d.widths_mm[keep], 4),
        "rings_mm": _shape(d.polygon_mm),
    }  # fmt: skip


def _photo(photo: ScenePhoto, name: str) -> dict[str, Any]:
    camera = photo.camera
    said: dict[str, Any] = {
        "file": name, "role": photo.role, "lens": photo.lens, "reference": photo.reference,
        "yard": photo.yard, "light": photo.light, "messenger": photo.messenger,
        "tilt_deg": photo.tilt_deg, "distance_mm": photo.distance_mm, "plane_mm": photo.plane_mm,
        "camera": {
            "shape": list(camera.shape), "focal_px": camera.focal_px,
            "centre_row_col": list(camera.centre), "k1": camera.k1, "k2": camera.k2,
            "rotation": camera.rotation.tolist(), "position_mm": camera.position.tolist(),
        },
    }  # fmt: skip
    truth = photo.truth
    if isinstance(truth, FaceTruth):
        said |= {
            "arris_mm": _shape(truth.arris_mm), "arris_px": _points(truth.arris),
            "arris_area_mm2": truth.arris_area_mm2, "bark_mm": _shape(truth.bark_mm),
            "widest_mm": _shape(truth.widest_mm), "widest_px": _points(truth.widest),
            "widest_area_mm2": truth.widest_area_mm2, "defect_area_mm2": truth.defect_area_mm2,
            "clear_area_mm2": truth.clear_area_mm2, "cut_off": truth.cut_off,
            "defects": [_defect(d) for d in truth.table],
            "marks": [
                {"kind": m.kind, "place": m.place, "offset_mm": m.offset_mm,
                 "points_px": _points(m.points), "mm": _points(m.mm),
                 "world_mm": _points(m.world)}
                for m in truth.marks
            ],
        }  # fmt: skip
    elif isinstance(truth, EdgeTruth):
        said["defects"] = [_defect(d) for d in truth.table]
    else:
        rows, cols = camera.shape
        r, c = np.mgrid[0:rows:24, 0:cols:24]
        grid = np.column_stack([r.ravel(), c.ravel()])
        grid = grid[truth.mask[grid[:, 0], grid[:, 1]]].astype(np.float64)
        said |= {
            "outline_mm": _shape(truth.outline_mm), "outline_px": _points(truth.outline),
            "pith_px": list(truth.pith), "pith_mm": list(truth.pith_mm),
            "face_line_px": _points(truth.face_line), "thickness_mm": truth.thickness_mm,
            "defects": [_defect(d) for d in truth.table],
            "ring_samples": {
                "row_col": _points(grid), "tangent_deg": _points(truth.ring_tangent_deg(grid), 2),
                "angle_to_face_deg": _points(truth.ring_angle_deg(grid), 2),
            },
        }  # fmt: skip
    return said


def write_scene(scene: SlabScene, folder: str | os.PathLike[str]) -> list[Path]:
    """Write a scene's photos into a folder, and their truth into its subfolder ``truth``.

    Parameters
    ----------
    scene : SlabScene
    folder : path
        Made if it is missing; files of the same names are replaced.

    Returns
    -------
    list of Path
        The photos. ``truth/truth.json`` holds polygons, areas, lines, cameras and marks;
        ``truth/<photo>_labels.png`` (16 bit) and ``_zones.png`` (8 bit; of an edge
        ``_bark.png``) the images.
    """
    from slabvision.opencv import cv2

    place = Path(folder)
    truth_place = place / "truth"
    truth_place.mkdir(parents=True, exist_ok=True)
    files, said = [], []
    for photo in scene.photos:
        stem = f"{scene.look}_{scene.seed}_{photo.role.replace(' ', '')}"
        path = place / f"{stem}.jpg"
        path.write_bytes(photo.jpeg)
        files.append(path)
        said.append(_photo(photo, path.name))
        cv2.imwrite(str(truth_place / f"{stem}_labels.png"), photo.truth.labels)
        if isinstance(photo.truth, EdgeTruth):
            bark = photo.truth.bark.astype(np.uint8) * 255
            cv2.imwrite(str(truth_place / f"{stem}_bark.png"), bark)
        else:
            cv2.imwrite(str(truth_place / f"{stem}_zones.png"), photo.truth.zones)
    warp = scene.slab.warp
    whole = {
        "seed": scene.seed, "look": scene.look, "thickness_mm": scene.thickness_mm,
        "length_mm": scene.length_mm, "volume_mm3": scene.volume_mm3,
        "warp_mm": {"bow": warp.bow_mm, "cup": warp.cup_mm, "twist": warp.twist_mm},
        "photos": said,
    }  # fmt: skip
    (truth_place / "truth.json").write_text(json.dumps(whole, indent=1), encoding="utf-8")
    return files
