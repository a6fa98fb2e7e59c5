"""Starting a slab folder: photos copied untouched, parts from names, boards found."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from PIL import Image

from slabvision.photo import PhotoError
from slabvision.start import role_from_name, start_slab
from slabvision.store import RecordError, load_slab


def _photo(path, size=(64, 48)):
    Image.fromarray(np.full((size[1], size[0], 3), 120, np.uint8)).save(path)
    return path


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("face-a.jpg", "face A"),
        ("Face B.HEIC", "face B"),
        ("17_end_a_2.png", "end A"),
        ("endB.jpg", "end B"),
        ("edge.jpg", "edge"),
        ("IMG_20260412.jpg", "other"),
    ],
)
def test_role_from_name(name, role):
    assert role_from_name(name) == role


def test_photos_are_copied_untouched(tmp_path):
    photo = _photo(tmp_path / "face-a.png")
    before = photo.read_bytes()
    record, said = start_slab(tmp_path / "slab", [photo])
    assert photo.read_bytes() == before
    copy = tmp_path / "slab" / "face-a.png"
    assert copy.read_bytes() == before
    assert record.photos[0].sha256 == hashlib.sha256(before).hexdigest()
    assert record.photos[0].shape == (48, 64)
    assert record.photos[0].role == "face A"
    assert "no printed board" in said[0]
    assert load_slab(tmp_path / "slab") == record


def test_nothing_is_made_when_one_photo_is_broken(tmp_path):
    good, bad = _photo(tmp_path / "a.png"), tmp_path / "b.jpg"
    bad.write_bytes(b"not a photo")
    with pytest.raises(PhotoError, match=r"b\.jpg"):
        start_slab(tmp_path / "slab", [good, bad])
    assert not (tmp_path / "slab").exists()


def test_an_existing_record_is_not_overwritten(tmp_path):
    photo = _photo(tmp_path / "a.png")
    start_slab(tmp_path / "slab", [photo])
    with pytest.raises(RecordError, match="already"):
        start_slab(tmp_path / "slab", [photo])


def test_two_photos_of_one_name_are_refused(tmp_path):
    (tmp_path / "x").mkdir()
    with pytest.raises(RecordError, match="same name"):
        start_slab(
            tmp_path / "slab", [_photo(tmp_path / "a.png"), _photo(tmp_path / "x" / "a.png")]
        )
