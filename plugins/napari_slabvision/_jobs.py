"""Work beside the window: one job of a name at a time, the newest wanted wins, with a stop.

Expected errors come back as values: napari 0.9 shows an error raised in a worker twice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from qtpy.QtCore import QObject, Signal

__all__ = ["Jobs"]

_KEPT = ("save", "autosave", "export")


@dataclass
class _Job:
    name: str
    words: str
    work: Callable[[], Any]
    done: Callable[[Any], None]
    failed: Callable[[Exception], None]
    wanted: bool = True


class Jobs(QObject):
    """Runs jobs; ``changed`` says in words what is running, or an empty text."""

    changed = Signal(str)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._running: dict[str, _Job] = {}
        self._next: dict[str, _Job] = {}

    def start(
        self,
        name: str,
        words: str,
        work: Callable[[], Any],
        done: Callable[[Any], None],
        failed: Callable[[Exception], None],
    ) -> None:
        """Run work in a thread; a job of the same name that still runs is not waited for twice.

        Parameters
        ----------
        name : str
            Jobs of one name never run side by side; of those waiting only the newest is kept.
        words : str
            What is being done, for the person.
        work : callable
            Touches neither layers nor widgets.
        done, failed : callable
            Called in the window's thread with the result or the error.
        """
        job = _Job(name, words, work, done, failed)
        if name in self._running:
            self._running[name].wanted = False
            self._next[name] = job
        else:
            self._launch(job)
        self._say()

    def stop(self) -> None:
        """Drop what is running and waiting: results are not taken over. Saving goes on."""
        for name in [name for name in self._next if name not in _KEPT]:
            del self._next[name]
        for name, job in self._running.items():
            job.wanted = job.wanted and name in _KEPT
        self._say()

    @property
    def busy(self) -> bool:
        """Whether anything is running whose result is wanted."""
        return any(job.wanted for job in self._running.values()) or bool(self._next)

    def is_running(self, name: str) -> bool:
        """Whether a job of this name runs or waits."""
        return name in self._running or name in self._next

    def _launch(self, job: _Job) -> None:
        from napari.qt.threading import create_worker

        def guarded() -> tuple[Any, Exception | None]:
            try:
                return job.work(), None
            except Exception as error:  # handed to failed(), never lost
                return None, error

        self._running[job.name] = job
        worker = create_worker(guarded, _start_thread=False)
        worker.returned.connect(lambda outcome: self._finished(job, *outcome))
        worker.start()

    def _finished(self, job: _Job, result: Any, error: Exception | None) -> None:
        self._running.pop(job.name, None)
        follow = self._next.pop(job.name, None)
        if follow is not None:
            self._launch(follow)
        self._say()
        if not job.wanted:
            return
        if error is None:
            job.done(result)
        else:
            job.failed(error)

    def _say(self) -> None:
        words = [job.words for job in self._running.values() if job.wanted]
        words += [job.words for job in self._next.values()]
        self.changed.emit(", ".join(dict.fromkeys(word for word in words if word)))
