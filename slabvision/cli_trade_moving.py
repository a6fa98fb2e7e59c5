"""``slabvision trade``: moisture, drying, movement, cup, seasons and flattening."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

import typer

from slabvision.cli_trade_words import (
    THICKNESS_U_MM,
    WIDTH_U_MM,
    UnitOption,
    change_text,
    checked_unit,
    length,
    lines,
    number,
    one_line_errors,
    percent,
    remarks,
    show,
    signed_mm,
    size_text,
    span,
    temperature_c,
    warn,
    weight_kg,
)

if TYPE_CHECKING:
    from slabvision.estimate import Estimate
    from slabvision.trade.drying_log import LogEntry
    from slabvision.trade.flattening import Part, ThicknessReading
    from slabvision.trade.meter import MeterReading
    from slabvision.trade.rings import RingProfile

__all__ = ["register"]

SpeciesArgument = Annotated[str, typer.Argument(metavar="SPECIES", help="Species as stated.")]
FromOption = Annotated[str, typer.Option("--from", help="Moisture now, %, 12 or '12 ± 2'.")]
ToOption = Annotated[str, typer.Option("--to", help="Moisture in use, %.")]
AngleOption = Annotated[
    str, typer.Option(help="Angle of rings to face: 0 flat-sawn, 90 quarter-sawn; '30 ± 10'.")
]


@one_line_errors
def emc(
    temp: Annotated[str, typer.Option(help="Temperature, 70F or 21C.")],
    rh: Annotated[str, typer.Option(help="Relative humidity, %, 45 or '45 ± 10'.")],
    unit: UnitOption = "in",
) -> None:
    """Show the equilibrium moisture of wood in air of a temperature and humidity."""
    from slabvision.estimate import Estimate
    from slabvision.trade.moisture import HYSTERESIS_U_PCT, emc_glass_pct, emc_pct

    temp_c, humidity = temperature_c(temp, unit, "temperature"), number(rh, "%", "humidity")
    board = Estimate.normal(0.0, HYSTERESIS_U_PCT, "%", name="hysteresis")
    rows = []
    for equation, source in (
        (emc_pct, "Wood Handbook eq. 4-5 (Simpson 1973)"),
        (emc_glass_pct, "GTR-282 eq. 4-6 (Glass and others 2014)"),
    ):
        settled = equation(temp_c, humidity)
        assert isinstance(settled, Estimate)
        rows.append((source, *span(settled + board, percent)))
    show(f"{temp_c:.1f} °C, {humidity.value:g} % RH", ("equation", "moisture", "95 % interval"),
         rows)  # fmt: skip
    remarks(["the interval holds the difference between drying and wetting boards (hysteresis)"])


def _reading(text: str, unit: str, count: int) -> MeterReading:
    """Read ``12.5``, ``12.5@1/2 in`` or ``18@2 mm wet``."""
    from slabvision.trade.meter import MeterReading

    wet = text.rstrip().lower().endswith("wet")
    body = text.rstrip()[:-3] if wet else text
    value, _, depth = body.partition("@")
    read = number(value, "%", f"reading {count}").value
    depth_mm = length(depth, unit, f"depth {count}").value if depth.strip() else None
    return MeterReading(read, depth_mm=depth_mm, wet=wet)


@one_line_errors
def moisture(
    readings: Annotated[
        list[str] | None,
        typer.Argument(help="12.5, or with depth 12.5@1/2, and 'wet' for a wet face."),
    ] = None,
    thickness: Annotated[
        str, typer.Option(help="Thickness; with depths gives shell and core.")
    ] = "",
    stated: Annotated[float | None, typer.Option(help="Moisture the seller states, %.")] = None,
    place: Annotated[
        str, typer.Option("--for", help="Where the piece will live; 'list' shows all.")
    ] = "interior",
    meter: Annotated[str, typer.Option(help="Kind of meter.", metavar="resistance|dielectric")] = (
        "resistance"
    ),
    wood_temp: Annotated[str, typer.Option(help="Temperature of the wood, 40F or 5C.")] = "",
    calibration_temp: Annotated[str, typer.Option(help="The meter's own temperature.")] = "",
    species_points: Annotated[
        float | None, typer.Option(help="Points to add, from the meter's species table.")
    ] = None,
    unit: UnitOption = "in",
) -> None:
    """Show mean, spread, shell against core, the seller's figure, and what is still to lose."""
    from dataclasses import replace

    from slabvision.trade.cautions import cautions_for
    from slabvision.trade.meter import summarize_readings
    from slabvision.trade.moisture import DESTINATIONS, destination, points_to_lose

    if place == "list":
        show("Places", ("key", "where", "moisture", "source"), (
            (d.key, d.title, f"{d.low_pct:g} %" if d.low_pct == d.high_pct
             else f"{d.low_pct:g}-{d.high_pct:g} %", d.source)
            for d in DESTINATIONS.values()))  # fmt: skip
        return
    target = destination(place)
    if meter not in ("resistance", "dielectric"):
        raise ValueError(f"--meter is {meter!r}; it must be resistance or dielectric")
    kind: Literal["resistance", "dielectric"] = (
        "resistance" if meter == "resistance" else "dielectric"
    )
    given = tuple(
        replace(
            _reading(text, unit, count), meter=kind, species_points=species_points,
            wood_temp_c=temperature_c(wood_temp, unit, "wood temperature") if wood_temp else None,
            calibration_temp_c=temperature_c(calibration_temp, unit, "calibration temperature")
            if calibration_temp else None,
        )
        for count, text in enumerate(readings or [], 1)
    )  # fmt: skip
    seen = summarize_readings(
        given, stated_pct=stated,
        thickness_mm=length(thickness, unit, "thickness") if thickness else None,
    )  # fmt: skip
    lose = points_to_lose(seen.mean_pct, target.target_pct())
    rows = [
        ("mean", *span(seen.mean_pct, percent), "readings; meter as GTR-190 p.13-3"),
        (f"for {target.key}", *span(target.target_pct(), percent), target.source),
    ]
    used = sum(each.used for each in seen.readings)
    if used:
        low_high = f"{seen.lowest_pct:.1f} to {seen.highest_pct:.1f} %"
        rows.insert(1, ("readings used", low_high, "", f"{used} of {len(seen.readings)}"))
    show("Moisture", ("", "value", "95 % interval", "source"), rows)
    lines([lose.text])
    remarks(seen.texts)
    warn(cautions_for(["moisture"]))


