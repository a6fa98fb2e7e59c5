"""Learn the outline's three small nets from rendered scenes; the result is an ``npz`` of numbers.

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
from slabvision.scene.camera import Camera
from slabvision.segment.outline_edge import (
    EDGE_SIDE,
    edge_features,
    edge_places,
    evenly,
    lay_ribbon,
    wood_left,
)
from slabvision.segment.outline_look import around, colour_bins, look_of, shrink
from slabvision.segment.outline_net import Net
from slabvision.study.outline_pictures import BARK, FACE, SIDE, UNKNOWN, training_picture
from slabvision.study.outline_scenes import OutlineScene, outline_scene

__all__ = ["FIRST_SEED", "learn", "main", "net_of", "scenes_for_learning"]

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


def scenes_for_learning(count: int, kept: Path) -> list[OutlineScene]:
    """Render scenes, or take those that an earlier run of this script left in a folder."""
    kept.mkdir(parents=True, exist_ok=True)
    out = []
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        file = kept / f"{seed}.npz"
        if not file.exists():
            _keep(file, outline_scene(seed, MEGAPIXELS))
            _said.info("rendered %d", seed)
        out.append(_kept(file))
    return out


_ARRAYS = ("pixels", "arris", "bark", "widest", "hidden")


def _keep(file: Path, scene: OutlineScene) -> None:
    """Write a scene as plain arrays: what a folder holds is never run."""
    camera = {f"camera_{name}": value for name, value in vars(scene.camera).items()}
    arrays = {name: getattr(scene, name) for name in _ARRAYS}
    with file.open("wb") as stream:
        np.savez(stream, allow_pickle=False, words=scene.words, **arrays, **camera)


def _kept(file: Path) -> OutlineScene:
    with np.load(file, allow_pickle=False) as kept:
        camera = {key[7:]: kept[key] for key in kept.files if key.startswith("camera_")}
        plain = {key: each if each.ndim == 2 else each.tolist() for key, each in camera.items()}
        plain["shape"], plain["centre"] = tuple(plain["shape"]), tuple(plain["centre"])
        plain["position"] = camera["position"]
        arrays = {name: kept[name] for name in _ARRAYS}
        return OutlineScene(**arrays, camera=Camera(**plain), words=str(kept["words"]))


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


def _edge_lesson(
    rng: np.random.Generator, picture: _Picture, chance: Floats
) -> tuple[Floats, NDArray[np.uint8]] | None:
    """Return features and classes in a ribbon along a wobbly outline of a picture."""
    from scipy.ndimage import gaussian_filter1d

    face = np.isin(picture.shows, (FACE, UNKNOWN)).astype(np.uint8)
    found, _ = cv2.findContours(face, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not found:
        return None
    rows, cols = face.shape
    step = max(rows, cols) / EDGE_SIDE
    ring = max(found, key=cv2.contourArea)[:, 0, ::-1].astype(np.float64)
    if len(ring) < 300:
        return None
    ring = evenly(ring, 4 * step, closed=True)
    way = np.roll(ring, -3, axis=0) - np.roll(ring, 3, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    sigma = float(rng.choice([8, 20, 60]))
    wobble = gaussian_filter1d(rng.normal(0, 1, len(ring)), sigma, mode="wrap")
    wobble *= rng.uniform(2, 13) * step / max(float(wobble.std()), 1e-9)
    ring = ring + np.column_stack([way[:, 1], -way[:, 0]]) * wobble[:, None]
    ring = ring[((ring > 1) & (ring < np.array([rows, cols]) - 2)).all(axis=1)]
    if len(ring) < 100:
        return None
    ribbon = lay_ribbon(picture.image, 1.0, chance, wood_left(ring), closed=True)
    look = edge_features(ribbon)
    at = np.rint(edge_places(ribbon)).astype(np.intp)
    inside = ((at >= 0) & (at < np.array([rows, cols]))).all(axis=2)
    at = np.clip(at, 0, np.array([rows, cols]) - 1)
    shows = picture.shows[at[..., 0], at[..., 1]]
    fit = np.flatnonzero(inside & (shows != UNKNOWN))
    fit = rng.choice(fit, min(1800, fit.size), replace=False)
    shows = np.where(shows == SIDE, 0, shows).astype(np.uint8)
    assert BARK < SIDE  # classes of the edge's net are ground, face, bark
    return look.reshape(-1, look.shape[2])[fit], shows.ravel()[fit]


def learn(scenes: list[OutlineScene], pictures: int, epochs: int = 10) -> dict[str, Net]:
    """Return the three nets, learned from pictures made of scenes."""
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
    second_halves = _halves(lesson, epochs)
    nets["second"] = _fit(lesson.look, lesson.shows, epochs)
    edges = []
    for picture in made:
        seen = _seen(picture)
        flat = seen.look.reshape(-1, seen.look.shape[2])
        rows = _second_rows(seen, _answer(halves, picture.half, flat, seen.look.shape))
        chance = _answer(second_halves, picture.half, rows, seen.look.shape)
        got = _edge_lesson(rng, picture, chance[..., 1] + chance[..., 2])
        if got is not None:
            edges.append(got)
    look, shows = (np.concatenate(part) for part in zip(*edges, strict=True))
    nets["edge"] = _fit(look, shows, epochs)
    return nets


def _lesson(parts: list[tuple[Floats, NDArray[np.uint8], NDArray[np.intp]]]) -> Lesson:
    look, shows, half = (np.concatenate(part) for part in zip(*parts, strict=True))
    return Lesson(look, shows, half)


def main(scenes: int, pictures: int, out: Path, kept: Path) -> None:
    """Render, learn and write the file."""
    nets = learn(scenes_for_learning(scenes, kept), pictures)
    arrays = {}
    for name, net in nets.items():
        for k, (weight, offset) in enumerate(zip(net.weights, net.offsets, strict=True)):
            arrays[f"{name}.w.{k}"], arrays[f"{name}.b.{k}"] = weight, offset
    np.savez_compressed(out, allow_pickle=False, **arrays)


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    target = Path(sys.argv[3])
    main(int(sys.argv[1]), int(sys.argv[2]), target, Path(sys.argv[4]))
