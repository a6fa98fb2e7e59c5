"""What napari reads of the plugin before it is used, and what that costs."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

npe2 = pytest.importorskip("npe2")

MANIFEST = Path(str(import_module("napari_slabvision").__file__)).with_name("napari.yaml")
"""Of the plugin that is installed, not of the source tree: the wheel must hold it."""
MENUS = ("napari/layers/annotate", "napari/layers/measure")


@pytest.fixture(scope="module")
def manifest() -> Any:
    return npe2.PluginManifest.from_file(MANIFEST)


def test_the_manifest_is_valid_and_bears_the_distributions_name(manifest: Any) -> None:
    manifest.validate_imports()
    assert manifest.name == "slabvision"
    assert set(manifest.categories) == {"Annotation", "Measurement"}


def test_every_command_leads_somewhere(manifest: Any) -> None:
    commands = {c.id: c.python_name for c in manifest.contributions.commands}
    assert len(commands) >= 4
    for place in commands.values():
        module, name = place.split(":")
        assert callable(getattr(import_module(module), name))
    used = [r.command for r in manifest.contributions.readers]
    used += [w.command for w in manifest.contributions.writers]
    used += [w.command for w in manifest.contributions.widgets]
    used += [s.command for s in manifest.contributions.sample_data]
    assert set(used) <= set(commands)


def test_the_dock_stands_under_annotate_and_measure(manifest: Any) -> None:
    for menu in MENUS:
        assert [item.command for item in manifest.contributions.menus[menu]] == ["slabvision.dock"]


def test_photos_are_left_to_napari(manifest: Any) -> None:
    patterns = [p for r in manifest.contributions.readers for p in r.filename_patterns]
    assert patterns == ["slab.json"]


def test_the_reader_takes_slab_folders_and_nothing_else(tmp_path: Path) -> None:
    from napari_slabvision._reader import get_reader

    from tests.slab_folders import square_on_slab

    folder = square_on_slab(tmp_path / "slab")
    assert get_reader(str(tmp_path)) is None
    assert get_reader(str(folder / "face-a.png")) is None
    assert get_reader([str(folder), str(folder)]) is None
    read = get_reader(str(folder))
    assert read is not None
    kinds = [(meta["metadata"]["slabvision"]["role"], kind) for _, meta, kind in read(str(folder))]
    assert kinds[:3] == [("photo", "image"), ("zones", "labels"), ("defects", "labels")]
    assert get_reader(str(folder / "slab.json")) is not None


def test_the_writer_saves_what_the_reader_gave(tmp_path: Path) -> None:
    from napari_slabvision._reader import read_slab
    from napari_slabvision._writer import write_slab

    from slabvision.store import RecordError, load_slab, read_labels
    from tests.slab_folders import square_on_slab

    folder = square_on_slab(tmp_path / "slab")
    before = load_slab(folder)
    layers = read_slab(str(folder))
    labels = next(d for d, m, _ in layers if m["metadata"]["slabvision"]["role"] == "defects")
    labels[labels == 2] = 0
    copy = tmp_path / "copy" / "slab.json"
    assert write_slab(str(copy), layers) == [str(copy)]
    after = load_slab(copy.parent)
    assert [d.number for d in after.photos[0].defects] == [1]
    assert after.photos[0].marks == before.photos[0].marks
    assert after.photos[0].arris == before.photos[0].arris
    assert not (read_labels(copy.parent, after.photos[0]) == 2).any()
    assert load_slab(folder) == before, "the slab it came from is as it was"
    with pytest.raises(RecordError, match="no slab folder"):
        write_slab(str(copy), [(labels, {"metadata": {}}, "labels")])


def test_importing_the_package_loads_nothing_heavy() -> None:
    heavy = ("qtpy", "napari", "cv2", "scipy", "pandas", "shapely", "slabvision", "numpy")
    code = f"import sys, napari_slabvision; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_reader_alone_loads_neither_windows_nor_pictures() -> None:
    heavy = ("qtpy", "napari", "cv2", "scipy", "pandas", "shapely")
    code = (
        "import sys; from napari_slabvision._reader import get_reader; get_reader('.');"
        f"print([m for m in {heavy!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_opencv_leaves_the_variables_of_qt_alone() -> None:
    code = (
        "import os; before = dict(os.environ); import napari_slabvision._live;"
        "print(before == dict(os.environ))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True"


def test_no_file_of_the_plugin_is_too_long() -> None:
    for path in MANIFEST.parent.glob("*.py"):
        assert len(path.read_text().splitlines()) <= 500, path.name
