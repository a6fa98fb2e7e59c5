"""Things of known size that lie in the picture, and the points a person would click on them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from slabvision import board_pattern
from slabvision.defects import ZONES
from slabvision.opencv import cv2
from slabvision.scene.fill import Array
from slabvision.scene.noise import blur_noise
from slabvision.scene.picture import Picture, lay_flat, soften
from slabvision.units import MM_PER_IN

__all__ = ["REFERENCES", "Placed", "ReferenceMark", "place_reference"]

REFERENCES = (
    "tape on face", "two tapes", "tape on ground", "hooked tape", "folding rule", "square",
    "plywood", "board", "none",
)  # fmt: skip
"""What can lie in a picture to give its scale."""

_TAPE = ZONES["tape"].value


@dataclass(frozen=True)
class ReferenceMark:
    """Truth of one reference: where a person would click, and what is there.

    Attributes
    ----------
    kind : {"tape", "rectangle", "square", "board"}
        How it is marked.
    place : {"face", "ground"}
        What it lies on.
    offset_mm : float
        On the face: height of its upper side above the face. On the ground: depth below it.
    points : ndarray, shape (N, 2)
        Exact (row, col): readings along a tape; corners round a rectangle; heel, end of the
        long leg, end of the short leg of a square; crossings of a board.
    mm : ndarray
        Tape: reading at each point, (N,). Rectangle: (width, height). Square: (a, b). Board:
        (down, across) of each crossing, (N, 2).
    world : ndarray, shape (N, 3)
        The same points in (u, v, w).
    """

    kind: str
    place: str
    offset_mm: float
    points: Array
    mm: Array
    world: Array


@dataclass(frozen=True)
class Placed:
    """A reference laid out in the world, ready to be drawn.

    Attributes
    ----------
    draw : callable
        Draws it into a picture.
    kind, place, offset_mm, mm, world
        As in :class:`ReferenceMark`.
    outline : ndarray, shape (N, 3)
        World points that the frame should hold.
    """

    draw: Callable[[Picture], None]
    kind: str
    place: str
    offset_mm: float
    mm: Array
    world: Array
    outline: Array

    def mark(self, picture: Picture) -> ReferenceMark:
        """Return its truth in a picture: the points that lie inside the frame."""
        rows, cols = picture.camera.shape
        world = picture.lifted(self.world) if self.place == "face" else self.world
        points = picture.camera.project(world)
        seen = ((points > 4) & (points < [rows - 5, cols - 5])).all(axis=1)
        mm = self.mm
        if self.kind in ("tape", "board"):
            points, mm, world = points[seen], mm[seen], world[seen]
            return ReferenceMark(self.kind, self.place, self.offset_mm, points, mm, world)
        return ReferenceMark(self.kind, self.place, self.offset_mm, points, mm, world)


# Art -------------------------------------------------------------------------------------------


def _text(art: Array, text: str, x: float, y: float, size: float, colour: tuple[int, int, int],
          *, turn: bool = False) -> None:  # fmt: skip
    """Write centred text; ``size`` is the height of a figure in art pixels."""
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.load_default(size * 1.38)
    box = font.getbbox(text)
    w, h = int(box[2] - box[0]) + 4, int(box[3] - box[1]) + 4
    image = Image.new("L", (w, h), 0)
    ImageDraw.Draw(image).text((2 - box[0], 2 - box[1]), text, fill=255, font=font)
    ink = np.asarray(image, np.float32) / 255
    ink = np.clip(ink * 1.5, 0, 1)  # bold enough to survive the lens
    if turn:
        ink = np.rot90(ink)
    r, c = int(y - ink.shape[0] / 2), int(x - ink.shape[1] / 2)
    r0, c0 = max(r, 0), max(c, 0)
    r1, c1 = min(r + ink.shape[0], art.shape[0]), min(c + ink.shape[1], art.shape[1])
    if r0 >= r1 or c0 >= c1:
        return
    part = ink[r0 - r : r1 - r, c0 - c : c1 - c, None]
    block = art[r0:r1, c0:c1].astype(np.float32)
    art[r0:r1, c0:c1] = (block + part * (np.array(colour, np.float32) - block)).astype(np.uint8)


def _tick(art: Array, at: float, width: float, rows: slice, colour: tuple[int, int, int]) -> None:
    """Draw a tick centred exactly at ``at`` (art pixels from the edge of pixel 0)."""
    first, last = max(int(at - width / 2), 0), min(int(at + width / 2) + 1, art.shape[1])
    columns = np.arange(first, last)
    share = np.minimum(columns + 1, at + width / 2) - np.maximum(columns, at - width / 2)
    block = art[rows, first:last].astype(np.float32)
    block += np.clip(share, 0, 1)[None, :, None] * (np.array(colour, np.float32) - block)
    art[rows, first:last] = block


def tape_art(rng: np.random.Generator, length_mm: float, width_mm: float, unit: str,
             mm: float) -> Array:  # fmt: skip
    """Draw a tape's blade with ticks and figures."""
    rows, cols = int(width_mm / mm), int(length_mm / mm)
    base = np.array([236, 206, 66] if rng.uniform() < 0.65 else [236, 234, 226], np.float32)
    curve = 1.0 - 0.16 * np.abs(np.linspace(-1, 1, rows)) ** 2  # the blade is cupped
    art = np.clip(base * curve[:, None, None] * np.ones((1, cols, 1)), 0, 255).astype(np.uint8)
    black, red = (22, 22, 24), (186, 32, 28)
    if unit == "in":
        small, steps = MM_PER_IN / 8, (8, 4, 2)
    else:
        small, steps = 5.0, (2, 1, 1)
    lengths = (0.95, 0.5, 0.36, 0.24)
    for k in range(1, int(length_mm / small) + 1):
        s = k * small
        rank: int = next((i for i, n in enumerate(steps) if k % n == 0), 3)
        if unit == "cm":
            rank = 0 if k % 20 == 0 else (1 if k % 2 == 0 else 3)
        long = int(rows * lengths[rank] * (0.5 if rank else 1.0))
        thick = 0.8 if rank < 2 else 0.5
        _tick(art, s / mm, thick / mm, slice(0, long), black)
        if rank:
            _tick(art, s / mm, thick / mm, slice(rows - int(0.6 * long), rows), black)
    if unit == "in":
        for k in range(1, int(length_mm / MM_PER_IN) + 1):
            foot = k % 12 == 0
            at = (k * MM_PER_IN - 6.0) / mm
            _text(art, str(k), at, rows * 0.6, 9.0 / mm, red if foot else black)
            if foot:
                _text(art, f"{k // 12}F", at - 9.0 / mm, rows * 0.2, 4.5 / mm, red)
    else:
        for k in range(1, int(length_mm / 10) + 1):
            tens = k % 10 == 0
            size = (6.8 if tens else 5.4) / mm
            _text(art, str(k), (k * 10 - (5.0 if tens else 3.4)) / mm, rows * 0.62, size,
                  red if tens else black)  # fmt: skip
    wear = blur_noise(rng, (rows, cols), (3.0 / mm, 8.0 / mm))
    return np.clip(art * (1.0 + 0.03 * wear[..., None]), 0, 255).astype(np.uint8)


