"""Rendered faces with regions to click at: made once into a folder, whole photos and patches."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from slabvision.opencv import cv2
from slabvision.scene import looks, render_face_patch, render_slab
from slabvision.scene.condition import SEEN_MM
from slabvision.scene.patches import Defect

KINDS = {
    "sound_knot": "knot", "loose_knot": "knot", "bark_inclusion": "bark", "rot": "rot",
    "hole": "hole", "metal": "stain",
}  # fmt: skip
"""Regions that are grown, and what the tables call them."""
LEAST_PX = 80
_AMOUNTS = {"rot": 2.5, "bark inclusions": 3.0, "holes": 1.0, "grub holes": 0.5,
            "worm holes": 0.5, "metal": 0.7}  # fmt: skip
_CROWDED = {**_AMOUNTS, "rot": 9.0, "bark inclusions": 13.0, "holes": 3.0,
            "metal": 3.0}  # fmt: skip
TRAINING_PIECES = range(30_001, 30_201)
TEST_PHOTOS = range(153, 163)
"""Seeds; what is trained on is never tested on."""


@dataclass(frozen=True)
class Region:
    """One region of a face: a defect, or several that run together."""

    numbers: tuple[int, ...]
    kind: str
    box: tuple[slice, slice]


@dataclass(frozen=True, eq=False)
class Face:
    """Pixels, where wood is seen, the instance image, checks' faint ends, each instance's kind."""

    pixels: NDArray[np.uint8]
    wood: NDArray[np.bool_]
    labels: NDArray[np.uint16]
    faint: NDArray[np.bool_]
    kinds: dict[int, str]

    @classmethod
    def load(cls, file: Path) -> Face:
        """Read a face that was made before, here or as a photo of a yard."""
        with np.load(file) as f:
            kinds = dict(zip(f["numbers"].tolist(), f["kinds"].tolist(), strict=True))
            labels = f["labels"]
            if "hidden" in f:
                labels[f["hidden"]] = 0
            wood = f.get("wood", labels > 0)
            return cls(f["pixels"], wood, labels, f["faint"], kinds)

    def regions(self) -> list[Region]:
        """Regions worth a click: in one piece, at least 80 px."""
        found = []
        for kind, numbers in self._together():
            mask = self.holds(numbers)
            rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
            if rows.size == 0:
                continue
            box = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
            _, _, stats, _ = cv2.connectedComponentsWithStats(mask[box].astype(np.uint8))
            largest = int(stats[1:, 4].max())
            if largest >= LEAST_PX and largest > 0.9 * np.count_nonzero(mask[box]):
                found.append(Region(numbers, kind, box))
        return found

    def holds(
        self, numbers: Sequence[int], where: tuple[slice, slice] = np.s_[:, :]
    ) -> NDArray[np.bool_]:
        """Where any of some defects is, in a part of the face."""
        among = np.zeros(1 + max([int(self.labels.max()), *numbers]), bool)
        among[list(numbers)] = True
        return np.asarray(among[self.labels[where]])

    def _together(self) -> Iterator[tuple[str, tuple[int, ...]]]:
        """Yield kinds and the numbers of defects that nobody could tell apart.

        Where one patch of rot runs into another, no border between them is seen; a knot in
        another knot is.
        """
        for kind in dict.fromkeys(KINDS.values()):
            numbers = [n for n, each in self.kinds.items() if KINDS.get(each) == kind]
            if kind == "knot":
                yield from ((kind, (n,)) for n in numbers)
            elif numbers:
                mask = self.holds(numbers)
                count, pieces = cv2.connectedComponents(mask.astype(np.uint8))
                top = 1 + max(numbers)
                links = coo_array(
                    (np.ones(np.count_nonzero(mask)), (self.labels[mask], top + pieces[mask])),
                    shape=(top + count, top + count),
                )
                group = connected_components(links, directed=False)[1]
                for one in dict.fromkeys(group[numbers].tolist()):
                    yield kind, tuple(n for n in numbers if group[n] == one)


def faint_ends(labels: NDArray[np.uint16], table: Sequence[Defect]) -> NDArray[np.bool_]:
    """Where checks run on beyond the first or last place 0.3 mm wide, too thin to be seen."""
    out = np.zeros(labels.shape, bool)
    for each in table:
        at = np.argwhere(labels == each.number)
        if len(each.line) and len(at):
            along = cKDTree(each.line).query(at)[1]
            wide = np.flatnonzero(each.widths_mm >= SEEN_MM)
            first, last = (wide[0], wide[-1]) if len(wide) else (len(each.line), 0)
            gone = (along < first) | (along > last)
            out[tuple(at[gone].T)] = True
    return out


def _looks() -> list[str]:
    return list(looks())


def piece(seed: int) -> Face:
    """Return a large piece of a crowded face seen straight down: many regions for little time."""
    rng = np.random.default_rng(seed)
    mm = float(np.exp(rng.uniform(np.log(0.7), np.log(1.4))))
    made = render_face_patch(
        seed, str(rng.choice(_looks())), (800.0, 1800.0), mm,
        near=str(rng.choice(["anywhere", "edge", "end"])), amounts=_CROWDED,
        blur_px=float(rng.uniform(0.5, 1.5)), noise=float(rng.uniform(1, 5)),
    )  # fmt: skip
    faint = faint_ends(made.labels, made.table)
    return Face(made.pixels, made.wood, made.labels, faint, {d.number: d.kind for d in made.table})


def photo(seed: int) -> Face:
    """Return a whole photo of a face in a yard, what hides it taken out of the truth."""
    rng = np.random.default_rng(seed)
    look = str(rng.choice(_looks()))
    made = render_slab(
        seed, look=look, reference=None, tilt_band=str(rng.choice(["ladder", "eye height"])),
        megapixels=12.0, yard=None, amounts=_AMOUNTS,
    ).photo("face A")  # fmt: skip
    labels = made.truth.labels.copy()
    hidden = made.truth.hidden > 0
    labels[hidden] = 0
    table = made.truth.table
    return Face(
        made.pixels, made.truth.wood & ~hidden, labels, faint_ends(labels, table),
        {d.number: d.kind for d in table},
    )  # fmt: skip


def _kept(file: Path, make: Callable[[], Face]) -> list[Path]:
    """Make a face unless its file is there."""
    if not file.exists():
        file.parent.mkdir(parents=True, exist_ok=True)
        face = make()
        half = file.with_suffix(".part.npz")
        np.savez(half, pixels=face.pixels, wood=face.wood, labels=face.labels,
                 faint=face.faint, numbers=list(face.kinds),
                 kinds=list(face.kinds.values()))  # fmt: skip
        half.replace(file)
        print(f"rendered {file.name}", flush=True)
    return [file]


def faces_for_training(folder: Path) -> list[Path]:
    """Files of the pieces of faces trained on."""
    found = []
    for seed in TRAINING_PIECES:
        found += _kept(folder / f"piece{seed}.npz", lambda seed=seed: piece(seed))
    return found


def faces_for_testing(folder: Path) -> list[Path]:
    """Files of the 12 megapixel photos tested on."""
    found = []
    for seed in TEST_PHOTOS:
        found += _kept(folder / f"test{seed}.npz", lambda seed=seed: photo(seed))
    return found
