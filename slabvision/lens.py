"""Focal length in pixels, and how far it can be trusted, from a photo's metadata.

The 35-mm equivalent is turned into pixels by the diagonal rule: the field of view across the
picture's diagonal is that of the same lens over the 43.27 mm diagonal of 36 x 24 mm film. Exif
stores the equivalent as a whole number, so its rounding (uniform, half a millimetre either way)
is part of the uncertainty. Where a program may have cut or enlarged the picture the focal length
is a guess and is marked so; where nothing holds it is ``None``.

Relative uncertainties below are the project's own judgement (type B, JCGM 100:2008 clause 4.3),
chosen wide; they are not from a publication.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from slabvision.exif import Exif

__all__ = ["FILM_DIAGONAL_MM", "Lens", "distortion_u", "read_lens"]

FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)
"""Diagonal of 36 x 24 mm film."""

U_UNKNOWN = 0.35
"""Relative standard uncertainty that stands for "not known"."""
_U_LENS = 0.03
"""An untouched photo: focus, in-camera distortion correction, definition of the equivalent."""
_U_NO_SIZE = 0.05
_U_EDITED = 0.15
_U_CROPPED = 0.20
_K1_U = 0.01
_K1_U_WIDE = 0.025
_WIDE_MM = 20.0

_SAME_ASPECT = 0.01
_SENSOR_ASPECT = 4 / 3
_FILM_ASPECT = 3 / 2
_LARGE_SENSOR = 3.0
"""Up to this ratio of equivalent to real focal length sensors are mostly 3:2; smaller ones 4:3."""
_CHANGED_AFTER_S = 120.0


@dataclass(frozen=True)
class Lens:
    """What is known of the lens behind a photo.

    Attributes
    ----------
    focal_px : float or None
        Focal length in pixels of the photo as stored; ``None`` when not known.
    focal_u : float
        Relative standard uncertainty; 0.35 when ``focal_px`` is ``None``.
    k1_u : float
        Standard uncertainty of the first radial distortion term, for coordinates divided by the
        focal length.
    why : str
        What was decided, in plain words.
    device : str
        Make and model; photos of one device share their lens error.
    """

    focal_px: float | None
    focal_u: float
    why: str
    k1_u: float = _K1_U
    device: str = ""


def read_lens(exif: Exif, size: tuple[int, int]) -> Lens:
    """Judge the focal length of a photo.

    Parameters
    ----------
    exif : Exif
        Its metadata.
    size : tuple of int
        (width, height) of the stored picture, pixels.

    Examples
    --------
    >>> lens = read_lens(Exif(focal35_mm=26, size=(4032, 3024)), (4032, 3024))
    >>> round(lens.focal_px), round(lens.focal_u, 3)
    (3029, 0.032)
    """
    said = exif.size or size
    found = _frame_focal(exif, said)
    if found is None:
        reason = "the metadata is silent"
        if exif.focal_mm is not None:
            reason = "the metadata gives millimetres but neither the 35-mm equivalent nor a "
            reason += "sensor size"
        return _unknown(reason, exif)
    focal, u, words = found
    if exif.panorama_mark:
        return _unknown(exif.panorama_mark, exif)

    zoom = exif.digital_zoom
    if zoom is not None and zoom > 0 and abs(math.log(zoom)) > 0.01:
        # Some makers give the equivalent with the digital zoom, some without: half way, wide.
        if abs(math.log(zoom)) > math.log(3.0):
            return _unknown(f"digital zoom {zoom:g}", exif)
        focal *= math.sqrt(zoom)
        u = math.hypot(u, abs(math.log(zoom)) / 2)
        words.append(f"digital zoom {zoom:g}, which the equivalent may or may not include")

    change = _change_of_size(said, size)
    if exif.size is None:
        u = math.hypot(u, _U_NO_SIZE)
        words.append("the metadata does not say how large the picture was, so it may be cropped")
    elif change is None:
        return _unknown(
            f"the picture is {_by(size)} but its metadata says {_by(said)}: cropped and resized",
            exif,
        )
    else:
        factor, kind = change
        focal *= factor
        if kind == "cropped":
            u = math.hypot(u, _U_CROPPED)
            words.append(f"cropped to {_by(size)} from {_by(said)}")
        elif kind == "resized":
            u = math.hypot(u, _U_EDITED)
            words.append(f"resized to {_by(size)} from {_by(said)}, perhaps cropped")

    edited = _editing(exif)
    if edited:
        u = math.hypot(u, _U_EDITED)
        words.append(f"{edited}, so it may be cropped or straightened")
    if u > U_UNKNOWN:
        return _unknown("; ".join(words), exif)
    return Lens(
        focal_px=focal,
        focal_u=u,
        why=f"{'; '.join(words)}: {focal:.0f} px, within about {200 * u:.0f} %",
        k1_u=distortion_u(focal, size),
        device=exif.device,
    )


def distortion_u(focal_px: float | None, shape: tuple[int, int]) -> float:
    """Return the standard uncertainty of the first radial distortion term of a lens.

    Parameters
    ----------
    focal_px : float or None
        Focal length in pixels; ``None`` when not known.
    shape : tuple of int
        Size of the photo, pixels.

    Examples
    --------
    >>> distortion_u(3000.0, (3000, 4000)), distortion_u(1500.0, (3000, 4000))
    (0.01, 0.025)
    """
    if focal_px is None or focal_px / math.hypot(*shape) * FILM_DIAGONAL_MM < _WIDE_MM:
        return _K1_U_WIDE
    return _K1_U


def _unknown(reason: str, exif: Exif) -> Lens:
    return Lens(None, U_UNKNOWN, f"focal length not known: {reason}", _K1_U_WIDE, exif.device)


def _by(size: tuple[int, int]) -> str:
    return f"{size[0]} x {size[1]}"


def _frame_focal(exif: Exif, frame: tuple[int, int]) -> tuple[float, float, list[str]] | None:
    """Focal length in pixels, relative uncertainty and words for the whole recorded frame."""
    long, short = max(frame), min(frame)
    by_sensor = None
    if exif.focal_mm is not None and exif.pixels_per_mm is not None:
        sensor_mm = long / exif.pixels_per_mm
        if 2.5 <= sensor_mm <= 75.0:  # phone telephoto to medium format
            by_sensor = exif.focal_mm * exif.pixels_per_mm
    film = exif.focal35_mm
    if film is None:
        if by_sensor is None:
            return None
        return by_sensor, _U_LENS, [f"{exif.focal_mm:g} mm lens and the sensor's pixel size"]

    focal = film / FILM_DIAGONAL_MM * math.hypot(long, short)
    u = math.hypot(_U_LENS, 0.5 / math.sqrt(3.0) / film)
    words = [f"{film:g} mm equivalent by the diagonal"]
    larger = _uncut(long / short, film / exif.focal_mm if exif.focal_mm else None)
    if larger > 1.005:
        # The equivalent may belong to the recorded picture or to the whole sensor.
        focal *= math.sqrt(larger)
        u = math.hypot(u, math.log(larger) / 2)
        words.append(f"{long / short:.2f} to 1, probably cut from a sensor of another shape")
    if by_sensor is not None:
        apart = abs(math.log(by_sensor / focal))
        if apart <= 0.06:
            focal = math.sqrt(by_sensor * focal)
            words.append("the sensor's pixel size agrees")
        else:
            focal = math.sqrt(by_sensor * focal)
            u = math.hypot(u, apart / 2)
            words.append(f"the sensor's pixel size disagrees by {100 * math.expm1(apart):.0f} %")
    return focal, u, words


def _uncut(aspect: float, crop_factor: float | None) -> float:
    """How much longer the diagonal of the sensor's full frame is than the picture's."""
    large = crop_factor is not None and crop_factor <= _LARGE_SENSOR
    if abs(aspect - _SENSOR_ASPECT) < 0.02 or (large and abs(aspect - _FILM_ASPECT) < 0.02):
        return 1.0
    native = _FILM_ASPECT if large else _SENSOR_ASPECT
    if aspect > native:  # same long side
        return math.hypot(1, 1 / native) / math.hypot(1, 1 / aspect)
    return math.hypot(native, 1) / math.hypot(aspect, 1)  # same short side


def _change_of_size(said: tuple[int, int], size: tuple[int, int]) -> tuple[float, str] | None:
    """Factor on the focal length in pixels and what happened; ``None`` when it cannot be told."""
    was, now = sorted(said), sorted(size)
    if all(abs(a - b) <= max(2, 0.002 * a) for a, b in zip(was, now, strict=True)):
        return 1.0, "whole"
    if abs(math.log(was[1] / was[0] * now[0] / now[1])) < _SAME_ASPECT:
        return now[1] / was[1], "resized"
    if now[0] <= was[0] and now[1] <= was[1] and (now[0] == was[0] or now[1] == was[1]):
        return 1.0, "cropped"
    return None


_FIRMWARE_WORDS = re.compile(
    r"app|application|build|camera|digital|firmware|hdr|image|keys|os|release|rev|revision"
    r"|software|system|user|ver|version"
)


def _editing(exif: Exif) -> str:
    """Say why the picture looks processed after it was taken; empty when it does not."""
    if exif.edit_marks:
        return exif.edit_marks[0]
    # Firmware reads like "17.1.2", "Ver.1.02" or a build code; a word that is neither the
    # device's own name nor such a word is the name of a program.
    own = re.findall(r"[a-z]+", exif.device.lower())
    # A hyphen joins two words ("release-keys") or belongs to a code ("MST-A123").
    tokens = re.split(r"[\s_/,;()]+|(?<=[a-z])-(?=[a-z]+\b)", exif.software)
    for token in tokens:
        word = re.sub(r"(ver|v)?[\d.]+$", "", re.sub(r"[.\-+:]+$", "", token.lower()))
        if word in own or _FIRMWARE_WORDS.fullmatch(word):
            continue
        # Three letters alone are a word; before digits ("RKQ1.2", "A5") it takes more.
        if re.fullmatch(r"[a-z]{3,}" if word == token.lower() else r"[a-z]{5,}", word):
            return "a program other than the camera's own firmware is named as its software"
    if exif.taken_at is not None and exif.changed_at is not None:
        taken, changed = exif.taken_at, exif.changed_at
        if taken.tzinfo is None or changed.tzinfo is None:
            taken, changed = taken.replace(tzinfo=None), changed.replace(tzinfo=None)
        if abs((changed - taken).total_seconds()) > _CHANGED_AFTER_S:
            return "the file was changed after the photo was taken"
    return ""
