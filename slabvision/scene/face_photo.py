"""Paint a photo of a face: ground, live edges, the sawn face, and what lies on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from slabvision.defects import ZONES
from slabvision.estimate import named_rng
from slabvision.opencv import cv2
from slabvision.scene.camera import Camera
from slabvision.scene.condition import Slab
from slabvision.scene.fill import Array, coverage, rings_of
from slabvision.scene.noise import blur_noise, smoothstep
from slabvision.scene.patches import end_scratches, paint_plane
from slabvision.scene.picture import Picture, paint_stack
from slabvision.scene.rack import paint_floor, paint_posts
from slabvision.scene.reference import Placed
from slabvision.scene.surface import Surface
from slabvision.scene.things import boots, neighbour, stickers
from slabvision.scene.wood import Canvas
from slabvision.scene.yard import ground_texture

__all__ = [
    "LIGHTS", "Setting", "daylight", "paint_face", "paint_wood", "side_levels", "texture_scale",
]  # fmt: skip

LIGHTS = ("overcast", "sun", "sun edge", "tarp")
"""Light of the yard: even, direct with shadows, a hard shadow edge across, or under a tarp."""


@dataclass(frozen=True)
class Setting:
    """What surrounds a slab in one photo.

    Attributes
    ----------
    yard, light : str
        One of :data:`slabvision.scene.yard.YARDS`, and of :data:`LIGHTS`.
    gap_mm : float
        Height of the lower face above the ground.
    stickers : int
        Strips of wood across the face.
    boots : bool
        Somebody stands at the near edge.
    """

    yard: str
    light: str
    gap_mm: float
    stickers: int
    boots: bool


def side_levels(slab: Slab, role: str, count: int = 30) -> list[tuple[float, Array]]:
    """Return outlines of the slab, bark and all, parallel to a face: (depth, ring), far to near."""
    cut, frame = slab.cut, slab.cut.frame(role)
    near, far = (cut.z_a, cut.z_b) if role == "face A" else (cut.z_b, cut.z_a)
    known = cut.levels(13) if near > far else cut.levels(13)[::-1]
    rings = []
    for z in known:
        one, other = (cut.rail(float(z), side, bark=True) for side in (1, -1))
        points = np.vstack([one, other[::-1]])
        rings.append(frame.from_log(np.column_stack([points, np.full(len(points), z)])))
    levels = []
    for share in np.linspace(0.0, len(known) - 1.0, count):
        k = min(int(share), len(known) - 2)
        ring = (k + 1 - share) * rings[k] + (share - k) * rings[k + 1]
        levels.append((float(cut.thickness_mm * (1.0 - share / (len(known) - 1.0))), ring))
    return levels


def texture_scale(camera: Camera, outline: Any) -> tuple[float, float]:
    """Return the finest and coarsest mm per pixel over a face."""
    ring = np.asarray(outline.exterior.coords)[:: max(1, len(outline.exterior.coords) // 60)]
    at = camera.project(np.column_stack([ring, np.zeros(len(ring))]))
    rows, cols = camera.shape
    at = np.clip(at, [2, 2], [rows - 3, cols - 3])
    base = camera.to_plane(at)
    steps = [np.linalg.norm(camera.to_plane(at + d) - base, axis=1) for d in ([0, 1.0], [1.0, 0])]
    return float(np.nanmin(steps)), float(np.nanpercentile(np.max(steps, axis=0), 95))


def paint_face(
    slab: Slab, role: str, camera: Camera, setting: Setting, surface: Surface,
    placed: tuple[Placed, ...], seed: int,
) -> tuple[Picture, Array, Canvas]:  # fmt: skip
    """Paint a face photo.

    Returns
    -------
    picture : Picture
        Light and what hides the wood.
    zones : ndarray of uint8
        Zones of the face's texture, on ``canvas``.
    canvas : Canvas
        Where that texture lies.
    """
    rng = named_rng(f"scene photo {role}", seed)
    cut, outline = slab.cut, slab.outline(role)
    rows, cols = camera.shape
    u, v = camera.plane_maps(2, 0.0)
    picture = Picture(camera, np.empty((rows, cols, 3), np.float32), u, v)
    finest, coarsest = texture_scale(camera, outline)
    levels = side_levels(slab, role)
    depth = cut.thickness_mm + setting.gap_mm
    _paint_ground(rng, picture, setting, depth, finest)
    _shade_ground(rng, picture, setting, levels, depth)
    if setting.yard == "rack":
        paint_floor(rng, picture, outline, depth + 40.0)
    for each in placed:
        if each.place == "ground":
            each.draw(picture)
    picture.lift = slab.lift(role)
    covered, where = coverage(
        [picture.project(ring, 0.0) for ring in rings_of(outline)], (rows, cols), lines=1
    )
    hidden = np.zeros((rows, cols), bool)
    hidden[where] = covered >= 1.0
    colour = _edge_colour(rng, slab, role, camera, seed)
    paint_stack(picture, levels, colour, skip_last=False, hidden=cv2.erode(
        hidden.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)  # fmt: skip
    canvas, zones = paint_wood(slab, role, picture, surface, seed, finest, coarsest, outline)
    for each in placed:
        if each.place == "face":
            each.draw(picture)
    if setting.stickers:
        stickers(rng, picture, outline, setting.stickers)
    if setting.yard == "rack":
        picture.lift = None  # posts and the slab before this one follow no warp of this one
        if rng.uniform() < 0.7:
            neighbour(rng, picture, outline, np.array([168.0, 140, 108]))
        paint_posts(rng, picture, outline)
        picture.lift = slab.lift(role)
    elif setting.boots:
        u0, v0, u1, _ = outline.bounds
        at = np.array([rng.uniform(u0 + 0.15 * (u1 - u0), u1 - 0.15 * (u1 - u0)), v0 - 110.0])
        first = 0.0 if rng.uniform() < 0.6 else depth  # one foot up on the slab
        boots(rng, picture, at, np.pi / 2 + float(rng.normal(0, 0.25)), (first, depth))
    dark = daylight(rng, picture, setting, outline)
    if dark is not None:
        picture.zones[dark & hidden & (picture.zones == 0)] = ZONES["shadow"].value
    return picture, zones, canvas


def _paint_ground(rng: np.random.Generator, picture: Picture, setting: Setting, depth: float,
                  finest: float) -> None:  # fmt: skip
    mm = max(1.3 * finest, 0.9)
    level = depth if setting.yard != "rack" else depth + 40.0
    u, v = picture.at(level)
    near = (np.abs(u) < 2.5e4) & (np.abs(v) < 2.5e4)
    # The whole ground if it fits, else its near part; beyond that it goes on mirrored.
    low, side = [], []
    for a in (u, v):
        part = a[near][::97]
        first, last = float(part.min()) - 20.0, float(part.max()) + 20.0
        if (last - first) / mm > 3400:
            middle = float(np.median(part))
            first, last = middle - 1700 * mm, middle + 1700 * mm
        low.append(first)
        side.append(int((last - first) / mm))
    texture = ground_texture(rng, setting.yard, (side[1], side[0]), mm)
    texture8 = np.clip(texture, 0, 255).astype(np.uint8)
    u -= np.float32(low[0])
    v -= np.float32(low[1])
    u *= np.float32(1 / mm)
    v *= np.float32(1 / mm)
    np.clip(u, -3e4, 3e4, out=u)
    np.clip(v, -3e4, 3e4, out=v)
    image = cv2.remap(texture8, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    picture.light[:] = image
    far = ~near
    if far.any():  # beyond the yard: a dull hedge, out of focus
        haze = 96.0 + 22.0 * blur_noise(rng, picture.camera.shape, (40.0, 40.0))
        alpha = cv2.GaussianBlur(far.astype(np.float32), (0, 0), sigmaX=6.0)[..., None]
        green = haze[..., None] * np.array([0.86, 0.96, 0.78], np.float32)
        picture.light += alpha * (green - picture.light)


def _shade_ground(rng: np.random.Generator, picture: Picture, setting: Setting,
                  levels: list[tuple[float, Array]], depth: float) -> None:  # fmt: skip
    """Darken the ground where the slab keeps the light off it."""
    rows, cols = picture.camera.shape
    small = 4
    mask = np.zeros((rows // small + 1, cols // small + 1), np.uint8)
    sun = setting.light in ("sun", "sun edge")
    lean = np.array([0.7, 0.9]) * (1.0 if sun else 0.0)
    for w, ring in levels[::6]:
        moved = ring + lean * (depth - w)
        at = np.clip(picture.project(moved, depth) / small, -4e4, 4e4)
        cv2.fillPoly(mask, [np.round(at[:, ::-1] * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
    wide = float(np.ptp(picture.project(levels[0][1], depth)[:, 1])) / max(
        float(np.ptp(levels[0][1][:, 0])), 1.0
    )  # pixels per mm
    for reach, strength in ((4.0 if sun else 14.0, 0.5 if sun else 0.3), (45.0, 0.28)):
        soft = cv2.GaussianBlur(mask, (0, 0), sigmaX=max(reach * wide / small, 0.7))
        big = cv2.resize(soft, (cols, rows), interpolation=cv2.INTER_LINEAR)
        picture.light *= (1.0 - (strength / 255.0) * big.astype(np.float32))[..., None]


def _edge_colour(rng: np.random.Generator, slab: Slab, role: str, camera: Camera, seed: int) -> Any:
    """Return the colour function of the live edges and ends."""
    cut, look, frame = slab.cut, slab.cut.log.look, slab.cut.frame(role)
    thick, length = cut.thickness_mm, cut.x1 - cut.x0
    top = cut.z_a if role == "face A" else cut.z_b
    down = -1.0 if role == "face A" else 1.0
    shape = (int(thick) * 2 + 16, int(length / 1.5) + 128)
    ridges = blur_noise(rng, shape, (2.6, 9.0))
    fissure = np.exp(-((blur_noise(rng, shape, (2.2, 12.0)) / 0.3) ** 2))
    fine = blur_noise(rng, shape, (0.7, 1.2))
    station = np.arange(-60.0, length + 61.0, 8.0)
    heights = np.linspace(0.0, thick, 6)
    bark = {
        side: np.stack([cut.bark_mm(station + cut.x0, top + down * h, side) for h in heights], 1)
        for side in (1, -1)
    }
    ends = {}
    for name, seen in (("end A", camera.position[0] < 0), ("end B", camera.position[0] > length)):
        if seen:
            box = slab.outline(name).bounds
            canvas = Canvas(cut.frame(name), box[0] - 30, -2.0, 1.0,
                            (int(thick) + 5, int(box[2] - box[0]) + 60), end=True)  # fmt: skip
            state = Surface(saw="planed", weathered=0.5, dust=0.3)
            ends[name] = (paint_plane(slab, canvas, slab.regions(name), state, seed)[0], canvas)

    def colour(u: Array, v: Array, w: Array) -> Array:
        row = np.clip((w / thick * (shape[0] / 2 - 8)), 0, shape[0] / 2 - 2).astype(int)
        col = np.clip((u + 60.0) / 1.5, 0, shape[1] - 1).astype(int)
        x, y, _ = frame.to_log(u, v)
        cy, _ = cut.log.pith(station + cut.x0)
        upper = y > np.interp(u, station, cy)
        # Down the edge, and across where bark was sawn through: its ridges run along the log.
        row = (row + np.abs(v) * 2.0).astype(int) % (shape[0] // 2 - 4)
        row = row + np.where(upper, 0, shape[0] // 2)
        k = np.clip(np.round((u + 60.0) / 8.0), 0, len(station) - 1).astype(int)
        h = np.clip(np.round(w / thick * 5), 0, 5).astype(int)
        on = np.where(upper, bark[1][k, h], bark[-1][k, h]) > 1.2
        rough, gap, grit = ridges[row, col], fissure[row, col], fine[row, col]
        skin = np.array(look.bark) * (1.0 + 0.16 * rough + 0.1 * grit)[:, None]
        skin = skin * (1.0 - 0.55 * gap)[:, None]
        bare = 0.82 * np.array(look.sap) * (1.0 + 0.05 * rough + 0.05 * grit)[:, None]
        out = np.where(on[:, None], skin, bare)
        lit = np.where((y > cy.mean()) == (role == "face A"), 0.74, 0.92)
        out = out * (lit * (1.0 - 0.35 * (w / thick) ** 1.5))[:, None]
        for name, (image, canvas) in ends.items():
            end = 0 if name == "end A" else 1
            near = np.abs(x - cut.end_x(end, y)) < 7.0
            if near.any():
                z = top + down * w[near]
                at = canvas.to_pixels(canvas.frame.from_log(
                    np.column_stack([x[near], y[near], z])))  # fmt: skip
                r = np.clip(np.round(at[:, 0]), 0, image.shape[0] - 1).astype(int)
                c = np.clip(np.round(at[:, 1]), 0, image.shape[1] - 1).astype(int)
                out[near] = 0.84 * image[r, c]
        return np.asarray(out, np.float32)

    return colour


def paint_wood(slab: Slab, role: str, picture: Picture, surface: Surface, seed: int,
               finest: float, coarsest: float, outline: Any, *, roughness: float = 0.0,
               ) -> tuple[Canvas, Array]:  # fmt: skip
    """Lay the sawn plane's own texture into the picture; return its canvas and zones."""
    mm = float(np.clip(0.85 * finest, 0.12 if role.startswith("end") else 0.3, 3.0))
    u0, v0, u1, v1 = outline.bounds
    pad = 25.0
    shape = (int((v1 - v0 + 2 * pad) / mm), int((u1 - u0 + 2 * pad) / mm))
    end = role.startswith("end")
    canvas = Canvas(slab.cut.frame(role), u0 - pad, v0 - pad, mm, shape, end=end)
    wood, zones = paint_plane(slab, canvas, slab.regions(role), surface, seed)
    if end and roughness > 0.02:
        rng = named_rng(f"scene scratches {role}", seed)
        wood *= (0.95 + roughness * end_scratches(rng, shape, mm))[..., None]
    texture = np.clip(wood, 0, 255).astype(np.uint8)
    cover, where = coverage(
        [picture.project(ring, 0.0) for ring in rings_of(outline)], picture.camera.shape
    )
    u, v = picture.at(0.0, where)
    x = (u - np.float32(canvas.u0)) * np.float32(1 / mm)
    y = (v - np.float32(canvas.v0)) * np.float32(1 / mm)
    colour = cv2.remap(texture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    if coarsest / mm > 1.7:  # far from the lens: from a texture blurred to that scale
        far = cv2.GaussianBlur(texture, (0, 0), sigmaX=0.38 * coarsest / mm)
        distant = cv2.remap(far, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        range2 = (picture.u[where] - picture.camera.position[0]) ** 2 + (
            picture.v[where] - picture.camera.position[1]
        ) ** 2
        low, high = np.percentile(range2[::37, ::37], [5, 95])
        share = smoothstep(float(low), float(high) + 1.0, range2).astype(np.float32)[..., None]
        colour = colour * (1.0 - share) + distant * share
    block = picture.light[where]
    block += cover[..., None] * (colour.astype(np.float32) - block)
    return canvas, zones


def daylight(
    rng: np.random.Generator, picture: Picture, setting: Setting, outline: Any
) -> Array | None:
    """Let the light of the day fall on everything; return where it is too dark to judge wood."""
    shape = picture.camera.shape
    u0, v0, u1, v1 = outline.bounds
    span = max(u1 - u0, 1.0)
    slope = rng.normal(0.0, 0.06, 2)
    even = 1.0 + slope[0] * (picture.u - (u0 + u1) / 2) / span
    even += slope[1] * (picture.v - (v0 + v1) / 2) / span
    even = np.clip(even, 0.75, 1.25).astype(np.float32)
    picture.light *= even[..., None]
    if setting.light == "sun":
        picture.light *= np.array([1.16, 1.1, 1.02], np.float32)
    if setting.light == "sun edge":
        turn = float(rng.uniform(0, np.pi))
        at = (u0 + (u1 - u0) * float(rng.uniform(0.25, 0.75)), (v0 + v1) / 2)
        away = (picture.u - at[0]) * np.float32(np.cos(turn))
        away += (picture.v - at[1]) * np.float32(np.sin(turn))
        away += 35.0 * blur_noise(rng, shape, (shape[0] / 25, shape[1] / 25))
        lit = smoothstep(-14.0, 14.0, away).astype(np.float32)
        deep = rng.uniform() < 0.35
        shades = (0.17, 0.19, 0.23) if deep else (0.55, 0.58, 0.64)
        for k, (shade, sun) in enumerate(zip(shades, (1.24, 1.17, 1.08), strict=True)):
            picture.light[..., k] *= shade + (sun - shade) * lit
        return lit < 0.1 if deep else None
    return None
