"""The whole way through the dock with real mouse and key events."""

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
    settle,
    type_into,
    wait_until,
)
from tests.slab_folders import LENGTH_MM, MM_PER_PX, SLAB_PX, WIDTH_MM, square_on_slab

pytestmark = pytest.mark.screen


@pytest.fixture(autouse=True)
def own_settings(plugin_settings: Any, npe2pm: Any) -> None:
    """Keep what the dock remembers out of the person's own settings."""
    from npe2 import PluginManifest

    npe2pm.register(PluginManifest.from_distribution("slabvision"))


@pytest.fixture
def bare_slab(tmp_path: Path) -> Path:
    """A slab folder with a photo and a notebook, nothing marked on it."""
    from slabvision.store import load_slab, save_slab

    folder = square_on_slab(tmp_path / "slab-11")
    record = load_slab(folder)
    entry = record.photos[0].model_copy(
        update={"marks": [], "arris": None, "defects": [], "labels": None, "zones": None}
    )
    save_slab(folder, record.with_photo(entry))
    return folder


def test_from_bare_photo_to_tables_and_back(
    make_napari_viewer: Any, bare_slab: Path, tmp_path: Path
) -> None:
    from slabvision.store import load_slab, read_labels

    viewer = make_napari_viewer(show=True)
    with dock_in(viewer, bare_slab) as dock:
        hand, bench = Hand(viewer), dock.bench
        # Step 2: a length of 100 in along the slab, and a tape across it.
        dock.open_step(2)
        step = dock.step(2)
        type_into(step.first, "1200 mm", enter=True)
        assert bench.clicking.active
        hand.click((500, 600))
        hand.click((500, 600 + 1200 / MM_PER_PX))
        settle(0.3)
        assert [m.type for m in bench.session.entry.marks] == ["length"], dock.heard
        step.kind.setCurrentIndex(1)
        step.kind.chosen.emit("tape")
        type_into(step.readings, "every 150 mm")
        press(step.mark_button)
        for k in range(5):
            hand.click((120 + k * 150 / MM_PER_PX, 1500))
        hand.key("Return")
        wait_until(lambda: len(bench.session.entry.marks) == 2, what=str(dock.heard))
        step.place.show_value("face")
        for row in range(2):
            step.marks.setCurrentRow(row)
            step._replace_place("face")
        wait_until(lambda: bench.measuring.plane is not None)
        ready(dock)
        assert bench.measuring.plane.tilt_deg.value < 12
        # Step 3: the outline, by clicks.
        dock.open_step(3)
        press(button_named(dock.step(3), "Draw"))
        for corner in SLAB_PX:
            hand.click(corner)
        hand.key("Return")
        wait_until(lambda: bench.session.entry.arris is not None, what=str(dock.heard))
        assert len(bench.session.entry.arris.points) == 4
        # Step 4: two strokes of one knot, one of a check, undo and redo.
        dock.open_step(4)
        bench.painting.set_brush_mm(60)
        hand.click((40, 40))  # gives the canvas the focus
        bench.painting.choose_kind("sound_knot")
        hand.drag((400, 1000), (450, 1060))
        wait_until(lambda: bench.painting.per_kind.get("sound_knot", (0,))[0] == 1)
        first = bench.painting.tally.pixels[1]
        hand.drag((450, 1060), (420, 1120))
        wait_until(lambda: bench.painting.tally.pixels[1] > first)
        assert set(bench.painting.tally.pixels) == {1}, "the second stroke continues the knot"
        hand.key("2", alt=True)
        assert bench.painting.kind == "surface_check"
        hand.drag((700, 300), (700, 700))
        wait_until(lambda: set(bench.painting.tally.pixels) == {1, 2})
        painted = dict(bench.painting.tally.pixels)
        hand.key("Z", control=True)
        wait_until(lambda: set(bench.painting.tally.pixels) == {1})
        hand.key("Z", control=True, shift=True)
        wait_until(lambda: bench.painting.tally.pixels == painted)
        assert bench.saving.state == "unsaved"
        press(dock.save)
        wait_until(lambda: bench.saving.state == "saved", what=str(dock.heard))
        # Step 6: findings and tables.
        dock.open_step(6)
        wait_until(lambda: bench.measuring.findings is not None, what=bench.measuring.findings_why)
        face = bench.measuring.face
        assert face.gross_area_mm2.estimate.value == pytest.approx(LENGTH_MM * WIDTH_MM, rel=0.02)
        low, high = face.gross_area_mm2.estimate.interval
        assert low < LENGTH_MM * WIDTH_MM < high
        bench.set_unit("in")
        bench.saving.export(tmp_path / "from dock", pictures=False)
        wait_until(lambda: (tmp_path / "from dock" / "csv-metadata.json").exists())
        ready(dock)
        kept = bench.session.record
        images = bench.session.images[bench.session.file].labels.copy()
    from_dock = {p.name: p.read_bytes() for p in sorted((tmp_path / "from dock").iterdir())}
    assert from_dock == csv_of_command_line(bare_slab, tmp_path / "from shell")
    assert len(from_dock) == 5
    assert load_slab(bare_slab) == kept
    assert np.array_equal(read_labels(bare_slab, kept.photos[0]), images)
    # Open it again: the same record comes out of the layers.
    with dock_in(viewer, bare_slab) as dock:
        dock.bench.session.gather()
        assert dock.bench.session.record == kept
        assert dock.bench.saving.state == "saved"