def rule_art(rng: np.random.Generator, length_mm: float, mm: float) -> Array:
    """Draw a wooden folding rule laid open: limbs, joints, ticks in centimetres."""
    width = 16.0
    art = tape_art(rng, length_mm, width, "cm", mm)
    rows = art.shape[0]
    base = np.array([232, 196, 96], np.float32)
    light = art.mean(axis=2, keepdims=True) > 150
    art = np.where(light, (art * 0.25 + base * 0.72), art).astype(np.uint8)
    for k in range(1, int(length_mm / 200.0) + 1):
        x = int(k * 200.0 / mm)
        cv2.circle(art, (x, rows // 2), int(3.4 / mm), (176, 170, 160), -1, cv2.LINE_AA)
        cv2.circle(art, (x, rows // 2), int(1.4 / mm), (120, 112, 104), -1, cv2.LINE_AA)
        cv2.line(art, (x + int(7 / mm), 0), (x + int(7 / mm), rows), (92, 74, 44), 1)
    return art


def board_art(mm: float, paper: tuple[float, float]) -> tuple[Array, tuple[float, float]]:
    """Draw the printed board; return it and where the pattern's first crossing lies on it."""
    height, width = paper
    down = (height - board_pattern.HEIGHT_MM) / 2
    across = (width - board_pattern.WIDTH_MM) / 2
    dark = np.zeros((round(height / mm), round(width / mm)))

    def share(start: float, long: float, count: int) -> Array:
        k = np.arange(count)
        part = np.minimum(k + 1, (start + long) / mm) - np.maximum(k, start / mm)
        return np.asarray(np.clip(part, 0, 1))

    for d, a, h, w in board_pattern.black_rectangles():  # exact share of each art pixel
        dark += np.outer(share(down + d, h, dark.shape[0]), share(across + a, w, dark.shape[1]))
    grey = (243.0 - 217.0 * np.clip(dark, 0, 1)).astype(np.uint8)
    art: Array = np.repeat(grey[..., None], 3, axis=2)
    return art, (down, across)


# Laying out ------------------------------------------------------------------------------------


def _strip(start: Array, turn: float, length: float, width: float) -> Array:
    along = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-along[1], along[0]])
    return np.array([start, start + length * along, start + length * along + width * across,
                     start + width * across])  # fmt: skip


def _lift(ring: Array, w: float) -> Array:
    return np.column_stack([ring, np.full(len(ring), w)])


def tape(rng: np.random.Generator, start: Array, turn: float, length: float, w: float, place: str,
         offset: float, *, unit: str | None = None, arch: tuple[float, float] | None = None,
         ) -> Placed:  # fmt: skip
    """Lay a tape: ``arch`` is (length of the bow, height) of one that stands off the face."""
    unit = unit or str(rng.choice(["in", "cm"]))
    width = float(rng.choice([19.0, 25.0]))
    step = MM_PER_IN * 6 if unit == "in" else 100.0
    step = step / 2 if length < 900.0 else step
    readings = np.arange(step, length - 8.0, step)
    along, mm = np.array([np.cos(turn), np.sin(turn)]), 0.3
    seed = int(rng.integers(2**31))
    ring = _strip(start, turn, length, width)
    if arch is None:
        flat = start + readings[:, None] * along

        def draw(picture: Picture) -> None:
            art = tape_art(np.random.default_rng(seed), length, width, unit, mm)
            lay_flat(picture, art, mm, ring, w, start, turn, zone=_TAPE)
            _case(picture, start, turn, length, width, w)

        return Placed(draw, "tape", place, offset, readings, _lift(flat, w), _lift(ring, w))
    span, height = arch
    fine = np.linspace(0.0, span, 2000)
    # The last sine may fall a rounding error below 0.
    rise = height * np.maximum(np.sin(np.pi * fine / span), 0.0) ** 1.5
    run = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(fine), np.diff(rise)))])
    total = run[-1] + (length - span)
    readings = readings[readings < total - 10]
    across_at = np.interp(readings, run, fine, right=np.nan)
    s = np.where(np.isnan(across_at), readings - (run[-1] - span), across_at)
    up = np.where(np.isnan(across_at), 0.0, np.interp(s, fine, rise))
    points = np.column_stack([start + s[:, None] * along, w - up])

    def draw_arch(picture: Picture) -> None:
        art = tape_art(np.random.default_rng(seed), total, width, unit, mm)
        _lay_arch(picture, art, mm, ring, start, turn, w, fine, rise, run)
        _case(picture, start, turn, length, width, w)

    return Placed(draw_arch, "tape", place, offset, readings, points, _lift(ring, w))


