"""Every step of the dock on a small and a large screen, dark and light: nothing is cut off.

With ``SLABVISION_SCREENS`` set to a folder the pictures are kept there; those of the README are
made so: the small screen in the dark theme.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.plugin_window import Hand, button_named, dock_in, press, ready, settle, wait_until

pytestmark = [pytest.mark.screen, pytest.mark.slow]


@pytest.fixture(autouse=True)
def own_settings(plugin_settings: Any, npe2pm: Any) -> None:
    """Keep what the dock remembers out of the person's own settings."""
    from npe2 import PluginManifest

    npe2pm.register(PluginManifest.from_distribution("slabvision"))


SIZES = ((1366, 768), (1600, 1000))
STEPS = ("slab-and-notebook", "reference", "outline", "defects", "end-grain", "findings")


def cut_off(dock: Any) -> list[str]:
    """Return what of the dock is narrower than its words or sticks out of it."""
    from qtpy.QtWidgets import (
        QCheckBox,
        QComboBox,
        QLabel,
        QPushButton,
        QStyle,
        QStyleOptionComboBox,
        QTableWidget,
        QToolButton,
    )

    words = []
    view = dock.scroll.viewport()
    if dock.scroll.widget().minimumSizeHint().width() > view.width():
        words.append(f"steps need {dock.scroll.widget().minimumSizeHint().width()} px")
    for kind in (QPushButton, QCheckBox, QLabel, QToolButton):
        for widget in dock.findChildren(kind):
            if not widget.isVisible() or not widget.text():
                continue
            right = widget.mapTo(dock, widget.rect().topRight()).x()
            if right > dock.width():
                words.append(f"{widget.text()!r} sticks out")
            wraps = kind is QLabel and widget.wordWrap()
            if wraps:
                if widget.heightForWidth(widget.width()) > widget.height() + 2:
                    needs = widget.heightForWidth(widget.width())
                    words.append(f"{widget.text()[:40]!r} has {widget.height()} of {needs} px")
            elif widget.sizeHint().width() > widget.width() + 1:
                words.append(f"{widget.text()!r} needs {widget.sizeHint().width()} px")
    for choice in dock.findChildren(QComboBox):
        if choice.isVisible():
            option = QStyleOptionComboBox()
            choice.initStyleOption(option)
            field = choice.style().subControlRect(
                QStyle.ComplexControl.CC_ComboBox,
                option,
                QStyle.SubControl.SC_ComboBoxEditField,
                choice,
            )
            icon = 0 if choice.itemIcon(choice.currentIndex()).isNull() else 4
            icon += choice.iconSize().width() if icon else 0
            needs = choice.fontMetrics().horizontalAdvance(choice.currentText()) + icon
            if needs > field.width():
                words.append(f"{choice.currentText()!r} needs {needs} of {field.width()} px")
    for table in dock.findChildren(QTableWidget):
        if table.isVisible():
            words += cut_cells(table)
    return words


