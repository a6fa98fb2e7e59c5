"""Reading photos: upright pixels, headers without decoding, refusals that help."""

from __future__ import annotations

import dataclasses
import hashlib
import os
import struct
import zlib
from datetime import datetime, timedelta, timezone

import numpy as np
import pytest
from PIL import Image, ImageOps

from slabvision.opencv import cv2
from slabvision.photo import (
    DamagedPhotoError,
    EmptyPhotoError,
    MissingPhotoError,
    NotAnImageError,
    PanoramaError,
    PhotoError,
    PhotoIsFolderError,
    TooLargePhotoError,
    UnsupportedPhotoError,
    read_header,
    read_photo,
    read_thumbnail,
)
from tests.photo_files import exif, phone, picture, save

# Pixels -----------------------------------------------------------------------------------------

LOSSY = 20
"""JPEG and HEIC move a flat colour by a few grey values."""


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif", "webp", "heic"])
def test_formats(tmp_path, suffix):
    photo = read_photo(save(tmp_path / f"a.{suffix}", picture()))
    assert photo.pixels.shape == (60, 80, 3) == (*photo.shape, 3)
    assert photo.pixels.dtype == np.uint8
    for at in ((5, 5), (5, 75), (55, 5), (55, 75), (30, 40)):
        assert np.abs(photo.pixels[at].astype(int) - picture()[at]).max() <= LOSSY
    with pytest.raises(ValueError, match="read-only"):
        photo.pixels[0, 0] = 0


def test_lossless_formats_are_exact(tmp_path):
    pixels = np.random.default_rng(0).integers(0, 256, (300, 41, 3), dtype=np.uint8)
    for suffix in ("png", "tif"):
        assert np.array_equal(read_photo(save(tmp_path / f"a.{suffix}", pixels)).pixels, pixels)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", ["jpg", "png", "tif", "webp"])
def test_upright_after_exif_orientation(tmp_path, suffix, orientation):
    path = save(tmp_path / f"a.{suffix}", picture(), phone((80, 60), {0x0112: orientation}))
    photo = read_photo(path)
    with Image.open(path) as opened:  # an independent reading of Exif tag 274
        upright = np.asarray(ImageOps.exif_transpose(opened).convert("RGB"))
    assert np.array_equal(photo.pixels, upright)
    assert photo.header.shape == ((80, 60) if orientation >= 5 else (60, 80))
    assert read_header(path).shape == photo.pixels.shape[:2]
    small = read_thumbnail(path, 40)
    assert small.shape[:2] == ((40, 30) if orientation >= 5 else (30, 40))
    assert np.abs(small[2, 2].astype(int) - photo.pixels[4, 4]).max() <= LOSSY


@pytest.mark.parametrize("orientation", range(1, 9))
def test_heic_is_turned_once(tmp_path, orientation):
    # pillow-heif writes the Exif orientation as a rotation of the container; its decoder applies
    # it. Turning by the tag again would lay a portrait photo on its side.
    reference = save(tmp_path / "a.png", picture(), exif({0x0112: orientation}))
    path = save(tmp_path / "a.heic", picture(), phone((80, 60), {0x0112: orientation}))
    photo, upright = read_photo(path), read_photo(reference).pixels
    assert photo.header.orientation == 1
    assert photo.pixels.shape == upright.shape
    assert np.abs(photo.pixels[::9, ::9].astype(int) - upright[::9, ::9]).max() <= 40
    assert read_header(path).shape == upright.shape[:2]
    assert photo.camera.focal_u < 0.04


@pytest.mark.parametrize("value", [0, 9, -3, 77])
def test_absurd_orientation_is_ignored(tmp_path, value):
    tags = exif({0x0112: value % 65536})
    assert read_photo(save(tmp_path / "a.png", picture(), tags)).pixels.shape == (60, 80, 3)


def test_sixteen_bits_are_cut_to_eight(tmp_path):
    deep = picture().astype(np.uint16) * 257
    for suffix in ("png", "tif"):
        colour, grey = tmp_path / f"c.{suffix}", tmp_path / f"g.{suffix}"
        cv2.imwrite(str(colour), deep[..., ::-1])
        cv2.imwrite(str(grey), deep[..., 0])
        assert np.array_equal(read_photo(colour).pixels, picture())
        assert np.array_equal(read_photo(grey).pixels, np.repeat(picture()[..., :1], 3, axis=2))


