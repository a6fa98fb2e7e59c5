"""How well checks are traced after two end clicks, beside dumb baselines; prints the tables.

    python -m tests.benchmarks.trace_table                     # real cracks and rendered checks
    python -m tests.benchmarks.trace_table --rendered 40 --no-real

F at a tolerance, as for boundaries: Martin, Fowlkes and Malik 2004, "Learning to detect natural
image boundaries", PAMI 26. The clicks are the true ends, 2 px off (a hand's error).
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from slabvision.opencv import cv2
from slabvision.segment import trace_check, trace_check_line
from slabvision.segment.window import grey

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]


GAPING_PX = 12
"""Mean width from which a real check is a gap with its own two sides."""


class Check(NamedTuple):
    """A check and its truth."""

    name: str
    photo: NDArray[np.uint8]
    truth: Mask
    ends: Floats
    length_px: float
    width_px: Floats
    """Along it, where known; else its mean width."""
    width_at: Floats
    """Places of those widths; empty where only the mean is known."""


class Score(NamedTuple):
    """What one way of tracing reached on one check."""

    f1: float
    f3: float
    iou: float
    length: float
    width: float


def middle_of(truth: Mask) -> Floats:
    """Return the longest way along the skeleton of a mask, end to end."""
    from skimage.graph import MCP
    from skimage.morphology import skeletonize

    bones = skeletonize(truth)
    at = np.argwhere(bones)
    cost = np.where(bones, 1.0, -1.0)
    start = tuple(int(v) for v in at[0])
    for _ in range(2):
        finder = MCP(cost)
        far, _ = finder.find_costs([start])
        far[~np.isfinite(far)] = -1
        start = tuple(int(v) for v in np.unravel_index(far.argmax(), far.shape))
    return np.array(finder.traceback(start), dtype=np.float64)


def mouth_and_tip(truth: Mask) -> Floats:
    """Return the middles of both ends of a gaping check: its skeleton runs into a corner."""
    at = np.argwhere(truth).astype(np.float64)
    middle = at.mean(axis=0)
    way = np.linalg.svd(at - middle, full_matrices=False)[2][0]
    along = (at - middle) @ way
    return np.array([at[along <= along.min() + 2].mean(0), at[along >= along.max() - 2].mean(0)])


def length_of(line: Floats) -> float:
    """Return the length of a pixel path, its stairs smoothed."""
    from scipy.ndimage import gaussian_filter1d

    calm = gaussian_filter1d(line, 3.0, axis=0, mode="nearest")
    calm[[0, -1]] = line[[0, -1]]
    return float(np.hypot(*np.diff(calm, axis=0).T).sum())


def real_checks(folder: Path) -> Iterator[Check]:
    """Yield the cracks whose masks others made, the README beside the photos says how."""
    files = [(f, folder / "boards") for f in (folder / "boards" / "masks").glob("*_crack.png")]
    files += [(f, folder / "endgrain") for f in (folder / "endgrain" / "crack").glob("*.png")]
    for file, place in sorted(files):
        name = file.stem.removesuffix("_crack")
        photo = cv2.imread(str(place / f"{name}.jpg"))[:, :, ::-1].copy()
        marks = (cv2.imread(str(file), cv2.IMREAD_GRAYSCALE) > 0).astype(np.uint8)
        count, labels = cv2.connectedComponents(marks, connectivity=8)
        for k in range(1, count):
            truth = labels == k
            if truth.sum() < 40:
                continue
            line = middle_of(truth)
            length = length_of(line)
            ends = line[[0, -1]]
            if truth.sum() / length > GAPING_PX:
                ends = mouth_and_tip(truth)
                length = float(np.hypot(*(ends[1] - ends[0])))
            yield Check(
                f"{name}.{k}", photo, truth, ends, length,
                np.array([truth.sum() / length]), np.zeros((0, 2)),
            )  # fmt: skip


def rendered_checks(count: int) -> Iterator[Check]:
    """Yield checks over 50 mm from faces of every look and saw, rings and knots crossed or not."""
    from slabvision.scene import Surface, looks, render_face_patch
    from slabvision.scene.surface import SAWS

    made = seed = 0
    while made < count:
        seed += 1
        near = ("end_check", "surface_check")[seed % 2]
        surface = Surface(saw=SAWS[seed % len(SAWS)], weathered=0.3 * (seed % 3), dust=0.2)
        scale = (0.35, 0.6)[seed // 2 % 2]
        try:
            patch = render_face_patch(
                7000 + seed, looks()[seed % len(looks())], (240.0 * scale / 0.5, 360.0),
                scale, near=near, surface=surface,
            )  # fmt: skip
        except ValueError:
            continue
        rows, cols = patch.labels.shape
        for each in patch.table:
            if len(each.line) < 4 or made >= count:
                continue
            inside = ((each.line > 2) & (each.line < np.array([rows, cols]) - 3)).all(axis=1)
            open_px = each.widths_mm / scale
            seen = inside & (each.widths_mm >= 0.3)
            run = _longest_run(seen)
            if run.size < 4:
                continue
            line, width = each.line[run], open_px[run]
            length = float(np.hypot(*np.diff(line, axis=0).T).sum())
            if length * scale < 50:
                continue
            made += 1
            yield Check(
                f"{seed} {each.kind}", patch.pixels, _swept(line, width, (rows, cols)),
                line[[0, -1]], length, width, line,
            )  # fmt: skip


def _longest_run(flags: NDArray[np.bool_]) -> NDArray[np.intp]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    runs = list(zip(edges[::2], edges[1::2], strict=True))
    if not runs:
        return np.zeros(0, np.intp)
    start, stop = max(runs, key=lambda r: r[1] - r[0])
    return np.arange(start, stop)


def _swept(line: Floats, width: Floats, shape: tuple[int, int]) -> Mask:
    """Return the mask that a line of changing width covers, at least its own pixels."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    left, right = line + width[:, None] / 2 * normal, line - width[:, None] / 2 * normal
    big = np.zeros((shape[0] * 2, shape[1] * 2), np.uint8)
    for k in range(len(line) - 1):
        quad = np.stack([left[k], left[k + 1], right[k + 1], right[k]])
        at = np.round(((quad + 0.5) * 2 - 0.5)[:, ::-1] * 8).astype(np.int32)
        cv2.fillPoly(big, [at], 1, cv2.LINE_8, 3)
    mask = cv2.resize(big.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(mask >= 0.5)


def f_at(mask: Mask, truth: Mask, tolerance: float) -> float:
    """Return F: how much of each lies within a tolerance of the other."""
    if not mask.any():
        return 0.0
    precision = float((distance_transform_edt(~truth)[mask] <= tolerance).mean())
    recall = float((distance_transform_edt(~mask)[truth] <= tolerance).mean())
    return 2 * precision * recall / max(precision + recall, 1e-9)


def scored(check: Check, mask: Mask, line: Floats, width: Floats, resolved: Mask) -> Score:
    """Compare a trace with the truth; widths where this picture resolves them."""
    rows, cols = np.nonzero(check.truth | mask)
    part = (
        slice(max(rows.min() - 8, 0), rows.max() + 9),
        slice(max(cols.min() - 8, 0), cols.max() + 9),
    )
    a, b = mask[part], check.truth[part]
    long = float(np.hypot(*np.diff(line, axis=0).T).sum())
    if len(check.width_at):
        near = np.hypot(*(line[:, None] - check.width_at[None]).transpose(2, 0, 1))
        true = check.width_px[near.argmin(axis=1)]
        # What the camera cannot resolve is said in words, on both sides.
        ok = (true > 2) & resolved
        off = float(np.median(np.abs(width - true)[ok])) if ok.sum() >= 5 else np.nan
    else:
        off = abs(float(np.mean(width)) - float(check.width_px[0]))
    return Score(
        f_at(a, b, 1), f_at(a, b, 3), float((a & b).sum() / (a | b).sum()),
        abs(long / check.length_px - 1), off,
    )  # fmt: skip


def ours(check: Check, clicks: Floats, usual: float) -> Score:
    """Score ``trace_check``."""
    line = trace_check_line(check.photo, clicks)
    mask = trace_check(check.photo, clicks)
    return scored(check, mask, line.centre_line, line.width_px, line.resolved)


def straight(check: Check, clicks: Floats, usual: float) -> Score:
    """Score the dumb baseline: a straight line of the usual width."""
    return _painted(check, clicks, usual)


def plain_path(check: Check, clicks: Floats, usual: float) -> Score:
    """Score a minimal path over scikit-image's ``sato``, painted with the usual width."""
    from skimage.filters import sato
    from skimage.graph import route_through_array

    low = np.maximum(np.floor(clicks.min(axis=0)) - 80, 0).astype(int)
    high = np.minimum(np.ceil(clicks.max(axis=0)) + 81, check.truth.shape).astype(int)
    window = grey(check.photo[low[0] : high[0], low[1] : high[1]])
    ridge = sato(window, sigmas=[1, 2, 3, 4])
    ridge /= max(float(np.percentile(ridge, 99.5)), 1e-6)
    first, last = (np.rint(c - low).astype(int) for c in clicks)
    path, _ = route_through_array(1 / (0.02 + ridge.clip(0, 1)), first, last, geometric=True)
    return _painted(check, np.array(path, float) + low, usual)


def _painted(check: Check, line: Floats, width: float) -> Score:
    canvas = np.zeros(check.truth.shape, np.uint8)
    at = np.round(line[:, ::-1]).astype(np.int32)
    cv2.polylines(canvas, [at], False, 1, max(1, round(width)))
    if len(line) == 2:
        line = np.linspace(line[0], line[-1], 200)
    everywhere = np.ones(len(line), np.bool_)
    got = scored(check, canvas > 0, line, np.full(len(line), width), everywhere)
    return got._replace(length=abs(length_of(line) / check.length_px - 1))


WAYS: dict[str, Callable[[Check, Floats, float], Score]] = {
    "trace_check": ours,
    "minimal path on sato, fixed width": plain_path,
    "straight line, fixed width": straight,
}


def table(title: str, checks: list[Check]) -> str:
    """Return one table in Markdown: a row for each way."""
    usual = float(np.median([np.median(c.width_px) for c in checks]))
    head = (
        f"| {title}, {len(checks)} checks | F at 1 px ≥ 0.85, % | F at 3 px ≥ 0.85, % "
        "| IoU ≥ 0.7, % | length error, median % | width error, median px | 90 % of them, px |\n"
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: |\n"
    )
    rows = []
    for name, way in WAYS.items():
        scores = []
        for k, check in enumerate(checks):
            hand = np.random.default_rng(k).uniform(-2, 2, (2, 2))
            clicks = np.clip(check.ends + hand, 0, np.array(check.truth.shape) - 1)
            scores.append(way(check, clicks, usual))
        got = np.array(scores)
        width = got[:, 4][np.isfinite(got[:, 4])]
        rows.append(
            f"| {name} | {100 * (got[:, 0] >= 0.85).mean():.0f} "
            f"| {100 * (got[:, 1] >= 0.85).mean():.0f} | {100 * (got[:, 2] >= 0.7).mean():.0f} "
            f"| {100 * np.median(got[:, 3]):.1f} | {np.median(width):.2f} "
            f"| {np.percentile(width, 90):.2f} |"
        )
        if os.environ.get("TRACE_EACH") and name == "trace_check":
            for check, score in zip(checks, scores, strict=True):
                print(check.name, round(check.length_px), *(round(v, 3) for v in score))
    return head + "\n".join(rows) + "\n"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rendered", type=int, default=40)
    parser.add_argument("--no-real", action="store_true")
    asked = parser.parse_args()
    beside = Path(__file__).parents[2] / "shared" / "real_photos"
    folder = Path(os.environ.get("SLABVISION_REAL_PHOTOS", beside))
    if not asked.no_real and folder.is_dir():
        print(table("real", list(real_checks(folder))))
    if asked.rendered:
        print(table("rendered", list(rendered_checks(asked.rendered))))


if __name__ == "__main__":
    main()
