"""Train what ``suggest_defects`` looks and judges with.

Writes ``segment/suggest_unet.npz, check_lines.npz, suggest.npz``.

Run with ``python -m tests.benchmarks.train_suggest FOLDER``; needs ``pip install jax``. Photos of
faces in a yard and pieces of crowded faces are rendered into FOLDER once; no real photo is used.
The net learns from some of the photos and from the pieces; what a check's place looks like and
the trees are learned from what the net then sees on the others. Prints what each confidence would
give on those, left out of the trees' training in turn, from which ``LEAST_CONFIDENCE`` was chosen.
"""

from __future__ import annotations

import argparse
import logging
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import unet
from slabvision.segment.check_lines import signs_of_checks
from slabvision.segment.face_look import SEEN, look_of
from slabvision.segment.face_view import View, view_of
from slabvision.segment.network import Weights, stored
from slabvision.segment.proposals import Candidates, candidates
from slabvision.segment.suggest import surest_apart
from slabvision.segment.trees import boosted
from slabvision.study import unet_training
from tests.benchmarks.learning import fit, write
from tests.benchmarks.rendered_faces import faces_for_training
from tests.benchmarks.rendered_yards import YardFace, yards_for_training
from tests.benchmarks.suggest_lessons import batches, lesson_of_piece, lesson_of_yard
from tests.benchmarks.suggest_truth import Truth, found, right, truths_of

STEPS = 12_000
NEAR = 0.6
"""Share of the crops that lie round a defect."""
CHANNELS = (24, 32, 48, 64, 64)
INPUTS = 52
PARTS = 6
PLACES = 1_000
"""Places of checks that a face teaches, at most, and a third of the other places."""
LEVELS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
COUNTED = ("knot", "bark", "rot", "check")


class Looked(NamedTuple):
    """A face that was looked over: its pieces, which are right, its defects."""

    pieces: Candidates
    good: NDArray[np.bool_]
    truths: list[Truth]


def look(face: YardFace) -> Looked:
    """Look a face over and judge its pieces."""
    view = view_of(face.pixels, face.outline)
    pieces = candidates(view)
    truths = truths_of(face, view)
    return Looked(pieces, right(pieces.pieces, truths), truths)


def learn_net(yards: list[Path], pieces: list[Path], minutes: float, on: bool) -> None:
    """Learn the net in one run, from the start or on from what it was, and keep it here."""
    lessons = [lesson_of_yard(file) for file in yards]
    lessons += [lesson_of_piece(file) for file in pieces]
    net: Weights = unet_training.new_net(INPUTS, CHANNELS, len(SEEN), 1)
    if on:
        net = dict(unet.load_unets("suggest_unet")["face"])
    seen = lambda *_: batches(lessons, 8, 3 + on, NEAR)  # noqa: E731
    net = unet_training.learn(net, seen, STEPS, 1e-3 if on else 2e-3, minutes=minutes)
    unet_training.write(Path(unet.__file__).with_name("suggest_unet.npz"), {"face": net})
    unet.load_unets.cache_clear()