def test_grey_palette_bilevel_and_cmyk(tmp_path):
    image = Image.fromarray(picture())
    grey = read_photo(save(tmp_path / "g.png", image.convert("L"))).pixels
    assert (grey[..., 0] == grey[..., 2]).all()
    exact = read_photo(save(tmp_path / "p.png", image.quantize(8))).pixels
    assert np.abs(exact.astype(int) - picture()).max() <= 4
    lines = read_photo(save(tmp_path / "b.png", image.convert("1", dither=0))).pixels
    assert set(np.unique(lines)) <= {0, 255}
    for suffix in ("jpg", "tif"):
        ink = read_photo(save(tmp_path / f"k.{suffix}", image.convert("CMYK"))).pixels
        assert np.abs(ink[5, 5].astype(int) - (200, 0, 0)).max() <= LOSSY


def test_transparent_is_white(tmp_path):
    clear = np.dstack([picture(), np.full((60, 80), 255, dtype=np.uint8)])
    clear[:20, :26, 3] = 0
    clear[40:, :26, 3] = 128  # blue 200 at half: 255 * 127/255 + 200 * 128/255
    pixels = read_photo(save(tmp_path / "a.png", clear)).pixels
    assert pixels[5, 5].tolist() == [255, 255, 255]
    assert np.abs(pixels[55, 5].astype(int) - (127, 127, 227)).max() <= 1
    assert pixels[5, 75].tolist() == [0, 200, 0]
    palette = Image.fromarray(picture()).quantize(8)
    palette.info["transparency"] = palette.getpixel((5, 5))
    assert read_photo(save(tmp_path / "p.png", palette)).pixels[5, 5].tolist() == [255] * 3


def test_one_pixel_high(tmp_path):
    photo = read_photo(save(tmp_path / "a.png", np.full((1, 5000, 3), 9, dtype=np.uint8)))
    assert photo.pixels.shape == (1, 5000, 3)
    assert read_thumbnail(tmp_path / "a.png", 100).shape == (1, 100, 3)


def test_first_picture_of_several(tmp_path):
    first, second = Image.fromarray(picture()), Image.new("RGB", (80, 60), (9, 9, 9))
    for name, how in (("a.tif", {}), ("a.png", {}), ("a.webp", {"lossless": True}), ("a.mpo", {})):
        path = save(tmp_path / name, first, save_all=True, append_images=[second], **how)
        photo = read_photo(path)
        assert np.abs(photo.pixels[5, 5].astype(int) - (200, 0, 0)).max() <= LOSSY
        assert "2 pictures" in photo.header.notes[0]
    plain = read_header(save(tmp_path / "a.jpg", first))
    assert plain.notes == ()


def test_thumbnail_is_a_small_copy(tmp_path):
    big = np.kron(picture(), np.ones((10, 10, 1), dtype=np.uint8))
    for suffix in ("jpg", "png", "heic"):
        path = save(tmp_path / f"a.{suffix}", big)
        small = read_thumbnail(path, 200)
        assert small.shape == (150, 200, 3)
        expected = cv2.resize(big, (200, 150), interpolation=cv2.INTER_AREA).astype(int)
        assert np.abs(small.astype(int) - expected).mean() < 4
        assert read_thumbnail(path, 99999).shape == big.shape
    with pytest.raises(ValueError, match="max_side is 0"):
        read_thumbnail(path, 0)


# Header -----------------------------------------------------------------------------------------


def test_hash_and_header_are_those_of_the_file(tmp_path):
    path = save(tmp_path / "a.jpg", picture(), phone((80, 60)))
    data = path.read_bytes()
    header = read_header(path)
    assert header.sha256 == hashlib.sha256(data).hexdigest()
    assert header.bytes == len(data)
    assert header.format == "JPEG"
    assert read_photo(path).header == header
    assert header.taken_at == datetime(2031, 5, 17, 9, 41, 5, tzinfo=timezone(timedelta(hours=2)))
    with pytest.raises(dataclasses.FrozenInstanceError):
        header.sha256 = ""


def test_header_does_not_decode(tmp_path):
    path = save(tmp_path / "a.jpg", picture(600, 800), phone((800, 600)), quality=95)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])  # the pixels are gone, the header is there
    assert read_header(path).shape == (600, 800)
    with pytest.raises(DamagedPhotoError):
        read_photo(path)


