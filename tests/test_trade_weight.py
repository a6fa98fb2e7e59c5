"""Density, weight, lifting, haul and landed cost."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slabvision.estimate import Estimate, MixedUnitsError
from slabvision.trade.cautions import CAUTIONS, caution, cautions_for
from slabvision.trade.landed_cost import Fee, landed_cost
from slabvision.trade.species import resolve_species
from slabvision.trade.weight import (
    LOAD_CONSTANT_KG,
    density_from_ovendry_kg_m3,
    density_kg_m3,
    haul,
    lifting,
    specific_gravity_at,
    structural_density_kg_m3,
    weight,
)
from slabvision.units import BOARD_FOOT_MM3, LB_KG, pounds, pounds_per_cubic_foot

GREEN = [
    # name, Gb (USDA FIA table), S0 % (GTR-190 Table 4-3), MC %, lb/ft³, kg/m³: computed apart from
    # this program by GTR-190 eq. 4-7, 4-9, 4-12 (no shrinkage above 30 %)
    ("black walnut", 0.51, 12.8, 6, 37.6, 602.3), ("black walnut", 0.51, 12.8, 12, 38.63, 618.7),
    ("black walnut", 0.51, 12.8, 20, 39.91, 639.3), ("black walnut", 0.51, 12.8, 30, 41.39, 663.0),
    ("black walnut", 0.51, 12.8, 60, 50.94, 816.0),
    ("white oak", 0.6, 16.3, 6, 45.66, 731.4), ("white oak", 0.6, 16.3, 12, 46.5, 744.8),
    ("white oak", 0.6, 16.3, 20, 47.53, 761.4), ("white oak", 0.6, 16.3, 30, 48.69, 780.0),
    ("white oak", 0.6, 16.3, 60, 59.93, 960.0),
    ("silver maple", 0.44, 12.0, 6, 32.21, 515.9), ("silver maple", 0.44, 12.0, 12, 33.15, 531.0),
    ("silver maple", 0.44, 12.0, 20, 34.34, 550.0), ("silver maple", 0.44, 12.0, 30, 35.71, 572.0),
    ("silver maple", 0.44, 12.0, 60, 43.95, 704.0),
    ("american elm", 0.46, 14.6, 6, 34.47, 552.1), ("american elm", 0.46, 14.6, 12, 35.25, 564.7),
    ("american elm", 0.46, 14.6, 20, 36.22, 580.2), ("american elm", 0.46, 14.6, 30, 37.33, 598.0),
    ("american elm", 0.46, 14.6, 60, 45.95, 736.0),
    ("american sycamore", 0.46, 14.1, 6, 34.31, 549.6),
    ("american sycamore", 0.46, 14.1, 12, 35.14, 562.8),
    ("american sycamore", 0.46, 14.1, 20, 36.16, 579.2),
    ("american sycamore", 0.46, 14.1, 30, 37.33, 598.0),
    ("american sycamore", 0.46, 14.1, 60, 45.95, 736.0),
    ("black cherry", 0.47, 11.5, 6, 34.25, 548.7), ("black cherry", 0.47, 11.5, 12, 35.3, 565.4),
    ("black cherry", 0.47, 11.5, 20, 36.61, 586.5), ("black cherry", 0.47, 11.5, 30, 38.14, 611.0),
    ("black cherry", 0.47, 11.5, 60, 46.95, 752.0),
    ("honeylocust", 0.6, 10.8, 6, 43.46, 696.1), ("honeylocust", 0.6, 10.8, 12, 44.86, 718.6),
    ("honeylocust", 0.6, 10.8, 20, 46.63, 746.9), ("honeylocust", 0.6, 10.8, 30, 48.69, 780.0),
    ("honeylocust", 0.6, 10.8, 60, 59.93, 960.0),
    ("old-growth redwood", 0.38, 6.8, 6, 26.59, 426.0),
    ("old-growth redwood", 0.38, 6.8, 12, 27.7, 443.7),
    ("old-growth redwood", 0.38, 6.8, 20, 29.13, 466.6),
    ("old-growth redwood", 0.38, 6.8, 30, 30.84, 494.0),
    ("old-growth redwood", 0.38, 6.8, 60, 37.96, 608.0),
]  # fmt: skip


@pytest.mark.parametrize(("name", "gravity", "s0", "mc", "lb_ft3", "kg_m3"), GREEN)
def test_density_from_green_gravity(
    name: str, gravity: float, s0: float, mc: float, lb_ft3: float, kg_m3: float
) -> None:
    density = density_kg_m3(gravity, mc, s0)
    assert isinstance(density, float)
    assert density == pytest.approx(kg_m3, abs=0.06)
    assert pounds_per_cubic_foot(density) == pytest.approx(lb_ft3, abs=0.006)
    assert resolve_species(name).value("sg_green") == gravity
    assert resolve_species(name).value("shrink_volumetric_pct") == s0


def test_the_handbooks_white_ash() -> None:
    """GTR-190 p.4-10: Gb 0.55 at 12 %; eq. 4-11 and 4-12 give Gx 0.6027 and 675 kg/m³ (derived).

    Its graph is remembered, not read, as 0.605 and 678: within half a percent.
    """
    assert specific_gravity_at(0.55, 12.0) == pytest.approx(0.6027, abs=5e-5)
    assert density_kg_m3(0.55, 12.0) == pytest.approx(675.0, abs=0.06)
    assert density_kg_m3(0.55, 12.0) == pytest.approx(678, rel=0.005)


def test_gravity_at_the_same_moisture() -> None:
    """Forestry density page, University of Missouri: G 0.40 at 12 %: 448 kg/m³, 27.968 lb/ft³.

    Others computed by eq. 4-12, as Table 4-6 is by construction.
    """
    known = [(0.4, 12, 448.0), (0.5, 0, 500), (0.5, 8, 540), (0.5, 12, 560), (0.5, 20, 600),
             (0.6, 12, 672), (0.6, 30, 780), (0.36, 12, 403.2), (0.7, 12, 784)]  # fmt: skip
    for gravity, mc, kg_m3 in known:
        assert density_kg_m3(gravity, mc, 0.0) == pytest.approx(kg_m3)
    assert pounds_per_cubic_foot(448.0) == pytest.approx(27.968, abs=5e-4)


def test_structural_form() -> None:
    """62.4 [G/(1 + 0.009 G M)](1 + M/100) lb/ft³ (public engineering reference); computed."""
    known = [(0.55, 12, 581.2), (0.55, 20, 600.3), (0.68, 12, 709.2)]
    for gravity, mc, kg_m3 in known:
        assert structural_density_kg_m3(gravity, mc) == pytest.approx(kg_m3, abs=0.06)


def test_ovendry_form_agrees_with_the_green_one() -> None:
    """GTR-190 eq. 4-13 against 4-9 and 4-12 for the same wood (derived identity)."""
    green, s0 = 0.51, 12.8
    ovendry = 1000 * green / (1 - s0 / 100)
    for mc in (0.0, 6.0, 12.0, 25.0):
        assert density_from_ovendry_kg_m3(ovendry, mc, s0) == pytest.approx(
            density_kg_m3(green, mc, s0)
        )
    by_stamm = density_from_ovendry_kg_m3(1000 * 0.55 / (1 - 0.265 * 0.55), 12.0)
    assert by_stamm == pytest.approx(density_kg_m3(0.55, 12.0))


def test_the_mistake_to_guard_against() -> None:
    """White oak at 12 %: 745 kg/m³, not the 672 that leaves the shrinkage out."""
    assert density_kg_m3(0.60, 12.0, 16.3) == pytest.approx(745, abs=0.5)
    left_out = density_kg_m3(0.60, 12.0, 0.0)
    assert left_out == pytest.approx(672)


VOLUME = 96 * 30 * 2.5 * 25.4**3


@pytest.mark.parametrize(
    ("species", "mc", "lb", "kg"),
    [("walnut", 12, 161, 73), ("white oak", 12, 194, 88), ("walnut", 60, 212, 96)],
)
def test_weight_of_a_slab(species: str, mc: float, lb: float, kg: float) -> None:
    """96 x 30 x 2.5 in = 50 bf (computed from the handbook's equations)."""
    slab = weight(resolve_species(species), VOLUME, mc)
    assert slab.kg.value == pytest.approx(kg, abs=0.5)
    assert pounds(slab.kg.value) == pytest.approx(lb, abs=0.5)
    lo, hi = slab.kg.interval
    assert lo < 0.85 * slab.kg.value
    assert hi > 1.15 * slab.kg.value  # COV 10 % within a species: GTR-190 p.4-9


@pytest.mark.parametrize(
    ("species", "lb_per_bf"),
    [("walnut", 3.22), ("white oak", 3.87), ("sycamore", 2.93), ("silver maple", 2.76)],
)
def test_pounds_per_board_foot(species: str, lb_per_bf: float) -> None:
    one = weight(resolve_species(species), BOARD_FOOT_MM3, 12.0)
    assert pounds(one.kg.value) == pytest.approx(lb_per_bf, abs=0.006)


def test_weight_shows_the_other_source() -> None:
    """Black ash: green gravity 0.45 against the published 0.49 at 12 %."""
    slab = weight(resolve_species("black ash"), VOLUME, 12.0)
    assert slab.other_kg == pytest.approx(0.49 * 1.12 * VOLUME / 1e6, rel=1e-6)
    differing = 0
    for species in ("red alder", "black ash", "rock elm", "yellow birch", "american basswood"):
        one = weight(resolve_species(species), VOLUME, 12.0)
        apart = abs(one.other_kg / one.kg.value - 1)
        said = any("the sources differ" in r for r in one.remarks)
        assert said == (apart > 0.03), species
        differing += said
    assert differing > 0


def test_unknown_wood_weighs_wide() -> None:
    known = weight(resolve_species("walnut"), VOLUME, 12.0).kg
    unknown = weight(resolve_species("what is this"), VOLUME, 12.0)
    assert unknown.kg.u > 1.5 * known.u
    assert any("all hardwoods" in r for r in unknown.remarks)


@settings(deadline=None)
@given(st.floats(0.25, 0.85), st.floats(0, 100), st.floats(0, 20))
def test_wetter_is_heavier(gravity: float, mc: float, more: float) -> None:
    # Over Gb 0.87 the shrinkage of 26.5 Gb outweighs a point of water (0.3 / (0.265 x 1.3)).
    assert density_kg_m3(gravity, mc + more) >= density_kg_m3(gravity, mc)  # type: ignore[operator]


def test_mixed_units_are_caught() -> None:
    with pytest.raises(MixedUnitsError, match="volume is in bf"):
        weight(resolve_species("walnut"), Estimate.exact(50, "bf"), 12.0)
    with pytest.raises(MixedUnitsError, match="weight is in lb"):
        haul([Estimate.exact(161, "lb")])
    with pytest.raises(MixedUnitsError, match="ovendry density"):
        density_from_ovendry_kg_m3(Estimate.exact(0.5, "g mm-3"), 12.0)
    with pytest.raises(ValueError, match=r"at most|or less"):
        specific_gravity_at(15.0, 12.0)


# Lifting and haul --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kg", "people", "equipment"),
    [(20, 1, False), (23, 1, False), (23.5, 2, False), (46, 2, False), (47, 3, True),
     (73, 4, True)],
)  # fmt: skip
def test_people_by_the_load_constant(kg: float, people: int, equipment: bool) -> None:
    """NIOSH Pub. 94-110: 51 lb (23 kg) under ideal conditions; 161 lb is over three of them."""
    answer = lifting(kg)
    assert (answer.people_at_least, answer.equipment) == (people, equipment)
    assert "NIOSH" in answer.text
    assert pytest.approx(51 * LB_KG, abs=0.2) == LOAD_CONSTANT_KG


