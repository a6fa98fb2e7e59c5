"""Both ends of a slab: put together as one profile, in the table, in movement, on the shell."""

from __future__ import annotations

import csv
import hashlib

import numpy as np
import pytest
from typer.testing import CliRunner

from slabvision.cli import app
from slabvision.ends import STATIONS, combined_profile, mean_angle, sawn_of
from slabvision.measure import measure_slab, read_ends
from slabvision.opencv import cv2
from slabvision.record import EndGrainMarks, MoistureReading, Notebook, PhotoEntry
from slabvision.store import load_slab, save_slab
from slabvision.tables import slabs_table
from tests.slab_folders import square_on_slab
from tests.test_endgrain import rings

SHAPE = (200, 500)
PITH_A = (260.0, 120.0)
"""Below the end, nearer to its left: end B, seen from the other side, has it at the right."""
PITH_B = (260.0, SHAPE[1] - 1 - 120.0)


def true_angle(share: np.ndarray) -> np.ndarray:
    """Angle to the face of circles round the pith, half way up the end (worked by hand)."""
    col = share * SHAPE[1] - 0.5
    return np.degrees(np.arctan2(np.abs(col - PITH_A[1]), PITH_A[0] - (SHAPE[0] - 1) / 2))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    book = Notebook(
        tag="T-1",
        species="black walnut",
        moisture=[MoistureReading(percent=14.0), MoistureReading(percent=15.0)],
    )
    place = square_on_slab(tmp_path_factory.mktemp("slabs") / "slab-1", notebook=book)
    record = load_slab(place)
    entries = list(record.photos)
    corners = [(0.0, 0.0), (0.0, 499.0), (199.0, 499.0), (199.0, 0.0)]
    for role, pith in (("end A", PITH_A), ("end B", PITH_B)):
        name = role.lower().replace(" ", "-") + ".png"
        cv2.imwrite(str(place / name), rings(SHAPE, pith)[..., ::-1])
        digest = hashlib.sha256((place / name).read_bytes()).hexdigest()
        # A face line clicked from right to left must not turn the profile round.
        line = ((5.0, 490.0), (5.0, 8.0)) if role == "end B" else ((5.0, 8.0), (5.0, 490.0))
        marks = EndGrainMarks(outline=corners, face_line=line)
        entries.append(
            PhotoEntry(file=name, sha256=digest, shape=SHAPE, role=role, end_grain=marks)
        )
    save_slab(place, record.model_copy(update={"photos": entries}))
    return place


def test_both_ends_give_the_drawn_circles_angle(folder):
    ends = read_ends(load_slab(folder), folder)
    found = combined_profile(ends)
    off = np.array(found.angles_deg) - true_angle(STATIONS)
    assert np.abs(off).max() < 4.0
    assert np.median(np.abs(off)) < 1.0
    # End B turned end for end agrees with end A, so hardly anything is added for their difference.
    assert np.median(found.angles_u_deg) < 6.0
    expected = float(true_angle(STATIONS).mean())
    lo, hi = mean_angle(ends).interval
    assert lo < expected < hi


def test_names_come_from_the_authority_that_is_asked(folder):
    ends = read_ends(load_slab(folder), folder)
    angle = true_angle(STATIONS)
    two = sawn_of(ends, "wood-handbook")
    assert two.shares["vertical grain (quartersawn)"].value == pytest.approx(
        float((angle >= 45).mean()), abs=0.06
    )
    three = sawn_of(ends, "aws-2009")
    assert list(three.shares) == ["plain sawn", "rift sawn", "quarter sawn"]
    assert sum(share.value for share in three.shares.values()) == pytest.approx(1.0)


def test_ring_angles_reach_the_table_and_movement(folder):
    without = slabs_table([measure_slab(folder)]).iloc[0]
    table = slabs_table([measure_slab(folder, ends="aws-2009")]).iloc[0]
    assert np.isnan(without["ring_angle_mean_deg"])
    assert without["ends_read"] == ""
    assert table["ends_read"] == "A and B"
    assert table["sawn_as_by"].startswith("Architectural Woodwork Standards")
    assert "quarter sawn" in table["sawn_shares"]
    assert table["ring_angle_mean_deg_lo95"] < table["ring_angle_mean_deg"]
    wide = without["width_change_in_hi95"] - without["width_change_in_lo95"]
    narrow = table["width_change_in_hi95"] - table["width_change_in_lo95"]
    assert narrow < 0.95 * wide


def test_command_writes_picture_and_profile(folder, tmp_path):
    said = CliRunner().invoke(
        app, ["endgrain", str(folder), "--authority", "aws-2009", "-o", str(tmp_path)]
    )
    assert said.exit_code == 0, said.output
    assert "both ends: ring angle" in said.output
    with (tmp_path / "slab-1-rings.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == STATIONS.size
    angle = np.array([float(row["ring_angle_deg"]) for row in rows])
    assert np.median(np.abs(angle - true_angle(STATIONS))) < 1.0
    picture = cv2.imread(str(tmp_path / "slab-1-end-a-rings.png"))
    assert picture.std() > 20


def test_what_cannot_be_read_says_why_and_what_to_do(tmp_path):
    grey = tmp_path / "grey.png"
    cv2.imwrite(str(grey), np.full((300, 400, 3), 150, np.uint8))
    said = CliRunner().invoke(app, ["endgrain", str(grey)])
    assert said.exit_code == 2
    assert "grey.png: not readable" in said.output
    assert "photograph it closer" in said.output
    said = CliRunner().invoke(app, ["endgrain", str(grey), "--authority", "nobody"])
    assert said.exit_code == 2
    assert "choose one of: wood-handbook" in said.output


def test_a_faces_figure_is_a_coarse_class_where_no_end_is_read(folder):
    record = load_slab(folder)
    faces = [
        entry.model_copy(update={"role": "other"}) if entry.role.startswith("end") else entry
        for entry in record.photos
    ]
    noted = [
        entry.model_copy(update={"figure": "straight"}) if entry.role == "face A" else entry
        for entry in faces
    ]
    assert any(entry.role == "face A" for entry in noted)
    for photos, known in ((faces, False), (noted, True)):
        ends = read_ends(record.model_copy(update={"photos": photos}), folder)
        assert (combined_profile(ends) is not None) == known
        assert mean_angle(ends).determined == known
    assert "coarse class from the face's figure (straight, as noted)" in ends[0].reason
    low, high = mean_angle(ends).interval
    assert 40 < low < 50 < 80 < high <= 90  # common practice, no source
    assert "no end was read" in combined_profile(ends).remark
    # errors are the photo's own: another slab's photo may have the same file name
    assert combined_profile(ends).name == f"ends {record.photo(ends[0].photo).sha256}"
    assert sawn_of(ends, "aws-2009").seen_share == 0.0


def test_a_readable_end_goes_before_a_faces_figure(folder):
    record = load_slab(folder)
    photos = [
        entry.model_copy(update={"figure": "straight"}) if entry.role == "face A" else entry
        for entry in record.photos
    ]
    ends = read_ends(record.model_copy(update={"photos": photos}), folder)
    assert all(each.coarse_deg is None for each in ends)
