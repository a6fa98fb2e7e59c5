"""The bench: one viewer, the slab on it, and everything that follows when something changes.

Widgets listen to its signals and call its methods; it knows no widget.
"""

from __future__ import annotations

import contextlib
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QObject, QTimer, Signal

from napari_slabvision import _settings
from napari_slabvision._clicking import Clicking
from napari_slabvision._drawing import Drawing
from napari_slabvision._jobs import Jobs, Task
from napari_slabvision._measuring import Measuring
from napari_slabvision._missing import Look, look_at
from napari_slabvision._owned import KEY, find, fit_to_zoom, owned, remove_owned, role_of
from napari_slabvision._painting import Painting
from napari_slabvision._photo_layers import photo_layers
from napari_slabvision._saving import Saving
from napari_slabvision._session import Images, SlabSession
from napari_slabvision._showing import show_layers
from napari_slabvision._suggesting import Suggesting
from napari_slabvision._tool_run import ToolRun
from slabvision.record import PhotoEntry

__all__ = ["Bench"]


@dataclass(frozen=True, eq=False)
class _Opened:
    entry: PhotoEntry
    pixels: NDArray[np.uint8]
    images: Images


class Bench(QObject):
    """What is open in one viewer.

    Signals
    -------
    slab_changed
        Another slab was opened, or none is open.
    photo_changed
        Another photo is shown; its layers are there.
    record_changed(str)
        Something of the record changed, and what.
    said(str, bool)
        A sentence for the person; True when it is about something that went wrong.
    unit_changed
        Inches or millimetres.
    """

    slab_changed = Signal()
    photo_changed = Signal()
    record_changed = Signal(str)
    said = Signal(str, bool)
    unit_changed = Signal()
    closing = Signal()

    def __init__(self, viewer: Any, parent: QObject | None = None) -> None:
        super().__init__(parent)
        # The proxy that napari hands out makes new objects at every look; only public names are
        # used below either way.
        self.viewer = getattr(viewer, "__wrapped__", viewer)
        self.jobs = Jobs(self)
        self.session: SlabSession | None = None
        self.looks: dict[str, Look] = {}
        self._unit = _settings.unit()
        self._decoded: OrderedDict[str, _Opened] = OrderedDict()
        self._switching = False
        self.painting = Painting(self)
        self.drawing = Drawing(self)
        self.measuring = Measuring(self)
        self.saving = Saving(self)
        self.clicking = Clicking(self)
        self.tool_run = ToolRun(self)
        self.suggesting = Suggesting(self)
        self.viewer.layers.events.removed.connect(self._layer_removed)
        self.viewer.layers.events.inserted.connect(self._layer_inserted)
        self._zoom_timer = QTimer(self)
        self._zoom_timer.setSingleShot(True)
        self._zoom_timer.setInterval(120)
        self._zoom_timer.timeout.connect(self._fit_lines)
        self.viewer.scene.camera.events.zoom.connect(self._zoomed)
        self.jobs.start("warm up", "", lambda _: warm_up(), lambda _: None, lambda _: None)

    # Slabs -----------------------------------------------------------------------------------

    def open_slab(self, folder: Path | str) -> bool:
        """Open a slab folder; what is wrong with it is said, not raised."""
        from slabvision.store import RecordError

        try:
            session = SlabSession.open(folder)
        except RecordError as error:
            self.said.emit(str(error), True)
            return False
        self.take_on(session)
        if session.read_only:
            self.said.emit(session.read_only, True)
        return True

    def take_on(self, session: SlabSession) -> None:
        """Put a slab on the bench in place of the one that lay there."""
        self.put_away()
        self.session = session
        session.on_edit.append(self._edited)
        session.collect = self.painting.collected
        self.looks = {}
        self.saving.begin(session)
        self.slab_changed.emit()
        if session.file:
            self.show_photo(session.file)
        else:
            self.said.emit("There is no photo in this slab yet: add one.", False)

    def put_away(self) -> None:
        """Take the slab off the bench; unsaved work stays in its side file."""
        if self.session is not None:
            self.jobs.stop()
            self.saving.end()
        self._remove_layers()
        self.session = None
        self._decoded.clear()

    def _remove_layers(self) -> None:
        # Also those an earlier dock left: their undo would bring old strokes into new images.
        self._switching = True
        try:
            remove_owned(self.viewer)
        finally:
            self._switching = False

    def adopt(self) -> None:
        """Take over a slab that napari's own Open or Open Sample put into the viewer."""
        for layer in owned(self.viewer):
            folder = layer.metadata[KEY].get("folder")
            if folder and (self.session is None or str(self.session.folder) != folder):
                self._remove_layers()
                self.open_slab(folder)
                return

    def _layer_inserted(self, event: Any) -> None:
        if not self._switching and KEY in event.value.metadata:
            QTimer.singleShot(0, self.adopt)

    def _edited(self, what: str) -> None:
        self.record_changed.emit(what)

    def close(self) -> None:
        """Keep unsaved work and let go of the viewer."""
        with contextlib.suppress(ValueError, RuntimeError):
            self.viewer.scene.camera.events.zoom.disconnect(self._zoomed)
            self.viewer.layers.events.removed.disconnect(self._layer_removed)
            self.viewer.layers.events.inserted.disconnect(self._layer_inserted)
        self.painting.close()
        self.closing.emit()
        self.saving.end()
        self.jobs.stop()
        self._remove_layers()
        self.session = None

    # Photos ----------------------------------------------------------------------------------

    def show_photo(self, file: str) -> None:
        """Show another photo of the slab with everything drawn on it."""
        session = self.session
        if session is None:
            return
        entry = session.record.photo(file)
        held = self._decoded.get(file)
        if held is not None:
            images = session.images.get(file, held.images)
            self._opened(_Opened(entry, held.pixels, images))
            return
        self.jobs.start(
            "open photo",
            f"opening {file}",
            lambda task: _open_photo(session, entry, task),
            self._opened,
            lambda error: self.said.emit(str(error), True),
        )

    def _opened(self, opened: _Opened) -> None:
        session = self.session
        if session is None:
            return
        self.clicking.discard()
        if self.photo_layer is not None:
            session.leave_photo()
        session.file = opened.entry.file
        session.images[session.file] = opened.images
        self._decoded[session.file] = opened
        self._decoded.move_to_end(session.file)
        while len(self._decoded) > 3:
            self._decoded.popitem(last=False)
        self.rebuild()
        if session.file not in self.looks:
            self.jobs.start(
                f"look at {session.file}",
                "",
                lambda _: look_at(opened.pixels),
                lambda look: self._looked(opened.entry.file, look),
                lambda error: self.said.emit(str(error), True),
            )

    def _looked(self, file: str, look: Look) -> None:
        self.looks[file] = look
        self.record_changed.emit("looked at")

    def rebuild(self) -> None:
        """Make the layers of the current photo anew from record and images."""
        session = self.session
        if session is None or session.file not in session.images:
            return
        opened = self._decoded[session.file]
        first = self.photo_layer is None
        made = photo_layers(session.entry, opened.pixels, session.images[session.file], self.unit)
        self._switching = True
        try:
            with self.drawing.quietly():
                show_layers(self.viewer, made, self.add, self.painting.with_history)
        finally:
            self._switching = False
        if first:
            self.viewer.reset_view()
        self.viewer.layers.selection.active = find(self.viewer, "defects")
        self.painting.attach()
        self.drawing.attach()
        self._fit_lines()
        self.show_texts(self._texts)
        self.photo_changed.emit()

    def add(self, data: Any, arguments: dict[str, Any], kind: str) -> Any:
        """Add a layer of ours."""
        if kind == "shapes" and not len(data):
            each = ("shape_type", "edge_color")
            arguments = {k: v for k, v in arguments.items() if k not in each}
            arguments["ndim"], data = 2, None
        layer = getattr(self.viewer, f"add_{kind}")(data, **arguments)
        fit_to_zoom(layer, float(self.viewer.scene.camera.zoom))
        return layer

    def show_texts(self, role: str) -> None:
        """Show the words beside the points of one layer of ours, and of no other."""
        self._texts = role
        for each in ("marks", "spots"):
            layer = find(self.viewer, each)
            if layer is not None:
                layer.text.visible = each == role

    _texts = "marks"

    def _zoomed(self, event: Any = None) -> None:
        self._zoom_timer.start()

    def _fit_lines(self) -> None:
        """Keep lines and points as wide on the screen, so that they can be seen and placed."""
        zoom = float(self.viewer.scene.camera.zoom)
        if zoom > 0:
            for layer in owned(self.viewer):
                fit_to_zoom(layer, zoom)
            self.drawing.spread_readings()

    @property
    def photo_layer(self) -> Any | None:
        """The photo's own layer."""
        return find(self.viewer, "photo")

    @property
    def pixels(self) -> NDArray[np.uint8] | None:
        """The photo's pixels, upright RGB."""
        if self.session is None or self.session.file not in self._decoded:
            return None
        return self._decoded[self.session.file].pixels

    def _layer_removed(self, event: Any) -> None:
        if self._switching or self.session is None:
            return
        role = role_of(event.value)
        if role in ("photo", "defects", "zones", "outline", "marks", "spots"):
            # What was drawn is in the record and its arrays: only the view of it went.
            if role == "defects":
                self.painting.keep_table(event.value)
            self.said.emit(
                f"The layer with the {_WORDS[role]} was closed; nothing is lost. "
                "Use 'Show all layers' to bring it back.",
                False,
            )
            QTimer.singleShot(0, self.photo_changed.emit)

    @property
    def layers_missing(self) -> bool:
        """Whether a layer of the photo was closed by hand."""
        if self.session is None or self.session.file not in self.session.images:
            return False
        roles = {role_of(layer) for layer in owned(self.viewer)}
        return not {"photo", "defects", "zones", "outline", "marks"} <= roles

    # Units -----------------------------------------------------------------------------------

    @property
    def unit(self) -> str:
        """``"in"`` or ``"mm"``: what the person reads and types."""
        return self._unit

    def set_unit(self, unit: str) -> None:
        """Read and type in the other unit from now on."""
        if unit != self._unit:
            self._unit = unit
            _settings.keep_unit(unit)
            self.drawing.refresh_marks()
            self.unit_changed.emit()


_WORDS = {
    "photo": "photo",
    "defects": "defects",
    "zones": "zones",
    "outline": "outline",
    "marks": "reference marks",
    "spots": "named spots",
}


def warm_up() -> None:
    """Load what the first slab needs, so that the window does not wait for it.

    Imports only: registries that are filled on first use (pint's) must not be begun in a thread.
    """
    import scipy.ndimage
    import shapely

    import slabvision.measure
    import slabvision.photo
    import slabvision.store

    _ = scipy.ndimage.label, shapely.Polygon
    _ = slabvision.measure, slabvision.photo, slabvision.store


def _open_photo(session: SlabSession, entry: PhotoEntry, task: Task) -> _Opened:
    from slabvision.photo import read_photo
    from slabvision.store import check_photo

    path = check_photo(session.folder, entry)
    task.go_on()
    pixels = read_photo(path, allow_panorama=True).pixels
    task.go_on()
    return _Opened(entry, pixels, session.read_images(entry))
