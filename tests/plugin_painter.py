"""Paints in a viewer until it is killed; writes down what it had painted and when.

Run as ``python -m tests.plugin_painter FOLDER LOG`` on a screen.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path


def main(folder: Path, log: Path) -> None:
    """Open a slab and paint a little further every fifth of a second."""
    import napari

    from tests.plugin_window import settle, wait_until

    viewer = napari.Viewer(show=True)
    _, dock = viewer.window.add_plugin_dock_widget("slabvision", "Slab")
    assert dock.bench.open_slab(folder)
    wait_until(lambda: dock.bench.painting.layer is not None)
    layer = dock.bench.painting.layer
    dock.bench.painting.choose_kind("rot")
    layer.brush_size = 21
    # First a notebook entry and a mark's name, then strokes.
    dock.bench.session.change_notebook(note="soft at end A")
    with log.open("a") as stream:
        for step in range(400):
            layer.paint((300 + 2 * (step // 100), 1300 + 12 * (step % 100)), layer.selected_label)
            settle(0.2)
            painted = int((layer.data == layer.selected_label).sum())
            painted = max(painted, dock.bench.painting.tally.pixels.get(3, 0))
            stream.write(f"{time.time():.3f} {painted}\n")
            stream.flush()
            os.fsync(stream.fileno())


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