@one_line_errors
def drying(
    entries: Annotated[
        list[str], typer.Argument(help="'2025-03-01; 132 lb; 23 %', weight or reading or both.")
    ],
    ovendry: Annotated[str, typer.Option(help="Ovendry weight, when known.")] = "",
    target: Annotated[float | None, typer.Option(help="Moisture wanted, %.")] = None,
    unit: UnitOption = "in",
) -> None:
    """Work out a drying log of dated weighings and meter readings."""
    from slabvision.trade.drying_log import drying_log

    log = drying_log(
        [_entry(text, unit) for text in entries],
        ovendry_kg=weight_kg(ovendry, unit, "ovendry weight") if ovendry else None,
        target_pct=target,
    )

    def shown(estimate: Estimate | None) -> str:
        return "" if estimate is None else percent(estimate.value)

    show("Drying log", ("date", "by weight", "by meter", "points a week"), (
        (s.on.isoformat(), shown(s.by_weight_pct), shown(s.by_meter_pct),
         "" if s.points_per_week != s.points_per_week else f"{s.points_per_week:.2f}")
        for s in log.steps))  # fmt: skip
    lines(log.texts)


def _entry(text: str, unit: str) -> LogEntry:
    from datetime import date

    from slabvision.trade.drying_log import LogEntry

    day, *rest = [part.strip() for part in text.split(";")]
    try:
        on = date.fromisoformat(day)
    except ValueError:
        raise ValueError(f"date {day!r} cannot be read; write for instance 2025-03-01") from None
    weight: float | None = None
    mc: float | None = None
    for part in filter(None, rest):
        if part.endswith("%"):
            mc = number(part, "%", f"moisture of {day}").value
        else:
            weight = weight_kg(part, unit, f"weight of {day}")
    return LogEntry(on, weight, mc)


# Movement ----------------------------------------------------------------------------------------


