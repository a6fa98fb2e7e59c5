"""How well the outline is found, without and with clicks, beside dumb baselines; prints the table.

    python -m tests.benchmarks.outline_table --scenes 60 --megapixels 3 --kept FOLDER

Scenes are drawn over all looks, yards, lights and both camera heights, with boots, stickers,
every kind of reference and slabs cut by the frame; none of their seeds was learned from. Pixels
of the slab that something hides (a tape, a boot, a slab leaning over it) count on neither side
("void", as in Everingham et al. 2010, "The PASCAL visual object classes challenge", IJCV 88);
the column "hidden counted" counts them as slab. Clicks: the next at the deepest point of the
largest error. Scenes are rendered once and kept in the folder.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from time import process_time
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import NoSlabError, OutlineSearch, find_outline
from slabvision.study.outline_scenes import OutlineScene, scenes_kept

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]
Points = list[tuple[float, float]]

FIRST_SEED = 50_000
TARGET = 0.98
NEVER = 99
"""Clicks where the target was not reached."""


class Score(NamedTuple):
    """One way's outline of one scene."""

    iou: float
    counted: float
    median_mm: float
    p90_mm: float


def filled(ring: Floats, shape: tuple[int, int]) -> Mask:
    """Return the inside of a ring."""
    out = np.zeros(shape, np.uint8)
    cv2.fillPoly(out, [np.round(ring[:, ::-1] * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    return out > 0


def ring_of(mask: Mask) -> Floats:
    """Return the outline of the largest piece of a mask."""
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not found:
        return np.zeros((3, 2))
    return np.asarray(max(found, key=cv2.contourArea)[:, 0, ::-1], np.float64)


def overlap(one: Mask, other: Mask) -> float:
    """Return intersection over union."""
    return float((one & other).sum() / max(1, (one | other).sum()))


def scored(ring: Floats, scene: OutlineScene) -> Score:
    """Compare an outline with the truth; distances in mm on the face, the frame left out."""
    import shapely

    shape = scene.pixels.shape[:2]
    found, true, seen = filled(ring, shape), filled(scene.arris, shape), ~scene.hidden
    after = np.roll(ring, -1, axis=0)
    steps = [
        a
        + (b - a) * np.linspace(0, 1, max(1, int(np.hypot(*(b - a)) / 4)), endpoint=False)[:, None]
        for a, b in zip(ring, after, strict=True)
    ]
    at = np.concatenate(steps)
    at = at[((at > 2) & (at < np.array(shape) - 3)).all(axis=1)]
    near = cv2.dilate(scene.hidden.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    pixel = np.rint(at).astype(np.intp)
    at = at[~near[pixel[:, 0], pixel[:, 1]]]
    if not len(at):
        return Score(overlap(found & seen, true & seen), overlap(found, true), np.inf, np.inf)
    truth = shapely.LinearRing(scene.to_mm(scene.arris))
    off = shapely.distance(truth, shapely.points(scene.to_mm(at)))
    return Score(
        overlap(found & seen, true & seen), overlap(found, true),
        float(np.median(off)), float(np.percentile(off, 90)),
    )  # fmt: skip


def otsu(pixels: NDArray[Any], inside: Points, outside: Points) -> Floats:
    """Dumb baseline: Otsu's threshold, the larger piece that holds the middle of the photo."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    _, bright = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    best, most = np.zeros(grey.shape, np.bool_), 0
    for side in (bright, 255 - bright):
        calm = cv2.morphologyEx(side, cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
        _, labels = cv2.connectedComponents(calm)
        middle = labels[tuple(n // 2 for n in grey.shape)]
        piece = labels == middle
        if middle and piece.sum() > most:
            best, most = piece, int(piece.sum())
    return ring_of(best)


def grabcut(pixels: NDArray[Any], inside: Points, outside: Points) -> Floats:
    """Return GrabCut's outline from a centred rectangle, at 512 px; clicks are discs of 4 px."""
    scale = max(pixels.shape[:2]) / 512
    size = (round(pixels.shape[1] / scale), round(pixels.shape[0] / scale))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    mask = np.full(small.shape[:2], cv2.GC_BGD, np.uint8)
    r, c = (round(0.06 * n) for n in mask.shape)
    mask[r:-r, c:-c] = cv2.GC_PR_FGD
    for points, value in ((outside, cv2.GC_BGD), (inside, cv2.GC_FGD)):
        for row, col in points:
            cv2.circle(mask, (round(col / scale), round(row / scale)), 4, value, -1)
    cv2.setRNGSeed(0)
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(small[..., ::-1].copy(), mask, None, *models, 5, cv2.GC_INIT_WITH_MASK)
    wood = np.isin(mask, (cv2.GC_FGD, cv2.GC_PR_FGD))
    return (ring_of(wood) + 0.5) * scale - 0.5


def at_once(pixels: NDArray[Any], inside: Points, outside: Points) -> Floats:
    """Return ``find_outline``'s outline, told all clicks anew each time."""
    try:
        return find_outline(pixels, inside, outside)
    except NoSlabError:
        return np.zeros((3, 2))


class OneByOne:
    """``OutlineSearch``'s outline, as the window has it: a click after the other on one photo."""

    def __init__(self) -> None:
        self._last: tuple[NDArray[Any], OutlineSearch] | None = None

    def __call__(self, pixels: NDArray[Any], inside: Points, outside: Points) -> Floats:
        """Return the outline after the clicks so far."""
        if self._last is None or self._last[0] is not pixels:
            self._last = pixels, OutlineSearch(pixels)
        try:
            return self._last[1].outline(inside, outside).points
        except NoSlabError:
            return np.zeros((3, 2))


OURS: dict[str, Callable[[NDArray[Any], Points, Points], Floats]] = {
    "OutlineSearch, click by click": OneByOne(),
    "find_outline, told at once": at_once,
}
WAYS = OURS | {
    "GrabCut, centred rectangle": grabcut,
    "Otsu, central piece": otsu,
}


def clicks_needed(way: Any, scene: OutlineScene, most: int) -> tuple[int, Score]:
    """Play the click protocol, ``most`` clicks at most; 99 where the target was not reached."""
    from scipy.ndimage import label

    shape = scene.pixels.shape[:2]
    true, seen = filled(scene.arris, shape), ~scene.hidden
    inside: Points = []
    outside: Points = []
    first = None
    for clicks in range(most + 1):
        ring = way(scene.pixels, inside, outside)
        found = filled(ring, shape)
        first = first or scored(ring, scene)
        if overlap(found & seen, true & seen) >= TARGET:
            return clicks, first
        wrong = (found ^ true) & seen
        pieces, _ = label(wrong)
        sizes = np.bincount(pieces.ravel())
        sizes[0] = 0
        deep = cv2.distanceTransform(
            np.pad(pieces == sizes.argmax(), 1).astype(np.uint8), cv2.DIST_L2, 5
        )[1:-1, 1:-1]
        at = np.unravel_index(int(deep.argmax()), shape)
        (inside if true[at] else outside).append((float(at[0]), float(at[1])))
    assert first is not None
    return NEVER, first


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=40)
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--clicks", type=int, default=4)
    parser.add_argument("--first", type=int, default=FIRST_SEED, help="seed of the first scene")
    parser.add_argument("--kept", type=Path, required=True, help="folder of rendered scenes")
    parser.add_argument("--ours", action="store_true", help="leave the baselines out")
    parser.add_argument("--each", action="store_true", help="print every scene")
    asked = parser.parse_args()
    ways = OURS if asked.ours else WAYS
    got: dict[str, list[tuple[int, Score]]] = {name: [] for name in ways}
    for seed in range(asked.first, asked.first + asked.scenes):
        (scene,) = scenes_kept(range(seed, seed + 1), asked.megapixels, asked.kept)
        for name, way in ways.items():
            most = asked.clicks if name != "Otsu, central piece" else 0
            begun = process_time()
            got[name].append(clicks_needed(way, scene, most))
            if asked.each:
                clicks, score = got[name][-1]
                said = " ".join(f"{value:.3f}" for value in score)
                print(seed, name, clicks, said, f"{process_time() - begun:.1f} s", scene.words,
                      flush=True)  # fmt: skip
    print(
        f"| {asked.scenes} scenes, {asked.megapixels:g} MP | IoU ≥ 0.98 unclicked, % | hidden "
        "counted, % | IoU, median | ≤ 2 clicks, % | boundary, median mm | 90 % of it, mm |\n"
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: |"
    )
    for name, rows in got.items():
        clicks = np.array([c for c, _ in rows])
        s = np.array([score for _, score in rows])
        print(
            f"| {name} | {100 * (s[:, 0] >= TARGET).mean():.0f} "
            f"| {100 * (s[:, 1] >= TARGET).mean():.0f} | {np.median(s[:, 0]):.3f} "
            f"| {100 * (clicks <= 2).mean():.0f} | {np.median(s[:, 2]):.1f} "
            f"| {np.median(s[:, 3]):.1f} |"
        )


if __name__ == "__main__":
    main()
