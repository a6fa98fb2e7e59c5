"""How long the window stands still, action by action: the longest gap between two heartbeats.

xvfb-run -a -s "-screen 0 1600x1000x24" .venv/bin/python -m tests.benchmarks.heartbeat_plugin

A timer beats every few milliseconds in the window's thread while a hand goes through the whole
work on the sample slab, its photos enlarged to 12 MP. Two figures per action: the gap on the
clock, and what the window's thread itself worked in it. Both hold the drawing, which a software
renderer makes slow. The first rows are napari alone, doing the least of each sort on the same
machine in the same minute: what it takes to draw once, to add a layer, to give it other content.
An action that takes no longer than those cannot be made shorter here.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

BAR_MS = 100.0
_BEAT_MS = 2


class Heartbeat:
    """Beats in the window's thread; ``during`` notes the longest gaps of an action."""

    def __init__(self) -> None:
        from qtpy.QtCore import Qt, QTimer

        self.found: dict[str, tuple[float, float]] = {}
        self._timer = QTimer()
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self._beat)
        self._timer.start(_BEAT_MS)
        self._last = (time.perf_counter(), time.thread_time())
        self._wall = self._own = 0.0

    def _beat(self) -> None:
        now = (time.perf_counter(), time.thread_time())
        self._wall = max(self._wall, now[0] - self._last[0])
        self._own = max(self._own, now[1] - self._last[1])
        self._last = now

    @contextmanager
    def during(self, action: str, settled: Callable[[], Any] | None = None) -> Iterator[None]:
        """Note the longest gaps until the action and what follows from it are done."""
        from tests.plugin_window import settle, wait_until

        settle(0.2)
        self._beat()
        self._wall = self._own = 0.0
        yield
        if settled is not None:
            wait_until(settled, 300, action)
        settle(0.4)
        self._beat()
        wall, own = self.found.get(action, (0.0, 0.0))
        self.found[action] = (max(wall, self._wall), max(own, self._own))
        print(f"{action}: {1000 * self._wall:.0f} {1000 * self._own:.0f}", file=sys.stderr)


def enlarged_sample(folder: Path, times: int = 2) -> Path:
    """Write the sample slab with its photos and marks enlarged."""
    from PIL import Image

    from slabvision.photo import read_header
    from slabvision.record import PhotoEntry
    from slabvision.sample import sample_folder
    from slabvision.store import load_slab, read_labels, read_zones, save_slab

    def larger(value: Any) -> Any:
        if isinstance(value, list | tuple):
            return [larger(each) for each in value]
        return (value + 0.5) * times - 0.5

    folder.mkdir(parents=True)
    labels, zones, entries = {}, {}, []
    with sample_folder() as small:
        record = load_slab(small)
        for entry in record.photos:
            with Image.open(small / entry.file) as photo:
                size = (photo.width * times, photo.height * times)
                photo.resize(size).save(folder / entry.file, exif=photo.getexif(), quality=88)
            old = entry.model_dump(mode="json")
            header = read_header(folder / entry.file)
            old |= {"sha256": header.sha256, "shape": header.shape, "labels": None, "zones": None}
            old["focal_px"] *= times
            for mark in old["marks"]:
                mark["points"] = larger(mark["points"])
            for spot in old["landmarks"]:
                spot["point"] = larger(spot["point"])
            if old["arris"]:
                old["arris"]["points"] = larger(old["arris"]["points"])
            if old["end_grain"]:
                for name in ("face_line", "outline"):
                    old["end_grain"][name] = larger(old["end_grain"][name])
            entries.append(PhotoEntry.model_validate(old))
            if entry.role.startswith("face"):
                for kept, read in ((labels, read_labels), (zones, read_zones)):
                    image = read(small, entry)
                    kept[entry.file] = image.repeat(times, axis=0).repeat(times, axis=1)
    new = record.model_copy(update={"photos": entries, "generation": 0})
    save_slab(folder, new, labels=labels, zones=zones)
    return folder


def napari_alone(viewer: Any, beat: Heartbeat) -> None:
    """Do the least of each sort without the plugin: a measure of napari and of this machine."""
    pixels = np.zeros((3000, 4000, 3), np.uint8)
    with beat.during("napari alone: first layer (loads what layers need)"):
        image = viewer.add_image(pixels, rgb=True)
    with beat.during("napari alone: draw"):
        viewer.scene.camera.zoom *= 1.01
    for _ in range(2):
        with beat.during("napari alone: other content for a photo's layer"):
            image.data = pixels.copy()
        with beat.during("napari alone: add labels of 12 MP"):
            labels = viewer.add_labels(np.zeros((3000, 4000), np.uint8))
        with beat.during("napari alone: add points"):
            points = viewer.add_points(np.zeros((1, 2)))
        with beat.during("napari alone: remove points"):
            viewer.layers.remove(points)
        viewer.layers.remove(labels)
    viewer.layers.clear()