def _lay_arch(picture: Picture, art: Array, mm: float, ring: Array, start: Array, turn: float,
              w: float, fine: Array, rise: Array, run: Array) -> None:  # fmt: skip
    top = picture.project(ring, w - float(rise.max()))
    base = picture.project(ring, w)
    both = np.vstack([top, base])
    rows, cols = picture.camera.shape
    r0, c0 = np.maximum(np.floor(both.min(axis=0)).astype(int) - 2, 0)
    r1, c1 = np.minimum(np.ceil(both.max(axis=0)).astype(int) + 3, [rows, cols])
    if r0 >= r1 or c0 >= c1:
        return
    where = (slice(int(r0), int(r1)), slice(int(c0), int(c1)))
    c, s = float(np.cos(turn)), float(np.sin(turn))
    height: Any = np.zeros((r1 - r0, c1 - c0), np.float32)
    for _ in range(7):
        u, v = picture.at(w - height, where)
        along = (u - start[0]) * c + (v - start[1]) * s
        across = (v - start[1]) * c - (u - start[0]) * s
        height = np.interp(along, fine, rise, right=0.0).astype(np.float32)
    length = float(np.linalg.norm(ring[1] - ring[0]))
    width = float(np.linalg.norm(ring[3] - ring[0]))
    reading = np.where(along <= fine[-1], np.interp(along, fine, run), along + run[-1] - fine[-1])
    art = soften(art, mm, picture, where)
    colour = cv2.remap(art, (reading / mm - 0.5).astype(np.float32),
                       (across / mm - 0.5).astype(np.float32), cv2.INTER_LINEAR,
                       borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    px = max(float(np.hypot(u[0, 1] - u[0, 0], v[0, 1] - v[0, 0])), 0.05)
    inside = np.minimum(np.minimum(across, width - across), np.minimum(along, length - along))
    cover = np.clip(inside / px + 0.5, 0.0, 1.0).astype(np.float32)
    shade = np.clip(np.minimum(across + 6.0, width + 14.0 - across) / 10.0, 0.0, 1.0)
    shade *= (along > 0) & (along < length)
    block = picture.light[where]
    block *= (1.0 - 0.35 * shade.astype(np.float32))[..., None]
    block += cover[..., None] * (colour.astype(np.float32) - block)
    picture.zones[where][cover > 0.5] = _TAPE


def _case(picture: Picture, start: Array, turn: float, length: float, width: float,
          w: float) -> None:  # fmt: skip
    """Draw the hook at the start and the case at the far end of a tape."""
    along = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-along[1], along[0]])
    hook = _strip(start - 1.5 * along - 2.0 * across, turn, 9.0, width + 4.0)
    metal = np.full((8, 8, 3), 150, np.uint8)
    lay_flat(picture, metal, 4.0, hook, w, hook[0], turn, zone=_TAPE)
    origin = start + length * along - 18.0 * across
    body = _strip(origin, turn, 68.0, width + 36.0)
    art = np.empty((64, 72, 3), np.uint8)
    art[:] = (44, 46, 50)
    cv2.rectangle(art, (10, 10), (62, 54), (196, 66, 36), -1)
    cv2.circle(art, (36, 32), 14, (52, 54, 58), -1, cv2.LINE_AA)
    for k in range(8):
        lay_flat(picture, art, 1.0, body, w - 5.0 * k, origin, turn, zone=_TAPE,
                 shadow_mm=10.0 if k == 0 else 0.4)  # fmt: skip


