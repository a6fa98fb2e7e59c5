"""Where a slab lies along, what bow does to a photo of it, and what scale does not stretch."""

from __future__ import annotations

from types import SimpleNamespace

import cv2
import numpy as np
import pytest
import shapely
from shapely import affinity
from skimage.draw import polygon2mask
from skimage.measure import regionprops

from slabvision.bent import bend_of
from slabvision.boundary import Hand
from slabvision.clear.region import Trims, clear_region
from slabvision.clear.shapes import DefectShape, FaceShape, long_axis
from slabvision.clear.worlds import Worlds, clear_areas
from slabvision.defects import KeepOut
from slabvision.estimate import named_normals
from slabvision.face import slab_length
from slabvision.plane import Camera, Rectangle, fit_plane
from slabvision.record import PhotoEntry, RectangleMark, TapeMark

# Long axis ---------------------------------------------------------------------------------------


def test_long_axis_agrees_with_the_orientation_of_a_region():
    # scikit-image's regionprops: the same second moments, summed over pixels
    ring = np.array([(30, 40), (90, 400), (170, 420), (200, 250), (150, 60)], float)
    (region,) = regionprops(polygon2mask((260, 460), ring).astype(np.uint8))
    along = long_axis(shapely.Polygon(ring[:, ::-1]))
    theirs = np.array([np.sin(region.orientation), np.cos(region.orientation)])
    assert abs(along @ theirs) == pytest.approx(1.0, abs=1e-5)


def test_long_axis_of_a_slab_with_an_opening_and_as_wide_as_long():
    slab = shapely.box(-1000, -300, 1000, 300) - shapely.box(-700, -250, -100, 50)
    turned = long_axis(affinity.rotate(slab, 20, origin=(0, 0)))
    plain = long_axis(slab)
    angle = np.degrees(np.arctan2(*turned[::-1]) - np.arctan2(*plain[::-1]))
    assert angle == pytest.approx(20, abs=1e-6)
    square = affinity.rotate(shapely.box(0, 0, 500, 480), 7)
    assert np.degrees(np.arctan2(*long_axis(square)[::-1])) == pytest.approx(7, abs=1e-6)


def test_a_wobbling_hand_hardly_turns_it():
    rng = np.random.default_rng(0)
    u = np.linspace(0, 2400, 60)
    edge = np.concatenate([np.column_stack([u, 0 * u]), np.column_stack([u[::-1], 700 + 0 * u])])
    turns = []
    for _ in range(50):
        along = long_axis(shapely.Polygon(edge + rng.normal(0, 1.5, edge.shape)))
        turns.append(np.degrees(np.arctan2(along[1], along[0])))
    assert np.max(np.abs(turns)) < 0.06


# Bow and cup -------------------------------------------------------------------------------------

SHEET = np.array([(-600.0, -300), (600, -300), (600, 300), (-600, 300)])
CAMERA = Camera((3000, 4000), focal_px=3000.0, focal_u=1e-4, k1_u=0.0, centre_u=0.0)


def _seen(world: np.ndarray, tilt_deg: float, distance: float) -> np.ndarray:
    """(row, col) of points (u, v, depth below the plane) by OpenCV, the camera ``distance`` off."""
    tilt = np.array([np.radians(tilt_deg), 0.0, 0.0])
    turn, _ = cv2.Rodrigues(tilt)
    matrix = np.array([[3000, 0, 1999.5], [0, 3000, 1499.5], [0, 0, 1.0]])
    pixels, _ = cv2.projectPoints(
        world @ turn.T + (0, 0, distance), np.zeros(3), np.zeros(3), matrix, None
    )
    return np.asarray(pixels[:, 0, ::-1])


