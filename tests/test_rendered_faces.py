"""Which regions of a rendered face are clicked at: worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.rendered_faces import Face


def drawn(*kinds: str) -> Face:
    """A face with defects of 20 by 12 px one beside the other, a last one far off."""
    labels = np.zeros((60, 200), np.uint16)
    for k in range(len(kinds)):
        left = 10 + 20 * k if k < len(kinds) - 1 else 150
        labels[20:32, left : left + 20] = k + 1
    pixels = np.zeros((60, 200, 3), np.uint8)
    return Face(
        pixels, labels == 0, labels, np.zeros((60, 200), bool), dict(enumerate(kinds, start=1))
    )


def test_rot_that_runs_into_rot_is_one_region() -> None:
    face = drawn("rot", "rot", "rot")
    first, second = face.regions()
    assert (first.numbers, first.kind, first.box) == ((1, 2), "rot", np.s_[20:32, 10:50])
    assert (second.numbers, second.box) == ((3,), np.s_[20:32, 150:170])
    assert np.count_nonzero(face.holds(first.numbers)) == 2 * 20 * 12
    assert face.holds(second.numbers, second.box).all()


@pytest.mark.parametrize(
    "kinds", [("rot", "bark_inclusion", "rot"), ("sound_knot", "loose_knot", "sound_knot")]
)
def test_another_kind_or_a_knot_in_a_knot_stays_apart(kinds: tuple[str, ...]) -> None:
    face = drawn(*kinds)
    assert sorted(region.numbers for region in face.regions()) == [(1,), (2,), (3,)]


def test_what_is_small_or_in_pieces_is_not_clicked_at() -> None:
    face = drawn("rot", "sound_knot")
    face.labels[20:32, 20:22] = 0  # the rot in pieces of half and two fifths
    assert [region.kind for region in face.regions()] == ["knot"]
    face.labels[22:40, 150:170] = 0  # 40 px of the knot are left
    assert face.regions() == []


def test_a_check_is_not_grown() -> None:
    assert [region.kind for region in drawn("surface_check", "hole").regions()] == ["hole"]
