"""What the trade's arithmetic says of one slab: moisture, movement, flattening, weight, price."""

from __future__ import annotations

from slabvision.estimate import Estimate
from slabvision.findings import Findings
from slabvision.report.charts import bar_chart, points_chart
from slabvision.report.markup import Html, Node, el, section, table
from slabvision.report.words import Unit, length, money, percent, spread, weight, why_not
from slabvision.tables import asking_total
from slabvision.trade.rings import RingProfile
from slabvision.units import BOARD_FOOT_MM3, MM_PER_IN

__all__ = [
    "flattening_section",
    "moisture_section",
    "movement_section",
    "price_section",
    "prices",
    "tag_section",
    "weight_section",
]


def _typed(mm: float, unit: Unit, *, sixteenths: int = 1) -> str:
    from slabvision.units import inches_text

    return inches_text(mm, sixteenths=sixteenths) if unit == "in" else f"{mm:.0f} mm"


def tag_section(findings: Findings) -> Html:
    """Return the tag against the same rule on measured sizes, and every rule beside it."""
    from slabvision.report.words import board_feet
    from slabvision.trade.board_feet import RuleInputError, tally
    from slabvision.trade.tag import rules_that_give
    from slabvision.trade.tally_rules import RULES
    from slabvision.trade_facts import sizes_of

    claim, face = findings.record.notebook.claim, findings.best
    rows: list[tuple[Node, ...]] = []
    rows.append(
        (
            "the tag states",
            f"{claim.board_feet:g} board feet (as written)"
            if claim.board_feet is not None
            else why_not("no board feet on the tag, or not written down"),
        )
    )
    rows.append(
        ("by the tag's own rule", findings.trade.words.get("tag_check") or
         why_not(findings.trade.numbers["rule_board_feet"].reason))
    )  # fmt: skip
    rows.append(("outline area × thickness, gross", board_feet(findings.gross_mm3)))
    rows.append(("outline area × thickness, clear", board_feet(findings.clear_mm3)))
    blocks: list[Node] = [table(("", "board feet (95 % interval)"), rows, caption="Tag and tally")]
    sizes = sizes_of(face, findings.thickness_mm) if face is not None else None
    if sizes is None:
        blocks.append(el("p", "No rule can be applied: length and widths are not determined."))
        return section("Tag against measured", *blocks)
    by_rule = []
    for rule in RULES.values():
        if rule.unit != "bf":
            continue
        try:
            by_rule.append((rule.name, tally(rule, sizes).statement, rule.source))
        except RuleInputError as error:
            by_rule.append((rule.name, why_not(str(error)), rule.source))
    if claim.board_feet is not None:
        names = rules_that_give(claim.board_feet, sizes)
        text = "; ".join(names) if names else "none of them"
        blocks.append(el("p", f"Rules that could give the tag's figure on these sizes: {text}."))
    blocks.append(
        table(("rule", "figure", "source"), by_rule, caption="The same slab by each rule",
              class_="cards")
    )  # fmt: skip
    return section("Tag against measured", *blocks)


def prices(findings: Findings) -> dict[str, Estimate]:
    """Return the asking total and what it makes each board foot cost, in the yard's currency."""
    total, why = asking_total(findings)
    draws = findings.gross_mm3.estimate.draws.size
    out: dict[str, Estimate] = {}
    if total is None:
        none = Estimate.undetermined(why, draws=draws)
        return {"total": none, "gross": none, "clear": none}
    out["total"] = Estimate.exact(total, draws=draws)
    claim = findings.record.notebook.claim
    if claim.price_basis == "square foot" and findings.best is not None:
        area = findings.best.gross_area_mm2.estimate
        out["total"] = Estimate(total, total * area.draws / area.value)
    for name, volume in (("gross", findings.gross_mm3), ("clear", findings.clear_mm3)):
        if not volume.determined:
            out[name] = Estimate.undetermined(volume.estimate.reason, draws=draws)
        elif (volume.estimate.draws <= 0).any():
            out[name] = Estimate.undetermined(f"{name} board feet may be none", draws=draws)
        else:
            ratio = out["total"] / (volume.estimate * (1 / BOARD_FOOT_MM3))
            out[name] = Estimate(ratio.value, ratio.draws)
    return out


