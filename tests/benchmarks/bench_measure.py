"""Measuring an annotated 12 MP photo against decoding that photo, in one run.

.venv/bin/pytest tests/benchmarks/bench_measure.py --benchmark-only -m ""
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from slabvision.measure import measure_slab
from slabvision.photo import read_photo
from slabvision.record import Defect, Notebook, Outline, PhotoEntry, SlabRecord, ThicknessReading
from slabvision.store import save_slab
from tests.slab_folders import sheet_mark

SHAPE = (3000, 4000)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A 12 MP photo with a wavy outline and forty defects, invented."""
    place = tmp_path_factory.mktemp("twelve")
    rng = np.random.default_rng(0)
    noise = rng.normal(128, 30, (750, 1000, 3)).clip(0, 255).astype(np.uint8)
    image = Image.fromarray(noise).resize(SHAPE[::-1], Image.Resampling.BICUBIC)
    image.save(place / "face-a.jpg", quality=90)
    t = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    wave = 1 + 0.03 * np.sin(9 * t) + 0.02 * np.sin(23 * t)
    outline = np.stack([1500 + 560 * wave * np.sin(t), 2000 + 1700 * wave * np.cos(t)], axis=1)
    labels = np.zeros(SHAPE, np.uint16)
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    kinds = ["sound_knot", "rot", "surface_check", "bark_inclusion"]
    defects = []
    for number in range(1, 41):
        r, c = rng.uniform(1150, 1850), rng.uniform(700, 3300)
        kind = kinds[number % 4]
        a, b = (2, 150) if kind == "surface_check" else tuple(rng.uniform(10, 60, 2))
        labels[((rows - r) / a) ** 2 + ((cols - c) / b) ** 2 < 1] = number
    for number in np.unique(labels)[1:]:
        defects.append(Defect(number=int(number), kind=kinds[int(number) % 4]))
    entry = PhotoEntry(
        file="face-a.jpg",
        sha256=hashlib.sha256((place / "face-a.jpg").read_bytes()).hexdigest(),
        shape=SHAPE,
        role="face A",
        focal_px=3200,
        marks=[sheet_mark(corners=[(1200, 1400), (1200, 2680), (1840, 2680), (1840, 1400)])],
        arris=Outline(points=[(float(r), float(c)) for r, c in outline]),
        defects=defects,
    )
    book = Notebook(thickness=[ThicknessReading(mm=52)])
    save_slab(place, SlabRecord(photos=[entry], notebook=book), labels={"face-a.jpg": labels})
    measure_slab(place)  # imports are paid once
    return place


@pytest.mark.benchmark(group="12 MP, 40 defects: bar is measure <= 8 x decode")
def test_decode(benchmark, folder):
    assert benchmark(lambda: read_photo(folder / "face-a.jpg").pixels).shape[:2] == SHAPE


@pytest.mark.benchmark(group="12 MP, 40 defects: bar is measure <= 8 x decode")
def test_measure(benchmark, folder):
    assert benchmark(lambda: measure_slab(folder)).best.gross_area_mm2.determined
