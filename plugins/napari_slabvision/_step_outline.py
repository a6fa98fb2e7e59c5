"""Step 3, the outline: where the sawn face ends, and if wanted the widest silhouette."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtWidgets import QCheckBox, QVBoxLayout, QWidget

from napari_slabvision._clicking import Point, Wanted
from napari_slabvision._owned import find, remove_owned, tagged
from napari_slabvision._parts import Choice, Message, button, form, hint, row
from slabvision.record import Outline

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["OutlineStep", "mask_of", "outline_of_mask"]

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
        self.which.chosen.connect(lambda _: self._show())
        self.bark = Choice(_BARK, "Whether the outline runs outside the bark")
        self.bark.chosen.connect(lambda value: self._update(bark=value))
        self.open = QCheckBox("The photo's frame cuts the slab off")
        self.open.toggled.connect(self._open_toggled)
        self.said = Message()
        self.propose_button = button("Propose", self.propose, "Find the slab in the photo")
        self.propose_button.setVisible(can_propose())
        self.brush_row = row(
            button("Accept brushed", self.accept_brush), button("Discard", self.discard_brush)
        )
        self.brush_row.setVisible(False)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 4, 4, 4)
        layout.setSpacing(5)
        for widget in (
            form(("outline", self.which)),
            row(
                self.propose_button,
                button("Draw", self.draw, "Click round the edge, then Enter"),
            ),
            row(
                button("Move points", self.move_points, "Drag, add and remove corners"),
                button("Correct with brush", self.brush, "Paint wood in, erase ground"),
            ),
            self.brush_row,
            self.said,
            form(("bark", self.bark)),
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
        session = self.bench.session
        if session is None or not session.file:
            return None
        return getattr(session.entry, self.which.value)

    def _record_changed(self, what: str) -> None:
        if what in ("outline", "drawn", "recovered", "spots"):
            self._show()

    def _show(self) -> None:
        outline = self._outline
        self.bark.setEnabled(outline is not None)
        self.open.setEnabled(outline is not None)
        self.bark.show_value(outline.bark if outline else "unsaid")
        self.open.blockSignals(True)
        self.open.setChecked(bool(outline and outline.open))
        self.open.blockSignals(False)
        if outline is None:
            ways = (
                "let it be proposed, or draw it" if can_propose() else "draw it, by clicks or brush"
            )
            self.said.say(f"No outline yet: {ways}.")
            return
        fault = crossing_words(outline)
        self.said.say(
            fault or f"{len(outline.points)} corners, by {outline.tool}.", warn=bool(fault)
        )

    def _set(self, points: Any, tool: str) -> bool:
        session = self.bench.session
        if session is None:
            return False
        before = self._outline
        kept = {"bark": before.bark} if before else {"bark": self.bark.value}
        at = [(float(r), float(c)) for r, c in points]
        outline = Outline(points=at, tool=tool, open=on_frame(at, session.entry.shape), **kept)
        return self.bench.drawing.set_outline(self.which.value, outline)

    def _update(self, **changes: Any) -> None:
        outline = self._outline
        if outline is not None:
            self.bench.drawing.set_outline(self.which.value, outline.model_copy(update=changes))

    def _open_toggled(self, on: bool) -> None:
        self._update(open=on)

    # Ways to draw ----------------------------------------------------------------------------

    def propose(self) -> None:
        """Find the slab in the photo and show its outline; Undo takes it back."""
        pixels = self.bench.pixels
        if pixels is None:
            self.bench.said.emit("Open a slab first.", False)
            return
        self.bench.jobs.start(
            "outline",
            "looking for the slab",
            lambda: propose_outline(pixels),
            self._proposed,
            lambda error: self.bench.said.emit(f"{error}. Draw it by hand.", True),
        )

    def _proposed(self, points: NDArray[np.float64]) -> None:
        if self._set(points, "proposed"):
            self.bench.said.emit(
                "Outline proposed: look along the whole edge and correct it. Undo takes it back.",
                False,
            )

    def draw(self) -> None:
        """Want clicks round the slab."""
        self.bench.clicking.begin(
            Wanted(
                "Click round the edge of the slab; Backspace takes a click back, Enter closes it.",
                lambda at, _: self._set(at, "hand"),
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
        from napari.utils.colormaps import DirectLabelColormap

        mask = mask_of(outline, session.entry.shape)
        viewer = self.bench.viewer
        remove_owned(viewer, "brushed outline")
        layer = viewer.add_labels(
            mask.astype(np.uint8),
            name="Outline, brushed",
            scale=(1.0, 1.0),
            units=("pixel", "pixel"),
            opacity=0.35,
            colormap=DirectLabelColormap(color_dict={0: "transparent", None: "#14d2ff"}),
            metadata=tagged("brushed outline", session.file),
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
        points = outline_of_mask(np.asarray(layer.data) > 0)
        if points is None:
            self.bench.said.emit("Nothing is painted: there is no outline in it.", True)
            return
        if self._set(points, "brush"):
            self.discard_brush()

    def discard_brush(self) -> None:
        """Leave the outline as it was."""
        remove_owned(self.bench.viewer, "brushed outline")
        self.brush_row.setVisible(False)


def on_frame(points: list[Point], shape: tuple[int, int]) -> bool:
    """Whether an outline runs along the photo's frame: three points or more lie on it."""
    at = np.array(points)
    limit = np.array(shape) - 1
    return int(((at <= 2) | (at >= limit - 2)).any(axis=1).sum()) >= 2


def crossing_words(outline: Outline) -> str:
    """Say where an outline crosses itself; empty when it does not."""
    import shapely

    shape = shapely.Polygon(outline.points)
    if shape.is_valid:
        return ""
    why = str(shapely.is_valid_reason(shape))
    place = why[why.find("[") + 1 : why.find("]")].split() if "[" in why else []
    at = f" at row {float(place[0]):.0f}, column {float(place[1]):.0f}" if place else ""
    return f"The outline crosses itself{at}: move its corners apart there."


def mask_of(outline: Outline | None, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return the inside of an outline as a mask of the photo."""
    from skimage.draw import polygon2mask

    if outline is None:
        return np.zeros(shape, np.bool_)
    return np.asarray(polygon2mask(shape, np.array(outline.points)), np.bool_)


def outline_of_mask(
    mask: NDArray[np.bool_], tolerance_px: float = 1.0
) -> NDArray[np.float64] | None:
    """Return the outline of the largest painted piece, its holes filled, (N, 2).

    Corners that leave the edge by less than ``tolerance_px`` are left out.
    """
    import shapely

    from slabvision.contours import mask_polygons

    pieces = shapely.get_parts(mask_polygons(mask, (0, 0)))
    if not len(pieces):
        return None
    largest = max(pieces, key=lambda piece: shapely.Polygon(piece.exterior).area)
    ring = shapely.simplify(shapely.Polygon(largest.exterior), tolerance_px)
    return np.asarray(ring.exterior.coords)[:-1]


def can_propose() -> bool:
    """Whether this version of the library finds outlines by itself."""
    from slabvision import segment

    return hasattr(segment, "find_outline")


def propose_outline(pixels: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return a proposed outline of the slab, (N, 2) row, col."""
    from slabvision import segment

    found = segment.find_outline(pixels)
    if isinstance(found, np.ndarray) and found.dtype == np.bool_:
        points = outline_of_mask(found)
        if points is None:
            raise ValueError("no slab was found in this photo")
        return points
    points = getattr(found, "points", found)
    return np.asarray(points, float)
