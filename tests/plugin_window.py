"""A viewer with the slab dock, and a hand that clicks, drags and types into it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np


def wait_until(condition: Callable[[], Any], seconds: float = 180.0, what: str = "") -> None:
    """Let the window work until a condition holds."""
    from qtpy.QtWidgets import QApplication

    end = time.monotonic() + seconds
    while not condition():
        QApplication.processEvents()
        time.sleep(0.01)
        assert time.monotonic() < end, f"waited {seconds:.0f} s in vain {what}"


def settle(seconds: float = 0.3) -> None:
    """Let the window work for a while."""
    end = time.monotonic() + seconds
    wait_until(lambda: time.monotonic() > end, seconds + 120)


class Hand:
    """Real mouse and key events on the canvas, aimed at pixels of the photo."""

    def __init__(self, viewer: Any) -> None:
        self.viewer = viewer
        self.canvas = viewer.window._qt_viewer.canvas.native

    def place(self, at: tuple[float, float]) -> Any:
        """Return where a pixel of the photo is on the canvas."""
        from qtpy.QtCore import QPoint

        camera = self.viewer.scene.camera
        middle = np.array([self.canvas.height(), self.canvas.width()]) / 2
        row, col = middle + (np.array(at) - np.array(camera.center)[-2:]) * camera.zoom
        return QPoint(round(col), round(row))

    def look_at(self, at: tuple[float, float], zoom: float) -> None:
        """Move the photo so that a pixel is in the middle."""
        self.viewer.scene.camera.center = (0.0, *at)
        self.viewer.scene.camera.zoom = zoom
        settle(0.2)

    def click(self, at: tuple[float, float], *, alt: bool = False) -> None:
        """Click a pixel of the photo."""
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        where = self.place(at)
        keys = Qt.KeyboardModifier.AltModifier if alt else Qt.KeyboardModifier.NoModifier
        QTest.mouseMove(self.canvas, where)
        QTest.mousePress(self.canvas, Qt.MouseButton.LeftButton, keys, where)
        QTest.mouseRelease(self.canvas, Qt.MouseButton.LeftButton, keys, where)
        settle(0.35)  # two clicks within a quarter of a second are a double click

    def drag(self, *path: tuple[float, float], steps: int = 6) -> None:
        """Press at the first pixel, move through the others, release."""
        from qtpy.QtCore import QEvent, QPointF, Qt
        from qtpy.QtGui import QMouseEvent
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        QTest.mouseMove(self.canvas, self.place(path[0]))
        QApplication.processEvents()
        left, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
        QTest.mousePress(self.canvas, left, none, self.place(path[0]))
        for start, end in pairwise(path):
            for k in range(1, steps + 1):
                at = np.array(start) + (np.array(end) - start) * k / steps
                where = self.place((float(at[0]), float(at[1])))
                # QTest.mouseMove carries no button; a drag has one held down.
                QApplication.sendEvent(
                    self.canvas,
                    QMouseEvent(
                        QEvent.Type.MouseMove,
                        QPointF(where),
                        QPointF(self.canvas.mapToGlobal(where)),
                        Qt.MouseButton.NoButton,
                        left,
                        none,
                    ),
                )
                QApplication.processEvents()
        QTest.mouseRelease(self.canvas, left, none, self.place(path[-1]))
        settle(0.3)

    def key(
        self, name: str, *, control: bool = False, shift: bool = False, alt: bool = False
    ) -> None:
        """Press a key with the canvas in focus."""
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        held = Qt.KeyboardModifier.NoModifier
        for on, one in (
            (control, Qt.KeyboardModifier.ControlModifier),
            (shift, Qt.KeyboardModifier.ShiftModifier),
            (alt, Qt.KeyboardModifier.AltModifier),
        ):
            held = held | one if on else held
        self.canvas.setFocus()
        QTest.keyClick(self.canvas, getattr(Qt.Key, f"Key_{name}"), held)
        settle(0.2)


def press(button: Any) -> None:
    """Press a button with the mouse."""
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest

    assert button.isEnabled(), f"{button.text()} cannot be pressed"
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)
    settle(0.1)


def button_named(widget: Any, words: str) -> Any:
    """Return the button with this text inside a widget."""
    from qtpy.QtWidgets import QPushButton

    found = [b for b in widget.findChildren(QPushButton) if b.text() == words]
    assert found, (
        f"no button {words!r}; there are {[b.text() for b in widget.findChildren(QPushButton)]}"
    )
    return found[0]


def type_into(field: Any, text: str, *, enter: bool = False) -> None:
    """Type into a line of text."""
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest

    field.setFocus()
    field.selectAll()
    QTest.keyClicks(field, text)
    if enter:
        QTest.keyClick(field, Qt.Key.Key_Return)
    settle(0.05)


@contextmanager
def dock_in(viewer: Any, folder: Path | None = None) -> Iterator[Any]:
    """Put the dock into a viewer, open a slab in it, and close it properly afterwards."""
    viewer.window.resize(1366, 740)
    _, dock = viewer.window.add_plugin_dock_widget("slabvision", "Slab")
    heard: list[tuple[str, bool]] = []
    dock.bench.said.connect(lambda words, wrong: heard.append((words, wrong)))
    dock.heard = heard
    settle(0.2)
    if folder is not None:
        assert dock.bench.open_slab(folder), heard
        ready(dock)
    try:
        yield dock
    finally:
        wait_until(lambda: not dock.bench.jobs.busy)
        dock.close()
        settle(0.1)


def ready(dock: Any) -> None:
    """Wait until the photo is shown and its reference fitted."""
    bench = dock.bench
    wait_until(lambda: bench.photo_layer is not None, what="for the photo")
    wait_until(lambda: not bench.jobs.busy, what="for the jobs")
    settle(0.4)
    wait_until(lambda: not bench.jobs.busy, what="for the jobs")


def csv_of_command_line(folder: Path, out: Path) -> dict[str, bytes]:
    """Return the tables that the command line writes, by name."""
    from typer.testing import CliRunner

    from slabvision.cli import app

    done = CliRunner().invoke(app, ["measure", str(folder), "--csv", str(out), "--unit", "in"])
    assert done.exit_code == 0, done.output
    return {p.name: p.read_bytes() for p in sorted(out.iterdir())}
