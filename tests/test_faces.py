"""Face B on face A: right pairs fit within millimetres, wrong ones are refused with a reason."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from slabvision.clear.parts import RoundPart, best_placement
from slabvision.clear.region import clear_region
from slabvision.clear.shapes import DefectShape, FaceShape
from slabvision.clear.worlds import Worlds
from slabvision.faces import (
    NotTheSameSlabError,
    clear_through,
    depths,
    landmarks_of,
    match_faces,
    through_region,
)

LENGTH, WIDTH = 2400.0, 760.0


def _edge(rng: np.random.Generator, x: np.ndarray) -> np.ndarray:
    """A live edge: noise whose power falls with the cube of the frequency, invented."""
    frequency = np.fft.rfftfreq(2 * x.size, x[1] - x[0])
    power = np.where((frequency > 1 / 3000) & (frequency < 1 / 60), 1.0, 0.0)
    power[1:] *= (frequency[1:] * 1000) ** -1.5
    phases = rng.standard_normal(frequency.size) + 1j * rng.standard_normal(frequency.size)
    line = np.fft.irfft(phases * power)[: x.size]
    return np.asarray(14.0 * line / line.std())


def _slab(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.arange(0.0, LENGTH + 1, 8.0)
    return x, -WIDTH / 2 + _edge(rng, x), WIDTH / 2 + _edge(rng, x)


def _face(seed: int, face: str, hand: int = 0, defects: tuple[DefectShape, ...] = ()) -> FaceShape:
    """Face A as it is; face B seen from the other side, flared, shifted, turned, redrawn."""
    x, top, bottom = _slab(seed)
    rng = np.random.default_rng(1000 + hand)
    smooth = np.ones(9) / 3.0
    if face == "B":
        top, bottom = top - 14.0, bottom + 9.0
    top = top + np.convolve(rng.normal(0, 1.0, x.size), smooth, "same")
    bottom = bottom + np.convolve(rng.normal(0, 1.0, x.size), smooth, "same")
    ring = np.concatenate([np.column_stack([x, top]), np.column_stack([x, bottom])[::-1]])
    if face == "B":
        ring = _to_b(ring)
    return FaceShape(shapely.Polygon(ring), defects, face=face)


def _to_b(points: np.ndarray) -> np.ndarray:
    mirrored = points * (1, -1)
    c, s = np.cos(0.01), np.sin(0.01)
    return mirrored @ np.array([[c, s], [-s, c]]) * 1.002 + (37.0, 12.0)


def _matched(a: FaceShape, b: FaceShape, landmarks=()):
    return match_faces(clear_region(a), clear_region(b), landmarks, draws=200, key="test")


@pytest.mark.parametrize("seed", range(8))
def test_a_right_pair_fits_within_three_millimetres(seed):
    match = _matched(_face(seed, "A", 1), _face(seed, "B", 2))
    assert match.residual_mm <= 3
    inside = np.array([[400.0, -100.0], [1200.0, 50.0], [2000.0, 150.0]])
    off = np.linalg.norm(match.points_to_a(_to_b(inside)) - inside, axis=1)
    assert off.max() < 4 * match.u_mm + 1
    assert not match.end_for_end


def test_wrong_pairs_are_refused_with_a_reason():
    accepted, said = 0, set()
    for a in range(8):
        for b in range(8, 16):
            try:
                _matched(_face(a, "A", a), _face(b, "B", b))
                accepted += 1
            except NotTheSameSlabError as error:
                said.add(str(error).split("(")[0])
    assert accepted == 0
    assert all("edges" in reason or "outlines" in reason for reason in said)


def test_another_length_is_refused_by_its_length():
    longer = shapely.affinity.scale(_face(1, "B").outline, 1.2, 1.0, origin=(0, 0))
    with pytest.raises(NotTheSameSlabError, match="mm long"):
        _matched(_face(1, "A"), FaceShape(longer, face="B"))


def test_landmarks_of_equal_name_carry_a_plain_edged_slab():
    plain_a = FaceShape(shapely.box(0, -300, 2000, 300), face="A")
    plain_b = FaceShape(shapely.box(0, -300, 2000, 300), face="B")
    with pytest.raises(NotTheSameSlabError, match="mark three places"):
        _matched(plain_a, plain_b)
    marks = landmarks_of({"x": (1.0, 2.0), "only A": (0.0, 0.0)}, {"x": (3.0, 4.0)})
    assert [(m.on_a, m.on_b) for m in marks] == [((1.0, 2.0), (3.0, 4.0))]


def test_a_knot_on_face_b_alone_leaves_clear_through_without_it():
    knot_b = shapely.Polygon(_to_b(np.array(shapely.Point(1200, 0).buffer(60).exterior.coords)))
    knot = DefectShape(1, "sound_knot", shapely.MultiPolygon([knot_b]))
    a, b = clear_region(_face(3, "A")), clear_region(_face(3, "B", 0, (knot,)))
    match = match_faces(a, b, draws=200, key="test")
    worlds = Worlds(draws=200)
    through = clear_through(a, worlds, b, worlds, match)
    here = shapely.Point(1200, 0)
    assert a.with_keep_outs.contains(here)
    assert not through.shape.contains(here)
    assert through.area_mm2.value < a.area_mm2
    # Face B is wider here, so only the knot with its keep-out is missing: 120 mm round, 3/4 of
    # its diameter along each way and 3/8 across each side (common practice, no source).
    missing = a.area_mm2 - through.area_mm2.value
    assert missing == pytest.approx(300 * 210, rel=0.25)


def test_where_face_b_lies_widens_clear_through():
    knot_b = shapely.Polygon(_to_b(np.array(shapely.box(900, -380, 1100, 0).exterior.coords)))
    half = DefectShape(1, "hole", shapely.MultiPolygon([knot_b]))
    a, b = clear_region(_face(4, "A")), clear_region(_face(4, "B", 0, (half,)))
    match = match_faces(a, b, draws=400, key="test")
    worlds = Worlds(draws=400)
    through = clear_through(a, worlds, b, worlds, match)
    assert np.std(through.area_mm2.parts["match"]) > 0
    assert np.std(through.area_mm2.parts["plane"]) == 0


def _spot_b(u: float, v: float, radius: float) -> shapely.Polygon:
    circle = np.array(shapely.Point(u, v).buffer(radius).exterior.coords)
    return shapely.Polygon(_to_b(circle))


def test_a_defect_in_one_place_on_both_faces_goes_through():
    on_a = (
        DefectShape(1, "sound_knot", shapely.Point(600, 50).buffer(40)),
        DefectShape(2, "sound_knot", shapely.Point(1500, 50).buffer(40)),
        DefectShape(3, "surface_check", shapely.box(1800, 0, 2000, 4)),
    )
    on_b = (
        DefectShape(5, "loose_knot", _spot_b(605, 55, 45)),
        DefectShape(6, "rot", _spot_b(1500, 50, 40)),
        DefectShape(7, "surface_check", shapely.Polygon(_to_b(np.array(
            [(1800, 0), (2000, 0), (2000, 4), (1800, 4)], float)))),
    )  # fmt: skip
    a, b = _face(5, "A", 0, on_a), _face(5, "B", 0, on_b)
    found = depths(a, b, _matched(a, b))
    assert found == {"A": frozenset({1}), "B": frozenset({5})}


def test_parts_are_laid_out_on_what_is_clear_through():
    # the circle between a hole on face A and a hole on face B: neither face alone knows it
    hole_a = DefectShape(1, "hole", shapely.box(0, -500, 900, 500))
    hole_b = DefectShape(1, "hole", shapely.Polygon(_to_b(np.array(
        [(1500, -500), (2500, -500), (2500, 500), (1500, 500)], float))))  # fmt: skip
    a, b = clear_region(_face(6, "A", 0, (hole_a,))), clear_region(_face(6, "B", 0, (hole_b,)))
    match = match_faces(a, b, draws=300, key="test")
    both = through_region(a, b, match)
    through = clear_through(a, Worlds(draws=300), b, Worlds(draws=300), match)
    assert both.stamp == "clear through"
    assert both.area_mm2 == pytest.approx(through.area_mm2.value, rel=1e-6)
    found = best_placement(both, RoundPart(560), Worlds(draws=300))
    assert found.polygon.bounds[0] > 900
    assert found.polygon.bounds[2] < 1500
    # where face B lies is the only thing not known here, and the fit says so
    assert np.std(found.spare_mm.parts["match"]) > 0.3
    assert np.std(found.spare_mm.estimate.draws) > 0.3
    assert any(r.name.endswith(", face B") for r in both.removals)
