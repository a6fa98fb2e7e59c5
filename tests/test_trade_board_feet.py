"""Board feet: worked examples with their sources, jumps, tags, and what must hold for any slab."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slabvision.estimate import Estimate, MixedUnitsError
from slabvision.trade.board_feet import (
    RuleInputError,
    SlabSizes,
    board_feet_exact,
    tally,
    tally_pack,
)
from slabvision.trade.tag import compare_tag, rules_that_give
from slabvision.trade.tally_rules import RULES, Rounding, TallyRule, tally_rule
from slabvision.units import MM_PER_FT, MM_PER_IN

IN, FT = MM_PER_IN, MM_PER_FT


def sizes(width_in: float, length_ft: float, thickness_in: float = 1.0) -> SlabSizes:
    return SlabSizes(
        length_ft * FT, (width_in * IN,), thickness_in * IN, sawn_thickness_mm=thickness_in * IN
    )


# Worked examples, each with its source -----------------------------------------------------------

EXAMPLES = [
    # rule, thickness in, width in, length ft, figure, source
    ("hardwood surface measure", 2, 6.25, 8, 8, "American hardwood export council guide: SM 4"),
    ("hardwood surface measure", 1, 6.5, 8, 4, "public page on hardwood measurement: 4 1/3 -> 4"),
    ("hardwood surface measure", 1, 8, 12, 8, "same page"),
    ("hardwood surface measure", 1, 10, 13, 11, "same page: 10 10/12 -> 11"),
    ("hardwood surface measure", 1, 6.4375, 10.75, 5, "public page on NHLA grading: 10 ft, 5.36"),
    ("hardwood surface measure", 0.75, 8, 9, 6, "NHLA: under 1 in counts as 1 in (rule read)"),
    ("hardwood export tally", 1, 5.25, 8.5, 3, "AHEC: tallied 5 in x 8 ft; 40/12 to whole bf"),
    ("plain", 2, 18, 10, 30, "a slab yard's public price page: 120 x 18 x 2 / 144"),
    ("plain", 1, 6, 8, 4, "a dealer's public terminology page"),
    ("plain", 1, 4, 3, 1, "same page"),
    ("plain", 1, 9, 8, 6, "public woodworking tips: 1 x 9 x 96 / 144"),
    ("plain", 1.5, 9, 8, 9, "same page"),
    ("softwood nominal", 2, 4, 14, 9 + 1 / 3, "public carpentry course: 2 x 4 x 14 / 12"),
    ("narrowest width", 2.25, 20, 8, 30, "computed"),
]


@pytest.mark.parametrize(("rule", "t", "w", "length", "figure", "source"), EXAMPLES)
def test_worked_examples(
    rule: str, t: float, w: float, length: float, figure: float, source: str
) -> None:
    assert tally(RULES[rule], sizes(w, length, t)).figure == pytest.approx(figure, abs=1e-9), source


def test_surface_measures_of_the_examples_themselves() -> None:
    # AHEC guide: 6 1/4 in x 8 ft is 4 1/6; AHEC: 5 1/4 in x 8 1/2 ft is tallied as 5 in x 8 ft.
    rule = RULES["hardwood surface measure"]
    assert float(rule.raw_surface(8 * FT, [6.25 * IN])) == pytest.approx(4 + 1 / 6)
    export = RULES["hardwood export tally"]
    assert float(export.width_mm(5.25 * IN)) == pytest.approx(5 * IN)
    assert float(export.length_mm(8.5 * FT)) == pytest.approx(8 * FT)


def test_live_edge_slab_four_ways() -> None:
    """Ends 20 and 26 in, 96 in long, 2 1/4 in thick (computed; the trapezoid is exact)."""
    slab = SlabSizes(96 * IN, (20 * IN, 26 * IN), 2.25 * IN)
    assert tally(RULES["mean of ends"], slab).figure == pytest.approx(34.5)
    assert tally(RULES["outline"], slab).figure == pytest.approx(34.5)
    assert tally(RULES["third from the narrow end"], slab).figure == pytest.approx(33.0)
    assert tally(RULES["narrowest width"], slab).figure == pytest.approx(30.0)
    assert tally(RULES["narrowest width"], slab).exact_bf.value == pytest.approx(34.5)
    turned = SlabSizes(96 * IN, (26 * IN, 20 * IN), 2.25 * IN)
    assert tally(RULES["third from the narrow end"], turned).figure == pytest.approx(33.0)


def test_rules_from_memory_say_so_in_every_output() -> None:
    slab = SlabSizes(96 * IN, (20 * IN, 26 * IN), 2.25 * IN)
    for name, rule in RULES.items():
        if rule.status == "memory":
            try:
                marks = " ".join(tally(rule, slab).remarks)
            except RuleInputError:
                continue
            assert "memory" in marks, name


def test_unedged_both_faces_up_and_down_stand_side_by_side() -> None:
    """Tegernsee customs, 40 mm and thicker: 41 and 46 cm, 60 mm, 3 m -> 0.0792 m³ rounded up."""
    slab = SlabSizes(3000, (410.0,), 60.0, other_face_widths_mm=(460.0,))
    up = tally(RULES["unedged, both faces, whole cm up"], slab)
    down = tally(RULES["unedged, both faces, whole cm down"], slab)
    assert up.figure == pytest.approx(0.44 * 0.06 * 3.0)
    assert down.figure == pytest.approx(0.43 * 0.06 * 3.0)
    assert any("memory" in r for r in down.remarks)
    assert any("rounded down" in r for r in up.remarks)


def test_next_quarter_and_price() -> None:
    # Dealer's page: 3.8 bf is charged as 4. Yard's page: 30 bf at 20 a board foot is 600.
    assert float(RULES["plain, next quarter"].total(3.8)) == 4.0
    assert tally(RULES["plain"], sizes(18, 10, 2)).figure * 20 == pytest.approx(600)


def test_exact_half_takes_turns() -> None:
    """6 3/4 in x 8 ft is 4 1/2: raised, then dropped (read for the export tally)."""
    slab = sizes(6.75, 8)
    rule = RULES["hardwood surface measure"]
    assert tally(rule, slab, half_up=True).figure == 5
    assert tally(rule, slab, half_up=False).figure == 4
    assert any("turn" in remark for remark in tally(rule, slab).remarks)
    pack = tally_pack(rule, [slab, slab, slab])
    assert [piece.figure for piece in pack.slabs] == pytest.approx([5, 4, 5])
    assert pack.total == 14
    assert pack.exact_bf.value == pytest.approx(3 * 4.5)
    export = replace(RULES["hardwood export tally"], thickness_as="actual")
    widths = [tally(replace(export, total=Rounding()), sizes(5.5, 8), half_up=h) for h in (1, 0)]
    assert [round(w.figure * 12 / 8) for w in widths] == [6, 5]


# Jumps -------------------------------------------------------------------------------------------


def test_a_rounded_rule_is_told_in_jumps() -> None:
    """12 ft x 2 in x 27.1 in: 27 in counts, 54 bf; 28 in would be 56."""
    rule = TallyRule("inch up from the half", width_mm=Rounding(IN, "nearest"),
                     total=Rounding(1.0, "down"))  # fmt: skip
    width = Estimate.normal(27.3 * IN, 0.2 * IN, "mm", name="tape")
    result = tally(rule, SlabSizes(12 * FT, (width,), 2 * IN))
    assert result.figure == 54
    assert result.statement == "54, or 56 if the width is 27 1/2 in or more"
    assert dict(result.possible).keys() == {54.0, 56.0}


def test_jump_on_the_total_names_the_width_it_needs() -> None:
    """144 in x 2 1/4 in: 24 in is 54 bf; 54.5 and more is 55, from 24 2/9 in."""
    rule = replace(RULES["plain"], total=Rounding(1.0, "nearest"))
    width = Estimate.normal(24.1 * IN, 0.1 * IN, "mm", name="tape")
    result = tally(rule, SlabSizes(12 * FT, (width,), 2.25 * IN))
    assert result.statement == "54, or 55 if the width is over 24.22 in"


def test_jump_up_rule_is_over_at_the_mark_itself() -> None:
    rule = replace(RULES["plain"], width_mm=Rounding(IN, "up"))
    width = Estimate.normal(27 * IN, 0.05 * IN, "mm", name="tape")
    said = tally(rule, SlabSizes(12 * FT, (width,), 2 * IN)).statement
    assert said == "54, or 56 if the width is over 27 in"


def test_possible_shares_add_up_and_hold_the_figure() -> None:
    width = Estimate.normal(26.9 * IN, 5, "mm", name="w")
    result = tally(RULES["plain, next whole foot"], SlabSizes(96 * IN, (width,), 2.5 * IN))
    assert sum(share for _, share in result.possible) == pytest.approx(1.0)
    assert result.figure in dict(result.possible)


def test_smooth_rule_has_an_interval() -> None:
    width = Estimate.normal(30 * IN, 4, "mm", name="w")
    said = tally(RULES["plain"], SlabSizes(96 * IN, (width,), 2.5 * IN)).statement
    assert said == "50 board feet (49 to 51)"


# Tags --------------------------------------------------------------------------------------------


def test_tag_in_words() -> None:
    slab = SlabSizes(96 * IN, (20 * IN, 26 * IN), 2.25 * IN)
    agrees = compare_tag(34.5, tally(RULES["mean of ends"], slab))
    assert agrees.agrees
    assert agrees.over == pytest.approx(0)
    high = compare_tag(39, tally(RULES["mean of ends"], slab))
    assert not high.agrees
    assert "4.5 board feet (13 %) more" in high.text
    low = compare_tag(30, tally(RULES["mean of ends"], slab))
    assert "less than the same rule" in low.text


def test_tag_of_a_whole_number_by_a_smooth_rule_was_rounded_by_someone() -> None:
    slab = SlabSizes(96 * IN, (20 * IN, 26 * IN), 2.25 * IN)
    assert compare_tag(35, tally(RULES["mean of ends"], slab)).agrees
    assert not compare_tag(36, tally(RULES["mean of ends"], slab)).agrees


def test_a_tag_that_needs_the_width_to_be_over_a_mark_says_so() -> None:
    rule = replace(RULES["plain"], width_mm=Rounding(IN, "nearest"))
    width = Estimate.normal(27.3 * IN, 0.2 * IN, "mm", name="tape")
    result = tally(rule, SlabSizes(12 * FT, (width,), 2 * IN))
    check = compare_tag(56, result)
    assert check.agrees
    assert check.text.startswith("tag 56 agrees only if the width is 27 1/2 in or more; ")
    assert "is 4 board feet (7 %) more" in compare_tag(58, result).text


def test_rules_that_give_a_tag() -> None:
    slab = SlabSizes(96 * IN, (20 * IN, 26 * IN), 2.25 * IN)
    assert "narrowest width" in rules_that_give(30, slab)
    assert "mean of ends" not in rules_that_give(30, slab)


# Sizes, bark, units ------------------------------------------------------------------------------


def test_mean_of_three_and_simpson() -> None:
    slab = SlabSizes(96 * IN, (20 * IN, 26 * IN, 20 * IN), 2 * IN)
    assert tally(RULES["mean of three"], slab).figure == pytest.approx(96 * 22 * 2 / 144)
    # parabola through 20, 26, 20: mean 20 + 2/3 x 6 = 24 (Simpson exact)
    assert tally(RULES["outline"], slab).figure == pytest.approx(96 * 24 * 2 / 144)


def test_widths_every_foot_are_read_where_the_rule_takes_them() -> None:
    stations = tuple(np.linspace(0, 1, 9).tolist())
    widths = tuple((20 + 6 * s) * IN for s in stations)
    slab = SlabSizes(96 * IN, widths, 2 * IN, stations=stations)
    assert tally(RULES["mean of three"], slab).figure == pytest.approx(96 * 23 * 2 / 144)
    assert tally(RULES["third from the narrow end"], slab).figure == pytest.approx(
        96 * 22 * 2 / 144
    )
    assert any("middle" in r for r in tally(RULES["plain"], slab).remarks)


def test_bark_convention_is_turned_or_refused() -> None:
    rule = replace(RULES["plain"], bark="out")
    with_bark = SlabSizes(96 * IN, (20 * IN,), 2 * IN, bark="in", bark_mm=1 * IN)
    assert tally(rule, with_bark).figure == pytest.approx(96 * 19 * 2 / 144)
    with pytest.raises(RuleInputError, match="bark out"):
        tally(rule, replace(with_bark, bark_mm=None))
    assert any("bark included" in r for r in tally(RULES["plain"], with_bark).remarks)


def test_sawn_or_actual_thickness() -> None:
    slab = SlabSizes(96 * IN, (18 * IN,), 1.9375 * IN, sawn_thickness_mm=2 * IN)
    assert tally(RULES["hardwood surface measure"], slab).figure == 24
    assert tally(RULES["plain"], slab).figure == pytest.approx(96 * 18 * 1.9375 / 144)
    no_class = replace(slab, sawn_thickness_mm=None)
    assert any("measured one is used" in r
               for r in tally(RULES["hardwood surface measure"], no_class).remarks)  # fmt: skip


@pytest.mark.parametrize("name", ["mean of three", "mean of ends", "third from the narrow end"])
def test_a_rule_that_needs_more_widths_says_so(name: str) -> None:
    with pytest.raises(RuleInputError, match="one is given"):
        tally(RULES[name], sizes(20, 8, 2))


def test_missing_thickness_and_missing_face_say_so() -> None:
    with pytest.raises(RuleInputError, match="thickness"):
        tally(RULES["plain"], SlabSizes(1000, (500.0,)))
    assert tally(RULES["square foot"], SlabSizes(FT, (2 * FT,))).figure == pytest.approx(2)
    assert tally(RULES["each"], SlabSizes(FT, (2 * FT,))).statement == "1 piece"
    with pytest.raises(RuleInputError, match="other face"):
        tally(RULES["unedged, both faces, whole cm up"], SlabSizes(1000, (500.0,), 50.0))


def test_mixed_units_are_caught() -> None:
    with pytest.raises(MixedUnitsError, match="width is in in"):
        SlabSizes(1000, (Estimate.exact(20, "in"),), 50)
    with pytest.raises(MixedUnitsError, match="area"):
        board_feet_exact(Estimate.exact(1e6, "mm"), 50.0)
    with pytest.raises(ValueError, match="length is -1"):
        SlabSizes(-1, (500.0,), 50)


def test_unknown_rule_lists_the_known() -> None:
    with pytest.raises(ValueError, match="hardwood surface measure"):
        tally_rule("board rule")
    assert tally_rule("hardwood s").name == "hardwood surface measure"


def test_rule_set_by_hand_is_checked() -> None:
    with pytest.raises(ValueError, match="step"):
        Rounding(-1.0)
    with pytest.raises(ValueError, match="width_at"):
        TallyRule("x", width_at="somewhere")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="not m3"):
        TallyRule("x", basis="area", unit="m3")


# Whatever the slab -------------------------------------------------------------------------------

_rounding = st.builds(
    Rounding,
    st.sampled_from([0.0, 0.25, 0.5, 1.0]),
    st.sampled_from(["nearest", "down", "up", "alternate"]),
)


def _scaled(rounding: Rounding, unit: float) -> Rounding:
    return Rounding(rounding.step * unit, rounding.toward)


@settings(deadline=None)
@given(
    st.floats(24, 200), st.floats(8, 60), st.floats(0.75, 6), _rounding, _rounding, _rounding,
    _rounding, st.booleans(),
)  # fmt: skip
def test_a_figure_stays_within_its_roundings_of_the_exact_one(
    length: float, width: float, thick: float, by_length: Rounding, by_width: Rounding,
    by_thickness: Rounding, total: Rounding, half_up: bool,
) -> None:  # fmt: skip
    rule = TallyRule(
        "any", length_mm=_scaled(by_length, FT), width_mm=_scaled(by_width, IN),
        thickness_mm=_scaled(by_thickness, IN), total=total,
    )  # fmt: skip
    slab = SlabSizes(length * IN, (width * IN,), thick * IN)
    result = tally(rule, slab, half_up=half_up)
    reach = rule.reach(length * IN, width * IN, thick * IN)
    assert abs(result.figure - result.unrounded.value) <= reach + 1e-6
    assert result.unrounded.value == pytest.approx(result.exact_bf.value)


@settings(deadline=None)
@given(st.floats(24, 200), st.floats(8, 60), _rounding)
def test_a_total_is_within_its_own_step(length: float, width: float, total: Rounding) -> None:
    rule = replace(RULES["plain"], total=total)
    result = tally(rule, SlabSizes(length * IN, (width * IN,), 2 * IN))
    assert abs(result.figure - result.exact_bf.value) <= total.reach + 1e-6


@settings(deadline=None)
@given(st.floats(50, 5000), st.floats(50, 1500), st.floats(10, 150), st.floats(1.0, 3.0))
def test_board_feet_scale(length: float, width: float, thick: float, by: float) -> None:
    one = board_feet_exact(length * width, thick)
    assert board_feet_exact(length * by * width * by, thick * by) == pytest.approx(one * by**3)
    assert board_feet_exact(length * width, thick / 2) * 2 == pytest.approx(one)
