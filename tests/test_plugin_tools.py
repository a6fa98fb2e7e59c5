"""Proposals in the dock: shown first, taken by Enter, left by Escape, one step of undo each.

What proposes is a stand-in with a known answer, except for the traced check, where the library
itself works on the sample photo.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.plugin_window import Hand, button_named, dock_in, press, ready, wait_until
from tests.slab_folders import SLAB_PX, square_on_slab

pytestmark = pytest.mark.screen


@pytest.fixture(autouse=True)
def own_settings(plugin_settings: Any, npe2pm: Any) -> None:
    """Keep what the dock remembers out of the person's own settings."""
    from npe2 import PluginManifest

    npe2pm.register(PluginManifest.from_distribution("slabvision"))


def role(viewer: Any, name: str) -> Any:
    from napari_slabvision._owned import find

    return find(viewer, name)


def disc(middle: tuple[int, int], radius: int, kind: str, confidence: float) -> Any:
    from napari_slabvision._suggesting import Proposal

    rows, cols = np.ogrid[-radius : radius + 1, -radius : radius + 1]
    mask = rows**2 + cols**2 <= radius**2
    return Proposal(mask, (middle[0] - radius, middle[1] - radius), kind, confidence)


PLACES = {
    (600, 2000): ("rot", 0.6),
    (300, 700): ("sound_knot", 0.9),
    (800, 1500): ("hole", 0.3),
    (300, 1500): ("sound_knot", 0.5),
}


class StandIn:
    """Proposes four discs; kinds that were rejected in this visit are proposed no more."""

    def __init__(self) -> None:
        self.unwanted: set[str] = set()
        self.painted: list[tuple[Any, frozenset[int]] | None] = []

    def find(self, pixels: Any, outline: Any, _mm_per_px: float | None) -> list[Any]:
        assert pixels.ndim == 3
        assert outline.shape[1] == 2
        return [disc(at, 30, *told) for at, told in PLACES.items() if told[0] not in self.unwanted]

    def learn(
        self,
        _pixels: Any,
        _outline: Any,
        _mm_per_px: float | None,
        said: Sequence[tuple[Any, bool]],
        painted: tuple[Any, frozenset[int]] | None = None,
    ) -> None:
        self.unwanted |= {proposal.kind for proposal, accepted in said if not accepted}
        self.painted.append(painted)


def test_suggestions_are_walked_surest_first_and_the_visit_learns(
    make_napari_viewer: Any, tmp_path: Path
) -> None:
    from slabvision.defects import KINDS

    viewer = make_napari_viewer(show=True)
    with dock_in(viewer, square_on_slab(tmp_path / "slab")) as dock:
        hand, bench = Hand(viewer), dock.bench
        bench.suggesting.search = StandIn()
        bench.suggesting.changed.emit()
        dock.open_step(4)
        before = dict(bench.painting.tally.pixels)
        press(button_named(dock.step(4).suggest, "Suggest defects"))
        wait_until(lambda: bench.suggesting.here is not None, what=str(dock.heard))
        assert bench.suggesting.here.confidence == 0.9
        assert role(viewer, "preview") is not None
        assert "1 of 4: sound knot" in dock.step(4).suggest.said.text()
        assert "90% sure" in dock.step(4).suggest.said.text()
        assert bench.painting.tally.pixels == before, "a proposal changes nothing"
        hand.key("Return")
        assert bench.suggesting.here.kind == "rot"
        assert len(bench.painting.tally.pixels) == len(before) + 1
        made = bench.painting.rows()[-1]
        assert (made["kind"], made["tool"]) == ("sound_knot", "suggested")
        hand.key("Delete")
        assert bench.suggesting.here.confidence == 0.5
        hand.key("Backspace")
        hand.key("Backspace")
        assert bench.suggesting.here.confidence == 0.9
        assert bench.painting.tally.pixels == before, "going back takes the painting back"
        hand.key("Return")
        hand.key("Delete")
        hand.key("Escape")
        assert bench.suggesting.here is None
        assert role(viewer, "preview") is None
        assert any("1 accepted, 1 rejected, 2 not looked at" in words for words, _ in dock.heard)
        after = dict(bench.painting.tally.pixels)
        assert len(after) == len(before) + 1
        # The next search knows what was said; what is painted already is not asked again.
        bench.suggesting.begin()
        wait_until(lambda: bench.suggesting.here is not None)
        kinds = [p.kind for p in bench.suggesting.walk.proposals]
        assert kinds == ["sound_knot", "hole"]
        assert bench.suggesting.search.painted == [None], "two proposals were not looked at"
        hand.key("Delete")
        hand.key("Delete")
        # A check that was missed is painted by hand before the next face is looked over.
        line = np.ones((3, 80), bool)
        number = bench.painting.put_mask(line, (900, 900), "hand", kind="surface_check")
        bench.suggesting.begin()
        wait_until(lambda: len(bench.suggesting.search.painted) == 2 and not bench.jobs.busy)
        labels, lines = bench.suggesting.search.painted[1]
        assert (labels[900:903, 900:980] == number).all()
        kinds = {row["index"]: row["kind"] for row in bench.painting.rows()}
        assert lines == {n for n, kind in kinds.items() if KINDS[kind].line}
        assert number in lines
        bench.suggesting.end()
        bench.painting.layer.undo()
        bench.painting.count()
        hand.key("Z", control=True)
        wait_until(lambda: bench.painting.tally.pixels == before)
        hand.key("Z", control=True, shift=True)
        wait_until(lambda: bench.painting.tally.pixels == after)
        bench.session.gather()
        assert [d.tool for d in bench.session.entry.defects].count("suggested") == 1


