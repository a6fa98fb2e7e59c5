"""Runs a segmenting tool on the photo: clicks, preview layer, Enter or Escape, one undo step."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtCore import QObject, Signal

from napari_slabvision._clicking import Point, Wanted
from napari_slabvision._owned import find, remove_owned, tagged
from napari_slabvision._tools import Preview, Tool
from slabvision.defects import KINDS

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["ToolRun"]


class ToolRun(QObject):
    """The tool in use; ``changed`` says that its preview changed or that it is done."""

    changed = Signal()

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.bench = bench
        self.tool: Tool | None = None
        self.preview: Preview | None = None
        self._accept_when_ready = False

    def begin(self, tool: Tool) -> None:
        """Take a tool in hand."""
        self.preview = None
        self._accept_when_ready = False
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

    def _clicked(self, inside: list[Point], outside: list[Point]) -> None:
        tool, pixels = self.tool, self.bench.pixels
        if tool is None or pixels is None:
            return
        if len(inside) < tool.least:
            self._show(None)
            return
        self.bench.jobs.start(
            "tool",
            tool.title.lower(),
            lambda: tool.propose(pixels, inside, outside),
            self._show,
            self._failed,
        )

    def _failed(self, error: Exception) -> None:
        self._accept_when_ready = False
        self.bench.said.emit(str(error), True)

    def _show(self, preview: Preview | None) -> None:
        if self.tool is None:
            return
        self.preview = preview
        remove_owned(self.bench.viewer, "preview")
        if preview is not None and preview.mask.any():
            self._add_layer(preview)
            self.bench.said.emit(f"{preview.words}. Enter accepts, Escape discards.", False)
        self.changed.emit()
        if self._accept_when_ready:
            self._accept_when_ready = False
            self.bench.clicking.accept()

    def _add_layer(self, preview: Preview) -> None:
        from napari.utils.colormaps import DirectLabelColormap

        viewer, session = self.bench.viewer, self.bench.session
        color = KINDS[self.bench.painting.kind].color
        active = viewer.layers.selection.active
        viewer.add_labels(
            preview.mask.astype(np.uint8),
            name="Preview",
            translate=preview.corner,
            scale=(1.0, 1.0),
            units=("pixel", "pixel"),
            opacity=0.75,
            colormap=DirectLabelColormap(color_dict={0: "transparent", 1: color, None: color}),
            metadata=tagged("preview", session.file if session else ""),
        )
        clicks = find(viewer, "clicks")
        if clicks is not None:
            viewer.layers.move(viewer.layers.index(clicks), len(viewer.layers))
        viewer.layers.selection.active = clicks if clicks is not None else active

    def _accept(self, inside: list[Point], outside: list[Point]) -> Any:
        tool, preview = self.tool, self.preview
        if tool is None:
            return True
        if self.bench.jobs.is_running("tool"):
            self._accept_when_ready = True  # the preview of the last click is still to come
            return False
        if preview is None or not preview.mask.any():
            self.bench.said.emit("There is nothing to accept yet.", False)
            return False
        number = self.bench.painting.put_mask(preview.mask, preview.corner, tool.key, preview.trace)
        self.bench.said.emit(
            f"Painted as {KINDS[self.bench.painting.kind].title} {number}. Ctrl+Z takes it back."
            if number
            else "Other defects lie there already, and they are protected.",
            False,
        )
        self._end()
        return True

    def _end(self) -> None:
        self.tool = None
        self.preview = None
        remove_owned(self.bench.viewer, "preview")
        layer = self.bench.painting.layer
        if layer is not None:
            self.bench.viewer.layers.selection.active = layer
        self.changed.emit()
