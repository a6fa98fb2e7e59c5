"""Step 4, defects: paint them by kind, grow or trace them, say how deep they go."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QDoubleSpinBox,
    QHeaderView,
    QLineEdit,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from napari_slabvision._painting import KIND_KEYS
from napari_slabvision._parts import (
    SMALL,
    Choice,
    area_text,
    button,
    fit_rows,
    form,
    hatch_icon,
    hint,
    row,
)
from napari_slabvision._tool_box import SuggestBox, ToolBox
from napari_slabvision._tools import TOOLS
from slabvision.defects import KINDS, ZONES
from slabvision.units import MM_PER_IN

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["DefectsStep"]

DEPTHS = [
    ("unknown", "depth not known"),
    ("face", "this face only"),
    ("through", "through the slab"),
]


class DefectsStep(QWidget):
    """Kinds with live count and area, brush, tools, and the list of single defects."""

    title = "Defects"

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.painting = bench.painting
        self.kinds = self._kind_table()
        self.brush = QDoubleSpinBox()
        self.brush.setKeyboardTracking(False)
        self.brush.valueChanged.connect(self._brush_typed)
        self.protect = QCheckBox("Protect other defects from the brush")
        self.protect.setChecked(self.painting.protect)
        self.protect.toggled.connect(self.painting.set_protect)
        self.zones = self._zone_choice()
        self.zones.show_value(self.painting.zone)
        self.zones.chosen.connect(self.painting.choose_zone)
        self.zone_said = hint()
        self.tools = ToolBox(bench, TOOLS)
        self.suggest = SuggestBox(bench)
        self.single = self._single_table()
        self.depth = Choice(DEPTHS, "How deep the chosen defect goes")
        self.depth.chosen.connect(lambda value: self._change(depth=value))
        self.kind_choice = Choice(
            [(k.key, k.title) for k in KINDS.values()], "Make it another kind"
        )
        self.kind_choice.chosen.connect(lambda value: self._change(kind=value))
        self.note = QLineEdit()
        self.note.setPlaceholderText("what you saw or felt there")
        self.note.editingFinished.connect(lambda: self._change(note=self.note.text().strip()))
        self.edit_row = form(("depth", self.depth), ("kind", self.kind_choice), ("note", self.note))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 4, 4, 4)
        layout.setSpacing(5)
        paint = self.painting
        for widget in (
            self.kinds,
            row(
                button("Paint", lambda: paint.set_mode("paint"), "Napari's key 2"),
                button("Erase", lambda: paint.set_mode("erase"), "Napari's key 1"),
                button("Outline", lambda: paint.set_mode("polygon"), "Click round it; Enter fills"),
            ),
            row(button("Undo", paint.undo, "Ctrl+Z"), button("Redo", paint.redo, "Ctrl+Shift+Z")),
            form(("brush", self.brush)),
            self.protect,
            self.tools,
            self.suggest,
            form(("zone", self.zones)),
            row(
                button("Paint zone", lambda: paint.choose_zone(self.zones.value)),
                button("Erase zone", lambda: paint.set_mode("erase", "zones")),
            ),
            self.zone_said,
            self.single,
            self.edit_row,
            row(
                button("Join", self._join, "Make one defect of the chosen ones"),
                button("Split", self._split, "Make a defect of each separate piece"),
                button("Erase it", self._erase, "Erase the chosen defects"),
            ),
        ):
            layout.addWidget(widget)
        self.set_unit()
        paint.live_changed.connect(self._show_live)
        paint.table_changed.connect(self._show_single)
        paint.kind_changed.connect(self._show_kind)
        bench.unit_changed.connect(self.set_unit)
        bench.photo_changed.connect(self._show_live)

    # Making the lists -----------------------------------------------------------------------

    def _zone_choice(self) -> Choice:
        zones = sorted(ZONES.values(), key=lambda each: not each.seen)
        choice = Choice([(each.value, each.title) for each in zones])
        for index, each in enumerate(zones):
            choice.setItemIcon(index, hatch_icon(each.color, each.hatch, SMALL.height()))
        choice.setIconSize(SMALL)
        choice.add_heading("Not seen, so never clear:", [each.seen for each in zones].index(False))
        choice.add_heading("Seen:", 0)
        return choice

    def _kind_table(self) -> QTableWidget:
        table = QTableWidget(len(KINDS), 4)
        table.setHorizontalHeaderLabels(["kind", "Alt+", "no.", "area"])
        table.verticalHeader().hide()
        table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        table.setIconSize(SMALL)
        table.setShowGrid(False)
        for index, (kind, key) in enumerate(zip(KINDS.values(), KIND_KEYS, strict=True)):
            name = QTableWidgetItem(hatch_icon(kind.color, kind.hatch, 14), kind.title)
            name.setToolTip(f"{kind.title}. {kind.meaning}")
            table.setItem(index, 0, name)
            for column, text in ((1, key), (2, ""), (3, "")):
                item = QTableWidgetItem(text)
                item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                table.setItem(index, column, item)
        _tighten(table, stretch=0)
        table.setWordWrap(True)
        fit_rows(table, 7, 7)
        table.itemClicked.connect(lambda item: self.painting.choose_kind(list(KINDS)[item.row()]))
        table.selectRow(0)
        return table

    def _single_table(self) -> QTableWidget:
        table = QTableWidget(0, 3)
        table.setHorizontalHeaderLabels(["no.", "single defect", "area"])
        table.verticalHeader().hide()
        table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        table.setShowGrid(False)
        table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        _tighten(table, stretch=1)
        table.itemSelectionChanged.connect(self._picked)
        return table

    def fit_height(self, height: int) -> None:
        """Show more kinds at once where the window is high; long names take two lines."""
        fit_rows(self.kinds, 7, max(7, min(len(KINDS), (height - 460) // 24)))

    # Brush -----------------------------------------------------------------------------------

    def set_unit(self) -> None:
        """Show brush and areas in the chosen unit."""
        inch = self.bench.unit == "in"
        self.brush.blockSignals(True)
        self.brush.setDecimals(2 if inch else 0)
        self.brush.setRange(0.02 if inch else 1, 20 if inch else 500)
        self.brush.setSingleStep(0.125 if inch else 2)
        self.brush.setSuffix(" in" if inch else " mm")
        per = MM_PER_IN if inch else 1.0
        self.brush.setValue(self.painting.brush_mm / per)
        self.brush.blockSignals(False)
        self._show_live()

    def _brush_typed(self, value: float) -> None:
        self.painting.set_brush_mm(value * (MM_PER_IN if self.bench.unit == "in" else 1.0))

    # Live ------------------------------------------------------------------------------------

    def _show_live(self) -> None:
        found = self.painting.per_kind
        for index, key in enumerate(KINDS):
            count, mm2 = found.get(key, (0, 0.0))
            self.kinds.item(index, 2).setText(str(count) if count else "")
            self.kinds.item(index, 3).setText(area_text(mm2, self.bench.unit) if count else "")
        zones = self.painting.zone_tally
        sizes = zones.mm2 or {}
        words = [
            f"{each.title} {area_text(sizes.get(each.value), self.bench.unit)}"
            for each in ZONES.values()
            if each.value in zones.pixels
        ]
        self.zone_said.setText("; ".join(words))
        self.zone_said.setVisible(bool(words))
        self._show_single()

    def _show_kind(self, kind: str) -> None:
        self.kinds.selectRow(list(KINDS).index(kind))

    def _show_single(self) -> None:
        rows = self.painting.rows()
        chosen = set(self.chosen)
        table, tally = self.single, self.painting.tally
        table.blockSignals(True)
        table.setRowCount(len(rows))
        for index, each in enumerate(rows):
            number = int(each["index"])
            area = None if tally.mm2 is None else tally.mm2.get(number)
            cells = (str(number), each["defect"], area_text(area, self.bench.unit))
            for column, text in enumerate(cells):
                item = table.item(index, column)
                if item is None:
                    item = QTableWidgetItem()
                    table.setItem(index, column, item)
                if item.text() != str(text):
                    item.setText(str(text))
            table.item(index, 0).setData(Qt.ItemDataRole.UserRole, number)
            kind = KINDS[each["kind"]]
            table.item(index, 1).setIcon(hatch_icon(kind.color, kind.hatch, 10))
            table.item(index, 1).setToolTip(each["note"])
            for column in range(3):
                table.item(index, column).setSelected(number in chosen)
        fit_rows(table, 2, 6)
        table.setVisible(bool(rows))
        self.edit_row.setVisible(bool(rows))
        table.blockSignals(False)

    @property
    def chosen(self) -> list[int]:
        """Numbers of the chosen defects."""
        rows = sorted({index.row() for index in self.single.selectedIndexes()})
        items = [self.single.item(r, 0) for r in rows]
        return [int(i.data(Qt.ItemDataRole.UserRole)) for i in items if i is not None]

    def _picked(self) -> None:
        numbers = self.chosen
        if not numbers:
            return
        each = next(r for r in self.painting.rows() if int(r["index"]) == numbers[0])
        self.depth.show_value(each["depth"])
        self.kind_choice.show_value(each["kind"])
        self.note.setText(str(each["note"]))

    def _change(self, **values: str) -> None:
        for number in self.chosen:
            self.painting.change_row(number, **values)

    def _join(self) -> None:
        if len(self.chosen) < 2:
            self.bench.said.emit("Choose two or more defects in the list to join them.", False)
            return
        self.painting.join(self.chosen)

    def _split(self) -> None:
        if len(self.chosen) != 1:
            self.bench.said.emit("Choose one defect in the list to split it.", False)
            return
        made = self.painting.split(self.chosen[0])
        if len(made) == 1:
            self.bench.said.emit("It is one piece: erase a gap first, then split.", False)

    def _erase(self) -> None:
        if self.chosen:
            self.painting.remove(self.chosen)


def _tighten(table: QTableWidget, stretch: int) -> None:
    header = table.horizontalHeader()
    for column in range(table.columnCount()):
        mode = QHeaderView.ResizeMode
        header.setSectionResizeMode(
            column, mode.Stretch if column == stretch else mode.ResizeToContents
        )
    header.setMinimumSectionSize(30)
    rows = table.verticalHeader()
    rows.setDefaultSectionSize(24)
    rows.setMinimumSectionSize(24)
    rows.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)  # long names: two lines
    table.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
