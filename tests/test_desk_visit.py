"""A whole visit: the same tables whoever measures, resumed after a kill, nothing lost."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from typer.testing import CliRunner

from slabvision.cli import app
from slabvision.desk import visit as desk
from slabvision.measure import Buying, measure_slab
from slabvision.record import BoardMark, Notebook, ThicknessReading, YardClaim
from slabvision.tables import write_tables
from slabvision.units import MM_PER_FT
from tests.slab_folders import FOCAL_PX, MM_PER_PX, SHAPE, square_on_slab

assert FOCAL_PX > 0


def tables_in(folder):
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if p.is_file()}


@pytest.fixture(scope="module")
def yard(tmp_path_factory):
    """Four good slabs and two broken ones."""
    place = tmp_path_factory.mktemp("yard")
    for n in range(4):
        book = Notebook(
            tag=f"T-{n}",
            species="ash",
            thickness=[ThicknessReading(mm=50 + n, station_mm=400)],
            claim=YardClaim(price=100.0 + n) if n % 2 else YardClaim(),
        )
        square_on_slab(place / f"slab-{n}", notebook=book, grey=100 + n)
    (place / "slab-1b").mkdir()
    (place / "slab-1b" / "slab.json").write_text("{ not json", "utf-8")
    square_on_slab(place / "slab-3b", grey=99)
    (place / "slab-3b" / "face-a.png").unlink()
    return place


def test_the_slabs_of_a_visit(yard, tmp_path):
    names = [p.name for p in desk.slab_folders([yard])]
    assert names == ["slab-0", "slab-1", "slab-1b", "slab-2", "slab-3", "slab-3b"]
    one = desk.slab_folders([yard / "slab-2", yard, tmp_path / "none"])
    assert [p.name for p in one][:2] == ["slab-2", "slab-0"]
    assert one[-1] == tmp_path / "none"


def test_one_by_one_gives_the_same_tables_as_measuring_them_together(yard, tmp_path):
    folders = [f for f in desk.slab_folders([yard]) if not f.name.endswith("b")]
    found = desk.measure_visit(folders)
    desk.write_visit(found, tmp_path / "visit")
    plain = [measure_slab(f, buying=Buying(widths_every_mm=MM_PER_FT)) for f in folders]
    write_tables(plain, tmp_path / "plain")
    made = tables_in(tmp_path / "visit")
    totals = made.pop("totals.csv").decode()
    assert made == tables_in(tmp_path / "plain")
    row = next(line for line in totals.splitlines() if line.startswith("gross area"))
    area = sum(f.best.gross_area_mm2.estimate.value for f in plain) / 92903.04
    assert math.isclose(float(row.split(",")[2]), area, rel_tol=1e-6)


@pytest.mark.slow
def test_workers_change_nothing_and_broken_folders_stop_nothing(yard, tmp_path):
    folders = desk.slab_folders([yard])
    said = []
    alone = desk.measure_visit(folders)
    pool = desk.measure_visit(folders, jobs=2, progress=lambda a, b: said.append((a, b)))
    assert said[-1] == (6, 6)
    for found in (alone, pool):
        assert len(found.slabs) == 4
        assert [b.folder.rsplit(os.sep, 1)[1] for b in found.broken] == ["slab-1b", "slab-3b"]
        assert all(b.reason for b in found.broken)
    desk.write_visit(alone, tmp_path / "one")
    desk.write_visit(pool, tmp_path / "two")
    assert tables_in(tmp_path / "one") == tables_in(tmp_path / "two")
    for name in desk.TOTALS:
        assert np.array_equal(alone.total(name).draws, pool.total(name).draws, equal_nan=True)


def test_what_was_kept_is_used_until_something_changes(yard, tmp_path, monkeypatch):
    folders = [yard / "slab-0", yard / "slab-2"]
    first = desk.measure_visit(folders, keep=tmp_path / "kept")
    desk.write_visit(first, tmp_path / "a")
    with monkeypatch.context() as m:
        m.setattr(desk, "measure_to_rows", lambda *a: pytest.fail("measured again"))
        again = desk.measure_visit(folders, keep=tmp_path / "kept")
    desk.write_visit(again, tmp_path / "b")
    assert tables_in(tmp_path / "a") == tables_in(tmp_path / "b")
    key = desk.result_key(folders[0], "in", 1000)
    assert desk.result_key(folders[0], "mm", 1000) != key
    os.utime(folders[0] / "face-a.png", ns=(1, 1))
    assert desk.result_key(folders[0], "in", 1000) != key
    with monkeypatch.context() as m:
        m.setattr("slabvision.__version__", "999")
        assert desk.result_key(folders[1], "in", 1000) != desk.result_key(folders[0], "in", 1000)
        assert desk.ResultsKept(tmp_path / "kept", "in", 1000).get(folders[1]) is None
    for path in (tmp_path / "kept").iterdir():
        path.write_text('{"folder": ', "utf-8")
    assert desk.ResultsKept(tmp_path / "kept", "in", 1000).get(folders[1]) is None


@pytest.mark.slow
def test_a_killed_run_resumes_to_the_same_tables(yard, tmp_path):
    arguments = ["measure", str(yard), "--csv"]
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    assert CliRunner().invoke(app, [*arguments, str(whole)]).exit_code == 1  # two are broken
    command = [sys.executable, "-m", "slabvision", *arguments, str(cut)]
    running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until = time.monotonic() + 60
    while not list(cut.glob(".kept/*.json")) and time.monotonic() < until:
        time.sleep(0.02)
    running.send_signal(signal.SIGKILL)
    running.wait()
    kept = len(list(cut.glob(".kept/*.json")))
    assert kept >= 1
    assert not (cut / "slabs.csv").exists() or kept == 4
    assert CliRunner().invoke(app, [*arguments, str(cut)]).exit_code == 1
    assert tables_in(cut) == tables_in(whole)
    assert "slab-1b" in (cut / "not_measured.csv").read_text("utf-8")


@pytest.mark.slow
def test_a_worker_that_dies_costs_its_own_slab_only(yard, monkeypatch):
    monkeypatch.setenv("SLABVISION_TEST_DIES", "slab-2")
    monkeypatch.setattr(desk, "measure_to_rows", dies_at)
    found = desk.measure_visit([yard / f"slab-{n}" for n in range(4)], jobs=2)
    assert [s.folder[-6:] for s in found.slabs] == ["slab-0", "slab-1", "slab-3"]
    assert [b.folder[-6:] for b in found.broken] == ["slab-2"]
    assert "died" in found.broken[0].reason


def dies_at(folder, unit, draws, *_):
    if folder.endswith(os.environ["SLABVISION_TEST_DIES"]):
        os._exit(9)
    none = {name: (math.nan, np.full(draws, math.nan)) for name in desk.TOTALS}
    return desk.SlabRows(folder, {}, none, None)


def board_mark(shared):
    """A printed board of 6 x 9 corners, 60 mm apart, whose print may be off by 0.3 %."""
    corners = [(r, c) for r in range(6) for c in range(9)]
    return BoardMark(
        name="board",
        place="face",
        points=[(350 + r * 60 / MM_PER_PX, 900 + c * 60 / MM_PER_PX) for r, c in corners],
        mm=[(r * 60.0, c * 60.0) for r, c in corners],
        scale_u=0.003,
        shared=shared,
    )


def test_one_misprinted_board_widens_the_total_as_it_should(tmp_path):
    assert SHAPE == (1200, 2800)
    folders = {"one board": [], "a board each": []}
    for n in range(6):
        for name, shared in (("one board", "board: blue"), ("a board each", f"board: {n}")):
            place = tmp_path / name / f"slab-{n}"
            folders[name].append(
                square_on_slab(place, marks=[board_mark(shared)], focal_u=0.0005, grey=60 + n)
            )
    share = {}
    for name, places in folders.items():
        found = desk.measure_visit(places)
        total = found.total("gross_mm2")
        share[name] = total.u / total.value
    single = desk.measure_visit(folders["one board"][:1]).total("gross_mm2")
    # Area goes with the square of the print's scale: 0.6 % that six slabs of one board all share.
    assert share["one board"] == pytest.approx(0.006, rel=0.25)
    # Each slab adds its own errors (outline, bow) to the board's; only those average out.
    alone = single.u / single.value
    kept = math.sqrt(0.006**2 + (alone**2 - 0.006**2) / 6)
    assert share["one board"] == pytest.approx(kept, rel=0.1)
    assert share["a board each"] == pytest.approx(alone / math.sqrt(6), rel=0.1)


def test_missing_extras_are_named(yard, monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "distributed", None)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(desk.VisitError, match=r"slabvision\[cluster\]"):
        desk.measure_visit([yard / "slab-0"], scheduler="tcp://localhost:1")
    with pytest.raises(desk.VisitError, match=r"slabvision\[parquet\]"):
        desk.write_parquet(desk.Visit((), (), "in"), tmp_path)
    with pytest.raises(desk.VisitError, match="--jobs is 0"):
        desk.measure_visit([], jobs=0)


@pytest.mark.slow
def test_a_cluster_gives_the_same_tables(yard, tmp_path):
    distributed = pytest.importorskip(
        "distributed", reason="left out: the extra 'cluster' is not installed"
    )
    folders = desk.slab_folders([yard])
    alone = desk.measure_visit(folders)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        away = desk.measure_visit(folders, scheduler=cluster.scheduler_address)
    desk.write_visit(alone, tmp_path / "alone")
    desk.write_visit(away, tmp_path / "away")
    assert tables_in(tmp_path / "alone") == tables_in(tmp_path / "away")


def test_parquet_holds_the_same_rows(yard, tmp_path):
    pytest.importorskip("pyarrow", reason="left out: the extra 'parquet' is not installed")
    import pandas as pd

    found = desk.measure_visit([yard / "slab-0", yard / "slab-1"])
    desk.write_parquet(found, tmp_path)
    for name, table in found.tables().items():
        read = pd.read_parquet(tmp_path / name.replace(".csv", ".parquet"))
        pd.testing.assert_frame_equal(read, table, check_dtype=False)


def test_the_command_says_totals_and_reasons(yard, tmp_path):
    out = tmp_path / "tables"
    run = CliRunner().invoke(app, ["measure", str(yard), "--csv", str(out), "--unit", "mm"])
    assert run.exit_code == 1
    assert "4 slabs measured, 2 not" in run.output
    assert "board feet" in run.output
    assert "slab-1b" in run.output
    described = json.loads((out / "csv-metadata.json").read_text("utf-8"))
    assert described["tables"][0]["url"] == "slabs.csv"
    refused = CliRunner().invoke(app, ["measure", str(yard), "--explain"])
    assert refused.exit_code == 2