def square(rng: np.random.Generator, heel: Array, turn: float) -> Placed:
    """Lay a carpenter's square of steel."""
    a, b, wide_a, wide_b = (610.0, 406.0, 50.8, 38.1) if rng.uniform() < 0.6 else \
        (600.0, 300.0, 40.0, 30.0)  # fmt: skip
    mm, w = 0.4, -2.0
    local = np.array([[0, 0], [a, 0], [a, wide_a], [wide_b, wide_a], [wide_b, b], [0, b]])
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, s], [-s, c]])
    ring = heel + local @ spin
    seed = int(rng.integers(2**31))

    def draw(picture: Picture) -> None:
        r = np.random.default_rng(seed)
        shape = (int(b / mm), int(a / mm))
        tone = 156 + 7 * blur_noise(r, shape, (2.0, 40.0)) + 9 * blur_noise(r, shape, (30.0, 30.0))
        art = np.clip(tone[..., None] * np.array([1.0, 1.01, 1.03]), 0, 255).astype(np.uint8)
        dark = (40, 40, 42)
        for leg, side in ((a, art), (b, art.transpose(1, 0, 2))):
            for k in range(1, int(leg / 10)):
                long = int((9.0 if k % 10 == 0 else 5.0) / mm)
                _tick(side, k * 10 / mm, 0.5 / mm, slice(0, long), dark)
                if k % 5 == 0:
                    _text(side, str(k), k * 10 / mm, 14.0 / mm, 5.0 / mm, dark)
        lay_flat(picture, art, mm, ring, w, heel, turn, zone=_TAPE)

    clicks = heel + np.array([[0, 0], [a, 0], [0, b]]) @ spin
    return Placed(draw, "square", "face", -w, np.array([a, b]), _lift(clicks, w), _lift(ring, w))