def price_section(findings: Findings) -> Html:
    """Return the price as asked and per gross and clear board foot."""
    claim, cost = findings.record.notebook.claim, prices(findings)
    currency = claim.currency
    asked: Node = why_not("no asking price in the notebook")
    if claim.price is not None:
        basis = "for the slab" if claim.price_basis == "each" else f"per {claim.price_basis}"
        asked = f"{claim.price:,.2f} {currency} {basis} (as asked)"
    rows: list[tuple[Node, ...]] = [
        ("asked", asked),
        ("for the slab", money(cost["total"], currency)),
        ("per gross board foot", money(cost["gross"], currency)),
        ("per clear board foot", money(cost["clear"], currency)),
    ]
    return section(
        "Price",
        table(("", "amount (95 % interval)"), rows, caption="Without tax, haul and kiln"),
        el("p", "What is bought at a gross price and used at a clear size costs the last line.",
           class_="sub"),
    )  # fmt: skip


def moisture_section(findings: Findings, unit: Unit, key: str) -> Html:
    """Return readings, their mean against the stated figure, and points to lose."""
    book, trade = findings.record.notebook, findings.trade
    numbers = trade.numbers
    stated = book.claim.moisture_percent
    rows: list[tuple[Node, ...]] = [
        ("mean of the slab", percent(numbers["moisture_mean_pct"])),
        ("the seller states", f"{stated:g} % (as stated)" if stated is not None
         else why_not("no moisture was stated")),
        ("stated against read", trade.words.get("moisture_check") or "nothing to compare"),
        ("in use indoors", percent(numbers["target_moisture_pct"])),
        ("still to lose", spread(numbers["points_to_lose_pct"], "points", step=0.1)),
    ]  # fmt: skip
    blocks: list[Node] = [table(("", "value (95 % interval)"), rows, caption="Oven-dry basis")]
    readings = [
        (
            f"reading {number}",
            f"{r.percent:g} %",
            _typed(r.station_mm, unit, sixteenths=4) if r.station_mm is not None else "not noted",
            _typed(r.depth_mm, unit) if r.depth_mm is not None else "not noted",
            "yes: not used" if r.surface_wet else "no",
            r.meter or "not noted",
        )
        for number, r in enumerate(book.moisture, 1)
    ]
    if readings:
        head = ("", "as read", "from end A", "depth", "wet surface", "meter")
        blocks.append(table(head, readings, caption="Readings as written", class_="cards"))
    else:
        blocks.append(el("p", "No reading in the notebook: read the meter at three stations, at "
                              "the surface and at depth.", class_="why"))  # fmt: skip
    placed = [r for r in book.moisture if r.station_mm is not None and not r.surface_wet]
    if len(placed) >= 2:
        levels = [(numbers["target_moisture_pct"].value, "in use indoors")]
        if stated is not None:
            levels.append((stated, "as stated"))
        per, name = (MM_PER_IN, "in") if unit == "in" else (1.0, "mm")
        blocks.append(
            points_chart(
                [(r.station_mm or 0.0) / per for r in placed], [r.percent for r in placed],
                [2.0] * len(placed), xlabel=f"from end A, {name}", ylabel="moisture, %",
                levels=levels, key=key,
                caption="Readings along the slab. Bars: 2 points either way, a meter's usual "
                        "spread (common practice, no source).",
            )
        )  # fmt: skip
    return section("Moisture", *blocks)