def test_the_name_does_not_decide_the_format(tmp_path):
    path = save(tmp_path / "a.png", picture())
    renamed = path.rename(tmp_path / "a.JPG")
    assert read_header(renamed).format == "PNG"


@pytest.mark.parametrize(
    ("stamp", "offset", "expected"),
    [
        ("2031:05:17 09:41:05", None, datetime(2031, 5, 17, 9, 41, 5)),
        ("2031:05:17 09:41:05", "-07:30", "2031-05-17T09:41:05-07:30"),
        ("2031:05:17 09:41:05", "nonsense", datetime(2031, 5, 17, 9, 41, 5)),
        ("0000:00:00 00:00:00", None, None),
        ("2031:13:45 09:41:05", None, None),
        ("    :  :     :  :  ", None, None),
        ("1970:01:01 00:00:00", None, None),
        ("\x00\x01\x02", None, None),
    ],
)
def test_taken_at(tmp_path, stamp, offset, expected):
    tags = exif(camera={0x9003: stamp} | ({0x9011: offset} if offset else {}))
    taken = read_header(save(tmp_path / "a.jpg", picture(), tags)).taken_at
    assert taken == (datetime.fromisoformat(expected) if isinstance(expected, str) else expected)


def test_hostile_strings_are_tamed(tmp_path):
    tags = phone((80, 60), {0x0110: "\x1b[31mP3\r\n" + "x" * 5000, 0x010F: "=cmd()\x00"})
    device = read_header(save(tmp_path / "a.jpg", picture(), tags)).camera.device
    assert len(device) <= 130
    assert device.isprintable()


# Panoramas --------------------------------------------------------------------------------------


def test_panorama_by_its_metadata(tmp_path):
    mark = b'<x:xmpmeta><rdf:Description GPano:ProjectionType="cylindrical"/></x:xmpmeta>'
    path = save(tmp_path / "a.jpg", picture(), phone((80, 60)), xmp=mark)
    header = read_header(path)
    assert header.is_panorama
    assert header.camera.focal_px is None
    with pytest.raises(PanoramaError, match="stitched"):
        read_photo(path)
    assert read_photo(path, allow_panorama=True).pixels.shape == (60, 80, 3)
    assert read_thumbnail(path, 40).shape == (30, 40, 3)


def test_panorama_mark_in_a_png(tmp_path):
    from PIL import PngImagePlugin

    text = PngImagePlugin.PngInfo()
    text.add_itxt("XML:standard.xmp", '<x GPano:ProjectionType="cylindrical"/>')
    assert read_header(save(tmp_path / "a.png", picture(), pnginfo=text)).is_panorama


def test_panorama_by_its_shape(tmp_path):
    long = picture(100, 400)
    assert read_header(save(tmp_path / "a.jpg", long, phone((400, 100)))).is_panorama
    # Cropped to a long slab afterwards, or nothing known: a photo, and a note.
    for tags in (phone((400, 300)), None):
        photo = read_photo(save(tmp_path / "b.jpg", long, tags))
        assert not photo.header.is_panorama
        assert "4.0 times" in photo.header.notes[0]
    assert not read_header(save(tmp_path / "c.jpg", picture(90, 160), phone((160, 90)))).notes


# Refusals ---------------------------------------------------------------------------------------


def _refused(path, kind, *words) -> None:
    for read in (read_header, read_photo, read_thumbnail):
        with pytest.raises(kind) as caught:
            read(path)
        assert isinstance(caught.value, PhotoError)
        assert type(caught.value) is kind
        message = str(caught.value)
        assert "\n" not in message
        for word in words:
            assert word in message


def test_missing_folder_empty_and_not_an_image(tmp_path):
    _refused(tmp_path / "no.jpg", MissingPhotoError, "no.jpg", "No such file")
    _refused(tmp_path, PhotoIsFolderError, "folder", "photo file itself")
    (tmp_path / "e.jpg").touch()
    _refused(tmp_path / "e.jpg", EmptyPhotoError, "e.jpg", "0 bytes")
    (tmp_path / "t.jpg").write_text("dear yard, please find attached")
    _refused(tmp_path / "t.jpg", NotAnImageError, "t.jpg", "dear")
    (tmp_path / "z.jpg").write_bytes(bytes(4096))
    _refused(tmp_path / "z.jpg", NotAnImageError, "z.jpg")
    _refused("a\0b", MissingPhotoError)
    _refused("n" * 5000, MissingPhotoError)


