"""Open a photo file safely: recognise it, check its size, decode it upright.

Formats are recognised by their first bytes, never by the file's name, and only the formats of
cameras and phones are opened. The size is checked from the header before anything is decoded.
Whatever is wrong ends in one of the named errors below.
"""

from __future__ import annotations

import os
import stat
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from io import BufferedReader
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from PIL import Image

__all__ = [
    "MAX_MEGAPIXELS",
    "DamagedPhotoError",
    "EmptyPhotoError",
    "MissingPhotoError",
    "NotAnImageError",
    "PanoramaError",
    "PhotoError",
    "PhotoIsFolderError",
    "Pixels",
    "TooLargePhotoError",
    "UnsupportedPhotoError",
    "decode",
    "opened",
    "shown",
]

MAX_MEGAPIXELS = 200.0
"""The largest phone sensors have 200 million pixels."""
MAX_FILE_BYTES = 1_500_000_000
"""A 200-megapixel TIFF of 16 bits a channel has 1.2 GB."""
_MAX_WEBP_MEGAPIXELS = 80.0
"""The WebP decoder needs over twice the memory per pixel of the others."""
_MAX_HEIF_MEGAPIXELS = 120.0
"""The HEIF decoder needs 11 bytes per pixel; JPEG 7."""
_MAX_UNPACKED_BYTES = 400_000_000
"""A PNG or packed TIFF inflates a thousandfold; 48 megapixels of 16 bits RGBA are 384 MB."""
_MAX_PROGRESSIVE_MEGAPIXELS = 120.0
"""A progressive JPEG is held as coefficients until its last scan; cameras write baseline."""
_MAX_PROGRESSIVE_SCANS = 64
"""A progressive JPEG has about ten; thousands of empty ones would keep the decoder busy."""
_STRIP_BYTES = 16_000_000

Pixels = NDArray[np.uint8]


class PhotoError(ValueError):
    """A file cannot be used as a photo; the message says which, why, and what to do."""


class MissingPhotoError(PhotoError):
    """There is no such file, or it may not be read."""


class PhotoIsFolderError(PhotoError):
    """The path is a folder, or something else that is not a file."""


class EmptyPhotoError(PhotoError):
    """The file has no bytes."""


class NotAnImageError(PhotoError):
    """The file does not begin like any image."""


class UnsupportedPhotoError(PhotoError):
    """An image, but of a kind that is not read here (camera raw, film, drawing, ...)."""


class DamagedPhotoError(PhotoError):
    """The file begins like an image but is truncated or damaged."""


class TooLargePhotoError(PhotoError):
    """More pixels or bytes than the limit."""


class PanoramaError(PhotoError):
    """A stitched picture: no single camera saw it, so it cannot be measured."""


# Opening ---------------------------------------------------------------------------------------

