"""Reference marks, outline and named spots as layers that can be dragged; everything follows.

napari keeps no history for points and shapes: these steps are undone through the session.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtCore import QObject

from napari_slabvision._marks import marks_to_points, spread_texts, with_points
from napari_slabvision._outline_shape import on_frame
from napari_slabvision._owned import find, fit_to_zoom
from napari_slabvision._photo_layers import (
    outline_layer,
    outlines_from,
    reference_layers,
    spots_layer,
)
from napari_slabvision._showing import refill_drawn, same_shapes
from slabvision.record import Outline

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench
    from slabvision.record import Mark

__all__ = ["Drawing"]

_DONE = ("changed", "removed", "added")


class Drawing(QObject):
    """What is drawn, not painted, on the photo on the bench."""

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.bench = bench
        self._refreshing = False
        self.which = "arris"
        """The outline that is drawn next: arris or widest."""
        self.bark = "unsaid"
        """What was said of its bark before there is one."""
        bench.record_changed.connect(self._record_changed)

    def attach(self) -> None:
        """Listen to the layers of the photo that was just opened."""
        for role, call in (
            ("marks", self._marks_moved),
            ("outline", self._outline_moved),
            ("spots", self._spots_moved),
        ):
            layer = find(self.bench.viewer, role)
            if layer is None:
                continue
            layer.events.data.connect(call)
            layer.bind_key("Control-Z", lambda _: self.undo(), overwrite=True)
            layer.bind_key("Control-Shift-Z", lambda _: self.redo(), overwrite=True)
        lines = find(self.bench.viewer, "mark lines")
        if lines is not None:
            lines.editable = False

    def undo(self) -> None:
        """Take back the last change of marks, outline or spots."""
        if self.bench.session is not None:
            self.bench.session.undo_drawn()

    def redo(self) -> None:
        """Do it again."""
        if self.bench.session is not None:
            self.bench.session.redo_drawn()

    def _record_changed(self, what: str) -> None:
        if what in ("drawn", "marks"):
            self.refresh_marks()
        if what in ("drawn", "outline"):
            self._refresh("outline", outline_layer)
        if what in ("drawn", "spots"):
            self._refresh("spots", spots_layer)

    # Marks -----------------------------------------------------------------------------------

    def add_mark(self, mark: Mark) -> bool:
        """Add a reference mark; what is wrong with it is said."""
        session = self.bench.session
        if session is None:
            return False
        return self._try("marks", marks=[*session.entry.marks, mark])

    def replace_mark(self, name: str, mark: Mark | None) -> bool:
        """Put another mark in the place of the named one, or take it away."""
        session = self.bench.session
        if session is None:
            return False
        marks = [mark if m.name == name else m for m in session.entry.marks]
        return self._try("marks", marks=[m for m in marks if m is not None])

    def free_name(self, word: str) -> str:
        """Return a name that no mark of this photo has."""
        session = self.bench.session
        taken = {m.name for m in session.entry.marks} if session else set()
        names = (word, *(f"{word} {i}" for i in range(2, 200)))
        return next(name for name in names if name not in taken)

    def _try(self, what: str, **changes: Any) -> bool:
        session = self.bench.session
        if session is None:
            return False
        try:
            session.change_entry(what, **changes)
        except ValueError as error:
            self.bench.said.emit(_first_line(error), True)
            return False
        return True

    def _marks_moved(self, event: Any) -> None:
        session = self.bench.session
        if self._refreshing or session is None or str(event.action) not in _DONE:
            return
        layer = event.source
        table = {key: list(layer.features[key]) for key in ("mark", "point")}
        marks = with_points(session.entry.marks, np.asarray(layer.data), table)
        if not self._try("marks", marks=marks) or len(layer.data) != _count(marks):
            self.refresh_marks()

    def refresh_marks(self) -> None:
        """Show the marks as they stand in the record."""
        session = self.bench.session
        layer = find(self.bench.viewer, "marks")
        if session is None or layer is None:
            return
        points, table = marks_to_points(session.entry.marks, self.bench.unit)
        self._refreshing = True
        try:
            if len(points) != len(layer.data) or not np.array_equal(points, layer.data):
                layer.selected_data = set()
                layer.data = points
            layer.features = table
        finally:
            self._refreshing = False
        self.spread_readings()
        self._refresh("mark lines", lambda entry: reference_layers(entry)[0])

    def spread_readings(self) -> None:
        """Show the readings that have room at this zoom."""
        session, layer = self.bench.session, find(self.bench.viewer, "marks")
        if session is None or layer is None or not len(layer.data):
            return
        points, table = marks_to_points(session.entry.marks, self.bench.unit)
        if len(points) != len(layer.data):
            return
        zoom = float(self.bench.viewer.scene.camera.zoom)
        texts = spread_texts(points, table["text"], zoom)
        if list(layer.features["text"]) != texts:
            layer.features = {**table, "text": texts}
        layer.refresh_text()

    # Outline and spots -----------------------------------------------------------------------

    def set_outline(self, which: str, outline: Outline | None) -> bool:
        """Set or remove the arris or the widest outline."""
        return self._try("outline", **{which: outline})

    @property
    def outline(self) -> Outline | None:
        """The outline that is drawn next, as it stands."""
        session = self.bench.session
        return getattr(session.entry, self.which) if session and session.file else None

    @property
    def bark_said(self) -> str:
        """What was said of that outline's bark."""
        return self.outline.bark if self.outline is not None else self.bark

    def take_outline(
        self, points: Any, tool: str, *, bark: str = "unsaid", cut_off: bool = False
    ) -> bool:
        """Set the outline that is drawn next from its corners; bark stays as it was said."""
        session = self.bench.session
        if session is None:
            return False
        at = [(float(r), float(c)) for r, c in points]
        said: Any = bark if self.bark_said == "unsaid" else self.bark_said
        try:
            outline = Outline(
                points=at, tool=tool, bark=said, open=cut_off or on_frame(at, session.entry.shape)
            )
        except ValueError as error:
            self.bench.said.emit(_first_line(error), True)
            return False
        return self.set_outline(self.which, outline)

    def _outline_moved(self, event: Any) -> None:
        session = self.bench.session
        if self._refreshing or session is None or str(event.action) not in _DONE:
            return
        layer = event.source
        names = [str(name) for name in layer.features["outline"]]
        changes = outlines_from(session.entry, list(layer.data), names)
        self._refreshing = True  # the layer shows it already; making it anew would end the drag
        try:
            self._try("outline", **changes)
        finally:
            self._refreshing = False
        if len(set(names)) != len(names):
            self._refresh("outline", outline_layer)

    def _spots_moved(self, event: Any) -> None:
        session = self.bench.session
        if self._refreshing or session is None or str(event.action) not in _DONE:
            return
        layer = event.source
        at = {
            str(n): (float(p[0]), float(p[1]))
            for n, p in zip(layer.features["name"], layer.data, strict=True)
        }
        entry = session.entry
        grain = entry.end_grain
        if grain is not None and grain.pith_hint is not None:
            grain = grain.model_copy(update={"pith_hint": at.get("pith about here")})
        marks = [
            m.model_copy(update={"point": at[m.name]}) for m in entry.landmarks if m.name in at
        ]
        self._try("spots", end_a=at.get("end A"), end_grain=grain, landmarks=marks)

    def _refresh(self, role: str, make: Any) -> None:
        """Show drawn shapes or points as they stand in the record."""
        session = self.bench.session
        layer = find(self.bench.viewer, role)
        if session is None or layer is None or self._refreshing:
            return
        data, arguments, kind = make(session.entry)
        if _shows(layer, data, arguments):
            return
        with self.quietly():
            refill_drawn(layer, data, arguments, kind)
            fit_to_zoom(layer, float(self.bench.viewer.scene.camera.zoom))

    @contextmanager
    def quietly(self) -> Iterator[None]:
        """Change the layers without taking that for an edit."""
        before, self._refreshing = self._refreshing, True
        try:
            yield
        finally:
            self._refreshing = before


def _shows(layer: Any, data: Any, arguments: dict[str, Any]) -> bool:
    features = arguments.get("features", {})
    return same_shapes(layer, data) and all(
        list(layer.features[name]) == list(values) for name, values in features.items()
    )


def _count(marks: list[Mark]) -> int:
    return len(marks_to_points(marks)[0])


def _first_line(error: Exception) -> str:
    faults = getattr(error, "errors", None)
    if callable(faults):
        first = faults()[0]
        return str(first["msg"]).removeprefix("Value error, ")
    return str(error)