def movement_section(
    findings: Findings, rings: RingProfile | None, unit: Unit, key: str
) -> tuple[Html, tuple[str, ...]]:
    """Return movement over the seasons, and the sources it rests on."""
    from slabvision.trade.movement import movement, season_table
    from slabvision.trade.species import resolve_species

    book, face = findings.record.notebook, findings.best
    title = "Movement over the seasons"
    mc = findings.trade.numbers["moisture_mean_pct"]
    said: list[str] = []
    if not mc.determined and book.claim.moisture_percent is not None:
        mc = Estimate.normal(
            book.claim.moisture_percent, 2.0, "%", name="stated moisture", draws=mc.draws.size
        )
        said.append("moisture as stated by the seller, taken to 4 points either way")
    if face is None or not face.max_width_mm.determined:
        why = "no width: outline the face" if face is None else face.max_width_mm.estimate.reason
        return section(title, el("p", f"Not determined: {why}", class_="why")), ()
    if not mc.determined:
        return section(title, el("p", f"Not determined: {mc.reason}", class_="why")), ()
    wood = resolve_species(book.species, tree=book.log_number)
    width = face.max_width_mm.estimate
    seasons = season_table(wood, width, mc, rings=rings)
    target = findings.trade.numbers["target_moisture_pct"]
    thick = findings.thickness_mm
    moved = movement(
        wood, width, mc, target, rings=rings,
        thickness_mm=thick.estimate if thick.determined else None,
    )  # fmt: skip
    rows: list[tuple[Node, ...]] = [
        (
            f"{row.rh_pct:.0f} % humidity",
            f"{row.emc_pct:.1f} %",
            length(row.width_mm, unit, sixteenths=1),
            _change(row.width_change_mm, unit),
        )
        for row in seasons
    ]
    swing = seasons[-1].width_change_mm - seasons[0].width_change_mm
    facts: list[tuple[Node, ...]] = [
        ("widest now", length(face.max_width_mm, unit, sixteenths=1)),
        ("width, drying to in-use moisture", _change(moved.width_change_mm, unit)),
        ("thickness, drying to in-use moisture", _change(moved.thickness_change_mm, unit)),
        (f"swing from {seasons[0].rh_pct:.0f} to {seasons[-1].rh_pct:.0f} % humidity, settled",
         _change(swing, unit)),
    ]  # fmt: skip
    blocks: list[Node] = [
        table(("", "value (95 % interval)"), facts, caption=f"At the widest place; {wood.title}")
    ]
    per, name = (MM_PER_IN, "in") if unit == "in" else (1.0, "mm")
    if moved.width_change_mm.determined:
        ends = [row.width_change_mm.interval for row in seasons]
        blocks.append(
            bar_chart(
                [f"{row.rh_pct:.0f} % humidity" for row in seasons],
                [row.width_change_mm.value / per for row in seasons],
                [lo / per for lo, _ in ends], [hi / per for _, hi in ends],
                xlabel=f"change of the width from now, {name}", key=key,
                caption="Width once the wood has settled at each humidity, 20 °C. Hysteresis is "
                        "one error in all rows, so differences are surer than the rows. Thick "
                        "tops follow the air slowly: the true swing is smaller.",
            )
        )  # fmt: skip
        head = ("room", "wood settles at", "width (95 % interval)", "change from now")
        blocks.append(table(head, rows, caption="The same in numbers", class_="cards"))
    if len(moved.by_source) > 1:
        sources = [
            (s.source, f"{s.width_change_mm / per:+.2f} {name}", s.status) for s in moved.by_source
        ]
        blocks.append(
            table(("source", "width's change", "status"), sources,
                  caption="What each published source says", class_="cards")
        )  # fmt: skip
    said += [moved.equation, moved.disagreement, *moved.remarks]
    return section(title, *blocks), tuple(s for s in said if s)


def _change(estimate: Estimate, unit: Unit) -> Html | str:
    if unit == "in":
        return spread(estimate, "in", per=MM_PER_IN)
    return spread(estimate, "mm")


def flattening_section(findings: Findings, unit: Unit) -> Html:
    """Return thickness readings, warp, and what is left once both faces are flat."""
    book = findings.record.notebook
    flat = findings.trade.numbers["flat_thickness_mm"]
    warp = book.flatness
    off = (("bow", warp.bow_mm), ("cup", warp.cup_mm), ("twist", warp.twist_mm))
    rows: list[tuple[Node, ...]] = [
        ("mean thickness now", length(findings.thickness_mm, unit, sixteenths=1)),
        *(
            (name, f"{_typed(value, unit)} (as measured)" if value is not None
             else why_not("lay a straightedge or winding sticks on it"))
            for name, value in off
        ),
        ("left with both faces flat", length(flat, unit, sixteenths=1)),
    ]  # fmt: skip
    blocks: list[Node] = [
        table(("", "value (95 % interval)"), rows, caption="The whole slab flattened in one piece")
    ]
    if book.thickness:
        read = [
            (
                f"station {number}",
                f"{_typed(r.mm, unit)} (± {_typed(1.96 * r.u_mm, unit)})",
                _typed(r.station_mm, unit, sixteenths=4) if r.station_mm is not None
                else "not noted",
                r.where if r.where != "unsaid" else "not noted",
            )
            for number, r in enumerate(book.thickness, 1)
        ]  # fmt: skip
        head = ("", "thickness (95 %)", "from end A", "across")
        blocks.append(table(head, read, caption="Thickness as read"))
    blocks.append(
        el("p", "A part shorter or narrower than the slab keeps more: bow falls with the square "
                "of its length, cup with the square of its width.", class_="sub")
    )  # fmt: skip
    return section("Thickness after flattening", *blocks)


def weight_section(findings: Findings, unit: Unit) -> Html:
    """Return weight and what it means for lifting."""
    kg = findings.trade.numbers["weight_kg"]
    lifting = findings.trade.words.get("lifting") or "Weight not determined: plan for a forklift."
    return section(
        "Weight and lifting",
        table(("", "value (95 % interval)"), [("weight as it lies", weight(kg, unit))],
              caption="At the moisture read"),
        el("p", lifting[:1].upper() + lifting[1:] + "."),
    )  # fmt: skip
