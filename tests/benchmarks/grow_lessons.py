"""Lessons for the net that grows a region: windows of rendered faces, clicked through.

After each step the region the net has just shown gets its next click, as a person would set it
(iterative training: Sofiiuk, Petrov and Konushin 2022, ICIP).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.grow_field import best_cut, field_of
from slabvision.segment.grow_look import SIDE, Said, cells_of, depth_at
from slabvision.segment.unet import chances
from slabvision.study.unet_training import UNKNOWN, Batch, Net
from tests.benchmarks.click_protocol import deepest
from tests.benchmarks.rendered_faces import LEAST_PX, Face

_AROUND, _AROUND_PX = 4.0, 320
"""How much of the photo is kept round a region each way: in its sizes, and pixels at least."""
_KEPT_PX = 640
_FIRST_LOOKS = 0.45
"""How often the window is one of those looked through after the first click, whatever it shows."""
_FIRST_SIDES_PX = 32.0, 1500.0
_LARGEST_FILL = 4.0
_IN_FLIGHT = 96
_MOST_LOOKS = 8
_SHARES = {"knot": 0.42, "bark": 0.2, "rot": 0.3, "hole": 0.04, "stain": 0.04}
_LOOSE = 0.35
"""How often a knot means an ellipse drawn round it: not everybody means the dark part only."""
_ANYWHERE = 0.04
"""How often a region is an ellipse that nothing shows."""
_TILES = 0.35
"""How often a window is a tile on the border of what was found, looked at once more."""
_MARGIN_PX = 160
_KIND_SAID = 0.4
"""How often the kind is said."""
_SAID_AS = {"knot": "sound_knot", "bark": "bark_inclusion", "rot": "rot"}
_QUITE_WRONG, _WORSE = 0.4, 4.0
"""How often a tile is told a region that is quite wrong, and how much more wrong it is."""


@dataclass(frozen=True, eq=False)
class Place:
    """A region and what lies round it."""

    pixels: NDArray[np.uint8]
    truth: NDArray[np.bool_]
    kind: str
    shrink: float
    """Pixels of the face per pixel kept."""
    near: tuple[NDArray[np.uint8], NDArray[np.bool_]]
    """The region and the truth as large as they are, little round them."""


@dataclass(eq=False)
class Lesson:
    """A window on a region while it is clicked through."""

    seen: NDArray[np.uint8]
    truth: NDArray[np.bool_]
    known: NDArray[np.bool_]
    looks: int
    said: list[Said] = field(default_factory=list)
    before: NDArray[np.bool_] | None = None
    tile: bool = False
    kind: str | None = None


def places_of(file: Path) -> Iterator[Place]:
    """Yield the regions of a face."""
    face = Face.load(file)
    pixels, labels = face.pixels, face.labels
    for region in face.regions():
        box = region.box
        size = max(side.stop - side.start for side in box)
        room = max(int(_AROUND * size), _AROUND_PX)
        low = [max(side.start - room, 0) for side in box]
        high = [min(side.stop + room, n) for side, n in zip(box, labels.shape, strict=True)]
        wide = np.s_[low[0] : high[0], low[1] : high[1]]
        whole = truth = face.holds(region.numbers, wide)
        shrink = max(1.0, max(truth.shape) / _KEPT_PX)
        part, shown = pixels[wide], truth.astype(np.float32)
        if shrink > 1:
            to = (round(truth.shape[1] / shrink), round(truth.shape[0] / shrink))
            part = cv2.resize(part, to, interpolation=cv2.INTER_AREA)
            shown = cv2.resize(shown, to, interpolation=cv2.INTER_AREA)
        truth = shown > 0.5
        tight = [(max(side.start - _MARGIN_PX, low[k]), min(side.stop + _MARGIN_PX, high[k]))
                 for k, side in enumerate(box)]  # fmt: skip
        near = np.s_[tight[0][0] : tight[0][1], tight[1][0] : tight[1][1]]
        of_near = np.s_[tight[0][0] - low[0] : tight[0][1] - low[0],
                        tight[1][0] - low[1] : tight[1][1] - low[1]]  # fmt: skip
        if np.count_nonzero(truth) >= LEAST_PX // 4:
            yield Place(part.copy(), truth, region.kind, shrink,
                        (pixels[near].copy(), whole[of_near].copy()))  # fmt: skip


def _drawn(rng: np.random.Generator, place: Place) -> NDArray[np.bool_]:
    """The region meant: mostly the true one."""
    truth, chance = place.truth, rng.uniform()
    yy, xx = np.mgrid[: truth.shape[0], : truth.shape[1]]
    if place.kind == "knot" and chance < _LOOSE:
        rows, cols = np.nonzero(truth)
        half = np.array([np.ptp(rows), np.ptp(cols)]) / 2 * rng.uniform(1.0, 1.8) + 1
        half *= np.exp(rng.normal(0, 0.12, 2))
        middle = np.array([np.mean([rows.min(), rows.max()]), np.mean([cols.min(), cols.max()])])
        middle = middle + rng.uniform(-0.2, 0.2, 2) * half
        turn = rng.normal(0, 0.1)
    elif chance > 1 - _ANYWHERE:
        size = np.sqrt(np.count_nonzero(truth) / np.pi) * np.exp(rng.normal(0, 0.3))
        half = size * np.array([1.0, 1.0]) * np.exp(rng.normal(0, 0.5) * np.array([1, -1]))
        middle = rng.uniform(0.3, 0.7, 2) * truth.shape
        turn = rng.uniform(0, np.pi)
    else:
        return truth
    cos, sin = np.cos(turn), np.sin(turn)
    y, x = yy - middle[0], xx - middle[1]
    drawn = np.square((cos * y + sin * x) / half[0]) + np.square((cos * x - sin * y) / half[1]) <= 1
    return drawn if drawn.any() else truth


def _window(rng: np.random.Generator, place: Place) -> Lesson | None:
    """Turn, stretch and shift a region into a window it fills more or less."""
    truth = _drawn(rng, place)
    rows, cols = np.nonzero(truth)
    turn, stretch = rng.uniform(0, 2 * np.pi), np.exp(rng.normal(0, 0.2))
    if rng.uniform() < 0.4:
        turn = rng.normal(0, 0.15) + np.pi / 2 * rng.integers(4)
    matrix = _turned(rng, turn, stretch)
    points = matrix @ np.stack([cols, rows])
    low, high = points.min(axis=1), points.max(axis=1)
    size = max(high - low) + 1
    click = matrix @ _click(rng, truth, 0.6)[::-1]
    first = rng.uniform() < _FIRST_LOOKS
    if first:
        widest = min(_FIRST_SIDES_PX[1], 1.8 * min(truth.shape) * place.shrink)
        least = _FIRST_SIDES_PX[0]
        side = np.exp(rng.uniform(np.log(least), np.log(max(widest, 1.5 * least)))) / place.shrink
        scale = SIDE / max(side, size / _LARGEST_FILL)
        shift = (SIDE - 1) / 2 + rng.uniform(-1, 1, 2) - scale * click
    else:
        fill = rng.uniform(0.3, 0.85)
        scale = fill * SIDE / size
        slack = np.maximum((1 - fill) / 2, 0.1) * SIDE
        shift = (SIDE - 1) / 2 + rng.uniform(-0.6, 0.6, 2) * slack - scale * (low + high) / 2
    to = np.column_stack([scale * matrix, shift])
    seen, shown, known = _warped(place.pixels, truth, to, 1 / scale)
    if np.count_nonzero(shown) < 4:
        return None
    at = (scale * click + shift)[::-1]
    if not ((at > 0) & (at < SIDE - 1)).all():
        return None
    looks = 1 + min(int(rng.exponential(3.5)), _MOST_LOOKS)
    if first and not 0.15 < scale * size / SIDE < 0.9:
        looks = 1
    return Lesson(_as_photographed(rng, seen), shown, known, looks, [Said(at, True, 0.0)])


def _turned(rng: np.random.Generator, turn: float, stretch: float) -> NDArray[np.float64]:
    """Return a matrix that turns, stretches and by chance mirrors (col, row)."""
    cos, sin = np.cos(turn), np.sin(turn)
    flip = np.diag([1.0, rng.choice([-1.0, 1.0])])
    return np.array([[cos, -sin], [sin, cos]]) @ np.diag([stretch, 1 / stretch]) @ flip


def _tile(rng: np.random.Generator, place: Place) -> Lesson | None:
    """A tile on the border of a region, told a rough region as if found through a larger window."""
    pixels, truth = place.near
    deep = cv2.distanceTransform(np.pad(truth, 1).astype(np.uint8), cv2.DIST_L2, 5).max()
    scale = min(rng.uniform(14, 44) / (2 * deep), 1.5)
    rim = truth ^ (cv2.erode(truth.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)
    rows, cols = np.nonzero(rim)
    k = int(rng.integers(len(rows)))
    matrix = _turned(rng, rng.uniform(0, 2 * np.pi), np.exp(rng.normal(0, 0.15)))
    at = (SIDE - 1) / 2 + rng.uniform(-0.3, 0.3, 2) * SIDE
    to = np.column_stack([scale * matrix, at - scale * matrix @ np.array([cols[k], rows[k]])])
    seen, shown, known = _warped(pixels, truth, to, 1 / scale)
    if np.count_nonzero(shown) < 4:
        return None
    soft = cv2.GaussianBlur(shown.astype(np.float32), (0, 0), float(np.exp(rng.uniform(-0.5, 1.8))))
    wrong = _WORSE if rng.uniform() < _QUITE_WRONG else 1.0
    for sigma in (2.0, 6.0, 15.0):
        wave = cv2.GaussianBlur(rng.standard_normal((SIDE, SIDE)).astype(np.float32), (0, 0), sigma)
        soft += wave / wave.std() * np.float32(wrong * rng.exponential(0.08))
    before = (soft > rng.normal(0.5, 0.1)) & known
    looks = 1 + int(rng.uniform() < 0.5) * int(rng.integers(1, 4))
    lesson = Lesson(_as_photographed(rng, seen), shown, known, looks, [], before, tile=True)
    if rng.uniform() < 0.6:
        fit = np.argwhere(shown)
        lesson.said.append(Said(fit[int(rng.integers(len(fit)))].astype(float), True, 0.0))
    if rng.uniform() < 0.3:
        _next_click(rng, lesson, before)
    return lesson


def _warped(pixels: Any, truth: Any, to: Any, shrink: float) -> tuple[Any, Any, Any]:
    """Return what a window shows, the truth in it, and where it is known."""
    if shrink > 1.5:
        pixels = cv2.GaussianBlur(pixels, (0, 0), 0.45 * shrink)
    sides = (SIDE, SIDE)
    seen = cv2.warpAffine(pixels, to, sides, flags=cv2.INTER_LINEAR,
                          borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    soft = truth.astype(np.float32)
    if shrink > 1.5:
        soft = cv2.GaussianBlur(soft, (0, 0), 0.45 * shrink)
    shown = cv2.warpAffine(soft, to, sides, flags=cv2.INTER_LINEAR) > 0.5
    known = cv2.warpAffine(np.ones(truth.shape, np.uint8), to, sides, flags=cv2.INTER_NEAREST) > 0
    return seen, shown & known, known


def _as_photographed(rng: np.random.Generator, seen: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Another light, camera and file."""
    out = np.square(seen.astype(np.float32) / 255)
    out *= np.exp(rng.normal(0, 0.35)) * np.exp(rng.normal(0, 0.1, 3)).astype(np.float32)
    out = np.sqrt(np.clip(out, 0, 1)) ** np.exp(rng.normal(0, 0.25))
    grey = out.mean(axis=2, keepdims=True)
    colourful = 0.0 if rng.uniform() < 0.08 else rng.uniform(0.5, 1.4)
    out = grey + colourful * (out - grey)
    if rng.uniform() < 0.35:
        across = np.linspace(-1, 1, SIDE, dtype=np.float32)
        slope = rng.normal(0, 0.2, 2)
        out = out * np.exp(slope[0] * across[:, None] + slope[1] * across[None])[..., None]
    if rng.uniform() < 0.4:
        out = cv2.GaussianBlur(out, (0, 0), float(rng.uniform(0.4, 1.6)))
    noise = rng.normal(0, rng.exponential(0.012), out.shape)
    out = np.clip(255 * (out + noise), 0, 255).astype(np.uint8)
    if rng.uniform() < 0.3:
        ok, code = cv2.imencode(".jpg", out, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(25, 92))])
        out = cv2.imdecode(code, cv2.IMREAD_COLOR) if ok else out
    return np.ascontiguousarray(out)