def test_a_dragged_mark_moves_the_scale_and_undo_brings_it_back(
    make_napari_viewer: Any, tmp_path: Path
) -> None:
    viewer = make_napari_viewer(show=True)
    with dock_in(viewer, square_on_slab(tmp_path / "slab")) as dock:
        hand, bench = Hand(viewer), dock.bench
        dock.open_step(2)
        before = bench.session.entry.marks[0]
        scale = bench.measuring.mm_per_px((600, 1200))
        assert scale == pytest.approx(MM_PER_PX, rel=0.02)
        press(button_named(dock.step(2), "Drag points"))
        for row, col, further in ((300, 1880, 1840), (940, 1880, 1840)):
            hand.drag((row, col), (row, further))
        wait_until(lambda: bench.session.entry.marks[0] != before, what=str(dock.heard))
        moved = bench.session.entry.marks[0].corners
        assert moved[1][1] == pytest.approx(1840, abs=6)
        assert moved[2][1] == pytest.approx(1840, abs=6)
        ready(dock)
        assert bench.measuring.mm_per_px((600, 1200)) > 1.005 * scale
        hand.key("Z", control=True)
        hand.key("Z", control=True)
        wait_until(lambda: bench.session.entry.marks[0] == before)
        hand.key("Z", control=True, shift=True)
        wait_until(lambda: bench.session.entry.marks[0] != before)


def test_marks_that_contradict_are_named(make_napari_viewer: Any, tmp_path: Path) -> None:
    from slabvision.record import LengthMark

    viewer = make_napari_viewer()
    with dock_in(viewer, square_on_slab(tmp_path / "slab")) as dock:
        bench = dock.bench
        wrong = LengthMark(
            name="steel rule", place="face", p=(600, 700), q=(600, 1700), mm=2540 * MM_PER_PX
        )
        assert bench.drawing.add_mark(wrong)
        wait_until(lambda: bool(bench.measuring.contradicting), what=bench.measuring.plane_why)
        assert "steel rule" in bench.measuring.contradicting
        dock.open_step(2)
        assert "steel rule" in dock.step(2).scale.label.text()
        assert bench.drawing.replace_mark("steel rule", None)
        wait_until(lambda: bench.measuring.plane is not None)