def test_lifting_uses_the_upper_end() -> None:
    kg = Estimate.normal(40.0, 5.0, "kg", name="slab")
    assert lifting(kg).people_at_least == 3
    assert lifting(kg.value).people_at_least == 2
    assert "not determined" in lifting(Estimate.undetermined("no thickness", "kg")).text


def test_haul_is_as_wide_as_it_should_be() -> None:
    """Slabs of one log err together; slabs of ten logs average out."""
    one_log = [weight(resolve_species("walnut", tree="7"), VOLUME, 12.0).kg for _ in range(10)]
    ten = [weight(resolve_species("walnut", tree=str(k)), VOLUME, 12.0).kg for k in range(10)]
    together, apart = haul(one_log).kg, haul(ten).kg
    assert together.value == pytest.approx(apart.value)
    assert together.u == pytest.approx(10 * one_log[0].u)
    assert apart.u < 0.45 * together.u


def test_payload_is_held_against_the_upper_end() -> None:
    slabs = [Estimate.normal(70.0, 7.0, "kg", name=f"s{k}") for k in range(4)]
    assert haul(slabs, payload_kg=400).fits is True
    assert haul(slabs, payload_kg=290).fits is False
    assert "too close to call" in haul(slabs, payload_kg=290).text
    assert "two trips" in haul(slabs, payload_kg=200).text
    with pytest.raises(ValueError, match="at least one"):
        haul([])


