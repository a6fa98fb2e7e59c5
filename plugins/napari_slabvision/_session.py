"""One slab under work: its folder, its record, and the images that are being painted.

No window and no napari here. Everything is the record plus arrays; whoever shows it can throw
itself away and be built again from them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slabvision.record import Notebook, PhotoEntry, SlabRecord

__all__ = ["Images", "SlabSession", "Snapshot", "save_snapshot"]

_STEPS_BACK = 100


@dataclass(frozen=True, eq=False)
class Images:
    """Label image and zones' image of one photo: the very arrays that are painted."""

    labels: NDArray[np.uint16]
    zones: NDArray[np.uint8]

    def copy(self) -> Images:
        """Return them as they are now."""
        return Images(self.labels.copy(), self.zones.copy())


@dataclass(frozen=True, eq=False)
class Snapshot:
    """Everything at one moment, safe to read from another thread."""

    folder: Path
    record: SlabRecord
    images: Mapping[str, Images]
    painted: frozenset[str]
    """Photos whose images are not yet on disk as they are here."""
    edits: int

    def images_of(self, entry: PhotoEntry) -> tuple[NDArray[np.uint16], NDArray[np.uint8]]:
        """Return the images of a photo: those at hand, else those on disk."""
        from slabvision.store import check_photo, read_labels, read_zones

        if entry.file in self.images:
            held = self.images[entry.file]
            return held.labels, held.zones
        check_photo(self.folder, entry)
        return read_labels(self.folder, entry), read_zones(self.folder, entry)


@dataclass
class _Drawn:
    file: str
    before: PhotoEntry


