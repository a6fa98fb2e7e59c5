"""Clicks per region: ``grow_region`` beside GrabCut, random walker and a disc of median size.

Run with ``python -m tests.benchmarks.grow_table FOLDER [--real PHOTOS]``; rendered photos are
made into FOLDER once. Prints the table of DEVELOPERS.md. GrabCut and the random walker see a
window that fits the truth (its box enlarged by its size, at most 200 px a side): more than a
person could tell them.
"""

from __future__ import annotations

import argparse
import csv
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import RegionSearch
from tests.benchmarks.click_protocol import Mask, Point, Session, click_through
from tests.benchmarks.rendered_faces import Face, faces_for_testing

_WINDOW_PX = 200
_BALL_PX = 3
_KEYS = {"rot": "rot", "bark": "bark_inclusion", "hole": "hole", "stain": "metal"}
"""Kinds of defects by what the tables call them; the rest are knots."""
Box = tuple[float, float, float, float]
SEEN = 1.5
"""Regions whose colour stands out so far are counted by themselves as well."""
KNOTS = ("Live_Knot", "Dead_Knot", "knot_with_crack", "Knot_missing")


class Case:
    """A region to find: a photo, the truth, and what the tables call it."""

    def __init__(self, pixels: NDArray[np.uint8], truth: Mask, kind: str) -> None:
        self.pixels, self.truth, self.kind = pixels, truth, kind
        rows, cols = np.flatnonzero(truth.any(axis=1)), np.flatnonzero(truth.any(axis=0))
        low = np.array([rows[0], cols[0]])
        high = np.array([rows[-1], cols[-1]]) + 1
        pad = (high - low) // 2 + 20
        self.top, self.left = np.maximum(low - pad, 0)
        self.bottom, self.right = np.minimum(high + pad, truth.shape)

    @property
    def stands_out(self) -> float:
        """How far its colour lies from what is round it, in spreads of both (Mahalanobis 1936).

        What a person could tell from the photo, whatever tool is measured: under 1.5 there is
        little to click at.
        """
        size = float(np.sqrt(np.count_nonzero(self.truth)))
        part = np.s_[self.top : self.bottom, self.left : self.right]
        truth = self.truth[part]
        lab = cv2.cvtColor(self.pixels[part].astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
        lab = cv2.GaussianBlur(lab, (0, 0), 1)
        off = cv2.distanceTransform((~truth).astype(np.uint8), cv2.DIST_L2, 5)
        within, around = lab[truth], lab[(off > 1.5) & (off < max(4.0, 0.6 * size))]
        spread = sum(np.cov(each.T) * len(each) for each in (within, around))
        spread = spread / (len(within) + len(around)) + np.eye(3)  # 1: hardly seen
        apart = within.mean(axis=0) - around.mean(axis=0)
        return float(np.sqrt(apart @ np.linalg.solve(spread, apart)))

    @property
    def radius(self) -> float:
        """Radius of the disc of the same area."""
        return float(np.sqrt(np.count_nonzero(self.truth) / np.pi))


def rendered(folder: Path) -> Iterator[Case]:
    """Regions of the rendered test photos, and of photos of yards found in the same folder."""
    for file in [*faces_for_testing(folder), *sorted(folder.glob("yard41???.npz"))]:
        face = Face.load(file)
        for region in face.regions():
            yield Case(face.pixels, face.holds(region.numbers), region.kind)


def boxes(folder: Path) -> Iterator[tuple[str, str, Box]]:
    """Published boxes of the real boards: photo, class, (x0, y0, x1, y1).

    Boxes under 20 px a side are left out (published slips of the hand).
    """
    with (folder / "boards" / "boxes.csv").open() as file:
        for row in csv.DictReader(file):
            x0, y0, x1, y1 = (float(row[key]) for key in ("x0", "y0", "x1", "y1"))
            if min(x1 - x0, y1 - y0) >= 20:
                yield row["image"], row["class"], (x0, y0, x1, y1)


def board(folder: Path, image: str) -> NDArray[np.uint8]:
    """A real board's photo, RGB."""
    return cv2.imread(str(folder / "boards" / image))[:, :, ::-1].copy()


def oval_in(box: Box, shape: tuple[int, ...]) -> Mask:
    """The ellipse that fills a box."""
    x0, y0, x1, y1 = box
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    far = ((xx - (x0 + x1) / 2) / (x1 - x0)) ** 2 + ((yy - (y0 + y1) / 2) / (y1 - y0)) ** 2
    return np.asarray(far <= 0.25)


def real(folder: Path, apart: bool) -> Iterator[Case]:
    """Published knots of the real boards: the ellipse that fills the published box.

    Photos of even number were kept apart while the tool was made.
    """
    for image, what, box in boxes(folder):
        number = int(image.removeprefix("vsb_s").removesuffix(".jpg"))
        if what in KNOTS and (number % 2 == 0) == apart:
            pixels = board(folder, image)
            kind = "real knot, apart" if apart else "real knot"
            yield Case(pixels, oval_in(box, pixels.shape), kind)


def _small(case: Case) -> tuple[NDArray[np.uint8], float]:
    window = case.pixels[case.top : case.bottom, case.left : case.right]
    scale = min(1.0, _WINDOW_PX / max(window.shape[:2]))
    size = (max(1, round(window.shape[1] * scale)), max(1, round(window.shape[0] * scale)))
    return cv2.resize(window, size, interpolation=cv2.INTER_AREA), scale


def _balls(case: Case, shape: tuple[int, ...], scale: float, points: list[Point],
           radius: float) -> Mask:  # fmt: skip
    canvas = np.zeros(shape[:2], np.uint8)
    for row, col in points:
        at = (round((col - case.left) * scale), round((row - case.top) * scale))
        cv2.circle(canvas, at, round(radius), 1, -1)
    return canvas > 0


def _large(case: Case, small: Mask) -> Mask:
    mask = np.zeros(case.truth.shape, bool)
    size = (int(case.right - case.left), int(case.bottom - case.top))
    fine = cv2.resize(small.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    mask[case.top : case.bottom, case.left : case.right] = fine > 0.5
    return mask


def grabcut(case: Case, median: float) -> Callable[[list[Point], list[Point]], Mask]:
    """GrabCut (Rother et al. 2004) of OpenCV, five rounds, from balls at the clicks."""
    small, scale = _small(case)

    def segment(inside: list[Point], outside: list[Point]) -> Mask:
        hint = np.full(small.shape[:2], cv2.GC_PR_BGD, np.uint8)
        hint[_balls(case, small.shape, scale, inside[:1], median * scale)] = cv2.GC_PR_FGD
        hint[_balls(case, small.shape, scale, inside, _BALL_PX)] = cv2.GC_FGD
        hint[_balls(case, small.shape, scale, outside, _BALL_PX)] = cv2.GC_BGD
        cv2.setRNGSeed(0)
        models = np.zeros((1, 65)), np.zeros((1, 65))
        try:
            cv2.grabCut(small, hint, None, *models, 5, cv2.GC_INIT_WITH_MASK)
        except cv2.error:  # one side is empty
            return _large(case, hint == cv2.GC_FGD)
        return _large(case, (hint == cv2.GC_FGD) | (hint == cv2.GC_PR_FGD))

    return segment


def walker(case: Case, median: float) -> Callable[[list[Point], list[Point]], Mask]:
    """Random walker (Grady 2006) of scikit-image; the window's rim counts as outside."""
    from skimage.color import rgb2lab
    from skimage.segmentation import random_walker

    small, scale = _small(case)
    look = rgb2lab(small) / 100

    def segment(inside: list[Point], outside: list[Point]) -> Mask:
        said = np.zeros(small.shape[:2], np.int32)
        said[[0, -1]] = said[:, [0, -1]] = 2
        said[_balls(case, small.shape, scale, outside, _BALL_PX)] = 2
        said[_balls(case, small.shape, scale, inside, _BALL_PX)] = 1
        found = random_walker(look, said, beta=400, mode="cg_j", channel_axis=-1)
        return _large(case, found == 1)

    return segment


def disc(case: Case, median: float) -> Callable[[list[Point], list[Point]], Mask]:
    """A disc of the kind's median size at each inside click, less half ones outside."""

    def segment(inside: list[Point], outside: list[Point]) -> Mask:
        canvas = np.zeros(case.truth.shape, np.uint8)
        for row, col in inside:
            cv2.circle(canvas, (col, row), round(median), 1, -1)
        for row, col in outside:
            cv2.circle(canvas, (col, row), round(median / 2), 0, -1)
        return canvas > 0

    return segment


def grown(
    case: Case, median: float, kind: str | None = None
) -> Callable[[list[Point], list[Point]], Mask]:
    """The tool measured; it is told the order of the clicks, as the window of the plugin does."""
    order: list[bool] = []
    search = RegionSearch(case.pixels, kind)

    def segment(inside: list[Point], outside: list[Point]) -> Mask:
        order.append(len(inside) > sum(order))
        return search.region(inside, outside, order=order).mask

    return segment


def told(case: Case, median: float) -> Callable[[list[Point], list[Point]], Mask]:
    """The tool measured, told the kind as well: in the window a kind is chosen before painting."""
    return grown(case, median, _KEYS.get(case.kind, "sound_knot"))


METHODS: dict[str, Callable[[Case, float], Callable[[list[Point], list[Point]], Mask]]] = {
    "grow_region": grown,
    "grow_region, kind said": told,
    "GrabCut": grabcut,
    "random walker": walker,
    "disc": disc,
}


def measure(cases: list[Case], methods: list[str]) -> dict[tuple[str, str], list[Session]]:
    """Play the protocol with each method on each region.

    Regions that stand out are counted once more by themselves.
    """
    sizes: dict[str, list[float]] = defaultdict(list)
    for case in cases:
        sizes[case.kind].append(case.radius)
    played: dict[tuple[str, str], list[Session]] = defaultdict(list)
    for case in cases:
        kinds = [case.kind, f"{case.kind}, seen"] if case.stands_out >= SEEN else [case.kind]
        for method in methods:
            segment = METHODS[method](case, float(np.median(sizes[case.kind])))
            session = click_through(segment, case.truth)
            for kind in kinds:
                played[kind, method].append(session)
    return played


def table(played: dict[tuple[str, str], list[Session]]) -> str:
    """The sessions as a Markdown table."""
    lines = [
        "| region | method | regions | NoC@85 | NoC@90 | never 85 % | first overlap | ms a click |",
        "| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for (kind, method), sessions in sorted(played.items(), key=lambda item: item[0][0]):
        needed = {t: np.mean([s.clicks(t) for s in sessions]) for t in (0.85, 0.9)}
        never = sum(max(s.overlaps) < 0.85 for s in sessions)
        first = np.median([s.overlaps[0] for s in sessions])
        ms = 1000 * np.median([t for s in sessions for t in s.seconds])
        lines.append(
            f"| {kind} | {method} | {len(sessions)} | {needed[0.85]:.2f} | {needed[0.9]:.2f} | "
            f"{never} | {first:.2f} | {ms:.0f} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where rendered photos are kept")
    parser.add_argument("--real", type=Path, help="folder of the real photos")
    parser.add_argument("--only", nargs="*", default=list(METHODS), help="methods")
    parser.add_argument("--no-rendered", action="store_true")
    parser.add_argument("--apart", action="store_true", help="also the real photos kept apart")
    args = parser.parse_args()
    cases = [] if args.no_rendered else list(rendered(args.folder))
    if args.real is not None:
        cases += real(args.real, apart=False)
        if args.apart:
            cases += real(args.real, apart=True)
    print(table(measure(cases, args.only)))


if __name__ == "__main__":
    main()