def test_a_tool_previews_and_enter_accepts_as_one_step(
    make_napari_viewer: Any, tmp_path: Path
) -> None:
    from napari_slabvision._owned import find
    from napari_slabvision._tools import Preview, Tool

    def disc(ask: Any) -> Preview:
        rows, cols = np.ogrid[-30:31, -30:31]
        row, col = (round(x) for x in ask.inside[-1])
        return Preview(rows**2 + cols**2 <= 900, (row - 30, col - 30), "disc")

    viewer = make_napari_viewer(show=True)
    with dock_in(viewer, square_on_slab(tmp_path / "slab")) as dock:
        hand, bench = Hand(viewer), dock.bench
        dock.open_step(4)
        bench.painting.choose_kind("rot")
        before = dict(bench.painting.tally.pixels)
        tool = Tool("disc", "Disc", "Click the middle.", 1, False, "trace_check", disc)
        bench.tool_run.begin(tool)
        hand.click((600, 2000))
        wait_until(lambda: find(viewer, "preview") is not None)
        assert bench.painting.tally.pixels == before, "a preview changes nothing"
        hand.key("Escape")
        assert find(viewer, "preview") is None
        assert not bench.clicking.active
        bench.tool_run.begin(tool)
        hand.click((600, 2000))
        wait_until(lambda: find(viewer, "preview") is not None)
        hand.key("Return")
        wait_until(lambda: len(bench.painting.tally.pixels) == 3, what=str(dock.heard))
        row = bench.painting.rows()[-1]
        assert (row["kind"], row["tool"]) == ("rot", "disc")
        assert find(viewer, "preview") is None
        hand.key("Z", control=True)
        wait_until(lambda: bench.painting.tally.pixels == before)
        hand.key("Z", control=True, shift=True)
        wait_until(lambda: len(bench.painting.tally.pixels) == 3)


def test_join_split_erase_are_one_step_each(make_napari_viewer: Any, tmp_path: Path) -> None:
    viewer = make_napari_viewer()
    with dock_in(viewer, square_on_slab(tmp_path / "slab")) as dock:
        painting = dock.bench.painting
        before = dict(painting.tally.pixels)
        assert painting.join([2, 1]) == 1
        assert painting.tally.pixels == {1: sum(before.values())}
        assert painting.split(1) == [1, 3]
        assert sorted(painting.tally.pixels.values()) == sorted(before.values())
        assert painting.kind_of[3] == "sound_knot"
        painting.remove([1, 3])
        assert painting.tally.pixels == {}
        for expected in ({1, 3}, {1}, {1, 2}):
            painting.undo()
            painting.count()
            assert set(painting.tally.pixels) == expected
        assert painting.tally.pixels == before
        painting.change_row(1, depth="through", note="rings loose", kind="loose_knot")
        dock.bench.session.gather()
        kept = dock.bench.session.entry.defects[0]
        assert (kept.depth, kept.note, kept.kind) == ("through", "rings loose", "loose_knot")


def test_closed_and_renamed_layers_lose_nothing(make_napari_viewer: Any, tmp_path: Path) -> None:
    from napari_slabvision._owned import find

    viewer = make_napari_viewer()
    with dock_in(viewer, square_on_slab(tmp_path / "slab")) as dock:
        bench = dock.bench
        for layer in viewer.layers:
            layer.name = "renamed"
        bench.painting.choose_kind("hole")
        layer = bench.painting.layer
        layer.paint((600, 600), layer.selected_label)
        bench.painting.count()
        assert bench.painting.per_kind["hole"][0] == 1
        bench.session.gather()
        record = bench.session.record
        viewer.layers.remove(layer)
        viewer.layers.remove(find(viewer, "outline"))
        settle(0.2)
        assert bench.layers_missing
        bench.session.gather()
        assert bench.session.record == record
        press(dock.missing_layers)
        ready(dock)
        assert bench.painting.per_kind["hole"][0] == 1
        assert not bench.layers_missing
        assert len(find(viewer, "outline").data) == 1


