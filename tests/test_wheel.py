"""What is installed: the two packages with their data, never `plugins` or `tests`."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def names(tmp_path_factory) -> list[str]:
    """Build the wheel and list what is in it."""
    out = tmp_path_factory.mktemp("wheel")
    made = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert made.returncode == 0, made.stdout + made.stderr
    (wheel,) = out.glob("slabvision-*.whl")
    assert wheel.stat().st_size < 5_000_000
    return zipfile.ZipFile(wheel).namelist()


def test_only_the_two_packages_are_installed(names):
    tops = {name.split("/")[0] for name in names}
    assert {t for t in tops if not t.endswith(".dist-info")} == {"slabvision", "napari_slabvision"}


@pytest.mark.parametrize(
    "file",
    [
        "slabvision/py.typed",
        "slabvision/trade/species.csv",
        "slabvision/report/style.css",
        "slabvision/sample_data/quay-04/slab.json",
        "slabvision/sample_data/quay-04/face-a.jpg",
        "napari_slabvision/napari.yaml",
    ],
)
def test_data_is_in_the_wheel(names, file):
    assert file in names


def test_entry_points_and_licence(names):
    assert any(name.endswith("entry_points.txt") for name in names)
    assert any("LICENSE" in name for name in names)
    assert not any(name.endswith((".pyc", ".slab.lock")) for name in names)
