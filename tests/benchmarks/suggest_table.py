"""Recall and precision of ``suggest_defects`` on rendered faces kept out of its training.

Run with ``python -m tests.benchmarks.suggest_table FOLDER [--real PHOTOS]``. Counts at several
confidences, beside a dumb baseline (whatever is darker than the wood round it), and on the
later faces of a visit before and after the verdicts on the first three. Right and found are
defined in ``suggest_truth``; what the bars do not ask for (small knots, short checks, holes,
what lies in a hard shadow) counts as right where it is shown, never as missed.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Iterable
from pathlib import Path
from time import process_time
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.face_view import View, light_of_places
from slabvision.segment.learner import VisitLearner
from slabvision.segment.proposals import Candidate
from slabvision.segment.suggest import (
    LEAST_CONFIDENCE,
    Pieces,
    confidence_of,
    look_over,
    suggest_defects,
)
from slabvision.segment.verdicts import LEAST_OVERLAP
from tests.benchmarks.click_protocol import overlap
from tests.benchmarks.grow_table import KNOTS, board, boxes, oval_in
from tests.benchmarks.rendered_yards import YardFace, yards_apart, yards_of_visits
from tests.benchmarks.suggest_truth import LEAST_PX, Truth, found, right, truths_of

GROUPS = ("knot", "bark", "rot", "check")
PLAIN = "check that stands out"
LEVELS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
DARKER = (0.15, 0.3, 0.5)
"""Logarithms: 0.3 is a quarter darker than the wood round it."""
LINE = 5.0
"""A dark spot so many times as long as wide is taken for a check."""
TAUGHT = 3
IN_BOX = 0.7
LONG_PX = (2000, 1280, 800)
"""Real boards are photographed from near at no known scale: as they are, and shrunk."""


class Counted(NamedTuple):
    """A face that was looked over."""

    clean: bool
    area_m2: float
    pieces: Pieces
    masks: list[Candidate]
    good: NDArray[np.bool_]
    truths: list[Truth]
    dark: list[list[Candidate]]
    seconds: float


def look(file: Path) -> Counted:
    """Look a face over as the tool does, and as the dumb baseline does."""
    face = YardFace.load(file)
    start = process_time()
    view, pieces = look_over(face.pixels, face.outline)
    seconds = process_time() - start
    masks = [
        Candidate(pieces.labels == k, (0, 0), bool(line))
        for k, line in enumerate(pieces.lines, start=1)
    ]
    truths = truths_of(face, view)
    dark = [dark_spots(view, level) for level in DARKER]
    good = right(masks, truths)
    return Counted(
        face.clean, face.area_mm2 / 1e6, pieces, masks, good, truths, dark, seconds
    )  # fmt: skip


def dark_spots(view: View, darker: float) -> list[Candidate]:
    """Whatever is darker than the wood round it and no smaller than what is counted."""
    light = cv2.GaussianBlur(light_of_places(view)[..., 0] * (4 / 3), (0, 0), 1.0)
    dark = ((light < -darker) & view.wood).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=8)
    spots = []
    for k in range(1, count):
        left, top, wide, high, area = stats[k]
        if area >= LEAST_PX:
            mask = labels[top : top + high, left : left + wide] == k
            spots.append(Candidate(mask, (int(top), int(left)), max(wide, high) ** 2 > LINE * area))
    return spots


def row(title: str, shown: Iterable[tuple[Counted, list[Candidate], NDArray[np.bool_]]]) -> str:
    """Recall per group, precision, false proposals on clean faces, of what is shown."""
    there: Counter[str] = Counter()
    seen: Counter[str] = Counter()
    all_shown = all_right = false = 0
    area = 0.0
    for face, kept, good in shown:
        all_shown += len(kept)
        all_right += int(good.sum())
        if face.clean:
            false += int((~good).sum())
            area += face.area_m2
        for truth, was in zip(face.truths, found(kept, face.truths), strict=True):
            if truth.counts:
                plain = (PLAIN,) if truth.group == "check" and truth.stands_out else ()
                for group in (truth.group, *plain):
                    there[group] += 1
                    seen[group] += was
    cells = [f"{seen[g]} of {there[g]}" for g in (*GROUPS, PLAIN)]
    clean = f"{false / area:.1f}" if area else ""
    share = f"{all_right} of {all_shown} ({all_right / max(all_shown, 1):.0%})"
    return f"| {title} | {' | '.join(cells)} | {share} | {clean} |"


def as_shown(
    faces: list[Counted], level: float, learner: VisitLearner | None = None
) -> list[tuple[Counted, list[Candidate], NDArray[np.bool_]]]:
    """What is shown of each face from a confidence on."""
    answer = []
    for face in faces:
        show = confidence_of(face.pieces, learner) >= level
        kept = [mask for mask, is_shown in zip(face.masks, show, strict=True) if is_shown]
        answer.append((face, kept, face.good[show]))
    return answer


def taught(faces: list[Counted]) -> VisitLearner:
    """What faces teach that a person has finished: what is wanted is painted, shown or not."""
    learner = VisitLearner()
    for face in faces:
        learner.learn(face.pieces.features, face.good)
    return learner


def on_boards(photos: Path, long_px: int) -> str:
    """Knots found on the real boards shrunk to a length, and how many pieces lie in some box.

    A knot is found where a piece overlaps the ellipse in its published box; a piece lies in a box
    with 70 % of it, or as a knot that is found.
    """
    of_photo = defaultdict(list)
    for image, what, box in boxes(photos):
        of_photo[image].append((what, box))
    there = seen = shown = in_some = 0
    for image, told in of_photo.items():
        pixels = board(photos, image)
        factor = min(1.0, long_px / max(pixels.shape))
        small = cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        high, wide = (n - 1 for n in small.shape[:2])
        labels, table = suggest_defects(small, [(0, 0), (0, wide), (high, wide), (high, 0)])
        masks = [labels == number for number in table["number"]]
        good = np.zeros(len(masks), np.bool_)
        for what, (x0, y0, x1, y1) in told:
            here = x0 * factor, y0 * factor, x1 * factor, y1 * factor
            oval, (left, top, right_, low) = oval_in(here, labels.shape), (round(n) for n in here)
            found_by = np.array([overlap(mask, oval) >= LEAST_OVERLAP for mask in masks], np.bool_)
            within = [mask[top : low + 1, left : right_ + 1].sum() / mask.sum() for mask in masks]
            good |= found_by | (np.array(within) > IN_BOX)
            there += what in KNOTS
            seen += what in KNOTS and bool(found_by.any())
        shown += len(masks)
        in_some += int(good.sum())
    return (
        f"real boards, at most {long_px} px: knots {seen} of {there}; in a box {in_some} of {shown}"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--real", type=Path, help="folder of the real photos")
    args = parser.parse_args()
    faces = [look(file) for file in yards_apart(args.folder)]
    print(
        "| shown | knots | bark | rot | checks over 50 mm | those that stand out | right | "
        "false per m², clean faces |\n| --- | --- | --- | --- | --- | --- | --- | ---: |"
    )
    for level in LEVELS:
        print(row(f"from {level:.1f}", as_shown(faces, level)))
    for k, darker in enumerate(DARKER):
        dark = [(face, face.dark[k], right(face.dark[k], face.truths)) for face in faces]
        print(row(f"darker by {1 - np.exp(-darker):.0%}", dark))
    print(f"\n{np.median([face.seconds for face in faces]):.1f} s of one core a face (median)\n")
    halves = []
    for files in yards_of_visits(args.folder):
        visit = [look(file) for file in files]
        halves += [(visit[:TAUGHT], visit[TAUGHT:]), (visit[TAUGHT:], visit[:TAUGHT])]
    for title, pairs in (
        ("faces of a visit", halves),
        ("unlike faces", [(faces[:TAUGHT], faces[TAUGHT:])]),
    ):
        told = [(None, later) for _, later in pairs], [(taught(one), on) for one, on in pairs]
        for words, lessons in zip(("untaught", f"taught by {TAUGHT} others"), told, strict=True):
            shown = [each for by, on in lessons for each in as_shown(on, LEAST_CONFIDENCE, by)]
            print(row(f"{title}, {words}", shown))
    for long_px in LONG_PX if args.real is not None else ():
        print(on_boards(args.real, long_px))


if __name__ == "__main__":
    main()