def _click(rng: np.random.Generator, error: NDArray[np.bool_], exactly: float) -> NDArray[Any]:
    """The deepest place of the largest piece of an error or, as people do, one nearly as deep."""
    place, depth = deepest(error)
    if rng.uniform() > exactly:
        deep = cv2.distanceTransform(np.pad(error, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
        _, pieces = cv2.connectedComponents(error.astype(np.uint8))
        near = np.argwhere((pieces == pieces[place]) & (deep >= 0.5 * depth))
        place = near[int(rng.integers(len(near)))]
    return np.array(place, dtype=float)


class Pool:
    """Lessons in flight; each is looked at again with one more click."""

    def __init__(self, places: list[Place], size: int, seed: int) -> None:
        self.rng, self.size = np.random.default_rng(seed), size
        self.kinds: dict[str, list[Place]] = {}
        for place in places:
            self.kinds.setdefault(place.kind, []).append(place)
        shares = np.array([_SHARES[kind] for kind in self.kinds])
        self.shares = shares / shares.sum()
        self.flight = [self._new() for _ in range(_IN_FLIGHT)]
        self.shown: list[int] = []

    def _new(self) -> Lesson:
        while True:
            kind = list(self.kinds)[int(self.rng.choice(len(self.shares), p=self.shares))]
            among = self.kinds[kind]
            place = among[int(self.rng.integers(len(among)))]
            tile = self.rng.uniform() < _TILES
            lesson = (_tile if tile else _window)(self.rng, place)
            if lesson is not None:
                if self.rng.uniform() < _KIND_SAID:
                    lesson.kind = _SAID_AS.get(kind)
                return lesson

    def batches(self, _net: Net, _answers: Any) -> Iterator[Batch]:
        """Yield batches for ever; :meth:`heard` must be told what the net answered."""
        while True:
            self.shown = self.rng.choice(_IN_FLIGHT, self.size, replace=False).tolist()
            taken = [self.flight[k] for k in self.shown]
            looks = [cells_of(each.seen, each.known, each.before, each.said, each.kind)
                     for each in taken]  # fmt: skip
            shows = [np.where(each.known, each.truth, UNKNOWN) for each in taken]
            yield np.stack(looks), np.stack(shows).astype(np.uint8)

    def heard(self, scores: NDArray[np.float32]) -> None:
        """Take the net's answers: set the next click, or begin another lesson."""
        for k, score in zip(self.shown, scores, strict=True):
            if not self._go_on(self.flight[k], score):
                self.flight[k] = self._new()

    def _go_on(self, lesson: Lesson, score: NDArray[np.float32]) -> bool:
        lesson.looks -= 1
        if lesson.looks <= 0:
            return False
        chance = chances(score)[..., 1]
        cut = best_cut(chance)[0]
        region = chance > cut if lesson.tile else field_of(chance, cut, lesson.said) > 0
        region &= lesson.known
        first = len(lesson.said) == 1 and lesson.before is None
        lesson.before = region
        if first and self.rng.uniform() < 0.4:
            return True
        return _next_click(self.rng, lesson, region)


def _next_click(rng: np.random.Generator, lesson: Lesson, region: NDArray[np.bool_]) -> bool:
    """Set the click that a person would set next, and say whether there is one."""
    missed, wrongly = lesson.truth & ~region, region & ~lesson.truth
    sizes = []
    for error in (missed, wrongly):
        _, _, stats, _ = cv2.connectedComponentsWithStats(error.astype(np.uint8))
        sizes.append(int(stats[1:, 4].max()) if len(stats) > 1 else 0)
    if max(sizes) < 3:
        return False
    inside = sizes[0] >= sizes[1]
    place = _click(rng, missed if inside else wrongly, 0.75)
    lesson.said.append(Said(place, inside, depth_at(region, place)))
    return True
