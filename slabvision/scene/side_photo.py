"""Paint photos of a sawn end."""

from __future__ import annotations

import numpy as np

from slabvision.estimate import named_rng
from slabvision.opencv import cv2
from slabvision.scene.camera import Camera
from slabvision.scene.condition import Slab
from slabvision.scene.face_photo import Setting, daylight, paint_wood, texture_scale
from slabvision.scene.fill import Array, coverage
from slabvision.scene.flaws import paint_flaws
from slabvision.scene.noise import blur_noise
from slabvision.scene.picture import Picture, paint_stack
from slabvision.scene.surface import Surface
from slabvision.scene.wood import Canvas, clear_wood
from slabvision.scene.yard import ground_texture

__all__ = ["paint_end", "receding_face", "yard_behind"]


def yard_behind(rng: np.random.Generator, camera: Camera, setting: Setting, floor: float,
           span: tuple[float, float], depth: float) -> Picture:  # fmt: skip
    """Paint the yard behind and below a slab ``depth`` deep that is looked at from the side."""
    rows, cols = camera.shape
    u, v = camera.plane_maps(2, 0.0)
    picture = Picture(camera, np.empty((rows, cols, 3), np.float32), u, v)
    picture.light[:] = _stack_behind(rng, camera, floor)
    gu, gw = camera.plane_maps(1, floor, reach=2e4)
    below = (np.abs(gu) < 1.9e4) & (np.abs(gw) < 1.9e4)
    if below.any():
        mm = max(1.0, (span[1] - span[0]) / 1900.0)
        low = ((span[0] + span[1]) / 2 - 1400.0 * mm, float(camera.position[2]))
        ground = ground_texture(rng, "gravel" if setting.yard in ("rack", "stack")
                                else setting.yard, (2200, 2800), mm)  # fmt: skip
        texture = np.clip(ground * 0.9, 0, 255).astype(np.uint8)
        x = np.clip((gu - np.float32(low[0])) / np.float32(mm), -3e4, 3e4)
        y = np.clip((gw - np.float32(low[1])) / np.float32(mm), -3e4, 3e4)
        image = cv2.remap(texture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        # The lens is focused on the wood: what is nearer or farther is soft.
        image = cv2.GaussianBlur(image, (0, 0), sigmaX=max(1.5, cols / 900.0))
        ground_light = image.astype(np.float32)
        # Under the slab hardly any light falls.
        aside = np.maximum(np.maximum(span[0] - gu, gu - span[1]), 0.0)
        ahead = np.maximum(-gw, 0.0)
        behind = np.maximum(gw - depth, 0.0)
        dark = np.exp(-np.minimum(aside + ahead + behind, 1e3) / 70.0)
        ground_light *= (1.0 - 0.72 * dark)[..., None]
        alpha = cv2.GaussianBlur(below.astype(np.float32), (0, 0), sigmaX=cols / 400.0)
        picture.light += alpha[..., None] * (ground_light - picture.light)
    return picture


def _stack_behind(rng: np.random.Generator, camera: Camera, floor: float) -> Array:
    """Paint an out-of-focus stack of slabs some metres behind, and daylight above it."""
    whole, camera = camera.shape, camera.resized((camera.shape[0] // 4, camera.shape[1] // 4))
    u, v = camera.plane_maps(2, 2600.0)
    height = floor - v
    count = 40
    edges = np.cumsum(rng.uniform(55.0, 105.0, count))
    layer = np.clip(np.searchsorted(edges, np.clip(height, 0, 1e4).ravel()), 0, count - 1)
    layer = layer.reshape(height.shape)
    tone = rng.uniform(70.0, 150.0, count).astype(np.float32)
    tone[1::2] = rng.uniform(26.0, 44.0, len(tone[1::2]))  # gaps between, stickers in the dark
    light = tone[layer] * (1.0 + 0.1 * blur_noise(rng, u.shape, (2.0, u.shape[1] / 12)))
    top = float(rng.uniform(900.0, 1700.0))
    sky = 1.0 / (1.0 + np.exp(-(height - top) / 60.0))
    hedge = 118.0 + 26.0 * blur_noise(rng, u.shape, (u.shape[1] / 50, u.shape[1] / 50))
    image = light[..., None] * np.array([1.06, 0.98, 0.86], np.float32)
    green = hedge[..., None] * np.array([0.86, 1.0, 0.78], np.float32)
    image += sky[..., None].astype(np.float32) * (green - image)
    soft = cv2.GaussianBlur(image.astype(np.float32), (0, 0), sigmaX=u.shape[1] / 170.0)
    return np.asarray(cv2.resize(soft, whole[::-1], interpolation=cv2.INTER_LINEAR))


def _sections(slab: Slab, role: str, depths: Array) -> list[tuple[float, Array]]:
    """Return cross-sections of the slab behind an end, (depth, ring), the farthest first."""
    cut, frame = slab.cut, slab.cut.frame(role)
    end, inward = (0, 1.0) if role == "end A" else (1, -1.0)
    heights = np.linspace(cut.z_a, cut.z_b, 9)
    rails = {side: [cut.rail(float(z), side, bark=True) for z in heights] for side in (1, -1)}
    levels = []
    for depth in depths:
        sides = []
        for side in (1, -1):
            y = np.array([rail[0 if end == 0 else -1, 1] for rail in rails[side]])
            for _ in range(2):
                x = cut.end_x(end, y) + inward * depth
                y = np.array([np.interp(at, *rail.T)
                              for at, rail in zip(x, rails[side], strict=True)])  # fmt: skip
            sides.append(frame.from_log(np.column_stack([x, y, heights])))
        levels.append((float(depth), np.vstack([sides[0], sides[1][::-1]])))
    return levels


def paint_end(
    slab: Slab, role: str, camera: Camera, setting: Setting, surface: Surface, roughness: float,
    seed: int,
) -> tuple[Picture, Array, Canvas]:  # fmt: skip
    """Paint a photo of an end; returns the picture, the texture's zones and its canvas."""
    rng = named_rng(f"scene photo {role}", seed)
    outline, look = slab.outline(role), slab.cut.log.look
    thick = slab.cut.thickness_mm
    u0, _, u1, _ = outline.bounds
    length = slab.cut.x1 - slab.cut.x0
    picture = yard_behind(rng, camera, setting, thick + setting.gap_mm, (u0, u1), length)
    finest, coarsest = texture_scale(camera, outline)
    middle = float(outline.centroid.x)
    rough = blur_noise(rng, (256, 512), (2.0, 9.0))

    def colour(u: Array, v: Array, w: Array) -> Array:
        grain = rough[(np.abs(v)).astype(int) % 256, (np.abs(w) / 2.0).astype(int) % 512]
        bark = np.array(look.bark) * (0.8 + 0.2 * grain)[:, None]
        dim = np.where(u > middle, 0.95, 0.8)[:, None] * np.exp(-w / 2500.0)[:, None]
        return np.asarray(bark * dim, np.float32)

    depths = np.concatenate([np.linspace(1500.0, 220.0, 60), np.linspace(200.0, 0.0, 60)])
    if setting.gap_mm > 0:
        _bearer(rng, picture, (u0, u1), thick, setting.gap_mm)
    paint_stack(picture, _sections(slab, role, depths), colour, skip_last=False)
    if camera.position[1] < 0:
        receding_face(slab, role, picture, seed)
    canvas, zones = paint_wood(
        slab, role, picture, surface, seed, finest, coarsest, outline, roughness=roughness
    )
    daylight(rng, picture, setting, outline)
    return picture, zones, canvas


def _bearer(rng: np.random.Generator, picture: Picture, span: tuple[float, float], thick: float,
            gap: float) -> None:  # fmt: skip
    """Put a bearer under the slab, some way back from the end."""
    back = float(rng.uniform(60.0, 220.0))
    ring = np.array([[span[0] - 60.0, thick], [span[1] + 60.0, thick],
                     [span[1] + 60.0, thick + gap], [span[0] - 60.0, thick + gap]])  # fmt: skip
    grain = blur_noise(rng, (256, 512), (1.0, 14.0))

    def colour(u: Array, v: Array, w: Array) -> Array:
        at = grain[(np.abs(v) * 2).astype(int) % 256, (np.abs(u)).astype(int) % 512]
        return np.asarray(np.array([112.0, 94, 72]) * (0.62 + 0.1 * at)[:, None], np.float32)

    paint_stack(picture, [(back + d, ring) for d in (60.0, 30.0, 0.0)], colour, skip_last=False)


def receding_face(slab: Slab, role: str, picture: Picture, seed: int) -> None:
    """Paint face A where it runs away behind an end or edge: the same rings go on along it."""
    cut, camera = slab.cut, picture.camera
    face, end = cut.frame("face A"), cut.frame(role)
    length = cut.x1 - cut.x0 if role == "edge" else min(1500.0, cut.x1 - cut.x0)
    first = (cut.x1 - cut.x0) - length if role == "end B" else 0.0
    mm = 1.6
    _, low, _, high = slab.outline("face A").bounds
    shape = (int((high - low + 40) / mm), int((length + 40) / mm))
    canvas = Canvas(face, first - 20.0, low - 20.0, mm, shape, end=False)
    rng = named_rng("scene receding face", seed)
    pixels, _, _ = clear_wood(cut.log, canvas, seed)
    paint_flaws(slab, canvas, slab.regions("face A"), pixels, rng)
    texture = np.clip(pixels * 0.92 + 8.0, 0, 255).astype(np.uint8)
    s, w = camera.plane_maps(1, 0.0, reach=2e4)
    # From this plane's own (s, w) to log coordinates, then to the face's (u, v).
    origin, along, depth = (
        np.asarray(a, np.float64) for a in (end.origin, end.along, end.normal())
    )
    x = np.float32(origin[0]) + s * np.float32(along[0]) + w * np.float32(depth[0])
    y = np.float32(origin[1]) + s * np.float32(along[1]) + w * np.float32(depth[1])
    u, v = (x - np.float32(face.origin[0])), (np.float32(face.origin[1]) - y)
    image = cv2.remap(texture, (u - np.float32(canvas.u0)) / np.float32(mm),
                      (v - np.float32(canvas.v0)) / np.float32(mm), cv2.INTER_LINEAR)  # fmt: skip
    rails = [cut.rail(cut.z_a, side) for side in (1, -1)]
    ring = np.vstack([rails[0], rails[1][::-1]])
    points = np.column_stack([ring, np.full(len(ring), cut.z_a)]) - origin
    world = np.column_stack([points @ along, np.zeros(len(ring)), points @ depth])
    keep = world[:, 2] < length
    if keep.sum() > 3:
        cover, where = coverage([camera.project(world[keep])], camera.shape)
        block = picture.light[where]
        block += cover[..., None] * (image[where].astype(np.float32) - block)
