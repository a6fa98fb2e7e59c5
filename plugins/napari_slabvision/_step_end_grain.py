"""Step 5, end grain: the face by two clicks, rings read from the photo of a sawn end."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtWidgets import QComboBox, QVBoxLayout, QWidget

from napari_slabvision._clicking import Point, Wanted
from napari_slabvision._end_grain import end_layers, profile, profile_words
from napari_slabvision._jobs import Task
from napari_slabvision._outline_shape import filled
from napari_slabvision._owned import remove_owned
from napari_slabvision._parts import Message, button, form, hint, row
from slabvision.record import EndGrainMarks

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["EndGrainStep"]

FIGURE_WORDS = {
    "unsaid": "not noted",
    "cathedral": "cathedrals (nested arches)",
    "straight": "straight lines",
}


class EndGrainStep(QWidget):
    """Mark the wide face, read the rings, see the angle across the width."""

    title = "End grain"

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.said = Message()
        self.words = hint()
        self.figure = QComboBox()
        for key, words in FIGURE_WORDS.items():
            self.figure.addItem(words, key)
        self.figure.setToolTip("For the photo of a face: a coarse class where no end can be read")
        self.figure.activated.connect(self._note_figure)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 4, 4, 4)
        layout.setSpacing(5)
        for widget in (
            hint("Look at a photo of a sawn end, square-on and sharp enough to see the rings."),
            row(
                button("Mark the face line", self.mark_face, "Two clicks along the wide face"),
                button("Mark the pith", self.mark_pith, "About where it is, if it is in view"),
            ),
            button("Outline the end's wood", self.outline, "Click round the sawn end, then Enter"),
            row(
                button("Read the rings", self.read),
                button("Hide overlay", lambda: remove_owned(bench.viewer, "end grain")),
            ),
            form(("figure on a face", self.figure)),
            self.said,
            self.words,
        ):
            layout.addWidget(widget)
        bench.photo_changed.connect(self._show)
        bench.record_changed.connect(lambda what: self._show() if what == "end grain" else None)
        bench.record_changed.connect(lambda _: self._show_figure())

    def _marks(self) -> EndGrainMarks:
        session = self.bench.session
        found = session.entry.end_grain if session and session.file else None
        return found or EndGrainMarks()

    def _note_figure(self) -> None:
        session = self.bench.session
        if session is not None and session.file:
            session.change_entry("end grain", figure=self.figure.currentData())

    def _show_figure(self) -> None:
        session = self.bench.session
        face = session is not None and session.file and session.entry.role.startswith("face")
        self.figure.setEnabled(bool(face))
        noted = session.entry.figure if session is not None and face else "unsaid"
        self.figure.setCurrentIndex(self.figure.findData(noted))

    def _show(self) -> None:
        session = self.bench.session
        self.words.setText("")
        self._show_figure()
        if session is None or not session.file:
            self.said.say("")
            return
        if session.entry.role.startswith("face"):
            self.said.say("A face: note its figure here, or turn to a photo of an end.")
        elif not session.entry.role.startswith("end"):
            self.said.say("This photo is not said to show an end: choose its role in step 1.")
        elif len(self._marks().outline) < 3:
            self.said.say(
                "The end's wood is not outlined: it is guessed, and the face or the ground may be "
                "read for rings. Outline it first.",
                warn=True,
            )
        elif self._marks().face_line is None:
            self.said.say("Without a face line the long side of the wood counts as the face.")
        else:
            self.said.say("Outline and face line are marked.")

    def _set(self, **changes: Any) -> None:
        session = self.bench.session
        if session is not None:
            marks = self._marks().model_copy(update=changes)
            session.change_entry("end grain", end_grain=marks)

    def mark_face(self) -> None:
        """Want two clicks along the wide face."""
        self.bench.clicking.begin(
            Wanted(
                "Click two points along the wide face, near its ends.",
                lambda at, _: self._set(face_line=(at[0], at[1])),
                least=2,
                most=2,
            )
        )

    def outline(self) -> None:
        """Want clicks round the sawn end: what lies outside is not read."""
        self.bench.clicking.begin(
            Wanted(
                "Click round the wood of the sawn end; Enter closes it.",
                lambda at, _: self._set(outline=at),
                least=3,
            )
        )

    def mark_pith(self) -> None:
        """Want one click where the pith is."""
        self.bench.clicking.begin(Wanted("Click where the pith is.", self._pith, most=1))

    def _pith(self, at: list[Point], _: list[Point]) -> None:
        self._set(pith_hint=at[0])
        if self.bench.session is not None:
            self.bench.session.touch("drawn")

    def read(self) -> None:
        """Read the rings beside the window."""
        pixels, session = self.bench.pixels, self.bench.session
        if pixels is None or session is None:
            self.bench.said.emit("Open a slab first.", False)
            return
        marks = self._marks()
        self.said.say("Reading the rings…")
        self.bench.jobs.start(
            "end grain",
            "reading the rings",
            lambda task: read_end(pixels, marks, task),
            self._read,
            lambda error: self.said.say(str(error), warn=True),
            lambda: self.said.say("Stopped: the rings are not read."),
        )

    def _read(self, end: Any) -> None:
        session = self.bench.session
        if session is None:
            return
        found = profile(end)
        remove_owned(self.bench.viewer, "end grain")
        for data, arguments, kind in end_layers(session.entry, end, found):
            layer = self.bench.add(data, arguments, kind)
            layer.editable = False
        self._show()
        self.words.setText(f"{end.sawn()}\n\n{profile_words(found)}")


def read_end(pixels: NDArray[np.uint8], marks: EndGrainMarks, task: Task) -> Any:
    """Read the rings of an end from its photo and what was marked on it."""
    from slabvision.endgrain import read_end_grain

    mask = None
    if len(marks.outline) > 2:
        mask = filled(marks.outline, (pixels.shape[0], pixels.shape[1]))
    task.go_on()
    return read_end_grain(pixels, mask=mask, face=marks.face_line, pith_hint=marks.pith_hint)
