"""What a photo's metadata says, read defensively.

Every tag may be missing, of the wrong type, absurd or hostile; none of that is an error here, the
value is simply not there. Tag numbers and meanings: CIPA DC-008 (Exif 3.0), XMP: ISO 16684-1.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from PIL import Image

__all__ = ["Exif", "read_exif"]

_T = TypeVar("_T")

_MAX_TEXT = 64
_XMP_SEARCHED = 4_000_000
"""Bytes of XMP looked at: a camera writes a few thousand."""
_MOST_CHUNKS = 200_000
"""Chunks of a PNG walked through: 200 megapixels in pieces of 8 kB are fewer."""
_MOST_EXIF_BYTES = 20_000_000


@dataclass(frozen=True)
class Exif:
    """The few facts of a photo's metadata that matter here; ``None`` or empty where absent.

    Attributes
    ----------
    make, model, software : str
        As written, without control signs, at most 64 signs.
    orientation : int
        1 to 8, Exif tag 274; 1 when absent or absurd.
    focal_mm, focal35_mm : float or None
        Real focal length, and its 35-mm-film equivalent (a whole number in Exif).
    digital_zoom : float or None
        Digital zoom ratio; ``None`` when absent or said not to be used (0).
    size : tuple of int or None
        (width, height) that the metadata gives for the picture.
    pixels_per_mm : float or None
        Pixels per millimetre on the sensor (focal plane resolution).
    taken_at, changed_at : datetime or None
        When the shutter went, when the file was written; the camera's local time, with the
        offset from UTC where it is given.
    edit_marks : tuple of str
        Signs in the metadata that a program changed the picture, in words.
    panorama_mark : str
        Sign in the metadata that the picture was stitched, in words.
    """

    make: str = ""
    model: str = ""
    software: str = ""
    orientation: int = 1
    focal_mm: float | None = None
    focal35_mm: float | None = None
    digital_zoom: float | None = None
    size: tuple[int, int] | None = None
    pixels_per_mm: float | None = None
    taken_at: datetime | None = None
    changed_at: datetime | None = None
    edit_marks: tuple[str, ...] = ()
    panorama_mark: str = ""

    @property
    def device(self) -> str:
        """Make and model, the make not said twice."""
        if self.model.lower().startswith(self.make.lower()):
            return self.model
        return f"{self.make} {self.model}".strip()


def read_exif(image: Image.Image) -> Exif:
    """Read the metadata of an opened, not yet decoded image."""
    main, camera = _tags(image)
    xmp = _xmp(image)
    offset = _text(camera.get(0x9011)) or _text(camera.get(0x9010))
    taken = (
        _time(camera.get(0x9003), camera.get(0x9011))
        or _time(camera.get(0x9004), camera.get(0x9012))
        or _time(main.get(0x0132), offset)
    )
    changed = _time(main.get(0x0132), camera.get(0x9010))
    zoom = _number(camera.get(0xA404))
    if zoom is not None and not 0.01 <= zoom <= 1000:
        zoom = None
    orientation = main.get(0x0112)
    width, height = _number(camera.get(0xA002)), _number(camera.get(0xA003))
    size = None
    if width is not None and height is not None and 1 <= width < 1e6 and 1 <= height < 1e6:
        size = (int(width), int(height))
    return Exif(
        make=_text(main.get(0x010F)),
        model=_text(main.get(0x0110)),
        software=_text(main.get(0x0131)),
        orientation=orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1,
        focal_mm=_within(_number(camera.get(0x920A)), 0.3, 3000),
        focal35_mm=_within(_number(camera.get(0xA405)), 5, 3000),
        digital_zoom=zoom,
        size=size,
        pixels_per_mm=_pixels_per_mm(camera),
        taken_at=taken,
        changed_at=changed,
        edit_marks=_edit_marks(main, xmp),
        panorama_mark=_panorama_mark(camera, xmp),
    )


def _quietly(read: Callable[[], _T], otherwise: _T) -> _T:
    """Run one piece of foreign parsing; whatever is wrong with the bytes, carry on without."""
    try:
        return read()
    except Exception:  # hostile bytes can raise nearly anything
        return otherwise


def _tags(image: Image.Image) -> tuple[Mapping[int, Any], Mapping[int, Any]]:
    empty: Mapping[int, Any] = {}

    def main() -> Mapping[int, Any]:
        exif = _exif_of(image)
        return {key: _quietly(lambda k=key: exif.get(k), None) for key in _MAIN}  # type: ignore[misc]

    def camera() -> Mapping[int, Any]:
        return dict(_exif_of(image).get_ifd(0x8769))

    return _quietly(main, empty), _quietly(camera, empty)


def _exif_of(image: Image.Image) -> Any:
    """Return Pillow's Exif without decoding: its PNG reader decodes the picture to look for it."""
    from PIL import Image as pillow

    if image.format != "PNG":
        return image.getexif()
    if "exif" not in image.info:
        late = _png_chunk(image, b"eXIf")
        if late:
            image.info["exif"] = b"Exif\x00\x00" + late
    return pillow.Image.getexif(image)