_MAGIC = (
    (b"\xff\xd8\xff", "JPEG"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"II*\x00", "TIFF"),
    (b"MM\x00*", "TIFF"),
    (b"II+\x00", "TIFF"),
    (b"MM\x00+", "TIFF"),
)
_HEIF_BRANDS = frozenset(
    (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"hevm", b"hevs", b"mif1", b"msf1")
)
_OTHERS = (
    (b"GIF8", "a GIF drawing or animation"),
    (b"BM", "a BMP bitmap"),
    (b"%PDF", "a PDF document"),
    (b"%!PS", "a PostScript document"),
    (b"\xff\x0a", "a JPEG XL image"),
    (b"\x00\x00\x00\x0cJXL ", "a JPEG XL image"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 image"),
    (b"<svg", "an SVG drawing"),
)


def shown(path: Any) -> str:
    """Name a file in a message: quoted, never longer than a line or two."""
    text = os.fsdecode(path) if isinstance(path, str | bytes | os.PathLike) else repr(path)
    shown = text if len(text) <= 200 else "..." + text[-197:]
    return f"photo {shown!r}"


def _recognise(head: bytes, path: Any) -> str:
    """Return the format by its first bytes, or raise."""
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            if kind == "TIFF" and head[8:10] == b"CR":
                raise _raw(path)
            return kind
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WEBP"
    other = next((words for magic, words in _OTHERS if head.startswith(magic)), None)
    if head[4:8] == b"ftyp":
        if head[8:12] in _HEIF_BRANDS:
            return "HEIF"
        other = "an AVIF image" if head[8:12] in (b"avif", b"avis") else "a film or camera raw file"
    if other is not None:
        raise UnsupportedPhotoError(
            f"{shown(path)} is {other}. Export it as JPEG at full size, or take a photo"
        )
    wanted = (*(magic for magic, _ in _MAGIC), b"RIFF")
    if len(head) < 12 and any(magic.startswith(head) or head[:4] == magic for magic in wanted):
        raise DamagedPhotoError(
            f"{shown(path)} is cut off after {len(head)} bytes. Copy it from the camera again"
        )
    raise NotAnImageError(
        f"{shown(path)} is not an image: it begins with {head[:8]!r}. "
        "Give a JPEG, PNG, TIFF, WebP or HEIC file"
    )


def _raw(path: Any) -> UnsupportedPhotoError:
    return UnsupportedPhotoError(
        f"{shown(path)} is a camera raw file, which holds no finished picture. "
        "Export it as JPEG or TIFF at full size, without cropping"
    )


@contextmanager
def opened(path: Any, max_megapixels: float) -> Iterator[tuple[BufferedReader, Image.Image, str]]:
    """Open, recognise and size-check a photo; nothing is decoded."""
    try:
        found = os.stat(path)
        if not stat.S_ISREG(found.st_mode):
            what = "a folder" if stat.S_ISDIR(found.st_mode) else "not a file"
            raise PhotoIsFolderError(f"{shown(path)} is {what}. Give the photo file itself")
        file = open(path, "rb")  # noqa: SIM115 - closed below
    except (OSError, ValueError, TypeError) as error:
        if isinstance(error, PhotoError):
            raise
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise MissingPhotoError(
            f"{shown(path)} cannot be opened ({why}). Check the name and the folder"
        ) from None
    with file:
        if found.st_size == 0:
            raise EmptyPhotoError(f"{shown(path)} is empty (0 bytes). Copy it again")
        if found.st_size > MAX_FILE_BYTES:
            raise TooLargePhotoError(
                f"{shown(path)} has {found.st_size / 1e9:.1f} GB; at most "
                f"{MAX_FILE_BYTES / 1e9:.1f} GB are read. Export it as JPEG"
            )
        kind = _recognise(file.read(64), path)
        if kind == "WEBP":
            _check_webp(file, path, max_megapixels)
        file.seek(0)
        image = _foreign(path, lambda: _plugin(kind)(file))
        _check_size(image.size, path, max_megapixels)
        if kind == "TIFF" and _is_raw(image):
            raise _raw(path)
        if kind in ("PNG", "TIFF"):
            _check_unpacked(file, image, kind, path)
        if kind == "HEIF":
            _check_size(image.size, path, min(max_megapixels, _MAX_HEIF_MEGAPIXELS))
        if kind == "JPEG" and image.info.get("progressive"):
            _check_size(image.size, path, min(max_megapixels, _MAX_PROGRESSIVE_MEGAPIXELS))
            _check_scans(file, path)
        yield file, image, kind


def _plugin(kind: str) -> Any:
    """Return the class that opens a format; used directly, so that no global setting is touched."""
    if kind == "HEIF":
        import pillow_heif

        return pillow_heif.HeifImageFile
    from PIL import JpegImagePlugin, PngImagePlugin, TiffImagePlugin, WebPImagePlugin

    return {
        "JPEG": JpegImagePlugin.jpeg_factory,
        "PNG": PngImagePlugin.PngImageFile,
        "TIFF": TiffImagePlugin.TiffImageFile,
        "WEBP": WebPImagePlugin.WebPImageFile,
    }[kind]


def _foreign(path: Any, run: Any) -> Any:
    """Run a decoder; whatever it raises on bad bytes becomes one named error."""
    from PIL import Image

    try:
        return run()
    except PhotoError:
        raise
    except (MemoryError, Image.DecompressionBombError):
        raise TooLargePhotoError(
            f"{shown(path)} is too large to decode safely. Export a smaller JPEG"
        ) from None
    except Exception as error:  # decoders raise nearly anything on damaged bytes
        why = " ".join(str(error).split())[:120] or type(error).__name__
        raise DamagedPhotoError(
            f"{shown(path)} is truncated or damaged ({why}). Copy it from the camera again"
        ) from None


def _check_size(size: tuple[int, int], path: Any, max_megapixels: float) -> None:
    width, height = size
    if width < 1 or height < 1:
        raise DamagedPhotoError(f"{shown(path)} is {width} x {height} pixels. Copy it again")
    if width * height > max_megapixels * 1e6:
        raise TooLargePhotoError(
            f"{shown(path)} is {width} x {height} = {width * height / 1e6:.0f} megapixels; at "
            f"most {max_megapixels:g} are read. Export a smaller JPEG of the whole picture"
        )


def _check_webp(file: BufferedReader, path: Any, max_megapixels: float) -> None:
    """Check the size before the plugin's constructor reserves the canvas."""
    file.seek(12)
    head = file.read(18)
    size = None
    if head[:4] == b"VP8X" and len(head) == 18:
        size = (
            int.from_bytes(head[12:15], "little") + 1,
            int.from_bytes(head[15:18], "little") + 1,
        )
    elif head[:4] == b"VP8L" and len(head) >= 13:
        (bits,) = struct.unpack("<I", head[9:13])
        size = ((bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1)
    elif head[:4] == b"VP8 " and len(head) == 18:
        size = tuple(side & 0x3FFF for side in struct.unpack("<HH", head[14:18]))
    if size is None:
        raise DamagedPhotoError(f"{shown(path)} is truncated or damaged. Copy it again")
    _check_size(size, path, min(max_megapixels, _MAX_WEBP_MEGAPIXELS))


_PNG_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}


def _check_unpacked(file: BufferedReader, image: Any, kind: str, path: Any) -> None:
    """Refuse a small file that would keep the decoder busy for minutes."""
    width, height = image.size
    if kind == "PNG":
        at = file.tell()
        file.seek(24)
        depth, color = file.read(2)
        file.seek(at)
        bits = depth * _PNG_CHANNELS.get(color, 4)
    else:
        packed = image.tag_v2.get(259, 1) != 1
        bits = sum(_foreign(path, lambda: image.tag_v2.get(258, (1,)))) if packed else 0
    if width * height * bits / 8 > _MAX_UNPACKED_BYTES:
        raise TooLargePhotoError(
            f"{shown(path)} unpacks to {width * height * bits / 8e6:.0f} MB; at most "
            f"{_MAX_UNPACKED_BYTES / 1e6:.0f} MB are read. Export a JPEG of the whole picture"
        )


def _is_raw(image: Any) -> bool:
    """Tell a camera raw file, whose first page is a small preview, from a picture."""
    tags = getattr(image, "tag_v2", {})
    return 50706 in tags or (bool(tags.get(254, 0) & 1) and 330 in tags)


def _check_scans(file: BufferedReader, path: Any) -> None:
    at, scans, tail = file.tell(), 0, b""
    file.seek(0)
    while block := file.read(1 << 20):
        scans += (tail + block).count(b"\xff\xda")
        tail = block[-1:]
    file.seek(at)
    if scans > _MAX_PROGRESSIVE_SCANS:
        raise UnsupportedPhotoError(
            f"{shown(path)} is a progressive JPEG of {scans} scans; no camera writes more than "
            f"{_MAX_PROGRESSIVE_SCANS}. Export it as a plain JPEG"
        )


# Decoding --------------------------------------------------------------------------------------


def decode(
    path: Any,
    file: BufferedReader,
    image: Image.Image,
    orientation: int,
    *,
    side: int | None = None,
) -> Pixels:
    """Decode an opened photo into an upright RGB array of its own.

    ``orientation`` is what is still to be done when the decoder has finished: those of HEIF and
    TIFF turn the picture themselves. With ``side`` the picture is averaged down by a whole number
    while it is copied, to a longest side of at least twice that.
    """
    mode = image.mode
    if mode in ("I", "F", "LAB", "HSV"):
        raise UnsupportedPhotoError(
            f"{shown(path)} stores its colours as {mode!r}, which no camera does. "
            "Export it as JPEG or as TIFF of 8 or 16 bits RGB"
        )
    file.seek(0)
    _foreign(path, image.load)
    factor = 1 if side is None else max(1, max(image.size) // (2 * side))
    return _foreign(path, lambda: _upright(image, orientation, factor))  # type: ignore[no-any-return]


def _upright(image: Image.Image, orientation: int, factor: int) -> Pixels:
    """Copy a decoded image strip by strip into an upright array, averaged down by ``factor``.

    Whole-image conversions would hold two or three copies of a large photo at once.
    """
    from PIL import Image

    width, height = image.size
    cols, rows = -(-width // factor), -(-height // factor)
    upright = np.empty((cols, rows, 3) if orientation >= 5 else (rows, cols, 3), dtype=np.uint8)
    stored = _stored_view(upright, orientation)
    step = max(1, _STRIP_BYTES // (4 * width * factor))
    for top in range(0, rows, step):
        bottom = min(rows, top + step)
        strip = _rgb(image.crop((0, top * factor, width, min(height, bottom * factor))))
        stored[top:bottom] = (
            strip if factor == 1 else np.asarray(Image.fromarray(strip).reduce(factor))
        )
    return upright


def _stored_view(upright: Pixels, orientation: int) -> Pixels:
    """View an upright array in the order in which the file stores it (Exif tag 274)."""
    turned = upright.transpose(1, 0, 2)
    views = {
        1: upright,
        2: upright[:, ::-1],
        3: upright[::-1, ::-1],
        4: upright[::-1],
        5: turned,
        6: turned[::-1],
        7: turned[::-1, ::-1],
        8: turned[:, ::-1],
    }
    return views[orientation]


def _rgb(strip: Image.Image) -> Pixels:
    """Convert a strip of any mode to RGB; transparent is white, 16 bits are cut to 8."""
    from PIL import Image

    if strip.mode.startswith("I;16"):
        grey = (np.asarray(strip).astype(np.uint16) >> 8).astype(np.uint8)
        return np.repeat(grey[:, :, None], 3, axis=2)
    if strip.mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in strip.info:
        over = strip.convert("RGBA")
        white = Image.new("RGBA", over.size, (255, 255, 255, 255))
        strip = Image.alpha_composite(white, over)
    return np.asarray(strip if strip.mode == "RGB" else strip.convert("RGB"), dtype=np.uint8)
