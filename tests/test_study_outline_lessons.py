"""What the outline's nets learn from shows what it says: flat colours whose class is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.scene.camera import Camera
from slabvision.segment.outline_cells import cells_of, in_other_light
from slabvision.segment.outline_edge import REACH
from slabvision.segment.outline_look import Small
from slabvision.study import outline_lessons
from slabvision.study.outline_classes import FACE, GROUND, UNKNOWN, classes_of
from slabvision.study.outline_grounds import covered, ground_for
from slabvision.study.outline_lessons import (
    SIDE,
    STATIONS,
    EdgeLessons,
    Lesson,
    as_lesson,
    click_on,
    picture_lesson,
    turned,
)
from slabvision.study.outline_near_lessons import (
    CANVASES,
    NearPicture,
    near_batches,
)
from slabvision.study.outline_near_lessons import _seen_otherwise as near_lesson
from slabvision.study.outline_pictures import _before_another
from slabvision.study.outline_scenes import OutlineScene, shrunk
from slabvision.study.outline_unet_training import picture_batches
from slabvision.study.unet_training import Net

NONE = np.zeros((0, 2))


def red_on_green(shape: tuple[int, int] = (576, 768)) -> OutlineScene:
    """A red face, a teal side below it, green ground."""
    arris = np.array([(150.0, 120.0), (150.0, 650.0), (400.0, 640.0), (390.0, 130.0)])
    widest = arris + np.array([(0, 0), (0, 0), (60, 0), (60, 0)])
    pixels = np.zeros((*shape, 3), np.uint8)
    pixels[:] = (40, 160, 60)
    for ring, colour in ((widest, (30, 150, 140)), (arris, (200, 40, 30))):
        cv2.fillPoly(pixels, [np.round(ring[:, ::-1]).astype(np.int32)], colour)
    camera = Camera(shape, 500.0, (288.0, 384.0), 0.0, 0.0, np.eye(3), np.zeros(3))
    hidden = np.zeros(shape, np.bool_)
    return OutlineScene(pixels, arris, arris, widest, hidden, camera, "flat")


def test_a_ribbon_is_red_where_it_says_face_and_not_elsewhere() -> None:
    scene = red_on_green()
    ribbons, taken = EdgeLessons(scene), 0
    for seed in range(12):
        got = ribbons.take(np.random.default_rng(seed))
        if got is None:
            continue
        taken += 1
        look, shows = got.look(NONE, NONE), got.shows
        assert look.shape == (STATIONS // 2, REACH, 23)
        assert not look[..., 19:].any()
        assert shows.shape == (STATIONS, 2 * REACH)
        inner = shows[::2, ::2] == FACE
        red = look[..., 1]  # red-green of each cell's first pixel
        redder = red > (red[inner].mean() + red[~inner].mean()) / 2
        assert 0.1 < inner.mean() < 0.9
        assert (redder == inner).mean() > 0.93
        # A click on the wood at a place of the answer is seen in the cell that holds it.
        at = np.argwhere(shows == FACE)[40]
        said = got.look(at[None].astype(np.float64), NONE)[..., 19]
        assert np.unravel_index(said.argmax(), said.shape) == tuple(at // 2)
    assert taken > 8


def test_a_ribbon_follows_what_was_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """What was found lies 40 px within the face: of the ribbon across it less is ground."""
    monkeypatch.setattr(outline_lessons, "_TOLD", 1.0)
    monkeypatch.setattr(outline_lessons, "_NEARER", 0.0)
    scene = red_on_green()
    middle = scene.arris.mean(axis=0)
    within = middle + (scene.arris - middle) * (0.68, 0.85)  # 40 px from each side
    face = {}
    for name, found in (("at it", scene.arris), ("within", within)):
        lessons = EdgeLessons(scene, found)
        took = [lessons.take(np.random.default_rng(seed)) for seed in range(12)]
        face[name] = np.mean([(each.shows == FACE).mean() for each in took if each is not None])
    assert face["at it"] == pytest.approx(0.5, abs=0.1)
    assert face["within"] > face["at it"] + 0.15


def test_a_lesson_of_the_nearer_look_is_red_where_it_says_face() -> None:
    """The slab is in a part of the photo; cells, classes and first looks are of that part."""
    scene = shrunk(red_on_green(), 1200)
    face = classes_of(scene) == FACE
    piece = np.asarray(shrunk_mask(face, 0.25))
    picture = NearPicture(
        scene.pixels, classes_of(scene), np.where(piece, 0.9, 0.1).astype(np.float32), piece
    )
    for seed in range(6):
        rng = np.random.default_rng(seed)
        canvas, cells, shows = picture.lesson(rng)
        assert cells.shape == (*CANVASES[canvas], 57)
        assert 0.2 < (shows == FACE).mean() < 0.9
        seen, says = near_lesson(rng, cells, shows)
        inner = says[::2, ::2] == FACE
        redness = seen[..., 1]
        redder = redness > (redness[inner].mean() + redness[~inner].mean()) / 2
        assert (redder == inner).mean() > 0.95
        told = seen[..., -4]
        assert told[inner].mean() > told[~inner].mean() + 0.4


def shrunk_mask(mask: NDArray[np.bool_], factor: float) -> NDArray[np.bool_]:
    """Return a mask so many times as large."""
    small = cv2.resize(mask.astype(np.uint8), None, fx=factor, fy=factor)
    return np.asarray(small > 0)


def test_batches_of_the_nearer_look_are_of_one_canvas() -> None:
    shows = np.full((300, 400), GROUND, np.uint8)
    shows[100:200, 50:350] = FACE
    piece = shrunk_mask(shows == FACE, 0.5)
    picture = NearPicture(np.zeros((300, 400, 3), np.uint8), shows, piece.astype(np.float32), piece)
    looks, classes = next(near_batches([picture], 2, 1)({}, None))
    assert looks.shape in [(2, *canvas, 57) for canvas in CANVASES]
    assert classes.shape == (2, 2 * looks.shape[1], 2 * looks.shape[2])


def test_a_lesson_is_red_where_it_says_face_however_it_was_made() -> None:
    scene = shrunk(red_on_green(), SIDE)
    agree = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        cells, shows = turned(rng, picture_lesson(rng, scene, scene))
        redness = cells[..., 1]  # red-green of each cell's first pixel
        face = shows[::2, ::2] == FACE
        if 0.02 < face.mean() < 0.98:
            agree.append(redness[face].mean() > redness[~face].mean() + 0.05)
        assert as_lesson(cells, NONE, NONE).shape == (72, 96, 57)
    assert sum(agree) >= 4  # of six; one is grey, as some cameras are


def test_cells_in_other_light_are_those_of_the_photo_in_that_light() -> None:
    rng = np.random.default_rng(6)
    lab, rough = (rng.normal(size=(8, 12, n)).astype(np.float32) for n in (3, 2))
    gain, shift = np.float32([1.2, 0.8, 0.8]), np.float32([0.02, -0.01, 0.01])
    want = cells_of(
        Small(lab * gain + shift, rough + np.float32(0.25 * np.log(1.2)), 1.0), NONE, NONE
    )
    got = in_other_light(cells_of(Small(lab, rough, 1.0), NONE, NONE), gain, shift)
    assert got == pytest.approx(want, abs=1e-5)


def test_the_slab_goes_on_behind_a_post_and_nobody_knows_behind_a_slab() -> None:
    """768 px wide: a post of 40 px is narrow, a slab of 200 px is not."""
    scene = red_on_green()
    hidden = np.zeros((576, 768), np.bool_)
    hidden[150:390, 500:540] = True
    hidden[150:400, 150:350] = True
    shows = classes_of(replace(scene, hidden=hidden, words="rack"))
    assert (shows[200:350, 500:540] == FACE).all()
    assert (shows[200:350, 160:340] == UNKNOWN).all()
    assert (shows[200:350, 360:490] == FACE).all()
    assert (classes_of(replace(scene, hidden=hidden))[200:350, 160:340] == FACE).all()


def test_what_is_laid_over_a_slab_says_so_where_it_leans() -> None:
    """Posts change what is seen but not what shows; a slab leaves only ground and unknown."""
    scene = red_on_green()
    before = classes_of(scene)
    leaned = 0
    for seed in range(6):
        picture, shows = covered(np.random.default_rng(seed), scene.pixels, before, scene)
        assert (picture != scene.pixels).any()
        changed = shows != before
        assert (shows[changed] == UNKNOWN).all()
        assert (before[changed] != GROUND).all()
        leaned += bool(changed.any())
    assert 0 < leaned < 6


def test_boards_under_a_slab_are_of_its_wood() -> None:
    """Some are red as the face is, others green as the scene's own ground."""
    scene = red_on_green()
    red = []
    for seed in range(12):
        ground = ground_for(np.random.default_rng(seed), scene, scene, (576, 768), 1.0)
        assert ground.shape == (576, 768, 3)
        red.append(ground[..., 0].mean() > ground[..., 1].mean())
    assert 2 <= sum(red) <= 10