def _png_chunk(image: Any, kind: bytes) -> bytes:
    """Return the content of a PNG chunk, which may stand behind the pixels."""
    file = image.fp
    at = file.tell()
    try:
        file.seek(8)
        for _ in range(_MOST_CHUNKS):
            head = file.read(8)
            if len(head) < 8:
                return b""
            length = int.from_bytes(head[:4], "big")
            if head[4:] == kind:
                return bytes(file.read(min(length, _MOST_EXIF_BYTES)))
            file.seek(length + 4, 1)
    finally:
        file.seek(at)
    return b""


_MAIN = (0x000B, 0x010F, 0x0110, 0x0112, 0x0131, 0x0132, 0x9213)


def _xmp(image: Image.Image) -> bytes:
    def read() -> bytes:
        # PNG keeps it as a text whose keyword ends in ".xmp".
        keys = [key for key in image.info if str(key) == "xmp" or str(key).endswith(".xmp")]
        raw = image.info[keys[0]] if keys else b""
        if not raw and hasattr(image, "tag_v2"):
            raw = image.tag_v2.get(700) or b""
        if isinstance(raw, str):
            raw = raw[:_XMP_SEARCHED].encode("utf-8", "replace")
        return bytes(raw[:_XMP_SEARCHED])

    return _quietly(read, b"")


def _number(value: Any) -> float | None:
    if isinstance(value, tuple | list) and len(value) == 1:
        value = value[0]
    try:
        number = float(value)
    except Exception:  # zero denominators, text, bytes, tuples
        return None
    return number if math.isfinite(number) else None


def _within(value: float | None, low: float, high: float) -> float | None:
    return value if value is not None and low <= value <= high else None


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value[: 4 * _MAX_TEXT].decode("utf-8", "replace")
    if not isinstance(value, str):
        return ""
    plain = "".join(c if c.isprintable() else " " for c in value[: 4 * _MAX_TEXT])
    return " ".join(plain.split())[:_MAX_TEXT]


_STAMP = re.compile(r"(\d{4})[:\-/](\d\d)[:\-/](\d\d)[ T](\d\d):(\d\d):(\d\d)")
_OFFSET = re.compile(r"([+-])(\d\d):(\d\d)")


def _time(value: Any, offset: Any) -> datetime | None:
    found = _STAMP.match(_text(value))
    if found is None:
        return None
    zone = None
    shift = _OFFSET.match(_text(offset))
    if shift and int(shift[2]) < 15 and int(shift[3]) < 60:
        minutes = int(shift[2]) * 60 + int(shift[3])
        zone = timezone(timedelta(minutes=minutes if shift[1] == "+" else -minutes))
    try:
        moment = datetime(*(int(part) for part in found.groups()), tzinfo=zone)  # type: ignore[misc,arg-type]
    except ValueError:
        return None
    return moment if moment.year >= 1990 else None  # no digital camera is older


def _pixels_per_mm(camera: Mapping[int, Any]) -> float | None:
    across, down = _number(camera.get(0xA20E)), _number(camera.get(0xA20F))
    unit_mm = {2: 25.4, 3: 10.0}.get(camera.get(0xA210, 2))
    if across is None or unit_mm is None or across <= 0:
        return None
    if down is not None and down > 0 and abs(math.log(down / across)) > 0.02:
        return None  # pixels are square: one of the two is wrong
    return _within(across / unit_mm, 10, 2000)


def _edit_marks(main: Mapping[int, Any], xmp: bytes) -> tuple[str, ...]:
    marks = []
    if _text(main.get(0x000B)):
        marks.append("a processing program is named in its metadata")
    if _text(main.get(0x9213)):
        marks.append("it carries an image history")
    if b"xmpMM:History" in xmp or b"stEvt:" in xmp:
        marks.append("it carries an editing history")
    return tuple(marks)


def _panorama_mark(camera: Mapping[int, Any], xmp: bytes) -> str:
    if b"GPano:" in xmp or re.search(
        rb"ProjectionType\W{1,12}(equirectangular|cylindrical|spherical)", xmp
    ):
        return "its metadata marks it as a panorama"
    # Value 6 of CustomRendered is not in the standard; phones write it for sweep panoramas
    # (from memory, unverified).
    if camera.get(0xA401) == 6:
        return "its metadata says it was rendered as a panorama"
    return ""