@pytest.mark.parametrize("tilt_deg", [0.0, 40.0])
def test_bent_wood_is_found_where_it_lies(tilt_deg):
    # a face with 5 mm of bow and 3 of cup, seen by OpenCV; the sheet lies flat at its middle
    bow, cup, half = 5.0, 3.0, (900.0, 300.0)
    sheet = np.array([(-150, -100), (150, -100), (150, 100), (-150, 100)], float)
    middle = np.column_stack([sheet, np.full(4, -(bow + cup) / 3)])
    corners = _seen(middle, tilt_deg, 2600.0)
    mark = RectangleMark(name="sheet", corners=[tuple(p) for p in corners.tolist()], width_mm=300,
                         height_mm=200, place="face")  # fmt: skip
    plane = fit_plane([Rectangle(corners, 300, 200, 0.02)], CAMERA, click_px=0.02, draws=50)
    axis = np.array([(0, 0, middle[0, 2]), (150, 0, middle[0, 2])])
    plane = plane.aligned(*_seen(axis, tilt_deg, 2600.0))
    at = np.array([(-800, -250), (0, 280), (850, 0), (500, -200)], float)
    drop = bow * ((at[:, 0] / half[0]) ** 2 - 1 / 3) + cup * ((at[:, 1] / half[1]) ** 2 - 1 / 3)
    found = plane.to_mm(_seen(np.column_stack([at, drop]), tilt_deg, 2600.0))
    entry = PhotoEntry(file="a.jpg", sha256="0" * 64, shape=(3000, 4000), marks=[mark])
    bounds = (-half[0], -half[1], half[0], half[1])
    moved = found.copy()
    for name, size in (("bow", bow), ("cup", cup)):
        amounts = {"bow_u_mm": 0.0, "cup_u_mm": 0.0} | {f"{name}_u_mm": 1.0}
        way = bend_of(entry, plane, bounds, **amounts)(found)
        moved += size * way[0] / named_normals(f"{name}:{entry.sha256}", plane.draws)[0]
    before, after = (np.linalg.norm(p - at, axis=1).max() for p in (found, moved))
    assert before > 1.5  # mm: there is something to find
    assert after < 0.15 * before


def test_a_tape_along_the_slab_bends_with_it():
    # along a tape that follows the bow the plane has taken up its mean; across it is level
    along = np.array([(-900.0, 0), (-450, 0), (0, 0), (450, 0), (900, 0)])
    plane = fit_plane(
        [Rectangle(_seen(np.column_stack([SHEET, np.zeros(4)]), 0.0, 2600.0), 1200, 600)],
        CAMERA, draws=50,
    )  # fmt: skip
    plane = plane.aligned((1499.5, 1999.5), (1499.5, 2999.5))
    points = [tuple(p) for p in plane.to_pixels(along).tolist()]
    mm = (along[:, 0] + 900).tolist()
    bounds = (-900.0, -300.0, 900.0, 300.0)

    def stretch(place: str) -> float:
        mark = TapeMark(name="tape", points=points, mm=mm, place=place)
        entry = PhotoEntry(file="a.jpg", sha256="1" * 64, shape=(3000, 4000), marks=[mark])
        ends = bend_of(entry, plane, bounds, bow_u_mm=4.0, cup_u_mm=0.0)(along[[0, -1]])
        return float(np.std(ends[:, 1, 0] - ends[:, 0, 0]))

    # By hand: x² at -1, -1/2, 0, 1/2, 1 has the mean 1/2; the ends stand off by 1 - 1/2 of 4 mm
    # beside the tape and by 1 - 1/3 where the reference lies on the ground; 1800 mm over 2600 mm.
    assert stretch("face") == pytest.approx(4 * 1 / 2 * 1800 / 2600, rel=0.25)
    assert stretch("ground") / stretch("face") == pytest.approx((2 / 3) / (1 / 2), rel=0.01)


# What scale does not stretch ---------------------------------------------------------------------


def test_trims_and_fixed_keep_outs_are_not_stretched():
    # by hand: in a world 1 % larger the trims are 100 mm still, and so is a check's keep-out
    check = DefectShape(1, "surface_check", shapely.box(900, 298, 1200, 302))
    face = FaceShape(shapely.box(0, 0, 2000, 600), (check,))
    keep = {"surface_check": KeepOut(along_mm=50.0, across_mm=40.0)}
    region = clear_region(face, trims=Trims(100, 100, 20, 20), keep_outs=keep)
    scale = np.array([1.0, 1.01, 0.99])
    worlds = Worlds(warp=lambda p: scale[:, None, None] * p[None], draws=3)
    areas = clear_areas(region, worlds).with_keep_outs.estimate.draws
    exact = [
        (2000 * s - 200) * (600 * s - 40) - (300 * s + 100) * (4 * s + 80) for s in scale.tolist()
    ]
    assert areas == pytest.approx(exact, rel=5e-4)  # corners: which side is nearer
    # stretched with the rest it would be off by 2 in 1000
    stretched = region.area_mm2 * scale**2
    assert np.max(np.abs(stretched / exact - 1)) > 2e-3


