"""Small straight-down pictures of a face or an end with their truth, for tests and trials."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from slabvision.defects import ZONES
from slabvision.estimate import named_rng
from slabvision.scene.condition import Region, Slab
from slabvision.scene.drying import season
from slabvision.scene.fill import Array, coverage, dense, inside, rings_of
from slabvision.scene.flaws import paint_flaws
from slabvision.scene.log import grow_log
from slabvision.scene.looks import look as look_named
from slabvision.scene.noise import blur_noise
from slabvision.scene.sawing import saw
from slabvision.scene.stain import crotch_figure, reaction_wood, stain_wood
from slabvision.scene.surface import Surface, finish
from slabvision.scene.wood import Canvas, clear_wood
from slabvision.scene.yard import ground_texture

__all__ = ["Defect", "EndPatch", "FacePatch", "paint_plane", "render_end", "render_face_patch"]


@dataclass(frozen=True)
class Defect:
    """One defect's truth in one picture.

    Attributes
    ----------
    number : int
        Value in the label image; the same in every picture of the slab.
    kind : str
        A key of :data:`slabvision.defects.KINDS`.
    area_mm2 : float
        Exact area on the plane, inside the outline, nothing counted twice.
    length_mm : float
        Of a check: true length, the part too thin to see included. Else the long side of the
        smallest enclosing rectangle.
    seen_length_mm : float
        Of a check: length between the first and last place at least 0.3 mm wide.
    tips : ndarray, shape (2, 2) or (0, 2)
        True ends of a check, (row, col).
    line : ndarray, shape (N, 2)
        Centre line of a check, (row, col), tip to tip; empty for anything else.
    widths_mm : ndarray, shape (N,)
        Opening along the centre line.
    polygon_mm : shapely geometry
        Exact region in (u, v).
    """

    number: int
    kind: str
    area_mm2: float
    length_mm: float
    seen_length_mm: float
    tips: Array
    line: Array
    widths_mm: Array
    polygon_mm: Any


def defects_of(regions: tuple[Region, ...], to_pixels: Any) -> tuple[Defect, ...]:
    """Return the truth table of a picture; ``to_pixels`` maps (N, 2) mm to (row, col)."""
    found = []
    for r in regions:
        line = to_pixels(r.line) if len(r.line) else np.empty((0, 2))
        found.append(Defect(
            r.number, r.kind, r.area_mm2, r.length_mm, r.seen_length_mm,
            line[[0, -1]] if len(line) else np.empty((0, 2)), line, r.widths, r.polygon,
        ))  # fmt: skip
    return tuple(found)


def draw_labels(regions: tuple[Region, ...], to_pixels: Any, shape: tuple[int, int]) -> Array:
    """Return the instance image: each pixel whose centre lies in a region carries its number."""
    labels = np.zeros(shape, np.uint16)
    for r in regions:
        mask, where = inside([to_pixels(dense(ring)) for ring in rings_of(r.polygon)], shape)
        labels[where][mask] = r.number
    return labels


def paint_plane(
    slab: Slab, canvas: Canvas, regions: tuple[Region, ...], surface: Surface, seed: int
) -> tuple[Array, Array]:
    """Paint wood, flaws and surface on a canvas; return float32 pixels and uint8 zones."""
    pixels, age, sap = clear_wood(slab.cut.log, canvas, seed)
    zones = np.where(sap > 0, np.uint8(ZONES["sapwood"].value), np.uint8(0))
    rng = named_rng(f"scene surface {canvas.frame.origin} {canvas.end}", seed)
    reaction_wood(slab.cut.log, canvas, pixels, age, zones)
    crotch_figure(slab.cut.log, canvas, pixels, zones)
    stain_wood(slab.cut.log, canvas, pixels, sap, zones)
    paint_flaws(slab, canvas, regions, pixels, rng, zones=zones)
    finish(rng, canvas, pixels, zones, surface)
    return pixels, zones


@dataclass(frozen=True, eq=False)
class FacePatch:
    """A piece of a face seen straight down, and its truth.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        sRGB; columns run along the grain.
    wood : ndarray of bool, shape (H, W)
        Inside the arris.
    labels : ndarray of uint16, shape (H, W)
        Instance image of the defects.
    zones : ndarray of uint8, shape (H, W)
        Values of :data:`slabvision.defects.ZONES`.
    table : tuple of Defect
        Defects in the picture; areas are of the part inside the picture.
    mm_per_px : float
    slab : Slab
        The solid it was cut from.
    """

    pixels: Array
    wood: Array
    labels: Array
    zones: Array
    table: tuple[Defect, ...]
    mm_per_px: float
    slab: Slab
    canvas: Canvas


def _backdrop(rng: np.random.Generator, shape: tuple[int, int], mm: float) -> Array:
    """Return ground under a slab: gravel or concrete."""
    kind = "gravel" if rng.uniform() < 0.6 else "concrete"
    return ground_texture(rng, kind, shape, mm)


def _onto_ground(slab: Slab, canvas: Canvas, outline: Any, pixels: Array,
                 rng: np.random.Generator) -> Array:  # fmt: skip
    """Put wood on plain ground; return where pixel centres lie in the outline."""
    rings = [canvas.to_pixels(ring) for ring in rings_of(outline)]
    wood = np.zeros(canvas.shape, bool)
    mask, where = inside(rings, canvas.shape)
    wood[where] = mask
    if wood.all():
        return wood
    alpha = np.zeros(canvas.shape, np.float32)
    cover, where = coverage(rings, canvas.shape, lines=8)
    alpha[where] = cover
    ground = _backdrop(rng, canvas.shape, canvas.mm)
    pixels += (1.0 - alpha)[..., None] * (ground - pixels)
    return wood


def _check_size(size: tuple[float, float], mm: float) -> tuple[int, int]:
    rows, cols = (round(s / mm) for s in size)
    if not (8 <= rows <= 20_000 and 8 <= cols <= 20_000 and rows * cols <= 40_000_000):
        raise ValueError(
            f"a picture of {rows} x {cols} pixels is asked for; 8 to 20000 a side and at most "
            "40 million pixels can be made"
        )
    return rows, cols


def render_face_patch(
    seed: int,
    look: str = "walnut",
    size_mm: tuple[float, float] = (240.0, 360.0),
    mm_per_px: float = 0.5,
    *,
    near: str = "anywhere",
    surface: Surface | None = None,
    amounts: Mapping[str, float] | None = None,
    blur_px: float = 0.6,
    noise: float = 2.0,
) -> FacePatch:
    """Render a piece of a face straight down.

    Parameters
    ----------
    seed : int
        Same seed, same picture.
    look : str
        One of :func:`slabvision.scene.looks`.
    size_mm : (float, float)
        Height (across the grain) and width (along it).
    mm_per_px : float
        Scale, 0.05 to 5.
    near : str
        Where the patch lies: ``"anywhere"``, ``"end"``, ``"edge"``, or the key of a defect kind
        to centre on the largest of that kind (``ValueError`` where the slab has none).
    surface : Surface, optional
        Saw marks, weathering, chalk ...; drawn from the seed if not given.
    amounts : mapping, optional
        Mean numbers of defects, see :data:`slabvision.scene.drying.AMOUNTS`.
    blur_px, noise : float
        Camera blur (sigma, pixels) and noise (grey values).
    """
    if not 0.05 <= mm_per_px <= 5.0:
        raise ValueError(f"mm_per_px is {mm_per_px:g}; 0.05 to 5 can be rendered")
    shape = _check_size(size_mm, mm_per_px)
    rng = named_rng("scene patch", seed)
    log = grow_log(seed, look_named(look))
    slab = season(seed, saw(seed, log), amounts=amounts)
    outline = slab.outline("face A")
    regions = slab.regions("face A")
    u, v = _choose(rng, outline, regions, size_mm, near)
    frame = slab.cut.frame("face A")
    canvas = Canvas(frame, u, v, mm_per_px, shape, end=False)
    state = surface if surface is not None else draw_surface(rng)
    here = _inside_window(regions, canvas)
    pixels, zones = paint_plane(slab, canvas, here, state, seed)
    wood = _onto_ground(slab, canvas, outline, pixels, rng)
    zones[~wood] = 0
    return FacePatch(
        _expose(rng, pixels, blur_px, noise), wood, draw_labels(here, canvas.to_pixels, shape),
        zones, defects_of(here, canvas.to_pixels), mm_per_px, slab, canvas,
    )  # fmt: skip


def draw_surface(rng: np.random.Generator) -> Surface:
    """Draw the state of a face as it lies in a yard."""
    return Surface(
        saw=str(rng.choice(["band", "band", "chain", "circular"])),
        depth=float(rng.uniform(0.5, 1.5)),
        weathered=float(rng.choice([0.0, rng.uniform(0.1, 0.8)])),
        wet=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.1, 0.6)])),
        dust=float(rng.uniform(0.0, 0.6)),
    )


def _choose(rng: np.random.Generator, outline: Any, regions: tuple[Region, ...],
            size_mm: tuple[float, float], near: str) -> tuple[float, float]:  # fmt: skip
    u0, v0, u1, v1 = outline.bounds
    u = float(rng.uniform(u0 + 60, max(u1 - size_mm[1] - 60, u0 + 61)))
    v = float(rng.uniform(v0 + 80, max(v1 - size_mm[0] - 80, v0 + 81)))
    if near == "anywhere":
        return u, v
    if near == "end":
        return u0 - 25.0, v
    if near == "edge":
        return u, v0 - 30.0
    wanted = [r for r in regions if r.kind == near]
    if not wanted:
        have = sorted({r.kind for r in regions})
        raise ValueError(f"this slab has no {near}; it has {', '.join(have) or 'no defects'}")
    largest = max(wanted, key=lambda r: r.area_mm2)
    a, b, c, d = largest.polygon.bounds
    return (a + c) / 2 - size_mm[1] / 2, (b + d) / 2 - size_mm[0] / 2


def _inside_window(regions: tuple[Region, ...], canvas: Canvas) -> tuple[Region, ...]:
    """Cut the regions to the picture; a check keeps its whole length and line."""
    from dataclasses import replace

    from shapely import box

    half = canvas.mm / 2
    window = box(
        canvas.u0 - half, canvas.v0 - half,
        canvas.u0 - half + canvas.shape[1] * canvas.mm,
        canvas.v0 - half + canvas.shape[0] * canvas.mm,
    )  # fmt: skip
    found = []
    for r in regions:
        part = r.polygon.intersection(window)
        if part.area > 0:
            found.append(replace(r, polygon=part, area_mm2=float(part.area)))
    return tuple(found)


def _expose(rng: np.random.Generator, pixels: Array, blur_px: float, noise: float) -> Array:
    from slabvision.opencv import cv2

    if blur_px > 0.05:
        pixels = cv2.GaussianBlur(pixels, (0, 0), sigmaX=blur_px)
    pixels = pixels + noise * rng.standard_normal(pixels.shape, dtype=np.float32)
    return np.clip(pixels + 0.5, 0, 255).astype(np.uint8)


@dataclass(frozen=True, eq=False)
class EndPatch:
    """A piece of a sawn end, and the rings' truth at any point of it.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        sRGB; the faces run along the rows, face A above.
    mask : ndarray of bool, shape (H, W)
        Wood of the end.
    labels : ndarray of uint16, shape (H, W)
        Instances: checks, rot, holes.
    table : tuple of Defect
    pith : (float, float)
        (row, col) of the pith, mostly outside the picture.
    face_line : ndarray, shape (2, 2)
        Two points (row, col) of the edge between this end and face A.
    mm_per_px : float
    """

    pixels: Array
    mask: Array
    labels: Array
    table: tuple[Defect, ...]
    pith: tuple[float, float]
    face_line: Array
    mm_per_px: float
    slab: Slab
    canvas: Canvas

    def ring_tangent_deg(self, points: Array) -> Array:
        """Return the rings' direction at (row, col) points, degrees from +col towards +row."""
        return ring_tangent_deg(self.slab, self.canvas, points)

    def ring_angle_deg(self, points: Array) -> Array:
        """Return the acute angle between ring and face, 0 (flat) to 90 (quartered), degrees."""
        tangent = self.ring_tangent_deg(points)
        return np.asarray(np.minimum(tangent, 180.0 - tangent))

    def ring_age_mm(self, points: Array) -> Array:
        """Return the age radius at (row, col) points, mm; the rings are its level lines."""
        uv = self.canvas.to_mm(points)
        return self.slab.cut.log.age_radius(*self.canvas.frame.to_log(uv[:, 0], uv[:, 1]))


