"""Train what ``grow_region`` has learned: how good an ellipse is, and when colour beats shape.

Run with ``python -m tests.benchmarks.train_grow FOLDER``: faces are rendered into FOLDER once
(see ``rendered_faces``). Writes ``segment/ellipse.npz`` and ``segment/grow.npz``. No real photo
is used.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import grow
from slabvision.segment.matter import matter_round
from slabvision.segment.network import Weights
from slabvision.segment.polar import ANGLES, LOG_STEP, Frame, Pyramid, look_round
from slabvision.segment.shape import Ellipses
from slabvision.segment.window import Floats
from tests.benchmarks.click_protocol import deepest, next_click, overlap
from tests.benchmarks.learning import fit, write
from tests.benchmarks.rendered_faces import Face, Region, faces_for_training

CLICKS = 6
LOOKS = 5
"""First clicks in each knot; a crowded face has more rot and bark than knots, a real one not."""
MOST = {"knot": 6, "bark": 4, "rot": 3, "hole": 2, "stain": 1}
"""Regions of each kind clicked through on a face."""


def ellipses_learned(faces: list[Path], seed: int) -> Weights:
    """Learn how good an ellipse is: the overlap it would have, from what it looks like."""
    from sklearn.neural_network import MLPRegressor

    rng = np.random.default_rng(seed)
    rows, values = [], []
    for file in faces:
        face = Face.load(file)
        for region in face.regions():
            truth = face.labels == region.number
            for _ in range(LOOKS if region.kind == "knot" else 1):
                features, overlaps = _looks(face.pixels, truth, region, rng)
                pick = np.concatenate([rng.choice(len(overlaps), 60), overlaps.argsort()[-30:]])
                rows.append(features[pick])
                values.append(overlaps[pick])
    features, overlaps = np.concatenate(rows), np.concatenate(values)
    model = MLPRegressor(
        hidden_layer_sizes=(24, 12), alpha=1e-3, batch_size=500, learning_rate_init=3e-3,
        max_iter=25, random_state=0, tol=0, n_iter_no_change=25,
    )  # fmt: skip
    return fit(model, features, overlaps)


def _looks(
    pixels: NDArray[np.uint8], truth: NDArray[np.bool_], region: Region, rng: np.random.Generator
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Likely ellipses round a click in a region, and the overlap each has with it."""
    first = click_in(truth[region.box], region.box, rng)
    reach = grow.reach_of(pixels.shape, 0.0)
    frame = Frame(first, grow.INNER_PX, reach)
    pyramid = Pyramid(pixels, first, reach)
    seen, known = look_round(pyramid, frame, pixels.shape)
    angle = np.arange(ANGLES)[:, None] * (2 * np.pi / ANGLES)
    rows = np.clip(np.rint(first[0] + frame.radii * np.sin(angle)), 0, truth.shape[0] - 1)
    cols = np.clip(np.rint(first[1] + frame.radii * np.cos(angle)), 0, truth.shape[1] - 1)
    here = truth[rows.astype(int), cols.astype(int)] & known
    area = np.broadcast_to(frame.radii**2, here.shape)
    within, total = np.cumsum(area * here, axis=1), np.cumsum(area * known, axis=1)
    ellipses = Ellipses(seen, known, matter_round(pyramid, frame), frame, {})
    score = ellipses.rough.ravel().copy()
    if rng.uniform() < 0.5:  # as after a correction: the size is about known
        size = 0.5 * np.log(np.count_nonzero(truth) / np.pi)
        score -= np.tile(np.square((ellipses.sizes - size) / 0.3), ellipses.rough.shape[0]) * 0.1
    some = ellipses.of_bank(np.argpartition(score, -400)[-400:])
    at = np.rint((some.border - np.log(frame.radii[0])) / LOG_STEP).astype(int)
    at = np.clip(at, 0, frame.radii.size - 1)
    ray = np.arange(ANGLES)
    both, found = within[ray, at].sum(axis=1), total[ray, at].sum(axis=1)
    return ellipses.features(some), both / np.maximum(found + within[:, -1].sum() - both, 1e-9)


Box = tuple[slice, slice]


