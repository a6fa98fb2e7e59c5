"""What the outline's two nets learn from: looks at whole pictures, and ribbons along outlines."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_cells import (
    CELLS_SIDE,
    PIXELS,
    cells_of,
    clicked,
    in_other_light,
    mirrored,
)
from slabvision.segment.outline_edge import (
    EDGE_SIDE,
    STATION,
    Ribbon,
    clicks_along,
    edge_look,
    evenly,
    lay_ribbon,
    ribbon_places,
    wood_left,
)
from slabvision.segment.outline_look import shrink
from slabvision.segment.unet import CELL
from slabvision.segment.window import Floats, Floats32
from slabvision.study.outline_classes import FACE, GROUND, UNKNOWN, Classes, classes_of
from slabvision.study.outline_pictures import training_picture
from slabvision.study.outline_scenes import OutlineScene

__all__ = [
    "EdgeLesson",
    "EdgeLessons",
    "Lesson",
    "View",
    "as_lesson",
    "click_on",
    "nearer",
    "picture_lesson",
    "turned",
    "view_of",
]

SIDE = 2 * CELLS_SIDE
"""Pictures are made this large, for texture is looked at in twice the first look's size."""
STATIONS = 192
COARSE = (1.0, 1.0, 1.0, 2.0, 3.0, 5.0)
"""How long a ribbon's steps may be."""
_NEARER = 2 / 3
"""How often a ribbon is laid in a part of its scene, cut by that part's frame."""
_TOLD, _STEADIER = 0.5, 0.25
"""How often a ribbon is laid along what was found, and how much less it is then moved at will."""
_LEAST_SEEN = 0.1
"""Of a part of a photo; less slab than that teaches little."""
_NONE: Floats = np.zeros((0, 2))


class Lesson(NamedTuple):
    """A picture in cells as the first net looks at it, unclicked, and what it shows.

    Attributes
    ----------
    cells : ndarray of float16
        See :func:`slabvision.segment.outline_cells.cells_of`.
    shows : ndarray of uint8
        The class of each place of the answer.
    """

    cells: NDArray[np.float16]
    shows: Classes


def picture_lesson(rng: np.random.Generator, scene: OutlineScene, other: OutlineScene) -> Lesson:
    """Return a lesson from scenes already shrunk to :data:`SIDE`; it lies across, 4 to 3."""
    image, shows = training_picture(rng, scene, other)
    if image.shape[0] > image.shape[1]:
        image, shows = np.rot90(image).copy(), np.rot90(shows).copy()
    size = (SIDE, round(0.75 * SIDE))
    image = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    shows = cv2.resize(shows, size, interpolation=cv2.INTER_NEAREST)
    cells = cells_of(shrink(image, CELLS_SIDE), _NONE, _NONE)
    size = (CELL * cells.shape[1], CELL * cells.shape[0])
    shows = cv2.resize(shows, size, interpolation=cv2.INTER_NEAREST)
    return Lesson(cells.astype(np.float16), np.asarray(shows))


def turned(rng: np.random.Generator, lesson: Lesson) -> tuple[Floats32, Classes]:
    """Return cells mirrored by chance, in other light, and what they show."""
    down, over = (bool(rng.uniform() < 0.5) for _ in range(2))
    gain, chroma = np.exp(rng.normal(0, 0.08)), np.exp(rng.normal(0, 0.12))
    shift = np.array([rng.normal(0, 0.02), *rng.normal(0, 0.012, 2)], np.float32)
    cells = mirrored(lesson.cells.astype(np.float32), down=down, over=over)
    cells = in_other_light(cells, np.array([gain, chroma, chroma], np.float32), shift)
    shows = lesson.shows[:: -1 if down else 1, :: -1 if over else 1]
    return cells, np.ascontiguousarray(shows)


def as_lesson(cells: Floats32, inside: Floats, outside: Floats) -> Floats32:
    """Return what the first net looks at, clicks given in places of the answer."""
    scale = PIXELS / CELL
    return clicked(cells, *((c + 0.5) * scale - 0.5 for c in (inside, outside)))


