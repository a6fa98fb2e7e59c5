"""Thickness left after flattening, and the order of cuts: worked by hand, then what must hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slabvision.estimate import Estimate, MixedUnitsError
from slabvision.trade.flattening import (
    Part,
    ThicknessReading,
    Warp,
    bow_from_edge_mm,
    flatten,
    warp_of_part,
)
from slabvision.trade.pass_plan import PASS_PLAN_SOURCE, pass_plan

LENGTH, WIDTH = 2400.0, 800.0
EVEN = [ThicknessReading(60.0, 0.0)]


def test_a_flat_even_slab_loses_nothing() -> None:
    kept = flatten(Warp(), EVEN, LENGTH, WIDTH)
    assert kept.thickness_mm.value == pytest.approx(60.0)
    assert kept.loss_mm.value == pytest.approx(0.0, abs=1e-9)


def test_a_bent_even_slab_loses_the_bow_once() -> None:
    kept = flatten(Warp(bow_mm=9.0), EVEN, LENGTH, WIDTH)
    assert kept.thickness_mm.value == pytest.approx(51.0)
    assert kept.first_face_mm == pytest.approx(9.0)
    assert kept.second_face_mm == pytest.approx(9.0)
    other = flatten(Warp(bow_mm=-9.0), EVEN, LENGTH, WIDTH)
    assert other.thickness_mm.value == pytest.approx(51.0)


def test_bow_falls_with_the_square_of_the_length() -> None:
    half = Part(0.0, 1200.0, 0.0, WIDTH)
    kept = flatten(Warp(bow_mm=16.0), EVEN, LENGTH, WIDTH, part=half)
    assert kept.warp.bow_mm == pytest.approx(4.0)
    assert kept.thickness_mm.value == pytest.approx(56.0)
    anywhere = Part(700.0, 1900.0, 0.0, WIDTH)
    same = flatten(Warp(bow_mm=16.0), EVEN, LENGTH, WIDTH, part=anywhere)
    assert same.thickness_mm.value == pytest.approx(56.0)


def test_cup_and_bow_add_and_twist_loses_half() -> None:
    """Corners of a straight-sided warp stand w/4 over and under the middle: range w/2."""
    assert flatten(Warp(cup_mm=6.0), EVEN, LENGTH, WIDTH).thickness_mm.value == pytest.approx(54.0)
    both = flatten(Warp(bow_mm=9.0, cup_mm=6.0), EVEN, LENGTH, WIDTH)
    assert both.thickness_mm.value == pytest.approx(45.0)
    opposite = flatten(Warp(bow_mm=9.0, cup_mm=-6.0), EVEN, LENGTH, WIDTH)
    assert opposite.thickness_mm.value == pytest.approx(45.0)
    twist = flatten(Warp(twist_mm=12.0), EVEN, LENGTH, WIDTH)
    assert twist.thickness_mm.value == pytest.approx(54.0)
    narrow = Part(0.0, LENGTH, 200.0, 600.0)
    strip = flatten(Warp(cup_mm=6.0), EVEN, LENGTH, WIDTH, part=narrow)
    assert strip.thickness_mm.value == pytest.approx(58.5)


def test_a_wedge_is_cut_parallel() -> None:
    """60 mm at one end, 50 at the other, one face flat: 50 is left, whatever the tilt."""
    wedge = [ThicknessReading(60.0, 0.0), ThicknessReading(50.0, LENGTH)]
    kept = flatten(Warp(), wedge, LENGTH, WIDTH)
    assert kept.thickness_mm.value == pytest.approx(50.0)
    thick_half = flatten(Warp(), wedge, LENGTH, WIDTH, part=Part(0.0, 1200.0, 0.0, WIDTH))
    assert thick_half.thickness_mm.value == pytest.approx(55.0)


def test_thickness_varies_across_too() -> None:
    readings = [ThicknessReading(t, u, v) for u in (0.0, LENGTH)
                for v, t in ((0.0, 60.0), (WIDTH, 52.0))]  # fmt: skip
    kept = flatten(Warp(), readings, LENGTH, WIDTH)
    assert kept.thickness_mm.value == pytest.approx(52.0)
    strip = flatten(Warp(), readings, LENGTH, WIDTH, part=Part(0.0, LENGTH, 0.0, 400.0))
    assert strip.thickness_mm.value == pytest.approx(56.0)


def test_tilt_helps_where_a_dip_lies_at_one_end() -> None:
    """A hollow second face: 60 in the middle, 54 at the ends: parallel planes leave 54."""
    dished = [ThicknessReading(54.0, 0.0), ThicknessReading(60.0, 1200.0),
              ThicknessReading(54.0, LENGTH)]  # fmt: skip
    assert flatten(Warp(), dished, LENGTH, WIDTH).thickness_mm.value == pytest.approx(54.0)
    # The same with the first face bowed so that its middle is low: the faces bend apart.
    bowed = flatten(Warp(bow_mm=-3.0), dished, LENGTH, WIDTH)
    assert bowed.thickness_mm.value < 54.0


def test_no_tilt_of_a_fine_search_leaves_more() -> None:
    """Uneven corners on a bowed, twisted slab: the linear programme against 90,601 tilts."""
    corners = {(0.0, 0.0): 61.0, (0.0, WIDTH): 57.0, (LENGTH, 0.0): 55.0, (LENGTH, WIDTH): 60.0}
    readings = [ThicknessReading(t, u, v) for (u, v), t in corners.items()]
    warp = Warp(bow_mm=7.0, cup_mm=-3.0, twist_mm=9.0)
    kept = flatten(warp, readings, LENGTH, WIDTH).thickness_mm.value
    x = np.linspace(-1, 1, 33)
    along, across = (g.ravel() for g in np.meshgrid(x, x, indexing="ij"))
    low = 7.0 * along**2 - 3.0 * across**2 + 9.0 / 4 * along * across
    p, q = (along + 1) / 2, (across + 1) / 2
    thick = 61 * (1 - p) * (1 - q) + 57 * (1 - p) * q + 55 * p * (1 - q) + 60 * p * q
    best = -np.inf
    for a in np.linspace(-6, 6, 301):
        planes = a * along[None] + np.linspace(-6, 6, 301)[:, None] * across[None]
        left = (low + thick - planes).min(axis=1) - (low - planes).max(axis=1)
        best = max(best, float(left.max()))
    assert best <= kept + 1e-9
    assert kept == pytest.approx(best, abs=0.05)


def test_interval_of_bow_and_thickness() -> None:
    bow = Estimate.normal(9.0, 1.0, "mm", name="bow")
    thick = [ThicknessReading(Estimate.normal(60.0, 0.5, "mm", name="rule"), 0.0)]
    kept = flatten(Warp(bow_mm=bow), thick, LENGTH, WIDTH)
    assert kept.thickness_mm.value == pytest.approx(51.0)
    assert kept.thickness_mm.u == pytest.approx(np.hypot(1.0, 0.5), rel=0.05)
    assert kept.thickness_mm.holds(51.0)


def test_nothing_left_is_said() -> None:
    gone = flatten(Warp(bow_mm=70.0), EVEN, LENGTH, WIDTH)
    assert not gone.thickness_mm.determined
    assert "choose a part" in gone.text
    with pytest.raises(ValueError, match="nothing is left"):
        pass_plan(gone)


def test_clean_up_comes_off_both_faces() -> None:
    kept = flatten(Warp(bow_mm=9.0), EVEN, LENGTH, WIDTH, clean_up_mm=1.0)
    assert kept.thickness_mm.value == pytest.approx(49.0)


def test_input_is_checked() -> None:
    with pytest.raises(ValueError, match="no thickness"):
        flatten(Warp(), [], LENGTH, WIDTH)
    with pytest.raises(ValueError, match="station at 3000"):
        flatten(Warp(), [ThicknessReading(60.0, 3000.0)], LENGTH, WIDTH)
    with pytest.raises(ValueError, match="part reaches"):
        flatten(Warp(), EVEN, LENGTH, WIDTH, part=Part(0.0, 2500.0, 0.0, 500.0))
    with pytest.raises(ValueError, match="second of each"):
        Part(500.0, 400.0, 0.0, 100.0)
    with pytest.raises(MixedUnitsError, match="bow is in in"):
        Warp(bow_mm=Estimate.exact(0.5, "in"))
    with pytest.raises(ValueError, match="length of the part"):
        warp_of_part(Warp(), LENGTH, WIDTH, 3000.0, 100.0)


def test_bow_from_an_edge_photo() -> None:
    u = np.linspace(0, 2400, 61)
    arc = np.column_stack([u, 11.0 * (1 - (u / 1200 - 1) ** 2)])
    assert bow_from_edge_mm(arc) == pytest.approx(11.0)
    turn = np.radians(7.0)
    turned = arc @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    assert bow_from_edge_mm(turned) == pytest.approx(11.0, rel=0.01)
    assert bow_from_edge_mm(-arc) == pytest.approx(11.0)
    with pytest.raises(ValueError, match="N of 3"):
        bow_from_edge_mm([[0, 0], [1, 1]])
    with pytest.raises(ValueError, match="same"):
        bow_from_edge_mm([[0, 0], [5, 5], [0, 0]])


@settings(deadline=None, max_examples=30)
@given(
    st.floats(0, 15), st.floats(-10, 10), st.floats(-10, 10), st.floats(0.2, 1), st.floats(0.2, 1)
)  # fmt: skip
def test_a_part_never_keeps_less_than_the_whole(
    bow: float, cup: float, twist: float, along: float, across: float
) -> None:
    warp = Warp(bow, cup, twist)
    whole = flatten(warp, EVEN, LENGTH, WIDTH)
    part = flatten(warp, EVEN, LENGTH, WIDTH, part=Part(0.0, LENGTH * along, 0.0, WIDTH * across))
    assert part.thickness_mm.value >= whole.thickness_mm.value - 1e-6
    assert whole.thickness_mm.value <= 60.0 + 1e-9


@settings(deadline=None, max_examples=30)
@given(st.floats(0.5, 30), st.floats(0.5, 5), st.floats(0, 4))
def test_the_plan_takes_all_there_is_to_take_and_no_more(
    bow: float, depth: float, leave: float
) -> None:
    kept = flatten(Warp(bow_mm=bow), EVEN, LENGTH, WIDTH)
    plan = pass_plan(kept, depth_mm=depth, leave_mm=leave)
    for face, total in (("first", kept.first_face_mm), ("second", kept.second_face_mm)):
        cuts = [p for p in plan if p.what == "cut" and p.face == face]
        assert sum(p.depth_mm for p in cuts) == pytest.approx(total)
        assert all(p.depth_mm <= depth + 1e-9 for p in cuts)
    measured = next(i for i, p in enumerate(plan) if p.what == "measure")
    after = sum(p.depth_mm for p in plan[measured:] if p.face == "first")
    assert after == pytest.approx(min(leave, kept.first_face_mm))


def test_the_plan_takes_turns_and_rests() -> None:
    plan = pass_plan(flatten(Warp(bow_mm=9.0), EVEN, LENGTH, WIDTH), depth_mm=2.0, leave_mm=1.0)
    faces = [p.face for p in plan if p.what == "cut"]
    assert faces == ["first", "second"] * 5
    assert [p.what for p in plan].index("rest") == 8
    assert [p.number for p in plan] == list(range(1, len(plan) + 1))
    assert PASS_PLAN_SOURCE == "common practice, no source"
    with pytest.raises(ValueError, match="depth of a pass"):
        pass_plan(flatten(Warp(bow_mm=9.0), EVEN, LENGTH, WIDTH), depth_mm=0.0)