def plywood(rng: np.random.Generator, start: Array, turn: float) -> Placed:
    """Lay a sheet of plywood of known sides."""
    width, height = (610.0, 406.0) if rng.uniform() < 0.5 else (800.0, 400.0)
    thick = float(rng.choice([4.0, 6.0]))
    mm, ring, seed = 0.8, _strip(start, turn, width, height), int(rng.integers(2**31))

    def draw(picture: Picture) -> None:
        r = np.random.default_rng(seed)
        shape = (int(height / mm), int(width / mm))
        tone = 200 + 5 * blur_noise(r, shape, (1.0, 60.0)) + 7 * blur_noise(r, shape, (14.0, 120.0))
        art = np.clip(tone[..., None] * np.array([1.0, 0.9, 0.7]), 0, 255).astype(np.uint8)
        edge = np.full((4, 4, 3), (150, 122, 86), np.uint8)
        for k in range(int(thick), 0, -1):
            lay_flat(picture, edge, 400.0, ring, -(thick - k), start, turn,
                     shadow_mm=7.0 if k == int(thick) else 0.4)  # fmt: skip
        lay_flat(picture, art, mm, ring, -thick, start, turn, zone=_TAPE, shadow_mm=0.4)

    return Placed(draw, "rectangle", "face", thick, np.array([width, height]),
                  _lift(ring, -thick), _lift(ring, -thick))  # fmt: skip


def board(rng: np.random.Generator, start: Array, turn: float) -> Placed:
    """Lay the printed board on the face."""
    paper = (279.4, 215.9) if rng.uniform() < 0.5 else (297.0, 210.0)
    mm, w = 0.35, -0.3
    ring = _strip(start, turn, paper[1], paper[0])
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, s], [-s, c]])
    inset = ((paper[0] - board_pattern.HEIGHT_MM) / 2, (paper[1] - board_pattern.WIDTH_MM) / 2)
    grid = board_pattern.crossings_mm()
    at = start + np.column_stack([grid[:, 1] + inset[1], grid[:, 0] + inset[0]]) @ spin

    def draw(picture: Picture) -> None:
        art, _ = board_art(mm, paper)
        lay_flat(picture, art, mm, ring, w, start, turn, zone=_TAPE)

    return Placed(draw, "board", "face", -w, grid, _lift(at, w), _lift(ring, w))


