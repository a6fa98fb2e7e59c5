"""Work beside the window ends at its next stage when it is stopped or newer work is wanted."""

from __future__ import annotations

import threading
from typing import Any

import pytest

pytest.importorskip("napari")

from tests.plugin_window import wait_until

pytestmark = pytest.mark.screen


@pytest.fixture
def jobs(qapp: Any) -> Any:
    from napari_slabvision._jobs import Jobs

    return Jobs()


class Stages:
    """Work in stages, each waiting for a sign."""

    def __init__(self, count: int = 3) -> None:
        self.count, self.done = count, 0
        self.go = threading.Event()

    def __call__(self, task: Any) -> int:
        for number in range(self.count):
            task.go_on(f"part {number + 1}")
            assert self.go.wait(30)
            self.done += 1
        return self.done


def nothing_failed(error: Exception) -> None:
    raise AssertionError(error)


def test_a_stop_ends_the_work_at_its_next_stage(jobs: Any) -> None:
    work, results, stopped, said = Stages(), [], [], []
    jobs.changed.connect(said.append)
    jobs.start("x", "counting", work, results.append, nothing_failed, lambda: stopped.append(1))
    wait_until(lambda: said and said[-1] == "counting: part 1")
    jobs.stop()
    assert not jobs.busy
    assert stopped == [1]
    work.go.set()
    wait_until(lambda: not jobs.is_running("x"))
    assert work.done == 1, "the stage under way ends; the next never begins"
    assert results == []
    assert said[-1] == ""


def test_newer_work_of_a_name_ends_the_older(jobs: Any) -> None:
    old, new, results = Stages(), Stages(1), []
    new.go.set()
    jobs.start("x", "old", old, results.append, nothing_failed)
    jobs.start("x", "new", new, results.append, nothing_failed)
    old.go.set()
    wait_until(lambda: results == [1])
    assert old.done <= 1


def test_a_save_is_never_stopped(jobs: Any) -> None:
    work, results = Stages(), []
    jobs.start("save", "saving", work, results.append, nothing_failed)
    jobs.stop()
    work.go.set()
    wait_until(lambda: results == [3])
