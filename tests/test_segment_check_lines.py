"""What speaks for a check at a place of a face."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.segment.check_lines import SIGNS, odds_of_checks, signs_of_checks
from slabvision.segment.face_look import SEEN
from slabvision.segment.face_view import View
from slabvision.segment.window import Floats32


def view_with_lines(shade: float = 1.0) -> View:
    """Grey wood; a dark line 3 px wide at row 80, a dark strip 40 px wide below row 160."""
    pixels = np.full((240, 480, 3), 0.6 * shade, np.float32)
    pixels += np.random.default_rng(1).normal(0, 0.004, pixels.shape).astype(np.float32)
    pixels[79:82] *= 0.5
    pixels[160:200] *= 0.7
    return View(pixels, np.ones((120, 240), bool), np.eye(2, 3))


def nothing_seen() -> Floats32:
    """A net's answer that finds wood everywhere."""
    look = np.zeros((120, 240, len(SEEN)), np.float32)
    look[..., 0] = 1
    return look


def of_sign(name: str, shade: float = 1.0) -> Floats32:
    signs = signs_of_checks(view_with_lines(shade), nothing_seen())
    assert signs.shape == (120, 240, len(SIGNS))
    return signs[..., SIGNS.index(name)]


def test_a_line_is_darker_than_both_sides_and_the_rim_of_a_dark_strip_is_not() -> None:
    ridge = of_sign("narrow ridge")[:, 40:200]
    assert ridge[40].mean() == pytest.approx(np.log(0.62 / 0.32), rel=0.2)
    assert ridge[78:102].max() < 0.2 * ridge[40].mean()
    assert of_sign("one side darker")[79:82, 40:200].max() > 0.2


def test_a_line_stands_out_from_what_is_usual_round_it() -> None:
    against = of_sign("narrow against usual")[:, 40:200]
    assert against[40].min() > 4 * np.median(against[20:30])


def test_a_shade_over_all_changes_no_sign() -> None:
    for name in ("narrow ridge", "broad ridge", "dark"):
        light, dark = of_sign(name)[40, 40:200], of_sign(name, 0.5)[40, 40:200]
        assert np.median(np.abs(light - dark)) < 0.06, name


def test_a_dark_thin_line_is_likelier_a_check_than_the_wood_and_nothing_is_off_the_wood() -> None:
    view = view_with_lines()
    view.wood[100:] = False
    look = nothing_seen()
    look[40, :, 0], look[40, :, SEEN.index("check")] = 0.7, 0.3  # the net doubts it too
    odds = odds_of_checks(signs_of_checks(view, look), view.wood)
    assert np.median(odds[40, 40:200]) > np.percentile(odds[50:75, 40:200], 99)
    assert odds[100:].max() < -5