def places_of_checks(
    face: YardFace, view: View, rng: np.random.Generator
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """What some places of a face look like, and whether each is a check."""
    check = np.zeros(view.wood.shape, np.uint8)
    for truth in truths_of(face, view):
        if truth.group == "check":
            check |= truth.seen
    near = cv2.dilate(check, np.ones((5, 5), np.uint8)) > 0
    signs = signs_of_checks(view, look_of(view))
    rows, wanted = [], []
    for mask, most in ((check > 0, PLACES), (view.wood & ~near, 3 * PLACES)):
        at = np.argwhere(mask)
        at = at[rng.permutation(len(at))[:most]]
        rows.append(signs[at[:, 0], at[:, 1]])
        wanted.append(np.full(len(at), most == PLACES))
    return np.concatenate(rows), np.concatenate(wanted)


def learn_lines(places: list[tuple[NDArray[np.float32], NDArray[np.bool_]]]) -> None:
    """Learn from places of many faces what a check looks like, and keep it beside the code."""
    from sklearn.neural_network import MLPClassifier

    model = MLPClassifier((12,), alpha=1e-3, early_stopping=True, random_state=0)
    rows, wanted = (np.concatenate(part) for part in zip(*places, strict=True))
    write("check_lines", fit(model, rows, wanted))
    stored.cache_clear()


def learned(looked: list[Looked]) -> Weights:
    """Fit boosted trees; return them as plain arrays."""
    from sklearn.ensemble import GradientBoostingClassifier

    rows = np.concatenate([one.pieces.features for one in looked])
    good = np.concatenate([one.good for one in looked])
    model = GradientBoostingClassifier(
        n_estimators=160, max_depth=4, learning_rate=0.07, subsample=0.6, max_features=0.4,
        min_samples_leaf=8, random_state=0,
    ).fit(rows, good)  # fmt: skip
    share = good.mean()
    return as_arrays(model, float(np.log(share / (1 - share)))) | {
        "mean": rows.mean(axis=0), "spread": rows.std(axis=0) + 1e-3,
    }  # fmt: skip


def as_arrays(model: Any, start: float) -> Weights:
    """The trees of a fitted model, padded to one size."""
    trees = [estimator.tree_ for estimator in model.estimators_[:, 0]]
    nodes = max(tree.node_count for tree in trees)
    names = ("column", "limit", "low", "high", "value")
    out = {name: np.zeros((len(trees), nodes), np.float32) for name in names}
    out["column"] -= 1
    for k, tree in enumerate(trees):
        n = tree.node_count
        leaf = tree.children_left < 0
        out["column"][k, :n] = np.where(leaf, -1, tree.feature)
        out["limit"][k, :n] = tree.threshold
        out["low"][k, :n] = np.maximum(tree.children_left, 0)
        out["high"][k, :n] = np.maximum(tree.children_right, 0)
        out["value"][k, :n] = model.learning_rate * tree.value[:, 0, 0]
    return out | {"start": np.array([start], np.float32)}


def counted(looked: list[Looked], odds: list[NDArray[np.float64]], level: float) -> str:
    """Precision, and recall per group, when what is at least so sure is shown."""
    shown = good = 0
    there, seen = dict.fromkeys(COUNTED, 0), dict.fromkeys(COUNTED, 0)
    for one, value in zip(looked, odds, strict=True):
        sure = 1 / (1 + np.exp(-value))
        kept = [k for k in surest_apart(one.pieces, sure) if sure[k] >= level]
        shown += len(kept)
        good += int(one.good[kept].sum())
        for truth, was in zip(one.truths, found([one.pieces.pieces[k] for k in kept], one.truths),
                              strict=True):  # fmt: skip
            if truth.counts:
                there[truth.group] += 1
                seen[truth.group] += was
    recall = ", ".join(f"{group} {seen[group]}/{there[group]}" for group in COUNTED)
    return f"{level:.1f}: precision {good / max(shown, 1):.2f} of {shown}; {recall}"


def left_out(looked: list[Looked]) -> list[NDArray[np.float64]]:
    """Log odds of each face's pieces by trees that never saw the face."""
    odds: list[NDArray[np.float64]] = [np.zeros(0)] * len(looked)
    for part in range(PARTS):
        trees = learned([one for k, one in enumerate(looked) if k % PARTS != part])
        for k in range(part, len(looked), PARTS):
            odds[k] = boosted(looked[k].pieces.features, trees)
    return odds


def main() -> None:
    """Render, learn, look, learn, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--trees-only", action="store_true", help="keep the net that is there")
    parser.add_argument("--minutes", type=float, default=float("inf"), help="of the net's learning")
    parser.add_argument("--on", action="store_true", help="learn on from the net that is there")
    args = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    for_the_net, for_the_trees = yards_for_training(args.folder)
    if not args.trees_only:
        learn_net(for_the_net, faces_for_training(args.folder), args.minutes, args.on)
    rng = np.random.default_rng(3)
    places = []
    for file in for_the_trees:
        face = YardFace.load(file)
        places.append(places_of_checks(face, view_of(face.pixels, face.outline), rng))
    learn_lines(places)
    looked = []
    for file in for_the_trees:
        looked.append(look(YardFace.load(file)))
        good = looked[-1].good
        print(f"{file.name}: {good.size} pieces, {np.count_nonzero(good)} right", flush=True)
    write("suggest", learned(looked))
    odds = left_out(looked)
    for level in LEVELS:
        print(counted(looked, odds, level), flush=True)


if __name__ == "__main__":
    main()
