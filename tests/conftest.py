"""Fixtures shared by all tests."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

_REAL = Path(__file__).resolve().parents[2] / "shared" / "real_photos"


# The same examples each time, so that a landing does not hang on chance; look for new ones with
# pytest --hypothesis-profile=default.
settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile("fixed")


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
