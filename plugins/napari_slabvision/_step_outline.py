"""Step 3, the outline: where the sawn face ends, and if wanted the widest silhouette."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtWidgets import QCheckBox, QVBoxLayout, QWidget

from napari_slabvision._clicking import Point, Wanted
from napari_slabvision._outline_shape import crossing_words, mask_of, outline_of_mask
from napari_slabvision._owned import PIXELS, find, remove_owned, tagged
from napari_slabvision._parts import Choice, Message, button, form, hint, row
from napari_slabvision._photo_layers import ARRIS_COLOR
from napari_slabvision._tool_box import ToolBox
from napari_slabvision._tools import PROPOSE
from slabvision.record import Outline

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["OutlineStep"]

_BARK = [("unsaid", "not said"), ("out", "bark left out"), ("in", "bark included")]


class OutlineStep(QWidget):
    """Propose, draw and correct outlines; say which end is end A."""

    title = "Outline"

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.which = Choice(
            [("arris", "arris: where the sawn face ends"), ("widest", "widest silhouette")]
        )
        self.which.chosen.connect(self._which_chosen)
        self.bark = Choice(_BARK, "Whether the outline runs outside the bark")
        self.bark.chosen.connect(self._bark_said)
        self.open = QCheckBox("The photo's frame cuts the slab off")
        self.open.toggled.connect(self._open_toggled)
        self.said = Message()
        self.tools = ToolBox(bench, PROPOSE)
        self.brush_row = row(
            button("Accept brushed", self.accept_brush), button("Discard", self.discard_brush)
        )
        self.brush_row.setVisible(False)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 4, 4, 4)
        layout.setSpacing(5)
        for widget in (
            form(("outline", self.which), ("bark", self.bark)),
            self.tools,
            button("Draw", self.draw, "Click round the edge, then Enter"),
            row(
                button("Move points", self.move_points, "Drag, add and remove corners"),
                button("Correct with brush", self.brush, "Paint wood in, erase ground"),
            ),
            self.brush_row,
            self.said,
            self.open,
            row(
                button("Set end A", self.mark_end_a, "Click near end A: lengths count from there"),
                button("Remove outline", lambda: bench.drawing.set_outline(self.which.value, None)),
            ),
            row(button("Undo", bench.drawing.undo), button("Redo", bench.drawing.redo)),
            hint("Every gross figure names the outline it uses. Widest is optional."),
        ):
            layout.addWidget(widget)
        bench.photo_changed.connect(self._show)
        bench.record_changed.connect(self._record_changed)

    @property
    def _outline(self) -> Outline | None:
        return self.bench.drawing.outline

    def _record_changed(self, what: str) -> None:
        if what in ("outline", "drawn", "recovered", "spots"):
            self._show()

    def _show(self) -> None:
        outline = self._outline
        self.open.setEnabled(outline is not None)
        self.bark.show_value(self.bench.drawing.bark_said)
        self.open.blockSignals(True)
        self.open.setChecked(bool(outline and outline.open))
        self.open.blockSignals(False)
        if outline is None:
            ways = "let it be proposed, or draw it" if self.tools.tools else "draw it, or brush it"
            self.said.say(f"No outline yet: {ways}.")
            return
        fault = crossing_words(outline)
        self.said.say(
            fault or f"{len(outline.points)} corners, by {outline.tool}.", warn=bool(fault)
        )

    def _which_chosen(self, which: str) -> None:
        self.bench.drawing.which = which
        self._show()

    def _take(self, points: Any, tool: str) -> bool:
        return self.bench.drawing.take_outline(points, tool)

    def _bark_said(self, bark: str) -> None:
        self.bench.drawing.bark = bark
        self._update(bark=bark)

    def _update(self, **changes: Any) -> None:
        outline = self._outline
        if outline is not None:
            self.bench.drawing.set_outline(self.which.value, outline.model_copy(update=changes))

    def _open_toggled(self, on: bool) -> None:
        self._update(open=on)

    # Ways to draw ----------------------------------------------------------------------------

    def draw(self) -> None:
        """Want clicks round the slab."""
        self.bench.clicking.begin(
            Wanted(
                "Click round the edge of the slab; Backspace takes a click back, Enter closes it.",
                lambda at, _: self._take(at, "hand"),
                least=3,
                changed=self._show_drawn,
                discarded=lambda: self._show_drawn([], []),
            )
        )

    def _show_drawn(self, at: list[Point], _: list[Point]) -> None:
        self.said.say(f"{len(at)} corners so far." if at else "")
        if not at:
            self._show()

    def move_points(self) -> None:
        """Let corners be dragged; Insert and Delete are napari's own."""
        layer = find(self.bench.viewer, "outline")
        if layer is None or not len(layer.data):
            self.bench.said.emit("There is no outline to correct yet.", False)
            return
        self.bench.viewer.layers.selection.active = layer
        layer.mode = "direct"
        names = [str(n) for n in layer.features["outline"]]
        if self.which.value in names:
            layer.selected_data = {names.index(self.which.value)}
        self.bench.said.emit("Drag the corners of the outline.", False)

    def mark_end_a(self) -> None:
        """Want one click near end A."""
        self.bench.clicking.begin(
            Wanted(
                "Click near end A.",
                lambda at, _: self.bench.drawing._try("spots", end_a=at[0]),
                most=1,
            )
        )

    # Brush -----------------------------------------------------------------------------------

    def brush(self) -> None:
        """Show the inside of the outline as paint that can be added to and erased."""
        session, outline = self.bench.session, self._outline
        if session is None:
            return
        self.bench.jobs.start(
            "brush",
            "filling the outline",
            lambda _: mask_of(outline, session.entry.shape).view(np.uint8),
            self._show_brush,
            lambda error: self.bench.said.emit(str(error), True),
        )

    def _show_brush(self, mask: NDArray[np.uint8]) -> None:
        from napari.utils.colormaps import DirectLabelColormap

        session, viewer = self.bench.session, self.bench.viewer
        if session is None or mask.shape != session.entry.shape:
            return  # another photo was opened meanwhile
        remove_owned(viewer, "brushed outline")
        layer = viewer.add_labels(
            mask,
            name="Outline, brushed",
            opacity=0.35,
            colormap=DirectLabelColormap(color_dict={0: "transparent", None: ARRIS_COLOR}),
            metadata=tagged("brushed outline", session.file),
            **PIXELS,
        )
        layer.brush_size = max(session.entry.shape) / 60
        layer.mode = "paint"
        viewer.layers.selection.active = layer
        self.brush_row.setVisible(True)
        self.bench.said.emit("Paint wood in; key 1 erases, key 2 paints. Then accept.", False)

    def accept_brush(self) -> None:
        """Take the painted inside as the outline."""
        layer = find(self.bench.viewer, "brushed outline")
        if layer is None:
            self.brush_row.setVisible(False)
            return
        painted = np.asarray(layer.data) > 0
        self.bench.jobs.start(
            "brush",
            "drawing the outline",
            lambda _: outline_of_mask(painted),
            self._brushed,
            lambda error: self.bench.said.emit(str(error), True),
        )

    def _brushed(self, points: NDArray[np.float64] | None) -> None:
        if points is None:
            self.bench.said.emit("Nothing is painted: there is no outline in it.", True)
        elif find(self.bench.viewer, "brushed outline") and self._take(points, "brush"):
            self.discard_brush()

    def discard_brush(self) -> None:
        """Leave the outline as it was."""
        remove_owned(self.bench.viewer, "brushed outline")
        self.brush_row.setVisible(False)
