"""Reads and saves slab folders so that nothing is lost.

A slab is a folder: the photos, untouched; ``slab.json``; label images under names that are their
content's hash. A save writes new label images first, then replaces ``slab.json`` by one rename:
that rename is the only commit, so picture and table never belong to different saves. The
previous ``slab.json`` stays as ``slab.previous.json`` until the next save has succeeded.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from slabvision.files import write_whole
from slabvision.record import SCHEMA_VERSION, FileRef, PhotoEntry, SlabRecord
from slabvision.text import json_text
from slabvision.versions import as_far_as_known, upgraded, version_of

if TYPE_CHECKING:
    from pydantic import ValidationError

__all__ = [
    "RECORD",
    "BrokenRecordError",
    "ChangedOnDiskError",
    "LabelImageError",
    "MissingPhotoError",
    "NewerRecordError",
    "RecordError",
    "SaveError",
    "check_photo",
    "load_slab",
    "look_at_slab",
    "new_slab",
    "photo_path",
    "read_labels",
    "read_zones",
    "save_slab",
]

RECORD = "slab.json"
PREVIOUS = "slab.previous.json"
_LOCK = ".slab.lock"
_MAX_RECORD_BYTES = 200_000_000
_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"


class RecordError(Exception):
    """A slab folder cannot be read or saved; the message says which file and what to do."""


class BrokenRecordError(RecordError):
    """``slab.json`` is not a record."""


class NewerRecordError(RecordError):
    """``slab.json`` was written by a newer slabvision.

    Attributes
    ----------
    seen : SlabRecord or None
        What this version understands of it, to be looked at; never to be saved or measured.
    """

    def __init__(self, message: str, seen: SlabRecord | None) -> None:
        super().__init__(message)
        self.seen = seen


class MissingPhotoError(RecordError):
    """A photo of the record is missing, or is another picture than the one that was marked."""


class LabelImageError(RecordError):
    """A label image is missing, broken, of the wrong size or not the one that was saved."""


class ChangedOnDiskError(RecordError):
    """Somebody else saved this slab since it was opened."""


class SaveError(RecordError):
    """The slab could not be saved; what was there before is untouched."""


# Reading -----------------------------------------------------------------------------------------


def load_slab(folder: Path | str) -> SlabRecord:
    """Read the record of a slab folder.

    Raises
    ------
    BrokenRecordError, NewerRecordError
        Naming the file and what to do. Nothing is changed on disk.
    RecordError
        The folder or ``slab.json`` in it is a link, or no file.
    """
    return _load(Path(folder))


def look_at_slab(folder: Path | str) -> tuple[SlabRecord, str]:
    """Read the record of a slab folder to look at it, even one of a newer version.

    Returns
    -------
    SlabRecord
        Of a newer version: as far as this one understands it; :func:`save_slab` refuses it.
    str
        Why it is read-only; empty when it may be changed and saved.

    Raises
    ------
    RecordError
        As for :func:`load_slab`; ``NewerRecordError`` where nothing of it is understood.
    """
    try:
        return _load(Path(folder)), ""
    except NewerRecordError as error:
        if error.seen is None:
            raise
        return error.seen, (
            f"Read-only. {error} What this version does not know is not shown, and numbers leave "
            "it out"
        )


def _load(place: Path) -> SlabRecord:
    if place.is_symlink():
        raise RecordError(f"{place}: a link, not a slab's folder; name the folder it leads to")
    return read_record(_inside(place, RECORD))


def read_record(path: Path) -> SlabRecord:
    """Read a record file (``slab.json``, or a saved copy of one)."""
    from pydantic import ValidationError

    spare = path.with_name(PREVIOUS)
    hint = (
        f"The save before it is {spare}: copy it over {path.name} to go back to it."
        if path.name == RECORD and spare.is_file()
        else "Make a new record with: slabvision new FOLDER PHOTOS..."
    )
    try:
        if path.stat().st_size > _MAX_RECORD_BYTES:
            raise BrokenRecordError(
                f"{path}: {path.stat().st_size} bytes is too large for a record"
            )
        raw = path.read_bytes()
    except FileNotFoundError:
        raise BrokenRecordError(f"{path}: there is no such record. {hint}") from None
    except OSError as error:
        raise BrokenRecordError(f"{path}: cannot be read ({error.strerror})") from error
    try:
        data = json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError) as error:  # also a number of thousands of digits
        raise BrokenRecordError(f"{path}: not JSON ({error}). {hint}") from None
    if not isinstance(data, dict):
        raise BrokenRecordError(f"{path}: not a slab record. {hint}")
    version = version_of(data)
    if version is not None and version > SCHEMA_VERSION:
        raise NewerRecordError(
            f"{path}: written by a newer slabvision (record version {version}; this one knows "
            f"{SCHEMA_VERSION}). Update slabvision to change or measure it; nothing was changed.",
            as_far_as_known(data),
        )
    try:
        if version is not None and version < SCHEMA_VERSION:
            return SlabRecord.model_validate(upgraded(data))
        return SlabRecord.model_validate_json(raw)
    except ValidationError as error:
        raise BrokenRecordError(f"{path}: {_first_fault(error)}. {hint}") from None


def _first_fault(error: ValidationError) -> str:
    faults = error.errors()
    where = ".".join(str(part) for part in faults[0]["loc"]) or "record"
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    value = repr(faults[0].get("input"))
    shown = value if len(value) <= 60 else value[:57] + "..."
    return f"{where}: {faults[0]['msg']}, found {shown}{more}"


def photo_path(folder: Path | str, entry: PhotoEntry) -> Path:
    """Return the path of a photo; it never leaves the slab's folder."""
    return _inside(Path(folder), entry.file)