def ring_tangent_deg(slab: Slab, canvas: Canvas, points: Array) -> Array:
    """Return ring directions on a plane by central differences of the age radius (0.05 mm)."""
    uv = canvas.to_mm(np.atleast_2d(np.asarray(points, np.float64)))
    u, v, h = uv[:, 0], uv[:, 1], 0.05
    to_log, age = canvas.frame.to_log, slab.cut.log.age_radius
    du = age(*to_log(u + h, v)) - age(*to_log(u - h, v))
    dv = age(*to_log(u, v + h)) - age(*to_log(u, v - h))
    return np.asarray(np.degrees(np.arctan2(du, -dv)) % 180.0)


_BANDS = {"flat": (0.0, 28.0), "rift": (36.0, 54.0), "quarter": (64.0, 90.0)}


def render_end(
    seed: int,
    look: str = "oak",
    cut: str = "flat",
    size_px: tuple[int, int] = (400, 800),
    *,
    mm_per_px: float = 0.2,
    roughness: float = 0.3,
    weathered: float = 0.2,
    wax: float = 0.0,
    thickness_mm: float | None = None,
    amounts: Mapping[str, float] | None = None,
    blur_px: float = 0.7,
    noise: float = 2.5,
) -> EndPatch:
    """Render a piece of a sawn end straight on.

    Parameters
    ----------
    seed : int
        Same seed, same picture.
    look : str
        One of :func:`slabvision.scene.looks`.
    cut : {"flat", "rift", "quarter", "through pith"}
        What the rings do in the middle of the picture: 0 to 28, 36 to 54, or 64 to 90 degrees to
        the face, or the pith itself.
    size_px : (int, int)
        Rows, columns.
    mm_per_px : float
        Scale, 0.05 to 2.
    roughness : float
        0: planed clean; 1: chain-saw scratches all over.
    weathered, wax : float
        Greying, and wax or paint, 0 to 1.
    thickness_mm : float, optional
        Of the slab; drawn from the seed if not given. Ground shows where it is less than the
        picture.
    amounts : mapping, optional
        Mean numbers of defects, see :data:`slabvision.scene.drying.AMOUNTS`.
    blur_px, noise : float
        Camera blur (sigma, pixels) and noise (grey values).
    """
    if not 0.05 <= mm_per_px <= 2.0:
        raise ValueError(f"mm_per_px is {mm_per_px:g}; 0.05 to 2 can be rendered")
    shape = _check_size((size_px[0], size_px[1]), 1.0)
    if not 0.0 <= roughness <= 1.0:
        raise ValueError(f"roughness is {roughness:g}; it must lie between 0 and 1")
    rng = named_rng(f"scene end patch {cut}", seed)
    log = grow_log(seed, look_named(look))
    slab = season(seed, saw(seed, log, cut=cut, thickness_mm=thickness_mm), amounts=amounts)
    role = "end A" if rng.uniform() < 0.5 else "end B"
    frame, outline = slab.cut.frame(role), slab.outline(role)
    centre = slab.cut.thickness_mm / 2
    x_end = slab.cut.x0 if role == "end A" else slab.cut.x1
    cy, cz = (float(c) for c in log.pith(x_end))
    pith = frame.from_log(
        np.array([[float(slab.cut.end_x(0 if role == "end A" else 1, np.array(cy))), cy, cz]])
    )[0]
    height, width = shape[0] * mm_per_px, shape[1] * mm_per_px
    middle = _end_place(rng, slab, frame, outline, cut, float(pith[0]), width)
    canvas = Canvas(frame, middle - width / 2, centre - height / 2, mm_per_px, shape, end=True)
    regions = _inside_window(slab.regions(role), canvas)
    state = Surface(saw="planed" if roughness < 0.05 else "band", depth=0.0, weathered=weathered,
                    dust=0.3 * roughness, wax=wax)  # fmt: skip
    pixels, _ = paint_plane(slab, canvas, regions, state, seed)
    pixels *= 0.92
    if roughness > 0.02:
        pixels *= (1.0 + roughness * end_scratches(rng, shape, mm_per_px))[..., None]
    mask = _onto_ground(slab, canvas, outline, pixels, rng)
    line = canvas.to_pixels(np.array([[middle - width / 2, 0.0], [middle + width / 2, 0.0]]))
    at = canvas.to_pixels(pith[None])[0]
    return EndPatch(
        _expose(rng, pixels, blur_px, noise), mask,
        draw_labels(regions, canvas.to_pixels, shape), defects_of(regions, canvas.to_pixels),
        (float(at[0]), float(at[1])), line, mm_per_px, slab, canvas,
    )  # fmt: skip