def test_a_knot_drawn_larger_asks_for_more_all_round():
    # the hand's offset moves the knot's own edge and, by its diameter, the keep-out beyond it
    knot = DefectShape(1, "sound_knot", shapely.Point(1000, 300).buffer(40, quad_segs=64))
    face = FaceShape(shapely.box(0, 0, 2000, 600), (knot,))
    steady = Hand(offset_px=0, offset_mm=1.0, wobble_px=0, wobble_mm=0)
    worlds = Worlds(hand=steady, draws=400)
    more = {"sound_knot": KeepOut(along_diameters=1.0, across_diameters=1.0)}
    plain = {"sound_knot": KeepOut(along_mm=80.0, across_mm=80.0)}
    off = worlds.offset("defect 1")
    arris = worlds.area_change("arris", 5200.0)
    for keep, slope in ((more, 3.0), (plain, 1.0)):
        region = clear_region(face, keep_outs=keep)
        change = clear_areas(region, worlds).with_keep_outs.estimate.draws - region.area_mm2
        edge = region.removals[0].shape.length
        taken = np.polyfit(off, change - arris, 1)[0]
        # round a corner of the box the normal is slanted: its share of the two grows together
        assert -taken / edge == pytest.approx(slope, rel=0.03)


# Length ------------------------------------------------------------------------------------------


def test_length_has_the_doubt_of_the_places_it_is_measured_at():
    # by hand: ends slanted so that the outermost places lie at v = 400, where this plane is
    # unsure by 4 % of u; half way across it is sure
    outline = shapely.Polygon([(100, 0), (1900, 0), (2000, 400), (0, 400)])
    slack = 0.04 * np.random.default_rng(1).standard_normal(400)

    def warp(points):
        stretch = slack[:, None] * (points[None, :, 1] - 200.0) / 200.0
        return np.stack([points[:, 0] * (1 + stretch), 0 * stretch + points[:, 1]], axis=2)

    view = SimpleNamespace(shape=FaceShape(outline), worlds=Worlds(warp=warp, draws=400))
    found = slab_length(view)
    assert found.estimate.value == pytest.approx(2000.0)
    assert np.std(found.parts["plane"]) == pytest.approx(2000 * np.std(slack), rel=1e-6)


def test_a_wobbly_end_is_not_taken_at_its_outermost():
    # a sawn end drawn every 10 mm with a wobble of 1.5 mm: its outermost place lies 2 to 3 mm out
    hand = Hand(offset_px=0, offset_mm=0.0, wobble_px=0, wobble_mm=1.5, correlation_mm=40.0)
    raw, taken = [], []
    v = np.arange(0.0, 700.0, 10.0)
    for n in range(12):
        u, _ = Worlds(hand=hand, key=f"end {n}", draws=2).wobble("arris", 6200.0)
        ends = [np.interp(v + 1500 * k, np.linspace(0, 6200, u.shape[1]), u[0]) for k in (0, 1)]
        left, right = np.column_stack([-ends[0], v]), np.column_stack([2400 + ends[1], v])
        ring = np.vstack([left, right[::-1]])
        outline = shapely.Polygon(ring)
        worlds = Worlds(hand=hand, key=f"drawn {n}", draws=400)
        found = slab_length(SimpleNamespace(shape=FaceShape(outline), worlds=worlds))
        raw.append(np.ptp(ring[:, 0]) - 2400)
        taken.append(found.estimate.value - 2400)
    assert np.mean(raw) > 3.0
    assert np.mean(taken) < 0.72 * np.mean(raw)
    assert np.mean(taken) > 0.0  # taken off in part, not too much
