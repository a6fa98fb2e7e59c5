"""The main job on slabs whose answer can be worked out by hand."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest

from slabvision.findings import Budget
from slabvision.measure import MeasureError, measure_slab, plane_of
from slabvision.record import (
    Landmark,
    LengthMark,
    MoistureReading,
    Notebook,
    Outline,
    ThicknessReading,
    YardClaim,
)
from slabvision.store import MissingPhotoError, load_slab, save_slab
from slabvision.tables import asking_total, csv_bytes, slabs_table, write_tables
from slabvision.units import BOARD_FOOT_MM3, IN2_MM2
from tests.slab_folders import (
    LENGTH_MM,
    MM_PER_PX,
    SHAPE,
    WIDTH_MM,
    sheet_mark,
    square_on_slab,
)

GROSS_MM2 = LENGTH_MM * WIDTH_MM
KNOT_MM2 = 80 * 120 * MM_PER_PX**2
CHECK_MM2 = 3 * 400 * MM_PER_PX**2


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return square_on_slab(tmp_path_factory.mktemp("slab"))


@pytest.fixture(scope="module")
def findings(folder):
    return measure_slab(folder)


def test_areas_hold_what_was_worked_out_by_hand(findings):
    face = findings.best
    assert face.gross_area_mm2.estimate.holds(GROSS_MM2)
    assert face.gross_area_mm2.estimate.value == pytest.approx(GROSS_MM2, rel=0.003)
    assert face.as_seen_mm2.estimate.holds(GROSS_MM2 - KNOT_MM2 - CHECK_MM2)
    difference = face.gross_area_mm2.estimate.value - face.as_seen_mm2.estimate.value
    assert difference == pytest.approx(KNOT_MM2 + CHECK_MM2, rel=0.01)


def test_keep_outs_take_the_trade_s_allowances(findings):
    # Knot 112.5 x 75 mm: mean diameter 93.75; 3/4 of it along each way, 3/8 across each side.
    # Check 375 x 2.8 mm from the end: 1 in along, 1/4 in across (common practice, no source).
    # The check lies within the end's trim for its first 101.6 mm; corners may be rounded.
    face = findings.best
    trimmed = (LENGTH_MM - 2 * 101.6) * (WIDTH_MM - 2 * 6.35)
    knot = (112.5 + 1.5 * 93.75) * (75 + 0.75 * 93.75)
    check = (375 + 25.4 - 101.6) * (2.8 + 12.7)
    assert face.keep_outs_mm2.estimate.value == pytest.approx(trimmed - knot - check, rel=0.01)
    assert face.keep_outs_mm2.estimate.value < face.as_seen_mm2.estimate.value


def test_lengths_and_widths(findings):
    face = findings.best
    assert face.length_mm.estimate.holds(LENGTH_MM)
    assert [w.station_mm for w in face.widths] == [pytest.approx(304.8 * i) for i in range(1, 8)]
    for width in face.widths:
        assert width.width_mm.estimate.holds(WIDTH_MM)
    assert face.mean_width_mm.estimate.holds(WIDTH_MM)


def test_defects_in_real_units(findings):
    knot, check = findings.best.defects
    assert knot.length_mm.estimate.holds(112.5)
    assert knot.width_mm.estimate.holds(75)
    assert knot.area_mm2.estimate.holds(KNOT_MM2)
    assert check.length_mm.estimate.holds(375)
    assert check.width_mm.estimate.value == pytest.approx(3 * MM_PER_PX, rel=0.03)
    assert knot.station_mm == pytest.approx((1060 - 100.5) * MM_PER_PX, abs=3)
    assert check.width_words == ""


def test_board_feet_are_area_times_thickness(findings):
    exact = GROSS_MM2 * 51 / BOARD_FOOT_MM3
    assert findings.gross_mm3.estimate.value / BOARD_FOOT_MM3 == pytest.approx(exact, rel=0.003)
    assert findings.gross_mm3.estimate.holds(GROSS_MM2 * 51)
    assert set(findings.gross_mm3.parts) == {"plane", "boundary", "flatness", "thickness"}
    assert sum(findings.gross_mm3.shares().values()) == pytest.approx(1)


def test_the_same_record_gives_the_same_numbers(folder, findings):
    again = measure_slab(folder)
    assert (again.gross_mm3.estimate.draws == findings.gross_mm3.estimate.draws).all()
    assert csv_bytes(slabs_table([again])) == csv_bytes(slabs_table([findings]))


def test_one_row_per_slab_in_both_units(findings):
    inches, mm = slabs_table([findings], "in"), slabs_table([findings], "mm")
    assert len(inches) == len(mm) == 1
    assert inches["gross_area_in2"][0] * IN2_MM2 == pytest.approx(mm["gross_area_mm2"][0])
    for name in ("gross_area_in2", "clear_area_in2", "thickness_in", "gross_board_feet"):
        lo, value, hi = (inches[f"{name}{end}"][0] for end in ("_lo95", "", "_hi95"))
        assert lo < value < hi
    assert "one face seen" in inches["notes"][0]
    assert "invented" in inches["notes"][0]
    assert inches["price_per_gross_board_foot"][0] == pytest.approx(
        480 / inches["gross_board_feet"][0]
    )
    assert np.isnan(inches["clear_area_through_in2"][0])


def test_written_tables_are_rfc4180_utf8_with_metadata(findings, tmp_path):
    written = write_tables([findings], tmp_path, "in")
    names = [path.name for path in written]
    assert names == ["slabs.csv", "faces.csv", "defects.csv", "widths.csv", "csv-metadata.json"]
    raw = (tmp_path / "slabs.csv").read_bytes()
    assert raw.endswith(b"\r\n")
    header, row = list(csv.reader(io.StringIO(raw.decode("utf-8"), newline="")))
    assert len(header) == len(row)
    assert row[header.index("clear_area_through_in2")] == ""
    metadata = json.loads((tmp_path / "csv-metadata.json").read_text("utf-8"))
    assert metadata["@context"] == "http://www.w3.org/ns/csvw"
    described = {
        t["url"]: [c["name"] for c in t["tableSchema"]["columns"]] for t in metadata["tables"]
    }
    assert described["slabs.csv"] == header
    assert not list(tmp_path.glob(".*.part"))


def test_hostile_text_is_harmless_in_csv(tmp_path):
    bad = '=HYPERLINK("x")\r\n\u202eevil'
    book = Notebook(tag=bad, species="@oak", thickness=[ThicknessReading(mm=50)], note=bad)
    row = csv_bytes(slabs_table([measure_slab(square_on_slab(tmp_path / "s", notebook=book))]))
    cells = next(iter(list(csv.reader(io.StringIO(row.decode(), newline="")))[1:]))
    assert cells[1] == '\'=HYPERLINK("x") evil'
    assert "'@oak" in cells
    assert not any(cell.startswith(("=", "@", "+")) for cell in cells)


def test_covering_a_tenth_of_a_square_metre_lowers_clear_by_that_and_reads_not_seen(tmp_path):
    folder = square_on_slab(tmp_path / "s")
    before = measure_slab(folder).best
    record = load_slab(folder)
    zones = np.zeros(SHAPE, np.uint8)
    rows, cols = 300, round(0.1e6 / MM_PER_PX**2 / 300)
    zones[550 : 550 + rows, 1700 : 1700 + cols] = 102
    save_slab(folder, record, zones={"face-a.png": zones})
    after = measure_slab(folder)
    lost = before.as_seen_mm2.estimate.value - after.best.as_seen_mm2.estimate.value
    assert lost == pytest.approx(0.1e6, rel=0.01)
    assert after.best.not_seen_mm2.estimate.value == pytest.approx(0.1e6, rel=0.01)
    assert after.best.if_unseen_clear_mm2.estimate.value == pytest.approx(
        before.keep_outs_mm2.estimate.value, rel=1e-3
    )
    assert any("not seen" in note for note in after.best.notes)


def test_unknown_species_never_stops_an_area(tmp_path):
    book = Notebook(species="zzyzx wood", thickness=[ThicknessReading(mm=50)])
    findings = measure_slab(square_on_slab(tmp_path / "s", notebook=book))
    assert findings.best.gross_area_mm2.determined


def test_no_thickness_leaves_board_feet_empty_with_a_reason(tmp_path):
    findings = measure_slab(square_on_slab(tmp_path / "s", notebook=Notebook()))
    assert not findings.gross_mm3.determined
    assert findings.best.gross_area_mm2.determined
    table = slabs_table([findings])
    assert np.isnan(table["gross_board_feet"][0])
    assert "no thickness" in table["notes"][0]


@pytest.mark.parametrize(
    ("claim", "total"),
    [
        (YardClaim(price=480, price_basis="each"), 480),
        (YardClaim(price=12, price_basis="board foot", board_feet=40), 480),
        (YardClaim(price=12, price_basis="board foot"), None),
        (YardClaim(), None),
        (YardClaim(price=20, price_basis="square foot"), 20 * GROSS_MM2 / 92903.04),
    ],
)
def test_asking_price_by_its_basis(tmp_path, claim, total):
    book = Notebook(thickness=[ThicknessReading(mm=50)], claim=claim)
    got, why = asking_total(measure_slab(square_on_slab(tmp_path / "s", notebook=book)))
    assert got == (None if total is None else pytest.approx(total, rel=0.003))
    assert bool(why) == (total is None)


def test_an_outline_cut_by_the_frame_has_no_gross_area(tmp_path):
    cut = Outline(points=[(100, 0), (100, 2660), (900, 2660), (900, 0)], open=True)
    face = measure_slab(square_on_slab(tmp_path / "s", arris=cut)).best
    assert not face.gross_area_mm2.determined
    assert not face.length_mm.determined
    assert face.as_seen_mm2.determined
    assert any("frame cuts" in note for note in face.notes)


def test_one_length_alone_leaves_sizes_undetermined_and_says_what_to_add(tmp_path):
    mm = 1200 * MM_PER_PX
    lath = LengthMark(name="lath", p=(500, 700), q=(500, 1900), mm=mm, place="face")
    found = measure_slab(square_on_slab(tmp_path / "s", marks=[lath]))
    face = found.best
    sizes = (face.gross_area_mm2, face.as_seen_mm2, face.keep_outs_mm2, face.max_width_mm)
    assert not any(size.determined for size in sizes)
    assert "add a length across" in face.gross_area_mm2.estimate.reason
    assert not found.gross_mm3.determined
    row = slabs_table([found]).iloc[0]
    assert np.isnan(row["clear_area_in2"])
    assert "across" in row["notes"]


def test_a_crossing_outline_is_shown_not_repaired(tmp_path):
    bow_tie = Outline(points=[(100, 100), (900, 2660), (100, 2660), (900, 100)])
    with pytest.raises(MeasureError, match=r"crosses itself.*row 500, column 1380"):
        measure_slab(square_on_slab(tmp_path / "s", arris=bow_tie))


def test_contradicting_marks_are_named_before_anything_is_measured(tmp_path):
    wrong = sheet_mark(name="second sheet", width_mm=1200 * 2.54, height_mm=600 * 2.54)
    folder = square_on_slab(tmp_path / "s", marks=[sheet_mark(), wrong])
    with pytest.raises(MeasureError, match="second sheet"):
        measure_slab(folder)


@pytest.mark.parametrize(
    ("missing", "says"), [({"marks": []}, "no reference"), ({"arris": None}, "no outline")]
)
def test_what_is_missing_is_said(tmp_path, missing, says):
    with pytest.raises(MeasureError, match=says):
        measure_slab(square_on_slab(tmp_path / "s", **missing))


def test_a_replaced_photo_is_refused(tmp_path):
    folder = square_on_slab(tmp_path / "s")
    (folder / "face-a.png").write_bytes(b"other")
    with pytest.raises(MissingPhotoError, match=r"face-a\.png"):
        measure_slab(folder)


def test_more_stations_narrow_the_thickness(tmp_path):
    few = Notebook(thickness=[ThicknessReading(mm=50)])
    many = Notebook(thickness=[ThicknessReading(mm=50 + d) for d in (-1, 0, 1, 0, -1, 1, 0, 0)])
    one = measure_slab(square_on_slab(tmp_path / "a", notebook=few)).thickness_mm.estimate
    eight = measure_slab(square_on_slab(tmp_path / "b", notebook=many)).thickness_mm.estimate
    assert eight.u < one.u / 2
    assert eight.value == pytest.approx(50)


def test_moisture_leaves_surface_wet_readings_out(tmp_path):
    book = Notebook(
        moisture=[
            MoistureReading(percent=12),
            MoistureReading(percent=14),
            MoistureReading(percent=40, surface_wet=True),
        ]
    )
    table = slabs_table([measure_slab(square_on_slab(tmp_path / "s", notebook=book))])
    assert table["moisture_mean_percent"][0] == 13
    assert table["moisture_readings"][0] == 2


def test_end_a_follows_the_persons_point(tmp_path):
    here = measure_slab(square_on_slab(tmp_path / "a")).best
    there = measure_slab(square_on_slab(tmp_path / "b", end_a=(500.0, 2650.0))).best
    one, two = here.defects[0].station_mm, there.defects[0].station_mm
    assert one + two == pytest.approx(LENGTH_MM, rel=0.003)


def test_a_record_with_landmarks_is_kept_whole(tmp_path):
    marks = [Landmark(name="big knot", point=(440, 1060))]
    folder = square_on_slab(tmp_path / "s", landmarks=marks)
    assert load_slab(folder).photos[0].landmarks[0].name == "big knot"


def test_an_ultra_wide_photo_is_believed_to_bend_more(folder):
    entry = load_slab(folder).photos[0]
    nothing = Budget.undetermined("not read", "mm", 200)
    wide = entry.model_copy(update={"focal_px": 0.3 * float(np.hypot(*entry.shape))})
    assert plane_of(entry, nothing, 200).camera.k1_u < plane_of(wide, nothing, 200).camera.k1_u


def test_ground_is_never_believed_to_be_perfectly_level_with_the_slab(folder):
    entry = load_slab(folder).photos[0]
    mark = entry.marks[0].model_copy(update={"place": "ground", "offset_mm": 0.0})
    beside = entry.model_copy(update={"marks": [mark]})
    exact = Budget.sum_of(60.0, "mm", {"thickness": np.zeros(1000)})
    corners = np.asarray(entry.arris.points)
    area = plane_of(beside, exact).area(corners)
    on_face = plane_of(entry, exact).area(corners)
    # 60 mm further away: the slab is smaller than the sheet on the ground says.
    assert area.value < on_face.value
    assert area.u / area.value > on_face.u / on_face.value