def test_an_outline_is_proposed_corrected_taken_and_undone(
    make_napari_viewer: Any, tmp_path: Path
) -> None:
    from napari_slabvision._tools import Preview, Tool

    asked: list[tuple[int, int]] = []

    def propose(ask: Any) -> Preview:
        asked.append((len(ask.inside), len(ask.outside)))
        corners = np.array(SLAB_PX, float)
        corners[1:3, 1] -= 100.0 * len(ask.outside)
        return Preview(np.zeros((0, 0), bool), (0, 0), "outline", outline=corners)

    tool = Tool("proposed", "Propose", "Correct it.", 0, True, "trace_check", propose)
    viewer = make_napari_viewer(show=True)
    with dock_in(viewer, square_on_slab(tmp_path / "slab")) as dock:
        hand, bench = Hand(viewer), dock.bench
        dock.open_step(3)
        before = bench.session.entry.arris
        bench.tool_run.begin(tool)
        wait_until(lambda: role(viewer, "preview") is not None, what=str(dock.heard))
        assert bench.session.entry.arris == before, "a proposal changes nothing"
        hand.key("Escape")
        assert role(viewer, "preview") is None
        assert bench.session.entry.arris == before
        bench.tool_run.begin(tool)
        wait_until(lambda: role(viewer, "preview") is not None)
        hand.click((600, 2500), alt=True)
        wait_until(lambda: asked[-1] == (0, 1) and not bench.jobs.busy)
        hand.key("Return")
        wait_until(lambda: bench.session.entry.arris != before, what=str(dock.heard))
        taken = bench.session.entry.arris
        assert taken.tool == "proposed"
        assert taken.points[1][1] == SLAB_PX[1][1] - 100
        hand.key("Z", control=True)
        wait_until(lambda: bench.session.entry.arris == before)
        hand.key("Z", control=True, shift=True)
        wait_until(lambda: bench.session.entry.arris == taken)


