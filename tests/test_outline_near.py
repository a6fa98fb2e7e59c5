"""The nearer look at a slab: which part of the photo it takes, and what it leaves alone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from slabvision.segment.outline_cells import PIXELS
from slabvision.segment.outline_near import Part, near_cells, nearer_chance, part_round
from slabvision.segment.outline_pieces import log_odds
from slabvision.segment.unet import CELL


def piece(rows: slice, cols: slice) -> NDArray[np.bool_]:
    out = np.zeros((100, 200), np.bool_)
    out[rows, cols] = True
    return out


def test_the_part_has_room_and_is_not_too_narrow() -> None:
    """Worked by hand: 100 long, 15 on each side; 40 high is widened to half of 130."""
    part = part_round(piece(np.s_[40:50], np.s_[50:150]))
    assert part.of((100, 200)) == np.s_[12:78, 35:165]
    assert part.of((1000, 2000, 3)) == np.s_[120:780, 350:1650]


def test_by_the_frame_the_room_is_on_the_other_side() -> None:
    """Worked by hand: 15 above are beyond the frame; what lacks in width comes from below."""
    part = part_round(piece(np.s_[0:10], np.s_[60:140]))
    assert part.of((100, 200)) == np.s_[0:52, 48:152]
    assert part_round(piece(np.s_[:], np.s_[:])) == Part((0.0, 0.0), (1.0, 1.0))


def test_a_part_of_a_tiny_photo_keeps_four_pixels() -> None:
    assert Part((0.99, 0.0), (1.0, 0.01)).of((20, 20)) == np.s_[16:20, 0:4]
    assert Part((0.9, 0.9), (1.0, 1.0)).of((2, 20)) == np.s_[0:4, 16:20]  # all there is


def test_cells_carry_what_the_first_looks_say_where_they_said_it() -> None:
    rng = np.random.default_rng(3)
    picture = rng.integers(0, 255, (300, 600, 3)).astype(np.uint8)
    chance = np.full((30, 60), 0.1, np.float32)
    chance[:, 30:] = 0.9
    cells = near_cells(picture, chance)
    rows, cols, count = cells.shape
    assert cols == 2 * rows
    assert rows * cols * PIXELS**2 == pytest.approx(300_000, rel=0.02)
    assert count == 57
    said = cells[..., -CELL * CELL :]
    assert said[:, :90] == pytest.approx(np.log(0.1 / 0.9) / 4, abs=1e-5)
    assert said[:, -90:] == pytest.approx(np.log(0.9 / 0.1) / 4, abs=1e-5)
    assert near_cells(picture, chance, (96, 192)).shape == (96, 192, 57)


def found(picture: NDArray[np.uint8], chance: NDArray[np.float32]) -> NDArray[np.float32]:
    return nearer_chance(picture, chance, np.asarray(chance > 0.5), "out")


def test_beyond_the_part_nothing_changes_and_an_upright_photo_is_seen_alike() -> None:
    rng = np.random.default_rng(4)
    picture = rng.integers(90, 110, (450, 600, 3)).astype(np.uint8)
    picture[150:250, 120:420] = (190, 140, 90)
    chance = np.full((300, 400), 0.05, np.float32)
    chance[100:167, 80:280] = 0.95
    near = found(picture, chance)
    rows, cols = part_round(np.asarray(chance > 0.5)).of(chance.shape)
    beyond = np.ones(chance.shape, np.bool_)
    beyond[rows, cols] = False
    assert near[beyond] == pytest.approx(chance[beyond], abs=1e-5)
    assert np.abs(log_odds(near) - log_odds(chance))[~beyond].max() > 0.1
    turned = found(np.rot90(picture, -1).copy(), np.rot90(chance, -1).copy())
    assert np.rot90(turned) == pytest.approx(near, abs=1e-4)


def test_where_something_is_clicked_the_looks_before_it_are_believed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The nearer look saw no clicks when it learned, so it is asked unclicked only."""
    from slabvision.segment import OutlineSearch, outline
    from slabvision.study.outline_scenes import outline_scene

    asked = []

    def look(*told: Any) -> NDArray[np.float32]:
        asked.append(told)
        return nearer_chance(*told)

    monkeypatch.setattr(outline, "nearer_chance", look)
    pixels = outline_scene(3, 0.2).pixels
    middle = (pixels.shape[0] / 2, pixels.shape[1] / 2)
    search = OutlineSearch(pixels)
    search.outline()
    assert len(asked) == 1
    search.outline()  # known
    OutlineSearch(pixels).outline([middle], [(2.0, 2.0)])
    before = len(asked)
    search._look((outline.Click(*middle, True),))
    assert before == len(asked) == 2  # each search's first answer, no more