def test_a_pipe_does_not_block(tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")
    _refused(tmp_path / "pipe.jpg", PhotoIsFolderError, "not a file")


@pytest.mark.parametrize(
    ("head", "word"),
    [
        (b"GIF89a" + bytes(40), "GIF"),
        (b"%PDF-1.7" + bytes(40), "PDF"),
        (b"BM" + bytes(60), "BMP"),
        (b"\x00\x00\x00\x20ftypmp42" + bytes(40), "film"),
        (b"\x00\x00\x00\x20ftypavif" + bytes(40), "AVIF"),
        (b"II*\x00\x10\x00\x00\x00CR\x02\x00" + bytes(40), "raw"),
    ],
)
def test_other_kinds_say_what_they_are(tmp_path, head, word):
    (tmp_path / "a.jpg").write_bytes(head)
    _refused(tmp_path / "a.jpg", UnsupportedPhotoError, word, "JPEG")


def test_camera_raw_is_not_taken_for_its_preview(tmp_path):
    from PIL import TiffImagePlugin

    tags = TiffImagePlugin.ImageFileDirectory_v2()
    tags[50706] = b"\x01\x04\x00\x00"  # DNG version
    tags.tagtype[50706] = 1
    save(tmp_path / "a.tif", picture(), tiffinfo=tags)
    _refused(tmp_path / "a.tif", UnsupportedPhotoError, "raw")


def test_floating_point_picture(tmp_path):
    save(tmp_path / "a.tif", Image.fromarray(np.zeros((50, 50), dtype=np.float32)))
    with pytest.raises(UnsupportedPhotoError, match="'F'"):
        read_photo(tmp_path / "a.tif")


def _png_of(width: int, height: int) -> bytes:
    """A PNG whose header promises a size and whose data are nearly nothing."""

    def chunk(name: bytes, data: bytes) -> bytes:
        body = name + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(bytes(1000)))
        + chunk(b"IEND", b"")
    )


def test_too_many_pixels_are_refused_from_the_header(tmp_path):
    for size in ((20000, 20000), (2**31 - 1, 2**31 - 1), (1, 2**31 - 1)):
        (tmp_path / "a.png").write_bytes(_png_of(*size))
        _refused(tmp_path / "a.png", TooLargePhotoError, str(size[0]), "megapixels", "200")
    save(tmp_path / "b.jpg", picture(300, 400))
    with pytest.raises(TooLargePhotoError, match=r"400 x 300.*0\.1"):
        read_photo(tmp_path / "b.jpg", max_megapixels=0.1)
    assert read_photo(tmp_path / "b.jpg", max_megapixels=0.12).pixels.shape == (300, 400, 3)


def test_large_webp_canvas_is_refused_before_it_is_reserved(tmp_path):
    side = (16383 - 1).to_bytes(3, "little")
    body = b"VP8X" + struct.pack("<I", 10) + bytes(4) + side + side
    (tmp_path / "a.webp").write_bytes(b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WEBP" + body)
    _refused(tmp_path / "a.webp", TooLargePhotoError, "16383")


def test_progressive_jpeg_of_very_many_scans(tmp_path):
    path = save(tmp_path / "a.jpg", picture(), progressive=True)
    assert read_photo(path).pixels.shape == (60, 80, 3)
    data = path.read_bytes()
    last = data.rindex(b"\xff\xda")
    path.write_bytes(data[:last] + data[last:-2] * 200 + data[-2:])
    _refused(path, UnsupportedPhotoError, "progressive")


def test_photos_over_pillows_own_limit_open_without_a_warning(tmp_path):
    import warnings

    path = save(tmp_path / "a.png", Image.new("1", (14000, 14000)))  # 196 megapixels
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert read_header(path).shape == (14000, 14000)


@pytest.mark.real_photos
def test_every_real_photo_opens(real_photos):
    paths = sorted(real_photos.glob("*/*.jpg"))
    assert len(paths) >= 20
    for path in paths:
        photo = read_photo(path)
        with Image.open(path) as opened:
            assert photo.shape == opened.size[::-1]
        assert not photo.header.is_panorama
        if path.parent.name != "metrology":  # shrunk, their metadata taken off
            assert photo.camera.focal_px is None
            assert photo.camera.focal_u >= 0.3
