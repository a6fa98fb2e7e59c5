"""Read a photo: its upright pixels, what is known of its lens, when it was taken, its hash."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from datetime import datetime
from io import BufferedReader
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from slabvision.exif import Exif, read_exif
from slabvision.lens import Lens, read_lens
from slabvision.photo_file import (
    MAX_MEGAPIXELS,
    DamagedPhotoError,
    EmptyPhotoError,
    MissingPhotoError,
    NotAnImageError,
    PanoramaError,
    PhotoError,
    PhotoIsFolderError,
    Pixels,
    TooLargePhotoError,
    UnsupportedPhotoError,
    decode,
    opened,
    shown,
)

if TYPE_CHECKING:
    from PIL import Image

__all__ = [
    "DamagedPhotoError",
    "EmptyPhotoError",
    "Lens",
    "MissingPhotoError",
    "NotAnImageError",
    "PanoramaError",
    "Photo",
    "PhotoError",
    "PhotoHeader",
    "PhotoIsFolderError",
    "TooLargePhotoError",
    "UnsupportedPhotoError",
    "read_header",
    "read_photo",
    "read_thumbnail",
]

_WIDE_ASPECT = 2.4
"""Beyond any camera's own format (16:9 is 1.78, the longest phone screens 2.33)."""


@dataclass(frozen=True)
class PhotoHeader:
    """What is known of a photo without decoding it.

    Attributes
    ----------
    path : Path
        The file.
    format : str
        ``"JPEG"``, ``"PNG"``, ``"TIFF"``, ``"WEBP"`` or ``"HEIF"``.
    shape : tuple of int
        (height, width) upright, after the orientation said in the file.
    orientation : int
        Exif orientation still to be applied to the decoded pixels, 1 to 8; always 1 for HEIF and
        TIFF, whose decoders turn the picture themselves.
    camera : Lens
        Focal length and how far it can be trusted.
    taken_at : datetime or None
        The camera's local time, with its offset from UTC where the file gives one.
    sha256 : str
        Of the whole file, 64 hexadecimal digits.
    bytes : int
        Size of the file.
    panorama : str
        Why it looks stitched; empty when it does not.
    notes : tuple of str
        What was decided about the file that a person may want to know.
    """

    path: Path
    format: str
    shape: tuple[int, int]
    orientation: int
    camera: Lens
    taken_at: datetime | None
    sha256: str
    bytes: int
    panorama: str = ""
    notes: tuple[str, ...] = ()

    @property
    def is_panorama(self) -> bool:
        """Whether the picture looks stitched."""
        return bool(self.panorama)


@dataclass(frozen=True, eq=False)
class Photo:
    """A decoded photo.

    Attributes
    ----------
    header : PhotoHeader
        What the file says.
    pixels : ndarray of uint8, shape (H, W, 3)
        Upright RGB, read-only. Transparent parts are white; 16-bit channels are cut to 8.
    """

    header: PhotoHeader
    pixels: Pixels

    @property
    def path(self) -> Path:
        """The file."""
        return self.header.path

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width)."""
        return self.header.shape

    @property
    def camera(self) -> Lens:
        """Focal length and how far it can be trusted."""
        return self.header.camera

    @property
    def taken_at(self) -> datetime | None:
        """When it was taken, the camera's local time."""
        return self.header.taken_at

    @property
    def sha256(self) -> str:
        """Hash of the file."""
        return self.header.sha256


def read_header(
    path: str | os.PathLike[str], *, max_megapixels: float = MAX_MEGAPIXELS
) -> PhotoHeader:
    """Read size, lens, time and hash of a photo without decoding its pixels.

    Parameters
    ----------
    path : path
        JPEG, PNG, TIFF, WebP or HEIC file.
    max_megapixels : float
        Larger photos are refused.

    Raises
    ------
    PhotoError
        One of its named kinds; the message names the file and says what to do.
    """
    with opened(path, max_megapixels) as (file, image, kind):
        return _header(Path(path), file, image, kind)


