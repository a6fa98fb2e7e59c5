"""The dock: one slab, its photos, six steps in the order of work."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import Qt, QTimer
from qtpy.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from napari_slabvision._autosave import Recovered
from napari_slabvision._bench import Bench
from napari_slabvision._parts import Choice, Message, button, row
from napari_slabvision._step_defects import DefectsStep
from napari_slabvision._step_end_grain import EndGrainStep
from napari_slabvision._step_findings import FindingsStep
from napari_slabvision._step_outline import OutlineStep
from napari_slabvision._step_reference import ReferenceStep
from napari_slabvision._step_slab import SlabStep

__all__ = ["SlabDock"]

_STATES = {
    "none": ("No slab open", "#8d99a6", "#1d1a10"),
    "saved": ("Saved", "#2fb37a", "#06251a"),
    "unsaved": ("Not saved", "#ffd23f", "#1d1a10"),
    "saving": ("Saving…", "#7fd1ff", "#06251a"),
}


class Step(QFrame):
    """One foldable step: a title to press, a body."""

    def __init__(self, number: int, body: Any) -> None:
        super().__init__()
        self.body = body
        self.head = QToolButton()
        self.head.setText(f"{number}   {body.title}")
        self.head.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.head.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.head.setStyleSheet("QToolButton {text-align: left; font-weight: bold; padding: 5px;}")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(2)
        layout.addWidget(self.head)
        layout.addWidget(body)
        self.set_open(False)

    def set_open(self, opened: bool) -> None:
        """Fold or unfold."""
        self.is_open = opened
        self.body.setVisible(opened)
        self.head.setArrowType(Qt.ArrowType.DownArrow if opened else Qt.ArrowType.RightArrow)


class SlabDock(QWidget):
    """The widget that napari docks; give it a viewer."""

    def __init__(self, napari_viewer: Any, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.bench = Bench(napari_viewer, self)
        bench = self.bench
        self.photos = Choice([], "The photo that is shown")
        self.photos.chosen.connect(bench.show_photo)
        self.state = QLabel()
        self.state.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.save = QPushButton("Save")
        self.save.setToolTip("Ctrl+S is napari's own; this saves the slab")
        self.save.clicked.connect(lambda *_: bench.saving.save())
        self.unit = Choice([("in", "inches"), ("mm", "mm")], "Read and type in")
        self.unit.show_value(bench.unit)
        self.unit.chosen.connect(bench.set_unit)
        self.missing_layers = button("Show all layers", bench.rebuild)
        self.said = Message()
        self.recover_said = Message()
        self.recover_row = row(
            button("Bring it back", self._recover), button("Discard it", self._forget_left)
        )
        self._left: list[Recovered] = []
        self.busy = QProgressBar()
        self.busy.setRange(0, 0)
        self.busy.setTextVisible(False)
        self.busy.setMaximumHeight(10)
        self.busy_words = QLabel()
        self.stop = QPushButton("Stop")
        self.stop.clicked.connect(lambda *_: bench.jobs.stop())
        self.busy_row = row(self.busy_words, self.busy, self.stop)
        bodies = (
            SlabStep(bench),
            ReferenceStep(bench),
            OutlineStep(bench),
            DefectsStep(bench),
            EndGrainStep(bench),
            FindingsStep(bench),
        )
        self.steps = [Step(i, body) for i, body in enumerate(bodies, start=1)]
        for step in self.steps:
            step.head.clicked.connect(_opener(self, step))
        self._lay_out()
        self._connect()
        self.open_step(1)
        bench.adopt()

    def _lay_out(self) -> None:
        inner = QWidget()
        steps = QVBoxLayout(inner)
        steps.setContentsMargins(0, 0, 4, 0)
        steps.setSpacing(3)
        for step in self.steps:
            steps.addWidget(step)
        steps.addStretch(1)
        self.scroll = QScrollArea()
        self.scroll.setWidgetResizable(True)
        self.scroll.setWidget(inner)
        self.scroll.setFrameShape(QFrame.Shape.NoFrame)
        self.scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.recover_row.setVisible(False)
        self.busy_row.setVisible(False)
        self.missing_layers.setVisible(False)
        head = QWidget()
        line = QHBoxLayout(head)
        line.setContentsMargins(0, 0, 0, 0)
        line.setSpacing(4)
        self.unit.setMinimumContentsLength(5)
        line.addWidget(self.state, 1)
        line.addWidget(self.save)
        line.addWidget(self.unit)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 4, 2, 4)
        layout.setSpacing(4)
        for widget in (
            head,
            self.photos,
            self.missing_layers,
            self.recover_said,
            self.recover_row,
            self.scroll,
            self.said,
            self.busy_row,
        ):
            layout.addWidget(widget)
        layout.setStretchFactor(self.scroll, 1)
        self.setMinimumWidth(350)

    def _connect(self) -> None:
        bench = self.bench
        bench.slab_changed.connect(self._show_photos)
        bench.photo_changed.connect(self._show_photos)
        bench.record_changed.connect(self._record_changed)
        bench.said.connect(self._say)
        bench.jobs.changed.connect(self._show_busy)
        bench.saving.state_changed.connect(self._show_state)
        bench.saving.left_work.connect(self._offer)
        bench.unit_changed.connect(lambda: self.unit.show_value(bench.unit))
        self._show_photos()
        self._show_state()

    def open_step(self, number: int) -> None:
        """Unfold one step and fold the others."""
        for index, step in enumerate(self.steps, start=1):
            step.set_open(index == number)
        self.bench.measuring.want(number == len(self.steps))
        self.bench.show_texts({2: "marks", 3: "spots"}.get(number, ""))
        step = self.steps[number - 1]
        # Once the layout has settled: the step's own title at the top.
        QTimer.singleShot(60, lambda: self.scroll.verticalScrollBar().setValue(step.y()))

    def step(self, number: int) -> Any:
        """Return the body of a step."""
        return self.steps[number - 1].body

    # What is shown ---------------------------------------------------------------------------

    def _record_changed(self, what: str) -> None:
        if what in ("photo facts", "recovered"):
            self._show_photos()

    def _show_photos(self) -> None:
        session = self.bench.session
        photos = session.record.photos if session else []
        self.photos.values = [p.file for p in photos]
        self.photos.blockSignals(True)
        self.photos.clear()
        for photo in photos:
            self.photos.addItem(f"{photo.role}:  {photo.file}")
        self.photos.blockSignals(False)
        if session:
            self.photos.show_value(session.file)
        self.photos.setVisible(bool(photos))
        self.missing_layers.setVisible(self.bench.layers_missing)
        self._show_state()

    def _show_state(self) -> None:
        state = self.bench.saving.state
        words, back, ink = _STATES[state]
        session = self.bench.session
        if session is not None:
            name = session.record.notebook.tag or session.folder.name
            words = f"{name}: {words.lower()}"
        self.state.setText(words)
        self.state.setStyleSheet(
            f"background: {back}; color: {ink}; border-radius: 4px; padding: 4px;"
            " font-weight: bold;"
        )
        self.save.setEnabled(state == "unsaved")

    def _say(self, words: str, wrong: bool) -> None:
        self.said.say(words, warn=wrong)

    def _show_busy(self, words: str) -> None:
        self.busy_words.setText(words)
        self.busy_row.setVisible(bool(words))

    # Recovery --------------------------------------------------------------------------------

    def _offer(self, left: list[Recovered]) -> None:
        self._left = left
        first = left[0]
        self.recover_said.say(
            f"Work from {first.at:%d %B, %H:%M:%S} was not saved. It holds:\n"
            + "\n".join(f"•  {word}" for word in first.words),
            warn=True,
        )
        self.recover_row.setVisible(True)

    def _recover(self) -> None:
        left, self._left = self._left, []
        self.recover_said.say("")
        self.recover_row.setVisible(False)
        if left:
            self.bench.saving.take_back(left[0])

    def _forget_left(self) -> None:
        if self._left:
            self._left.pop(0).forget()
        self.recover_said.say("")
        self.recover_row.setVisible(False)
        if self._left:
            self._offer(self._left)

    def resizeEvent(self, event: Any) -> None:  # Qt's name
        """Use the height there is."""
        super().resizeEvent(event)
        self.step(4).fit_height(self.height())

    def closeEvent(self, event: Any) -> None:  # Qt's name
        """Keep unsaved work when the dock or the viewer goes."""
        self.bench.close()
        super().closeEvent(event)


def _opener(dock: SlabDock, step: Step) -> Any:
    number = dock.steps.index(step) + 1

    def toggle() -> None:
        if step.is_open:
            step.set_open(False)
        else:
            dock.open_step(number)

    return toggle
