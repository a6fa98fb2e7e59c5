"""The yard sheet: before the photos a list to tick, after them what is still missing."""

from __future__ import annotations

import io
import shutil
import subprocess

import pytest
from typer.testing import CliRunner

from slabvision.cli import app
from slabvision.record import (
    Flatness,
    MoistureReading,
    Notebook,
    SlabRecord,
    ThicknessReading,
    YardClaim,
)
from slabvision.report.sheet import missing_before_leaving, sheet_page, tasks_for
from slabvision.store import load_slab
from tests.html_pages import Page
from tests.slab_folders import square_on_slab


def missing(record, unit="in"):
    return [task.text for task in missing_before_leaving(record, unit) if task.needed]


def test_an_empty_record_misses_everything_that_is_needed():
    tasks = tasks_for(SlabRecord())
    assert not any(task.done for task in tasks)
    assert {task.group for task in tasks} == {
        "Photos", "Where to lay the tape", "Thickness", "Flatness", "Moisture",
        "Ask and write down"}  # fmt: skip


def test_what_is_in_the_record_is_not_asked_again(tmp_path):
    bare = load_slab(square_on_slab(tmp_path / "bare", notebook=Notebook()))
    text = " ".join(missing(bare))
    assert "Face A" not in text  # its photo is there
    assert "Face B" in text
    assert "Caliper" in text
    book = Notebook(
        tag="T",
        species="ash",
        thickness=[ThicknessReading(mm=50, station_mm=s) for s in (200, 1200, 2200)],
        moisture=[MoistureReading(percent=12)] * 3,
        flatness=Flatness(bow_mm=0, cup_mm=1, twist_mm=2),
        claim=YardClaim(board_feet=40, price=0, moisture_percent=8, rule="plain"),
    )
    known = load_slab(square_on_slab(tmp_path / "known", notebook=book))
    left = missing(known)
    assert [text.split(":")[0] for text in left] == ["Face B", "End A", "End B"]


def test_wet_readings_do_not_count():
    wet = Notebook(moisture=[MoistureReading(percent=30, surface_wet=True)] * 5)
    assert any("Meter" in text for text in missing(SlabRecord(notebook=wet)))


def test_stations_follow_the_slab():
    book = Notebook(thickness=[ThicknessReading(mm=50, station_mm=900)])
    text = " ".join(missing(SlabRecord(notebook=book), "mm"))
    assert "100 mm, 300 mm, 500 mm, 700 mm, 900 mm from end A" in text


def test_the_command(tmp_path):
    square_on_slab(tmp_path / "visit" / "slab-1")
    out = tmp_path / "s.html"
    run = CliRunner().invoke(app, ["sheet", str(tmp_path / "visit"), "-o", str(out)])
    assert run.exit_code == 0, run.output
    assert "still missing" in run.output
    assert "Still missing before you leave the yard" in Page(out.read_text("utf-8")).text
    empty = CliRunner().invoke(app, ["sheet", "-o", str(out), "--blank", "3"])
    assert empty.exit_code == 0
    assert len(Page(out.read_text("utf-8")).all("article")) == 3
    gone = CliRunner().invoke(app, ["sheet", str(tmp_path / "none"), "-o", str(out)])
    assert gone.exit_code == 2


@pytest.mark.slow
def test_each_slab_prints_on_one_page(tmp_path):
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        pytest.skip("left out: no chromium on this machine (CI installs it)")
    import pypdfium2

    record = load_slab(square_on_slab(tmp_path / "slab-1"))
    page = tmp_path / "sheet.html"
    page.write_text(sheet_page([("slab-1", record)], blank=1), "utf-8")
    pdf = tmp_path / "sheet.pdf"
    subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
         f"--user-data-dir={tmp_path / 'profile'}", "--no-pdf-header-footer",
         f"--print-to-pdf={pdf}", page.as_uri()],
        check=True, capture_output=True, timeout=110,
    )  # fmt: skip
    printed = pypdfium2.PdfDocument(io.BytesIO(pdf.read_bytes()))
    assert len(printed) == 2
    assert "Slab T-1" in printed[0].get_textpage().get_text_range()
