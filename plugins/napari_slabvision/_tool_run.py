"""Runs a segmenting tool on the photo: clicks, preview layer, Enter or Escape, one undo step."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtCore import QObject, Signal

from napari_slabvision._clicking import Point, Wanted
from napari_slabvision._owned import PIXELS, find, remove_owned, tagged
from napari_slabvision._parts import area_text
from napari_slabvision._photo_layers import line_px
from napari_slabvision._tools import Ask, Preview, Tool
from slabvision.defects import KINDS

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["PREVIEW_COLOR", "ToolRun", "show_preview"]

PREVIEW_COLOR = "#ffd23f"
"""An outline that is proposed and not yet accepted."""


def show_preview(bench: Bench, preview: Preview, kind: str) -> Any:
    """Show what is proposed as a layer of its own, above everything; returns the layer."""
    session = bench.session
    remove_owned(bench.viewer, "preview")
    if session is None or not preview.holds:
        return None
    told = tagged("preview", session.file, weight=1.5)
    if preview.outline is not None:
        drawn = {
            "name": "Preview",
            "shape_type": "polygon",
            "edge_color": PREVIEW_COLOR,
            "face_color": "transparent",
            "edge_width": 1.5 * line_px(session.entry.shape),
            "metadata": told,
            **PIXELS,
        }
        layer = bench.add([preview.outline], drawn, "shapes")
        layer.editable = False
        return layer
    from napari.utils.colormaps import DirectLabelColormap

    color = KINDS[kind].color
    return bench.viewer.add_labels(
        preview.mask.astype(np.uint8),
        name="Preview",
        translate=preview.corner,
        opacity=0.75,
        colormap=DirectLabelColormap(color_dict={0: "transparent", 1: color, None: color}),
        metadata=told,
        **PIXELS,
    )


class ToolRun(QObject):
    """The tool in use; ``changed`` says that its preview changed or that it is done."""

    changed = Signal()

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.bench = bench
        self.tool: Tool | None = None
        self.preview: Preview | None = None
        self._accept_when_ready = False
        self._kept: dict[str, Any] = {}

    def begin(self, tool: Tool) -> None:
        """Take a tool in hand."""
        self.preview = None
        self._accept_when_ready = False
        self._kept = {}
        self.bench.clicking.begin(
            Wanted(
                tool.words,
                self._accept,
                least=tool.least,
                outside=tool.outside,
                changed=self._clicked,
                discarded=self._end,
            )
        )
        if self.bench.clicking.active:
            self.tool = tool
            self.changed.emit()
            if tool.least == 0:
                self._clicked([], [])

    def _clicked(self, inside: list[Point], outside: list[Point]) -> None:
        tool, pixels = self.tool, self.bench.pixels
        if tool is None or pixels is None:
            return
        if len(inside) < tool.least:
            self._show(tool, None)
            return
        bench = self.bench
        bark: Any = "in" if bench.drawing.bark_said == "in" else "out"
        wanted = bench.clicking.wanted
        order = [said == "inside" for said in wanted.order] if wanted is not None else []
        kind = bench.painting.kind
        ask = Ask(pixels, inside, outside, bench.measuring.plane, bench.unit, bark, order,
                  None if KINDS[kind].line else kind, self._kept)  # fmt: skip
        self.bench.jobs.start(
            "tool",
            tool.title.lower(),
            lambda _: tool.propose(ask),
            lambda preview: self._show(tool, preview),
            self._failed,
        )

    def _failed(self, error: Exception) -> None:
        self._accept_when_ready = False
        self.bench.said.emit(str(error), True)

    def words(self) -> str:
        """Return what is proposed, with its size, or what to click."""
        if self.tool is None:
            return ""
        preview = self.preview
        if preview is None or not preview.holds:
            return self.tool.words
        mm2 = self.bench.painting.area_mm2(preview.mask, preview.corner)
        size = "" if preview.outline is not None else f", {area_text(mm2, self.bench.unit)}"
        return f"{preview.words}{size}"

    def _show(self, tool: Tool, preview: Preview | None) -> None:
        if self.tool is not tool:
            return  # it was put away while it worked
        self.preview = preview
        viewer = self.bench.viewer
        active = viewer.layers.selection.active
        if preview is None or not preview.holds:
            remove_owned(viewer, "preview")
            if preview is not None:
                self.bench.said.emit("Nothing was found there.", False)
        else:
            show_preview(self.bench, preview, self.bench.painting.kind)
            clicks = find(viewer, "clicks")
            if clicks is not None:
                viewer.layers.move(viewer.layers.index(clicks), len(viewer.layers))
            viewer.layers.selection.active = clicks if clicks is not None else active
            words = self.words()
            self.bench.said.emit(
                f"{words[:1].upper()}{words[1:]}. Enter accepts, Escape discards.", False
            )
        self.changed.emit()
        if self._accept_when_ready:
            self._accept_when_ready = False
            self.bench.clicking.accept()

    def _accept(self, inside: list[Point], outside: list[Point]) -> Any:
        tool, preview = self.tool, self.preview
        if tool is None:
            return True
        if self.bench.jobs.is_running("tool"):
            self._accept_when_ready = True  # the preview of the last click is still to come
            return False
        if preview is None or not preview.holds:
            self.bench.said.emit("There is nothing to accept yet.", False)
            return False
        if preview.outline is not None:
            drawing = self.bench.drawing
            if not drawing.take_outline(
                preview.outline, tool.key, bark=preview.bark, cut_off=preview.open
            ):
                return False
            self.bench.said.emit("The outline is taken. Undo takes it back.", False)
        else:
            self._paint(tool, preview)
        self._end()
        return True

    def _paint(self, tool: Tool, preview: Preview) -> None:
        painting = self.bench.painting
        number = painting.put_mask(preview.mask, preview.corner, tool.key, preview.trace)
        self.bench.said.emit(
            f"Painted as {KINDS[painting.kind].title} {number}. Ctrl+Z takes it back."
            if number
            else "Other defects lie there already, and they are protected.",
            False,
        )

    def _end(self) -> None:
        drawn = self.preview is not None and self.preview.outline is not None
        self.tool = None
        self.preview = None
        remove_owned(self.bench.viewer, "preview")
        layer = find(self.bench.viewer, "outline" if drawn else "defects")
        if layer is not None:
            self.bench.viewer.layers.selection.active = layer
        self.changed.emit()
