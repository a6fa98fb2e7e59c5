"""The same face at two dates: growth, new and gone defects, with intervals."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Point

from slabvision.boundary import Hand
from slabvision.clear.shapes import DefectShape, FaceShape
from slabvision.clear.worlds import Worlds
from slabvision.faces import NotTheSameSlabError
from slabvision.faces_later import compare_later
from slabvision.study.slab_pairs import drawn, slab_outline

EXACT = Worlds(draws=200)


def later_view(points: np.ndarray) -> np.ndarray:
    """Another photo: end for end, moved, 2 % narrower by drying, its scale 0.4 % off."""
    return (points * (1.0, 0.98)) @ -np.eye(2) * 1.004 + (2500.0, 40.0)


def check(number: int, start: float, stop: float, v: float) -> DefectShape:
    line = LineString([(start, v), (stop, v)])
    return DefectShape(number, "end_check", MultiPolygon([line.buffer(1.5)]), centre_line=line)


def seen_later(face: FaceShape) -> FaceShape:
    def move(shape):
        return None if shape is None else shapely.transform(shape, later_view)

    defects = tuple(
        DefectShape(d.number, d.kind, move(d.shape), centre_line=move(d.centre_line))
        for d in face.defects
    )
    return FaceShape(move(face.outline), defects, not_seen=move(face.not_seen))


def test_a_check_that_grew_and_one_that_did_not():
    outline = slab_outline(3)
    rot = DefectShape(5, "rot", Point(1500, 50).buffer(40))
    first = FaceShape(outline, (check(1, 20, 200, 0), check(2, 2200, 2380, 100), rot))
    grown = (check(7, 20, 260, 0), check(8, 2200, 2380, 100),
             DefectShape(9, "rot", Point(1500, 50).buffer(50)))  # fmt: skip
    found = compare_later(first, EXACT, seen_later(FaceShape(outline, grown)), EXACT)
    assert found.match.end_for_end
    by_before = {c.before: c for c in found.changes}
    long = by_before[(1,)]
    assert long.after == (7,)
    assert long.quantity == "length"
    assert long.growth.value == pytest.approx(60, abs=1.5)
    assert long.growth.estimate.holds(60)
    assert long.state == "grew"
    same = by_before[(2,)]
    assert same.growth.value == pytest.approx(0, abs=1.0)
    spot = by_before[(5,)]
    assert spot.quantity == "area"
    assert spot.growth.value == pytest.approx(np.pi * (50**2 - 40**2), rel=0.05)
    assert found.shrinkage_across.value == pytest.approx(0.02, abs=0.004)
    assert found.changes[0].state == "grew"


def test_new_gone_and_not_seen_before():
    outline = slab_outline(4)
    cover = shapely.box(1700, -60, 1900, 60)
    first = FaceShape(outline, (check(1, 20, 200, 0),), not_seen=cover)
    second = FaceShape(outline, (check(2, 900, 1000, 150), check(3, 1750, 1850, 0)))
    found = compare_later(first, EXACT, seen_later(second), EXACT)
    states = {(c.before, c.after): c.state for c in found.changes}
    assert states == {((), (2,)): "new", ((1,), ()): "gone", ((), (3,)): "not seen before"}


def test_two_checks_that_became_one_are_compared_together():
    outline = slab_outline(5)
    first = FaceShape(outline, (check(1, 20, 150, 0), check(2, 180, 300, 1)))
    second = FaceShape(outline, (check(1, 20, 340, 0),))
    found = compare_later(first, EXACT, seen_later(second), EXACT)
    assert len(found.changes) == 1
    joined = found.changes[0]
    assert (joined.before, joined.after) == ((1, 2), (1,))
    assert joined.growth.value == pytest.approx(320 - 250, abs=2)


def test_a_surface_check_may_have_gone_through_but_a_knot_is_no_check():
    outline = slab_outline(6)
    line = LineString([(700, 0), (800, 0)])
    first = FaceShape(outline, (DefectShape(1, "surface_check", MultiPolygon(), centre_line=line),))
    through = DefectShape(1, "through_check", MultiPolygon(), centre_line=line)
    knot = DefectShape(2, "sound_knot", Point(750, 2).buffer(12))
    found = compare_later(first, EXACT, seen_later(FaceShape(outline, (through, knot))), EXACT)
    assert {(c.before, c.after) for c in found.changes} == {((1,), (1,)), ((), (2,))}


def test_the_other_face_or_another_slab_is_refused():
    first = FaceShape(slab_outline(7))
    with pytest.raises(NotTheSameSlabError, match="the same face"):
        compare_later(first, EXACT, seen_later(FaceShape(slab_outline(8))), EXACT)


def test_intervals_of_growth_hold():
    """Hands and scales of their own at both dates: how often the growth is in its interval."""
    hand = Hand(offset_px=0, offset_mm=1.0, wobble_px=0, wobble_mm=1.2)
    held, total = 0, 0
    for seed in range(24):
        rng = np.random.default_rng(seed)
        outline = slab_outline(40 + seed)
        growths = rng.uniform(-10, 80, 4)
        faces = []
        for add in (np.zeros(4), growths):
            defects = []
            for i in range(4):
                start, stop = 300 + 500 * i, 450 + 500 * i + add[i]
                tips = rng.normal(0, np.hypot(1.0, 1.2), 2)
                defects.append(check(i + 1, start + tips[0], stop + tips[1], 40.0 * i - 60))
            faces.append(FaceShape(drawn(rng, outline), tuple(defects)))
        scale = 1 + 0.004 * rng.standard_normal(2)
        turned = [
            FaceShape(
                shapely.affinity.scale(f.outline, s, s, origin=(0, 0)),
                tuple(
                    DefectShape(d.number, d.kind,
                                shapely.affinity.scale(d.shape, s, s, origin=(0, 0)),
                                centre_line=shapely.affinity.scale(d.centre_line, s, s,
                                                                   origin=(0, 0)))
                    for d in f.defects
                ),
            )
            for f, s in zip(faces, scale, strict=True)
        ]  # fmt: skip
        worlds = []
        for date in range(2):
            draws = 1 + 0.004 * rng.standard_normal(400)
            worlds.append(Worlds(
                warp=lambda p, draws=draws: draws[:, None, None] * p[None],
                hand=hand, key=f"{seed}:{date}", draws=400,
            ))  # fmt: skip
        found = compare_later(turned[0], worlds[0], turned[1], worlds[1], key=str(seed))
        for change in found.changes:
            if change.before and change.after:
                total += 1
                held += change.growth.estimate.holds(growths[change.before[0] - 1])
    assert total >= 90
    # binomial: 95 % of 96 within three standard errors
    assert 0.88 <= held / total <= 1.0
