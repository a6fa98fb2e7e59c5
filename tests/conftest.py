"""Fixtures shared by all tests."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

_REAL = Path(__file__).resolve().parents[2] / "shared" / "real_photos"


@pytest.fixture(scope="session")
def real_photos() -> Path:
    """Folder of real photographs with truth; the test says so where it is missing."""
    folder = Path(os.environ.get("SLABVISION_REAL_PHOTOS", _REAL))
    if not folder.is_dir():
        pytest.skip(
            "left out: the real photographs are not on this machine "
            "(set SLABVISION_REAL_PHOTOS to their folder)"
        )
    return folder