def _inside(folder: Path, name: str) -> Path:
    path = folder / name
    if path.is_symlink() or path.resolve().parent != folder.resolve():
        raise RecordError(f"{path}: leads out of the slab's folder; copy the file itself into it")
    if path.exists() and not path.is_file():
        raise RecordError(f"{path}: not a file; put the file itself there")
    return path


def check_photo(folder: Path | str, entry: PhotoEntry) -> Path:
    """Return the path of a photo after checking that it is the very file that was marked.

    Raises
    ------
    MissingPhotoError
        The file is gone, or its SHA-256 is another: the marks would lie in the wrong place.
    """
    path = photo_path(folder, entry)
    try:
        with path.open("rb") as stream:
            found = hashlib.file_digest(stream, "sha256").hexdigest()
    except FileNotFoundError:
        raise MissingPhotoError(
            f"{path}: the photo is missing; put it back into the folder"
        ) from None
    except OSError as error:
        raise MissingPhotoError(f"{path}: the photo cannot be read ({error.strerror})") from error
    if found != entry.sha256:
        raise MissingPhotoError(
            f"{path}: this is not the photo that was marked (it was replaced, rotated or edited). "
            "Put the original back, or remove it from the record and mark the new one"
        )
    return path


def read_labels(folder: Path | str, entry: PhotoEntry) -> NDArray[np.uint16]:
    """Read the defects' label image of a photo: (H, W) uint16, 0 where there is none."""
    return np.asarray(_read_png(Path(folder), entry, entry.labels, 16), dtype=np.uint16)


def read_zones(folder: Path | str, entry: PhotoEntry) -> NDArray[np.uint8]:
    """Read the zones' image of a photo: (H, W) uint8, 0 where there is none."""
    return np.asarray(_read_png(Path(folder), entry, entry.zones, 8), dtype=np.uint8)


