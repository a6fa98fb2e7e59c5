"""Growing a region from clicks: hand-made pictures, a rendered face, real knots."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment import GrownRegion, RegionSearch, grow_region, grow_region_soft
from slabvision.segment.grow_colour import settled
from slabvision.segment.grow_field import best_cut, field_of, logit
from slabvision.segment.grow_look import INPUTS, SIDE, Said, Window, cells_of, depth_at, signed
from slabvision.segment.grow_tiles import Sheet, in_tiles, sheet_of
from slabvision.segment.growth import Growth
from slabvision.segment.network import answers
from slabvision.segment.window import BadClickError, BadPixelsError, Mask
from tests.benchmarks.click_protocol import click_through, deepest, next_click, overlap

WOOD, DARK = (188, 152, 110), (84, 58, 40)


def spot(
    shape: tuple[int, int] = (300, 400),
    middle: tuple[float, float] = (150, 200),
    half: tuple[float, float] = (30, 50),
    blur: float = 1.0,
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Pale wood with fine noise and a dark ellipse; pixels and truth."""
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    truth = ((yy - middle[0]) / half[0]) ** 2 + ((xx - middle[1]) / half[1]) ** 2 <= 1
    soft = cv2.GaussianBlur(truth.astype(np.float32), (0, 0), blur)[..., None]
    pixels = np.array(WOOD) * (1 - soft) + np.array(DARK) * soft
    noise = np.random.default_rng(4).normal(0, 4, (*shape, 1))
    return np.clip(pixels + noise, 0, 255).astype(np.uint8), truth


@pytest.mark.parametrize("half", [(12, 14), (30, 50), (20, 90)])
def test_a_click_in_a_dark_spot_gives_the_spot(half: tuple[float, float]) -> None:
    pixels, truth = spot(half=half)
    assert overlap(grow_region(pixels, [(150, 200)]), truth) > 0.8


def test_the_spot_is_found_from_a_click_beside_its_middle() -> None:
    pixels, truth = spot()
    assert overlap(grow_region(pixels, [(160, 225)]), truth) > 0.8


def test_every_kind_of_picture_is_read_alike() -> None:
    pixels, truth = spot()
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    alpha = np.dstack([pixels, np.full(truth.shape, 255, np.uint8)])
    expected = grow_region(pixels, [(150, 200)])
    assert (grow_region(alpha, [(150, 200)]) == expected).all()
    # Half a grey value more or less moves the clusters of colours a little.
    assert overlap(grow_region(pixels.astype(np.uint16) * 257, [(150, 200)]), expected) > 0.9
    assert overlap(grow_region(pixels / 255.0, [(150, 200)]), expected) > 0.9
    # Without colour less can be told.
    assert overlap(grow_region(grey, [(150, 200)]), truth) > 0.5


def test_every_click_gets_its_way_and_the_same_call_gives_the_same_answer() -> None:
    pixels, _ = spot()
    rng = np.random.default_rng(8)
    inside = np.column_stack([rng.uniform(100, 200, 6), rng.uniform(130, 270, 6)])
    outside = np.column_stack([rng.uniform(100, 200, 6), rng.uniform(130, 270, 6)])
    mask = grow_region(pixels, inside, outside)
    assert mask.dtype == np.bool_
    assert mask.shape == pixels.shape[:2]
    for points, value in ((inside, True), (outside, False)):
        at = np.rint(points).astype(int)
        assert (mask[at[:, 0], at[:, 1]] == value).all()
    assert (grow_region(pixels, inside, outside) == mask).all()


def test_the_order_of_clicks_is_heard() -> None:
    """Two clicks told in the order that would be guessed give the same region."""
    pixels, _ = spot()
    inside, outside = [(150, 200), (150, 260)], [(190, 200)]
    growth = Growth(pixels, np.array(inside[0], float))
    first = growth.wrong(np.array(inside[1]), True) >= growth.wrong(np.array(outside[0]), False)
    guessed = grow_region(pixels, inside, outside)
    told = grow_region(pixels, inside, outside, order=[True, first, not first])
    assert (told == guessed).all()
    late = grow_region(pixels, inside, outside, order=[False, True, True])
    assert (late == grow_region(pixels, inside, outside, order=[True, False, True])).all()


def test_corrections_lead_to_a_region_that_no_colour_shows() -> None:
    """The left half of a dark ellipse: only clicks can say where it ends."""
    pixels, truth = spot(half=(40, 60))
    truth[:, 200:] = False
    session = click_through(lambda i, o: grow_region(pixels, i, o), truth, 0.85)
    assert session.clicks(0.8) <= 3
    assert session.clicks(0.85) <= 15