@pytest.mark.parametrize("missed", [True, False])
def test_the_click_lies_in_the_largest_error_and_says_which_side(missed: bool) -> None:
    shows: NDArray[np.uint8] = np.full((60, 80), GROUND, np.uint8)
    shows[20:40, 20:60] = FACE
    chance = (shows == FACE).astype(np.float32)
    if missed:
        chance[20:40, 20:40] = 0
    else:
        chance[20:40, 60:75] = 1
    inside, outside = click_on(np.random.default_rng(1), chance, shows)
    row, col = (inside if missed else outside)[0]
    assert 20 <= row < 40
    assert (20 <= col < 40) if missed else (60 <= col < 75)


def test_half_of_a_batch_carries_the_click_it_would_get_next() -> None:
    """A net that calls everything ground misses the face: the click lies on it, inside."""
    shows = np.full((16, 24), GROUND, np.uint8)
    shows[4:12, 6:18] = FACE
    lessons = [Lesson(np.zeros((8, 12, 57), np.float16), shows)]

    def forward(net: Net, looks: NDArray[np.float32]) -> NDArray[np.float32]:
        out = np.zeros((len(looks), 16, 24, 4), np.float32)
        out[..., GROUND] = 5
        return out

    looks, seen = next(picture_batches(lessons, 4, 1)({}, forward))
    assert looks.shape == (4, 8, 12, 57)
    assert (seen == FACE).sum() == 4 * 96
    for look in looks[:2]:
        row, col = np.unravel_index(look[..., 53].argmax(), (8, 12))
        assert 2 <= row < 6
        assert 3 <= col < 9
    assert not looks[2:, ..., 53:].any()


def test_a_slab_before_another_scene_is_the_one_meant() -> None:
    """Both slabs are red: the one behind is ground, however much of it shows."""
    scene = red_on_green()
    before = classes_of(scene)
    made = [_before_another(np.random.default_rng(seed), scene, scene) for seed in range(8)]
    shown = [each for each in made if each is not None]
    assert len(shown) >= 4
    moved = 0
    for picture, shows in shown:
        assert picture.shape == (*shows.shape, 3)
        assert (shows == FACE).sum() >= ((before == FACE) & (shows == GROUND)).sum()
        moved += bool(((before == FACE) & (shows == GROUND)).any())
    assert moved