def _read_png(folder: Path, entry: PhotoEntry, ref: FileRef | None, depth: int) -> NDArray[Any]:
    from slabvision.opencv import cv2

    if ref is None:
        return np.zeros(entry.shape, np.uint16 if depth == 16 else np.uint8)
    path = _inside(folder, ref.file)
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise LabelImageError(
            f"{path}: the label image cannot be read ({error.strerror}); restore it from a copy "
            "of the folder"
        ) from None
    if hashlib.sha256(raw).hexdigest() != ref.sha256:
        raise LabelImageError(f"{path}: not the label image that was saved; restore it from a copy")
    # The header is checked before decoding: the hash says it is ours, a record may still lie.
    if len(raw) < 33 or not raw.startswith(_PNG_SIGNATURE):
        raise LabelImageError(f"{path}: not a PNG image")
    width, height, bits, color = struct.unpack(">IIBB", raw[16:26])
    if (height, width) != entry.shape or bits != depth or color != 0:
        raise LabelImageError(
            f"{path}: {height} x {width} pixels of {bits} bits; the photo {entry.file} needs "
            f"{entry.shape[0]} x {entry.shape[1]} of {depth} bits, grey"
        )
    if not _whole_png(raw):
        raise LabelImageError(f"{path}: the label image is broken; restore it from a copy")
    image = cv2.imdecode(np.frombuffer(raw, np.uint8), cv2.IMREAD_UNCHANGED)
    if image is None or image.shape != entry.shape:
        raise LabelImageError(f"{path}: the label image is broken; restore it from a copy")
    return np.asarray(image)


def _whole_png(raw: bytes) -> bool:
    """Return whether the chunks fill the file: a decoder reserves whatever a chunk claims."""
    at = len(_PNG_SIGNATURE)
    while at + 12 <= len(raw):
        length = int.from_bytes(raw[at : at + 4], "big")
        last = raw[at + 4 : at + 8] == b"IEND"
        at += 12 + length
        if last:
            return at == len(raw)
    return False


# Saving ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Pending:
    name: str
    data: bytes


def save_slab(
    folder: Path | str,
    record: SlabRecord,
    *,
    labels: Mapping[str, NDArray[np.uint16]] | None = None,
    zones: Mapping[str, NDArray[np.uint8]] | None = None,
) -> SlabRecord:
    """Save a record and the label images that changed, all or nothing.

    Parameters
    ----------
    folder : path
        The slab's folder; it must exist.
    record : SlabRecord
        As loaded and changed; its ``generation`` says which save it came from.
    labels, zones : mapping of photo file name to image, optional
        New label images, (H, W) of the photo. Photos not named keep theirs.

    Returns
    -------
    SlabRecord
        As it now stands on disk, one generation on.

    Raises
    ------
    ChangedOnDiskError
        The record on disk is another generation: reopen it, nothing was written.
    LabelImageError
        A label image does not fit its photo or its table.
    SaveError
        Disk full, folder read-only, ...: what was there before is untouched.
    """
    from filelock import FileLock, Timeout

    place = Path(folder)
    pending: list[_Pending] = []
    for file, image in (labels or {}).items():
        entry = record.photo(file)
        record = record.with_photo(
            entry.model_copy(update={"labels": _packed(entry, image, 16, pending)})
        )
    for file, zone_image in (zones or {}).items():
        entry = record.photo(file)
        record = record.with_photo(
            entry.model_copy(update={"zones": _packed(entry, zone_image, 8, pending)})
        )
    saved = record.model_copy(update={"generation": record.generation + 1})
    text = (json_text(saved.model_dump(mode="json")) + "\n").encode()
    try:
        _inside(place, _LOCK)
        with FileLock(place / _LOCK, timeout=10):
            _same_generation(place, record.generation)
            for each in pending:
                target = place / each.name
                if not target.is_file() or target.read_bytes() != each.data:
                    write_whole(target, each.data)
            if (place / RECORD).is_file():
                write_whole(place / PREVIOUS, (place / RECORD).read_bytes())
            write_whole(place / RECORD, text)
            _collect(place, saved)
    except Timeout:
        raise SaveError(
            f"{place}: another program has been saving this slab for 10 s; try again"
        ) from None
    except OSError as error:
        raise SaveError(
            f"{place}: could not be saved ({error.strerror or error}); the last save is untouched. "
            "Free some space or choose a folder you may write to, then save again"
        ) from error
    return saved


def _same_generation(place: Path, generation: int) -> None:
    if not (place / RECORD).is_file():
        return
    on_disk = load_slab(place).generation
    if on_disk != generation:
        raise ChangedOnDiskError(
            f"{place}: somebody saved this slab since you opened it (save {on_disk}, yours started "
            f"from {generation}). Nothing was written: reopen it, or save a copy elsewhere"
        )


