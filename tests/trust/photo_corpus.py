"""Good photos of every kind that is read, odd ones, and bombs: what the mutator starts from."""

from __future__ import annotations

import io
import struct
import zlib
from functools import cache

import numpy as np
from PIL import Image

from tests.photo_files import exif, phone, picture
from tests.trust.mutation import HOSTILE_TEXT, Random, spoil_bytes, spoil_head

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".webp", ".heic", ".gif", ".bmp", ".txt", ".exe", "")


def _saved(image: Image.Image | np.ndarray, form: str, **how: object) -> bytes:
    stream = io.BytesIO()
    picture_ = image if isinstance(image, Image.Image) else Image.fromarray(image)
    picture_.save(stream, form, **how)
    return stream.getvalue()


def _noisy(height: int, width: int) -> np.ndarray:
    noise = np.random.default_rng(0).integers(-9, 10, (height, width, 3))
    return np.clip(picture(height, width).astype(int) + noise, 0, 255).astype(np.uint8)


@cache
def good_photos() -> dict[str, bytes]:
    """Return small photos by a name that says what is odd about them."""
    import pillow_heif

    pillow_heif.register_heif_opener()
    pixels = _noisy(72, 96)
    rgb = Image.fromarray(pixels)
    grey16 = (np.arange(72 * 96, dtype=np.uint16).reshape(72, 96) * 9).astype(np.uint16)
    tags = phone((96, 72)).tobytes()
    frames = [Image.fromarray(np.roll(pixels, 7 * k, axis=1)) for k in range(3)]
    turned = exif({0x0112: 6}).tobytes()
    words = exif(
        {0x010F: HOSTILE_TEXT[0], 0x0110: HOSTILE_TEXT[8], 0x0131: "\x00\x1b[31m" * 99},
        {0x9003: "9999:99:99 99:99:99", 0x920A: 0.0, 0xA002: 0, 0xA003: 2**31},
    ).tobytes()
    made = {
        "jpeg": _saved(rgb, "JPEG", exif=tags),
        "jpeg progressive": _saved(rgb, "JPEG", progressive=True, exif=tags),
        "jpeg grey": _saved(rgb.convert("L"), "JPEG"),
        "jpeg cmyk": _saved(rgb.convert("CMYK"), "JPEG"),
        "jpeg turned": _saved(rgb, "JPEG", exif=turned),
        "jpeg hostile words": _saved(rgb, "JPEG", exif=words, comment=HOSTILE_TEXT[0].encode()),
        "jpeg 1 x N": _saved(_noisy(3, 3)[:1, :].repeat(400, axis=1), "JPEG"),
        "jpeg N x 1": _saved(_noisy(3, 3)[:, :1].repeat(400, axis=0), "JPEG"),
        "jpeg 1 x 1": _saved(_noisy(3, 3)[:1, :1], "JPEG"),
        "png": _saved(rgb, "PNG", exif=tags),
        "png 16 bit": _saved(Image.fromarray(grey16), "PNG"),
        "png palette": _saved(rgb.quantize(32), "PNG", transparency=3),
        "png 1 bit": _saved(rgb.convert("1"), "PNG"),
        "png alpha": _saved(rgb.convert("RGBA"), "PNG"),
        "png animated": _saved(frames[0], "PNG", save_all=True, append_images=frames[1:]),
        "png late exif": _late_exif(_saved(rgb, "PNG"), turned),
        "tiff": _saved(rgb, "TIFF", exif=tags),
        "tiff packed": _saved(rgb, "TIFF", compression="tiff_lzw"),
        "tiff cmyk": _saved(rgb.convert("CMYK"), "TIFF", compression="tiff_deflate"),
        "tiff 16 bit": _saved(Image.fromarray(grey16), "TIFF"),
        "tiff float": _saved(Image.fromarray(grey16.astype(np.float32)), "TIFF"),
        "tiff pages": _saved(frames[0], "TIFF", save_all=True, append_images=frames[1:]),
        "webp": _saved(rgb, "WEBP", exif=tags),
        "webp lossless": _saved(rgb.convert("RGBA"), "WEBP", lossless=True),
        "webp animated": _saved(frames[0], "WEBP", save_all=True, append_images=frames[1:]),
        "heic": _saved(rgb, "HEIF", exif=tags, quality=80),
        "mpo": _saved(frames[0], "MPO", save_all=True, append_images=frames[1:]),
        "gif": _saved(rgb.quantize(16), "GIF"),
    }
    block = b"\xff\xe1" + (65535).to_bytes(2, "big") + b"Exif\x00\x00" + bytes(65535 - 8)
    made["jpeg huge exif"] = made["jpeg"][:2] + block * 40 + made["jpeg"][2:]
    return made


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _late_exif(png: bytes, tags: bytes) -> bytes:
    return png[:-12] + _chunk(b"eXIf", tags.removeprefix(b"Exif\x00\x00")) + png[-12:]


