"""Small straight-down scenes: the picture and its truth must say the same."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.defects import KINDS, ZONES
from slabvision.scene import Surface, looks, render_end, render_face_patch


def test_at_least_six_looks_and_a_wrong_one_is_named() -> None:
    assert len(looks()) >= 6
    with pytest.raises(ValueError, match="walnut"):
        render_face_patch(1, "mahagonny")


def test_same_seed_same_picture_other_seed_another() -> None:
    a = render_face_patch(4, "elm", (60, 90), 0.6)
    b = render_face_patch(4, "elm", (60, 90), 0.6)
    c = render_face_patch(5, "elm", (60, 90), 0.6)
    assert np.array_equal(a.pixels, b.pixels)
    assert np.array_equal(a.labels, b.labels)
    difference = np.abs(a.pixels.astype(int) - c.pixels).mean()
    assert difference > 8


@pytest.mark.parametrize("look", ["walnut", "pine"])
def test_mask_area_is_the_tables_area(look: str) -> None:
    patch = render_face_patch(
        21,
        look,
        (500, 700),
        0.5,
        amounts={"rot": 3, "grub holes": 6, "bark inclusions": 3, "surface checks": 40},
    )
    assert len(patch.table) >= 3
    for defect in patch.table:
        assert defect.kind in KINDS
        counted = float((patch.labels == defect.number).sum()) * 0.25
        border = defect.polygon_mm.length * 0.5  # a pixel's worth of error along the border
        assert abs(counted - defect.area_mm2) < 3 + 0.35 * np.sqrt(border) * 0.5 + 0.02 * counted


def test_a_checks_true_length_exceeds_what_can_be_seen() -> None:
    patch = render_face_patch(10, "oak", amounts={"surface checks": 12}, near="surface_check")
    checks = [d for d in patch.table if d.kind == "surface_check"]
    assert checks
    for check in checks:
        assert check.length_mm >= check.seen_length_mm > 0
        step = np.linalg.norm(np.diff(check.line, axis=0), axis=1).sum() * patch.mm_per_px
        assert step == pytest.approx(check.length_mm, rel=1e-9)
        assert check.widths_mm[[0, -1]].max() < 0.1  # it tapers to nothing


def test_a_check_is_dark_where_its_mask_lies() -> None:
    patch = render_face_patch(
        10, "oak", amounts={"surface checks": 12}, near="surface_check",
        surface=Surface(saw="planed", weathered=0, dust=0),
    )  # fmt: skip
    number = max((d for d in patch.table if d.kind == "surface_check"),
                 key=lambda d: d.area_mm2).number  # fmt: skip
    grey = patch.pixels.mean(axis=2)
    assert grey[patch.labels == number].mean() < 0.6 * grey[patch.wood & (patch.labels == 0)].mean()


def test_zones_show_sapwood_weathering_and_the_planed_patch() -> None:
    base = render_face_patch(8, "walnut", (300, 300), 1.0, near="edge")
    assert (base.zones[base.wood] == ZONES["sapwood"].value).any()
    assert (base.zones[~base.wood] == 0).all()
    u, v = base.canvas.u0 + 100, base.canvas.v0 + 150
    planed = ((u, v), (u + 80, v), (u + 80, v + 60), (u, v + 60))
    patch = render_face_patch(
        8, "walnut", (300, 300), 1.0, near="edge",
        surface=Surface(weathered=0.9, planed_patch=planed),
    )  # fmt: skip
    share = (patch.zones == ZONES["planed_patch"].value).sum() / (80 * 60)
    assert 0.85 < share <= 1.01
    assert (patch.zones == ZONES["weathering"].value).any()


@pytest.mark.parametrize("cut", ["flat", "rift", "quarter", "through pith"])
def test_ring_directions_are_square_to_the_fields_slope(cut: str) -> None:
    end = render_end(3, "elm", cut, (160, 240))
    rows, cols = np.mgrid[20:140:20, 20:220:20]
    points = np.column_stack([rows.ravel(), cols.ravel()]).astype(float)
    # Independent: a five-point stencil one tenth of a pixel wide on the ring field itself.
    h = 0.1

    def slope(dr: float, dc: float) -> np.ndarray:
        step = np.array([dr, dc]) * h
        f = [end.ring_age_mm(points + k * step) for k in (-2, -1, 1, 2)]
        return (f[0] - 8 * f[1] + 8 * f[2] - f[3]) / (12 * h)

    tangent = np.radians(end.ring_tangent_deg(points))
    along = slope(0, 1) * np.cos(tangent) + slope(1, 0) * np.sin(tangent)
    steep = np.hypot(slope(0, 1), slope(1, 0))
    far = np.hypot(*(points - end.pith).T) > 8
    assert np.abs(along[far] / steep[far]).max() < 0.01
    angle = end.ring_angle_deg(points)
    assert ((angle >= 0) & (angle <= 90)).all()


def test_cut_decides_the_ring_angle_in_the_middle() -> None:
    for cut, low, high in (("flat", 0, 32), ("rift", 32, 58), ("quarter", 60, 90)):
        end = render_end(6, "oak", cut, (120, 200))
        assert low <= float(end.ring_angle_deg(np.array([[60.0, 100.0]]))[0]) <= high
    end = render_end(6, "oak", "through pith", (300, 400))
    assert 0 <= end.pith[1] < 400


def test_near_a_kind_the_slab_does_not_have_is_named() -> None:
    with pytest.raises(ValueError, match="has no metal"):
        render_face_patch(1, "oak", (40, 40), 1.0, near="metal", amounts={"metal": 0})


def test_out_of_range_values_are_named() -> None:
    with pytest.raises(ValueError, match=r"mm_per_px is 9"):
        render_face_patch(1, mm_per_px=9)
    with pytest.raises(ValueError, match="roughness is 2"):
        render_end(1, roughness=2)
    with pytest.raises(ValueError, match="saw 'axe'"):
        Surface(saw="axe")
    with pytest.raises(ValueError, match="amount 'luck'"):
        render_face_patch(1, amounts={"luck": 1})


def test_stains_spalt_and_rot_are_told_apart() -> None:
    patch = render_face_patch(7, "maple", (500, 800), 1.4, near="edge", amounts={"rot": 6})
    found = {key for key, zone in ZONES.items() if (patch.zones == zone.value).any()}
    assert {"sapwood", "blue_stain", "spalt"} <= found
    rot = np.isin(patch.labels, [d.number for d in patch.table if d.kind == "rot"])
    assert rot.any()
    # Firm spalt lies round the rot, not in it (but for a pixel along the border).
    spalt = patch.zones == ZONES["spalt"].value
    assert (spalt & rot).sum() < 0.03 * rot.sum()
    # Blue stain is greyer than the sapwood beside it.
    wood = patch.pixels.astype(float)
    warmth = wood[..., 0] - wood[..., 2]
    blue = patch.zones == ZONES["blue_stain"].value
    sap = patch.zones == ZONES["sapwood"].value
    assert warmth[blue].mean() < warmth[sap & ~rot].mean() - 8