def _rings(
    angle: str, pith_height: str, pith_offset: str, width: Estimate, unit: str
) -> RingProfile | None:
    from slabvision.trade.rings import RingProfile

    if angle and pith_height:
        raise ValueError("give the ring angle or the height above the pith, not both")
    if pith_height:
        height = length(pith_height, unit, "height above the pith").value
        off = signed_mm(pith_offset, unit, "pith offset").value
        return RingProfile.round_pith(
            -width.value / 2 - off, width.value / 2 - off, height, 5.0, name="typed"
        )
    if angle:
        typed = number(angle, "deg", "ring angle")
        return RingProfile.constant(typed.value, typed.u, name="typed")
    return None


@one_line_errors
def movement(
    species: SpeciesArgument,
    width: Annotated[str, typer.Option(help="Width at the moisture it has now.")],
    from_: FromOption,
    to: ToOption,
    thickness: Annotated[str, typer.Option(help="Thickness.")] = "",
    ring_angle: AngleOption = "",
    pith_height: Annotated[
        str, typer.Option(help="Face's height above the pith, when seen on the end (rings ± 10).")
    ] = "",
    pith_offset: Annotated[str, typer.Option(help="Pith off the middle of the width.")] = "0",
    unit: UnitOption = "in",
) -> None:
    """Show how width and thickness change between two moistures, by every published source."""
    from slabvision.trade.cautions import cautions_for
    from slabvision.trade.movement import movement as move
    from slabvision.trade.movement import size_to_cut_mm
    from slabvision.trade.species import resolve_species

    wood = resolve_species(species)
    wide = length(width, unit, "width", WIDTH_U_MM)
    now, later = number(from_, "%", "moisture now"), number(to, "%", "moisture in use")
    rings = _rings(ring_angle, pith_height, pith_offset, wide, unit)
    moved = move(
        wood, wide, now, later, rings=rings,
        thickness_mm=length(thickness, unit, "thickness", THICKNESS_U_MM) if thickness else None,
    )  # fmt: skip
    change, size = change_text(unit), size_text(unit)
    cut = size_to_cut_mm(wood, wide.value, now, later, rings=rings)
    rows = [
        ("width changes by", *span(moved.width_change_mm, change)),
        (f"width at {later.value:g} %", *span(moved.width_after_mm, size)),
        (f"cut now for {size(wide.value)}", *span(cut, size)),
    ]
    if thickness:
        rows.insert(2, ("thickness changes by", *span(moved.thickness_change_mm, change)))
    show(f"{wood.title}, {now.value:g} to {later.value:g} % moisture",
         ("", "value", "95 % interval"), rows)  # fmt: skip
    if len(moved.by_source) > 1:
        show("Width by each source", ("change", "status", "source"),
             ((change(s.width_change_mm), s.status, s.source)
              for s in moved.by_source))  # fmt: skip
    worth = 0.02 * moved.width_change_mm.u
    causes = ", ".join(
        f"{what} {change(2 * u).lstrip('+')}"
        for what, u in moved.contributions_mm.items()
        if u > worth
    )
    causes_line = [f"± from each cause alone: {causes}"] if causes else []
    remarks([t for t in (moved.equation, moved.disagreement, *causes_line, *moved.remarks) if t])
    warn(cautions_for(["movement"]))