def test_two_viewers_on_one_slab_never_overwrite(make_napari_viewer: Any, tmp_path: Path) -> None:
    from slabvision.store import load_slab

    folder = square_on_slab(tmp_path / "slab")
    one, two = make_napari_viewer(), make_napari_viewer()
    with dock_in(one, folder) as first, dock_in(two, folder) as second:
        first.bench.session.change_notebook(tag="first")
        second.bench.session.change_notebook(tag="second")
        first.bench.saving.save()
        wait_until(lambda: first.bench.saving.state == "saved")
        second.bench.saving.save()
        wait_until(lambda: any(wrong for _, wrong in second.heard), what=str(second.heard))
        assert load_slab(folder).notebook.tag == "first"
        assert second.bench.saving.state == "unsaved"
        assert first.bench.painting.layer is not second.bench.painting.layer


def test_sample_slab_opens_from_the_menu_and_the_dock_takes_it_over(
    make_napari_viewer: Any, tmp_path: Path
) -> None:
    viewer = make_napari_viewer()
    folder = square_on_slab(tmp_path / "slab")
    viewer.open(str(folder), plugin="slabvision")
    assert {layer.metadata["slabvision"]["role"] for layer in viewer.layers} >= {
        "photo",
        "defects",
        "marks",
        "outline",
    }
    with dock_in(viewer) as dock:
        wait_until(lambda: dock.bench.session is not None)
        ready(dock)
        assert dock.bench.session.folder == folder.resolve()
        photos = [x for x in viewer.layers if x.metadata["slabvision"]["role"] == "photo"]
        assert len(photos) == 1


def test_switching_photos_keeps_what_was_drawn_and_undo_stays_home(
    make_napari_viewer: Any, tmp_path: Path
) -> None:
    import shutil

    from napari_slabvision._owned import find

    from slabvision.store import check_photo, load_slab, save_slab

    folder = square_on_slab(tmp_path / "slab")
    record = load_slab(folder)
    shutil.copy(check_photo(folder, record.photos[0]), folder / "face-b.png")
    other = record.photos[0].model_copy(
        update={"file": "face-b.png", "role": "face B", "marks": [], "arris": None, "defects": []}
    )
    save_slab(folder, record.with_photo(other.model_copy(update={"labels": None, "zones": None})))
    viewer = make_napari_viewer()
    with dock_in(viewer, folder) as dock:
        bench = dock.bench
        first = bench.session.entry
        layers = {id(layer) for layer in viewer.layers}
        bench.show_photo("face-b.png")
        wait_until(lambda: bench.session.file == "face-b.png")
        ready(dock)
        assert {id(layer) for layer in viewer.layers} == layers, "layers are used again"
        assert len(find(viewer, "marks").data) == 0
        assert len(find(viewer, "outline").data) == 0
        assert bench.painting.tally.pixels == {}
        assert not bench.session.dirty, "looking is no edit"
        assert bench.session.record.photo("face-a.png") == first
        bench.painting.choose_kind("rot")
        bench.painting.layer.paint((600, 600), bench.painting.layer.selected_label)
        bench.painting.count()
        bench.show_photo("face-a.png")
        wait_until(lambda: bench.session.file == "face-a.png")
        ready(dock)
        labels = bench.painting.layer.data.copy()
        assert set(bench.painting.tally.pixels) == {1, 2}
        bench.painting.undo()
        assert np.array_equal(bench.painting.layer.data, labels), "the stroke belongs elsewhere"
        assert len(find(viewer, "marks").data) == 4
        assert len(find(viewer, "outline").data) == 1
        bench.show_photo("face-b.png")
        wait_until(lambda: bench.session.file == "face-b.png")
        ready(dock)
        assert set(bench.painting.tally.pixels) == {1}
        bench.session.gather()
        assert [d.kind for d in bench.session.entry.defects] == ["rot"]
        assert bench.session.record.photo("face-a.png") == first