def whole_work(folder: Path, out: Path) -> dict[str, tuple[float, float]]:
    """Do everything once, and return for every action the longest gaps, s."""
    import napari

    from tests.plugin_window import Hand, button_named, settle, wait_until

    viewer = napari.Viewer(show=True)
    viewer.window.resize(1366, 740)
    settle(1.0)
    beat = Heartbeat()
    napari_alone(viewer, beat)
    with beat.during("add the dock (first time: loads the library)"):
        _, dock = viewer.window.add_plugin_dock_widget("slabvision", "Slab")
    bench = dock.bench
    bench.said.connect(lambda words, wrong: print("  said:", words, file=sys.stderr))
    quiet = lambda: not bench.jobs.busy  # noqa: E731
    with beat.during("open the slab", lambda: bench.photo_layer is not None and quiet()):
        bench.open_slab(folder)
    hand = Hand(viewer)
    faces = [p.file for p in bench.session.record.photos]
    for file in (faces[1], faces[0], faces[1], faces[0]):
        with beat.during("switch the photo", lambda f=file: bench.session.file == f and quiet()):
            bench.show_photo(file)
    for number in range(1, 6):
        with beat.during("open a step"):
            dock.open_step(number)
    with beat.during("notebook: type a species", quiet):
        bench.session.change_notebook(species="plane")
    with beat.during("drag a mark", quiet):
        mark = bench.session.entry.marks[0]
        moved = [(r + 0.5, c) for r, c in mark.points]
        bench.drawing.replace_mark(mark.name, mark.model_copy(update={"points": moved}))
        settle(0.5)
    with beat.during("undo the mark", quiet):
        bench.drawing.undo()
        settle(0.5)
    middle = tuple(float(x) / 2 for x in bench.session.entry.shape)
    for action, call in (("draw an outline: click", None), ("draw an outline: Enter", "Return")):
        if call is None:
            with beat.during("draw an outline: begin"):
                dock.step(3).draw()
            for row, col in ((-300, -500), (-300, 500), (300, 500), (300, -500)):
                with beat.during(action):
                    hand.click((middle[0] + row, middle[1] + col))
        else:
            with beat.during(action, quiet):
                hand.key(call)
    with beat.during("undo the outline", quiet):
        bench.drawing.undo()
    with beat.during("correct with brush: begin", quiet):
        dock.step(3).brush()
    with beat.during("correct with brush: accept", quiet):
        dock.step(3).accept_brush()
    bench.drawing.undo()
    dock.open_step(4)
    with beat.during("choose a kind"):
        bench.painting.choose_kind("rot")
    with beat.during("paint a stroke", quiet):
        hand.drag(middle, (middle[0] + 100, middle[1] + 300), steps=20)
    with beat.during("undo the stroke", quiet):
        hand.key("Z", control=True)
    with beat.during("redo the stroke", quiet):
        hand.key("Z", control=True, shift=True)
    with beat.during("paint a zone", quiet):
        bench.painting.choose_zone(104)
        hand.drag(middle, (middle[0] - 100, middle[1] + 300), steps=20)
    number = next(iter(bench.painting.tally.pixels))
    for action, edit in (
        ("split a defect", lambda: bench.painting.split(number)),
        ("join two defects", lambda: bench.painting.join(list(bench.painting.tally.pixels)[:2])),
        ("erase a defect", lambda: bench.painting.remove([max(bench.painting.tally.pixels)])),
        ("change a kind", lambda: bench.painting.change_row(number, kind="shake")),
    ):
        with beat.during(action, quiet):
            edit()
    with beat.during("the side file is written", quiet):
        settle(9.0)
    from napari_slabvision._tools import PROPOSE, TOOLS, available

    for tool in available((*TOOLS, *PROPOSE)):
        with beat.during(f"{tool.title}: begin"):
            bench.tool_run.begin(tool)
        for step in range(tool.least):
            with beat.during(f"{tool.title}: click", quiet):
                hand.click((middle[0] + 150, middle[1] + 300 * step))
                settle(0.3)
        with beat.during(f"{tool.title}: Enter", quiet):
            hand.key("Return")
    with beat.during("inches to millimetres", quiet):
        bench.set_unit("mm")
    bench.set_unit("in")
    with beat.during("save", lambda: bench.saving.state == "saved"):
        bench.saving.save()
    with beat.during("findings", lambda: bench.measuring.face is not None and quiet()):
        dock.open_step(6)
    for what in ("circle", "rectangle"):
        with beat.during(f"largest {what}", quiet):
            dock.step(6).fit(what)
    with beat.during("hide the findings' layers"):
        dock.step(6).hide_layers()
    with beat.during("show the findings' layers", quiet):
        dock.step(6).draw()
    with beat.during("export", lambda: quiet() and (out / "csv-metadata.json").exists()):
        bench.saving.export(out)
    end = next(p.file for p in bench.session.record.photos if p.role.startswith("end"))
    with beat.during("switch the photo", lambda: bench.session.file == end and quiet()):
        bench.show_photo(end)
    with beat.during("read the rings", quiet):
        dock.step(5).read()
    bench.session.change_notebook(note="left behind")
    with beat.during("close the slab with unsaved work"):
        bench.put_away()
    with beat.during("open it again: left work is offered", lambda: bench.photo_layer and quiet()):
        bench.open_slab(folder)
        settle(0.5)
    with beat.during("bring it back", quiet):
        if dock._left:
            dock._recover()
    wait_until(quiet)
    button_named(dock, "Save")
    return beat.found


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as place:
        found = whole_work(enlarged_sample(Path(place) / "slab"), Path(place) / "out")
    print("| action | gap on the clock, ms | the window's own work in a gap, ms |")
    print("| --- | ---: | ---: |")
    for action, (wall, own) in found.items():
        over = " (over the bar)" if own * 1000 > BAR_MS else ""
        print(f"| {action} | {wall * 1000:.0f} | {own * 1000:.0f}{over} |")
    worst = max(own for _, own in found.values())
    print(f"\nlongest own work: {worst * 1000:.0f} ms; numpy {np.__version__}", file=sys.stderr)


if __name__ == "__main__":
    main()