def _packed(entry: PhotoEntry, image: NDArray[Any], depth: int, pending: list[_Pending]) -> FileRef:
    from slabvision.opencv import cv2

    kind = np.uint16 if depth == 16 else np.uint8
    if image.shape != entry.shape or not np.issubdtype(image.dtype, np.integer):
        raise LabelImageError(
            f"label image for {entry.file} is {image.shape} {image.dtype}; it must be "
            f"whole numbers of {entry.shape}"
        )
    top = int(image.max(initial=0))
    if int(image.min(initial=0)) < 0 or top > np.iinfo(kind).max:
        raise LabelImageError(
            f"label image for {entry.file} holds {top}: more than {depth} bits hold"
        )
    if depth == 16:
        known = np.zeros(top + 1, bool)
        known[[0, *(d.number for d in entry.defects if d.number <= top)]] = True
        stray = np.flatnonzero(np.bincount(image.ravel(), minlength=top + 1)[~known])
        if stray.size:
            numbers = np.flatnonzero(~known)[stray][:5].tolist()
            raise LabelImageError(
                f"label image for {entry.file} holds numbers {numbers} that are not in its table"
            )
    ok, coded = cv2.imencode(".png", image.astype(kind), [cv2.IMWRITE_PNG_COMPRESSION, 3])
    if not ok:
        raise LabelImageError(f"label image for {entry.file} could not be coded as PNG")
    data = coded.tobytes()
    digest = hashlib.sha256(data).hexdigest()
    name = f"{'defects' if depth == 16 else 'zones'}-{digest[:20]}.png"
    pending.append(_Pending(name, data))
    return FileRef(file=name, sha256=digest)


def _collect(place: Path, saved: SlabRecord) -> None:
    """Remove label images that neither this save nor the one before it names."""
    keep = set(_named(saved))
    with contextlib.suppress(RecordError):
        keep |= set(_named(read_record(place / PREVIOUS)))
    for pattern in ("defects-*.png", "zones-*.png", ".*.part"):
        for stale in place.glob(pattern):
            if stale.name not in keep:
                with contextlib.suppress(OSError):
                    stale.unlink()


def _named(record: SlabRecord) -> Iterator[str]:
    for photo in record.photos:
        for ref in (photo.labels, photo.zones):
            if ref is not None:
                yield ref.file


def new_slab(folder: Path | str, photos: list[Path], roles: list[str] | None = None) -> SlabRecord:
    """Make a slab folder from photos: they are copied in, never moved or changed.

    Parameters
    ----------
    folder : path
        Made if missing; must not hold a record yet.
    photos : list of path
        At least one.
    roles : list of str, optional
        Role of each photo; "other" where not said.
    """
    from pydantic import ValidationError

    from slabvision.photo import read_header

    place = Path(folder)
    if (place / RECORD).exists():
        raise RecordError(f"{place}: there is a record already; open it, or choose another folder")
    if not photos:
        raise RecordError("no photos named; a slab record starts from at least one photo")
    names = [path.name for path in photos]
    if len(set(names)) != len(names):
        raise RecordError(
            f"two photos have the same name: {sorted(n for n in names if names.count(n) > 1)}"
        )
    known = roles or ["other"] * len(photos)
    headers = [read_header(path) for path in photos]  # every photo is checked before any is copied
    try:
        entries = [
            PhotoEntry(
                file=path.name,
                sha256=header.sha256,
                shape=header.shape,
                role=role,
                taken_at=header.taken_at.isoformat() if header.taken_at else None,
                focal_px=header.camera.focal_px,
                focal_u=header.camera.focal_u,
                focal_why=header.camera.why,
            )
            for path, header, role in zip(photos, headers, known, strict=True)
        ]
        record = SlabRecord(photos=entries)
    except ValidationError as error:
        raise RecordError(
            f"{_first_fault(error)}. Give the photos plain names, such as face-a.jpg"
        ) from None
    try:
        place.mkdir(parents=True, exist_ok=True)
        for path in photos:
            target = place / path.name
            if not (target.exists() and target.samefile(path)):
                if target.exists():
                    raise RecordError(f"{target}: there is a file of that name already")
                write_whole(target, path.read_bytes())
    except OSError as error:
        raise SaveError(f"{place}: could not be made ({error.strerror or error})") from error
    return save_slab(place, record)
