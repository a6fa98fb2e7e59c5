"""Clear region: keep-outs along the local grain, trims, what takes how much."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon

from slabvision.clear.grain import local_grain
from slabvision.clear.keepouts import sum_with_box
from slabvision.clear.region import Trims, clear_region
from slabvision.clear.shapes import BadOutlineError, DefectShape, FaceShape, sides
from slabvision.defects import KeepOut

IN = 25.4


def plank(*defects: DefectShape, **more: object) -> FaceShape:
    return FaceShape(shapely.box(0, 0, 2000, 600), tuple(defects), **more)  # type: ignore[arg-type]


def swept(radius_mm: float = 3000.0, width_mm: float = 600.0, turn_deg: float = 40.0) -> Polygon:
    """A slab bent to an arc: its grain is the arc, known exactly."""
    a = np.radians(np.linspace(-turn_deg / 2, turn_deg / 2, 200))
    arc = np.column_stack([np.sin(a), 1 - np.cos(a)])
    centre = np.array([0.0, radius_mm])
    inner = centre + (radius_mm - width_mm / 2) * (arc - (0, 1))
    outer = centre + (radius_mm + width_mm / 2) * (arc - (0, 1))
    return Polygon(np.vstack([inner, outer[::-1]]))


def test_a_check_takes_its_strip_and_no_more():
    # 300 x 4 mm surface check: 1 in beyond each tip, 1/4 in each side (common practice)
    region = clear_region(plank(DefectShape(1, "surface_check", shapely.box(800, 300, 1100, 304))))
    assert region.as_seen_mm2 == pytest.approx(2000 * 600 - 300 * 4)
    strip = (300 + 2 * IN) * (4 + 2 * IN / 4)
    assert region.area_mm2 == pytest.approx(2000 * 600 - strip, rel=1e-9)
    assert region.removals[0].name == "surface check 1"
    assert region.removals[0].alone_mm2 == pytest.approx(strip)


def test_keep_outs_follow_species_thickness_and_wet_face():
    check = DefectShape(1, "end_check", shapely.box(0, 300, 200, 303))
    gone = [
        clear_region(plank(check), **options).removals[0].alone_mm2
        for options in ({}, {"species": "black walnut"}, {"thickness_mm": 2.5 * IN})
    ]
    width = 3 + IN
    assert gone == pytest.approx([(200 + 3 * IN) * width] + 2 * [(200 + 6 * IN) * width])
    wet = DefectShape(1, "surface_check", shapely.box(800, 300, 1100, 304))
    region = clear_region(plank(wet), wet_face=True)
    assert region.removals[0].alone_mm2 == pytest.approx((300 + 4 * IN) * (4 + IN))


def test_avoid_accept_fill():
    hole = DefectShape(4, "hole", shapely.box(900, 200, 1000, 300))
    avoided = clear_region(plank(hole))
    filled = clear_region(plank(hole), treatments={"hole": "fill"})
    accepted = clear_region(plank(hole), treatments={"hole": "accept"})
    assert avoided.area_mm2 < 1.2e6 - 100 * 100
    assert filled.area_mm2 == accepted.area_mm2 == pytest.approx(1.2e6)
    assert [d.number for d in filled.fills] == [4]
    assert accepted.fills == ()
    own = DefectShape(4, "hole", hole.shape, treatment="accept")
    assert clear_region(plank(own)).area_mm2 == pytest.approx(1.2e6)


def test_pith_runs_to_both_ends_parallel_to_the_grain():
    pith = DefectShape(1, "pith", shapely.box(900, 295, 1100, 305))
    region = clear_region(plank(pith))
    assert region.gross_mm2 - region.area_mm2 == pytest.approx(2000 * (10 + 2 * 1.5 * IN))
    assert len(region.with_keep_outs.geoms) == 2


def test_a_slanting_pith_leaves_each_tip_where_it_is():
    line = LineString([(400, 200), (1600, 400)])
    pith = DefectShape(1, "pith", Polygon(), centre_line=line)
    keep = {"pith": KeepOut(across_mm=30, to_both_ends=True)}
    grain = local_grain(plank())
    region = clear_region(plank(pith), keep_outs=keep, grain=grain)
    # near end A only the band round v = 200 is taken, near end B round v = 400
    assert region.with_keep_outs.contains(Point(100, 300))
    assert not region.with_keep_outs.contains(Point(100, 205))
    assert region.with_keep_outs.contains(Point(1900, 300))
    assert not region.with_keep_outs.contains(Point(1900, 395))


def test_keep_out_in_diameters_of_a_knot():
    # sound knot 40 x 40: 3/4 of its diameter along, 3/8 across (common practice)
    region = clear_region(plank(DefectShape(1, "sound_knot", shapely.box(1000, 300, 1040, 340))))
    bounds = region.removals[0].shape.bounds
    assert bounds == pytest.approx((970, 285, 1070, 355))


def test_keep_out_of_a_split_is_its_own_length_within_limits():
    for length, along in ((20, 3 * IN), (150, 150), (900, 12 * IN)):
        split = DefectShape(1, "through_check", shapely.box(500, 300, 500 + length, 302))
        bounds = clear_region(plank(split)).removals[0].shape.bounds
        assert bounds[2] - bounds[0] == pytest.approx(length + 2 * along)


def test_trims_are_separate_and_take_their_strips():
    region = clear_region(plank(), trims=Trims(left=100, right=50, top=10, bottom=0))
    assert region.area_mm2 == pytest.approx((2000 - 150) * (600 - 10), rel=1e-6)
    names = [r.name for r in region.removals]
    assert names == ["trim at end A", "trim at end B", "trim at top edge"]
    usual = Trims.usual(coated={"left"})
    assert (usual.left, usual.right, usual.top) == pytest.approx((2 * IN, 4 * IN, IN / 4))
    with pytest.raises(ValueError, match="-3"):
        Trims(left=-3)


def test_no_trim_where_the_frame_cuts_the_slab():
    region = clear_region(plank(open_ends=frozenset({"right"})), trims=Trims(100, 100))
    assert region.area_mm2 == pytest.approx(1900 * 600)
    assert region.in_view_only


def test_a_trim_follows_a_slanting_end():
    outline = Polygon([(0, 0), (2000, 0), (2100, 600), (0, 600)])
    region = clear_region(FaceShape(outline), trims=Trims(right=100))
    assert region.area_mm2 == pytest.approx(outline.area - 100 * 600, rel=2e-3)
    assert region.with_keep_outs.bounds[2] == pytest.approx(2000, abs=10)


def test_what_is_taken_adds_up_and_is_named():
    face = plank(
        DefectShape(1, "rot", shapely.box(300, 100, 400, 200)),
        DefectShape(2, "hole", shapely.box(420, 120, 460, 160)),
        DefectShape(3, "loose_knot", Point(1500, 300).buffer(20)),
        not_seen=shapely.box(1400, 250, 1600, 600),
    )
    region = clear_region(face, trims=Trims.usual())
    counted = sum(r.counted_mm2 for r in region.removals)
    assert counted == pytest.approx(region.gross_mm2 - region.area_mm2, rel=1e-6)
    by_name = {r.name: r for r in region.removals}
    hole = by_name["hole, void or hollow 2"]
    assert hole.frees_mm2 < 0.2 * hole.alone_mm2  # most of it lies in the rot's keep-out anyway
    without = clear_region(plank(*(face.defects[i] for i in (0, 2)), not_seen=face.not_seen),
                           trims=Trims.usual())  # fmt: skip
    assert without.area_mm2 - region.area_mm2 == pytest.approx(hole.frees_mm2, abs=2.0)


def test_a_sheet_of_cardboard_takes_its_area_and_reads_not_seen():
    face = plank(DefectShape(1, "hole", Point(300, 300).buffer(40)))
    covered = plank(*face.defects, not_seen=shapely.box(1000, 100, 1400, 350))  # 0.1 m²
    before, after = clear_region(face), clear_region(covered)
    assert before.area_mm2 - after.area_mm2 == pytest.approx(100_000)
    assert before.as_seen_mm2 - after.as_seen_mm2 == pytest.approx(100_000)
    assert after.if_unseen_clear_mm2 == pytest.approx(before.area_mm2)
    lost = next(r for r in after.removals if r.source == "not seen")
    assert lost.name == "not seen"
    assert lost.counted_mm2 == pytest.approx(100_000)
    assert after.not_seen_mm2 == pytest.approx(100_000)


def test_zones_that_are_not_wanted():
    face = plank(zones={"sapwood": shapely.MultiPolygon([shapely.box(0, 0, 2000, 50)])})
    assert clear_region(face).area_mm2 == pytest.approx(1.2e6)
    region = clear_region(face, avoid_zones=["sapwood"])
    assert region.area_mm2 == pytest.approx(1.2e6 - 1e5)
    with pytest.raises(KeyError, match="heartwood"):
        clear_region(face, avoid_zones=["heartwood"])


def test_a_self_crossing_outline_is_refused_with_its_place():
    where = "crosses itself near u = 1000 mm, v = 300 mm"
    with pytest.raises(BadOutlineError, match=where) as found:
        FaceShape(Polygon([(0, 0), (2000, 600), (2000, 0), (0, 600)]))
    assert found.value.place_mm == pytest.approx((1000, 300))


def test_painted_shapes_that_touch_at_a_corner_are_taken_as_they_are():
    touching = shapely.MultiPolygon([shapely.box(0, 0, 10, 10), shapely.box(10, 10, 20, 20)])
    assert DefectShape(1, "hole", touching).shape.area == pytest.approx(200)
    ring = Polygon([(0, 0), (10, 0), (10, 10), (20, 10), (20, 20), (10, 20), (10, 10), (0, 10)])
    assert not ring.is_valid
    assert DefectShape(1, "hole", ring).shape.area == pytest.approx(200)
    with pytest.raises(BadOutlineError, match="defect 1"):
        DefectShape(1, "hole", Polygon([(0, 0), (100, 50), (100, 0), (0, 60)]))


def test_sides_of_a_slanting_slab():
    four = sides(Polygon([(0, 0), (900, -40), (2000, 0), (2100, 600), (-50, 580)]))
    assert four.top.coords[0] == (0, 0)
    assert four.top.coords[-1] == (2000, 0)
    assert four.bottom.coords[:] == [(-50, 580), (2100, 600)]
    assert four.left.coords[:] == [(0, 0), (-50, 580)]


def test_local_grain_of_an_arc_is_the_arc():
    face = FaceShape(swept())
    grain = local_grain(face)
    radius = np.hypot(*(grain.nodes - (0.0, 3000.0)).T)
    assert np.max(np.abs(radius - 3000)) < 2.0
    assert grain.length_mm == pytest.approx(3000 * math.radians(40), rel=0.005)
    points = np.random.default_rng(0).uniform((-900, -200), (900, 500), (300, 2))
    assert np.allclose(grain.to_uv(grain.to_st(points)), points, atol=1e-3)


def test_keep_outs_follow_a_swept_slab():
    # a rot spot near the end of the arc: 6 in along the arc, not along u
    a = math.radians(15)
    spot = np.array([3000 * math.sin(a), 3000 - 3000 * math.cos(a)])
    face = FaceShape(swept(), (DefectShape(1, "rot", Point(spot).buffer(20)),))
    region = clear_region(face)
    reach = (20 + 6 * IN) / 3000  # radians along the arc
    for way, clear in ((0.97, False), (1.05, True)):
        b = a - way * reach
        point = Point(3000 * math.sin(b), 3000 - 3000 * math.cos(b))
        assert region.with_keep_outs.contains(point) is clear
    # straight along u from the spot the keep-out does not follow
    assert region.with_keep_outs.contains(Point(spot[0] - 0.97 * reach * 3000, spot[1] + 4))


def test_a_drawn_pith_line_turns_the_grain():
    pith = LineString([(0, 100), (2000, 500)])
    face = plank(DefectShape(1, "shake", shapely.box(990, 299, 1010, 301)), pith_line=pith)
    grain = local_grain(face)
    assert grain.source == "drawn pith line"
    direction = grain.direction_deg(0, grain.length_mm)
    assert direction == pytest.approx(math.degrees(math.atan(0.2)), abs=0.2)
    region = clear_region(face)
    assert not region.with_keep_outs.contains(Point(1000 + 250, 300 + 50))
    assert region.with_keep_outs.contains(Point(1000 + 250, 300))


def test_a_thin_check_whose_painted_edges_cross_still_gets_its_keep_out():
    rng = np.random.default_rng(0)
    along = np.arange(0, 240, 20.0)
    edges = [np.c_[along, rng.normal(0, 0.6, 12)] for _ in range(2)]
    crossed = Polygon(np.vstack([edges[0], edges[1][::-1]]))
    assert not crossed.is_valid
    grown = sum_with_box(crossed, 76.2, 12.7)
    assert grown.is_valid
    assert grown.area == pytest.approx((220 + 2 * 76.2) * (2 * 12.7 + 2), rel=0.1)


def test_lines_among_polygons_get_their_keep_out_too():
    """What is made valid may be a collection that holds a collection."""
    lines = shapely.MultiLineString([[(200, 0), (210, 0)], [(220, 0), (230, 0)]])
    mixed = shapely.GeometryCollection([Polygon([(0, 0), (10, 0), (10, 10), (0, 10)]), lines])
    grown = sum_with_box(mixed, 5, 2)
    assert grown.area == pytest.approx(20 * 14 + 2 * 4 * (10 + 10))


def test_sum_with_box_against_a_raster():
    rng = np.random.default_rng(3)
    star = Polygon([
        (r * math.cos(a), r * math.sin(a))
        for a, r in zip(np.linspace(0, 2 * np.pi, 17)[:-1], rng.uniform(20, 60, 16), strict=True)
    ])  # fmt: skip
    grown = sum_with_box(star, 12, 5)
    probe = rng.uniform(-80, 80, (4000, 2))
    boxes = shapely.box(probe[:, 0] - 12, probe[:, 1] - 5, probe[:, 0] + 12, probe[:, 1] + 5)
    assert np.array_equal(shapely.contains_xy(grown, probe), shapely.intersects(star, boxes))


def test_a_strip_that_folds_on_the_hollow_side_stays_a_shape():
    # a strip beyond the middle of the bend's circle is turned inside out: what it covers counts
    outline = swept(radius_mm=700.0, width_mm=600.0, turn_deg=80.0)
    grain = local_grain(FaceShape(outline))
    middle = grain.length_mm / 2
    strip = shapely.box(middle - 200, 300, middle + 200, 1100)
    flat = shapely.box(middle - 200, -300, middle + 200, 1100)
    for each in (strip, flat):
        turned = grain.shape_to_uv(each)
        assert turned.is_valid
        assert turned.area > 0
        inside = shapely.intersection(turned, outline)  # overlay does not fail
        assert inside.is_valid
