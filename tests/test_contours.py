"""Contours along pixel edges: worked-by-hand masks, then properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from slabvision.contours import mask_polygons, mask_rings


def test_one_pixel_is_a_unit_square():
    (ring,) = mask_rings(np.array([[True]]))
    assert ring.tolist() == [[-0.5, -0.5], [-0.5, 0.5], [0.5, 0.5], [0.5, -0.5]]


def test_a_three_pixel_check_keeps_its_area():
    mask = np.zeros((20, 60), bool)
    mask[8:11, 5:55] = True
    assert mask_polygons(mask).area == 150


def test_a_hole_stays_a_hole():
    mask = np.ones((5, 5), bool)
    mask[2, 2] = False
    shape = mask_polygons(mask)
    assert len(shape.geoms) == 1
    assert len(shape.geoms[0].interiors) == 1
    assert shape.area == 24


def test_pixels_touching_at_a_corner_are_two_valid_polygons():
    shape = mask_polygons(np.eye(2, dtype=bool))
    assert len(shape.geoms) == 2
    assert shape.is_valid


def test_an_island_in_a_hole_belongs_to_itself():
    mask = np.ones((7, 7), bool)
    mask[1:6, 1:6] = False
    mask[3, 3] = True
    shape = mask_polygons(mask)
    assert sorted(p.area for p in shape.geoms) == [1, 24]
    assert shape.is_valid


def test_offset_moves_the_polygon():
    assert mask_polygons(np.array([[True]]), (10, 20)).bounds == (9.5, 19.5, 10.5, 20.5)


def test_empty_mask_and_wrong_shape():
    assert mask_rings(np.zeros((3, 3), bool)) == []
    with pytest.raises(ValueError, match=r"\(H, W\)"):
        mask_rings(np.zeros(3, bool))


def test_a_hole_that_touches_the_outside_at_a_corner_is_a_hole():
    mask = np.array([[0, 1, 1], [1, 0, 1], [1, 1, 1]], bool)
    shape = mask_polygons(mask)
    assert shape.area == 7
    assert [len(p.interiors) for p in shape.geoms] == [1]
    assert all(p.is_valid for p in shape.geoms)


@settings(max_examples=400, deadline=None)
@given(arrays(bool, st.tuples(st.integers(1, 9), st.integers(1, 9))))
def test_any_mask_area_is_its_number_of_pixels_and_valid(mask):
    shape = mask_polygons(mask)
    assert shape.area == mask.sum()
    assert all(p.is_valid for p in shape.geoms)
