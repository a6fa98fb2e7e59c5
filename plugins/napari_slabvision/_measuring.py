"""What follows from marks and painting: the plane of the photo, the findings of the slab.

Both are worked out beside the window and arrive later; the newest always wins.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QObject, QTimer, Signal

from napari_slabvision._jobs import Task
from napari_slabvision._session import Snapshot
from slabvision.record import PhotoEntry

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench
    from slabvision.findings import FaceFindings, Findings
    from slabvision.measure import Buying
    from slabvision.plane import Plane

__all__ = ["Measuring", "buying_for"]

_PLANE_MS = 150
_FINDINGS_MS = 900
_BEARS_ON_PLANE = ("marks", "drawn", "notebook", "photo facts")


def buying_for(unit: str) -> Buying:
    """Return what a purchase does, as the command line has it: tables must be the same."""
    from slabvision.measure import Buying
    from slabvision.units import MM_PER_FT

    return Buying(widths_every_mm=MM_PER_FT if unit == "in" else 300.0)


class Measuring(QObject):
    """Plane and findings of what is on the bench.

    Signals
    -------
    plane_changed
        ``plane`` is new, or None with ``plane_why``.
    findings_changed
        ``findings`` is new, or None with ``findings_why``.
    """

    plane_changed = Signal()
    findings_changed = Signal()

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.bench = bench
        self.plane: Plane | None = None
        self.plane_why = ""
        self.contradicting: tuple[str, ...] = ()
        self.findings: Findings | None = None
        self.findings_why = ""
        self.tilts: dict[str, float] = {}
        self.stale = True
        self.wanted = False
        self._plane_timer = self._make_timer(_PLANE_MS, self._fit)
        self._findings_timer = self._make_timer(_FINDINGS_MS, self.measure_now)
        bench.record_changed.connect(self._record_changed)
        bench.photo_changed.connect(self._fit)
        bench.slab_changed.connect(self._forget)
        bench.unit_changed.connect(self._out_of_date)

    def _make_timer(self, ms: int, call: Any) -> QTimer:
        timer = QTimer(self)
        timer.setSingleShot(True)
        timer.setInterval(ms)
        timer.timeout.connect(call)
        return timer

    def _forget(self) -> None:
        self.plane, self.findings, self.tilts = None, None, {}
        self.plane_why = self.findings_why = ""
        self.contradicting = ()
        self._out_of_date()

    def _record_changed(self, what: str) -> None:
        if what in _BEARS_ON_PLANE:
            self._plane_timer.start()
        self._out_of_date()

    def _out_of_date(self) -> None:
        self.stale = True
        if self.wanted:
            self._findings_timer.start()

    def want(self, wanted: bool) -> None:
        """Keep the findings up to date from now on, or stop doing so."""
        self.wanted = wanted
        if wanted and self.stale:
            self.measure_now()

    def mm_per_px(self, point: tuple[float, float]) -> float | None:
        """Return the scale at a pixel, None without a reference or past the horizon."""
        if self.plane is None:
            return None
        try:
            return self.plane.mm_per_px(point)
        except ValueError:
            return None

    # Plane -----------------------------------------------------------------------------------

    def _fit(self) -> None:
        from slabvision.measure import plane_of, thickness_budget

        session = self.bench.session
        if session is None or not session.file:
            return
        record, entry = session.record, session.entry
        if not entry.marks:
            self._set_plane(None, "No reference yet: mark a length of known size in the photo.")
            return
        self.bench.jobs.start(
            "plane",
            "fitting the reference",
            lambda _: (entry.file, plane_of(entry, thickness_budget(record))),
            self._fitted,
            self._not_fitted,
        )

    def _fitted(self, outcome: tuple[str, Plane]) -> None:
        file, plane = outcome
        if self.bench.session is None or self.bench.session.file != file:
            return
        self.tilts[file] = plane.tilt_deg.value
        self._set_plane(plane, plane.reason)

    def _not_fitted(self, error: Exception) -> None:
        self._set_plane(None, str(error), tuple(getattr(error, "names", ())))

    def _set_plane(
        self, plane: Plane | None, why: str, contradicting: tuple[str, ...] = ()
    ) -> None:
        self.plane, self.plane_why, self.contradicting = plane, why, contradicting
        self.bench.painting.plane_changed()
        self.plane_changed.emit()

    # Findings --------------------------------------------------------------------------------

    def measure_now(self) -> None:
        """Measure what is on the bench, saved or not."""
        session = self.bench.session
        if session is None:
            return
        snapshot, unit = session.snapshot(), self.bench.unit
        self.stale = False
        self.bench.jobs.start(
            "findings",
            "measuring",
            lambda task: _measure(snapshot, unit, task),
            lambda found: self._set_findings(found, ""),
            lambda error: self._set_findings(None, str(error)),
            self._stopped,
        )

    def _stopped(self) -> None:
        self.stale = True
        self._set_findings(self.findings, "Stopped before it was measured. Open this step again.")

    def _set_findings(self, findings: Findings | None, why: str) -> None:
        self.findings, self.findings_why = findings, why
        self.findings_changed.emit()

    @property
    def face(self) -> FaceFindings | None:
        """The findings of the photo that is shown."""
        session = self.bench.session
        if self.findings is None or session is None:
            return None
        return next((f for f in self.findings.faces if f.photo == session.file), None)


def _measure(snapshot: Snapshot, unit: str, task: Task) -> Findings:
    from slabvision.measure import measure_record

    def images_of(entry: PhotoEntry) -> Any:
        # Asked for once per face: where a stop can end the work.
        task.go_on(entry.role)
        return snapshot.images_of(entry)

    found = measure_record(
        snapshot.record, images_of, folder=snapshot.folder, buying=buying_for(unit)
    )
    task.go_on()
    return found
