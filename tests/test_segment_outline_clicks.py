"""Clicks on outlines: worked by hand on small pieces, then on painted boards."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from slabvision.segment import OutlineSearch, find_slab_outline, outline
from slabvision.segment.outline_clicks import (
    Click,
    depth_of,
    elsewhere_as_before,
    heard,
    with_clicks,
)
from slabvision.segment.outline_pieces import log_odds
from slabvision.segment.outline_votes import Settled, courses_near, grid_of, ring_of
from tests.test_segment_outline import QUAD, SHAPE, overlap, painted

PHOTO = (1500, 2000)
"""Votes lie on a grid of 750 x 1000 places, two photo pixels each."""


def board() -> Settled:
    """Wood in rows 200 to 399 and columns 100 to 899 of the grid, votes of 2 for and against."""
    piece = np.zeros((750, 1000), np.bool_)
    piece[200:400, 100:900] = True
    return Settled(np.where(piece, 2, -2).astype(np.float32), piece)


def at(row: float, col: float, *, inside: bool) -> Click:
    """A click in the middle of a place of the grid."""
    return Click(2 * row + 0.5, 2 * col + 0.5, inside)


def test_the_grid_and_the_ring_by_hand() -> None:
    size, factor = grid_of(PHOTO)
    assert size == (750, 1000)
    assert factor.tolist() == [2, 2]
    ring = ring_of(board(), PHOTO)
    # Votes change sign half way between places: photo row 2 (199.5 + 0.5) - 0.5.
    assert ring.min(axis=0) == pytest.approx([399.5, 199.5])
    assert ring.max(axis=0) == pytest.approx([799.5, 1799.5])


def test_the_parts_of_the_ring_in_a_mask_by_hand() -> None:
    field, piece = board()
    near = np.zeros(piece.shape, np.bool_)
    near[150:250, 300:500] = True
    (upper,) = courses_near(field, piece, near)
    assert not upper.closed
    assert (upper.points[:, 0] == 199.5).all()
    # Places 300 to 499 are in the mask; wood on the left, rows downwards: from right to left.
    assert upper.points[:, 1].tolist() == list(range(499, 299, -1))
    near[350:450, 300:500] = True
    assert len(courses_near(field, piece, near)) == 2
    near[:] = False
    near[280:320] = True  # across both short sides, 40 points each: too short to be looked at
    assert courses_near(field, piece, near) == []
    (whole,) = courses_near(field, piece, np.ones_like(piece))
    assert whole.closed
    assert shapely.Polygon(whole.points).area == pytest.approx(200 * 800, abs=1)


def test_a_ring_ends_at_the_frame_where_the_frame_cuts_the_piece() -> None:
    piece = np.zeros((200, 300), np.bool_)
    piece[:80, :200] = True
    field = np.where(piece, 2, -2).astype(np.float32)
    near = np.zeros(piece.shape, np.bool_)
    near[:40, 60:140] = True  # the frame's upper edge: votes fall off half a place beyond it
    (frame,) = courses_near(field, piece, near)
    assert frame.points[:, 0] == pytest.approx(np.full(80, -1 + 4 / 6))
    near[:] = False
    near[30:120, 60:140] = True
    (lower,) = courses_near(field, piece, near)
    assert (lower.points[:, 0] == 79.5).all()


def test_how_deep_a_click_lies_on_the_wrong_side() -> None:
    assert depth_of(board(), at(300, 500, inside=True), PHOTO) == 0
    assert depth_of(board(), at(100, 500, inside=False), PHOTO) == 0
    # Place 210 is the eleventh row of wood: 11 places of 2 px to the first place off it.
    assert depth_of(board(), at(210, 500, inside=False), PHOTO) == pytest.approx(22, rel=0.02)
    assert depth_of(board(), at(195, 500, inside=True), PHOTO) == pytest.approx(10, rel=0.02)


def test_only_the_change_that_holds_the_click_is_taken() -> None:
    before, after = board(), board()
    for rows, cols in ((slice(200, 220), slice(300, 400)), (slice(380, 400), slice(700, 800))):
        after.field[rows, cols] = -3
        after.piece[rows, cols] = False
    got = elsewhere_as_before(before, after, at(210, 350, inside=False), 20.0, PHOTO)
    assert not got.piece[200:220, 300:400].any()
    assert (got.field[200:220, 300:400] == -3).all()
    assert got.piece[380:400, 700:800].all()
    assert (got.field[380:400, 700:800] == 2).all()
    assert got.piece.sum() == before.piece.sum() - 20 * 100


@pytest.mark.parametrize("inside", [True, False])
def test_where_the_edge_did_not_move_a_disc_does(inside: bool) -> None:
    row = 190 if inside else 215
    click = at(row, 500, inside=inside)
    depth = depth_of(board(), click, PHOTO)
    got = elsewhere_as_before(board(), board(), click, depth, PHOTO)
    assert depth_of(got, click, PHOTO) == 0
    change = np.argwhere(got.piece != board().piece)
    assert 50 < len(change) < 1000
    assert np.hypot(*(change - (row, 500)).T).max() < depth


def test_every_click_is_right_in_the_end() -> None:
    clicks = (at(300, 500, inside=False), at(100, 500, inside=True), at(250, 200, inside=True))
    got = with_clicks(board(), clicks, PHOTO)
    assert all(depth_of(got, click, PHOTO) == 0 for click in clicks)
    assert with_clicks(board(), clicks[2:], PHOTO) is not board()
    assert (with_clicks(board(), clicks[2:], PHOTO).piece == board().piece).all()


def test_a_click_is_heard_near_it_and_the_piece_is_believed_far_from_it() -> None:
    """An even picture, nothing known (odds 0): a click 8 px deep off the left half."""
    lab = np.full((60, 100, 3), 0.5, np.float32)
    before = np.zeros((60, 100), np.bool_)
    before[:, :50] = True
    click = Click(30.0, 42.0, False)
    got = heard(np.zeros((60, 100), np.float32), lab, before, (click,), 8.0)
    assert got.chance[30, 42] < 0.1
    # Four depths away the click says nothing more than e^-2 of its word.
    assert got.chance[30, 2] == pytest.approx(1 / (1 + np.exp(-2)), abs=0.05)
    assert got.chance[30, 95] == pytest.approx(1 / (1 + np.exp(2)), abs=0.05)
    assert abs(got.odds[30, 2]) < 0.1
    assert got.odds[30, 42] < -1
    assert log_odds(np.array([0.0, 0.5, 1.0], np.float32)) == pytest.approx(
        [-np.log(99), 0, np.log(99)], abs=1e-4
    )


def test_a_click_is_heard_along_the_edge_and_never_against_itself() -> None:
    """Wood above row 40 was found; the click says that there is more, 6 px below that edge."""
    lab = np.full((120, 200, 3), 0.5, np.float32)
    before = np.zeros((120, 200), np.bool_)
    before[:40] = True
    odds = np.where(before, 1, -1).astype(np.float32)
    got = heard(odds, lab, before, (Click(45.0, 100.0, True),), 6.0)
    said = got.odds - odds
    assert (said >= 0).all()
    # 40 px from the click, nearly six depths: along the edge it is heard, away from it hardly.
    assert said[45, 60] > 0.05
    assert said[85, 100] < 0.005
    against = heard(odds, lab, before, (Click(35.0, 100.0, False),), 6.0)
    assert (against.odds <= odds).all()


def test_a_click_moves_the_edge_near_it_and_nothing_else() -> None:
    image = painted(QUAD)
    before = find_slab_outline(image).points
    click = (165.0, 250.0)  # some 35 px below the upper edge
    after = find_slab_outline(image, outside=[click]).points
    assert not shapely.Polygon(after).contains(shapely.Point(click))
    change = shapely.Polygon(before).symmetric_difference(shapely.Polygon(after))
    # Points are thinned out within 0.15 px, here and there to others than before.
    assert change.buffer(-0.15).hausdorff_distance(shapely.Point(click)) < 100
    assert overlap(after, before) > 0.85
    away = shapely.box(215, 0, *SHAPE)  # below the middle
    assert change.intersection(away).area < 1


def test_a_search_answers_as_the_function_does_and_looks_at_the_photo_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    image = painted(QUAD)
    inside, outside = [(112.0, 300.0)], [(318.0, 300.0)]
    want = find_slab_outline(image, inside, outside).points
    search = OutlineSearch(image)
    assert (search.outline().points == find_slab_outline(image).points).all()
    monkeypatch.setattr(outline, "slab_chance", None)  # a second look at the photo would fail
    search.outline(inside)
    got = search.outline(inside, outside).points
    assert (got == want).all()
    assert (search.outline().points == search.outline((), [(10.0, 10.0)]).points).all()


def test_a_further_click_is_heard_after_those_before_and_can_be_taken_back() -> None:
    image = painted(QUAD)
    first, deeper = (165.0, 250.0), (260.0, 420.0)
    search = OutlineSearch(image)
    alone = search.outline((), [first]).points
    both = search.outline((), [first, deeper]).points
    # Near the first click nothing is said anew, though the second lies deeper.
    round_first = shapely.box(100, 100, 215, 300)
    change = shapely.Polygon(alone).symmetric_difference(shapely.Polygon(both))
    assert change.area > 100
    assert change.intersection(round_first).area < 1
    assert (search.outline((), [first]).points == alone).all()
    assert (search.outline((), [deeper, first]).points == both).all()
