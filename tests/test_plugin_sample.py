"""From the sample slab to tables and back: what a newcomer does first, with mouse and keys."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.plugin_window import (
    Hand,
    button_named,
    csv_of_command_line,
    dock_in,
    press,
    ready,
    type_into,
    wait_until,
)

pytestmark = pytest.mark.screen


@pytest.fixture(autouse=True)
def own_settings(plugin_settings: Any, npe2pm: Any) -> None:
    """Keep what the dock remembers out of the person's own settings."""
    from npe2 import PluginManifest

    npe2pm.register(PluginManifest.from_distribution("slabvision"))


def _finding_layers(viewer: Any) -> list[Any]:
    from napari_slabvision._owned import role_of

    return [layer for layer in viewer.layers if role_of(layer).startswith("finding:")]


def test_the_sample_marked_drawn_painted_saved_closed_and_opened_again(
    make_napari_viewer: Any, tmp_path: Path
) -> None:
    from slabvision.store import load_slab, read_labels, read_zones

    viewer = make_napari_viewer(show=True)
    viewer.open_sample("slabvision", "sample_slab")
    with dock_in(viewer) as dock:
        bench = dock.bench
        wait_until(lambda: bench.session is not None)
        ready(dock)
        folder = bench.session.folder
        viewer.reset_view()
        hand = Hand(viewer)
        # The sample's tapes go; the longer one is marked again where it lies.
        dock.open_step(2)
        step = dock.step(2)
        tape = max(bench.session.entry.marks, key=lambda mark: max(mark.mm))
        truth = bench.measuring.mm_per_px(tape.points[len(tape.points) // 2])
        for mark in list(bench.session.entry.marks):
            if mark is not tape:
                kept = mark
        press(button_named(step, "Remove"))
        left = bench.session.entry.marks
        assert len(left) == 1, dock.heard
        again = tape if left[0].name == kept.name else kept
        step.kind.setCurrentIndex(1)
        step.kind.chosen.emit("tape")
        type_into(step.readings, ", ".join(f"{mm:.1f} mm" for mm in again.mm))
        step.place.show_value("face")
        press(step.mark_button)
        for point in again.points:
            hand.click(point)
        wait_until(lambda: len(bench.session.entry.marks) == 2, what=str(dock.heard))
        ready(dock)
        assert bench.measuring.mm_per_px(tape.points[len(tape.points) // 2]) == pytest.approx(
            truth, rel=0.01
        )
        # The outline anew, by clicks.
        dock.open_step(3)
        before = bench.session.entry.arris
        press(button_named(dock.step(3), "Remove outline"))
        assert bench.session.entry.arris is None
        press(button_named(dock.step(3), "Draw"))
        for at in before.points[:: max(1, len(before.points) // 16)]:
            hand.click(at)
        hand.key("Return")
        wait_until(lambda: bench.session.entry.arris is not None, what=str(dock.heard))
        # Rot, painted with a brush of so many inches; undone and done again.
        dock.open_step(4)
        bench.painting.choose_kind("rot")
        bench.painting.set_brush_mm(50)
        counted = dict(bench.painting.tally.pixels)
        middle = tuple(float(x) for x in np.mean(before.points, axis=0))
        hand.drag((middle[0] - 120, middle[1] - 300), (middle[0] - 120, middle[1] - 150))
        wait_until(lambda: len(bench.painting.tally.pixels) == len(counted) + 1)
        painted = dict(bench.painting.tally.pixels)
        hand.key("Z", control=True)
        wait_until(lambda: bench.painting.tally.pixels == counted)
        hand.key("Z", control=True, shift=True)
        wait_until(lambda: bench.painting.tally.pixels == painted)
        (new,) = set(painted) - set(counted)
        width = bench.painting.tally.mm2[new] ** 0.5
        assert 60 < width < 200, "a stroke of 50 mm over about 250 px"
        press(dock.save)
        wait_until(lambda: bench.saving.state == "saved", what=str(dock.heard))
        # What fits: shown on the photo, hidden again.
        dock.open_step(6)
        wait_until(lambda: bench.measuring.face is not None, what=bench.measuring.findings_why)
        dock.step(6).draw()
        wait_until(lambda: not bench.jobs.busy)
        wait_until(lambda: _finding_layers(viewer))
        dock.step(6).hide_layers()
        assert not [layer for layer in _finding_layers(viewer) if layer.visible]
        dock.step(6).draw()
        # An end has no face: nothing to draw, and nothing measured over and over for it.
        bench.show_photo("end-a.jpg")
        wait_until(lambda: bench.session.file == "end-a.jpg")
        ready(dock)
        bench.show_photo("face-a.jpg")
        wait_until(lambda: bench.session.file == "face-a.jpg")
        ready(dock)
        bench.saving.export(tmp_path / "from dock", pictures=False)
        made = tmp_path / "from dock" / "csv-metadata.json"
        wait_until(lambda: made.exists() or dock.heard[-1][1], what=str(dock.heard))
        assert made.exists(), dock.heard
        ready(dock)
        kept_record = bench.session.record
        kept_images = bench.session.images[bench.session.file].copy()
    assert not [x for x in viewer.layers if "slabvision" in x.metadata], "closed is closed"
    from_dock = {p.name: p.read_bytes() for p in sorted((tmp_path / "from dock").iterdir())}
    assert from_dock == csv_of_command_line(folder, tmp_path / "from shell")
    entry = kept_record.photo("face-a.jpg")
    assert load_slab(folder) == kept_record
    assert np.array_equal(read_labels(folder, entry), kept_images.labels)
    assert np.array_equal(read_zones(folder, entry), kept_images.zones)
    with dock_in(viewer, folder) as dock:
        dock.bench.session.gather()
        assert dock.bench.session.record == kept_record
        assert dock.bench.saving.state == "saved"
        layer = dock.bench.painting.layer
        dock.bench.painting.undo()
        assert np.array_equal(layer.data, kept_images.labels), "undo begins anew"
