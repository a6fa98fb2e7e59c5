"""The notebook: what was written down at the slab."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QHeaderView,
    QLineEdit,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from napari_slabvision._parts import (
    Choice,
    LengthEdit,
    button,
    fit_rows,
    form,
    length_text,
    row,
)
from slabvision.record import MoistureReading, ThicknessReading
from slabvision.units import BadLengthError, parse_length_mm

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["NotebookForm"]

_BASES = [
    ("each", "for the slab"),
    ("board foot", "per board foot"),
    ("square foot", "per square foot"),
]
_SIDES = [
    ("unsaid", "bark side not said"),
    ("A", "face A is the bark side"),
    ("B", "face B is the bark side"),
]


class NotebookForm(QWidget):
    """Tag, species, stations of thickness and moisture, flatness, the yard's claim."""

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self._showing = False
        self.texts = {name: QLineEdit() for name in ("tag", "species", "place", "date", "note")}
        self.texts["date"].setPlaceholderText("2026-05-14")
        for name, edit in self.texts.items():
            edit.editingFinished.connect(_teller(self, name))
        self.bark_side = Choice(_SIDES)
        self.bark_side.chosen.connect(lambda side: self._change(bark_side=side))
        self.thickness = _table(["from end A", "thickness"], self._thickness_typed)
        self.moisture = _table(["from end A", "% moisture", "pin depth"], self._moisture_typed)
        unit = lambda: bench.unit  # noqa: E731
        self.flat = {n: LengthEdit(unit, "not measured") for n in ("bow_mm", "cup_mm", "twist_mm")}
        for name, edit in self.flat.items():
            edit.typed.connect(_flat_teller(self, name))
        self.claim = {n: QLineEdit() for n in ("board_feet", "price", "moisture_percent")}
        for name, edit in self.claim.items():
            edit.setPlaceholderText("not stated")
            edit.editingFinished.connect(_claim_teller(self, name))
        self.claim_thickness = LengthEdit(unit, "not stated")
        self.claim_thickness.typed.connect(lambda mm: self._claim(thickness_mm=mm))
        self.basis = Choice(_BASES)
        self.basis.chosen.connect(lambda basis: self._claim(price_basis=basis))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(5)
        layout.addWidget(
            form(
                ("tag", self.texts["tag"]),
                ("species", self.texts["species"]),
                ("yard, place", self.texts["place"]),
                ("date", self.texts["date"]),
                ("bark side", self.bark_side),
            )
        )
        layout.addWidget(self.thickness)
        layout.addWidget(_adder("Add a thickness", self.thickness))
        layout.addWidget(self.moisture)
        layout.addWidget(_adder("Add a moisture reading", self.moisture))
        layout.addWidget(
            form(
                ("bow", self.flat["bow_mm"]),
                ("cup", self.flat["cup_mm"]),
                ("twist", self.flat["twist_mm"]),
                ("tag: board feet", self.claim["board_feet"]),
                ("tag: thickness", self.claim_thickness),
                ("tag: % moisture", self.claim["moisture_percent"]),
                ("asking price", row(self.claim["price"], self.basis)),
                ("note", self.texts["note"]),
            )
        )
        bench.slab_changed.connect(self.show_record)
        bench.unit_changed.connect(self.show_record)
        bench.record_changed.connect(
            lambda what: self.show_record() if what == "recovered" else None
        )

    def show_record(self) -> None:
        """Show the notebook of the slab on the bench."""
        session = self.bench.session
        if session is None:
            return
        book, unit = session.record.notebook, self.bench.unit
        self._showing = True
        try:
            for name, edit in self.texts.items():
                edit.setText(getattr(book, name))
            self.bark_side.show_value(book.bark_side)
            _fill(
                self.thickness,
                [(_station(r.station_mm, unit), length_text(r.mm, unit)) for r in book.thickness],
            )
            _fill(
                self.moisture,
                [
                    (_station(r.station_mm, unit), f"{r.percent:g}", _station(r.depth_mm, unit))
                    for r in book.moisture
                ],
            )
            for name, edit in self.flat.items():
                edit.show_mm(getattr(book.flatness, name))
            for name, edit in self.claim.items():
                value = getattr(book.claim, name)
                edit.setText("" if value is None else f"{value:g}")
            self.claim_thickness.show_mm(book.claim.thickness_mm)
            self.basis.show_value(book.claim.price_basis)
        finally:
            self._showing = False

    # What was typed --------------------------------------------------------------------------

    def _change(self, **changes: Any) -> None:
        session = self.bench.session
        if session is None or self._showing:
            return
        try:
            session.change_notebook(**changes)
        except ValueError as error:
            from napari_slabvision._drawing import _first_line

            self.bench.said.emit(_first_line(error), True)

    def _claim(self, **changes: Any) -> None:
        session = self.bench.session
        if session is None or self._showing:
            return
        book = session.record.notebook
        known = {n: getattr(book.claim, n) for n in type(book.claim).model_fields}
        self._change(claim=known | changes)

    def _number_claim(self, name: str) -> None:
        text = self.claim[name].text().strip().replace(",", "")
        try:
            value = float(text) if text else None
        except ValueError:
            self.bench.said.emit(f"{text!r} is not a number.", True)
            return
        self._claim(**{name: value})

    def _flatness(self, name: str, mm: float | None) -> None:
        session = self.bench.session
        if session is not None:
            flat = session.record.notebook.flatness.model_copy(update={name: mm})
            self._change(flatness=flat)

    def _thickness_typed(self) -> None:
        session = self.bench.session
        if session is None or self._showing:
            return
        known = session.record.notebook.thickness
        readings = []
        for index, (station, thick) in enumerate(_cells(self.thickness)):
            if not thick:
                continue
            try:
                at = {"station_mm": self._length(station), "mm": self._length(thick)}
            except BadLengthError as error:
                self.bench.said.emit(str(error), True)
                return
            old = known[index] if index < len(known) else None
            kept = {"where": old.where, "u_mm": old.u_mm} if old else {}
            if old and length_text(old.mm, self.bench.unit) == thick:
                at["mm"] = old.mm  # typed values are shown rounded; untouched ones stay exact
            if old and _station(old.station_mm, self.bench.unit) == station:
                at["station_mm"] = old.station_mm
            readings.append(ThicknessReading(**at, **kept))
        self._change(thickness=readings)

    def _moisture_typed(self) -> None:
        session = self.bench.session
        if session is None or self._showing:
            return
        known = session.record.notebook.moisture
        readings = []
        for index, (station, percent, depth) in enumerate(_cells(self.moisture)):
            if not percent:
                continue
            try:
                at: dict[str, Any] = {
                    "station_mm": self._length(station),
                    "percent": float(percent.rstrip(" %").replace(",", ".")),
                    "depth_mm": self._length(depth),
                }
            except ValueError as error:
                self.bench.said.emit(f"Moisture {percent!r}: {error}", True)
                return
            old = known[index] if index < len(known) else None
            if old is not None:
                for name in ("station_mm", "depth_mm"):
                    if (
                        _station(getattr(old, name), self.bench.unit)
                        == {"station_mm": station, "depth_mm": depth}[name]
                    ):
                        at[name] = getattr(old, name)
                known_fields = {n: getattr(old, n) for n in type(old).model_fields}
                at = known_fields | at
            try:
                readings.append(MoistureReading(**at))
            except ValueError as error:
                from napari_slabvision._drawing import _first_line

                self.bench.said.emit(f"Moisture {percent}: {_first_line(error)}", True)
                return
        self._change(moisture=readings)

    def _length(self, text: str) -> float | None:
        bare = text.strip()
        if not bare:
            return None
        if bare in ("0", "0 in", "0 mm"):
            return 0.0
        return parse_length_mm(bare, default_unit=self.bench.unit)


