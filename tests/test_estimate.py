"""Estimates: worked-by-hand draws, propagation rules, shared worlds, units."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slabvision.estimate import Estimate, MixedUnitsError, named_normals


def test_interval_is_two_percentiles():
    draws = np.arange(1001.0)
    lo, hi = Estimate(500, draws, "mm").interval
    assert (lo, hi) == (25.0, 975.0)


def test_normal_matches_coverage_factor():
    # JCGM 100:2008, table G.1: 95 % of a normal distribution lies within 1.960 u.
    lo, hi = Estimate.normal(10, 2, "kg", name="scale").interval
    assert (hi - lo) / 2 == pytest.approx(1.96 * 2, rel=0.01)


def test_product_follows_the_gum_for_small_uncertainties():
    # JCGM 100:2008, 5.1.6: relative variances of independent factors add.
    area = Estimate.normal(3000, 15, "mm", name="a") * Estimate.normal(800, 4, "mm", name="b")
    assert area.unit == "mm2"
    assert area.u / area.value == pytest.approx(math.hypot(0.005, 0.005), rel=0.05)


def test_square_of_one_length_doubles_the_relative_uncertainty():
    # metrology of a scale: length e, area 2 e.
    side = Estimate.normal(1000, 5, "mm", name="tape")
    assert (side * side).u / 1e6 == pytest.approx(0.01, rel=0.02)


def test_same_name_same_error_other_name_other_error():
    a, b = named_normals("board:blue"), named_normals("board:blue")
    assert (a == b).all()
    assert abs(np.corrcoef(a, named_normals("board:red"))[0, 1]) < 0.12
    assert not (a == named_normals("board:blue", seed=1)).all()


def test_named_draws_are_the_same_in_another_process():
    code = (
        "from slabvision.estimate import named_normals as n; print(repr(n('tape:7', 5).tolist()))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == repr(named_normals("tape:7", 5).tolist())


def test_shared_error_does_not_average_out_of_a_total():
    scale = Estimate.normal(1, 0.01, name="board:blue")
    total = sum((scale * 100.0 for _ in range(99)), start=scale * 100.0)
    assert total.u / total.value == pytest.approx(0.01, rel=0.02)


def test_units_do_not_mix():
    length, mass = Estimate.exact(1, "mm"), Estimate.exact(1, "kg")
    with pytest.raises(MixedUnitsError, match="add mm and kg"):
        length + mass
    with pytest.raises(MixedUnitsError, match="subtract"):
        length - mass
    assert (length / length).unit == ""
    assert (mass / (length * length * length)).unit == "kg mm-3"
    assert (2 * length - 1).value == 1


def test_not_determined_spreads_with_its_reason():
    nothing = Estimate.undetermined("add a length across the slab", "mm")
    total = nothing + Estimate.exact(3, "mm")
    assert not total.determined
    assert total.reason == "add a length across the slab"
    assert all(math.isnan(x) for x in total.interval)
    assert "add a length" in repr(total)


def test_division_by_what_may_be_zero_is_refused():
    one = Estimate.exact(1, "mm", draws=5)
    maybe_nothing = Estimate(1.0, np.array([1, 0, 1, 1, 1.0]), "mm")
    with pytest.raises(ZeroDivisionError, match="within its interval"):
        one / maybe_nothing


def test_draws_cannot_be_changed_and_worlds_must_match():
    e = Estimate.exact(1, "mm", draws=10)
    with pytest.raises(ValueError, match="read-only"):
        e.draws[0] = 2
    with pytest.raises(ValueError, match="do not share their worlds"):
        e + Estimate.exact(1, "mm", draws=11)


@given(st.floats(-1e6, 1e6), st.floats(0, 1e3), st.floats(-1e3, 1e3))
def test_shift_moves_the_interval_and_keeps_its_width(value, u, shift):
    e = Estimate.normal(value, u, "mm", name="x", draws=50)
    moved = e + shift
    assert moved.interval[0] == pytest.approx(e.interval[0] + shift, abs=1e-6)
    assert moved.u == pytest.approx(e.u, abs=1e-6)