# Landed cost -------------------------------------------------------------------------------------


def test_landed_cost_by_hand() -> None:
    """54 bf at 12 = 648; tax 8 % = 51.84; haul 60; kiln 54 x 0.75 = 40.50; flattening
    2 x 17.5 ft² x 6 = 210; fill 25: 1035.34 in all (invented figures)."""
    cost = landed_cost(
        [
            Fee("price", 12.0, "board foot", 54.0, taxed=True),
            Fee("haul", 60.0),
            Fee("kiln", 0.75, "board foot", 54.0),
            Fee("flattening", 6.0, "square foot", 35.0),
            Fee("fill", 25.0),
        ],
        tax_pct=8.0, gross_bf=54.0, clear_bf=40.0, finished_bf=26.0,
    )  # fmt: skip
    assert cost.total.value == pytest.approx(1035.34)
    assert [round(line.money.value, 2) for line in cost.lines] == [648, 60, 40.5, 210, 25, 51.84]
    per = {name: round(each.value, 2) for name, each in cost.per_board_foot.items()}
    assert per == {"gross": 19.17, "clear": 25.88, "finished": 39.82}


def test_flattening_by_the_hour_and_interval() -> None:
    clear = Estimate.normal(40.0, 2.0, "bf", name="clear")
    cost = landed_cost([Fee("price", 600.0), Fee("flattening", 80.0, "hour", 2.5)], clear_bf=clear)
    assert cost.total.value == 800
    lo, hi = cost.per_board_foot["clear"].interval
    assert lo < 20 < hi
    assert cost.per_board_foot["gross"].reason == "gross board feet not known"