def cut_cells(table: Any) -> list[str]:
    """Return the cells whose words do not fit, over as many lines as their row is high."""
    found = []
    for row in range(table.rowCount()):
        for column in range(table.columnCount()):
            item = table.item(row, column)
            if item is None or not item.text():
                continue
            needs = table.visualItemRect(item)
            icon = 0 if item.icon().isNull() else table.iconSize().width() + 4
            wide = needs.width() - icon - 6
            metrics = table.fontMetrics()
            lines = max(1, table.rowHeight(row) // metrics.lineSpacing())
            longest = max(metrics.horizontalAdvance(word) for word in item.text().split())
            if longest > wide or metrics.horizontalAdvance(item.text()) > wide * lines:
                found.append(f"{item.text()!r} has {wide} px and {lines} line(s)")
    return found


def keep(window: Any, name: str, folder: Path) -> Path:
    """Grab the window into a PNG of 256 colours, rare ones kept."""
    from PIL import Image

    path = folder / f"{name}.png"
    window.grab().save(str(path))
    with Image.open(path) as image:
        small = image.convert("RGB").quantize(
            256, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.FLOYDSTEINBERG
        )
    small.save(path, optimize=True)
    return path


@pytest.mark.parametrize("theme", ["dark", "light"])
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_every_step_fits_the_screen(
    make_napari_viewer: Any, tmp_path: Path, size: tuple[int, int], theme: str
) -> None:
    from qtpy.QtWidgets import QApplication

    from slabvision.sample import sample_folder

    kept = Path(os.environ.get("SLABVISION_SCREENS", tmp_path))
    viewer = make_napari_viewer(show=True)
    viewer.theme = theme
    window = viewer.window._qt_window
    faults: list[str] = []
    with sample_folder() as folder, dock_in(viewer, folder) as dock:
        window.setGeometry(0, 0, *size)
        settle(0.5)
        assert (window.width(), window.height()) == size, "the window does not fit this screen"
        viewer.reset_view()
        bench = dock.bench
        for number, name in enumerate(STEPS, start=1):
            if name == "end-grain":
                show_end(dock)
            elif name == "findings":
                bench.show_photo(bench.session.record.photos[0].file)
            dock.open_step(number)
            ready(dock)
            if name == "findings":
                show_findings(dock)
            if name == "defects":
                bench.painting.choose_kind("sound_knot")
            settle(0.4)
            found = cut_off(dock)
            bar = dock.scroll.verticalScrollBar()
            bar.setValue(bar.maximum())
            settle(0.1)
            found += [word for word in cut_off(dock) if word not in found]
            bar.setValue(dock.steps[number - 1].y() if number > 3 else 0)
            settle(0.1)
            faults += [f"{name}: {word}" for word in found]
            picture = keep(window, f"{size[0]}-{theme}-{number}-{name}", kept)
            assert picture.stat().st_size < 400_000
        assert QApplication.primaryScreen().availableGeometry().width() >= window.width()
    assert faults == []


@pytest.mark.parametrize("theme", ["dark", "light"])
def test_previews_are_shown_with_their_size_and_their_keys(
    make_napari_viewer: Any, tmp_path: Path, theme: str
) -> None:
    from qtpy.QtCore import QPoint

    from slabvision.sample import sample_folder

    kept = Path(os.environ.get("SLABVISION_SCREENS", tmp_path))
    viewer = make_napari_viewer(show=True)
    viewer.theme = theme
    window = viewer.window._qt_window
    with sample_folder() as folder, dock_in(viewer, folder) as dock:
        window.setGeometry(0, 0, *SIZES[0])
        settle(0.5)
        dock.open_step(4)
        trace_a_check(dock, Hand(viewer))
        bar = dock.scroll.verticalScrollBar()
        bar.setValue(bar.maximum() // 3)
        settle(0.3)
        assert cut_off(dock) == []
        assert dock.step(4).tools.accept.isEnabled()
        picture = keep(window, f"{SIZES[0][0]}-{theme}-7-preview", kept)
        assert picture.stat().st_size < 400_000
        dock.bench.clicking.discard()
        viewer.reset_view()
        dock.open_step(3)
        press(button_named(dock.step(3), "Propose"))
        wait_until(lambda: dock.bench.tool_run.preview is not None and not dock.bench.jobs.busy)
        settle(0.3)
        assert cut_off(dock) == []
        assert dock.step(3).tools.accept.isEnabled()
        keep(window, f"{SIZES[0][0]}-{theme}-8-proposal", kept)
        dock.bench.clicking.discard()
        dock.open_step(4)
        press(button_named(dock.step(4).suggest, "Suggest defects"))
        wait_until(lambda: dock.bench.suggesting.here is not None, what=str(dock.heard))
        settle(0.5)
        bar.setValue(dock.step(4).suggest.mapTo(dock.scroll.widget(), QPoint(0, 0)).y() - 20)
        settle(0.3)
        assert cut_off(dock) == []
        keep(window, f"{SIZES[0][0]}-{theme}-9-suggestion", kept)


def trace_a_check(dock: Any, hand: Any) -> None:
    """Take a painted check away and trace it again by its two ends, as far as the preview."""
    bench = dock.bench
    layer = bench.painting.layer
    rows, cols = np.nonzero(layer.data == 1)
    ends = [(float(rows[i]), float(cols[i])) for i in (np.argmin(cols), np.argmax(cols))]
    bench.painting.remove([1])
    bench.painting.choose_kind("through_check")
    hand.look_at((float(rows.mean()), float(cols.mean())), 300 / max(np.ptp(cols), 60))
    press(button_named(dock.step(4), "Trace a check"))
    for end in ends:
        hand.click(end)
    wait_until(lambda: bench.tool_run.preview is not None and not bench.jobs.busy)
    settle(0.3)


def show_end(dock: Any) -> None:
    bench = dock.bench
    end = next(p.file for p in bench.session.record.photos if p.role.startswith("end"))
    bench.show_photo(end)
    wait_until(lambda: bench.session.file == end)
    ready(dock)
    middle = np.mean(bench.session.entry.end_grain.outline, axis=0)
    Hand(bench.viewer).look_at((float(middle[0]), float(middle[1])), 0.33)
    assert len(bench.session.entry.end_grain.outline) > 3, "the sample's end is outlined"
    dock.step(5).read()
    wait_until(lambda: not bench.jobs.busy)


def show_findings(dock: Any) -> None:
    bench = dock.bench
    wait_until(lambda: bench.measuring.face is not None, what=bench.measuring.findings_why)
    wait_until(lambda: not bench.measuring.stale and not bench.jobs.busy)
    bench.viewer.reset_view()
    for what in ("circle", "rectangle"):
        dock.step(6).fit(what)
        wait_until(lambda: not bench.jobs.busy)
    wanted = {"finding: clear", "finding: circle", "finding: rectangle"}
    wait_until(
        lambda: wanted <= {layer.metadata["slabvision"]["role"] for layer in bench.viewer.layers}
    )