def read_photo(
    path: str | os.PathLike[str],
    *,
    max_megapixels: float = MAX_MEGAPIXELS,
    allow_panorama: bool = False,
) -> Photo:
    """Read a photo with its pixels upright.

    Parameters
    ----------
    path : path
        JPEG, PNG, TIFF, WebP or HEIC file.
    max_megapixels : float
        Larger photos are refused before decoding.
    allow_panorama : bool
        Read stitched pictures too, to look at them; they cannot be measured.

    Raises
    ------
    PhotoError
        One of its named kinds; the message names the file and says what to do.

    Notes
    -----
    Of several pictures in one file (stereo JPEG, animation, pages) the first or primary one is
    read and ``header.notes`` says so. Colours stay in the camera's colour space.
    """
    with opened(path, max_megapixels) as (file, image, kind):
        header = _header(Path(path), file, image, kind)
        if header.panorama and not allow_panorama:
            raise PanoramaError(
                f"{shown(path)} looks stitched ({header.panorama}): no single camera saw it, so "
                "lengths in it cannot be trusted. Take one plain photo from further away, or two "
                "that overlap"
            )
        pixels = decode(path, file, image, header.orientation)
        if pixels.shape[:2] != header.shape:
            raise DamagedPhotoError(
                f"{shown(path)} decodes to {pixels.shape[1]} x {pixels.shape[0]} pixels but its "
                f"header says {header.shape[1]} x {header.shape[0]}. Copy it from the camera again"
            )
    pixels.flags.writeable = False
    return Photo(header, pixels)


def read_thumbnail(
    path: str | os.PathLike[str],
    max_side: int = 512,
    *,
    max_megapixels: float = MAX_MEGAPIXELS,
) -> Pixels:
    """Read a small upright RGB copy of a photo, fast.

    Parameters
    ----------
    path : path
        As for :func:`read_photo`; panoramas are read too.
    max_side : int
        Longest side of the copy in pixels, 1 or more; a smaller photo is not enlarged.
    max_megapixels : float
        Larger photos are refused before decoding.

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
    """
    from PIL import Image

    if max_side < 1:
        raise ValueError(f"max_side is {max_side}; it must be 1 or more")
    with opened(path, max_megapixels) as (file, image, kind):
        orientation = _still_to_turn(read_exif(image), kind)
        if kind in ("JPEG", "HEIF"):
            # JPEG is decoded at a half, a quarter or an eighth, never below what is asked.
            image.draft("RGB", (max_side, max_side))
        height, width = image.size[::-1] if orientation < 5 else image.size
        pixels = decode(path, file, image, orientation, side=max_side)
    scale = max_side / max(height, width)
    if scale >= 1:
        return pixels
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = Image.fromarray(pixels).resize(size, Image.Resampling.BOX)
    return np.asarray(small, dtype=np.uint8)


# Header ----------------------------------------------------------------------------------------


def _header(path: Path, file: BufferedReader, image: Image.Image, kind: str) -> PhotoHeader:
    exif = read_exif(image)
    orientation = _still_to_turn(exif, kind)
    width, height = image.size
    panorama, wide_note = _panorama(exif, image.size)
    lens = read_lens(exif, image.size)
    if panorama:
        lens = Lens(None, 0.35, f"focal length not known: {panorama}", lens.k1_u, lens.device)
    return PhotoHeader(
        path=path,
        format=kind,
        shape=(width, height) if orientation >= 5 else (height, width),
        orientation=orientation,
        camera=lens,
        taken_at=exif.taken_at,
        sha256=_sha256(file),
        bytes=os.fstat(file.fileno()).st_size,
        panorama=panorama,
        notes=tuple(note for note in (wide_note, _frames_note(image)) if note),
    )


def _still_to_turn(exif: Exif, kind: str) -> int:
    """Return the Exif orientation that the decoder leaves to be applied.

    libheif applies the rotation stored in the container, and the Exif tag must then be ignored
    (ISO/IEC 23008-12: the transformative properties are normative, Exif is information). Pillow
    turns TIFF while it loads, and gives its size turned before.
    """
    return 1 if kind in ("HEIF", "TIFF") else exif.orientation


def _sha256(file: BufferedReader) -> str:
    at = file.tell()
    file.seek(0)
    digest = hashlib.file_digest(file, "sha256").hexdigest()
    file.seek(at)
    return digest


def _panorama(exif: Exif, size: tuple[int, int]) -> tuple[str, str]:
    """Return why a picture is a panorama, and a note where its shape only raises the question."""
    if exif.panorama_mark:
        return exif.panorama_mark, ""
    aspect = max(size) / min(size)
    if aspect < _WIDE_ASPECT:
        return "", ""
    words = f"it is {aspect:.1f} times as long as wide"
    said = exif.size
    if said is not None and sorted(said) == sorted(size) and min(size) >= 64:
        return f"{words}, and its metadata says it was taken so", ""
    return "", f"{words}: cropped, or stitched; a stitched picture cannot be measured"


def _frames_note(image: Any) -> str:
    try:
        frames = int(getattr(image, "n_frames", 1))
    except Exception:  # counting walks through the file, which may be damaged
        return ""
    return f"the file holds {frames} pictures; the first or main one is used" if frames > 1 else ""
