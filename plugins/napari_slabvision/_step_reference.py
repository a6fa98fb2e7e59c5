"""Step 2, the reference: what of known size lies in the picture, and where it lies."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QLineEdit, QListWidget, QListWidgetItem, QVBoxLayout, QWidget

from napari_slabvision._clicking import Point, Wanted
from napari_slabvision._parts import Choice, LengthEdit, Message, button, form, hint, in_unit, row
from slabvision.record import LengthMark, Mark, RectangleMark, SquareMark, TapeMark
from slabvision.units import BadLengthError, parse_length_mm

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["PLACES", "ReferenceStep", "parse_readings", "place_fields"]

PLACES: list[tuple[str, str]] = [
    ("unsaid", "not sure"),
    ("face", "flat on the face"),
    ("hooked", "hooked over an end, along the face"),
    ("ground", "on the ground beside the slab"),
]
_HOOKED_MM, _HOOKED_U_MM = 5.0, 4.0
"""A hooked tape stands off the face: its hook and its curl (common practice, no source)."""

_KINDS = [
    ("length", "length (two ends)"),
    ("tape", "tape (three or more readings)"),
    ("rectangle", "rectangle (a sheet of known sides)"),
    ("square", "carpenter's square"),
    ("board", "printed board (found by itself)"),
]
_CLICKS = {
    "length": ("Click both ends of the length.", 2, 2),
    "tape": ("Click along the tape at each reading, then press Enter.", 2, 0),
    "rectangle": ("Click the four corners in order round the sheet.", 4, 4),
    "square": ("Click the end of one leg, the heel, the end of the other leg.", 3, 3),
}
_FIRST = {"length": "length", "rectangle": "first side", "square": "first leg"}
_SECOND = {"rectangle": "second side", "square": "second leg"}


def place_fields(place: str) -> dict[str, Any]:
    """Return what a choice of place means for a mark."""
    if place == "hooked":
        return {"place": "face", "offset_mm": _HOOKED_MM, "offset_u_mm": _HOOKED_U_MM}
    return {"place": place, "offset_mm": 0.0, "offset_u_mm": 0.0}


def place_of(mark: Mark) -> str:
    """Return the choice of place that a mark stands for."""
    if mark.place == "face" and (mark.offset_mm, mark.offset_u_mm) == (_HOOKED_MM, _HOOKED_U_MM):
        return "hooked"
    return mark.place


def parse_readings(text: str, count: int, unit: str) -> list[float]:
    """Return the readings of a tape at its clicked points, mm.

    Parameters
    ----------
    text : str
        ``0, 12, 24 in`` (the last unit holds for bare numbers before it), or ``every 12 in``,
        or ``every 300 mm from 100 mm``.
    count : int
        Number of points clicked.
    unit : str
        Unit of a bare number.

    Raises
    ------
    BadLengthError
        Not readable, or not as many readings as points.

    Examples
    --------
    >>> parse_readings("0, 12, 24 in", 3, "mm"), parse_readings("every 10 mm", 3, "in")
    ([0.0, 304.8, 609.6], [0.0, 10.0, 20.0])
    """
    every = re.fullmatch(r"\s*every\s+(.+?)(?:\s+from\s+(.+))?\s*", text, re.IGNORECASE)
    if every:
        step = parse_length_mm(every[1], default_unit=unit)
        first = _reading(every[2], unit) if every[2] else 0.0
        return [round(first + i * step, 6) for i in range(count)]
    parts = [part.strip() for part in re.split(r"[;,](?!\d{3}\b)", text) if part.strip()]
    found = re.search(r"(mm|cm|m|in|ft|\"|')\.?$", parts[-1], re.IGNORECASE) if parts else None
    last = {'"': "in", "'": "ft"}.get(found[1], found[1].lower()) if found else unit
    readings = [_reading(part, last) for part in parts]
    if len(readings) != count:
        raise BadLengthError(
            f"{len(readings)} readings for {count} clicked points; write them in order with "
            "commas, or write for instance every 12 in"
        )
    return readings


def _reading(text: str, unit: str) -> float:
    bare = text.strip().lower().rstrip("minctf.\"' ")
    return 0.0 if bare in ("0", "0.0") else parse_length_mm(text, default_unit=unit)


class ReferenceStep(QWidget):
    """Marks of known size, the scale they give, and what speaks against them."""

    title = "Reference"

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.kind = Choice(_KINDS, "What lies in the picture")
        self.first = LengthEdit(lambda: bench.unit)
        self.second = LengthEdit(lambda: bench.unit)
        self.readings = QLineEdit()
        self.readings.setPlaceholderText("every 12 in, or 0, 12, 30 in")
        self.place = Choice(PLACES, "Where it lies decides how large the face is")
        self.shared = QLineEdit()
        self.shared.setPlaceholderText("name it if it lies in other photos too")
        self.mark_button = button("Mark it in the photo", self.begin)
        self.scale = Message()
        self.check = hint()
        self.advice = hint()
        self.marks = QListWidget()
        self.marks.setMaximumHeight(96)
        self.marks.setToolTip("Drag a mark's points in the photo; everything follows.")
        self.marks.currentRowChanged.connect(self._picked)
        self.mark_place = Choice(PLACES)
        self.mark_place.chosen.connect(self._replace_place)
        self.mark_length = LengthEdit(lambda: bench.unit)
        self.mark_length.typed.connect(self._replace_length)
        self.remove_button = button("Remove", self._remove)
        self._form = form(
            ("what", self.kind),
            ("length", self.first),
            ("second", self.second),
            ("readings", self.readings),
            ("it lies", self.place),
            ("same one", self.shared),
        )
        self._picked_form = form(("stated", self.mark_length), ("it lies", self.mark_place))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 4, 4, 4)
        layout.setSpacing(5)
        for widget in (
            self._form,
            self.mark_button,
            self.scale,
            self.check,
            self.advice,
            self.marks,
            self._picked_form,
            row(
                self.remove_button,
                button("Drag points", self._drag),
                button("Undo", bench.drawing.undo),
                button("Redo", bench.drawing.redo),
            ),
        ):
            layout.addWidget(widget)
        self.kind.chosen.connect(self._kind_chosen)
        self.first.returnPressed.connect(self.begin)
        self._kind_chosen("length")
        bench.measuring.plane_changed.connect(self._show_plane)
        bench.photo_changed.connect(self._show_marks)
        bench.record_changed.connect(self._record_changed)
        bench.unit_changed.connect(self._show_marks)
        bench.unit_changed.connect(self._show_plane)

    # Marking ---------------------------------------------------------------------------------

    def _kind_chosen(self, kind: str) -> None:
        layout = self._form.layout()
        for widget, shown in (
            (self.first, kind in _FIRST),
            (self.second, kind in _SECOND),
            (self.readings, kind == "tape"),
            (self.place, True),
            (self.shared, True),
        ):
            layout.setRowVisible(widget, shown)
        layout.labelForField(self.first).setText(_FIRST.get(kind, ""))
        layout.labelForField(self.second).setText(_SECOND.get(kind, ""))
        self.mark_button.setText(
            "Find it in the photo" if kind == "board" else "Mark it in the photo"
        )

    def begin(self) -> None:
        """Want the clicks of the chosen kind; lengths are checked before, so no click is lost."""
        kind = self.kind.value
        if kind == "board":
            self._find_board()
            return
        try:
            if kind in _FIRST:
                self.first.read()
            if kind in _SECOND:
                self.second.read()
            if kind == "tape":
                parse_readings(
                    self.readings.text(), max(self._count_readings(), 1), self.bench.unit
                )
        except BadLengthError as error:
            self.bench.said.emit(str(error), True)
            return
        words, least, most = _CLICKS[kind]
        if kind == "tape" and self._count_readings():
            least = most = self._count_readings()
            words = f"Click the {most} readings along the tape, in order."
        self.bench.clicking.begin(Wanted(words, self._accept, least=least, most=most))

    def _count_readings(self) -> int:
        text = self.readings.text().strip()
        if not text or text.lower().startswith("every"):
            return 0
        return len([part for part in re.split(r"[;,]", text) if part.strip()])

    def _accept(self, at: list[Point], _: list[Point]) -> bool:
        kind = self.kind.value
        name = self.bench.drawing.free_name(self.shared.text().strip() or kind)
        shared: dict[str, Any] = {
            "name": name,
            "shared": self.shared.text().strip(),
            **place_fields(self.place.value),
        }
        try:
            mark = self._made(kind, at, shared)
        except ValueError as error:
            self.bench.said.emit(str(error), True)
            return False
        return self.bench.drawing.add_mark(mark)

    def _made(self, kind: str, at: list[Point], shared: dict[str, Any]) -> Mark:
        if kind == "length":
            return LengthMark(p=at[0], q=at[1], mm=self.first.read(), **shared)
        if kind == "tape":
            mm = parse_readings(self.readings.text(), len(at), self.bench.unit)
            return TapeMark(points=at, mm=mm, **shared)
        if kind == "rectangle":
            sides = {"width_mm": self.first.read(), "height_mm": self.second.read()}
            return RectangleMark(corners=at, **sides, **shared)
        legs = {"a_mm": self.first.read(), "b_mm": self.second.read()}
        return SquareMark(end_a=at[0], heel=at[1], end_b=at[2], **legs, **shared)

    def _find_board(self) -> None:
        session = self.bench.session
        if session is None:
            return
        from slabvision.start import board_mark
        from slabvision.store import photo_path

        entry, folder = session.entry, session.folder
        self.bench.jobs.start(
            "board",
            "looking for the printed board",
            lambda _: board_mark(entry, photo_path(folder, entry)),
            self._board_found,
            lambda error: self.bench.said.emit(str(error), True),
        )

    def _board_found(self, mark: Mark | None) -> None:
        if mark is None:
            self.bench.said.emit(
                "No printed board found in this photo. It must lie flat, in full view and sharp.",
                True,
            )
            return
        place = self.place.value
        fields = place_fields(place) if place != "unsaid" else place_fields("face")
        self.bench.drawing.add_mark(mark.model_copy(update=fields))

    # What is there ---------------------------------------------------------------------------

    def _record_changed(self, what: str) -> None:
        if what in ("marks", "drawn", "recovered"):
            self._show_marks()

    def _show_marks(self) -> None:
        session = self.bench.session
        held = self.marks.currentRow()
        self.marks.blockSignals(True)
        self.marks.clear()
        for mark in session.entry.marks if session and session.file else []:
            words = dict(PLACES)[place_of(mark)]
            item = QListWidgetItem(f"{mark.name} ({mark.type}), {words}")
            item.setData(Qt.ItemDataRole.UserRole, mark.name)
            self.marks.addItem(item)
        self.marks.setVisible(self.marks.count() > 0)
        self.marks.blockSignals(False)
        self.marks.setCurrentRow(min(max(held, 0), self.marks.count() - 1))
        self._picked(self.marks.currentRow())

    def _current(self) -> Mark | None:
        item, session = self.marks.currentItem(), self.bench.session
        if item is None or session is None:
            return None
        name = item.data(Qt.ItemDataRole.UserRole)
        return next((m for m in session.entry.marks if m.name == name), None)

    def _picked(self, _: int) -> None:
        mark = self._current()
        self._picked_form.setVisible(mark is not None)
        self.remove_button.setEnabled(mark is not None)
        if mark is None:
            return
        self.mark_place.show_value(place_of(mark))
        has_length = mark.type in ("length", "board")
        self._picked_form.layout().setRowVisible(self.mark_length, has_length)
        label = self._picked_form.layout().labelForField(self.mark_length)
        label.setText("check length" if mark.type == "board" else "stated")
        if has_length:
            self.mark_length.show_mm(mark.mm if mark.type == "length" else mark.check_length_mm)

    def _replace_place(self, place: str) -> None:
        mark = self._current()
        if mark is not None:
            changed = mark.model_copy(update=place_fields(place))
            self.bench.drawing.replace_mark(mark.name, changed)

    def _replace_length(self, mm: float | None) -> None:
        mark = self._current()
        if mark is None:
            return
        if mark.type == "length" and mm is not None:
            self.bench.drawing.replace_mark(mark.name, mark.model_copy(update={"mm": mm}))
        elif mark.type == "board":
            self.bench.drawing.replace_mark(
                mark.name, mark.model_copy(update={"check_length_mm": mm})
            )

    def _remove(self) -> None:
        mark = self._current()
        if mark is not None:
            self.bench.drawing.replace_mark(mark.name, None)

    def _drag(self) -> None:
        from napari_slabvision._owned import find

        layer = find(self.bench.viewer, "marks")
        if layer is not None:
            self.bench.viewer.layers.selection.active = layer
            layer.mode = "select"
            self.bench.said.emit("Drag any point of a mark; the numbers follow.", False)

    def _show_plane(self) -> None:
        measuring = self.bench.measuring
        plane, session = measuring.plane, self.bench.session
        if plane is None or session is None:
            why = in_unit(measuring.plane_why, self.bench.unit)
            self.scale.say(why, warn=bool(why))
            self.check.setText("")
            self.advice.setText("")
            return
        self.scale.say(
            plane.reason or scale_words(plane, session.entry, self.bench.unit),
            warn=bool(plane.reason),
        )
        told = [in_unit(words, self.bench.unit) for words in plane.residuals]
        self.check.setText("\n".join(told))
        self.check.setVisible(bool(plane.residuals))
        self.advice.setText(
            "\n".join(f"Better: {in_unit(word, self.bench.unit)}" for word in plane.advice)
        )
        self.advice.setVisible(bool(plane.advice))


def scale_words(plane: Any, entry: Any, unit: str) -> str:
    """Say how large 100 px in the middle of the slab are, and how sure that is."""
    import numpy as np

    outline = entry.arris
    middle = (
        np.mean(np.array(outline.points), axis=0)
        if outline is not None
        else np.array(entry.shape) / 2
    )
    reach = max(entry.shape) / 20
    along = np.array([0.0, reach])
    try:
        length = plane.length(middle - along, middle + along)
    except ValueError as error:
        return str(error)
    if not length.determined:
        return str(length.reason)
    low, high = length.interval
    per = 2 * reach
    half = (high - low) / 2 / length.value * 100
    tilt = f"tilt {plane.tilt_deg.value:.0f}°"
    if unit == "in":
        return f"1 in is {25.4 * per / length.value:.1f} px in the middle, ± {half:.1f} %; {tilt}"
    return f"1 px is {length.value / per:.3f} mm in the middle, ± {half:.1f} %; {tilt}"
