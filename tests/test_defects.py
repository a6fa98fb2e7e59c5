"""The table of kinds: complete, readable in grey, and its allowances by hand."""

from __future__ import annotations

import math

import pytest

from slabvision.defects import KINDS, ZONES, KeepOut, defect_kind, keep_out, zone

IN = 25.4


def test_every_kind_is_complete_and_apart_from_the_others():
    assert len({k.color for k in KINDS.values()}) == len(KINDS)
    assert len({(k.hatch, k.color) for k in KINDS.values()}) == len(KINDS)
    for key, kind in KINDS.items():
        assert kind.key == key
        assert kind.title
        assert kind.meaning.endswith(".")
        assert kind.source
        assert kind.hatch
    assert len({z.value for z in ZONES.values()}) == len(ZONES)
    assert all(z.seen == (z.value < 100) for z in ZONES.values())


@pytest.mark.parametrize(
    ("kind", "length", "width", "along", "across"),
    [
        # Defaults of slab buyers and sawyers: common practice, no source.
        ("end_check", 300, 3, 3 * IN, 0.5 * IN),
        ("surface_check", 300, 3, 1 * IN, 0.25 * IN),
        ("through_check", 50, 3, 3 * IN, 0.5 * IN),
        ("through_check", 200, 3, 200, 0.5 * IN),
        ("through_check", 900, 3, 12 * IN, 0.5 * IN),
        ("shake", 100, 5, 12 * IN, 1 * IN),
        ("pith", 100, 5, math.inf, 1.5 * IN),
        ("sound_knot", 50, 30, 0.75 * 40, 0.375 * 40),
        ("loose_knot", 50, 30, 40, 0.5 * IN),
        ("rot", 100, 50, 6 * IN, 1 * IN),
        ("bark_inclusion", 100, 50, 2 * IN, 0.5 * IN),
        ("hole", 40, 40, 1 * IN, 0.5 * IN),
        ("metal", 20, 10, 6 * IN, 2 * IN),
        ("worm_holes", 3, 3, 0, 0),
        ("grub_holes", 10, 10, 1 * IN, 0.5 * IN),
        ("loose_bark", 100, 10, 0, 0.25 * IN),
    ],
)
def test_keep_outs_by_hand(kind, length, width, along, across):
    rule = keep_out(kind)
    assert rule.along(length, width) == pytest.approx(along)
    assert rule.across(length, width) == pytest.approx(across)


def test_keep_outs_change_with_species_thickness_and_wet_face():
    assert keep_out("end_check", species="Black Walnut").along_mm == pytest.approx(6 * IN)
    assert keep_out("end_check", thickness_mm=63.5).along_mm == pytest.approx(6 * IN)
    assert keep_out("end_check", thickness_mm=63.4, species="ash").along_mm == pytest.approx(3 * IN)
    assert keep_out("surface_check", wet_face=True).across_mm == pytest.approx(0.5 * IN)
    own = KeepOut(along_mm=5)
    assert keep_out("rot", overrides={"rot": own}) is own


def test_unknown_kinds_and_zones_list_the_known_ones():
    with pytest.raises(KeyError, match="sound_knot"):
        defect_kind("kn0t")
    assert zone(101).key == "tape"
    with pytest.raises(KeyError, match="77"):
        zone(77)
