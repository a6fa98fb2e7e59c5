"""Two overlapping photos of a long slab become one face."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Point

from slabvision.clear.region import clear_region
from slabvision.clear.shapes import DefectShape, FaceShape
from slabvision.clear.worlds import Worlds, clear_areas
from slabvision.faces_join import CannotJoinError, join_photos
from slabvision.study.slab_pairs import slab_outline

LENGTH = 3600.0
PLACES = [(1700.0, -150.0), (1900.0, 160.0), (1780.0, 100.0)]


def to_second(points: np.ndarray, scale: float = 1.0) -> np.ndarray:
    """The second photo's own frame: turned by 184 degrees, moved."""
    a = np.radians(184.0)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return scale * points @ turn.T + (4000.0, 250.0)


def photos(defects: tuple[DefectShape, ...] = (), scale: float = 1.0, **more: object):
    whole = slab_outline(21, LENGTH)

    def part(u0: float, u1: float, end: str) -> FaceShape:
        box = shapely.box(u0, -900, u1, 900)
        kept = []
        for d in defects:
            shape = d.shape.intersection(box)
            line = d.centre_line.intersection(box) if d.centre_line is not None else None
            line = None if line is None or line.is_empty else line
            if not shape.is_empty or line is not None:
                kept.append(DefectShape(d.number, d.kind, shape, centre_line=line))
        return FaceShape(whole.intersection(box), tuple(kept), open_ends=frozenset({end}), **more)

    first, second = part(-100, 2000, "right"), part(1600, 3800, "left")

    def move(shape):
        return None if shape is None else shapely.transform(shape, lambda p: to_second(p, scale))

    turned = FaceShape(
        move(second.outline),
        tuple(DefectShape(d.number, d.kind, move(d.shape), centre_line=move(d.centre_line))
              for d in second.defects),
        not_seen=move(second.not_seen),
        open_ends=frozenset({"right"}),
    )  # fmt: skip
    shared = [(p, tuple(to_second(np.array([p]), scale)[0])) for p in PLACES]
    return whole, first, turned, shared


def test_the_whole_slab_comes_back():
    line = LineString([(1500, 20), (2200, 30)])
    crossing = DefectShape(1, "surface_check", MultiPolygon([line.buffer(2)]), centre_line=line)
    knot = DefectShape(2, "sound_knot", Point(3000, -50).buffer(30))
    hole = DefectShape(3, "hole", Point(600, 50).buffer(25))
    whole, first, second, shared = photos((crossing, knot, hole))
    found = join_photos(first, Worlds(), second, Worlds(), shared)
    face = found.face
    assert face.outline.symmetric_difference(whole).area < 1e-3 * whole.area
    assert face.open_ends == frozenset()
    assert found.residual_mm < 1e-6
    assert found.scale == pytest.approx(1)
    assert found.overlap_mm == pytest.approx(400, rel=0.2)  # the photos are turned by 4 degrees
    kinds = sorted(d.kind for d in face.defects)
    assert kinds == ["hole", "sound_knot", "surface_check"]
    check = next(d for d in face.defects if d.kind == "surface_check")
    assert check.centre_line.length == pytest.approx(line.length, rel=1e-3)
    joined, want = clear_region(face), clear_region(FaceShape(whole, (crossing, knot, hole)))
    assert joined.area_mm2 == pytest.approx(want.area_mm2, rel=2e-3)


def test_what_one_photo_hides_the_other_shows():
    cover = shapely.box(1650, -60, 1950, 60)
    _, first, second, shared = photos()
    hidden = FaceShape(first.outline, not_seen=cover, open_ends=first.open_ends)
    found = join_photos(hidden, Worlds(), second, Worlds(), shared)
    assert found.face.not_seen.area == pytest.approx(0, abs=1)
    far = FaceShape(first.outline, not_seen=shapely.box(300, -60, 500, 60),
                    open_ends=first.open_ends)  # fmt: skip
    found = join_photos(far, Worlds(), second, Worlds(), shared)
    assert found.face.not_seen.area == pytest.approx(200 * 120)


def test_the_far_end_knows_how_the_photos_hang_together():
    _, first, second, shared = photos()
    near = join_photos(first, Worlds(), second, Worlds(), shared, mark_u_mm=1.0)
    loose = join_photos(first, Worlds(), second, Worlds(), shared, mark_u_mm=4.0)
    assert loose.far_end_u_mm == pytest.approx(4 * near.far_end_u_mm, rel=0.1)
    # by hand: a turn of 1 mm sqrt 2 over the spread of the marks, 1.8 m away, and the shift
    spread = np.sqrt(np.sum((np.array(PLACES) - np.mean(PLACES, axis=0)) ** 2))
    turn = np.sqrt(2) * 1.0 / spread
    assert near.far_end_u_mm == pytest.approx(turn * 1800, rel=0.25)


def test_length_of_the_joined_slab_holds_in_its_interval():
    whole, *_ = photos()
    truth = whole.area
    held = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        errors = 1 + 0.005 * rng.standard_normal(2)
        _, first, second, shared = photos(scale=errors[1])
        grow = shapely.affinity.scale
        first = FaceShape(grow(first.outline, errors[0], errors[0], origin=(0, 0)),
                          open_ends=first.open_ends)  # fmt: skip
        marks = [
            (tuple(np.array(a) * errors[0] + rng.normal(0, 1.5, 2)),
             tuple(np.array(b) + rng.normal(0, 1.5, 2)))
            for a, b in shared
        ]  # fmt: skip
        worlds = []
        for _ in range(2):
            s = 1 + 0.005 * rng.standard_normal(500)
            worlds.append(Worlds(warp=lambda p, s=s: s[:, None, None] * p[None], draws=500))
        found = join_photos(first, worlds[0], second, worlds[1], marks, mark_u_mm=1.5)
        region = clear_region(found.face)
        held += clear_areas(region, found.worlds).gross.estimate.holds(truth)
    assert held >= 34  # 95 % of 40 less three standard errors


def test_refusals_name_what_to_do():
    _, first, second, shared = photos()
    exact = Worlds()
    with pytest.raises(CannotJoinError, match="mark at least two"):
        join_photos(first, exact, second, exact, shared[:1])
    near = [shared[0], ((shared[0][0][0] + 20, shared[0][0][1]), shared[0][1])]
    with pytest.raises(CannotJoinError, match="at least 150 mm apart"):
        join_photos(first, exact, second, exact, near)
    wrong = [*shared[:2], (shared[2][0], (shared[2][1][0] + 60, shared[2][1][1]))]
    with pytest.raises(CannotJoinError, match=r"shared place \d lies|disagree in scale"):
        join_photos(first, exact, second, exact, wrong)
    _, one, two, marks = photos(scale=1.05)
    with pytest.raises(CannotJoinError, match="disagree in scale by"):
        join_photos(one, exact, two, exact, marks)
    closed = FaceShape(first.outline)
    with pytest.raises(CannotJoinError, match="whole end"):
        join_photos(closed, exact, second, exact, shared)
    short = FaceShape(
        first.outline.intersection(shapely.box(-100, -900, 1500, 900)), open_ends=first.open_ends
    )
    with pytest.raises(CannotJoinError, match="do not overlap"):
        join_photos(short, exact, second, exact, shared)