@dataclass
class SlabSession:
    """The working state of one slab folder.

    Attributes
    ----------
    folder : Path
        The slab's folder.
    record : SlabRecord
        As it stands now.
    file : str
        The photo being looked at.
    images : dict of str to Images
        Of the photos opened so far.
    painted : set of str
        Photos whose images differ from the last save.
    read_only : str
        Why nothing of it can be saved (a newer record); empty when it can.
    """

    folder: Path
    record: SlabRecord
    file: str = ""
    images: dict[str, Images] = field(default_factory=dict)
    painted: set[str] = field(default_factory=set)
    read_only: str = ""
    edits: int = 0
    saved_edits: int = 0
    collect: Callable[[PhotoEntry], PhotoEntry] | None = None
    """Adds what lives in the viewer's layers (the table of defects) to an entry."""
    on_edit: list[Callable[[str], None]] = field(default_factory=list)
    _back: list[_Drawn] = field(default_factory=list)
    _forward: list[_Drawn] = field(default_factory=list)

    @classmethod
    def open(cls, folder: Path | str) -> SlabSession:
        """Open a slab folder; the first photo of a face is looked at first."""
        from slabvision.store import look_at_slab

        record, read_only = look_at_slab(folder)
        session = cls(Path(folder).resolve(), record, read_only=read_only)
        session.file = first_photo(record)
        return session

    # What is looked at -----------------------------------------------------------------------

    @property
    def entry(self) -> PhotoEntry:
        """The entry of the photo being looked at."""
        return self.record.photo(self.file)

    @property
    def dirty(self) -> bool:
        """Whether anything changed since the last save."""
        return self.edits != self.saved_edits

    def read_images(self, entry: PhotoEntry) -> Images:
        """Return the images of a photo, read from disk the first time."""
        from slabvision.store import read_labels, read_zones

        held = self.images.get(entry.file)
        if held is None:
            held = Images(read_labels(self.folder, entry), read_zones(self.folder, entry))
        return held

    # Changes ---------------------------------------------------------------------------------

    def touch(self, what: str) -> None:
        """Note that something changed."""
        self.edits += 1
        for call in list(self.on_edit):
            call(what)

    def touch_images(self) -> None:
        """Note that the current photo was painted on."""
        self.painted.add(self.file)
        self.touch("images")

    def change_entry(
        self, what: str, *, file: str = "", undoable: bool = True, **changes: Any
    ) -> None:
        """Change fields of a photo's entry; the record checks them.

        Raises
        ------
        ValueError
            A value that a record cannot hold.
        """
        entry = self.record.photo(file or self.file)
        known = {name: getattr(entry, name) for name in type(entry).model_fields}
        changed = type(entry).model_validate(known | changes)
        if changed == entry:
            return
        if undoable:
            self._back.append(_Drawn(entry.file, entry))
            del self._back[:-_STEPS_BACK]
            self._forward.clear()
        self._replace(changed)
        self.touch(what)

    def change_notebook(self, **changes: Any) -> None:
        """Change fields of the notebook."""
        book = self.record.notebook
        known = {name: getattr(book, name) for name in type(book).model_fields}
        changed = Notebook.model_validate(known | changes)
        if changed != book:
            self.record = self.record.model_copy(update={"notebook": changed})
            self.touch("notebook")

    def _replace(self, entry: PhotoEntry) -> None:
        photos = [entry if p.file == entry.file else p for p in self.record.photos]
        self.record = self.record.model_copy(update={"photos": photos})

    def undo_drawn(self) -> bool:
        """Take back the last change of marks or outline in this photo."""
        return self._step(self._back, self._forward)

    def redo_drawn(self) -> bool:
        """Do again what was taken back."""
        return self._step(self._forward, self._back)

    def _step(self, source: list[_Drawn], target: list[_Drawn]) -> bool:
        if not source or source[-1].file != self.file:
            return False
        step = source.pop()
        now = self.record.photo(step.file)
        target.append(_Drawn(step.file, now))
        # Saved images and the table of defects belong to now, whatever was drawn before.
        kept = {name: getattr(now, name) for name in ("labels", "zones", "defects")}
        self._replace(step.before.model_copy(update=kept))
        self.touch("drawn")
        return True

    # Keeping ---------------------------------------------------------------------------------

    def gather(self) -> None:
        """Bring the table of defects from the layers into the record."""
        if self.file in self.images:
            entry = self.collect(self.entry) if self.collect else self.entry
            if entry != self.entry:
                self._replace(entry)

    def snapshot(self) -> Snapshot:
        """Return everything as it is now, for measuring and saving elsewhere."""
        self.gather()
        held = {
            file: images.copy()
            for file, images in self.images.items()
            if file in self.painted or file == self.file
        }
        return Snapshot(self.folder, self.record, held, frozenset(self.painted), self.edits)

    def saved_as(self, saved: SlabRecord, snapshot: Snapshot) -> None:
        """Take over what a save wrote; edits made meanwhile stay unsaved."""
        refs = {p.file: {"labels": p.labels, "zones": p.zones} for p in saved.photos}
        photos = [p.model_copy(update=refs.get(p.file, {})) for p in self.record.photos]
        self.record = self.record.model_copy(
            update={"photos": photos, "generation": saved.generation}
        )
        self.saved_edits = snapshot.edits
        if self.edits == snapshot.edits:
            self.painted -= snapshot.painted

    def leave_photo(self) -> None:
        """Bring the record up to date and forget images that are on disk anyway."""
        self.gather()
        if self.file not in self.painted:
            self.images.pop(self.file, None)


def first_photo(record: SlabRecord) -> str:
    """Return the photo to begin with: a face if there is one."""
    faces = [p.file for p in record.photos if p.role.startswith("face")]
    return (faces or [p.file for p in record.photos] or [""])[0]


def save_snapshot(snapshot: Snapshot) -> SlabRecord:
    """Save a snapshot into its folder; safe to run beside painting.

    Raises
    ------
    slabvision.store.RecordError
        Nothing was written; the message says what to do.
    """
    from slabvision.store import save_slab

    painted = {f: i for f, i in snapshot.images.items() if f in snapshot.painted}
    return save_slab(
        snapshot.folder,
        snapshot.record,
        labels={file: images.labels for file, images in painted.items()},
        zones={file: images.zones for file, images in painted.items()},
    )
