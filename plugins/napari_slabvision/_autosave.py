"""Unsaved work in a side file, and what came back: never touches ``slab.json``.

Every open slab has a folder of its own under ``slab.autosave/`` with the record and the painted
images as they were a few seconds ago, and a lock that the system lets go of when the program
dies. Work whose lock is free belongs to nobody any more: it is offered when the slab is opened.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import uuid
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from filelock import FileLock, Timeout
from numpy.typing import NDArray

from napari_slabvision._session import Images, Snapshot
from slabvision.opencv import cv2
from slabvision.record import SlabRecord

__all__ = ["AUTOSAVE", "Autosave", "Recovered", "find_left_work"]

AUTOSAVE = "slab.autosave"
EVERY_S = 8.0
"""Longest time between two autosaves while there is something new; with writing under 10 s."""


@dataclass(frozen=True, eq=False)
class Recovered:
    """Work that was not saved.

    Attributes
    ----------
    place : Path
        Where it lies.
    at : datetime
        When it was written.
    snapshot : Snapshot
        The work.
    words : tuple of str
        What it holds beyond the last save.
    """

    place: Path
    at: datetime
    snapshot: Snapshot
    words: tuple[str, ...]

    def forget(self) -> None:
        """Remove it from disk."""
        shutil.rmtree(self.place, ignore_errors=True)
        self.place.with_suffix(".lock").unlink(missing_ok=True)
        with contextlib.suppress(OSError):  # other open slabs may have their work there
            self.place.parent.rmdir()


class Autosave:
    """The side file of one open slab."""

    def __init__(self, folder: Path) -> None:
        self.place = folder / AUTOSAVE / uuid.uuid4().hex[:12]
        # One lock for all threads: workers take turns at writing.
        self._lock = FileLock(self.place.with_suffix(".lock"), timeout=0, thread_local=False)
        self.written_edits = -1

    def write(self, snapshot: Snapshot) -> None:
        """Write a snapshot whole; the one before stays until the new one is complete.

        Raises
        ------
        OSError
            The disk is full or the folder cannot be written to.
        """
        self.place.mkdir(parents=True, exist_ok=True)
        if not self._lock.is_locked:
            self._lock.acquire()
        token = uuid.uuid4().hex[:8]
        images: dict[str, list[str]] = {}
        for number, file in enumerate(sorted(snapshot.painted & set(snapshot.images))):
            held = snapshot.images[file]
            names = [f"{token}-{number}-defects.png", f"{token}-{number}-zones.png"]
            for name, image in zip(names, (held.labels, held.zones), strict=True):
                _write(self.place / name, _coded(image))
            images[file] = names
        data = {
            "written_at": datetime.now().isoformat(timespec="seconds"),
            "images": images,
            "record": snapshot.record.model_dump(mode="json"),
        }
        _write(self.place / "autosave.json", json.dumps(data).encode())
        for old in self.place.glob("*.png"):
            if not old.name.startswith(token):
                old.unlink(missing_ok=True)
        self.written_edits = snapshot.edits

    def clear(self) -> None:
        """Remove the side file: everything is saved."""
        shutil.rmtree(self.place, ignore_errors=True)
        self.written_edits = -1
        self.release()
        self.place.with_suffix(".lock").unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            self.place.parent.rmdir()

    def release(self) -> None:
        """Let go of the side file and leave it where it is."""
        self._lock.release(force=True)


def _coded(image: NDArray[Any]) -> bytes:
    ok, coded = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not ok:
        raise OSError("the painted image could not be coded")
    return bytes(coded.tobytes())


def _write(target: Path, data: bytes) -> None:
    part = target.with_name(f".{target.name}.part")
    with part.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(part, target)


def find_left_work(folder: Path, saved: SlabRecord) -> list[Recovered]:
    """Return unsaved work that no running program owns, newest first.

    Parameters
    ----------
    folder : Path
        The slab's folder.
    saved : SlabRecord
        As it stands on disk, to say what the left work has beyond it.
    """
    found = []
    for path in sorted((folder / AUTOSAVE).glob("*/autosave.json")):
        lock = FileLock(path.parent.with_suffix(".lock"), timeout=0)
        try:
            with lock:
                found.append(_read(folder, path, saved))
        except Timeout:
            continue  # open in another viewer right now
        except (OSError, ValueError, KeyError, TypeError):
            continue  # broken; it stays on disk for whoever wants to look
    return sorted(found, key=lambda each: each.at, reverse=True)


def _read(folder: Path, path: Path, saved: SlabRecord) -> Recovered:
    data = json.loads(path.read_bytes())
    record = SlabRecord.model_validate(data["record"])
    images = {}
    for file, (labels, zones) in data["images"].items():
        entry = record.photo(file)
        both = [_decoded(path.parent, name, entry.shape) for name in (labels, zones)]
        images[file] = Images(both[0].astype(np.uint16), both[1].astype(np.uint8))
    refs = {p.file: {"labels": p.labels, "zones": p.zones} for p in saved.photos}
    photos = [p.model_copy(update=refs.get(p.file, {})) for p in record.photos]
    later = saved.generation != record.generation
    record = record.model_copy(update={"photos": photos, "generation": saved.generation})
    snapshot = Snapshot(folder, record, images, frozenset(images), 0)
    words = what_came_back(snapshot, saved)
    if later:
        words = (*words, "the slab was saved by somebody else since: look twice before you save")
    return Recovered(path.parent, datetime.fromisoformat(data["written_at"]), snapshot, words)


def _decoded(place: Path, name: str, shape: tuple[int, int]) -> NDArray[Any]:
    if Path(name).name != name:
        raise ValueError(f"{name!r} leads out of the autosave folder")
    image = cv2.imdecode(np.frombuffer((place / name).read_bytes(), np.uint8), cv2.IMREAD_UNCHANGED)
    if image is None or image.shape != shape:
        raise ValueError(f"{name} is broken")
    return np.asarray(image)


def what_came_back(snapshot: Snapshot, saved: SlabRecord) -> tuple[str, ...]:
    """Return in words what a snapshot has beyond the saved record."""
    from slabvision.store import RecordError, read_labels, read_zones

    known = {p.file: p for p in saved.photos}
    words = []
    for entry in snapshot.record.photos:
        before = known.get(entry.file)
        if before is None:
            words.append(f"{entry.file}: a new photo")
            continue
        parts = []
        if entry.marks != before.marks:
            parts.append(f"reference marks ({len(entry.marks)}, saved {len(before.marks)})")
        for name, title in (("arris", "arris outline"), ("widest", "widest outline")):
            if getattr(entry, name) != getattr(before, name):
                parts.append(title)
        if entry.file in snapshot.images:
            held = snapshot.images[entry.file]
            try:
                old = (read_labels(snapshot.folder, before), read_zones(snapshot.folder, before))
            except RecordError:
                old = (np.zeros_like(held.labels), np.zeros_like(held.zones))
            painted = int(np.count_nonzero(held.labels != old[0]))
            if painted:
                numbers = np.unique(held.labels[held.labels != old[0]])
                count = int(np.count_nonzero(numbers))
                parts.append(f"painting in {count} defects ({painted:,} pixels)")
            zoned = int(np.count_nonzero(held.zones != old[1]))
            if zoned:
                parts.append(f"zones ({zoned:,} pixels)")
        elif entry.defects != before.defects:
            parts.append("notes on defects")
        same = {"marks", "arris", "widest", "defects", "labels", "zones"}
        others = [
            name
            for name in type(entry).model_fields
            if name not in same and getattr(entry, name) != getattr(before, name)
        ]
        parts += [name.replace("_", " ") for name in others]
        if parts:
            words.append(f"{entry.file}: {', '.join(parts)}")
    if snapshot.record.notebook != saved.notebook:
        words.append("the notebook")
    return tuple(words) or ("nothing that is not saved already",)
