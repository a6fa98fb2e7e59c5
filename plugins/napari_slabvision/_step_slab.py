"""Step 1, slab and notebook: open a slab, say what each photo shows, see what is missing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import QCheckBox, QFileDialog, QVBoxLayout, QWidget
from superqt import QCollapsible

from napari_slabvision._jobs import Task
from napari_slabvision._missing import all_retakes, still_missing
from napari_slabvision._notebook_form import NotebookForm
from napari_slabvision._parts import Choice, Message, button, form, hint, row
from slabvision.record import ROLES

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["SlabStep"]

_WORDS = {
    "face A": "face A",
    "face B": "face B",
    "end A": "end A (sawn end)",
    "end B": "end B (sawn end)",
    "edge": "edge, from the side",
    "other": "not said yet",
}
_PHOTOS = "Photos (*.jpg *.jpeg *.png *.tif *.tiff *.webp *.heic *.heif)"


class SlabStep(QWidget):
    """Open or make a slab folder; roles of photos; notebook; what is still missing."""

    title = "Slab and notebook"

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.role = Choice([(r, _WORDS[r]) for r in ROLES], "What the photo shows")
        self.role.chosen.connect(lambda role: self._fact(role=role))
        self.wet = QCheckBox("The face was wet in this photo")
        self.wet.setToolTip("Checks close when wet: their keep-out is doubled")
        self.wet.toggled.connect(lambda wet: self._fact(wet_face=wet))
        self.lens = hint()
        self.missing = Message()
        self.retakes = Message()
        self.notebook = NotebookForm(bench)
        folded = QCollapsible("Notebook")
        folded.layout().setContentsMargins(0, 0, 0, 0)
        folded.content().layout().setContentsMargins(0, 0, 0, 0)
        folded.addWidget(self.notebook)
        folded.expand(animate=False)
        self.photo_form = form(("this photo", self.role))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 4, 4, 4)
        layout.setSpacing(5)
        for widget in (
            row(
                button("Open a slab…", self.ask_folder, "A folder with slab.json"),
                button("New from photos…", self.ask_photos, "Photos are copied, never changed"),
            ),
            row(
                button("From open photos", self.from_open_layers, "Photos opened in napari itself"),
                button("Sample slab", self.open_sample, "Invented demonstration data"),
            ),
            self.photo_form,
            self.wet,
            self.lens,
            self.missing,
            self.retakes,
            folded,
        ):
            layout.addWidget(widget)
        bench.slab_changed.connect(self._show)
        bench.photo_changed.connect(self._show)
        bench.record_changed.connect(self._record_changed)
        bench.measuring.plane_changed.connect(self._show_missing)
        self._show()

    def _record_changed(self, what: str) -> None:
        if what != "images":
            self._show()

    def _show(self) -> None:
        session = self.bench.session
        there = session is not None and bool(session.file)
        self.photo_form.setVisible(there)
        self.wet.setVisible(there)
        self.lens.setVisible(there)
        if there and session is not None:
            entry = session.entry
            self.role.show_value(entry.role)
            self.wet.blockSignals(True)
            self.wet.setChecked(entry.wet_face)
            self.wet.blockSignals(False)
            self.lens.setText(f"Lens: {entry.focal_why}" if entry.focal_why else "")
        self._show_missing()

    def _show_missing(self) -> None:
        session = self.bench.session
        if session is None:
            self.missing.say("Open a slab folder, or make one from this morning's photos.")
            self.retakes.say("")
            return
        missing = still_missing(session.record)
        listed = "Still missing:\n" + "\n".join(f"•  {word}" for word in missing)
        self.missing.say(listed if missing else "Nothing is missing.")
        again = all_retakes(session.record, self.bench.looks, self.bench.measuring.tilts)
        told = "Take again while you are there:\n" + "\n".join(f"•  {word}" for word in again)
        self.retakes.say(told if again else "", warn=True)

    def _fact(self, **changes: Any) -> None:
        session = self.bench.session
        if session is not None and session.file:
            session.change_entry("photo facts", undoable=False, **changes)

    # Opening ---------------------------------------------------------------------------------

    def ask_folder(self) -> None:
        """Ask for a slab folder."""
        folder = QFileDialog.getExistingDirectory(self, "Slab folder")
        if folder:
            self.bench.open_slab(folder)

    def ask_photos(self) -> None:
        """Ask for photos and a folder, and make a slab of them."""
        photos, _ = QFileDialog.getOpenFileNames(self, "Photos of one slab", "", _PHOTOS)
        if not photos:
            return
        folder = QFileDialog.getExistingDirectory(self, "Empty folder for the slab")
        if folder:
            self.make(Path(folder), [Path(photo) for photo in photos])

    def make(self, folder: Path, photos: list[Path]) -> None:
        """Make a slab folder from photos, looking for printed boards on them."""
        from slabvision.start import start_slab

        self.bench.jobs.start(
            "make slab",
            "making the slab",
            lambda task: start_slab(folder, photos, progress=_watched(task)),
            lambda made: self._made(folder, made[1]),
            lambda error: self.bench.said.emit(str(error), True),
            lambda: self.bench.said.emit(f"Stopped. What was made so far lies in {folder}.", True),
        )

    def _made(self, folder: Path, said: list[str]) -> None:
        if self.bench.open_slab(folder) and said:
            self.bench.said.emit("\n".join(said), False)

    def from_open_layers(self) -> None:
        """Make a slab of the photos that were opened through napari itself."""
        photos = open_photos(self.bench.viewer)
        if not photos:
            self.bench.said.emit("No photo is open in napari that is not in a slab already.", False)
            return
        folder = QFileDialog.getExistingDirectory(self, "Empty folder for the slab")
        if folder:
            self.make(Path(folder), photos)

    def open_sample(self) -> None:
        """Open a copy of the sample slab."""
        from napari_slabvision._sample import copy_of_sample

        self.bench.open_slab(copy_of_sample())


def _watched(task: Task) -> Any:
    """Return how the library goes through photos: a stop ends it before the next one."""

    def through(paths: list[Path], words: str) -> Iterator[Path]:
        for number, path in enumerate(paths, start=1):
            task.go_on(f"{words.lower()}, {number} of {len(paths)}")
            yield path

    return through


def open_photos(viewer: Any) -> list[Path]:
    """Return the files of image layers that are not ours, each once.

    Only the files count: napari's own reader does not turn phone photos upright, so its pixels
    are not used.
    """
    from napari_slabvision._owned import role_of

    found: list[Path] = []
    for layer in viewer.layers:
        source = getattr(layer.source, "path", None)
        if source and not role_of(layer) and type(layer).__name__ == "Image":
            path = Path(source)
            if path.is_file() and path not in found:
                found.append(path)
    return found