def _end_place(rng: np.random.Generator, slab: Slab, frame: Any, outline: Any, cut: str,
               pith_u: float, width: float) -> float:  # fmt: skip
    """Choose where along the end the picture lies so that the rings do what is asked."""
    u0, _, u1, _ = outline.bounds
    if cut == "through pith":
        return pith_u
    inset = min(0.5 * width, 0.35 * (u1 - u0))
    places = np.linspace(u0 + inset, u1 - inset, 240)
    canvas = Canvas(frame, 0.0, 0.0, 1.0, (2, 2), end=True)
    points = np.column_stack([np.full(places.size, slab.cut.thickness_mm / 2), places])
    tangent = ring_tangent_deg(slab, canvas, points)
    angle = np.minimum(tangent, 180.0 - tangent)
    low, high = _BANDS[cut]
    good = np.flatnonzero((angle >= low) & (angle <= high))
    if good.size == 0:
        return float(places[int(np.argmin(np.abs(angle - (low + high) / 2)))])
    return float(places[int(rng.choice(good))])


def end_scratches(rng: np.random.Generator, shape: tuple[int, int], mm: float) -> Array:
    """Return the scratches of a cross-cut: long parallel strokes and torn fuzz, as brightness."""
    from slabvision.opencv import cv2

    angle = float(rng.uniform(-35.0, 35.0)) + (90.0 if rng.uniform() < 0.5 else 0.0)
    side = int(np.ceil(np.hypot(*shape))) + 8
    strokes = blur_noise(rng, (side, side), (0.5 / mm, 25.0 / mm))
    strokes += 0.7 * blur_noise(rng, (side, side), (2.4 / mm, 60.0 / mm))
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), angle, 1.0)
    turned = cv2.warpAffine(strokes, turn, (side, side), borderMode=cv2.BORDER_REFLECT)
    r, c = (side - shape[0]) // 2, (side - shape[1]) // 2
    scratch = 0.085 * turned[r : r + shape[0], c : c + shape[1]]
    fuzz = 0.07 * blur_noise(rng, shape, (0.35 / mm, 0.35 / mm))
    return np.asarray(scratch + fuzz, dtype=np.float32)