def test_a_tool_is_told_the_chosen_kind_where_a_region_may_be_one(
    make_napari_viewer: Any, tmp_path: Path
) -> None:
    """The kind is a line until another is chosen: that says nothing of a region."""
    from napari_slabvision._tools import Preview, Tool

    asked: list[str | None] = []

    def propose(ask: Any) -> Preview:
        asked.append(ask.kind)
        return Preview(np.ones((5, 5), bool), (600, 2500))

    tool = Tool("grow", "Grow", "Click it.", 1, True, "grow_region", propose)
    viewer = make_napari_viewer(show=True)
    with dock_in(viewer, square_on_slab(tmp_path / "slab")) as dock:
        dock.open_step(4)
        for kind in ("end_check", "rot"):
            dock.bench.painting.choose_kind(kind)
            dock.bench.tool_run.begin(tool)
            Hand(viewer).click((600, 2500))
            wait_until(lambda: not dock.bench.jobs.busy and dock.bench.tool_run.preview is not None)
            Hand(viewer).key("Escape")
    assert asked == [None, "rot"]


def test_a_check_of_the_sample_is_traced_by_two_clicks(make_napari_viewer: Any) -> None:
    from slabvision.sample import sample_folder

    viewer = make_napari_viewer(show=True)
    with sample_folder() as folder, dock_in(viewer, folder) as dock:
        hand, bench = Hand(viewer), dock.bench
        dock.open_step(4)
        layer = bench.painting.layer
        rows, cols = np.nonzero(layer.data == 1)
        assert bench.painting.kind_of[1] == "through_check"
        first, last = int(np.argmin(cols)), int(np.argmax(cols))
        ends = [(float(rows[i]), float(cols[i])) for i in (first, last)]
        truth = layer.data == 1
        bench.painting.remove([1])
        before = dict(bench.painting.tally.pixels)
        bench.painting.choose_kind("through_check")
        hand.look_at((float(rows.mean()), float(cols.mean())), 300 / max(np.ptp(cols), 60))
        press(button_named(dock.step(4), "Trace a check"))
        for end in ends:
            hand.click(end)
        wait_until(lambda: role(viewer, "preview") is not None, what=str(dock.heard))
        words = dock.step(4).tools.said.text()
        assert " in, opening" in words
        assert "px" not in words, "sizes stand in the person's unit"
        hand.key("Return")
        ready(dock)
        (new,) = set(bench.painting.tally.pixels) - set(before)
        row = next(r for r in bench.painting.rows() if r["index"] == new)
        assert (row["kind"], row["tool"]) == ("through_check", "trace")
        traced = layer.data == new
        near = np.abs(np.subtract.outer(np.flatnonzero(traced.any(axis=0)), cols)).min(axis=1)
        assert (near <= 2).mean() > 0.9
        assert (traced & truth).sum() > 0.4 * truth.sum()
        bench.session.gather()
        kept = next(d for d in bench.session.entry.defects if d.number == new)
        assert len(kept.centre_line) == len(kept.widths_px) > 10
        hand.key("Z", control=True)
        wait_until(lambda: bench.painting.tally.pixels == before)


def test_undo_after_every_way_to_change_something(make_napari_viewer: Any, tmp_path: Path) -> None:
    """Each change is one step back, and one step forward again."""
    from slabvision.record import LengthMark

    viewer = make_napari_viewer()
    with dock_in(viewer, square_on_slab(tmp_path / "slab")) as dock:
        bench, step = dock.bench, dock.step(3)
        painting, drawing, clicking = bench.painting, bench.drawing, bench.clicking

        def drawn() -> Any:
            entry = bench.session.entry
            return entry.model_dump(include={"marks", "arris", "widest", "end_a"})

        def painted() -> Any:
            painting.count()
            return dict(painting.tally.pixels), dict(painting.zone_tally.pixels)

        def draw_by_clicks() -> None:
            step.draw()
            for at in ((150, 150), (150, 2500), (1000, 2500), (1000, 150)):
                clicking.click(at)
            clicking.accept()

        def brush() -> None:
            step.brush()
            wait_until(lambda: role(viewer, "brushed outline") is not None)
            role(viewer, "brushed outline").data[200:260, 200:2400] = 0
            step.accept_brush()
            wait_until(lambda: role(viewer, "brushed outline") is None, what=str(dock.heard))

        def end_a() -> None:
            step.mark_end_a()
            clicking.click((500, 2400))
            wait_until(lambda: not clicking.active)

        def stroke() -> None:
            painting.choose_kind("hole")
            painting.layer.paint((900, 900), painting.layer.selected_label)

        def fenced() -> None:
            corners = np.array([[950, 1900], [950, 2000], [1000, 2000]])
            painting.layer.paint_polygon(corners, painting.next_number)

        def zone() -> None:
            painting.choose_zone(104)
            painting.zone_layer.paint((700, 700), 104)

        rule = LengthMark(name="rule", place="face", p=(500, 600), q=(500, 1000), mm=375)
        ways = (
            ("a mark is added", lambda: drawing.add_mark(rule), drawn, drawing),
            ("a mark is removed", lambda: drawing.replace_mark("rule", None), drawn, drawing),
            ("the outline is drawn", draw_by_clicks, drawn, drawing),
            ("the outline is brushed", brush, drawn, drawing),
            ("the outline is removed", lambda: drawing.set_outline("arris", None), drawn, drawing),
            ("end A is set", end_a, drawn, drawing),
            ("a stroke", stroke, painted, painting),
            ("a defect is fenced in", fenced, painted, painting),
            ("defects are joined", lambda: painting.join([1, 2]), painted, painting),
            ("a defect is split", lambda: painting.split(1), painted, painting),
            ("a defect is erased", lambda: painting.remove([1]), painted, painting),
            ("a zone", zone, painted, painting),
        )
        for name, change, seen, history in ways:
            before = seen()
            change()
            after = seen()
            assert after != before, name
            history.undo()
            assert seen() == before, f"{name}: undo"
            history.redo()
            assert seen() == after, f"{name}: redo"