def click_on(
    rng: np.random.Generator, face: NDArray[np.float32], shows: Classes
) -> tuple[Floats, Floats]:
    """Return clicks (inside, outside) that the usual protocol would give next to an answer.

    The deepest point of the largest error, a little off as a hand is; by chance a second click
    on any place that is right already.

    Parameters
    ----------
    face : ndarray, shape (H, W)
        Chance of the face.
    shows : ndarray of uint8, shape (H, W)
    """
    true = shows == FACE
    wrong = ((face > 0.5) ^ true) & (shows != UNKNOWN)
    clicks: tuple[list[Floats], list[Floats]] = ([], [])
    _, pieces, stats, _ = cv2.connectedComponentsWithStats(wrong.astype(np.uint8), connectivity=4)
    if len(stats) > 1 and stats[1:, 4].max() > 10:
        largest = (pieces == 1 + int(stats[1:, 4].argmax())).astype(np.uint8)
        deep = cv2.distanceTransform(np.pad(largest, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
        at = np.array(np.unravel_index(int(deep.argmax()), deep.shape))
        off = rng.normal(0, 0.25, 2) * float(deep.max())
        moved = np.clip(np.rint(at + off), 0, np.array(shows.shape) - 1).astype(np.intp)
        at = moved if largest[tuple(moved)] else at
        clicks[0 if true[tuple(at)] else 1].append(at.astype(np.float64))
    if rng.uniform() < 0.4:
        side = int(rng.integers(2))
        fit = np.argwhere(true if side == 0 else shows == GROUND)
        if len(fit):
            clicks[side].append(fit[int(rng.integers(len(fit)))].astype(np.float64))
    inside, outside = (np.array(each).reshape(-1, 2) for each in clicks)
    return inside, outside


class View(NamedTuple):
    """A photo or a part of it.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    shows : ndarray of uint8, shape (H, W)
        What each pixel shows.
    arris : ndarray, shape (N, 2)
        The face's rim.
    found : ndarray, shape (M, 2), optional
        What the looks before take for it.
    """

    pixels: NDArray[np.uint8]
    shows: Classes
    arris: Floats
    found: Floats | None = None

    def seen(self, ring: Floats) -> Floats:
        """Return a ring as seen here, wood on its left; where the frame cuts it, the frame."""
        return wood_left(_in_frame(ring, self.shows.shape))


def view_of(scene: OutlineScene) -> View:
    """Return all of a scene."""
    return View(scene.pixels, classes_of(scene), scene.arris)


def nearer(rng: np.random.Generator, view: View) -> View | None:
    """Return a part of a photo that its frame cuts the slab off in, or None by bad luck."""
    rows, cols = view.shows.shape
    low, high = (
        (rng.uniform(0.05, 0.4, 2) * (rng.uniform(size=2) < 0.6) * (rows, cols)).astype(int)
        for _ in range(2)
    )
    part = np.s_[low[0] : rows - high[0], low[1] : cols - high[1]]
    shape = (rows - high[0] - low[0], cols - high[1] - low[1])
    ring = _in_frame(view.arris - low, shape)
    box = np.ptp(ring, axis=0) if len(ring) else np.zeros(2)
    if (low + high == 0).all() or box.prod() < _LEAST_SEEN * shape[0] * shape[1]:
        return None
    found = None if view.found is None else view.found - low
    return View(view.pixels[part], view.shows[part], view.arris - low, found)


def _in_frame(ring: Floats, shape: tuple[int, ...]) -> Floats:
    """Return the largest part of a ring's inside that a photo shows."""
    import shapely

    whole = shapely.make_valid(shapely.Polygon(ring))
    seen = shapely.intersection(whole, shapely.box(-0.5, -0.5, shape[0] - 0.5, shape[1] - 0.5))
    parts = [each for each in shapely.get_parts(seen) if isinstance(each, shapely.Polygon)]
    if not parts:
        return np.zeros((0, 2))
    return np.asarray(max(parts, key=lambda each: each.area).exterior.coords)[:-1]


class EdgeLesson(NamedTuple):
    """A ribbon, and what each place of it shows."""

    ribbon: Ribbon
    shows: Classes

    def look(self, inside: Floats, outside: Floats) -> Floats32:
        """Return what the second net looks at, clicks given in places of the answer."""
        ribbon = self.ribbon
        places = ribbon_places(ribbon.points, ribbon.outward, ribbon.step)
        near = (places[tuple(np.rint(c).astype(np.intp).T)] for c in (inside, outside))
        return edge_look(ribbon.lab, ribbon.seen, clicks_along(ribbon, *near))


class EdgeLessons:
    """Ribbons along wobbly outlines of one scene.

    Parameters
    ----------
    scene : OutlineScene
        As large as the edge is settled at, or nearly.
    found : ndarray, shape (N, 2), optional
        What the looks before take for its outline: mistakes are learned from as they are made.
    """

    def __init__(self, scene: OutlineScene, found: Floats | None = None) -> None:
        self._whole = view_of(scene)._replace(found=found)

    def take(self, rng: np.random.Generator) -> EdgeLesson | None:
        """Return a ribbon of :data:`STATIONS` along a wobbly outline, or None off the photo."""
        from scipy.ndimage import gaussian_filter1d

        view = nearer(rng, self._whole) if rng.uniform() < _NEARER else self._whole
        if view is None:
            return None
        spare = 24
        count = STATIONS + 2 * spare
        coarse = float(rng.choice(COARSE))
        step = coarse * max(view.shows.shape) / EDGE_SIDE
        follows = view.found is not None and rng.uniform() < _TOLD
        followed = view.found if follows else None
        seen_of_it = view.seen(view.arris if followed is None else followed)
        if not len(seen_of_it):
            return None
        ring = evenly(seen_of_it, STATION * step, closed=True)
        if len(ring) < count:
            return None
        at = (int(rng.integers(len(ring))) + np.arange(count)) % len(ring)
        line = ring[at]
        way = np.gradient(gaussian_filter1d(line, 3.0, axis=0), axis=0)
        way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
        off = rng.normal(0, float(rng.choice([2, 8, 20]))) + np.zeros(count)
        for sigma, most in ((3, 2.5), (12, 7), (50, 16)):
            wobble = gaussian_filter1d(rng.normal(0, 1, count + 400), sigma)[200:-200]
            wobble *= np.sqrt(sigma) * rng.exponential(most)
            off += np.clip(wobble, -50, 50)
        off = np.clip(off, -80, 80) * step * (1 if followed is None else _STEADIER)
        line = line + np.column_stack([way[:, 1], -way[:, 0]]) * off[:, None]
        factor = min(1.0, EDGE_SIDE / coarse / max(view.shows.shape))
        small = cv2.resize(view.pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        ribbon = lay_ribbon(small, 1 / factor, line, closed=False, coarse=coarse)
        first = (len(ribbon.points) - STATIONS) // 2
        if first < 0:
            return None
        part = np.s_[first : first + STATIONS]
        lab, seen = ribbon.lab[part], ribbon.seen[part]
        places = ribbon_places(ribbon.points[part], ribbon.outward[part], ribbon.step)
        pixel = np.clip(np.rint(places), 0, np.array(view.shows.shape) - 1).astype(np.intp)
        shows = np.where(seen, view.shows[pixel[..., 0], pixel[..., 1]], UNKNOWN).astype(np.uint8)
        if (shows == UNKNOWN).mean() > 0.7:
            return None
        lab = _in_other_light(rng, lab)
        points, outward = ribbon.points[part], ribbon.outward[part]
        if rng.uniform() < 0.5:
            lab, seen, shows = lab[::-1], seen[::-1], shows[::-1]
            points, outward = points[::-1], outward[::-1]
        told = Ribbon(np.ascontiguousarray(lab), seen.copy(), points, outward, ribbon.step, False)
        return EdgeLesson(told, shows.copy())


def _in_other_light(rng: np.random.Generator, lab: Floats32) -> Floats32:
    """Change exposure and colour, blur, add noise, and by chance lay a shadow over a part."""
    out = lab
    if rng.uniform() < 0.35:
        sigma = float(rng.uniform(0.4, 1.8))
        out = cv2.GaussianBlur(out, (0, 0), sigmaX=sigma, sigmaY=sigma / STATION + 0.01)
    gain, chroma = np.exp(rng.normal(0, 0.2)), np.exp(rng.normal(0, 0.25))
    gain = min(gain, 1.05 / max(float(out[..., 0].max()), 1e-3))
    out = out * np.array([gain, chroma, chroma], np.float32)
    out = out + np.array([0, *rng.normal(0, 0.03, 2)], np.float32)
    if rng.uniform() < 0.25:
        rows, cols = out.shape[:2]
        y = np.arange(rows, dtype=np.float32)[:, None] - np.float32(rng.uniform(0, rows))
        x = np.arange(cols, dtype=np.float32)[None, :] - np.float32(rng.uniform(0, cols))
        turn = rng.uniform(0, 2 * np.pi)
        away = (STATION * y * np.sin(turn) + x * np.cos(turn)) / np.float32(rng.uniform(1, 8))
        lit = 1 / (1 + np.exp(-np.clip(away, -20, 20)))
        shade = np.float32(rng.uniform(0.35, 0.9))
        out = out * (shade + (1 - shade) * lit)[..., None]
    noise = np.float32(rng.uniform(0, 0.03)) * np.array([1, 0.5, 0.5], np.float32)
    return np.asarray(out + rng.standard_normal(out.shape, dtype=np.float32) * noise, np.float32)
