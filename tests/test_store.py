"""The slab folder: what is saved is what is loaded, and a failed save changes nothing."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest

from slabvision import store
from slabvision.record import Defect, Notebook, Outline, PhotoEntry, SlabRecord, json_schema
from slabvision.store import (
    BrokenRecordError,
    ChangedOnDiskError,
    LabelImageError,
    MissingPhotoError,
    NewerRecordError,
    RecordError,
    SaveError,
    load_slab,
    read_labels,
    read_zones,
    save_slab,
)

SHAPE = (40, 60)


def _folder(tmp_path: Path) -> tuple[Path, SlabRecord]:
    import hashlib

    (tmp_path / "face.png").write_bytes(b"stands for a photo")
    entry = PhotoEntry(
        file="face.png",
        sha256=hashlib.sha256(b"stands for a photo").hexdigest(),
        shape=SHAPE,
        role="face A",
        arris=Outline(points=[(1, 1), (1, 50), (30, 50), (30, 1)]),
        defects=[Defect(number=1, kind="rot"), Defect(number=300, kind="sound_knot")],
    )
    return tmp_path, SlabRecord(photos=[entry], notebook=Notebook(tag="A-17", invented=True))


def _labels() -> np.ndarray:
    image = np.zeros(SHAPE, np.uint16)
    image[5:9, 5:9] = 1
    image[20:22, 20:40] = 300
    return image


def test_saved_is_loaded(tmp_path):
    folder, record = _folder(tmp_path)
    zones = np.zeros(SHAPE, np.uint8)
    zones[0] = 101
    saved = save_slab(folder, record, labels={"face.png": _labels()}, zones={"face.png": zones})
    again = load_slab(folder)
    assert again == saved
    assert again.generation == 1
    entry = again.photo("face.png")
    assert (read_labels(folder, entry) == _labels()).all()
    assert (read_zones(folder, entry) == zones).all()
    store.check_photo(folder, entry)


def test_photo_swapped_under_its_name_is_noticed(tmp_path):
    folder, record = _folder(tmp_path)
    saved = save_slab(folder, record)
    (folder / "face.png").write_bytes(b"another picture")
    with pytest.raises(MissingPhotoError, match=r"face\.png.*not the photo that was marked"):
        store.check_photo(folder, saved.photos[0])
    (folder / "face.png").unlink()
    with pytest.raises(MissingPhotoError, match="missing"):
        store.check_photo(folder, saved.photos[0])


def test_two_writers_do_not_overwrite_one_another(tmp_path):
    folder, record = _folder(tmp_path)
    first = save_slab(folder, record)
    second = load_slab(folder)
    save_slab(folder, first.model_copy(update={"notebook": Notebook(tag="mine")}))
    with pytest.raises(ChangedOnDiskError, match="since you opened it"):
        save_slab(folder, second.model_copy(update={"notebook": Notebook(tag="theirs")}))
    assert load_slab(folder).notebook.tag == "mine"


def test_previous_save_stays_until_the_next(tmp_path):
    folder, record = _folder(tmp_path)
    first = save_slab(folder, record, labels={"face.png": _labels()})
    more = _labels()
    more[30:32] = 1
    second = save_slab(folder, first, labels={"face.png": more})
    before = store.read_record(folder / store.PREVIOUS)
    assert (read_labels(folder, before.photos[0]) == _labels()).all()
    save_slab(folder, second)
    names = sorted(p.name for p in folder.glob("defects-*.png"))
    assert names == [second.photos[0].labels.file]


@pytest.mark.parametrize("failing_call", range(1, 7))
def test_a_save_that_fails_anywhere_leaves_the_last_one(tmp_path, monkeypatch, failing_call):
    folder, record = _folder(tmp_path)
    first = save_slab(folder, record, labels={"face.png": _labels()})
    more = _labels()
    more[30:32] = 1
    calls = 0
    real = os.fsync

    def full_disk(handle: int) -> None:
        nonlocal calls
        calls += 1
        if calls == failing_call:
            raise OSError(28, "No space left on device")
        real(handle)

    monkeypatch.setattr(os, "fsync", full_disk)
    changed = first.model_copy(update={"notebook": Notebook(tag="later")})
    with pytest.raises(SaveError, match="No space left"):
        save_slab(folder, changed, labels={"face.png": more})
    monkeypatch.undo()
    now = load_slab(folder)
    # The sixth flush is of the folder after the rename: the new save stands, whole.
    want_tag, want = ("later", more) if failing_call == 6 else ("A-17", _labels())
    assert now.notebook.tag == want_tag
    assert (read_labels(folder, now.photos[0]) == want).all()
    assert not list(folder.glob(".*.part"))


def test_order_is_write_flush_rename_flush_folder(tmp_path, monkeypatch):
    folder, record = _folder(tmp_path)
    seen: list[str] = []
    fsync, replace = os.fsync, os.replace

    def note_fsync(handle: int) -> None:
        target = os.readlink(f"/proc/self/fd/{handle}")
        seen.append("flush folder" if Path(target) == folder else f"flush {Path(target).suffix}")
        fsync(handle)

    def note_replace(src, dst):
        seen.append(f"rename to {Path(dst).name}")
        replace(src, dst)

    monkeypatch.setattr(os, "fsync", note_fsync)
    monkeypatch.setattr(os, "replace", note_replace)
    save_slab(folder, record)
    assert seen == ["flush .part", "rename to slab.json", "flush folder"]


def test_label_image_must_fit_photo_and_table(tmp_path):
    folder, record = _folder(tmp_path)
    with pytest.raises(LabelImageError, match=r"\(40, 60\)"):
        save_slab(folder, record, labels={"face.png": np.zeros((3, 3), np.uint16)})
    stray = _labels()
    stray[0, 0] = 7
    with pytest.raises(LabelImageError, match=r"\[7\]"):
        save_slab(folder, record, labels={"face.png": stray})
    assert not (folder / store.RECORD).exists()


def test_label_image_tampered_or_missing(tmp_path):
    folder, record = _folder(tmp_path)
    saved = save_slab(folder, record, labels={"face.png": _labels()})
    entry = saved.photos[0]
    path = folder / entry.labels.file
    path.write_bytes(path.read_bytes()[:-4] + b"oops")
    with pytest.raises(LabelImageError, match="not the label image that was saved"):
        read_labels(folder, entry)
    path.unlink()
    with pytest.raises(LabelImageError, match="cannot be read"):
        read_labels(folder, entry)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda t: t[: len(t) // 2], "not JSON"),
        (lambda t: "[]", "not a slab record"),
        (lambda t: t.replace('"rot"', '"rotten"'), "rotten"),
        (lambda t: t.replace('"face A"', '"front"'), "photos.0.role"),
        (lambda t: t.replace('"tag"', '"tags"'), "tags"),
    ],
)
def test_broken_record_is_named_and_untouched(tmp_path, change, says):
    folder, record = _folder(tmp_path)
    save_slab(folder, record)
    path = folder / store.RECORD
    path.write_text(change(path.read_text()))
    before = path.read_bytes()
    with pytest.raises(BrokenRecordError, match=r"slab\.json") as caught:
        load_slab(folder)
    assert says in str(caught.value)
    assert path.read_bytes() == before


def test_newer_record_is_left_alone(tmp_path):
    folder, record = _folder(tmp_path)
    save_slab(folder, record)
    data = json.loads((folder / store.RECORD).read_text()) | {"schema_version": 99}
    (folder / store.RECORD).write_text(json.dumps(data))
    with pytest.raises(NewerRecordError, match="newer slabvision"):
        load_slab(folder)


@pytest.mark.parametrize(
    "name",
    ["../x.jpg", "/etc/passwd", "a/b.jpg", "C:x.jpg", "..", ".hidden", "x\n.jpg", "nul.txt", ""],
)
def test_names_cannot_leave_the_folder(name):
    with pytest.raises(ValueError, match="plain file name"):
        PhotoEntry(file=name, sha256="0" * 64, shape=SHAPE)


def test_links_out_of_the_folder_are_refused(tmp_path):
    outside = tmp_path / "outside.png"
    outside.write_bytes(b"secret")
    inner = tmp_path / "slab"
    inner.mkdir()
    (inner / "face.png").symlink_to(outside)
    entry = PhotoEntry(file="face.png", sha256="0" * 64, shape=SHAPE)
    with pytest.raises(RecordError, match="leads out"):
        store.check_photo(inner, entry)


def test_published_schema_names_every_part():
    schema = json_schema()
    assert schema["$schema"].endswith("2020-12/schema")
    assert {"notebook", "photos", "schema_version"} <= set(schema["properties"])