def test_photos_that_napari_opened_become_a_slab_upright(
    make_napari_viewer: Any, npe2pm: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """napari's own reader leaves a phone photo lying on its side; its file is read anew."""
    from npe2 import PluginManifest
    from PIL import Image
    from qtpy.QtWidgets import QFileDialog

    npe2pm.register(PluginManifest.from_distribution("napari"))
    photo = tmp_path / "face-a.jpg"
    exif = Image.Exif()
    exif[0x0112] = 6  # the camera was held upright
    rows = np.linspace(60, 200, 300).astype(np.uint8)
    pixels = np.repeat(np.repeat(rows[:, None, None], 400, axis=1), 3, axis=2)
    Image.fromarray(pixels).save(photo, exif=exif)
    viewer = make_napari_viewer()
    (layer,) = viewer.open(str(photo), plugin="napari")
    assert layer.data.shape[:2] == (300, 400)
    monkeypatch.setattr(
        QFileDialog, "getExistingDirectory", lambda *_, **__: str(tmp_path / "slab")
    )
    with dock_in(viewer) as dock:
        press(button_named(dock.step(1), "From open photos"))
        wait_until(lambda: dock.bench.session is not None, what=str(dock.heard))
        ready(dock)
        assert dock.bench.session.entry.shape == (400, 300)
        assert role(viewer, "photo").data.shape[:2] == (400, 300)
        assert layer in viewer.layers, "other people's layers stay"
    assert layer in viewer.layers


def test_the_samples_outline_is_found_without_a_click(make_napari_viewer: Any) -> None:
    from napari_slabvision._outline_shape import mask_of

    from slabvision.sample import sample_folder

    viewer = make_napari_viewer(show=True)
    with sample_folder() as folder, dock_in(viewer, folder) as dock:
        hand, bench = Hand(viewer), dock.bench
        dock.open_step(3)
        drawn = bench.session.entry.arris
        press(button_named(dock.step(3), "Propose"))
        wait_until(lambda: bench.tool_run.preview is not None, what=str(dock.heard))
        assert bench.session.entry.arris == drawn
        assert "corners, bark left out" in dock.step(3).tools.said.text()
        hand.key("Return")
        wait_until(lambda: bench.session.entry.arris != drawn, what=str(dock.heard))
        taken = bench.session.entry.arris
        assert (taken.tool, taken.bark, taken.open) == ("proposed", "out", False)
        masks = [mask_of(outline, bench.session.entry.shape) for outline in (drawn, taken)]
        shared = (masks[0] & masks[1]).sum() / (masks[0] | masks[1]).sum()
        # How near a proposal comes is counted in the tool's own benchmark, not here.
        assert shared > 0.9
        bench.drawing.undo()
        assert bench.session.entry.arris == drawn


def needs(function: str) -> Any:
    """Leave a test out, and say so, where this version of the library has not the function."""
    from slabvision import segment

    return pytest.mark.skipif(
        not hasattr(segment, function), reason=f"left out: slabvision.segment has no {function} yet"
    )


@needs("RegionSearch")
def test_a_region_of_the_sample_grows_from_a_click(make_napari_viewer: Any) -> None:
    from slabvision.sample import sample_folder

    viewer = make_napari_viewer(show=True)
    with sample_folder() as folder, dock_in(viewer, folder) as dock:
        hand, bench = Hand(viewer), dock.bench
        dock.open_step(4)
        layer = bench.painting.layer
        (rot,) = (n for n, kind in bench.painting.kind_of.items() if kind == "rot")
        where = np.argwhere(layer.data == rot)
        click = where[np.argmin(np.abs(where - where.mean(axis=0)).sum(axis=1))]
        bench.painting.remove([rot])
        bench.painting.choose_kind("rot")
        before = dict(bench.painting.tally.pixels)
        press(button_named(dock.step(4), "Grow from a click"))
        hand.click((float(click[0]), float(click[1])))
        wait_until(lambda: bench.tool_run.preview is not None, what=str(dock.heard))
        hand.key("Return")
        ready(dock)
        (new,) = set(bench.painting.tally.pixels) - set(before)
        row = next(r for r in bench.painting.rows() if r["index"] == new)
        assert (row["kind"], row["tool"]) == ("rot", "grow")
        near = layer.data[click[0] - 8 : click[0] + 9, click[1] - 8 : click[1] + 9]
        assert (near == new).any(), "it holds what was clicked"
        bench.painting.undo()
        bench.painting.count()
        assert bench.painting.tally.pixels == before


@needs("suggest_defects")
def test_the_librarys_search_learns_from_what_was_rejected() -> None:
    from napari_slabvision._suggesting import LibrarySearch

    from slabvision.defects import KINDS
    from slabvision.photo import read_photo
    from slabvision.sample import sample_folder
    from slabvision.store import load_slab

    with sample_folder() as folder:
        entry = load_slab(folder).photos[0]
        pixels = read_photo(folder / entry.file).pixels
    outline = np.array(entry.arris.points)
    search = LibrarySearch()
    found = search.find(pixels, outline, None)
    assert all(proposal.mask.any() for proposal in found)
    sure = sum(proposal.confidence for proposal in found)
    search.learn(pixels, outline, None, [(proposal, False) for proposal in found])
    again = sum(proposal.confidence for proposal in search.find(pixels, outline, None))
    assert again < sure, "what was rejected is proposed less surely"
    # The whole face, walked again: of what it taught before nothing is left.
    labels = np.zeros(pixels.shape[:2], np.uint16)
    for number, proposal in enumerate(found, start=1):
        (top, left), (rows, cols) = proposal.corner, proposal.mask.shape
        labels[top : top + rows, left : left + cols][proposal.mask] = number
    lines = frozenset(n for n, p in enumerate(found, start=1) if KINDS[p.kind].line)
    search.learn(pixels, outline, None, [], (labels, lines))
    painted = sum(proposal.confidence for proposal in search.find(pixels, outline, None))
    assert painted > again


def test_the_figure_of_a_face_is_noted(make_napari_viewer: Any, tmp_path: Path) -> None:
    viewer = make_napari_viewer()
    with dock_in(viewer, square_on_slab(tmp_path / "slab")) as dock:
        dock.open_step(5)
        choice = dock.step(5).figure
        assert choice.isEnabled()
        choice.setCurrentIndex(choice.findData("straight"))
        choice.activated.emit(choice.currentIndex())
        assert dock.bench.session.entry.figure == "straight"
        assert dock.bench.session.undo_drawn()
        assert dock.bench.session.entry.figure == "unsaid"
        assert choice.currentData() == "unsaid"
