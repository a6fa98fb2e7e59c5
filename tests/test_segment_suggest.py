"""Suggesting defects over a face: pieces, trees, what a visit teaches, errors."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from slabvision.defects import KINDS
from slabvision.opencv import cv2
from slabvision.segment import suggest_defects
from slabvision.segment.face_view import View, labels_in_photo, view_of
from slabvision.segment.learner import VisitLearner
from slabvision.segment.network import stored
from slabvision.segment.proposals import FEATURES, Candidate, Candidates, candidates
from slabvision.segment.suggest import (
    BadOutlineError,
    Pieces,
    confidence_of,
    look_over,
    piece_under,
    surest_apart,
)
from slabvision.segment.trees import boosted
from slabvision.segment.window import BadPixelsError

OUTLINE = [(30, 30), (30, 770), (270, 770), (270, 30)]


@pytest.fixture(scope="module")
def board() -> NDArray[np.uint8]:
    """Pale wood with fine grain on grey; a dark knot at (150, 250), a check from (90, 500)."""
    rng = np.random.default_rng(5)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (300, 800)).astype(np.float32), (0, 0), 12, None, 1)
    image = np.array([188, 152, 110]) + 90 * grain[..., None] + rng.normal(0, 3, (300, 800, 1))
    knot = np.zeros((300, 800), np.float32)
    cv2.ellipse(knot, (250, 150), (26, 16), 0, 0, 360, 1, -1)
    cv2.line(knot, (500, 90), (620, 94), 1, 2)
    knot = cv2.GaussianBlur(knot, (0, 0), 1)[..., None]
    image = image * (1 - knot) + np.array([84, 55, 38]) * knot
    image[:30], image[270:], image[:, :30], image[:, 770:] = 105, 105, 105, 105
    return image.clip(0, 255).astype(np.uint8)


def test_numbers_kinds_and_order_fit_together(board: NDArray[np.uint8]) -> None:
    labels, table = suggest_defects(board, OUTLINE)
    assert labels.dtype == np.uint16
    assert labels.shape == board.shape[:2]
    assert list(table.columns) == ["number", "kind", "confidence"]
    assert set(np.unique(labels)) - {0} == set(table["number"])
    assert set(table["kind"]) <= set(KINDS)
    assert (np.diff(table["confidence"]) <= 0).all()
    assert labels[:28].max() == labels[272:].max() == 0, "nothing off the face"
    again, _ = suggest_defects(board, OUTLINE)
    assert (again == labels).all()


def test_a_knot_and_a_check_are_among_the_pieces_looked_at(board: NDArray[np.uint8]) -> None:
    view = view_of(board, np.array(OUTLINE, float))
    found = candidates(view)
    assert found.features.shape == (len(found.pieces), len(FEATURES))
    covers = {True: 0.0, False: 0.0}
    knot = np.hypot((np.arange(300)[:, None] - 150) / 16, (np.arange(800) - 250) / 26) < 1
    for piece in found.pieces:
        small = np.zeros(view.wood.shape, np.uint16)
        small[piece.window] = piece.mask
        whole = labels_in_photo(view, small, board.shape[:2]) > 0
        if piece.line:
            covers[True] = max(covers[True], whole[85:100, 500:620].any(axis=0).mean())
        else:
            both = np.count_nonzero(whole & knot)
            covers[False] = max(covers[False], both / np.count_nonzero(whole | knot))
    assert covers[True] > 0.6
    assert covers[False] > 0.3, "as much as suggest_truth calls right"


def test_clean_wood_gives_next_to_nothing() -> None:
    rng = np.random.default_rng(6)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (300, 800)).astype(np.float32), (0, 0), 12, None, 1)
    image = np.array([188, 152, 110]) + 90 * grain[..., None] + rng.normal(0, 3, (300, 800, 1))
    _, table = suggest_defects(image.clip(0, 255).astype(np.uint8), OUTLINE)
    assert len(table) <= 2


def test_of_two_pieces_that_overlap_the_surer_stays() -> None:
    square = np.ones((10, 10), bool)
    pieces = [Candidate(square, (0, 0), False), Candidate(square, (2, 2), False),
              Candidate(square, (30, 30), False)]  # fmt: skip
    found = Candidates(pieces, np.zeros((3, len(FEATURES)), np.float32))
    assert surest_apart(found, np.array([0.5, 0.9, 0.1])) == [1, 2]
    assert surest_apart(found, np.array([0.5, 0.9, 0.001])) == [1]


def test_a_mask_of_the_photo_stands_for_the_piece_it_covers_most_of() -> None:
    labels = np.zeros((40, 60), np.int32)
    labels[5:15, 5:15], labels[20:30, 40:50] = 1, 2
    pieces = Pieces(labels, np.zeros((2, len(FEATURES)), np.float32), np.zeros(2, bool))
    turn = np.array([[0.5, 0, -10], [0, 0.5, -20]])  # photo (col, row) to place
    view = View(np.zeros((80, 120, 3), np.float32), np.ones((40, 60), bool), turn)
    mask = np.ones((20, 20), bool)
    assert piece_under(view, pieces, mask, (80, 100)) == 2
    assert piece_under(view, pieces, mask, (50, 30)) == 1
    assert piece_under(view, pieces, mask, (42, 80)) == 0


def test_trees_are_those_scikit_learn_fitted() -> None:
    from sklearn.ensemble import GradientBoostingClassifier

    from tests.benchmarks.train_suggest import as_arrays

    rng = np.random.default_rng(7)
    rows = rng.normal(0, 1, (200, 3)).astype(np.float32)
    wanted = rows[:, 0] + rows[:, 1] ** 2 > 0.5
    model = GradientBoostingClassifier(n_estimators=12, random_state=0).fit(rows, wanted)
    share = wanted.mean()
    trees = as_arrays(model, float(np.log(share / (1 - share))))
    np.testing.assert_allclose(boosted(rows, trees), model.decision_function(rows), atol=1e-4)


# What a visit teaches --------------------------------------------------------------------------


def verdicts() -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    base = stored("suggest")
    rng = np.random.default_rng(8)
    rows = base["mean"] + base["spread"] * rng.normal(0, 1, (60, len(FEATURES)))
    column = FEATURES.index("lighter than round it")
    return rows.astype(np.float32), rows[:, column] > base["mean"][column]


def test_verdicts_move_what_is_alike() -> None:
    rows, wanted = verdicts()
    learner = VisitLearner()
    assert (learner.shift(rows) == 0).all()
    learner.learn(rows[:40], wanted[:40])
    shift = learner.shift(rows[40:])
    assert shift[wanted[40:]].mean() > shift[~wanted[40:]].mean() + 0.15
    with pytest.raises(ValueError, match="is needed"):
        learner.learn(rows[:, :3], wanted)


def test_verdicts_on_checks_leave_knots_alone() -> None:
    rows, _ = verdicts()
    rows[:] = rows[0]
    line, knot = FEATURES.index("found as a line"), FEATURES.index("is knot")
    rows[:, line] = np.arange(60) % 2
    rows[:, knot] = 9
    learner = VisitLearner()
    learner.learn(rows[1:40:2], np.zeros(20, bool))
    shift = learner.shift(rows[40:])
    assert shift[1::2].max() < -0.1
    assert np.abs(shift[::2]).max() < np.abs(shift[1::2]).min()


def test_verdicts_are_kept_as_numbers(tmp_path: Path) -> None:
    rows, wanted = verdicts()
    learner = VisitLearner()
    learner.learn(rows, wanted)
    learner.save(tmp_path / "visit.npz")
    again = VisitLearner.load(tmp_path / "visit.npz")
    np.testing.assert_allclose(again.shift(rows), learner.shift(rows))
    (tmp_path / "other.npz").write_bytes(b"no numbers")
    with pytest.raises(ValueError, match=r"other\.npz: not the verdicts"):
        VisitLearner.load(tmp_path / "other.npz")


def test_a_rejected_piece_is_less_sure_afterwards(board: NDArray[np.uint8]) -> None:
    _, pieces = look_over(board, OUTLINE)
    assert len(pieces.features)
    learner = VisitLearner()
    learner.learn(pieces.features, np.zeros(len(pieces.features), bool))
    assert (confidence_of(pieces, learner) < confidence_of(pieces)).all()


@pytest.mark.parametrize(
    ("outline", "words"),
    [
        ([(0, 0), (5, 5)], "at least 3"),
        ([(0, 0), (5, np.nan), (9, 9)], "not numbers"),
        ([(900, 0), (910, 5), (920, 9)], "outside the photo"),
    ],
)
def test_an_outline_that_is_none(
    board: NDArray[np.uint8], outline: list[tuple[float, float]], words: str
) -> None:
    with pytest.raises(BadOutlineError, match=words):
        suggest_defects(board, outline)


def test_pixels_that_are_no_photo() -> None:
    with pytest.raises(BadPixelsError, match="shape"):
        suggest_defects(np.zeros(5), OUTLINE)


@pytest.mark.parametrize("scale", [0.0, -1.0, float("nan")])
def test_a_scale_that_is_none_is_named(board: NDArray[np.uint8], scale: float) -> None:
    with pytest.raises(ValueError, match=r"mm_per_px is .*; a scale above 0"):
        suggest_defects(board, OUTLINE, mm_per_px=scale)