@one_line_errors
def seasons(
    species: SpeciesArgument,
    width: Annotated[str, typer.Option(help="Width at the moisture it has now.")],
    now: Annotated[str, typer.Option(help="Moisture now, %.")],
    temp: Annotated[str, typer.Option(help="Temperature of the room, 70F or 21C.")] = "21C",
    rh: Annotated[list[float] | None, typer.Option(help="Relative humidity, %; repeat.")] = None,
    ring_angle: AngleOption = "",
    unit: UnitOption = "in",
) -> None:
    """Show the width over a room's humidities through the year."""
    from slabvision.trade.movement import season_table
    from slabvision.trade.species import resolve_species

    wood, wide = resolve_species(species), length(width, unit, "width", WIDTH_U_MM)
    rings = _rings(ring_angle, "", "0", wide, unit)
    rows = season_table(
        wood, wide, number(now, "%", "moisture now"), rings=rings,
        temp_c=temperature_c(temp, unit, "temperature"), rh_pct=rh or (25, 35, 45, 55, 65),
    )  # fmt: skip
    show(f"{wood.title}, settled at each humidity (eq. 4-5)",
         ("humidity", "moisture", "width changes by", "95 % interval"),
         ((f"{r.rh_pct:g} %", percent(r.emc_pct), *span(r.width_change_mm, change_text(unit)))
          for r in rows))  # fmt: skip
    swing = rows[-1].width_mm - rows[0].width_mm
    value, interval = span(swing, lambda mm: change_text(unit)(mm).lstrip("+"))
    lines([f"from {rows[0].rh_pct:g} to {rows[-1].rh_pct:g} % humidity: {value} ({interval})"])
    blind = "" if rings else "ring angle not known: anything from quarter- to flat-sawn"
    remarks([*filter(None, (blind,)), *wood.marks("coef_tangential", "coef_radial"),
             "a thick top follows the air slowly: a season's true swing is smaller",
             "drying and wetting wood settle apart (hysteresis): one error in all rows",
             "GTR-190 eq. 4-5, 13-2 and 13-3"])  # fmt: skip


@one_line_errors
def cup(
    species: SpeciesArgument,
    width: Annotated[str, typer.Option(help="Width of the face.")],
    pith_height: Annotated[str, typer.Option(help="Height of the face above the pith.")],
    from_: FromOption,
    to: ToOption,
    pith_offset: Annotated[str, typer.Option(help="Pith off the middle of the width.")] = "0",
    unit: UnitOption = "in",
) -> None:
    """Show how far a face goes hollow between two moistures, and on which side."""
    from slabvision.trade.cautions import cautions_for
    from slabvision.trade.cup import cup as cupping
    from slabvision.trade.species import resolve_species

    answer = cupping(
        resolve_species(species), length(width, unit, "width", WIDTH_U_MM),
        signed_mm(pith_height, unit, "height above the pith"),
        number(from_, "%", "moisture now"), number(to, "%", "moisture in use"),
        pith_offset_mm=signed_mm(pith_offset, unit, "pith offset"),
    )  # fmt: skip
    depth, interval = span(answer.depth_mm, lambda mm: change_text(unit)(mm).lstrip("+"))
    show("Cup", ("", "at most", "95 % interval", "source"), [
        ("depth", depth, interval, "polar map (derived; as Mitchell 2016)"),
        ("hollow on the", answer.hollow_on, "", ""),
    ])  # fmt: skip
    remarks(answer.remarks)
    warn(cautions_for(["movement"]))


# Flattening --------------------------------------------------------------------------------------