def place_reference(
    rng: np.random.Generator, kind: str, outline: Any, depth_mm: float
) -> tuple[Placed, ...]:
    """Lay references on or beside a face.

    Parameters
    ----------
    kind : str
        One of :data:`REFERENCES`.
    outline : shapely Polygon
        The face's arris, (u, v).
    depth_mm : float
        How far the ground lies below the face.
    """
    if kind not in REFERENCES:
        raise ValueError(f"reference {kind!r} is not known; one of {', '.join(REFERENCES)}")
    u0, v0, u1, v1 = outline.bounds
    long, wide = u1 - u0, v1 - v0
    lean = float(rng.normal(0.0, 0.025))
    middle = np.array(outline.centroid.coords[0])
    if kind == "none":
        return ()
    if kind in ("tape on face", "two tapes", "folding rule"):
        length = float(min(rng.uniform(0.5, 0.85) * long, 2200.0))
        start = middle + np.array([-length / 2 - 30.0, rng.uniform(-0.25, 0.25) * wide])
        if kind == "folding rule":
            length = 2000.0 if long > 2300 else 1000.0
            start[0] = middle[0] - length / 2
            return (_rule(rng, start, lean, length),)
        first = tape(rng, start, lean, length, 0.0, "face", 0.0)
        if kind == "tape on face":
            return (first,)
        # The second tape lies across, from one live edge towards the other.
        u = float(middle[0] + rng.uniform(-0.3, 0.3) * length)
        reach = float(rng.uniform(0.8, 0.97)) * _width_at(outline, u)
        low = _edge_at(outline, u)
        across = np.array([u, low + 12.0])
        second = tape(rng, across, np.pi / 2 + lean, reach, -0.4, "face", 0.4)
        return first, second
    if kind == "tape on ground":
        length = float(min(rng.uniform(0.6, 0.95) * long, 2600.0))
        start = np.array([middle[0] - length / 2, v1 + float(rng.uniform(60.0, 140.0))])
        return (tape(rng, start, lean, length, depth_mm, "ground", depth_mm),)
    if kind == "hooked tape":
        length = float(min(0.8 * long, 2200.0))
        v = float(middle[1] + rng.uniform(-0.2, 0.2) * wide)
        span = float(rng.uniform(0.5, 0.8)) * length
        start = np.array([_end_at(outline, v), v])
        bow = (span, float(rng.uniform(18.0, 60.0)))
        return (tape(rng, start, lean * 0.4, length, 0.0, "face", 0.0, arch=bow),)
    if kind == "square":
        heel = middle + np.array([rng.uniform(-0.3, 0.0) * long, -0.35 * min(wide, 500.0)])
        return (square(rng, heel, float(rng.normal(0.0, 0.12))),)
    if kind == "plywood":
        corner = middle + np.array([rng.uniform(-0.35, -0.1) * long, -203.0])
        return (plywood(rng, corner, float(rng.normal(0.0, 0.08))),)
    corner = middle + np.array([rng.uniform(-0.2, 0.15) * long, -0.5 * min(wide, 280.0)])
    return (board(rng, corner, float(rng.normal(0.0, 0.15))),)


def _rule(rng: np.random.Generator, start: Array, turn: float, length: float) -> Placed:
    mm, w, width = 0.3, -3.0, 16.0
    ring, seed = _strip(start, turn, length, width), int(rng.integers(2**31))
    readings = np.arange(100.0, length + 1.0, 100.0)
    readings[-1] = length
    at = start + readings[:, None] * np.array([np.cos(turn), np.sin(turn)])

    def draw(picture: Picture) -> None:
        art = rule_art(np.random.default_rng(seed), length, mm)
        lay_flat(picture, art, mm, ring, w, start, turn, zone=_TAPE)

    return Placed(draw, "tape", "face", -w, readings, _lift(at, w), _lift(ring, w))


def _edge_at(outline: Any, u: float) -> float:
    from shapely import LineString

    cut = outline.intersection(LineString([(u, -1e5), (u, 1e5)]))
    return float(cut.bounds[1])


def _width_at(outline: Any, u: float) -> float:
    from shapely import LineString

    return float(outline.intersection(LineString([(u, -1e5), (u, 1e5)])).length)


def _end_at(outline: Any, v: float) -> float:
    from shapely import LineString

    cut = outline.intersection(LineString([(-1e5, v), (1e5, v)]))
    return float(cut.bounds[0])
