"""Clean installs: from the wheel of the source archive, without the source tree, in fresh places.

    python -m tests.trust.installs                  # every Python here, with and without napari
    python -m tests.trust.installs --python 3.11 --without-napari-only

Each place is a new environment made by uv with packages from the usual index only (no Python is
downloaded). The program runs in an empty folder; then the tests that came in the source archive
run against what is installed. Some gigabytes and some minutes; nothing of it is part of CI.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
NEWEST_FIRST = ("3.15", "3.14", "3.13", "3.12", "3.11")
TESTS = (
    "tests/test_cli.py", "tests/test_store.py", "tests/test_versions.py", "tests/test_measure.py",
    "tests/test_photo.py", "tests/test_text.py", "tests/test_units.py", "tests/trust/test_paths.py",
)  # fmt: skip
"""Read, keep, measure, write: what an installation can break."""
WITH_NAPARI = ("tests/test_plugin_manifest.py", "tests/test_plugin_conversion.py")


def _uv() -> str:
    local = ROOT / ".uv" / "bin" / "uv"
    found = str(local) if local.is_file() else shutil.which("uv")
    if found is None:
        sys.exit("uv is needed: bash .ci/test makes .uv/, or pip install uv")
    return found


def _run(words: list[str], **how: object) -> subprocess.CompletedProcess[str]:
    clean = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}
    environment = clean | {"UV_PYTHON_DOWNLOADS": "never", "UV_LINK_MODE": "copy"}
    return subprocess.run(
        words, capture_output=True, text=True, check=False, env=environment, **how
    )  # type: ignore[call-overload,no-any-return]


def _must(words: list[str], **how: object) -> str:
    done = _run(words, **how)
    if done.returncode:
        raise RuntimeError(f"{' '.join(words[:6])} ...\n{done.stdout[-3000:]}{done.stderr[-3000:]}")
    return done.stdout


def pythons_here() -> dict[str, str]:
    """Return the Pythons of this machine that the program supports, newest first, by version."""
    found = {}
    for version in NEWEST_FIRST:
        asked = _run([_uv(), "python", "find", "--no-project", version])
        own = sorted(Path.home().glob(f".pyenv/versions/{version}.*/bin/python"))
        if asked.returncode == 0:
            found[version] = asked.stdout.strip()
        elif own:
            found[version] = str(own[-1])
    return found


def built(place: Path) -> tuple[Path, Path]:
    """Build the source archive, the wheel from it, and return (wheel, unpacked source)."""
    _must([_uv(), "build", "--quiet", "--out-dir", str(place / "dist"), str(ROOT)])
    (wheel,) = (place / "dist").glob("*.whl")
    (archive,) = (place / "dist").glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        packed.extractall(place / "source", filter="data")
    (source,) = (place / "source").iterdir()
    return wheel, source


def try_install(interpreter: str, extra: str, wheel: Path, source: Path, place: Path) -> str:
    """Install, run and test in a fresh environment; return what was found in one line."""
    start = time.monotonic()
    home, empty = place / "env", place / "empty"
    empty.mkdir(parents=True)
    _must([_uv(), "venv", "--quiet", "--no-project", "--python", interpreter, str(home)])
    python = str(home / "bin" / "python")
    wanted = (
        f"slabvision[{extra}] @ {wheel.as_uri()}" if extra else f"slabvision @ {wheel.as_uri()}"
    )
    _must([_uv(), "pip", "install", "--quiet", "--python", python, wanted])
    program = str(home / "bin" / "slabvision")
    _must([program, "--version"], cwd=empty)
    _must([program, "demo", "--out", "out"], cwd=empty)
    where = _must([python, "-c", "import slabvision; print(slabvision.__file__)"], cwd=empty)
    if str(home) not in where:
        raise RuntimeError(f"imported from {where}")
    windows = _must([python, "-c", "import importlib.util as u; print([n for n in "
                     "('napari', 'qtpy', 'PySide6') if u.find_spec(n)])"], cwd=empty)  # fmt: skip
    if bool(extra) != ("napari" in windows):
        raise RuntimeError(f"extra {extra!r}, yet installed: {windows}")
    # The archive's tests without the archive's packages: what is tested is what is installed.
    shutil.copytree(source / "tests", place / "run" / "tests")
    shutil.copytree(source / "sample_images", place / "run" / "sample_images")
    shutil.copy(source / "pyproject.toml", place / "run")
    _must([_uv(), "pip", "install", "--quiet", "--python", python, "pytest", "pytest-benchmark",
           "hypothesis", *(["pytest-qt"] if extra else [])])  # fmt: skip
    wanted_tests = [*TESTS, *(WITH_NAPARI if extra else ())]
    said = _must([python, "-P", "-m", "pytest", "-q", "-p", "no:cacheprovider", *wanted_tests],
                 cwd=place / "run")  # fmt: skip
    return f"{said.strip().splitlines()[-1]}; {time.monotonic() - start:.0f} s"


def main(words: list[str] | None = None) -> int:
    """Run from a shell."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--python", action="append", help="a version; all that are here if none")
    parser.add_argument("--without-napari-only", action="store_true")
    known = parser.parse_args(words)
    here = pythons_here()
    versions = known.python or list(dict.fromkeys([next(iter(here)), "3.11"]))
    print(f"Python here: {', '.join(here)}; tried: {', '.join(versions)}")
    failed = 0
    with tempfile.TemporaryDirectory() as place_:
        place = Path(place_)
        wheel, source = built(place)
        for version in versions:
            for extra in ("",) if known.without_napari_only else ("", "napari"):
                name = f"Python {version}, {'with' if extra else 'without'} napari"
                spot = place / f"{version}-{extra or 'plain'}"
                try:
                    print(
                        f"{name}: {try_install(here[version], extra, wheel, source, spot)}",
                        flush=True,
                    )
                except RuntimeError as error:
                    failed += 1
                    print(f"{name}: FAILED\n{error}", flush=True)
                shutil.rmtree(spot, ignore_errors=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