@one_line_errors
def flatten(
    length_: Annotated[str, typer.Option("--length", help="Length of the whole slab.")],
    width: Annotated[str, typer.Option(help="Width of the whole slab.")],
    thickness: Annotated[
        list[str], typer.Option(help="2.5, or with its station 2.5@48, or 2.5@48,6 across too.")
    ],
    bow: Annotated[
        str, typer.Option(help="Gap under a straightedge along; - if other face.")
    ] = "0",
    cup_: Annotated[str, typer.Option("--cup", help="Gap under a straightedge across.")] = "0",
    twist: Annotated[str, typer.Option(help="Fourth corner above the other three.")] = "0",
    part_length: Annotated[str, typer.Option(help="Length of the part wanted.")] = "",
    part_width: Annotated[str, typer.Option(help="Width of the part wanted.")] = "",
    part_from: Annotated[str, typer.Option(help="Where it begins along the slab.")] = "0",
    part_left: Annotated[str, typer.Option(help="Where it begins across the slab.")] = "0",
    clean_up: Annotated[str, typer.Option(help="Taken from each face beyond flat.")] = "0",
    plan: Annotated[bool, typer.Option("--plan", help="Also print a plan of passes.")] = False,
    unit: UnitOption = "in",
) -> None:
    """Show the thickness left once both faces are flat, for the slab or a part of it."""
    from slabvision.trade.cautions import cautions_for
    from slabvision.trade.flattening import Warp, warp_of_part
    from slabvision.trade.flattening import flatten as plane_flat
    from slabvision.trade.pass_plan import PASS_PLAN_SOURCE, pass_plan

    long, wide = (length(t, unit, w).value for t, w in ((length_, "length"), (width, "width")))
    part = _part(part_length, part_width, part_from, part_left, long, wide, unit)
    warp = Warp(signed_mm(bow, unit, "bow"), signed_mm(cup_, unit, "cup"),
                signed_mm(twist, unit, "twist"))  # fmt: skip
    readings = [_station(text, unit, count) for count, text in enumerate(thickness, 1)]
    kept = plane_flat(warp, readings, long, wide, part=part,
                      clean_up_mm=signed_mm(clean_up, unit, "clean-up").value)  # fmt: skip
    local = warp_of_part(warp, long, wide, part.u1_mm - part.u0_mm, part.v1_mm - part.v0_mm)
    size = size_text(unit)

    def small(mm: float) -> str:
        return change_text(unit)(mm).lstrip("+")

    of = "of the slab" if (part_length or part_width) == "" else "of the part"
    rows = [(f"{what} {of}", *span(_estimate(n), size))
            for what, n in (("bow", local.bow_mm), ("cup", local.cup_mm),
                            ("twist", local.twist_mm))]  # fmt: skip
    rows += [("lost to flatness", *span(kept.loss_mm, size)),
             ("thickness left", *span(kept.thickness_mm, size))]  # fmt: skip
    show("Both faces flat and parallel", ("", "value", "95 % interval"), rows)
    if plan:
        steps = pass_plan(kept)
        show(f"Plan of passes ({PASS_PLAN_SOURCE})", ("", "what", "taken so far"), (
            (str(s.number), f"{s.face} face: {small(s.depth_mm)} off the high spots"
             if s.what == "cut" else s.text, small(s.taken_mm) if s.what == "cut" else "")
            for s in steps))  # fmt: skip
    remarks(["geometry: bow and cup as parabolas, twist straight-sided (derived); a bent slab of "
             "even thickness loses its bow once", "a kink by a knot is not in it"])  # fmt: skip
    warn(cautions_for(["flattening"]))


def _estimate(value: Estimate | float) -> Estimate:
    from slabvision.trade.quantity import as_estimate

    return as_estimate(value, "mm")


def _part(
    long: str, wide: str, start: str, left: str, whole_mm: float, width_mm: float, unit: str
) -> Part:
    from slabvision.trade.flattening import Part

    u0 = signed_mm(start, unit, "--part-from").value
    v0 = signed_mm(left, unit, "--part-left").value
    u1 = u0 + length(long, unit, "--part-length").value if long else whole_mm
    v1 = v0 + length(wide, unit, "--part-width").value if wide else width_mm
    return Part(u0, u1, v0, v1)


def _station(text: str, unit: str, count: int) -> ThicknessReading:
    from slabvision.trade.flattening import ThicknessReading

    checked_unit(unit)
    size, _, where = text.partition("@")
    along, _, across = where.partition(",")
    return ThicknessReading(
        length(size, unit, f"thickness {count}", THICKNESS_U_MM),
        signed_mm(along, unit, f"station {count}").value if along.strip() else 0.0,
        signed_mm(across, unit, f"station {count} across").value if across.strip() else None,
    )


_EXAMPLES = (
    ("emc", emc, "--temp 70F --rh 45"),
    ("moisture", moisture, "12@1/4 14@1 13.5@1 --thickness 2.5 --stated 8 --for interior"),
    ("drying", drying, "'2025-03-01; 132 lb' '2025-06-01; 120 lb; 13 %' --target 8"),
    ("movement", movement, "walnut --width 30 --thickness 2 --from '12 ± 2' --to 8 "
     "--ring-angle '20 ± 10'"),
    ("seasons", seasons, "'white oak' --width 42 --now 9 --ring-angle 10"),
    ("cup", cup, "elm --width 30 --pith-height 9 --from 12 --to 8"),
    ("flatten", flatten, "--length 96 --width 32 --thickness 2.5@0 --thickness 2.6@48 "
     "--thickness 2.5@96 --bow 3/8 --twist 1/4 --part-length 60 --plan"),
)  # fmt: skip


def register(app: typer.Typer) -> None:
    """Add these commands, each with its example, to the trade's application."""
    for name, command, example in _EXAMPLES:
        app.command(name, epilog=f"Example: slabvision trade {name} {example}")(command)
