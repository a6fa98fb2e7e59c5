"""Nothing is lost: the session, the side file, recovery, a save beside painting."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("napari")

from napari_slabvision._autosave import AUTOSAVE, Autosave, find_left_work
from napari_slabvision._session import SlabSession, save_snapshot

from slabvision.record import LengthMark, MoistureReading, Outline
from slabvision.store import load_slab, read_labels, read_zones
from tests.slab_folders import square_on_slab

RULE = LengthMark(name="rule", place="face", p=(500, 600), q=(500, 1000), mm=375)


@pytest.fixture
def session(tmp_path: Path) -> SlabSession:
    opened = SlabSession.open(square_on_slab(tmp_path / "slab-3"))
    opened.images[opened.file] = opened.read_images(opened.entry)
    return opened


def test_an_opened_session_is_clean_and_every_change_is_seen(session: SlabSession) -> None:
    heard: list[str] = []
    session.on_edit.append(heard.append)
    assert not session.dirty
    session.change_entry("marks", marks=[*session.entry.marks, RULE])
    session.change_notebook(species="red oak")
    session.change_notebook(species="red oak")  # the same again is no change
    session.touch_images()
    assert heard == ["marks", "notebook", "images"]
    assert session.dirty


def test_undo_and_redo_of_what_was_drawn(session: SlabSession) -> None:
    first = session.entry
    session.change_entry("marks", marks=[])
    second = session.entry
    session.change_entry("outline", arris=None)
    third = session.entry
    assert session.undo_drawn()
    assert session.entry == second
    assert session.undo_drawn()
    assert session.entry == first
    assert not session.undo_drawn()
    assert session.redo_drawn()
    assert session.redo_drawn()
    assert session.entry == third
    session.undo_drawn()
    session.change_entry("marks", marks=[RULE])
    assert not session.redo_drawn(), "a new change ends the way forward"


def test_a_value_that_no_record_can_hold_changes_nothing(session: SlabSession) -> None:
    before = session.record
    with pytest.raises(ValueError, match="stand twice"):
        session.change_entry("marks", marks=[RULE, RULE])
    with pytest.raises(ValueError, match="less than or equal to 300"):
        session.change_notebook(moisture=[{"percent": 400}])
    assert session.record is before
    assert not session.dirty


def test_painting_during_a_save_stays_unsaved(session: SlabSession) -> None:
    labels = session.images[session.file].labels
    labels[600:650, 600:650] = 1
    session.touch_images()
    snapshot = session.snapshot()
    labels[700:750, 600:650] = 1
    session.touch_images()
    session.saved_as(save_snapshot(snapshot), snapshot)
    assert session.dirty
    assert session.painted == {session.file}
    on_disk = read_labels(session.folder, load_slab(session.folder).photos[0])
    assert (on_disk[600:650, 600:650] == 1).all()
    assert not on_disk[700:750, 600:650].any()
    again = session.snapshot()
    session.saved_as(save_snapshot(again), again)
    assert not session.dirty
    assert load_slab(session.folder) == session.record


def test_the_side_file_says_what_came_back(session: SlabSession) -> None:
    session.change_entry("marks", marks=[*session.entry.marks, RULE])
    session.change_entry("outline", arris=Outline(points=[(90, 90), (90, 2600), (900, 2600)]))
    session.change_notebook(moisture=[MoistureReading(percent=14)])
    held = session.images[session.file]
    held.labels[600:650, 600:650] = 1
    held.zones[10:20, 10:20] = 101
    session.touch_images()
    before = (session.folder / "slab.json").read_bytes()
    autosave = Autosave(session.folder)
    autosave.write(session.snapshot())
    assert (session.folder / "slab.json").read_bytes() == before, "slab.json is not touched"
    assert find_left_work(session.folder, load_slab(session.folder)) == [], "it is in use"
    autosave.release()
    (left,) = find_left_work(session.folder, load_slab(session.folder))
    text = "\n".join(left.words)
    assert "reference marks (2, saved 1)" in text
    assert "arris outline" in text
    assert "painting in 1 defects (2,500 pixels)" in text
    assert "zones (100 pixels)" in text
    assert "the notebook" in text
    back = left.snapshot
    assert back.record == session.record
    assert np.array_equal(back.images[session.file].labels, held.labels)
    assert np.array_equal(back.images[session.file].zones, held.zones)
    left.forget()
    assert not (session.folder / AUTOSAVE).exists()


def test_the_side_file_is_written_by_any_thread(session: SlabSession) -> None:
    """Workers take turns; the lock of the first must not shut out the next."""
    from concurrent.futures import ThreadPoolExecutor

    autosave = Autosave(session.folder)
    for number in range(3):
        session.change_notebook(note=f"note {number}")
        with ThreadPoolExecutor(1) as worker:
            worker.submit(autosave.write, session.snapshot()).result()
    session.change_notebook(note="the last")
    autosave.write(session.snapshot())
    assert find_left_work(session.folder, load_slab(session.folder)) == [], "it is in use"
    autosave.release()
    (left,) = find_left_work(session.folder, load_slab(session.folder))
    assert left.snapshot.record.notebook.note == "the last"


def test_saving_removes_the_side_file(session: SlabSession) -> None:
    session.change_notebook(note="x")
    autosave = Autosave(session.folder)
    autosave.write(session.snapshot())
    autosave.clear()
    assert not (session.folder / AUTOSAVE).exists()


def test_half_a_side_file_is_no_recovery_and_harms_nothing(session: SlabSession) -> None:
    session.touch_images()
    autosave = Autosave(session.folder)
    autosave.write(session.snapshot())
    autosave.release()
    whole = (autosave.place / "autosave.json").read_bytes()
    (autosave.place / "autosave.json").write_bytes(whole[: len(whole) // 2])
    assert find_left_work(session.folder, load_slab(session.folder)) == []
    (autosave.place / "autosave.json").write_bytes(whole)
    for image in autosave.place.glob("*.png"):
        image.write_bytes(image.read_bytes()[:200])
    assert find_left_work(session.folder, load_slab(session.folder)) == []
    assert load_slab(session.folder).photos


def test_a_slab_saved_by_somebody_else_meanwhile_is_said(session: SlabSession) -> None:
    session.change_notebook(note="mine")
    autosave = Autosave(session.folder)
    autosave.write(session.snapshot())
    autosave.release()
    other = SlabSession.open(session.folder)
    other.change_notebook(note="theirs")
    snapshot = other.snapshot()
    other.saved_as(save_snapshot(snapshot), snapshot)
    (left,) = find_left_work(session.folder, load_slab(session.folder))
    assert any("saved by somebody else" in word for word in left.words)


def test_leaving_a_photo_forgets_only_what_is_on_disk(session: SlabSession) -> None:
    session.leave_photo()
    assert session.images == {}
    session.images[session.file] = session.read_images(session.entry)
    session.touch_images()
    session.leave_photo()
    assert set(session.images) == {session.file}
    assert read_zones(session.folder, session.entry).shape == session.entry.shape


# Killed ----------------------------------------------------------------------------------------


def _painting_for(log: Path) -> float:
    """Seconds since the first stroke; 0 before it."""
    lines = log.read_text().splitlines() if log.exists() else []
    return time.time() - float(lines[0].split()[0]) if lines and " " in lines[0] else 0.0


@pytest.mark.screen
def test_a_kill_while_painting_loses_at_most_ten_seconds(tmp_path: Path) -> None:
    folder, log = square_on_slab(tmp_path / "slab-9"), tmp_path / "log.txt"
    where = {**os.environ, "NAPARI_CONFIG": str(tmp_path / "settings.yaml")}
    painter = subprocess.Popen(
        [sys.executable, "-m", "tests.plugin_painter", str(folder), str(log)],
        cwd=Path(__file__).resolve().parents[1],
        env=where,
    )
    try:
        end = time.monotonic() + 90
        while _painting_for(log) < 19:
            assert painter.poll() is None, "the painter ended by itself"
            assert time.monotonic() < end, "the painter never began"
            time.sleep(0.25)
    finally:
        painter.send_signal(signal.SIGKILL)
        painter.wait(30)
    killed = time.time()
    lines = [line.split() for line in log.read_text().splitlines() if len(line.split()) == 2]
    before = load_slab(folder)
    assert before.generation == 1, "nothing was saved behind the person's back"
    (left,) = find_left_work(folder, before)
    kept = int((left.snapshot.images["face-a.png"].labels == 3).sum())
    ten_ago = [int(painted) for at, painted in lines if float(at) <= killed - 10]
    assert ten_ago, "it painted for longer than ten seconds"
    assert kept >= max(ten_ago)
    assert any("painting" in word for word in left.words)
    assert any("notebook" in word for word in left.words)
    assert [d.kind for d in left.snapshot.record.photos[0].defects if d.number == 3] == ["rot"]


@pytest.mark.screen
def test_recovered_work_is_offered_taken_back_and_saved(
    make_napari_viewer: Any, plugin_settings: Any, npe2pm: Any, tmp_path: Path
) -> None:
    from npe2 import PluginManifest

    from tests.plugin_window import button_named, dock_in, press, ready, wait_until

    npe2pm.register(PluginManifest.from_distribution("slabvision"))
    folder = square_on_slab(tmp_path / "slab-5")
    session = SlabSession.open(folder)
    session.images[session.file] = session.read_images(session.entry)
    session.images[session.file].labels[600:650, 600:650] = 1
    session.touch_images()
    session.change_notebook(note="recovered note")
    autosave = Autosave(folder)
    autosave.write(session.snapshot())
    autosave.release()
    viewer = make_napari_viewer(show=True)
    with dock_in(viewer, folder) as dock:
        wait_until(lambda: dock.recover_row.isVisible())
        assert "2,500 pixels" in dock.recover_said.label.text()
        before = dict(dock.bench.painting.tally.pixels)
        press(button_named(dock, "Bring it back"))
        ready(dock)
        assert dock.bench.painting.tally.pixels[1] == before[1] + 2500
        assert dock.bench.session.record.notebook.note == "recovered note"
        assert dock.bench.saving.state == "unsaved"
        press(dock.save)
        wait_until(lambda: dock.bench.saving.state == "saved", what=str(dock.heard))
    assert load_slab(folder).notebook.note == "recovered note"
    assert find_left_work(folder, load_slab(folder)) == []
    assert not (folder / AUTOSAVE).exists()
