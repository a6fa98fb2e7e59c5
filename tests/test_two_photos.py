"""A record with two overlapping photos of a long face is measured as one face, or says why not."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from slabvision.measure import MeasureError, measure_slab
from slabvision.opencv import cv2
from slabvision.record import (
    Defect,
    Landmark,
    Notebook,
    Outline,
    PhotoEntry,
    SlabRecord,
    ThicknessReading,
)
from slabvision.store import save_slab
from slabvision.tables import faces_table, slabs_table
from tests.slab_folders import FOCAL_PX, MM_PER_PX, SHAPE, sheet_mark

# The camera looks squarely down; the second photo starts 1400 px further along the slab.
STEP_PX = 1400
LENGTH_PX, TOP, BOTTOM, START = 3900, 100, 900, 100
SPOTS = {"bolt": (250, 1600), "fork": (820, 2500), "nail": (500, 2050)}


def _photo(folder: Path, number: int, spots: dict[str, tuple[int, int]], text: str = ""):
    file = f"part-{number}.png"
    pixels = np.full((*SHAPE, 3), 140 + number, np.uint8)
    cv2.imwrite(str(folder / file), pixels)
    shift = STEP_PX * (number - 1)
    left, right = max(START - shift, 0), min(START + LENGTH_PX - shift, SHAPE[1] - 1)
    labels = np.zeros(SHAPE, np.uint16)
    labels[400:480, 700:800] = 1  # a knot in the first photo's own part; another in the second's
    entry = PhotoEntry(
        file=file,
        sha256=hashlib.sha256((folder / file).read_bytes()).hexdigest(),
        shape=SHAPE,
        role="face A",
        focal_px=FOCAL_PX,
        marks=[sheet_mark()],
        arris=Outline(
            points=[(TOP, left), (TOP, right), (BOTTOM, right), (BOTTOM, left)], open=True
        ),
        defects=[Defect(number=1, kind="sound_knot")] if number == 1 else [
            Defect(number=1, kind="rot", note="soft")
        ],
        landmarks=[
            Landmark(name=name, point=(row, col - shift)) for name, (row, col) in spots.items()
        ],
    )  # fmt: skip
    if number == 2:
        labels[400:480, 700:800], labels[300:380, 2000:2100] = 0, 1
    return entry, labels


def _slab(folder: Path, spots: dict[str, tuple[int, int]] = SPOTS) -> Path:
    folder.mkdir()
    made = [_photo(folder, number, spots) for number in (1, 2)]
    book = Notebook(tag="L-9", thickness=[ThicknessReading(mm=60)], invented=True)
    record = SlabRecord(photos=[entry for entry, _ in made], notebook=book)
    save_slab(folder, record, labels={entry.file: labels for entry, labels in made})
    return folder


def test_two_photos_are_one_face(tmp_path):
    found = measure_slab(_slab(tmp_path / "slab"), draws=300)
    best = found.best
    assert best.joined_with == "part-2.png"
    assert best.gross_area_mm2.determined
    assert best.length_mm.estimate.holds(LENGTH_PX * MM_PER_PX)
    # of the two corners of each end the outer one counts: half a hand's wobble is taken off
    assert best.length_mm.estimate.value == pytest.approx(LENGTH_PX * MM_PER_PX, abs=2.0)
    assert best.gross_area_mm2.estimate.holds(LENGTH_PX * 800 * MM_PER_PX**2)
    assert [(d.number, d.kind) for d in best.defects] == [(1, "sound_knot"), (2, "rot")]
    assert best.defects[1].note == "soft"
    # the second photo's rot lies at its place on the whole slab
    assert best.defects[1].station_mm == pytest.approx((2050 + STEP_PX - START) * MM_PER_PX, abs=3)
    assert any("made one face by 3 places" in note for note in found.notes)
    # each photo keeps its own picture, of what it shows
    assert [face.photo for face in found.faces] == ["part-1.png", "part-2.png"]
    shown = best.view.to_pixels(best.region.with_keep_outs)
    assert shown.bounds[3] <= SHAPE[1]
    assert faces_table([found])["photo"].iloc[0] == "part-1.png and part-2.png"
    assert [face.photo for face in found.by_face] == ["part-1.png"]
    assert found.laid_out_on is best
    assert slabs_table([found])["gross_area_in2"].notna().all()


def test_without_shared_places_it_says_what_to_mark(tmp_path):
    found = measure_slab(_slab(tmp_path / "slab", {"bolt": (250, 1600)}), draws=50)
    assert not found.best.gross_area_mm2.determined
    assert any("not made one face: 1 shared place(s); mark at least two" in n for n in found.notes)


def test_a_board_that_was_moved_is_noticed(tmp_path):
    moved = {"bolt": (250, 1600), "fork": (820, 2500)}
    folder = _slab(tmp_path / "slab", moved)
    from slabvision.store import load_slab

    record = load_slab(folder)
    second = record.photos[1]
    marks = [
        m.model_copy(update={"point": (m.point[0] + 40, m.point[1])}) for m in second.landmarks
    ]
    save_slab(folder, record.with_photo(second.model_copy(update={"landmarks": marks})))
    found = measure_slab(folder, draws=50)
    assert not found.best.gross_area_mm2.determined
    assert any("mm apart in the median" in note for note in found.notes)


def test_a_panorama_is_refused_with_its_reason(tmp_path):
    from PIL import Image, PngImagePlugin

    folder = _slab(tmp_path / "slab")
    text = PngImagePlugin.PngInfo()
    text.add_itxt("XML:com.adobe.xmp", '<x GPano:ProjectionType="cylindrical"/>')
    for number in (1, 2):
        path = folder / f"part-{number}.png"
        Image.open(path).save(path, pnginfo=text)
    from slabvision.store import load_slab

    record = load_slab(folder)
    for entry in record.photos:
        digest = hashlib.sha256((folder / entry.file).read_bytes()).hexdigest()
        record = record.with_photo(entry.model_copy(update={"sha256": digest}))
    save_slab(folder, record)
    with pytest.raises(MeasureError, match=r"looks stitched .* or two that overlap"):
        measure_slab(folder, draws=50)