def click_in(part: NDArray[np.bool_], box: Box, rng: np.random.Generator) -> Floats:
    """A first click: the deepest point or, as people do, half as deep."""
    (row, col), depth = deepest(part)
    if rng.uniform() < 0.5:
        deep = cv2.distanceTransform(np.pad(part, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
        row, col = rng.choice(np.argwhere(deep >= 0.5 * depth))
    return np.array([row + box[0].start, col + box[1].start], dtype=float)


def loosely(
    truth: NDArray[np.bool_], box: Box, rng: np.random.Generator
) -> tuple[NDArray[np.bool_], Box]:
    """An ellipse drawn generously round a knot: not everybody means the dark part only."""
    rows, cols = np.nonzero(truth[box])
    half = np.array([np.ptp(rows), np.ptp(cols)]) / 2 * rng.uniform(1.1, 1.8) + 1
    middle = np.array([rows.mean() + box[0].start, cols.mean() + box[1].start])
    middle = middle + rng.uniform(-0.15, 0.15, 2) * half
    low = np.maximum(np.floor(middle - half), 0).astype(int)
    high = np.minimum(np.ceil(middle + half) + 1, truth.shape).astype(int)
    wide = np.s_[low[0] : high[0], low[1] : high[1]]
    yy, xx = np.mgrid[wide]
    drawn = np.zeros_like(truth)
    off = np.square((yy - middle[0]) / half[0]) + np.square((xx - middle[1]) / half[1])
    drawn[wide] = off <= 1
    return drawn, wide


def states(
    pixels: NDArray[np.uint8], truth: NDArray[np.bool_], box: Box, rng: np.random.Generator
) -> Iterator[tuple[NDArray[np.float32], tuple[float, float]]]:
    """Click through a region; yield what speaks for colour, and the overlaps of both answers.

    The better answer is mostly but not always the one corrected.
    """
    growth = grow.Growth(pixels, click_in(truth[box], box, rng), 0.0)
    start, stop = (np.array([getattr(side, end) for side in box]) for end in ("start", "stop"))
    for _ in range(CLICKS):
        fields = growth.fields()
        ground = fields.ground
        low, high = np.minimum(ground.low, start), np.maximum(ground.high, stop)
        answer = truth[low[0] : high[0], low[1] : high[1]]
        masks = []
        for field in (fields.shape, fields.colour):
            mask = np.zeros(answer.shape, bool)
            top, left = ground.low - low
            rows, cols = ground.high - ground.low
            mask[top : top + rows, left : left + cols] = ground.at_pixels(field) > 0
            masks.append(mask)
        values = overlap(masks[0], answer), overlap(masks[1], answer)
        yield fields.speaks, values
        chosen = int((values[1] > values[0]) == (rng.uniform() < 0.75))
        if values[chosen] > 0.92:
            return
        point, inside = next_click(masks[chosen], answer)
        growth.add(np.array(point, float) + low, inside)


def choice_learned(faces: list[Path], seed: int) -> Weights:
    """Learn how much more colour overlaps with the truth than shape does."""
    from sklearn.neural_network import MLPRegressor

    rng = np.random.default_rng(seed)
    rows, gains = [], []
    for file in faces:
        face = Face.load(file)
        for kind, most in MOST.items():
            for region in [r for r in face.regions() if r.kind == kind][:most]:
                truth = face.labels == region.number
                meant = [(truth, region.box)]
                if kind == "knot":
                    meant.append(loosely(truth, region.box, rng))
                for mask, box in meant:
                    for speaks, (shape, colour) in states(face.pixels, mask, box, rng):
                        rows.append(speaks)
                        gains.append(colour - shape)
        print(f"{file.name}: {len(rows)} states", flush=True)
    model = MLPRegressor(
        hidden_layer_sizes=(16,), alpha=1e-1, batch_size=100, learning_rate_init=3e-3,
        max_iter=60, random_state=0, tol=0, n_iter_no_change=60,
    )  # fmt: skip
    return fit(model, np.array(rows), np.array(gains))


def main() -> None:
    """Render, click, learn, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    args = parser.parse_args()
    faces = faces_for_training(args.folder)
    write("ellipse", ellipses_learned(faces, 0))
    write("grow", choice_learned(faces, 1))


if __name__ == "__main__":
    main()
