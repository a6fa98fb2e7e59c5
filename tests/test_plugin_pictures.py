"""Every step of the dock on a small and a large screen, dark and light: nothing is cut off.

With ``SLABVISION_SCREENS`` set to a folder the pictures are kept there; those of the README are
made so: the small screen in the dark theme.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from tests.plugin_window import dock_in, ready, settle, wait_until

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
    from qtpy.QtWidgets import QCheckBox, QLabel, QPushButton, QToolButton

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
    return words


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


def show_end(dock: Any) -> None:
    from slabvision.record import EndGrainMarks

    bench = dock.bench
    end = next(p.file for p in bench.session.record.photos if p.role.startswith("end"))
    bench.show_photo(end)
    wait_until(lambda: bench.session.file == end)
    ready(dock)
    dock.bench.viewer.reset_view()
    marks = bench.session.entry.end_grain or EndGrainMarks()
    # Clicked by eye on the end in this photo.
    corners = [(700, 118), (700, 1886), (812, 1868), (812, 240)]
    bench.session.change_entry("end grain", end_grain=marks.model_copy(update={"outline": corners}))
    dock.step(5).read()
    wait_until(lambda: not bench.jobs.busy, 60)


def show_findings(dock: Any) -> None:
    bench = dock.bench
    wait_until(lambda: bench.measuring.face is not None, 60, bench.measuring.findings_why)
    wait_until(lambda: not bench.measuring.stale and not bench.jobs.busy, 60)
    bench.viewer.reset_view()
    for what in ("circle", "rectangle"):
        dock.step(6).fit(what)
        wait_until(lambda: not bench.jobs.busy, 60)
    assert {"finding: clear", "finding: circle", "finding: rectangle"} <= {
        layer.metadata["slabvision"]["role"] for layer in bench.viewer.layers
    }
