"""Damaged files: cut anywhere, bits flipped; each ends in pixels or in one named error."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.photo import (
    DamagedPhotoError,
    PhotoError,
    TooLargePhotoError,
    read_header,
    read_photo,
    read_thumbnail,
)
from tests.photo_files import phone, picture, save

KINDS = ("jpg", "png", "tif", "webp", "heic", "mpo")


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("whole")
    noisy = picture(90, 120).astype(int) + np.random.default_rng(0).integers(-9, 10, (90, 120, 3))
    pixels = np.clip(noisy, 0, 255).astype(np.uint8)
    return {
        kind: save(folder / f"a.{kind}", pixels, phone((120, 90))).read_bytes() for kind in KINDS
    }


def _tried(path, data: bytes) -> bool:
    """Write and read; True when pixels came out."""
    path.write_bytes(data)
    messages = []
    for call in (read_header, read_thumbnail, read_photo):
        messages.append("")
        try:
            call(path)
        except PhotoError as error:
            messages[-1] = str(error)
    assert all(not message or path.name in message for message in messages)
    assert max(map(len, messages)) < 500
    return not messages[-1]


@pytest.mark.parametrize("kind", KINDS)
def test_cut_off_anywhere(tmp_path, whole, kind):
    data = whole[kind]
    cuts = sorted({*range(1, 40), *np.linspace(40, len(data) - 1, 60).astype(int)})
    came_out = [cut for cut in cuts if _tried(tmp_path / f"cut.{kind}", data[:cut])]
    assert _tried(tmp_path / f"whole.{kind}", data)
    # Before half of the file is there, nothing is passed off as a photo.
    assert not [cut for cut in came_out if cut < len(data) / 2]


@pytest.mark.parametrize("kind", KINDS)
def test_flipped_bits(tmp_path, whole, kind):
    rng = np.random.default_rng(sum(kind.encode()))
    for _ in range(80):
        data = bytearray(whole[kind])
        for at in rng.integers(0, len(data), rng.integers(1, 6)):
            data[at] ^= 1 << int(rng.integers(0, 8))
        _tried(tmp_path / f"bits.{kind}", bytes(data))


@pytest.mark.parametrize("kind", KINDS)
def test_flipped_bits_in_the_first_bytes(tmp_path, whole, kind):
    rng = np.random.default_rng(1 + sum(kind.encode()))
    for _ in range(80):
        data = bytearray(whole[kind])
        for at in rng.integers(4, min(600, len(data)), 3):
            data[at] = int(rng.integers(0, 256))
        _tried(tmp_path / f"head.{kind}", bytes(data))


@pytest.mark.parametrize("kind", ["jpg", "webp", "png"])
def test_random_metadata(tmp_path, kind):
    rng = np.random.default_rng(2)
    from PIL import Image

    for size in (0, 1, 7, 8, 30, 500, 60_000):
        for start in (
            b"",
            b"Exif\x00\x00II*\x00\x08\x00\x00\x00",
            b"Exif\x00\x00MM\x00*\x00\x00\x00\x08",
        ):
            junk = start + rng.integers(0, 256, size, dtype=np.uint8).tobytes()
            path = tmp_path / f"junk.{kind}"
            Image.fromarray(picture()).save(path, exif=junk)
            photo = read_photo(path)
            assert photo.pixels.size == 60 * 80 * 3
            assert photo.camera.focal_u > 0


def test_metadata_of_many_megabytes(tmp_path):
    data = save(tmp_path / "a.jpg", picture()).read_bytes()
    block = b"\xff\xe1" + (65535).to_bytes(2, "big") + b"Exif\x00\x00" + bytes(65535 - 8)
    (tmp_path / "b.jpg").write_bytes(data[:2] + block * 300 + data[2:])
    assert read_photo(tmp_path / "b.jpg").pixels.shape == (60, 80, 3)


def test_every_claimed_size_of_a_tiff(tmp_path, whole):
    import struct

    data = whole["tif"]
    (start,) = struct.unpack("<I", data[4:8])
    entry = data.index(struct.pack("<H", 256), start)
    for value in (0, 1, 121, 5000, 60000, 2**31, 2**32 - 1):
        broken = bytearray(data)
        broken[entry + 2 : entry + 12] = struct.pack("<HII", 4, 1, value)
        path = tmp_path / "a.tif"
        path.write_bytes(bytes(broken))
        if value in (5000, 60000):  # claims more than the file holds
            with pytest.raises(DamagedPhotoError):
                read_photo(path)
        elif value >= 2**31:
            with pytest.raises(TooLargePhotoError):
                read_photo(path)
        else:
            _tried(path, bytes(broken))


def test_a_png_header_is_read_without_decoding(tmp_path, monkeypatch):
    from PIL import PngImagePlugin

    from tests.trust.photo_corpus import good_photos

    def decoded(self):
        raise AssertionError("the pixels were decoded")

    path = tmp_path / "a.png"
    path.write_bytes(good_photos()["png late exif"])  # its orientation stands behind the pixels
    monkeypatch.setattr(PngImagePlugin.PngImageFile, "load", decoded)
    assert read_header(path).shape == (96, 72)
    monkeypatch.undo()
    assert read_photo(path).shape == (96, 72)
