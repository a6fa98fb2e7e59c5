"""What the person feels in the plugin: strokes, live areas, switching photos, starting napari.

xvfb-run -a -s "-screen 0 1600x1000x24" .venv/bin/pytest tests/benchmarks/bench_plugin.py \
    --benchmark-only -m ""
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("napari")

from napari_slabvision._live import PixelSizes, count_pixels
from napari_slabvision._photo_layers import defects_layer

from slabvision.record import Defect, PhotoEntry

SHAPES = {"12 MP": (3000, 4000), "48 MP": (6000, 8000)}
SIZES = PixelSizes(np.full((16, 16), 0.25))


def painted(shape: tuple[int, int]) -> tuple[PhotoEntry, Any]:
    """A photo's entry and label image with sixty defects all over, invented."""
    labels = np.zeros(shape, np.uint16)
    rng = np.random.default_rng(3)
    for number in range(1, 61):
        row, col = rng.integers(0, shape[0] - 300), rng.integers(0, shape[1] - 300)
        labels[row : row + rng.integers(20, 300), col : col + rng.integers(20, 300)] = number
    defects = [Defect(number=n, kind="sound_knot") for n in range(1, 61)]
    return PhotoEntry(file="a.jpg", sha256="0" * 64, shape=shape, defects=defects), labels


@pytest.mark.benchmark(group="plugin: live count and area of sixty defects (bar: 200 ms)")
@pytest.mark.parametrize("size", SHAPES)
def test_live_areas(benchmark: Any, size: str) -> None:
    _, labels = painted(SHAPES[size])
    found = benchmark.pedantic(count_pixels, (labels, SIZES), rounds=30, warmup_rounds=2)
    assert len(found.pixels) > 50


@pytest.mark.benchmark(group="plugin: one dab of the brush, without redraw (bar: 20 ms)")
@pytest.mark.parametrize("size", SHAPES)
def test_paint_stroke(benchmark: Any, size: str) -> None:
    from napari.layers import Labels

    entry, labels = painted(SHAPES[size])
    _, arguments, _ = defects_layer(entry, labels)
    layer = Labels(labels, **arguments)
    layer.brush_size = 60
    places = iter(np.random.default_rng(0).integers(200, 2800, (200, 2)))

    def dab() -> None:
        with layer.block_history():
            layer.paint(tuple(next(places)), 61)

    benchmark.pedantic(dab, rounds=30, warmup_rounds=2)
    # A disc of 60 px holds 2,800 pixels; few of the thirty-two overlap.
    assert (labels == 61).sum() > 20 * 2800


@pytest.fixture
def own_settings(plugin_settings: Any, npe2pm: Any) -> None:
    """Keep what the dock remembers out of the person's own settings."""
    from npe2 import PluginManifest

    npe2pm.register(PluginManifest.from_distribution("slabvision"))


@pytest.mark.screen
@pytest.mark.usefixtures("own_settings")
@pytest.mark.benchmark(group="plugin: a dab with the dock listening, the call alone")
def test_paint_stroke_in_the_dock(benchmark: Any, make_napari_viewer: Any, tmp_path: Path) -> None:
    from tests.plugin_window import dock_in

    viewer = make_napari_viewer(show=True)
    with dock_in(viewer, photos_of_twelve_megapixels(tmp_path)) as dock:
        dock.open_step(4)
        layer = dock.bench.painting.layer
        places = iter(np.random.default_rng(0).integers(200, 2800, (200, 2)))

        def dab() -> None:
            layer.paint(tuple(next(places)), layer.selected_label)

        benchmark.pedantic(dab, rounds=30, warmup_rounds=2)


@pytest.mark.screen
@pytest.mark.usefixtures("own_settings")
@pytest.mark.benchmark(group="plugin: switching between photos of 12 MP (bar: 1 s)")
def test_switching_photos(benchmark: Any, make_napari_viewer: Any, tmp_path: Path) -> None:
    from tests.plugin_window import dock_in, wait_until

    viewer = make_napari_viewer(show=True)
    with dock_in(viewer, photos_of_twelve_megapixels(tmp_path)) as dock:
        bench = dock.bench
        files = [p.file for p in bench.session.record.photos]

        def switch() -> None:
            other = files[1] if bench.session.file == files[0] else files[0]
            bench._decoded.clear()  # decoded anew, as when it is looked at for the first time
            bench.show_photo(other)
            wait_until(lambda: bench.session.file == other)

        benchmark.pedantic(switch, rounds=6, warmup_rounds=1)


@pytest.mark.benchmark(group="plugin: what napari's start costs more with it (bar: 0.3 s)")
@pytest.mark.parametrize("what", ["napari alone finds its manifests", "with slabvision's"])
def test_start(benchmark: Any, what: str) -> None:
    block = "slabvision" if what.startswith("napari alone") else ""
    code = (
        "from npe2 import PluginManager; manager = PluginManager.instance();"
        f"manager.discover(); manager.disable({block!r}) if {block!r} else None;"
        "list(manager.iter_widgets()); list(manager.iter_manifests());"
        "import sys; assert 'napari_slabvision._dock' not in sys.modules"
    )
    benchmark.pedantic(
        subprocess.run, ([sys.executable, "-c", code],), {"check": True}, rounds=8, warmup_rounds=1
    )


def photos_of_twelve_megapixels(folder: Path) -> Path:
    """A slab of two faces photographed at 12 MP, invented."""
    from PIL import Image

    from slabvision.store import load_slab, new_slab, save_slab

    rng = np.random.default_rng(1)
    paths = []
    for face in "ab":
        small = rng.normal(140, 30, (750, 1000, 3)).clip(0, 255).astype(np.uint8)
        path = folder / f"face-{face}.jpg"
        Image.fromarray(small).resize((4000, 3000), Image.Resampling.BICUBIC).save(path, quality=90)
        paths.append(path)
    slab = folder / "twelve"
    new_slab(slab, paths, ["face A", "face B"])
    record = load_slab(slab)
    labels = {}
    for entry in record.photos:
        made, image = painted((3000, 4000))
        numbers = set(np.unique(image).tolist())
        kept = [d for d in made.defects if d.number in numbers]
        record = record.with_photo(entry.model_copy(update={"defects": kept}))
        labels[entry.file] = image
    save_slab(slab, record, labels=labels)
    return slab
