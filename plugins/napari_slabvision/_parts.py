"""Small pieces that several steps use."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from qtpy.QtCore import QSize, Qt, Signal
from qtpy.QtGui import QBrush, QColor, QIcon, QPainter, QPixmap
from qtpy.QtWidgets import (
    QComboBox,
    QFormLayout,
    QFrame,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QTableWidget,
    QVBoxLayout,
    QWidget,
)

from slabvision.units import IN2_MM2, MM_PER_IN, BadLengthError, inches_text, parse_length_mm

__all__ = [
    "Choice",
    "LengthEdit",
    "Message",
    "area_text",
    "button",
    "fit_rows",
    "form",
    "hatch_icon",
    "hint",
    "in_unit",
    "length_text",
    "row",
    "stack",
]

_PATTERNS = {
    "//": Qt.BrushStyle.BDiagPattern,
    "/": Qt.BrushStyle.BDiagPattern,
    "///": Qt.BrushStyle.BDiagPattern,
    "\\\\": Qt.BrushStyle.FDiagPattern,
    "\\": Qt.BrushStyle.FDiagPattern,
    "|||": Qt.BrushStyle.VerPattern,
    "||": Qt.BrushStyle.VerPattern,
    "--": Qt.BrushStyle.HorPattern,
    "xx": Qt.BrushStyle.DiagCrossPattern,
    "xxx": Qt.BrushStyle.DiagCrossPattern,
    "++": Qt.BrushStyle.CrossPattern,
    "o": Qt.BrushStyle.Dense6Pattern,
    "O": Qt.BrushStyle.Dense5Pattern,
    "oo": Qt.BrushStyle.Dense5Pattern,
    "..": Qt.BrushStyle.Dense7Pattern,
}


def hatch_icon(color: str, hatch: str, size: int = 18) -> QIcon:
    """Return a swatch in a kind's colour with its hatch."""
    picture = QPixmap(2 * size, size)
    picture.fill(QColor(color))
    painter = QPainter(picture)
    pattern = _PATTERNS.get(hatch)
    if pattern is not None:
        light = QColor(color).lightness() > 150
        painter.fillRect(picture.rect(), QBrush(QColor("black" if light else "white"), pattern))
    painter.setPen(QColor("#808080"))
    painter.drawRect(0, 0, 2 * size - 1, size - 1)
    painter.end()
    return QIcon(picture)


SMALL = QSize(28, 14)
"""A swatch in a list."""


def hint(text: str = "") -> QLabel:
    """Return a line of explanation that wraps."""
    label = QLabel(text)
    label.setWordWrap(True)
    label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Minimum)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return label


def button(text: str, call: Callable[..., Any], tip: str = "") -> QPushButton:
    """Return a push button."""
    made = QPushButton(text)
    made.clicked.connect(lambda *_: call())
    made.setToolTip(tip)
    made.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
    return made


def row(*widgets: QWidget) -> QWidget:
    """Return widgets side by side."""
    made = QWidget()
    layout = QHBoxLayout(made)
    layout.setContentsMargins(0, 0, 0, 0)
    layout.setSpacing(4)
    for widget in widgets:
        layout.addWidget(widget)
    return made


def stack(*widgets: QWidget) -> QWidget:
    """Return widgets below one another."""
    made = QWidget()
    layout = QVBoxLayout(made)
    layout.setContentsMargins(0, 0, 0, 0)
    layout.setSpacing(5)
    for widget in widgets:
        layout.addWidget(widget)
    return made


def form(*lines: tuple[str, QWidget]) -> QWidget:
    """Return labelled fields below one another."""
    made = QWidget()
    layout = QFormLayout(made)
    layout.setContentsMargins(0, 0, 0, 0)
    layout.setVerticalSpacing(4)
    layout.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.ExpandingFieldsGrow)
    layout.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
    for name, widget in lines:
        layout.addRow(name, widget)
    return made


def length_text(mm: float, unit: str, *, sixteenths: int = 1) -> str:
    """Write a length the way it is typed."""
    return inches_text(mm, sixteenths=sixteenths) if unit == "in" else f"{mm:g} mm"


def in_unit(words: str, unit: str) -> str:
    """Return a sentence of the library, whose lengths are in mm, in the person's unit.

    Examples
    --------
    >>> in_unit("stated 1524.0 mm, fitted 1523.5 mm", "in")
    'stated 60.00 in, fitted 59.98 in'
    """
    if unit != "in":
        return words
    return re.sub(r"(\d+(?:\.\d+)?) mm\b", lambda m: f"{float(m[1]) / MM_PER_IN:.2f} in", words)


