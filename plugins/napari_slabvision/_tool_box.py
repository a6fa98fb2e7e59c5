"""Buttons of tools, what the tool in hand found, and Accept and Discard beside Enter and Escape."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import QVBoxLayout, QWidget

from napari_slabvision._parts import button, hint, row, stack
from napari_slabvision._tools import Tool, available

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["SuggestBox", "ToolBox"]


class ToolBox(QWidget):
    """The tools of one step that this version of the library has."""

    def __init__(self, bench: Bench, tools: Sequence[Tool]) -> None:
        super().__init__()
        self.bench = bench
        self.tools = available(tools)
        self.buttons = row(*(button(t.title, _beginner(bench, t), t.words) for t in self.tools))
        self.said = hint()
        self.accept = button("Accept (Enter)", bench.clicking.accept)
        self.discard = button("Discard (Esc)", bench.clicking.discard)
        self.ending = row(self.accept, self.discard)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(5)
        for widget in (self.buttons, self.said, self.ending):
            layout.addWidget(widget)
        self.setVisible(bool(self.tools))
        bench.tool_run.changed.connect(self._show)
        self._show()

    def _show(self) -> None:
        run = self.bench.tool_run
        mine = run.tool is not None and run.tool.key in {tool.key for tool in self.tools}
        self.ending.setVisible(mine)
        self.accept.setEnabled(run.preview is not None and run.preview.holds)
        self.said.setText(run.words() if mine else "")
        self.said.setVisible(mine)


class SuggestBox(QWidget):
    """Search for defects, and the walk through what was found."""

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.suggesting = suggesting = bench.suggesting
        self.begin = button(
            "Suggest defects", suggesting.begin, "Looks over the whole face; you decide one by one"
        )
        self.said = hint()
        self.walk = stack(
            row(
                button("Accept (Enter)", suggesting.accept),
                button("Reject (Delete)", suggesting.reject),
            ),
            row(
                button("Back (Backspace)", suggesting.back, "Takes back the last answer"),
                button("End (Esc)", suggesting.end, "What was accepted stays"),
            ),
        )
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(5)
        for widget in (self.begin, self.said, self.walk):
            layout.addWidget(widget)
        suggesting.changed.connect(self._show)
        self._show()

    def _show(self) -> None:
        walking = self.suggesting.here is not None
        self.setVisible(self.suggesting.search is not None)
        self.begin.setVisible(not walking)
        self.walk.setVisible(walking)
        self.said.setText(self.suggesting.words())
        self.said.setVisible(walking)


def _beginner(bench: Bench, tool: Tool) -> Any:
    return lambda: bench.tool_run.begin(tool)
