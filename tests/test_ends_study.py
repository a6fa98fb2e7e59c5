"""The study of ends: its arithmetic by hand, and the plain method on drawn circles."""

from __future__ import annotations

import numpy as np
import pytest
from typer.testing import CliRunner

from slabvision.cli import app
from slabvision.study.ends_fine import fine_rings, fine_table
from slabvision.study.ends_pictures import KnownEnd
from slabvision.study.ends_plain import read_plainly, round_the_true_pith
from slabvision.study.ends_study import EndsStudy, Group, table
from slabvision.study.ends_unreadable import DRAWN
from tests.test_endgrain import rings


def test_weighted_percentiles_and_means_by_hand():
    group = Group("two pictures", count=3, refused=["c: blurred"])
    group.add("this", np.array([1.0, 3.0]), 0.5)
    group.weights.append(np.array([3.0, 3.0]))
    group.seen.append(np.array([True, False]))
    group.add("this", np.array([9.0]), 1.5)
    group.weights.append(np.array([2.0]))
    group.seen.append(np.array([True]))
    assert group.mean("this") == pytest.approx((3 * 1 + 3 * 3 + 2 * 9) / 8)
    assert group.mean("this", "seen") == pytest.approx((3 * 1 + 2 * 9) / 5)
    assert group.mean("this", "inferred") == pytest.approx(3.0)
    # Half of the weight of 8 lies at 4; the middles of 1, 3 and 9 lie at 1.5, 4.5 and 7.
    assert group.percentile("this", 50) == pytest.approx(1 + 2 * (4 - 1.5) / 3)
    text = table(EndsStudy((group,), {"gravel": (9, 10), "sky": (10, 10)}))
    assert "| two pictures | this | 2 | 1 |" in text
    assert "| this, rings inferred (33 %) |  |  | 3.00 | 3.00 |" in text
    assert "refused: 1 of 3 (33.3 %)" in text
    assert "| all | 19 (95.0 %) | 20 |" in text


def test_plain_method_and_circles_agree_on_drawn_circles():
    pith = np.array([150.0, 300.0])
    points = np.array([[60.0, 200.0], [200.0, 480.0], [250.0, 120.0]])
    end = KnownEnd("drawn", rings((300, 600), (150.0, 300.0)), np.ones((300, 600), bool), pith,
                   None, points, np.zeros(3))  # fmt: skip
    true = round_the_true_pith(end)
    # By hand: the radius of the first point is (-90, -100), its tangent square to that.
    assert true[0] == pytest.approx((np.degrees(np.arctan2(-90, -100)) + 90) % 180)
    plain = read_plainly(end)
    off = np.abs((plain.tangent_deg - true + 90) % 180 - 90)
    assert off.max() < 3.0
    assert np.hypot(*(plain.pith - pith)) < 6.0


@pytest.mark.parametrize("kind", sorted(set(DRAWN) - {"gravel", "grass", "concrete"}))
def test_pictures_to_be_refused_have_contrast(kind):
    pixels = DRAWN[kind](np.random.default_rng(4))
    assert pixels.dtype == np.uint8
    assert pixels.ndim == 3
    assert pixels.std() > 3


def test_a_wrong_folder_of_photos_is_said(tmp_path):
    said = CliRunner().invoke(app, ["validate", "ends", "--photos", str(tmp_path)])
    assert said.exit_code == 2
    assert "no endgrain/images.csv" in said.output


@pytest.mark.slow
def test_rings_of_six_pixels_are_read_and_of_two_are_mostly_refused():
    found = fine_rings(3, seed=3, progress=lambda said: None, widths_px=(2.0, 6.0))
    fine = {one.ring_px: one for one in found}
    assert fine[6.0].read >= 1
    assert fine[6.0].median_deg < 3.0
    assert abs(fine[6.0].pull_deg) < 1.0
    assert fine[2.0].refused >= fine[6.0].refused
    assert "| 6 |" in fine_table(found)
