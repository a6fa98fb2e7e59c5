"""Train the network of ``grow_region`` on rendered faces; writes ``segment/grow.npz``.

Run with ``python -m tests.benchmarks.train_grow FOLDER``: faces are rendered into FOLDER once
(see ``rendered_faces``). No real photo is used. Each round clicks through all regions with the
network of the round before and learns from the states it met.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import grow
from slabvision.segment.ground import FEATURES, depth_in
from slabvision.segment.matter import matter_round
from slabvision.segment.network import Weights
from slabvision.segment.polar import ANGLES, LOG_STEP, Frame, Pyramid, look_round
from slabvision.segment.shape import Ellipses, Passes
from slabvision.segment.window import Floats
from tests.benchmarks.click_protocol import deepest, next_click, overlap
from tests.benchmarks.learning import fit, write
from tests.benchmarks.rendered_faces import Face, Region, faces_for_training

CLICKS = 6
POINTS = 400
HIDDEN = (32, 16)
LOOKS = 5
"""First clicks in each knot; a crowded face has more rot and bark than knots, a real one not."""


def by_hand() -> Weights:
    """A first network: shape, colour and clicks with weights from common sense."""
    w = np.zeros((len(FEATURES), 1), np.float32)
    w[FEATURES.index("inside the bent shape")] = 0.5
    w[FEATURES.index("colour like region")] = 0.5
    w[FEATURES.index("matter like clicks, not ring")] = 0.5
    w[FEATURES.index("corrections near")] = 6.0
    ones = np.ones(len(FEATURES), np.float32)
    return {"mean": 0 * ones, "spread": ones, "w0": w, "b0": np.zeros(1, np.float32)}


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
    first = click_in(truth[region.box], region, rng)
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
    passes = None
    if rng.uniform() < 0.5:  # as after a correction: the border is known somewhere
        k = rng.choice(ANGLES, 2)
        border = np.log(frame.radii)[np.maximum(here[k].sum(axis=1) - 1, 0)]
        passes = Passes(k, border, np.full(2, 0.2), border - 0.1, np.ones(2, bool))
    line, features, _ = Ellipses(seen, known, matter_round(pyramid, frame), frame, {}).likely(
        passes
    )
    at = np.rint((line - np.log(frame.radii[0])) / LOG_STEP).astype(int)
    at = np.clip(at, 0, frame.radii.size - 1)
    ray = np.arange(ANGLES)
    both, found = within[ray, at].sum(axis=1), total[ray, at].sum(axis=1)
    return features, both / np.maximum(found + within[:, -1].sum() - both, 1e-9)


def click_in(part: NDArray[np.bool_], region: Region, rng: np.random.Generator) -> Floats:
    """A first click: the deepest point or, as people do, half as deep."""
    (row, col), depth = deepest(part)
    if rng.uniform() < 0.5:
        deep = cv2.distanceTransform(np.pad(part, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
        row, col = rng.choice(np.argwhere(deep >= 0.5 * depth))
    return np.array([row + region.box[0].start, col + region.box[1].start], dtype=float)


def on_grid(ground: grow.Ground, truth: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The truth at the points of a grid."""
    axis = np.arange(-ground.half, ground.half + 1) * ground.step
    rows, cols = np.rint(ground.middle[0] + axis), np.rint(ground.middle[1] + axis)
    rows = np.clip(rows, 0, truth.shape[0] - 1).astype(int)
    cols = np.clip(cols, 0, truth.shape[1] - 1).astype(int)
    return truth[np.ix_(rows, cols)] & ground.valid


def states(
    face: Face, region: Region, weights: Weights, rng: np.random.Generator
) -> Iterator[tuple[NDArray[np.float32], NDArray[np.bool_], float]]:
    """Click through one region; yield evidence, truth and overlap after each click."""
    truth = face.labels == region.number
    first = click_in(truth[region.box], region, rng)
    growth = grow.Growth(face.pixels, first, 0.0, weights)
    for _ in range(CLICKS):
        answer = on_grid(growth.ground, truth)
        yield growth.evidence, answer, overlap(growth.mask, answer)
        if overlap(growth.mask, answer) > 0.95:
            return
        at, inside = next_click(growth.mask, answer)
        off = (np.array(at) - growth.ground.half) * growth.ground.step
        if inside:
            growth.far = max(growth.far, float(np.hypot(*off)))
        growth.add(growth.ground.middle + off, inside)


def sample(
    evidence: NDArray[np.float32], answer: NDArray[np.bool_], valid: NDArray[np.bool_],
    rng: np.random.Generator,
) -> NDArray[np.intp]:  # fmt: skip
    """Points to learn from: half near the region, half anywhere."""
    size = max(np.sqrt(answer.sum() / np.pi), 3.0)
    near = np.flatnonzero((depth_in(~answer) < size) & valid)
    anywhere = np.flatnonzero(valid)
    return np.concatenate([rng.choice(near, POINTS // 2), rng.choice(anywhere, POINTS // 2)])


def collect(faces: list[Path], weights: Weights, seed: int):
    """Click through all regions; return evidence, truth, and the overlaps per number of clicks."""
    rng = np.random.default_rng(seed)
    rows, truths = [], []
    overlaps: list[list[float]] = [[] for _ in range(CLICKS)]
    for file in faces:
        face = Face.load(file)
        for region in face.regions():
            for k, (evidence, answer, value) in enumerate(states(face, region, weights, rng)):
                overlaps[k].append(value)
                points = sample(evidence, answer, np.ones_like(answer), rng)
                rows.append(evidence.reshape(-1, evidence.shape[-1])[points])
                truths.append(answer.ravel()[points])
    return np.concatenate(rows), np.concatenate(truths), overlaps


def region_learned(rows: NDArray[np.float32], truths: NDArray[np.bool_], epochs: int) -> Weights:
    """Learn which points of the grid belong to the region."""
    from sklearn.neural_network import MLPClassifier

    model = MLPClassifier(
        hidden_layer_sizes=HIDDEN, alpha=1e-4, batch_size=1000, learning_rate_init=2e-3,
        max_iter=epochs, random_state=0, tol=0, n_iter_no_change=epochs,
    )  # fmt: skip
    return fit(model, rows, truths)


def main() -> None:
    """Render, click, learn, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--epochs", type=int, default=12)
    args = parser.parse_args()
    faces = faces_for_training(args.folder)
    write("ellipse", ellipses_learned(faces, 0))
    weights = by_hand()
    kept: list[tuple[NDArray[np.float32], NDArray[np.bool_]]] = []
    for turn in range(args.rounds + 1):
        rows, truths, overlaps = collect(faces, weights, turn)
        said = " ".join(f"{np.mean(o):.3f} ({len(o)})" for o in overlaps if o)
        print(f"round {turn}: mean overlap after each click {said}", flush=True)
        kept.append((rows, truths))
        if turn < args.rounds:
            used = kept[-2:]
            weights = region_learned(
                np.concatenate([r for r, _ in used]), np.concatenate([t for _, t in used]),
                args.epochs,
            )  # fmt: skip
            write("grow", weights)


if __name__ == "__main__":
    main()
