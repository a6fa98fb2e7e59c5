"""What a disk may hold after the power fails at any moment of a save.

A model of POSIX as file systems are allowed to behave: the bytes of a file are safe once it was
fsynced; a rename or removal is safe once its folder was fsynced, and until then may or may not
have reached the disk, in any order. (POSIX.1-2017, ``fsync`` and ``rename``; T. S. Pillai et al.,
"All File Systems Are Not Created Equal", OSDI 2014, calls these states vulnerable.)
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

LOST = b""
"""What is left of a file that was never fsynced."""


class Disk:
    """Watches one folder and keeps what is certainly on the disk, and what may be."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.safe = {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}
        self.synced: dict[str, bytes] = {}
        self.pending: list[tuple[str, str | None, bytes]] = []
        self.states: list[dict[str, bytes]] = []

    def fsync(self, handle: int) -> None:
        """Note a flush of a file or of the folder."""
        target = Path(os.readlink(f"/proc/self/fd/{handle}"))
        if target == self.folder:
            for name, target_name, data in self.pending:
                self._apply(self.safe, name, target_name, data)
            self.pending = []
        else:
            self.synced[target.name] = target.read_bytes()
        self._crash()

    def replace(self, source: Any, target: Any) -> None:
        """Note a rename: the new name may show bytes that were never flushed as lost."""
        name = Path(source).name
        self.pending.append((name, Path(target).name, self.synced.get(name, LOST)))
        self._crash()

    def unlink(self, path: Path) -> None:
        """Note a removal."""
        self.pending.append((path.name, None, LOST))
        self._crash()

    @staticmethod
    def _apply(state: dict[str, bytes], name: str, target: str | None, data: bytes) -> None:
        state.pop(name, None)
        if target is not None:
            state[target] = data

    def _crash(self) -> None:
        for size in range(len(self.pending) + 1):
            for chosen in itertools.combinations(self.pending, size):
                state = dict(self.safe)
                for name, target, data in chosen:
                    self._apply(state, name, target, data)
                self.states.append(state)

    def found_after(self, place: Path) -> Iterator[Path]:
        """Write every different state into a folder of its own."""
        seen: list[dict[str, bytes]] = []
        for state in self.states:
            if state in seen:
                continue
            seen.append(state)
            folder = place / f"state-{len(seen)}"
            folder.mkdir()
            for name, data in state.items():
                (folder / name).write_bytes(data)
            yield folder


def watched(
    monkeypatch: pytest.MonkeyPatch, folder: Path, save: Callable[[], Any], *, fsync: bool = True
) -> Disk:
    """Run a save on a watched disk; with ``fsync=False`` its flushes do nothing."""
    disk = Disk(folder)
    real_fsync, real_replace, real_unlink = os.fsync, os.replace, Path.unlink

    def note_fsync(handle: int) -> None:
        real_fsync(handle)
        if fsync:
            disk.fsync(handle)

    def note_replace(source: Any, target: Any) -> None:
        real_replace(source, target)
        disk.replace(source, target)

    def note_unlink(path: Path, missing_ok: bool = False) -> None:
        real_unlink(path, missing_ok=missing_ok)
        if path.parent == folder:
            disk.unlink(path)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", note_fsync)
        patch.setattr(os, "replace", note_replace)
        patch.setattr(Path, "unlink", note_unlink)
        save()
    return disk