def test_a_region_cut_by_the_frame_and_clicks_on_the_frame() -> None:
    pixels, truth = spot(middle=(0, 200))
    mask = grow_region(pixels, [(8, 200)])
    assert overlap(mask, truth) > 0.6
    for corner in ((-0.5, -0.5), (299.5, 399.5)):
        assert grow_region(pixels, [corner]).any()


@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (7, 9), (40, 3)])
def test_tiny_pictures(shape: tuple[int, int]) -> None:
    pixels = np.full((*shape, 3), 128, np.uint8)
    assert grow_region(pixels, [(0, 0)])[0, 0]


def test_a_flat_picture_gives_something_round_the_click() -> None:
    mask = grow_region(np.full((600, 600, 3), 150, np.uint8), [(300, 300)])
    assert mask[300, 300]
    assert mask.mean() < 0.1


def test_far_away_pixels_do_not_matter() -> None:
    pixels, _ = spot((2400, 2600), (1200, 1300), (25, 30))
    expected = grow_region(pixels, [(1200, 1300)])
    changed = pixels.copy()
    changed[:300] = 0
    changed[:, -300:] = 255
    assert (grow_region(changed, [(1200, 1300)]) == expected).all()


def test_a_soft_border_makes_the_area_less_sure() -> None:
    sharp = grow_region_soft(spot(blur=1)[0], [(150, 200)])
    soft = grow_region_soft(spot(blur=12)[0], [(150, 200)])
    assert isinstance(sharp, GrownRegion)
    assert sharp.area_px == np.count_nonzero(sharp.mask)
    assert soft.area_u_px > sharp.area_u_px > 0
    assert soft.border_u_px > sharp.border_u_px > 0


def test_errors_say_what_is_wrong() -> None:
    pixels, _ = spot()
    with pytest.raises(BadClickError, match="click once in the middle"):
        grow_region(pixels, [])
    with pytest.raises(BadClickError, match=r"row 500, col 3\) is outside"):
        grow_region(pixels, [(500, 3)])
    with pytest.raises(BadClickError, match=r"row 150, col 200\) was clicked inside and outside"):
        grow_region(pixels, [(150, 200)], [(150.2, 199.9)])
    with pytest.raises(BadClickError, match="order is of 1 clicks inside and 1 outside; 1 and 0"):
        grow_region(pixels, [(150, 200)], order=[True, False])
    with pytest.raises(KeyError, match=r"knothole.*sound_knot"):
        grow_region(pixels, [(150, 200)], kind="knothole")
    with pytest.raises(BadPixelsError, match="shape"):
        grow_region(np.zeros(5), [(0, 0)])


# What the net is shown and what is made of its answer -------------------------------------------


def test_a_window_shows_the_photo_where_it_lies() -> None:
    """One bright pixel at row 61, col 140; windows finer, as fine, and coarser than the photo."""
    pixels = np.zeros((200, 300, 3), np.uint8)
    pixels[61, 140] = 255
    for side in (48.0, 96.0, 288.0):
        window = Window(np.array([70.0, 150.0]), side)
        seen = window.seen_in(pixels)
        at = np.unravel_index(int(seen[..., 0].argmax()), (SIDE, SIDE))
        # (61 - 70) / step + 47.5
        expected = np.array([-9, -10]) * SIDE / side + (SIDE - 1) / 2
        assert np.abs(np.array(at) - expected).max() <= max(0.51, 0.51 * SIDE / side)
        assert window.places(np.array([61.0, 140.0])) == pytest.approx(expected)
    known = Window(np.array([0.0, 150.0]), 96.0).known_in(pixels.shape)
    assert known[48:].all()
    assert not known[:47].any()


def test_a_field_moves_with_its_window() -> None:
    yy, xx = np.mgrid[:SIDE, :SIDE].astype(np.float32)
    field = (20 - np.hypot(yy - 47.5, xx - 47.5)).astype(np.float32)
    here, there = Window(np.array([100.0, 100.0]), 96.0), Window(np.array([110.0, 100.0]), 192.0)
    moved = here.moved(field, there)
    assert np.count_nonzero(moved > 0) == pytest.approx(np.pi * 10**2, rel=0.05)
    # The middle lies 10 px higher: 5 places of 2 px.
    assert np.argwhere(moved > 0).mean(axis=0) == pytest.approx([42.5, 47.5], abs=0.1)


