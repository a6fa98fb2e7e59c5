"""What a finished face says of every piece: by hand on a view of 40 x 60 places."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.segment.face_view import View
from slabvision.segment.proposals import Candidate
from slabvision.segment.suggest import Pieces
from slabvision.segment.verdicts import agreeing, face_verdicts

SHAPE = (40, 60)


def knot_and_check() -> tuple[np.ndarray, np.ndarray]:
    """A painted square of 10 x 10 in the upper left, number 7, and a check along row 30."""
    numbers, checks = np.zeros(SHAPE, int), np.zeros(SHAPE, bool)
    numbers[5:15, 5:15] = 7
    checks[30, 10:50] = True
    return numbers, checks


@pytest.mark.parametrize(
    ("corner", "shape", "line", "wanted"),
    [
        ((5, 5), (10, 10), False, True),
        ((5, 5), (5, 10), False, True),  # half of it: 50 of 100
        ((5, 5), (2, 10), False, False),  # a fifth
        ((5, 11), (10, 10), False, False),  # 40 of 160
        ((20, 40), (5, 5), False, False),
        ((33, 10), (1, 40), True, True),  # 3 px beside the check
        ((34, 10), (1, 40), True, False),
        ((30, 40), (1, 18), True, True),  # 10 of 18, and 3 px beyond its end
        ((30, 47), (1, 13), True, False),  # 3 and 3 of 13
        ((8, 5), (1, 10), True, False),  # a line in a knot is no check
        ((30, 10), (1, 40), False, False),  # a check is no knot
    ],
)
def test_a_piece_is_wanted_where_it_is_what_was_painted(
    corner: tuple[int, int], shape: tuple[int, int], line: bool, wanted: bool
) -> None:
    piece = Candidate(np.ones(shape, bool), corner, line)
    assert agreeing([piece], *knot_and_check()).tolist() == [wanted]


def test_where_nothing_is_painted_nothing_is_wanted() -> None:
    pieces = [Candidate(np.ones((4, 4), bool), (2, 2), line) for line in (False, True)]
    empty = np.zeros(SHAPE, int)
    assert not agreeing(pieces, empty, empty > 0).any()


def test_a_photo_is_laid_on_the_view_and_checks_go_by_their_numbers() -> None:
    """The photo is twice as large as the view and 20 px farther in, both ways."""
    numbers, checks = knot_and_check()
    both = np.where(checks, 3, numbers)
    labels = np.zeros((140, 200), np.uint16)
    labels[20:100, 20:140] = both.repeat(2, axis=0).repeat(2, axis=1)
    turn = np.array([[0.5, 0, -10.25], [0, 0.5, -10.25]])
    view = View(np.zeros((80, 120, 3), np.float32), np.ones(SHAPE, bool), turn)
    found = np.zeros(SHAPE, np.int32)
    found[6:15, 5:15] = 1
    found[30, 12:40] = 2
    found[20:24, 20:24] = 4
    lines = np.array([False, True, False, False])
    pieces = Pieces(found, np.zeros((4, 1), np.float32), lines)
    assert face_verdicts(view, pieces, labels, {3}).tolist() == [True, True, False, False]
    assert face_verdicts(view, pieces, labels, set()).tolist() == [True, False, False, False]
