"""Paint a photo of a live edge seen from the side, and what defects come out there."""

from __future__ import annotations

from typing import Any

import numpy as np

from slabvision.estimate import named_rng
from slabvision.opencv import cv2
from slabvision.scene.camera import Camera
from slabvision.scene.condition import Slab, contoured
from slabvision.scene.face_photo import Setting, daylight
from slabvision.scene.faults import Blob, KnotBody
from slabvision.scene.fill import Array
from slabvision.scene.noise import blur_noise, enlarge, smoothstep
from slabvision.scene.patches import Defect
from slabvision.scene.picture import Picture
from slabvision.scene.side_photo import receding_face, yard_behind
from slabvision.scene.truth import EdgeTruth

__all__ = ["edge_depth_mm", "paint_edge"]


def _edge_relief(slab: Slab, mm: float) -> tuple[Array, Array, tuple[float, float], float]:
    """Return depth of the lower live edge behind the edge's plane, and bark, on a texture grid."""
    cut, frame = slab.cut, slab.cut.frame("edge")
    length, thick = cut.x1 - cut.x0, cut.thickness_mm
    factor = max(1, round(3.0 / mm))
    shape = (int((thick + 8) / mm), int((length + 80) / mm))
    rows, cols = (-(-n // factor) + 2 for n in shape)
    offset = (factor - 1) / 2
    v = -4.0 + mm * ((np.arange(rows) - 1) * factor + offset)
    u = -40.0 + mm * ((np.arange(cols) - 1) * factor + offset)
    depth, bark = [], []
    for each in v:
        x, _, z = frame.to_log(u, np.array(each))
        height = float(np.clip(np.max(z), cut.z_b, cut.z_a))
        depth.append(cut.edge_y(x, height, -1) - cut.y_origin[1])
        bark.append(cut.bark_mm(x, height, -1))
    return (
        enlarge(np.stack(depth), factor, shape), enlarge(np.stack(bark), factor, shape),
        (-40.0, -4.0), length,
    )  # fmt: skip


def edge_depth_mm(slab: Slab) -> float:
    """Return the mean depth of the live edge behind the plane that edge photos are mapped on."""
    rails = [slab.cut.rail(z, -1)[:, 1] for z in (slab.cut.z_a, slab.cut.z_b)]
    return float(np.mean(np.concatenate(rails)) - slab.cut.y_origin[1])


def paint_edge(
    slab: Slab, camera: Camera, setting: Setting, seed: int
) -> tuple[Picture, EdgeTruth]:
    """Paint a photo of the lower live edge, seen from the side, and tell its truth."""
    rng = named_rng("scene photo edge", seed)
    cut, look = slab.cut, slab.cut.log.look
    length, thick = cut.x1 - cut.x0, cut.thickness_mm
    picture = yard_behind(rng, camera, setting, thick + setting.gap_mm, (0.0, length), 650.0)
    if camera.position[1] < 0:
        receding_face(slab, "edge", picture, seed)
    middle = np.array(camera.shape) / 2
    step = camera.to_plane(np.array([middle, middle + np.array([0.0, 1.0])]))
    mm = float(np.clip(0.85 * np.linalg.norm(step[1] - step[0]), 0.2, 3.0))
    relief, bark, (u0, v0), _ = _edge_relief(slab, mm)
    labels, stubs, table, tint = _defects_on_edge(slab, relief, (u0, v0), mm)
    # A branch that comes out of the log carries no bark of the stem.
    on = np.clip((bark - 0.8) / 0.8, 0, 1).astype(np.float32) * (1.0 - stubs)
    texture, outward = _edge_texture(rng, look, relief, bark, on, tint, mm)
    x, y, cover = _drape(picture, texture, relief - outward, (u0, v0), mm, (length, thick), cut)
    outline: Any = slab.outline("face A")
    daylight(rng, picture, setting, outline)
    mask = cover > 0.5
    seen = [cv2.remap(a, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
            for a in (labels, (on > 0.5).astype(np.uint8))]  # fmt: skip
    truth = EdgeTruth(camera, mask, np.where(mask, seen[0], 0).astype(np.uint16),
                      mask & (seen[1] > 0), tuple(table))  # fmt: skip
    return picture, truth


def _defects_on_edge(slab: Slab, relief: Array, origin: tuple[float, float], mm: float
                     ) -> tuple[Array, Array, list[Defect], Array]:  # fmt: skip
    """Return instances on the wood's surface, where branches come out, their table, and colours.

    The bodies are those that the faces and ends cut; here the live edge cuts them.
    """
    cut, shape = slab.cut, relief.shape
    labels, stubs = np.zeros(shape, np.uint16), np.zeros(shape, np.float32)
    tint = np.ones((*shape, 3), np.float32)
    table: list[Defect] = []
    for blob in slab.blobs:
        x0, x1, y0, y1, z0, z1 = blob.box
        around = np.array([-3, 4])
        c0, c1 = ((np.array([x0, x1]) - cut.x0 - origin[0]) / mm).astype(int) + around
        r0, r1 = ((cut.z_a - np.array([z1, z0]) - origin[1]) / mm).astype(int) + around
        rows, cols = slice(max(r0, 0), min(r1, shape[0])), slice(max(c0, 0), min(c1, shape[1]))
        depth = relief[rows, cols]
        if depth.size == 0 or depth.shape[0] < 3 or depth.shape[1] < 3:
            continue
        y = cut.y_origin[1] + depth
        if y.max() < y0 - 5 or y.min() > y1 + 5:
            continue
        u = origin[0] + mm * np.arange(cols.start, cols.stop)[None, :]
        v = origin[1] + mm * np.arange(rows.start, rows.stop)[:, None]
        inside_slab = (v >= 0) & (v <= cut.thickness_mm)
        x, z = np.broadcast_arrays(u + cut.x0, cut.z_a - v)
        out = np.asarray(blob.field(x, y.astype(np.float64), z))
        hit = (out < 0) & inside_slab
        if hit.sum() * mm * mm < 1.0:
            continue
        _tint_edge(tint[rows, cols], blob, out)
        free = hit & (labels[rows, cols] == 0)
        labels[rows, cols][free] = blob.number
        kind = blob.kind
        if isinstance(blob.field, KnotBody):
            stubs[rows, cols] = np.maximum(
                stubs[rows, cols], 1.0 - smoothstep(1.0, 5.0, out).astype(np.float32)
            )
            axis, _, _ = cut.log.along_branch(blob.field.branch, x[hit], y[hit], z[hit])
            alive = float(np.median(axis)) < blob.field.branch.dead_mm
            kind = "sound_knot" if alive else "loose_knot"
        outline = contoured(np.where(inside_slab, out, 1.0), float(u[0, 0]), float(v[0, 0]), mm)
        long = float(np.ptp(np.broadcast_to(u, hit.shape)[hit]))
        table.append(Defect(blob.number, kind, float(outline.area), long, long, np.empty((0, 2)),
                            np.empty((0, 2)), np.empty(0), outline))  # fmt: skip
    return labels, stubs, table, tint


_EDGE_TONES = {"hole": (0.2, 0.18, 0.16), "grub_holes": (0.25, 0.2, 0.18),
               "worm_holes": (0.3, 0.25, 0.2), "rot": (0.72, 0.66, 0.58),
               "bark_inclusion": (0.42, 0.36, 0.32), "metal": (0.5, 0.54, 0.62)}  # fmt: skip


def _tint_edge(tint: Array, blob: Blob, out: Array) -> None:
    """Darken wood where a body comes out of the live edge."""
    soft = 1.0 - smoothstep(-1.5 - blob.soft_mm, 0.5 + blob.soft_mm, out)
    tone = np.array(_EDGE_TONES.get(blob.kind, (0.62, 0.52, 0.42)), np.float32)
    if isinstance(blob.field, KnotBody):  # rings of the broken or sawn branch
        soft = soft * (0.75 + 0.25 * np.sin(out / max(0.25 * blob.field.branch.ring_mm, 0.2)))
    tint *= 1.0 + soft[..., None].astype(np.float32) * (tone - 1.0)


def _edge_texture(rng: np.random.Generator, look: Any, relief: Array, bark: Array, on: Array,
                  tint: Array, mm: float) -> tuple[Array, Array]:  # fmt: skip
    """Return the edge's colours, and how far bark stands out from the wood, mm."""
    shape = relief.shape
    ridge = blur_noise(rng, shape, (4.0 / mm, 16.0 / mm)) + 0.5 * blur_noise(
        rng, shape, (1.6 / mm, 5.0 / mm)
    )
    fissure = np.exp(-((blur_noise(rng, shape, (4.5 / mm, 26.0 / mm)) / 0.28) ** 2))
    outward = (on * (bark + 1.6 * ridge - 3.0 * fissure)).astype(np.float32)
    surface = cv2.GaussianBlur(relief - outward, (0, 0), sigmaX=max(0.5 / mm, 0.5))
    slope_v = cv2.Sobel(surface, cv2.CV_32F, 0, 1, ksize=3) / (8 * mm)
    slope_u = cv2.Sobel(surface, cv2.CV_32F, 1, 0, ksize=3) / (8 * mm)
    lit = np.clip(1.0 - 0.55 * slope_v - 0.3 * slope_u, 0.35, 1.5)
    skin = np.array(look.bark, np.float32) * (1.0 + 0.13 * ridge)[..., None]
    skin = skin * (1.0 - 0.5 * fissure)[..., None]
    fine = blur_noise(rng, shape, (0.7 / mm, 9.0 / mm)) + blur_noise(rng, shape, (0.5, 0.5))
    bare = 0.86 * np.array(look.sap, np.float32) * (1.0 + 0.05 * fine)[..., None]
    bare = bare * tint
    colour = bare + on[..., None] * (skin - bare)
    return np.clip(colour * lit[..., None], 0, 255).astype(np.uint8), outward


def _drape(picture: Picture, texture: Array, depth: Array, origin: tuple[float, float], mm: float,
           size: tuple[float, float], cut: Any) -> tuple[Array, Array, Array]:  # fmt: skip
    """Lay a texture over a relief: where each ray meets it, found by stepping along the ray.

    Returns the texture's (column, row) under each pixel, and how much of the pixel is edge.
    """
    height: Any = np.full(picture.camera.shape, float(np.median(depth)), np.float32)
    for _ in range(6):
        u, v = picture.at(height)
        x = (u - np.float32(origin[0])) * np.float32(1 / mm)
        y = (v - np.float32(origin[1])) * np.float32(1 / mm)
        height = cv2.remap(depth.astype(np.float32), x, y, cv2.INTER_LINEAR,
                           borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    colour = cv2.remap(texture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    px = np.float32(mm / 0.85)
    y_log = cut.y_origin[1] + height
    left = u + cut.x0 - (cut.x0 + cut.skew[0] * y_log)
    right = (cut.x1 + cut.skew[1] * y_log) - (u + cut.x0)
    inside = np.minimum(np.minimum(left, right), np.minimum(v, np.float32(size[1]) - v))
    cover = np.clip(inside / px + 0.5, 0.0, 1.0).astype(np.float32)
    picture.light += cover[..., None] * (colour.astype(np.float32) - picture.light)
    return x, y, cover