def png_of_zeros(width: int, height: int, depth: int, color: int) -> bytes:
    """Return a PNG whose pixels are all nought: a few kilobytes for any size."""
    channels = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[color]
    row = bytes(1 + (width * depth * channels + 7) // 8)
    packer = zlib.compressobj(9)
    packed = b"".join([*(packer.compress(row) for _ in range(height)), packer.flush()])
    head = struct.pack(">IIBBBBB", width, height, depth, color, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + _chunk(b"IHDR", head)
        + (_chunk(b"PLTE", bytes(6)) if color == 3 else b"")
        + _chunk(b"IDAT", packed)
        + _chunk(b"IEND", b"")
    )


def bomb(random: Random) -> bytes:
    """Return a small file that claims, or really holds, very many pixels."""
    match int(random.integers(0, 6)):
        case 0:  # claims far more than any camera
            data = bytearray(good_photos()["png"])
            data[16:24] = struct.pack(">II", *random.integers(20_000, 2**31, 2))
            data[29:33] = struct.pack(">I", zlib.crc32(bytes(data[12:29])))
            return bytes(data)
        case 1:  # a JPEG that says 65,000 x 65,000
            data = bytearray(good_photos()["jpeg"])
            at = data.find(b"\xff\xc0")
            data[at + 5 : at + 9] = struct.pack(">HH", *random.integers(15_000, 65_500, 2))
            return bytes(data)
        case 2:  # holds what it says, just within or just beyond the limit
            side = int(random.integers(9_000, 14_500))
            depth, color = ((1, 0), (8, 0), (8, 3))[random.integers(0, 3)]
            return png_of_zeros(side, side, depth, color)
        case 3:  # a megabyte of text that unpacks to a gigabyte
            text = zlib.compress(bytes(50_000_000), 9)
            data = good_photos()["png"]
            return data[:33] + _chunk(b"zTXt", b"c\0\0" + text) + data[33:]
        case 4:  # a progressive JPEG of thousands of empty scans
            data = good_photos()["jpeg progressive"]
            at = data.rfind(b"\xff\xda")
            return data[:at] + data[at:-2] * 2_000 + b"\xff\xd9"
        case _:
            side = int(random.integers(1, 30_000))
            return png_of_zeros(side, 1, 16, 2) if side % 2 else png_of_zeros(1, side, 16, 6)


def spoiled_photo(random: Random, *, bombs: float) -> tuple[str, bytes, str]:
    """Return (suffix, bytes, kind of the untouched photo or "" when it was changed)."""
    suffix = str(random.choice(SUFFIXES))
    if random.random() < bombs:
        return suffix, bomb(random), ""
    photos = good_photos()
    name = str(random.choice(list(photos)))
    data = photos[name]
    draw = random.random()
    if draw < 0.1:
        return suffix, data, name  # only the name is wrong
    if draw < 0.5:
        return suffix, spoil_bytes(data, random), ""
    if draw < 0.7:
        return suffix, data[: int(random.integers(0, len(data)))], ""
    if draw < 0.9:
        return suffix, spoil_head(data, random), ""
    other = photos[str(random.choice(list(photos)))]
    cut = int(random.integers(0, min(len(data), len(other))))
    return suffix, data[:cut] + other[cut:], ""
