"""What is installed: the two packages with their data, never `plugins` or `tests`.

Fresh environments, with and without napari, on the Pythons here: python -m tests.trust.installs
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def _built(kind: str, source: Path, out: Path) -> Path:
    made = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", kind, "-d", str(out)],
        cwd=source,
        capture_output=True,
        text=True,
        check=False,
    )
    assert made.returncode == 0, made.stdout + made.stderr
    (found,) = out.glob("slabvision-*.whl" if kind == "wheel" else "slabvision-*.tar.gz")
    return found


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    """Build the wheel."""
    made = _built("wheel", ROOT, tmp_path_factory.mktemp("wheel"))
    assert made.stat().st_size < 9_000_000  # of which the nets are 6 MB
    return made


@pytest.fixture(scope="module")
def names(wheel) -> list[str]:
    """List what is in the wheel."""
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


def test_the_source_archive_makes_the_same_wheel(names, tmp_path):
    archive = _built("sdist", ROOT, tmp_path / "sdist")
    with tarfile.open(archive) as packed:
        packed.extractall(tmp_path / "source", filter="data")
    (source,) = (tmp_path / "source").iterdir()
    assert (source / "tests" / "test_wheel.py").is_file()
    again = _built("wheel", source, tmp_path / "wheel")
    assert zipfile.ZipFile(again).namelist() == names


def _run(words: list[str], place: Path, *first: Path) -> subprocess.CompletedProcess[str]:
    """Run the program in an empty folder, with these folders before all others on the path."""
    place.mkdir(exist_ok=True)
    return subprocess.run(
        [sys.executable, "-P", "-m", "slabvision", *words],
        cwd=place,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(map(str, first))},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.slow
def test_the_wheel_works_without_the_source_tree(wheel, tmp_path):
    home = tmp_path / "installed"
    zipfile.ZipFile(wheel).extractall(home)
    where = "import slabvision, pathlib; print(pathlib.Path(slabvision.__file__).parent.parent)"
    said = subprocess.run(
        [sys.executable, "-P", "-c", where],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(home)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert Path(said.stdout.strip()) == home
    done = _run(["demo", "--out", "out"], tmp_path / "empty", home)
    assert done.returncode == 0, done.stderr
    assert "board feet" in done.stdout
    assert (tmp_path / "empty" / "out" / "slabs.csv").is_file()


BROKEN = {
    "libGL.so.1: cannot open shared object file": "raise ImportError('libGL.so.1: cannot open "
    "shared object file')",
    "recursion is detected": "raise RuntimeError('recursion is detected during loading of cv2')",
    "installed but empty": "",
}


@pytest.mark.parametrize("says", BROKEN)
def test_a_broken_opencv_gets_one_plain_line(tmp_path, says):
    stub = tmp_path / "stub" / "cv2"
    stub.mkdir(parents=True)
    (stub / "__init__.py").write_text(BROKEN[says], "utf-8")
    shutil.copytree(ROOT / "tests" / "records" / "version-1", tmp_path / "empty" / "slab")
    done = _run(["measure", "slab"], tmp_path / "empty", tmp_path / "stub", ROOT)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert says in done.stderr
    assert "pip uninstall opencv-python opencv-python-headless" in done.stderr
    assert _run(["--help"], tmp_path / "empty", tmp_path / "stub", ROOT).returncode == 0


def test_two_opencv_wheels_over_one_another_are_named(tmp_path):
    for name in ("opencv_python_headless", "opencv_contrib_python"):
        info = tmp_path / "site" / f"{name}-4.99.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(f"Name: {name.replace('_', '-')}\nVersion: 4.99\n")
    done = subprocess.run(
        [sys.executable, "-c", "import slabvision.opencv"],
        env=os.environ | {"PYTHONPATH": f"{tmp_path / 'site'}{os.pathsep}{ROOT}"},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "opencv-python-headless 4.99, opencv-contrib-python 4.99" in done.stderr
    assert "then install one" in done.stderr
