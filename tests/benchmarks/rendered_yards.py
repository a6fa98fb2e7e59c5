"""Photos of faces in a yard, with all that is no defect: tape, board, chalk, stickers, shadows.

Made once into a folder. Some faces are clean: no defect but knots (a tree has branches), and
chalk, saw marks and wet patches on them. The faces of a visit share their look, their yard, its
light and the state of their surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slabvision.defects import ZONES
from slabvision.scene import looks, render_slab
from slabvision.scene.drying import AMOUNTS
from slabvision.scene.face_photo import LIGHTS
from slabvision.scene.surface import Surface
from slabvision.scene.yard import YARDS
from tests.benchmarks.rendered_faces import faint_ends

FOR_THE_NET = {6.0: range(40_001, 40_028), 12.0: (*range(40_035, 40_042), *range(44_001, 44_011))}
FOR_THE_TREES = {
    6.0: range(40_028, 40_034),
    12.0: (*range(40_042, 40_054), 41_002, 41_003, *range(41_005, 41_011), *range(42_001, 42_011)),
}
APART = range(47_001, 47_011)
VISITS = range(43_031, 43_037), range(43_041, 43_047)
"""Seeds (by megapixels where they differ); what is trained on is never counted on."""
_CROWDED = {"rot": 2.0, "bark inclusions": 3.0, "holes": 1.0, "metal": 0.7}


@dataclass(frozen=True, eq=False)
class YardFace:
    """A photo, the outline of its face, its defects where they are seen.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    outline : ndarray, shape (N, 2)
        Arris, (row, col).
    area_mm2 : float
        Of the face.
    labels : ndarray of uint16, shape (H, W)
        Number of the defect; 0 where something lies on it.
    hidden, shadow : ndarray of bool, shape (H, W)
        Where something lies on the wood; where a hard shadow does, in which defects may be seen.
    faint : ndarray of bool, shape (H, W)
        Of checks: before the first and after the last place 0.3 mm wide, where nothing shows.
    kinds, lengths_mm : dict
        By number; lengths of checks from the first to the last place 0.3 mm wide.
    clean : bool
        No defects but knots were drawn.
    """

    pixels: NDArray[np.uint8]
    outline: NDArray[np.float64]
    area_mm2: float
    labels: NDArray[np.uint16]
    hidden: NDArray[np.bool_]
    shadow: NDArray[np.bool_]
    faint: NDArray[np.bool_]
    kinds: dict[int, str]
    lengths_mm: dict[int, float]
    clean: bool

    @classmethod
    def load(cls, file: Path) -> YardFace:
        """Read a face that was made before."""
        with np.load(file) as f:
            numbers = f["numbers"].tolist()
            return cls(
                f["pixels"], f["outline"], float(f["area_mm2"]), f["labels"], f["hidden"],
                f["shadow"], f["faint"], dict(zip(numbers, f["kinds"].tolist(), strict=True)),
                dict(zip(numbers, f["lengths_mm"].tolist(), strict=True)), bool(f["clean"]),
            )  # fmt: skip


def _surface(rng: np.random.Generator) -> Surface:
    """Draw a surface with all on it that is no defect."""
    return Surface(
        saw=str(rng.choice(["band", "chain", "circular"])), depth=float(rng.uniform(0.8, 1.6)),
        weathered=float(rng.uniform(0, 0.6)), wet=float(rng.choice([0.0, 0.2, 0.5])),
        dust=float(rng.uniform(0, 0.4)), chalk=f"{int(rng.integers(2, 48))} K",
    )  # fmt: skip


def _make(seed: int, megapixels: float, file: Path) -> None:
    rng = np.random.default_rng(seed)
    visit = any(seed in each for each in VISITS)
    shared = np.random.default_rng(seed // 10) if visit else rng
    clean = seed % 3 == 0 and not visit
    surface = _surface(shared) if clean or visit else None
    amounts = dict.fromkeys(AMOUNTS, 0.0) if clean else _CROWDED if seed % 3 == 1 else None
    made = render_slab(
        seed, look=str(shared.choice(list(looks()))), reference=None,
        yard=str(shared.choice(YARDS[:3])) if visit else None,
        light=str(shared.choice(LIGHTS)) if visit else None, amounts=amounts,
        tilt_band=str(rng.choice(["ladder", "ladder", "eye height"])), surface=surface,
        megapixels=megapixels, fork=False,
    ).photo("face A")  # fmt: skip
    truth = made.truth
    shadow = truth.hidden == ZONES["shadow"].value
    hidden = (truth.hidden > 0) & ~shadow
    labels = truth.labels.copy()
    labels[hidden] = 0
    half = file.with_suffix(".part.npz")
    np.savez(
        half, pixels=made.pixels, outline=truth.arris, area_mm2=truth.arris_area_mm2,
        labels=labels, hidden=hidden, shadow=shadow, faint=faint_ends(labels, truth.table),
        numbers=[d.number for d in truth.table],
        kinds=[d.kind for d in truth.table], lengths_mm=[d.seen_length_mm for d in truth.table],
        clean=clean,
    )  # fmt: skip
    half.replace(file)
    print(f"rendered {file.name}", flush=True)


def _kept(folder: Path, seeds: Sequence[int], megapixels: float) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for seed in seeds:
        file = folder / f"yard{seed}.npz"
        if not file.exists():
            _make(seed, megapixels, file)
        files.append(file)
    return files


def yards_for_training(folder: Path) -> tuple[list[Path], list[Path]]:
    """Files of the photos that the net and that the trees are trained on."""
    net, trees = (
        [file for size, seeds in sizes.items() for file in _kept(folder, seeds, size)]
        for sizes in (FOR_THE_NET, FOR_THE_TREES)
    )
    return net, trees


def yards_apart(folder: Path) -> list[Path]:
    """Files of the 12 megapixel photos that are counted on."""
    return _kept(folder, APART, 12.0)


def yards_of_visits(folder: Path) -> list[list[Path]]:
    """Files of the photos of some visits, 6 megapixels each."""
    return [_kept(folder, seeds, 6.0) for seeds in VISITS]
