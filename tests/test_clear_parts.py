"""Wanted parts on clear wood: fits, too close to call, does not fit; and where to strike them."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon

from slabvision.boundary import Hand
from slabvision.clear.length import longest_clear_length
from slabvision.clear.parts import (
    LiveEdgePart,
    OutlinePart,
    RectPart,
    RoundPart,
    best_placement,
    fits,
)
from slabvision.clear.placing import place
from slabvision.clear.region import ClearRegion, Trims, clear_region
from slabvision.clear.shapes import DefectShape, FaceShape
from slabvision.clear.strike import strike
from slabvision.clear.worlds import Worlds


def plank(*defects: DefectShape, **options: object) -> ClearRegion:
    face = FaceShape(shapely.box(0, 0, 2000, 600), tuple(defects))
    return clear_region(face, **options)  # type: ignore[arg-type]


def bare(number: int, shape: Polygon) -> DefectShape:
    """A defect without keep-out when the region is made with ``ACCEPT_EDGES``."""
    return DefectShape(number, "worm_holes", shape, treatment="avoid")


def scaled(u: float, seed: int = 1) -> Worlds:
    scale = 1 + u * np.random.default_rng(seed).standard_normal(1000)
    return Worlds(warp=lambda points: scale[:, None, None] * points[None])


def test_a_round_part_with_room_and_without():
    found = fits(plank(), RoundPart(560))
    assert found.verdict == "fits"
    assert found.spare_mm.value == pytest.approx(20, abs=0.1)
    assert plank().with_keep_outs.contains(found.polygon)
    assert fits(plank(), RoundPart(620)) is None
    short = best_placement(plank(), RoundPart(620))
    assert short.verdict == "does not fit"
    assert short.spare_mm.value == pytest.approx(-10, abs=0.1)
    assert short.words("mm") == "does not fit: 10 mm short (± 1), at the edge of the face"


def test_the_lower_end_of_the_interval_decides():
    worlds = scaled(0.01)  # 600 mm ± 12: a radius of 300 ± 6 at 95 %
    sure = fits(plank(), RoundPart(580), worlds)
    close = fits(plank(), RoundPart(594), worlds)
    over = fits(plank(), RoundPart(603), worlds)
    assert sure.verdict == "fits"
    assert close.verdict == over.verdict == "too close"
    assert fits(plank(), RoundPart(620), worlds) is None
    assert sure.words() == "fits, 3/8 in to spare (± 1/4)"
    assert close.words().startswith("too close: tape it across here, ")
    assert "end" in close.words()


def test_a_rectangle_between_two_defects():
    region = plank(bare(1, shapely.box(700, 0, 705, 600)), bare(2, shapely.box(1755, 0, 1760, 600)))
    found = fits(region, RectPart(1000, 500))
    assert found.spare_mm.value == pytest.approx(25, abs=0.1)
    assert found.polygon.bounds == pytest.approx((730, 50, 1730, 550), abs=30)
    assert region.with_keep_outs.contains(found.polygon)
    assert fits(region, RectPart(1060, 500)) is None
    short = best_placement(region, RectPart(1080, 500))
    assert short.spare_mm.value == pytest.approx(-15, abs=1.0)


def test_a_rectangle_across_the_grain_needs_leave():
    narrow = plank(bare(1, shapely.box(700, 0, 2000, 600)), bare(4, shapely.box(0, 0, 280, 600)))
    assert fits(narrow, RectPart(580, 380, off_grain_deg=10)) is None
    turned = fits(narrow, RectPart(580, 380, off_grain_deg=90))
    assert abs(abs(turned.angle_deg) - 90) < 2


def test_the_true_slant_is_found():
    band = shapely.affinity.rotate(shapely.box(-700, -160, 700, 160), 17, origin=(0, 0))
    room = shapely.affinity.translate(band, 1000, 500)
    placed = place(room, shapely.box(-600, -150, 600, 150), np.arange(0, 40, 2.0))
    assert placed.angle_deg == pytest.approx(17, abs=0.1)
    assert placed.room_mm == pytest.approx(10, abs=0.1)


def test_an_outline_part_and_its_mirror():
    ell = Polygon([(0, 0), (700, 0), (700, 150), (150, 150), (150, 420), (0, 420)])
    room = shapely.affinity.translate(ell.buffer(8, join_style="mitre"), 300, 80)
    face = FaceShape(shapely.box(0, 0, 1400, 600))
    walls = shapely.difference(face.outline, room)
    region = clear_region(FaceShape(face.outline, (bare(1, walls),)))
    found = fits(region, OutlinePart(ell))
    assert found.spare_mm.value == pytest.approx(8, abs=0.3)
    mirrored = shapely.affinity.scale(ell, 1, -1)
    assert fits(region, OutlinePart(mirrored, off_grain_deg=90)) is None
    flipped = fits(region, OutlinePart(mirrored, may_flip=True))
    assert flipped.flipped
    assert region.with_keep_outs.contains(flipped.polygon)


def live(keep: str, **sizes: float) -> LiveEdgePart:
    return LiveEdgePart(sizes["length"], sizes["least"], sizes["most"], keep)  # type: ignore[arg-type]


def waisted() -> FaceShape:
    """600 wide, 500 at the waist at u = 1000; both edges symmetrical."""
    u = np.linspace(0, 2000, 401)
    dent = 50 * np.exp(-(((u - 1000) / 150) ** 2))
    return FaceShape(Polygon(np.vstack([np.c_[u, dent], np.c_[u[::-1], 600 - dent[::-1]]])))


def test_both_live_edges_with_width_limits():
    region = clear_region(waisted())
    found = fits(region, live("both", length=1500, least=490, most=640))
    assert found.spare_mm.value == pytest.approx(10, abs=0.5)
    assert found.limit == "width, under the least"
    assert found.tight == pytest.approx((1000, 300), abs=10)
    # a least width of 560 leaves only the parts beside the waist
    beside = fits(region, live("both", length=700, least=560, most=640))
    u0, _, u1, _ = beside.polygon.bounds
    assert u1 - u0 == pytest.approx(700, abs=1)
    assert u1 < 850 or u0 > 1150
    assert fits(region, live("both", length=1000, least=560, most=640)) is None
    # both natural edges are in the part
    assert beside.polygon.intersection(region.face.outline.exterior).length > 1390


def test_a_defect_anywhere_across_stops_a_part_with_both_edges():
    knot = DefectShape(3, "loose_knot", Point(1000, 560).buffer(20))
    region = plank(knot)
    found = best_placement(region, live("both", length=1200, least=500, most=700))
    reach = 20 + 40  # its radius and one diameter beyond (common practice)
    assert found.verdict == "does not fit"
    assert found.spare_mm.value == pytest.approx(1000 - reach - 1200, abs=6)
    assert "knot 3" in found.limit
    assert fits(region, live("both", length=930, least=500, most=700)).spare_mm.value == (
        pytest.approx(10, abs=6)
    )


def test_one_live_edge_goes_past_the_defect():
    knot = DefectShape(3, "loose_knot", Point(1000, 560).buffer(20))
    region = plank(knot, trims=Trims(left=50, right=50))
    found = fits(region, live("one", length=1800, least=450, most=550))
    assert found.verdict == "fits"
    across = 560 - 20 - 0.5 * 25.4  # where the keep-out begins
    assert found.spare_mm.value == pytest.approx((across - 450) / 2, abs=1.5)
    assert found.polygon.intersection(region.face.outline.exterior).length > 1790
    assert shapely.intersection(found.polygon, region.defect_keep_outs).area < 1
    widths = found.polygon.bounds[3] - found.polygon.bounds[1]
    assert 450 <= widths <= 550


def test_no_live_edge_is_a_rectangle():
    region = plank(trims=Trims(left=50, right=50, top=6, bottom=6))
    part = live("none", length=1800, least=500, most=550)
    found = fits(region, part)
    assert found.part is part
    assert found.spare_mm.value == pytest.approx(44, abs=0.5)


def test_ends_of_a_live_edge_part_are_square_to_the_centre_line_of_a_swept_slab():
    a = np.radians(np.linspace(-20, 20, 200))
    arc = np.column_stack([np.sin(a), -np.cos(a)])
    outline = Polygon(np.vstack([3300 * arc, 2700 * arc[::-1]]) + np.array([0, 3300]))
    region = clear_region(FaceShape(outline))
    found = fits(region, live("both", length=1000, least=550, most=650))
    cuts = [s.point for s in found.strikes]
    assert len(cuts) == 4
    for one, two in (cuts[:2], cuts[2:]):
        way = np.subtract(two, one)
        outward = np.subtract(one, (0, 3300))
        cosine = abs(way @ outward) / np.linalg.norm(way) / np.linalg.norm(outward)
        assert cosine > np.cos(np.radians(1.0))  # square to the arc: along its radius


def test_wrong_parts_are_named():
    with pytest.raises(ValueError, match="the least must"):
        LiveEdgePart(1000, 500, 400)
    with pytest.raises(ValueError, match="diameter of the part is -5"):
        RoundPart(-5)
    with pytest.raises(ValueError, match="crosses itself"):
        OutlinePart(Polygon([(0, 0), (100, 50), (100, 0), (0, 60)]))


def test_strikes_are_what_a_tape_reads():
    region = plank()
    found = strike(region, (500, 200), what="centre")
    assert found.words("mm") == "centre: 500 mm from end A, 200 mm from top edge"
    assert strike(region, (508, 203.2)).words() == "point: 20 in from end A, 8 in from top edge"
    far = strike(region, (500, 200), end="right", edge="bottom")
    assert (far.from_end_mm.value, far.from_edge_mm.value) == pytest.approx((1500, 400))
    cut = clear_region(FaceShape(shapely.box(0, 0, 2000, 600), open_ends=frozenset({"left"})))
    assert strike(cut, (500, 200)).end == "end B"
    both = FaceShape(shapely.box(0, 0, 2000, 600), open_ends=frozenset({"left", "right"}))
    with pytest.raises(ValueError, match="frame cuts"):
        strike(clear_region(both), (500, 200))
    sure = strike(region, (500, 200), worlds=scaled(0.01))
    assert sure.from_end_mm.u == pytest.approx(5, rel=0.06)


def test_longest_clear_length_and_a_narrow_pass():
    # a pass of 210 mm at u = 1200: boards of 200 go through, of 230 do not
    region = plank(bare(1, shapely.box(1200, 0, 1210, 390)))
    through = longest_clear_length(region, 200)
    assert through.length_mm.value == pytest.approx(2000, abs=1)
    assert longest_clear_length(region, 230).length_mm.value == pytest.approx(1200, abs=1)
    assert longest_clear_length(region, 700) is None
    hand = Hand(offset_px=0, offset_mm=4.0, wobble_px=0, wobble_mm=0)
    doubtful = longest_clear_length(region, 205, Worlds(hand=hand))
    lo, hi = doubtful.length_mm.interval
    assert lo == pytest.approx(1200, abs=15)
    assert hi == pytest.approx(2000, abs=30)


def test_a_part_grown_by_its_spare_just_fits():
    rng = np.random.default_rng(4)
    defects = [
        bare(i, Point(rng.uniform(0, 2000), rng.uniform(0, 600)).buffer(rng.uniform(5, 25)))
        for i in range(12)
    ]
    region = plank(*defects)
    found = best_placement(region, RectPart(500, 180, off_grain_deg=90))
    spare = found.spare_mm.value
    assert found.verdict == "fits"
    assert region.with_keep_outs.buffer(0.01).contains(found.polygon.buffer(spare - 0.1))
    touching = found.polygon.buffer(spare + 0.5)
    assert not region.with_keep_outs.contains(touching)