def _station(mm: float | None, unit: str) -> str:
    return "" if mm is None else length_text(mm, unit, sixteenths=1)


def _teller(owner: NotebookForm, name: str) -> Any:
    return lambda: owner._change(**{name: owner.texts[name].text().strip()})


def _flat_teller(owner: NotebookForm, name: str) -> Any:
    return lambda mm: owner._flatness(name, mm)


def _claim_teller(owner: NotebookForm, name: str) -> Any:
    return lambda: owner._number_claim(name)


def _table(headers: list[str], changed: Any) -> QTableWidget:
    table = QTableWidget(0, len(headers))
    table.setHorizontalHeaderLabels(headers)
    table.verticalHeader().hide()
    table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
    table.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    table.verticalHeader().setDefaultSectionSize(24)
    table.setEditTriggers(table.EditTrigger.AllEditTriggers)
    fit_rows(table, 1, 6)
    table.itemChanged.connect(lambda _: changed())
    return table


def _adder(words: str, table: QTableWidget) -> QWidget:
    def add() -> None:
        table.insertRow(table.rowCount())
        fit_rows(table, 1, 6)
        table.setCurrentCell(table.rowCount() - 1, 0)
        table.editItem(_item(table, table.rowCount() - 1, 0))

    return button(words, add, "Empty the last cell of a row to remove the reading")


def _item(table: QTableWidget, line: int, column: int) -> QTableWidgetItem:
    item = table.item(line, column)
    if item is None:
        item = QTableWidgetItem("")
        table.blockSignals(True)
        table.setItem(line, column, item)
        table.blockSignals(False)
    return item


def _fill(table: QTableWidget, lines: list[tuple[str, ...]]) -> None:
    table.blockSignals(True)
    table.setRowCount(len(lines))
    for index, line in enumerate(lines):
        for column, text in enumerate(line):
            _item(table, index, column).setText(text)
            table.blockSignals(True)
    table.blockSignals(False)
    fit_rows(table, 1, 6)


def _cells(table: QTableWidget) -> list[tuple[str, ...]]:
    return [
        tuple(
            item.text().strip() if (item := table.item(line, column)) is not None else ""
            for column in range(table.columnCount())
        )
        for line in range(table.rowCount())
    ]