def area_text(mm2: float | None, unit: str) -> str:
    """Write a small area the way the person reads it; no interval, that comes with findings."""
    if mm2 is None or mm2 != mm2:
        return "no scale"
    size, sign = (mm2 / IN2_MM2, "in²") if unit == "in" else (mm2 / 100, "cm²")
    if size < 0.095:
        return f"{size:.2f} {sign}" if size >= 0.005 else f"under 0.01 {sign}"
    return f"{size:,.1f} {sign}"


def fit_rows(table: QTableWidget, least: int, most: int) -> None:
    """Make a table as high as its rows, between so many and so many of them."""
    head, each = table.horizontalHeader(), table.verticalHeader().defaultSectionSize()
    above = head.sizeHint().height() if not head.isHidden() else 0
    shown = min(table.rowCount(), most)
    rows = sum(table.rowHeight(row) for row in range(shown)) + max(0, least - shown) * each
    table.setFixedHeight(above + rows + 6)


class Choice(QComboBox):
    """A list of choices, each a value and its words; does not grow with its longest words."""

    chosen = Signal(object)

    def __init__(self, choices: list[tuple[Any, str]], tip: str = "") -> None:
        super().__init__()
        self.values = [value for value, _ in choices]
        for _, words in choices:
            self.addItem(words)
        self.setToolTip(tip)
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(8)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.activated.connect(lambda index: self.chosen.emit(self.values[index]))

    @property
    def value(self) -> Any:
        """The chosen value."""
        return self.values[self.currentIndex()] if self.currentIndex() >= 0 else None

    def add_heading(self, words: str, at: int) -> None:
        """Put a line that cannot be chosen before the choice at ``at``."""
        self.values.insert(at, None)
        self.insertItem(at, words)
        item = self.model().item(at)
        item.setFlags(item.flags() & ~Qt.ItemFlag.ItemIsEnabled)

    def show_value(self, value: Any) -> None:
        """Show a value without telling anybody."""
        if value in self.values:
            self.setCurrentIndex(self.values.index(value))


class LengthEdit(QLineEdit):
    """A typed length: ``48 1/2 in``, ``4' 1/2"``, ``1230 mm``, ``123 cm``.

    A bare number is in the unit that was chosen. ``typed`` carries millimetres, or None once the
    field was emptied; what cannot be read stays, marked, with the reason as its tip.
    """

    typed = Signal(object)

    def __init__(self, unit: Callable[[], str], placeholder: str = "") -> None:
        super().__init__()
        self._unit = unit
        self.setPlaceholderText(placeholder or "48 1/2 in, 4' 1/2\", 1230 mm")
        self.editingFinished.connect(self._finished)
        self.textEdited.connect(lambda _: self._mark(""))
        self._last = ""

    def mm(self) -> float | None:
        """Return the length, mm; None where nothing readable stands."""
        try:
            return self.read()
        except BadLengthError:
            return None

    def read(self) -> float:
        """Return the length, mm.

        Raises
        ------
        BadLengthError
            With words for the person.
        """
        return parse_length_mm(self.text(), default_unit=self._unit())

    def show_mm(self, mm: float | None) -> None:
        """Show a length in the chosen unit."""
        self._last = "" if mm is None else length_text(mm, self._unit())
        self.setText(self._last)
        self._mark("")

    def _finished(self) -> None:
        text = self.text().strip()
        if text == self._last:
            return
        if not text:
            self._last = ""
            self.typed.emit(None)
            return
        try:
            mm = self.read()
        except BadLengthError as error:
            self._mark(str(error))
            return
        self._last = text
        self.typed.emit(mm)

    def _mark(self, fault: str) -> None:
        self.setToolTip(fault)
        self.setStyleSheet("border: 2px solid #d1495b;" if fault else "")


class Message(QFrame):
    """A sentence in a box: a notice, or with ``warn`` something that wants doing."""

    def __init__(self) -> None:
        super().__init__()
        layout = QHBoxLayout(self)
        layout.setContentsMargins(8, 4, 8, 4)
        self.label = hint()
        layout.addWidget(self.label)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
        self.say("")

    def say(self, text: str, *, warn: bool = False) -> None:
        """Show a sentence, or nothing."""
        self.label.setText(text)
        self.setVisible(bool(text))
        back, ink = ("#ffd23f", "#1d1a10") if warn else ("#dbe7ee", "#14213d")
        self.setStyleSheet(
            f"Message {{background: {back}; border-radius: 4px;}}"
            f"QLabel {{color: {ink}; background: transparent;}}"
        )
