"""Files written whole or not at all, and safe on the disk once the call returns."""

from __future__ import annotations

import contextlib
import os
import uuid
from pathlib import Path

__all__ = ["flush_folder", "write_whole"]


def write_whole(path: Path, data: bytes) -> Path:
    """Write to a temporary file beside it, flush it to the disk, rename, flush the folder.

    A link in its place is replaced, never followed.

    Raises
    ------
    OSError
        Disk full, no permission, ...; what was there before is untouched.
    """
    temporary = path.with_name(f".{path.name}.{uuid.uuid4().hex[:8]}.part")
    try:
        with temporary.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise
    flush_folder(path.parent)
    return path


def flush_folder(folder: Path) -> None:
    """Flush a folder, so that a rename in it survives a power cut."""
    if os.name != "posix":
        return  # a folder cannot be opened for flushing there
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
