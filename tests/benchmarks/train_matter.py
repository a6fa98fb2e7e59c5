"""Train the network that tells what a point of a face is; writes ``segment/matter.npz``.

Run with ``python -m tests.benchmarks.train_matter FOLDER`` before ``train_grow``. Points are
taken from rendered pieces of faces at several scales. No real photo is used.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.matter import MATTERS, matter_features
from tests.benchmarks.learning import fit, write
from tests.benchmarks.rendered_faces import Face, faces_for_training

MATTER_OF = {
    "sound_knot": "knot", "loose_knot": "knot", "rot": "rot", "bark_inclusion": "bark",
    "hole": "hole", "grub_holes": "hole", "worm_holes": "hole", "metal": "stain",
    "end_check": "check", "surface_check": "check", "through_check": "check", "shake": "check",
    "pith": "check",
}  # fmt: skip
SCALES = (1.0, 0.6, 0.35)
POINTS = 700
"""Of each matter, from each face at each scale, at most; of clean wood four times as many."""


def matter_of(face: Face) -> NDArray[np.uint8]:
    """What each pixel of a rendered face is, as an index of MATTERS."""
    look_up = np.zeros(int(face.labels.max()) + 1, np.uint8)
    for number, kind in face.kinds.items():
        if number < look_up.size:
            look_up[number] = MATTERS.index(MATTER_OF[kind])
    answer = look_up[face.labels]
    answer[~face.wood] = MATTERS.index("ground")
    return answer


def points_of(face: Face, rng: np.random.Generator) -> tuple[list, list]:
    """Features and matter of points of one face."""
    truth = matter_of(face)
    rows, answers = [], []
    for scale in SCALES:
        scale *= float(rng.uniform(0.8, 1.2))
        size = (round(truth.shape[1] * scale), round(truth.shape[0] * scale))
        features = matter_features(cv2.resize(face.pixels, size, interpolation=cv2.INTER_AREA))
        small = cv2.resize(truth, size, interpolation=cv2.INTER_NEAREST)
        for index, matter in enumerate(MATTERS):
            places = np.flatnonzero(small == index)
            wanted = min(POINTS * (4 if matter == "wood" else 1), places.size)
            pick = rng.choice(places, wanted, replace=False)
            rows.append(features.reshape(-1, features.shape[-1])[pick])
            answers.append(np.full(wanted, index))
    return rows, answers


def main() -> None:
    """Render, learn, write."""
    from sklearn.neural_network import MLPClassifier

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--epochs", type=int, default=12)
    args = parser.parse_args()
    rng = np.random.default_rng(0)
    rows, answers = [], []
    for file in faces_for_training(args.folder):
        more = points_of(Face.load(file), rng)
        rows += more[0]
        answers += more[1]
    model = MLPClassifier(
        hidden_layer_sizes=(40, 24), alpha=1e-4, batch_size=1000, learning_rate_init=2e-3,
        max_iter=args.epochs, random_state=0, tol=0, n_iter_no_change=args.epochs,
    )  # fmt: skip
    truth = np.concatenate(answers)
    weights = fit(model, np.concatenate(rows), truth)
    print(f"{truth.size} points, loss {model.loss_:.3f}")
    write("matter", weights)


if __name__ == "__main__":
    main()
