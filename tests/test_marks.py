"""Reference marks: what each one refuses by itself, in words that say which number is wrong."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.marks import BadMarkError, Board, Length, PlaneError, Rectangle, Square, Tape

CORNERS = [[100, 100], [100, 700], [400, 700], [400, 100]]


def test_a_mark_keeps_its_points_as_plain_numbers():
    length = Length(np.array([1, 2]), (30, 4), 500, name="lath")
    assert length.p == (1.0, 2.0)
    assert length.pixels.tolist() == [[1.0, 2.0], [30.0, 4.0]]
    assert length == Length((1, 2), (30, 4), 500.0, name="lath")
    assert (length.u_mm, length.place, length.called) == (1.0, "face", "lath")
    assert Square((0, 0), (0, 90), (60, 0), 600, 400).u_mm == 0.5
    assert Board(CORNERS, CORNERS).scale_u == 0.003


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Length((5, 5), (5.2, 5), 300, name="rule"), r"rule: points 1 and 2 .*row 5"),
        (lambda: Length((5, 5), (5, 80), 0), "mm is 0; it must be 1 to"),
        (lambda: Length((5, 5), (5, 80), -20), "mm is -20"),
        (lambda: Length((5, 5), (5, 80), float("nan")), "mm is nan"),
        (lambda: Length((5, 5), (5, 80), 5e6), "mm is 5e"),
        (lambda: Length((5, 5), (5, 80), "a foot"), "not a number"),
        (lambda: Length((5, np.inf), (5, 80), 100), "point 1 is not a finite position"),
        (lambda: Length((5, 5), (5, 80), 100, u_mm=60), "u_mm is 60; it must be 0 to 33"),
        (lambda: Length((5, 5), (5, 80), 100, place="table"), "'face', 'ground' or 'unsaid'"),
        (lambda: Length((5, 5), (5, 80), 100, offset_mm=9999), "offset_mm is 9999"),
        (lambda: Tape([[0, 0], [0, 50], [0, 100]], [0, 500]), "3 points and 2 readings"),
        (lambda: Tape([[0, 0], [0, 50], [0, 100]], [0, 500, 300]), "0, 500, 300 mm; they must"),
        (lambda: Tape([[0, 0], [40, 50], [0, 100]], [0, 500, 999]), "beside the line"),
        (lambda: Rectangle(CORNERS[:3], 600, 300), "3 corners; 4 are needed"),
        (lambda: Rectangle(np.array(CORNERS)[[0, 2, 1, 3]], 600, 300), "in order round the sheet"),
        (lambda: Square((0, 0), (0, 90), (0, 60), 600, 400), "on one line"),
        (lambda: Board(CORNERS[:3], CORNERS[:3]), "four or more"),
        (lambda: Board([[0, i * 20] for i in range(5)], [*CORNERS, [9, 9]]), "on one line in the"),
        (lambda: Board(CORNERS, CORNERS, scale_u=2), "scale_u is 2"),
    ],
)
def test_what_a_mark_refuses(make, words):
    with pytest.raises(BadMarkError, match=words) as caught:
        make()
    assert isinstance(caught.value, PlaneError)


def test_a_tape_may_be_read_backwards_and_clicked_in_any_order():
    there = Tape([[0, 0], [0, 50], [0, 100]], [0, 500, 1000])
    mixed = Tape([[0, 100], [0, 0], [0, 50]], [0, 1000, 500])
    assert there.pixels.shape == mixed.pixels.shape == (3, 2)
