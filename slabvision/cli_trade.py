"""``slabvision trade``: the trade's arithmetic from a shell, without any photo."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from slabvision.cli_trade_moving import register
from slabvision.cli_trade_words import (
    LENGTH_U_MM,
    THICKNESS_U_MM,
    WIDTH_U_MM,
    UnitOption,
    checked_unit,
    length,
    lines,
    number,
    one_line_errors,
    remarks,
    show,
    span,
    warn,
    weight_kg,
    weight_text,
)

if TYPE_CHECKING:
    from slabvision.estimate import Estimate
    from slabvision.trade.landed_cost import Fee

__all__ = ["app"]

app = typer.Typer(
    name="trade",
    help="Board feet, moisture, movement, weight, flattening and cost, without any photo.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

ThicknessOption = Annotated[str, typer.Option(help="Thickness as it measures now.")]


@app.command(epilog="Example: slabvision trade rules")
@one_line_errors
def rules() -> None:
    """List the rules by which yards tally board feet, each with its source."""
    from slabvision.trade.tally_rules import RULES

    show("Tally rules", ("rule", "what it does", "source"),
         ((r.name, r.meaning, f"{r.source} ({r.status})") for r in RULES.values()))  # fmt: skip


@app.command(
    "board-feet",
    epilog="Example: slabvision trade board-feet --length 96 --width 26 --width 27 --width 29 "
    "--thickness 2.5 --rule 'mean of three, whole feet' --tag 47",
)
@one_line_errors
def board_feet(
    length_: Annotated[str, typer.Option("--length", help="Length, for instance 96 or '8 ft'.")],
    width: Annotated[
        list[str], typer.Option(help="Width; once, or several in order along the slab.")
    ],
    thickness: Annotated[str, typer.Option(help="Thickness as it measures now.")] = "",
    sawn: Annotated[str, typer.Option(help="Thickness it was sawn to (8/4 is 2).")] = "",
    other_face: Annotated[
        list[str] | None, typer.Option(help="Widths of the other face, at the same places.")
    ] = None,
    rule: Annotated[str, typer.Option(help="A tally rule by name, or 'all'.")] = "all",
    tag: Annotated[float | None, typer.Option(help="The tag's figure, to compare.")] = None,
    bark: Annotated[
        str, typer.Option(help="Do the widths include bark?", metavar="in|out|unsaid")
    ] = "unsaid",
    bark_width: Annotated[str, typer.Option(help="Bark across, both edges together.")] = "",
    unit: UnitOption = "in",
) -> None:
    """Tally a slab by a yard's rule and compare its tag like for like.

    A size without ± is taken to 1 mm (length), 4 mm (width between live edges) and 0.5 mm
    (thickness), standard uncertainty, common practice; write '27 1/4 ± 1/8' to say otherwise.
    """
    from slabvision.trade.board_feet import RuleInputError, SlabSizes, tally
    from slabvision.trade.tag import compare_tag, rules_that_give
    from slabvision.trade.tally_rules import RULES, tally_rule

    if bark not in ("in", "out", "unsaid"):
        raise ValueError(f"--bark is {bark!r}; it must be in, out or unsaid")
    said: Literal["in", "out", "not said"] = "not said"
    if bark in ("in", "out"):
        said = "in" if bark == "in" else "out"
    sizes = SlabSizes(
        length(length_, unit, "length", LENGTH_U_MM),
        tuple(length(w, unit, f"width {k}", WIDTH_U_MM) for k, w in enumerate(width, 1)),
        length(thickness, unit, "thickness", THICKNESS_U_MM) if thickness else None,
        length(sawn, unit, "sawn thickness") if sawn else None,
        other_face_widths_mm=tuple(
            length(w, unit, f"other width {k}", WIDTH_U_MM)
            for k, w in enumerate(other_face or [], 1)
        ),
        bark=said,
        bark_mm=length(bark_width, unit, "bark") if bark_width else None,
    )
    if rule == "all":
        rows = []
        for each in RULES.values():
            try:
                rows.append((each.name, tally(each, sizes).statement))
            except RuleInputError as error:
                rows.append((each.name, f"- {error}"))
        show("By each rule (slabvision trade rules gives their sources)",
             ("rule", "figure", ""), ((*row, "") for row in rows))  # fmt: skip
        if tag is not None:
            names = rules_that_give(tag, sizes)
            found = "; ".join(names) if names else "none of these rules on these sizes"
            lines([f"tag {tag:g} could come from: {found}"])
        return
    result = tally(tally_rule(rule), sizes)
    exact, spread = span(result.exact_bf, lambda bf: f"{bf:.1f}")
    show(f"{result.rule.name}: {result.rule.meaning}", ("", ""), [
        ("by the rule", result.statement),
        ("it holds", f"{exact} board feet ({spread})" if spread else f"{exact} board feet"),
        *((("working", line) if k == 0 else ("", line)) for k, line in enumerate(result.working)),
        ("source", f"{result.rule.source} ({result.rule.status})"),
    ])  # fmt: skip
    if tag is not None:
        lines([compare_tag(tag, result).text])
        others = [n for n in rules_that_give(tag, sizes) if n != result.rule.name]
        if others and not compare_tag(tag, result).agrees:
            lines([f"the tag's figure is what these rules give: {'; '.join(others)}"])
    remarks(result.remarks)


@app.command(epilog="Example: slabvision trade species 'tulip poplar'")
@one_line_errors
def species(
    name: Annotated[str, typer.Argument(help="Common, botanical or yard name.")],
    stand_in: Annotated[str, typer.Option(help="A known species to use instead.")] = "",
) -> None:
    """Show what is known about a species: values, intervals, sources, disagreements."""
    from slabvision.trade.species import resolve_species

    wood = resolve_species(name, stand_in=stand_in or None)
    if len(wood.rows) == 1:
        lines([f"{wood.title} ({wood.rows[0].botanical}): {wood.how}"])
    else:
        lines([f"{wood.title}: {wood.how}"])
    columns = (("sg_green", "specific gravity, green", "{:.2f}"),
               ("shrink_radial_pct", "shrinkage, radial", "{:.1f} %"),
               ("shrink_tangential_pct", "shrinkage, tangential", "{:.1f} %"),
               ("coef_radial", "per 1 %, quarter-sawn", "{:.5f}"),
               ("coef_tangential", "per 1 %, flat-sawn", "{:.5f}"))  # fmt: skip
    rows = []
    for column, title, form in columns:
        value, interval = span(wood.estimate(column), form.format)
        rows.append((title, value, interval, wood.source(column)))
        for other in wood.values(column)[1:]:
            rows.append(("", form.format(other.value), "", f"{other.source} ({other.status})"))
    show("", ("", "value", "95 % interval", "source"), rows)
    remarks(wood.marks(*(column for column, _, _ in columns)))


@app.command(
    epilog="Example: slabvision trade weight walnut --length 96 --width 30 --thickness 2.5 "
    "--moisture 12",
)
@one_line_errors
def weight(
    species_: Annotated[str, typer.Argument(metavar="SPECIES", help="Species as stated.")],
    length_: Annotated[str, typer.Option("--length", help="Length.")],
    width: Annotated[str, typer.Option(help="Mean width.")],
    thickness: ThicknessOption,
    moisture: Annotated[str, typer.Option(help="Moisture of the whole section, %, 12 or 12 ± 2.")],
    log: Annotated[str, typer.Option(help="Log number: slabs of one log weigh alike.")] = "",
    unit: UnitOption = "in",
) -> None:
    """Weigh a slab by its size, species and moisture, and say who or what should lift it."""
    from slabvision.trade.cautions import cautions_for
    from slabvision.trade.species import resolve_species
    from slabvision.trade.weight import lifting
    from slabvision.trade.weight import weight as weigh

    volume = (
        length(length_, unit, "length", LENGTH_U_MM)
        * length(width, unit, "width", WIDTH_U_MM)
        * length(thickness, unit, "thickness", THICKNESS_U_MM)
    )
    slab = weigh(resolve_species(species_, tree=log), volume, number(moisture, "%", "moisture"))
    value, interval = span(slab.kg, weight_text(unit))
    density, around = span(slab.density_kg_m3, _density(unit))
    show(f"{species_}, {slab.mc_pct:g} % moisture", ("", "value", "95 % interval", "source"), [
        ("weight", value, interval, "GTR-190 eq. 4-9, 4-12"),
        ("density", density, around, slab.source),
    ])  # fmt: skip
    lines([lifting(slab.kg).text])
    remarks(slab.remarks)
    warn(cautions_for(["weight"]))


def _density(unit: str) -> Callable[[float], str]:
    from slabvision.units import pounds_per_cubic_foot

    if checked_unit(unit) == "in":
        return lambda r: f"{pounds_per_cubic_foot(r):.1f} lb/ft³"
    return lambda r: f"{r:.0f} kg/m³"


@app.command(
    epilog="Example: slabvision trade haul 'walnut; 96; 30; 2.5; 12; log 7' "
    "'white oak; 8 ft; 28; 2.25; 20' --payload '1500 lb'",
)
@one_line_errors
def haul(
    slabs: Annotated[
        list[str],
        typer.Argument(help="'species; length; width; thickness; moisture; log', one a slab."),
    ],
    payload: Annotated[str, typer.Option(help="Payload left for wood.")] = "",
    unit: UnitOption = "in",
) -> None:
    """Add up a load, say whether it is within the payload and how the heaviest slab is lifted."""
    from slabvision.trade.cautions import cautions_for
    from slabvision.trade.species import resolve_species
    from slabvision.trade.weight import haul as load
    from slabvision.trade.weight import lifting
    from slabvision.trade.weight import weight as weigh

    rows: list[tuple[str, ...]] = []
    weights: list[Estimate] = []
    notes: list[str] = []
    for count, text in enumerate(slabs, 1):
        parts = [part.strip() for part in text.split(";")]
        if len(parts) not in (5, 6):
            raise ValueError(
                f"slab {count} {text!r} has {len(parts)} parts; write 'species; length; width; "
                "thickness; moisture' and, if known, '; log'"
            )
        name, long, wide, thick, wet = parts[:5]
        volume = (
            length(long, unit, f"length {count}", LENGTH_U_MM)
            * length(wide, unit, f"width {count}", WIDTH_U_MM)
            * length(thick, unit, f"thickness {count}", THICKNESS_U_MM)
        )
        tree = parts[5] if len(parts) == 6 else ""
        wood = resolve_species(name, tree=tree)
        slab = weigh(wood, volume, number(wet, "%", f"moisture {count}"))
        weights.append(slab.kg)
        notes += slab.remarks
        rows.append(
            (f"{count}  {wood.title}", *span(slab.kg, weight_text(unit)), tree or "not said")
        )
        if not tree:
            notes.append(
                "slabs of a species without a log number are taken as of one tree: the "
                "cautious case"
            )
    total = load(weights, payload_kg=weight_kg(payload, unit, "payload") if payload else None)
    rows.append(("total", *span(total.kg, weight_text(unit)), ""))
    show("Load", ("slab", "weight", "95 % interval", "log"), rows)
    lines([total.text, f"heaviest: {lifting(total.heaviest_kg).text}"])
    remarks(notes)
    warn(cautions_for(["haul"]))


@app.command(
    epilog="Example: slabvision trade cost --price 12 --price-per 'board foot' --board-feet 54 "
    "--tax 8 --haul 60 --kiln 0.75 --kiln-per 'board foot' --flattening 6 "
    "--flattening-per 'square foot' --square-feet 35 --fill 25 --clear '40 ± 3' --finished 26",
)
@one_line_errors
def cost(
    price: Annotated[float, typer.Option(help="Asking price.")],
    price_per: Annotated[str, typer.Option(help="slab, board foot or square foot.")] = "slab",
    board_feet_: Annotated[
        str, typer.Option("--board-feet", help="Board feet paid for (the tag's).")
    ] = "",
    square_feet: Annotated[
        str, typer.Option(help="Square feet charged, both faces if both are.")
    ] = "",
    hours: Annotated[str, typer.Option(help="Hours of flattening.")] = "",
    tax: Annotated[float, typer.Option(help="Sales tax on the price, %.")] = 0.0,
    haul_: Annotated[float, typer.Option("--haul", help="This slab's share of the haul.")] = 0.0,
    kiln: Annotated[float, typer.Option(help="Kiln charge.")] = 0.0,
    kiln_per: Annotated[str, typer.Option(help="slab or board foot.")] = "slab",
    flattening: Annotated[float, typer.Option(help="Flattening charge.")] = 0.0,
    flattening_per: Annotated[str, typer.Option(help="slab, square foot or hour.")] = "slab",
    fill: Annotated[float, typer.Option(help="Resin, dowels, keys.")] = 0.0,
    gross: Annotated[str, typer.Option(help="Gross board feet, 54 or '54 ± 2'.")] = "",
    clear: Annotated[str, typer.Option(help="Clear board feet.")] = "",
    finished: Annotated[str, typer.Option(help="Board feet in the finished piece.")] = "",
) -> None:
    """Add up what a slab costs once it is flat in the shop, per board foot that counts."""
    from slabvision.trade.cautions import cautions_for
    from slabvision.trade.landed_cost import landed_cost

    def amount(text: str, unit: str, what: str) -> Estimate | None:
        return number(text, unit, what) if text else None

    quantities = {"board foot": amount(board_feet_, "bf", "--board-feet"),
                  "square foot": amount(square_feet, "ft2", "--square-feet"),
                  "hour": amount(hours, "h", "--hours")}  # fmt: skip
    fees = [_fee("price", price, price_per, quantities, taxed=True)]
    for what, money, per in (("haul", haul_, "slab"), ("kiln", kiln, kiln_per),
                             ("flattening", flattening, flattening_per),
                             ("fill", fill, "slab")):  # fmt: skip
        if money:
            fees.append(_fee(what, money, per, quantities))
    paid = quantities["board foot"]
    answer = landed_cost(
        fees, tax_pct=tax, gross_bf=amount(gross, "bf", "gross") or paid,
        clear_bf=amount(clear, "bf", "clear"), finished_bf=amount(finished, "bf", "finished"),
    )  # fmt: skip

    def money_text(value: float) -> str:
        return f"{value:.2f}"

    rows = [(line.what, *span(line.money, money_text)) for line in answer.lines]
    rows.append(("total", *span(answer.total, money_text)))
    for name, each in answer.per_board_foot.items():
        rows.append((f"per {name} board foot", *span(each, money_text)))
    show("Landed cost (your currency)", ("", "amount", "95 % interval"), rows)
    warn(cautions_for(["cost"]))


def _fee(
    what: str, money: float, per: str, quantities: dict[str, Estimate | None], *,
    taxed: bool = False,
) -> Fee:  # fmt: skip
    from slabvision.trade.landed_cost import Fee

    if per == "slab":
        return Fee(what, money, taxed=taxed)
    if per not in quantities:
        raise ValueError(
            f"--{what}-per is {per!r}; it must be one of slab, {', '.join(quantities)}"
        )
    quantity = quantities[per]
    if quantity is None:
        option = {"board foot": "--board-feet", "square foot": "--square-feet", "hour": "--hours"}
        raise ValueError(f"{what} is charged per {per}: say how many with {option[per]}")
    return Fee(what, money, per, quantity, taxed)  # type: ignore[arg-type]


@app.command(epilog="Example: slabvision trade cautions")
@one_line_errors
def cautions() -> None:
    """Print the usual cautions in full, with their sources."""
    from slabvision.trade.cautions import CAUTIONS

    for each in CAUTIONS:
        sources = "; ".join(each.sources)
        show(each.title, ("", ""), [("", each.text), ("", each.defer), ("", f"Source: {sources}")])
        lines([""])


register(app)