def test_how_deep_a_click_lies_and_the_distance_to_a_border() -> None:
    region = np.zeros((SIDE, SIDE), bool)
    region[20:60, 30:70] = True
    assert depth_at(region, np.array([39.6, 49.8])) == pytest.approx(20, abs=1)
    assert depth_at(region, np.array([40.0, 20.0])) == pytest.approx(10, abs=1)
    assert signed(region)[40, 50] > 0 > signed(region)[5, 5]


def test_what_the_net_is_told() -> None:
    seen = np.full((SIDE, SIDE, 3), 120, np.uint8)
    seen[:, 48:] = 180
    known = np.ones((SIDE, SIDE), bool)
    said = [Said(np.array([20.5, 30.5]), True, 0.0), Said(np.array([60.5, 70.5]), False, 12.0)]
    cells = cells_of(seen, known, known, said)
    assert cells.shape == (SIDE // 2, SIDE // 2, INPUTS)
    assert np.isfinite(cells).all()
    assert np.unravel_index(cells[..., 18].argmax(), (48, 48)) == (10, 15)
    assert np.unravel_index(cells[..., 20].argmax(), (48, 48)) == (30, 35)
    # Twelve places, six cells, from a click in an error twelve places deep: exp(-1/2).
    assert cells[30, 41, 21] == pytest.approx(np.exp(-0.5), abs=1e-3)
    assert cells[30, 35, 22] < 0, "the latest click says outside"
    assert not np.allclose(cells, cells_of(seen, known, None, said))
    brighter = cells_of(np.clip(seen + 20, 0, 255).astype(np.uint8), known, known, said)
    assert np.abs(brighter[..., :12] - cells[..., :12]).max() < 0.3, "exposure says little"


def test_the_cut_that_overlaps_best() -> None:
    """A sure region of 100 places, and 60 more at 45 %: by hand, with them 127/160."""
    chance = np.zeros((SIDE, SIDE), np.float32)
    chance[10:20, 10:20] = 1
    chance[30:40, 30:36] = 0.45
    cut, expected = best_cut(chance)
    assert cut < 0.45
    assert expected == pytest.approx(127 / 160)
    chance[30:40, 30:36] = 0.4
    assert best_cut(chance)[1] == pytest.approx(100 / 124)


def test_every_click_is_right_and_a_piece_without_one_goes() -> None:
    chance = np.full((SIDE, SIDE), 0.1, np.float32)
    chance[40:60, 40:60] = 0.9
    chance[10:20, 70:80] = 0.9
    said = [
        Said(np.array([50.0, 45.0]), True, 0.0),
        Said(np.array([50.0, 57.0]), False, 4.0),
        Said(np.array([80.0, 50.0]), True, 6.0),
    ]
    field = field_of(chance, 0.5, said)
    assert field[50, 45] > 0 > field[50, 57]
    assert field[80, 50] > 0
    assert (field[10:20, 70:80] < 0).all(), "no click lies there"
    assert field[42, 42] > 0, "elsewhere it stayed"
    # Two clicks so near each other that both fall on one place: there is a region still.
    both = [Said(np.array([50.2, 45.0]), True, 0.0), Said(np.array([49.9, 45.2]), False, 0.0)]
    assert (field_of(chance, 0.5, both) > 0).any()


def test_a_thin_region_is_looked_at_again_in_fine_tiles() -> None:
    """A ragged bar 12 px wide and 400 long, seen at 8 px a place; a look through a tile is true."""

    def wanted(row: Any, col: Any) -> NDArray[np.bool_]:
        return np.asarray(
            (np.abs(row - 300 - 4 * np.sin(col / 15)) < 6) & (np.abs(col - 500) < 200)
        )

    window = Window(np.array([300.0, 500.0]), 8.0 * SIDE)
    places = np.arange(SIDE) - (SIDE - 1) / 2

    def through(seen: Window, before: Mask, said: list[Said]) -> NDArray[np.float32]:
        at = places * seen.step
        looked.append(seen)
        truth = wanted(seen.middle[0] + at[:, None], seen.middle[1] + at[None])
        assert overlap(before, truth) > 0.3, "the tile is shown what was found, where it lies"
        return np.where(truth, 0.95, 0.05).astype(np.float32)

    looked: list[Window] = []
    rough = np.abs(places * 8)[:, None] < 8
    rough = rough & (np.abs(places * 8) < 200)[None]
    chance = np.where(rough, 0.8, 0.1).astype(np.float32)
    coarse = sheet_of(window, chance, logit(chance))
    said = [Said(np.array([300.0, 500.0]), True, 0.0)]
    fine = in_tiles(coarse, said, through)
    assert 5 <= len(looked) <= 12
    assert fine.step == pytest.approx(1.0)
    row, col = (fine.start[k] + fine.step * np.arange(n) for k, n in enumerate(fine.field.shape))
    assert overlap(fine.field > 0, wanted(row[:, None], col[None])) > 0.9
    # A thick one is as it was.
    thick = np.hypot(*np.meshgrid(places, places)) < 30
    chance = np.where(thick, 0.8, 0.1).astype(np.float32)
    coarse = sheet_of(window, chance, logit(chance))
    assert in_tiles(coarse, said, through) is coarse


def test_colour_settles_the_border_where_it_tells_inside_from_outside() -> None:
    """A dark star of five arms, found as a disc; on plain wood the disc stays as it was."""
    yy, xx = np.mgrid[:120, :120] - 60.0
    star = np.hypot(yy, xx) < 30 + 12 * np.cos(5 * np.arctan2(yy, xx))
    rng = np.random.default_rng(1)
    image = np.where(star[..., None], DARK, WOOD) + rng.normal(0, 8, (120, 120, 3))
    image = np.clip(image, 0, 255).astype(np.uint8)
    disc = np.hypot(yy, xx) < 30
    chance = np.where(disc, 0.9, 0.1).astype(np.float32)
    found = Sheet(np.zeros(2), 1.0, chance, logit(chance))
    said = [Said(np.array([60.0, 60.0]), True, 0.0)]

    def where(sheet: Sheet) -> NDArray[np.bool_]:
        out = np.zeros((300, 300), bool)
        at = np.rint(sheet.start).astype(int) + 80
        rows, cols = sheet.field.shape
        out[at[0] : at[0] + rows, at[1] : at[1] + cols] = sheet.field > 0
        return out[80:200, 80:200]

    assert overlap(disc, star) < 0.75
    assert overlap(where(settled(found, said, image)), star) > 0.9
    plain = np.clip(np.array(WOOD) + rng.normal(0, 8, (120, 120, 3)), 0, 255).astype(np.uint8)
    assert overlap(where(settled(found, said, plain)), disc) > 0.9
    # A click has the last word, whatever its colour is.
    held = [*said, Said(np.array([60.0, 98.0]), False, 0.0)]
    assert not where(settled(found, held, image))[60, 98]


# What was learned ------------------------------------------------------------------------------


def test_weights_are_plain_numbers_and_small() -> None:
    from slabvision.segment import unet

    assert Path(unet.__file__).with_name("grow.npz").stat().st_size < 700_000
    net = unet.load_unets("grow")["grow"]  # np.load refuses pickles
    assert all(np.isfinite(w).all() for w in net.values())
    assert net["down.0.0.w"].shape[2] == INPUTS


def test_a_network_by_hand() -> None:
    weights = {
        "mean": np.array([1, 0], np.float32), "spread": np.array([2, 1], np.float32),
        "w0": np.array([[1, -1], [1, 0]], np.float32), "b0": np.array([0, 0.5], np.float32),
        "w1": np.array([[2], [10]], np.float32), "b1": np.array([0.25], np.float32),
    }  # fmt: skip
    # (3, 1) -> (1, 1) -> (2, -0.5) -> rectified (2, 0) -> 4.25
    assert answers(np.array([[3, 1]], np.float32), weights)[0, 0] == pytest.approx(4.25)
    # Beyond 5 spreads nothing changes: (1000, 1) counts as (11, 1) -> (5, 1) -> (6, -4.5) -> 12.25
    assert answers(np.array([[1000, 1]], np.float32), weights)[0, 0] == pytest.approx(12.25)


# Lessons ---------------------------------------------------------------------------------------


def test_lessons_get_the_click_that_the_answer_needs(tmp_path: Path) -> None:
    from tests.benchmarks.grow_lessons import Pool, places_of

    pixels, truth = spot()
    file = tmp_path / "face.npz"
    np.savez(file, pixels=pixels, wood=np.ones_like(truth), labels=truth.astype(np.uint16),
             faint=np.zeros_like(truth), numbers=[1], kinds=["sound_knot"])  # fmt: skip
    (place,) = places_of(file)
    assert place.kind == "knot"
    assert np.count_nonzero(place.truth) == np.count_nonzero(truth)
    assert np.count_nonzero(place.near[1]) == np.count_nonzero(truth)
    pool = Pool([place], 4, 0)
    looks, shows = next(pool.batches(None, None))
    assert looks.shape == (4, SIDE // 2, SIDE // 2, INPUTS)
    assert shows.shape == (4, SIDE, SIDE)
    taken = [pool.flight[k] for k in pool.shown]
    for lesson in taken:
        lesson.looks = 9
        lesson.before = np.zeros((SIDE, SIDE), bool)
    everything = np.zeros((4, SIDE, SIDE, 2), np.float32)
    everything[..., 1] = 9
    pool.heard(everything)
    for k, lesson in zip(pool.shown, taken, strict=True):
        assert pool.flight[k] is lesson
        latest = lesson.said[-1]
        assert not latest.inside, "all was shown as the region"
        assert not lesson.truth[tuple(np.rint(latest.point).astype(int))]


# The protocol ----------------------------------------------------------------------------------


def test_the_next_click_is_the_deepest_point_of_the_largest_error() -> None:
    truth, mask = np.zeros((2, 40, 40), bool)
    truth[10:21, 10:31] = True
    assert deepest(truth)[0][0] == 15
    assert next_click(mask, truth) == (deepest(truth)[0], True)
    mask[10:21, 10:31] = True
    mask[0:5, 0:5] = True
    assert next_click(mask, truth) == ((2, 2), False)


def test_clicks_are_counted_until_the_target() -> None:
    truth = np.zeros((60, 60), bool)
    truth[20:40, 20:40] = True

    def slow(inside: list, outside: list) -> NDArray[np.bool_]:
        mask = np.zeros_like(truth)
        mask[20:40, 20 : 20 + 5 * len(inside)] = True
        return mask

    session = click_through(slow, truth)
    assert session.overlaps == (0.25, 0.5, 0.75, 1.0)
    assert session.clicks(0.7) == 3
    assert session.clicks(0.85) == 4
    never = click_through(lambda i, o: np.zeros_like(truth), truth)
    assert never.clicks(0.85) == 20


# Rendered and real -----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.real_photos
def test_real_knots(real_photos: Path) -> None:
    """Published knot boxes (VSB-TUO, CC BY 4.0), the ellipse in each; even photos kept apart."""
    from tests.benchmarks.grow_table import real

    gained = []
    for case in list(real(real_photos, apart=False))[1:5]:
        session = click_through(
            lambda i, o, case=case: grow_region(case.pixels, i, o), case.truth, 0.6
        )
        gained.append(max(session.overlaps) - session.overlaps[0])
    assert np.mean(gained) > 0.15


def test_a_search_gives_what_all_clicks_at_once_give_and_looks_for_the_last_one_only() -> None:
    """By hand: five windows for the first click, no more for a click that was taken back."""
    pixels, _ = spot(half=(30, 50))
    inside, outside = [(150.0, 200.0), (150.0, 262.0)], [(110.0, 200.0)]
    search, told = RegionSearch(pixels), [True, True, False]
    for count in (1, 2, 3):
        ins, outs = inside[: min(count, 2)], outside[: max(count - 2, 0)]
        found = search.region(ins, outs, order=told[:count])
        at_once = grow_region(pixels, ins, outs, order=told[:count])
        assert (found.mask == at_once).all()
    known = dict(search._known)
    assert len(known) == 3
    back = search.region(inside, order=told[:2])
    assert (back.mask == grow_region(pixels, inside, order=told[:2])).all()
    assert search._known == known
    other = search.region([(40.0, 40.0)])
    assert (other.mask == grow_region(pixels, [(40.0, 40.0)])).all()
    assert len(search._known) == 1


def test_a_region_stays_as_it_is_when_another_click_goes_on_from_it() -> None:
    pixels, _ = spot()
    growth = Growth(pixels, np.array([150.0, 200.0]))
    before = growth.finish()[0]
    after = growth.after(np.array([150.0, 280.0]), True)
    assert after.finish()[0][150, 280]
    assert not before[150, 280]
    assert (growth.finish()[0] == before).all()
    assert (len(growth.said), len(after.said)) == (1, 2)


def test_a_search_refuses_a_kind_that_is_none() -> None:
    with pytest.raises(KeyError):
        RegionSearch(spot()[0], "knothole")
