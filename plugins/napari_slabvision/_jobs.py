"""Work beside the window: one job of a name at a time, the newest wanted wins, with a stop.

A stop ends work at its next stage: long work asks its task between stages whether it is still
wanted. Expected errors come back as values: napari 0.9 shows an error raised in a worker twice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from qtpy.QtCore import QObject, Signal

__all__ = ["Jobs", "Stopped", "Task"]

_KEPT = ("save", "autosave")
"""Never stopped: half a save is none."""


class Stopped(Exception):
    """Work ended because nobody wants it any more."""


class Task:
    """What a piece of work is told and tells while it runs in its thread."""

    def __init__(self, told: Callable[[], None] | None = None) -> None:
        self.wanted = True
        self.stage = ""
        self._told = told

    def go_on(self, stage: str = "") -> None:
        """Call between stages, with the words for the next one.

        Raises
        ------
        Stopped
            Nobody wants the result any more.
        """
        if not self.wanted:
            raise Stopped
        if stage != self.stage:
            self.stage = stage
            if self._told is not None:
                self._told()


@dataclass
class _Job:
    name: str
    words: str
    work: Callable[[Task], Any]
    done: Callable[[Any], None]
    failed: Callable[[Exception], None]
    stopped: Callable[[], None]
    task: Task = field(default_factory=Task)

    @property
    def wanted(self) -> bool:
        return self.task.wanted

    @property
    def saying(self) -> str:
        return f"{self.words}: {self.task.stage}" if self.task.stage else self.words


class Jobs(QObject):
    """Runs jobs; ``changed`` says in words what is running, or an empty text."""

    changed = Signal(str)
    _stage = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._stage.connect(self._say)  # sent from threads, heard in the window's
        self._running: dict[str, _Job] = {}
        self._next: dict[str, _Job] = {}

    def start(
        self,
        name: str,
        words: str,
        work: Callable[[Task], Any],
        done: Callable[[Any], None],
        failed: Callable[[Exception], None],
        stopped: Callable[[], None] = lambda: None,
    ) -> None:
        """Run work in a thread; a job of the same name that still runs is not waited for twice.

        Parameters
        ----------
        name : str
            Jobs of one name never run side by side; of those waiting only the newest is kept.
        words : str
            What is being done, for the person.
        work : callable
            Touches neither layers nor widgets; is given its task, to ask between stages whether
            it is still wanted.
        done, failed : callable
            Called in the window's thread with the result or the error.
        stopped : callable
            Called in the window's thread when the person stopped it; not when newer work of the
            same name took its place.
        """
        job = _Job(name, words, work, done, failed, stopped, Task(self._stage.emit))
        if name in self._running:
            self._running[name].task.wanted = name in _KEPT and self._running[name].wanted
            self._next[name] = job
        else:
            self._launch(job)
        self._say()

    def stop(self) -> None:
        """End what is running at its next stage and drop what waits. Saving goes on."""
        ended = [self._next.pop(name) for name in list(self._next) if name not in _KEPT]
        ended += [j for j in self._running.values() if j.wanted and j.name not in _KEPT]
        for job in ended:
            job.task.wanted = False
            job.stopped()
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
                return job.work(job.task), None
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
        words = [job.saying for job in self._running.values() if job.wanted]
        words += [job.words for job in self._next.values()]
        self.changed.emit(", ".join(dict.fromkeys(word for word in words if word)))
