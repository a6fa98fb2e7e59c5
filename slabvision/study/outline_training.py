"""Learn the outline's two perceptrons from rendered scenes; the result is an ``npz`` of numbers.

    python -m slabvision.study.outline_training 120 400 slabvision/segment/outline.npz scenes/

renders 120 scenes, makes 400 pictures of them and writes the file, in some hours on one core. A
scene that was rendered is kept in the last folder named.
Scenes of half the seeds are answered by nets that learned from the other half, so that the later
stages learn from answers as good as those on photos nobody has seen (stacked generalization:
Wolpert 1992, Neural Networks 5).
"""

from __future__ import annotations

import logging
import sys
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_look import around, colour_bins, look_of, shrink
from slabvision.segment.outline_net import Net
from slabvision.study.outline_classes import FACE, UNKNOWN
from slabvision.study.outline_pictures import training_picture
from slabvision.study.outline_scenes import OutlineScene, scenes_kept

__all__ = ["FIRST_SEED", "learn", "main", "net_of"]

Floats = NDArray[np.float32]

FIRST_SEED = 2000
"""Seeds from here on are learned from; the benchmark's are far away."""
MEGAPIXELS = 0.8
HIDDEN = (48, 24)
PER_PICTURE = 2400
_said = logging.getLogger(__name__)


class Lesson(NamedTuple):
    """Features and classes of some pixels, and which half of the seeds they come from."""

    look: Floats
    shows: NDArray[np.uint8]
    half: NDArray[np.intp]


def net_of(model: Any, mean: Floats, spread: Floats) -> Net:
    """Return a scikit-learn perceptron as plain arrays; the scaling goes into the first layer."""
    weights = [np.asarray(w, np.float64) for w in model.coefs_]
    offsets = [np.asarray(b, np.float64) for b in model.intercepts_]
    offsets[0] = offsets[0] - (mean / spread) @ weights[0]
    weights[0] = weights[0] / spread[:, None]
    if weights[-1].shape[1] == 1:  # two classes: scikit-learn keeps one score
        weights[-1] = np.hstack([np.zeros_like(weights[-1]), weights[-1]])
        offsets[-1] = np.concatenate([[0.0], offsets[-1]])
    return Net(
        tuple(w.astype(np.float32) for w in weights), tuple(b.astype(np.float32) for b in offsets)
    )


def _fit(look: Floats, shows: NDArray[np.uint8], epochs: int) -> Net:
    from sklearn.neural_network import MLPClassifier

    mean, spread = look.mean(axis=0), look.std(axis=0) + np.float32(1e-3)
    model = MLPClassifier(
        HIDDEN, alpha=3e-3, batch_size=512, learning_rate_init=2e-3, max_iter=epochs,
        n_iter_no_change=epochs, tol=0, random_state=0,
    )  # fmt: skip
    model.fit((look - mean) / spread, shows)
    _said.info("fitted %d rows of %d features, loss %.4f", *look.shape, model.loss_)
    return net_of(model, mean, spread)


def _halves(lesson: Lesson, epochs: int) -> list[Net]:
    """Return for each half a net that never saw it."""
    return [
        _fit(lesson.look[lesson.half != k], lesson.shows[lesson.half != k], epochs) for k in (0, 1)
    ]


class _Picture(NamedTuple):
    image: NDArray[np.uint8]
    shows: NDArray[np.uint8]
    half: int


class _Seen(NamedTuple):
    small: Any
    bins: tuple[NDArray[np.intp], NDArray[np.intp]]
    look: Floats
    shows: NDArray[np.uint8]


def _seen(picture: _Picture) -> _Seen:
    small = shrink(picture.image)
    bins = colour_bins(small)
    look = look_of(small, bins)
    size = look.shape[1::-1]
    return _Seen(
        small, bins, look, cv2.resize(picture.shows, size, interpolation=cv2.INTER_NEAREST)
    )


def _chosen(rng: np.random.Generator, shows: NDArray[np.uint8]) -> NDArray[np.intp]:
    """Choose pixels to learn from: a third near the edge of the face, the others anywhere."""
    edge = cv2.morphologyEx(
        (shows == FACE).astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)
    )
    near = cv2.dilate(edge, np.ones((13, 13), np.uint8)) > 0
    known = shows != UNKNOWN
    some, every = np.flatnonzero(near & known), np.flatnonzero(known)
    return np.concatenate(
        [
            rng.choice(some, min(PER_PICTURE // 3, some.size), replace=False),
            rng.choice(every, 2 * PER_PICTURE // 3),
        ]
    )


def _answer(nets: list[Net], half: int, rows: Floats, shape: tuple[int, ...]) -> Floats:
    return nets[half].chances(rows).reshape(*shape[:2], -1)


def _second_rows(seen: _Seen, first: Floats) -> Floats:
    more = around(first[..., 1] + first[..., 2], seen.small, seen.bins)
    both = np.concatenate([seen.look, first, more], axis=2)
    return np.asarray(both.reshape(-1, both.shape[2]))


def learn(scenes: list[OutlineScene], pictures: int, epochs: int = 10) -> dict[str, Net]:
    """Return the two nets, learned from pictures made of scenes."""
    rng = np.random.default_rng(5)
    made = []
    for k in range(pictures):
        own = np.random.default_rng(100 + k)
        at = k % len(scenes)
        other = scenes[int(own.integers(len(scenes)))]
        made.append(_Picture(*training_picture(own, scenes[at], other), at % 2))
    _said.info("made %d pictures", pictures)
    chosen, parts = [], []
    for picture in made:
        seen = _seen(picture)
        at_px = _chosen(rng, seen.shows)
        chosen.append(at_px)
        look = seen.look.reshape(-1, seen.look.shape[2])[at_px]
        parts.append((look, seen.shows.ravel()[at_px], np.full(len(at_px), picture.half)))
    lesson = _lesson(parts)
    halves = _halves(lesson, epochs)
    nets = {"first": _fit(lesson.look, lesson.shows, epochs)}
    parts = []
    for picture, at_px in zip(made, chosen, strict=True):
        seen = _seen(picture)
        flat = seen.look.reshape(-1, seen.look.shape[2])
        rows = _second_rows(seen, _answer(halves, picture.half, flat, seen.look.shape))
        parts.append((rows[at_px], seen.shows.ravel()[at_px], np.full(len(at_px), picture.half)))
    lesson = _lesson(parts)
    nets["second"] = _fit(lesson.look, lesson.shows, epochs)
    return nets


def _lesson(parts: list[tuple[Floats, NDArray[np.uint8], NDArray[np.intp]]]) -> Lesson:
    look, shows, half = (np.concatenate(part) for part in zip(*parts, strict=True))
    return Lesson(look, shows, half)


def main(scenes: int, pictures: int, out: Path, kept: Path) -> None:
    """Render, learn and write the file."""
    nets = learn(scenes_kept(range(FIRST_SEED, FIRST_SEED + scenes), MEGAPIXELS, kept), pictures)
    arrays = {}
    for name, net in nets.items():
        for k, (weight, offset) in enumerate(zip(net.weights, net.offsets, strict=True)):
            arrays[f"{name}.w.{k}"], arrays[f"{name}.b.{k}"] = weight, offset
    np.savez_compressed(out, allow_pickle=False, **arrays)


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    target = Path(sys.argv[3])
    main(int(sys.argv[1]), int(sys.argv[2]), target, Path(sys.argv[4]))
