"""The slab study: its truths by hand, its counting on made-up answers, and a small count itself."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
from typer.testing import CliRunner

from slabvision.cli_validate import app
from slabvision.study import slab_study
from slabvision.study.slab_photo import BANDS, REFERENCES, SHAPE, Setup, photograph
from slabvision.study.slab_study import QUANTITIES, SETUPS, run, setups_of, simulate
from slabvision.study.slab_table import counted, figure, table
from slabvision.study.true_slab import TrueFace, taped_length, true_sizes
from slabvision.units import BOARD_FOOT_MM3


def plank(**bent: float) -> TrueFace:
    """A clear plank of 2000 x 600 mm, 50 mm thick."""
    usual = {"bow_mm": 0.0, "cup_mm": 0.0, "wedge_mm": 0.0, "wave_mm": 0.0, "wave_at": 0.0}
    return TrueFace("face A", shapely.box(0, 0, 2000, 600), (), 50.0, **(usual | bent))


def test_sizes_of_a_plank_are_those_of_the_multiplication_table():
    true = true_sizes(plank(), frozenset(), thick=False)
    assert true["length"] == pytest.approx(2000)
    assert true["gross area"] == true["clear area as seen"] == pytest.approx(1.2e6)
    assert true["board feet"] == pytest.approx(2000 * 600 * 50 / BOARD_FOOT_MM3)
    assert true["largest circle"] == pytest.approx(600 - 2 * 0.25 * 25.4, abs=0.1)  # edge trims


def test_a_bent_uneven_plank_keeps_its_mean_plane_and_thickness():
    face = plank(bow_mm=6.0, cup_mm=-3.0, wedge_mm=2.0, wave_mm=1.5, wave_at=0.3)
    grid = np.stack(np.meshgrid(np.linspace(0, 2000, 201), np.linspace(0, 600, 201)), axis=-1)
    assert face.depth_mm(grid.reshape(-1, 2)).mean() == pytest.approx(0.0, abs=0.05)
    ends = face.depth_mm(np.array([[0.0, 300], [1000, 300], [2000, 300]]))
    assert ends[0] - ends[1] == pytest.approx(6.0)  # bow: the middle stands that much higher
    assert ends[0] == pytest.approx(ends[2])
    assert face.thickness_at((np.arange(500) + 0.5) / 500).mean() == pytest.approx(50, abs=0.02)


def test_a_check_is_as_long_as_a_tape_says():
    x = np.linspace(0, 300, 1201)
    steps = np.column_stack([x, 0.3 * np.sin(2 * np.pi * x / 3)])  # from fibre to fibre
    assert taped_length(steps) == pytest.approx(300, rel=0.002)
    bend = np.column_stack([150 * np.cos(x / 150), 150 * np.sin(x / 150)])  # an arc of 300 mm
    assert taped_length(bend) == pytest.approx(300, rel=0.002)


@pytest.mark.parametrize("reference", REFERENCES)
def test_what_is_marked_lies_in_the_picture_and_says_where_it_lies(reference):
    setup = Setup(reference, BANDS[1], "main", "far")
    taken = photograph(plank(), setup, np.random.default_rng(3), "0" * 64)
    marks = taken.entry.marks
    assert len(marks) == (2 if "two" in reference or "crossed" in reference else 1)
    places = {mark.place for mark in marks}
    assert places == {
        "unsaid" if "not said" in reference else "ground" if "ground" in reference else "face"
    }
    outline = np.asarray(taken.entry.arris.points)
    assert ((outline > 0) & (outline < SHAPE)).all()
    assert 30 <= taken.tilt_deg <= 60


def made_up(held: int, missed: int) -> pd.DataFrame:
    rows = []
    for k in range(held + missed):
        row = {"round": k, "reference": "board", "band": "0 to 15", "lens": "main",
               "distance": "near", "notes": "", "refused": 0}  # fmt: skip
        for quantity in QUANTITIES:
            high = 102.0 if k < held else 99.5
            row |= {f"{quantity}: truth": 100.0, f"{quantity}: value": 99.0,
                    f"{quantity}: low": 98.0, f"{quantity}: high": high}  # fmt: skip
        rows.append(row)
    return pd.DataFrame(rows)


def test_counting_says_what_was_put_in(tmp_path):
    study = made_up(19, 1)
    study.loc[0, ["gross area: low", "gross area: high"]] = [40.0, 120.0]  # too wide: no answer
    told = counted(study)
    gross = told[told["quantity"] == "gross area"]
    assert int(gross["answered"].sum()) == 19
    assert gross["held"].mean() == pytest.approx(18 / 19)
    text = table(study)
    assert "| length | 20 | 95.0 ± " in text
    assert "| gross area | 19 | 94.7 ± " in text
    figure(study, tmp_path / "held.png")
    assert (tmp_path / "held.png").read_bytes().startswith(b"\x89PNG")


def test_silence_about_the_ground_is_counted_apart():
    study = made_up(1, 2)
    study["reference"] = "tape on the ground, not said"
    study.loc[1, "notes"] = "it was not said whether the tape lies on the face"
    assert "1 held the truth and 2 did not; wrong and without a word about it: 1." in table(study)


def test_every_combination_comes_and_the_distances_take_turns():
    seen = [setup for number in range(12) for setup in setups_of(number)]
    assert {(s.reference, s.band, s.lens) for s in seen} == {
        (s.reference, s.band, s.lens) for s in SETUPS
    }
    for reference in ("board", "crossed tapes"):
        far = [s.distance == "far" for s in seen if s.reference == reference]
        assert np.mean(far) == pytest.approx(0.5)


@pytest.mark.slow
def test_a_small_count_holds_and_can_be_taken_up_again(tmp_path, monkeypatch):
    few = [Setup(r, band, "main", "near") for band in BANDS for r in ("board", "crossed tapes")]
    monkeypatch.setattr(slab_study, "setups_of", lambda number: few)
    told: list[tuple[int, int]] = []
    first = run(12, seed=5, folder=tmp_path, progress=lambda done, all_: told.append((done, all_)))
    assert told[-1] == (12, 12)
    held = counted(first)
    assert held["answered"].mean() > 0.95
    # 12 photos, some 90 answers that are not independent: 80 % is far below what 95 % gives.
    assert held["held"].mean() > 0.8
    area = held[held["quantity"] == "clear area as seen"]
    assert area["error"].abs().median() < 0.015
    again = simulate(few[0], 0, 5)
    assert again["gross area: value"] == first.loc[0, "gross area: value"]
    monkeypatch.setattr(slab_study, "simulate", None)  # a finished round is not run again
    pd.testing.assert_frame_equal(
        run(12, seed=5, folder=tmp_path)[["gross area: value"]], first[["gross area: value"]]
    )


def test_the_command_says_what_it_wants():
    told = CliRunner().invoke(app, ["slabs", "--help"])
    assert told.exit_code == 0
    assert "--figure" in told.output
