"""``slabvision later``: two slab folders of one slab, as a table, as CSV, and refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from slabvision.cli import app
from slabvision.record import Defect, Outline
from slabvision.store import load_slab, save_slab
from tests.slab_folders import MM_PER_PX, SHAPE, square_on_slab

runner = CliRunner()


def _edge(seed: int) -> np.ndarray:
    """A live edge in px: noise with bumps of a hand's breadth and more."""
    rng = np.random.default_rng(seed)
    at = np.arange(100, 2661, 8)
    white = rng.standard_normal(at.size + 40)
    kernel = np.exp(-((np.arange(-20, 21) / 9.0) ** 2))
    bumps = np.convolve(white, kernel / np.sqrt((kernel**2).sum()), "valid")
    return np.column_stack([10 * bumps[: at.size], at])


def _visit(folder: Path, grown_px: int, *, seed: int = 1, taken: str = "", grey: int = 150) -> Path:
    top, bottom = _edge(seed) + np.array([110, 0]), _edge(seed + 50) + np.array([890, 0])
    ring = [tuple(map(float, p)) for p in np.vstack([top, bottom[::-1]])]
    square_on_slab(folder, grey=grey, arris=Outline(points=ring), taken_at=taken or None)
    record = load_slab(folder)
    labels = np.zeros(SHAPE, np.uint16)
    labels[400:480, 1000:1120] = 1
    labels[700:703, 101 : 501 + grown_px] = 2
    if grown_px:
        labels[600:640, 2000:2050] = 3
    kinds = {1: "sound_knot", 2: "surface_check", 3: "rot"}
    numbers = sorted(set(np.unique(labels)) - {0})
    entry = record.photos[0].model_copy(
        update={"defects": [Defect(number=n, kind=kinds[n]) for n in numbers]}
    )
    save_slab(folder, record.with_photo(entry), labels={entry.file: labels})
    return folder


@pytest.fixture(scope="module")
def visits(tmp_path_factory) -> tuple[Path, Path]:
    place = tmp_path_factory.mktemp("visits")
    return (
        _visit(place / "spring", 0, taken="2026-04-02T10:00:00"),
        _visit(place / "autumn", 200, taken="2026-10-02T10:00:00", grey=151),
    )


def test_what_grew_and_what_is_new(visits, tmp_path):
    spring, autumn = map(str, visits)
    out = tmp_path / "out"
    result = runner.invoke(app, ["later", spring, autumn, "--unit", "mm", "--csv", str(out),
                                 "--explain"], env={"COLUMNS": "200"})  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "183 days apart" in result.output
    table = pd.read_csv(out / "changes.csv").set_index("term")
    check = table.loc["surface check"]
    assert check["change"] == "grew"
    grown = 200 * MM_PER_PX
    assert check["length_growth_mm_lo95"] < grown < check["length_growth_mm_hi95"]
    assert check["length_growth_mm"] == pytest.approx(grown, abs=3)
    assert np.isnan(check["area_growth_mm2"])
    assert table.loc["rot"]["change"] == "new"
    assert table.loc["sound knot"]["change"] == "no change shown"
    assert (out / "csv-metadata.json").exists()


def test_another_slab_is_refused(visits, tmp_path):
    stranger = _visit(tmp_path / "stranger", 0, seed=7)
    result = runner.invoke(app, ["later", str(visits[0]), str(stranger)])
    assert result.exit_code == 2
    assert "not shown to be the same face" in result.stderr


def test_a_face_that_was_not_seen_twice(visits):
    result = runner.invoke(app, ["later", *map(str, visits), "--face", "B"])
    assert result.exit_code == 2
    assert "face B was not measured at both dates" in result.stderr


def test_the_order_of_the_dates_is_looked_at(visits):
    result = runner.invoke(app, ["later", *map(str, visits[::-1])])
    assert "is the order right?" in result.output