def test_no_clear_wood_has_no_price() -> None:
    maybe = Estimate.normal(1.0, 2.0, "bf", name="little")
    cost = landed_cost([Fee("price", 100.0)], clear_bf=maybe, finished_bf=0.0)
    assert cost.per_board_foot["clear"].reason == "clear board feet may be none"
    assert not cost.per_board_foot["finished"].determined


def test_costs_are_checked() -> None:
    with pytest.raises(ValueError, match="no cost"):
        landed_cost([])
    with pytest.raises(ValueError, match="amount of haul is -5"):
        Fee("haul", -5.0)
    with pytest.raises(ValueError, match="say how many"):
        Fee("price", 12.0, "board foot")
    with pytest.raises(ValueError, match="lump sum"):
        Fee("haul", 60.0, "slab", 2.0)
    with pytest.raises(ValueError, match="no cost is marked as taxed"):
        landed_cost([Fee("haul", 60.0)], tax_pct=8.0)
    with pytest.raises(MixedUnitsError, match="quantity of price"):
        Fee("price", 12.0, "board foot", Estimate.exact(17.0, "ft2"))
    with pytest.raises(MixedUnitsError, match="clear board feet"):
        landed_cost([Fee("price", 12.0)], clear_bf=Estimate.exact(17.0, "ft2"))


# Cautions ----------------------------------------------------------------------------------------


def test_every_caution_defers_and_has_a_source() -> None:
    assert {"metal", "lifting", "strapping", "dust", "mould", "stress", "checks"} <= {
        c.key for c in CAUTIONS
    }
    for each in CAUTIONS:
        assert each.sources, each.key
        assert each.short
        assert len(each.short) <= 100, each.key
        deferring = ("local", "qualified", "doctor", "manual", "rating", "law", "rules", "ask")
        assert any(w in each.defer.lower() for w in deferring), each.key
    assert "NIOSH" in caution("lifting").sources[0]
    assert {c.key for c in cautions_for(["report"])} == {c.key for c in CAUTIONS}
    with pytest.raises(KeyError, match="metal"):
        caution("iron")
    with pytest.raises(KeyError, match="flattening"):
        cautions_for(["planing"])
