"""Records of every version: the stored sample of each opens; a newer one is only looked at."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from pydantic import BaseModel

from slabvision import versions
from slabvision.measure import measure_slab
from slabvision.record import SCHEMA_VERSION, SlabRecord
from slabvision.store import (
    BrokenRecordError,
    NewerRecordError,
    check_photo,
    load_slab,
    look_at_slab,
    read_labels,
    read_zones,
    save_slab,
)

SAMPLES = Path(__file__).parent / "records"
"""Written by the program of that time (version 1: by its first state), never by today's."""
TRUTH_MM2 = 2400 * 750
"""The outline drawn in every sample, in pixels of 7.5 mm."""


@pytest.fixture
def sample(tmp_path):
    def of(version: int) -> Path:
        place = tmp_path / f"version-{version}"
        shutil.copytree(SAMPLES / place.name, place)
        return place

    return of


def test_every_version_has_its_sample_and_every_older_one_its_upgrade():
    found = {int(path.name.removeprefix("version-")) for path in SAMPLES.glob("version-*")}
    assert found == set(range(1, SCHEMA_VERSION + 1))
    assert set(versions.UPGRADES) == set(range(1, SCHEMA_VERSION))


@pytest.mark.parametrize("version", range(1, SCHEMA_VERSION + 1))
def test_the_sample_of_a_version_opens_measures_and_is_saved(sample, version):
    folder = sample(version)
    assert json.loads((folder / "slab.json").read_text("utf-8"))["schema_version"] == version
    record = load_slab(folder)
    face = record.photo("face-a.png")
    assert record.notebook.tag == "S-1"
    assert record.notebook.note == "½ × ″ é"
    assert [mark.type for mark in face.marks] == ["rectangle", "length", "tape"]
    assert np.unique(read_labels(folder, face)).tolist() == [0, 1, 300]
    assert np.unique(read_zones(folder, face)).tolist() == [0, 101]
    for entry in record.photos:
        check_photo(folder, entry)
    gross = measure_slab(folder, draws=200).best.gross_area_mm2.estimate
    assert gross.holds(TRUTH_MM2)
    assert gross.value == pytest.approx(TRUTH_MM2, rel=0.01)
    saved = save_slab(folder, record)
    assert load_slab(folder) == saved
    assert (saved.photos, saved.notebook) == (record.photos, record.notebook)


def test_the_newest_sample_uses_every_field():
    record = load_slab(SAMPLES / f"version-{SCHEMA_VERSION}")
    used: set[str] = set()
    known: set[str] = set()

    def walk(value: object) -> None:
        if isinstance(value, BaseModel):
            for name in type(value).model_fields:
                each = getattr(value, name)
                known.add(f"{type(value).__name__}.{name}")
                if each not in (None, "", [], ()):
                    used.add(f"{type(value).__name__}.{name}")
                walk(each)
        elif isinstance(value, list | tuple):
            for each in value:
                walk(each)

    walk(record)
    assert {name.split(".")[0] for name in known} >= {
        "BoardMark", "Defect", "EndGrainMarks", "FileRef", "Flatness", "Landmark", "LengthMark",
        "MoistureReading", "Notebook", "Outline", "PhotoEntry", "RectangleMark", "SlabRecord",
        "SquareMark", "TapeMark", "ThicknessReading", "YardClaim",
    }  # fmt: skip
    shared = {name for name in known if name.endswith("Mark.shared")}  # one mark's serves for all
    assert shared & used
    assert known - used - shared == set(), "store a sample that uses them, under a new version"


def test_an_older_record_is_brought_up_step_by_step(sample, monkeypatch):
    folder = sample(1)
    tree = json.loads((folder / "slab.json").read_text("utf-8"))
    tree["schema_version"] = -1
    tree["notebook"]["label"] = tree["notebook"].pop("tag")
    (folder / "slab.json").write_text(json.dumps(tree), "utf-8")
    before = (folder / "slab.json").read_bytes()

    def renamed(old):
        old["notebook"]["tag"] = old["notebook"].pop("label") + " renamed"
        return old

    def spoken(old):
        old["notebook"]["tag"] += " twice"
        return old

    monkeypatch.setattr(versions, "UPGRADES", {-1: renamed, 0: spoken})
    record = load_slab(folder)
    assert record.notebook.tag == "S-1 renamed twice"
    assert record.schema_version == SCHEMA_VERSION
    assert (folder / "slab.json").read_bytes() == before  # only a save writes
    monkeypatch.setattr(versions, "UPGRADES", {})
    with pytest.raises(BrokenRecordError, match="schema_version"):
        load_slab(folder)


def _newer(folder: Path) -> bytes:
    tree = json.loads((folder / "slab.json").read_text("utf-8"))
    tree["schema_version"] = SCHEMA_VERSION + 1
    tree["mood"] = "good"
    tree["notebook"]["scent"] = {"of": ["resin", "earth"]}
    face = tree["photos"][0]
    face["marks"].insert(1, {"type": "drone", "name": "height", "mm": 3000})
    face["marks"][0]["colour"] = "red"
    face["marks"][3]["laps"] = 2
    for defect in face["defects"]:
        defect["hardness"] = 3
    (folder / "slab.json").write_text(json.dumps(tree), "utf-8")
    return (folder / "slab.json").read_bytes()


def test_a_newer_record_is_looked_at_read_only_with_a_clear_sentence(sample):
    folder = sample(SCHEMA_VERSION)
    mine = load_slab(folder)
    before = _newer(folder)
    with pytest.raises(NewerRecordError, match="Update slabvision to change or measure it"):
        load_slab(folder)
    with pytest.raises(NewerRecordError, match="newer slabvision"):
        measure_slab(folder)
    record, why = look_at_slab(folder)
    assert why.startswith("Read-only.")
    assert "newer slabvision" in why
    assert record.notebook.tag == "S-1"
    assert [mark.name for mark in record.photos[0].marks] == ["sheet", "rule", "tape"]
    assert [d.number for d in record.photos[0].defects] == [1, 300]
    for mine_or_seen in (record, mine):
        with pytest.raises(NewerRecordError):
            save_slab(folder, mine_or_seen)
    assert (folder / "slab.json").read_bytes() == before


def test_the_plugin_opens_a_newer_record_read_only(sample):
    from napari_slabvision._session import SlabSession, save_snapshot

    folder = sample(SCHEMA_VERSION)
    assert SlabSession.open(folder).read_only == ""
    before = _newer(folder)
    session = SlabSession.open(folder)
    assert session.read_only.startswith("Read-only.")
    assert session.file == "face-a.png"
    with pytest.raises(NewerRecordError):
        save_snapshot(session.snapshot())
    assert (folder / "slab.json").read_bytes() == before


def test_a_newer_record_of_which_nothing_is_understood_says_so(sample):
    folder = sample(SCHEMA_VERSION)
    (folder / "slab.json").write_text(
        json.dumps({"schema_version": SCHEMA_VERSION + 1, "photos": "elsewhere"}), "utf-8"
    )
    with pytest.raises(NewerRecordError, match="Update slabvision"):
        look_at_slab(folder)


def test_a_record_of_today_is_looked_at_without_a_word(sample):
    folder = sample(SCHEMA_VERSION)
    assert look_at_slab(folder) == (load_slab(folder), "")
    assert isinstance(load_slab(folder), SlabRecord)
