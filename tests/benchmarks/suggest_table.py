"""Recall and precision of ``suggest_defects`` on rendered faces kept out of its training.

Run with ``python -m tests.benchmarks.suggest_table FOLDER``; ``--taught N`` lets it learn from
the verdicts on the first N faces and counts on the others before and after. Right and found are
defined in ``suggest_truth``; what the bars do not ask for (small knots, short checks, holes)
counts as right where it is shown, never as missed.
"""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path
from time import process_time
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.learner import VisitLearner
from slabvision.segment.proposals import Candidate
from slabvision.segment.suggest import LEAST_CONFIDENCE, Pieces, confidence_of, look_over
from tests.benchmarks.rendered_yards import YardFace, yards_apart
from tests.benchmarks.suggest_truth import Truth, found, right, truths_of

GROUPS = ("knot", "bark", "rot", "check")


class Counted(NamedTuple):
    """A face that was looked over."""

    clean: bool
    area_m2: float
    pieces: Pieces
    masks: list[Candidate]
    good: NDArray[np.bool_]
    truths: list[Truth]
    seconds: float


def look(file: Path) -> Counted:
    """Look a face over as the tool does."""
    face = YardFace.load(file)
    start = process_time()
    view, pieces = look_over(face.pixels, face.outline)
    seconds = process_time() - start
    masks = []
    for k, line in enumerate(pieces.lines, start=1):
        mask = pieces.labels == k
        masks.append(Candidate(mask, (0, 0), bool(line)))
    truths = truths_of(face, view)
    good = right(masks, truths)
    return Counted(face.clean, face.area_mm2 / 1e6, pieces, masks, good, truths, seconds)


def table(faces: list[Counted], learner: VisitLearner | None, title: str) -> str:
    """Recall per group, precision, false proposals on clean faces."""
    there: Counter[str] = Counter()
    seen: Counter[str] = Counter()
    shown = good = false = 0
    area = 0.0
    for face in faces:
        show = confidence_of(face.pieces, learner) >= LEAST_CONFIDENCE
        shown += int(show.sum())
        good += int((show & face.good).sum())
        if face.clean:
            false += int((show & ~face.good).sum())
            area += face.area_m2
        kept = [mask for mask, is_shown in zip(face.masks, show, strict=True) if is_shown]
        for truth, was in zip(face.truths, found(kept, face.truths), strict=True):
            if truth.counts:
                there[truth.group] += 1
                seen[truth.group] += was
    cells = [f"{seen[g]} of {there[g]}" for g in GROUPS]
    clean = f"{false / area:.1f}" if area else ""
    return f"| {title} | {' | '.join(cells)} | {good} of {shown} | {clean} |"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--taught", type=int, default=3)
    args = parser.parse_args()
    faces = [look(file) for file in yards_apart(args.folder)]
    print(
        "| faces | knots | bark | rot | checks over 50 mm | right | false per m², clean faces |\n"
        "| --- | --- | --- | --- | --- | --- | ---: |"
    )
    print(table(faces, None, "all"))
    usual = [face for face in faces if not face.clean]
    taught, later = usual[: args.taught], usual[args.taught :]
    later += [face for face in faces if face.clean]
    learner = VisitLearner()
    for face in taught:
        said = confidence_of(face.pieces, learner) >= LEAST_CONFIDENCE
        learner.learn(face.pieces.features[said], face.good[said])
    print(table(later, None, f"after {args.taught} of them, untaught"))
    print(table(later, learner, f"the same, taught by {args.taught}"))
    print(f"\n{np.median([face.seconds for face in faces]):.1f} s of one core a face (median)")


if __name__ == "__main__":
    main()
