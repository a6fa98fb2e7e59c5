"""Saving, the side file for unsaved work, recovery, and the export of tables."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QObject, QTimer, Signal
from qtpy.QtWidgets import QApplication

from napari_slabvision._autosave import EVERY_S, Autosave, Recovered, find_left_work
from napari_slabvision._jobs import Task
from napari_slabvision._session import SlabSession, Snapshot, save_snapshot

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["Saving"]

_SOON_S = 1.5
"""After the first new edit: long enough for a stroke to end, short enough to lose little."""


class Saving(QObject):
    """Keeps what is on the bench.

    Signals
    -------
    state_changed
        Saved, unsaved or saving; read it from ``state``.
    left_work(list)
        Unsaved work of an earlier session was found for the slab just opened.
    exported(list)
        Files that were written.
    """

    state_changed = Signal()
    left_work = Signal(list)
    exported = Signal(list)

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.bench = bench
        self.autosave: Autosave | None = None
        self._last = 0.0
        self._saving = False
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.timeout.connect(self._autosave_now)
        bench.record_changed.connect(self._edited)
        app = QApplication.instance()
        if app is not None:
            app.aboutToQuit.connect(self.end)

    # State -----------------------------------------------------------------------------------

    @property
    def state(self) -> str:
        """``"none"``, ``"saved"``, ``"unsaved"`` or ``"saving"``."""
        if self.bench.session is None:
            return "none"
        if self._saving:
            return "saving"
        return "unsaved" if self.bench.session.dirty else "saved"

    def begin(self, session: SlabSession) -> None:
        """Begin to keep a slab; offer what an earlier session left."""
        self.autosave = Autosave(session.folder)
        self._last = 0.0
        self.state_changed.emit()
        folder, record = session.folder, session.record
        self.bench.jobs.start(
            "left work",
            "",
            lambda _: find_left_work(folder, record),
            lambda left: self._offer(session, left),
            lambda error: self.bench.said.emit(f"The side file cannot be read: {error}", True),
        )

    def _offer(self, session: SlabSession, left: list[Recovered]) -> None:
        if left and self.bench.session is session:
            self.left_work.emit(left)

    def end(self) -> None:
        """Stop keeping the slab; unsaved work stays in the side file."""
        self._timer.stop()
        session, autosave = self.bench.session, self.autosave
        self.autosave = None
        if session is None or autosave is None:
            return
        if session.dirty:
            if autosave.written_edits != session.edits:
                try:
                    autosave.write(session.snapshot())
                except OSError as error:
                    self.bench.said.emit(_cannot_autosave(error), True)
            autosave.release()
        else:
            autosave.clear()

    # Autosave --------------------------------------------------------------------------------

    def _edited(self, what: str) -> None:
        self.state_changed.emit()
        if not self._timer.isActive():
            wait = max(_SOON_S, EVERY_S - (time.monotonic() - self._last))
            self._timer.start(int(wait * 1000))

    def _autosave_now(self) -> None:
        session, autosave = self.bench.session, self.autosave
        if session is None or autosave is None or not session.dirty:
            return
        self._last = time.monotonic()
        snapshot = session.snapshot()
        self.bench.jobs.start(
            "autosave",
            "",
            lambda _: autosave.write(snapshot),
            lambda _: None,
            lambda error: self.bench.said.emit(_cannot_autosave(error), True),
        )

    def take_back(self, recovered: Recovered) -> None:
        """Put recovered work on the bench as unsaved edits; the side file of it goes at a save."""
        session = self.bench.session
        if session is None:
            return
        snapshot = recovered.snapshot
        session.record = snapshot.record
        session.images.update(snapshot.images)
        session.painted |= set(snapshot.painted)
        file = session.file if session.file in {p.file for p in session.record.photos} else ""
        session.file = file or session.record.photos[0].file
        self.bench.rebuild()
        session.touch("recovered")
        self._recovered = recovered
        self.bench.said.emit("Recovered: " + "; ".join(recovered.words) + ". Not saved yet.", False)

    _recovered: Recovered | None = None

    # Saving ----------------------------------------------------------------------------------

    _once_more = False

    def save(self, then: Any = None) -> None:
        """Save the slab beside painting; ``then`` is called once it stands on disk."""
        session = self.bench.session
        if session is None:
            return
        if self._saving:
            self._once_more = True  # with the generation that the running save will give
            return
        snapshot = session.snapshot()
        self._saving = True
        self.state_changed.emit()
        self.bench.jobs.start(
            "save",
            "saving",
            lambda _: save_snapshot(snapshot),
            lambda saved: self._saved(session, saved, snapshot, then),
            self._not_saved,
        )

    def _saved(self, session: SlabSession, saved: Any, snapshot: Snapshot, then: Any) -> None:
        self._saving = False
        session.saved_as(saved, snapshot)
        if self._recovered is not None:
            self._recovered.forget()
            self._recovered = None
        if self.bench.session is session and not session.dirty and self.autosave is not None:
            self._timer.stop()
            self.autosave.clear()
        self.state_changed.emit()
        self.bench.said.emit(f"Saved in {session.folder.name}.", False)
        once_more, self._once_more = self._once_more, False
        if then is not None:
            then()
        if once_more and session.dirty:
            self.save()

    def _not_saved(self, error: Exception) -> None:
        self._saving = self._once_more = False
        self.state_changed.emit()
        self.bench.said.emit(str(error), True)

    # Export ----------------------------------------------------------------------------------

    def export(self, target: Path, *, pictures: bool = True) -> None:
        """Write the tables (and pictures) of the slab; it is saved first, so that both agree."""
        session = self.bench.session
        if session is None:
            return
        if session.dirty:
            self.save(then=lambda: self._export(session.folder, target, pictures))
        else:
            self._export(session.folder, target, pictures)

    def _export(self, folder: Path, target: Path, pictures: bool) -> None:
        unit = self.bench.unit
        self.bench.jobs.start(
            "export",
            "writing tables",
            lambda task: write_export(folder, target, unit, pictures=pictures, task=task),
            self._exported,
            lambda error: self.bench.said.emit(f"Nothing was exported: {error}", True),
            lambda: self.bench.said.emit("The export was stopped; files may be missing.", True),
        )

    def _exported(self, written: list[Path]) -> None:
        self.bench.said.emit(f"Wrote {len(written)} files into {written[0].parent}.", False)
        self.exported.emit(written)


def write_export(
    folder: Path, target: Path, unit: Any, *, pictures: bool = True, task: Task | None = None
) -> list[Path]:
    """Write the tables of a saved slab folder, exactly as the command line does."""
    go_on = (task or Task()).go_on
    go_on("measuring")
    from napari_slabvision._measuring import buying_for
    from slabvision.measure import measure_slab
    from slabvision.picture import write_face_pictures
    from slabvision.tables import write_tables

    findings = measure_slab(folder, buying=buying_for(unit))
    go_on("tables")
    written = list(write_tables([findings], target, unit))
    if pictures:
        go_on("pictures")
        written += write_face_pictures(findings, target, unit)
    return written


def _cannot_autosave(error: Exception) -> str:
    return f"Unsaved work could not be kept in its side file ({error}): save now."
