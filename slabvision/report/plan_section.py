"""What to buy, as a page's section, and the parts laid out on each slab bought."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely

from slabvision.clear.strike import length_words, strike
from slabvision.report.layout_section import LaidOut
from slabvision.report.markup import Html, Node, el, section, table
from slabvision.report.words import Unit, length

if TYPE_CHECKING:
    from slabvision.desk.choose import Bought, Plan

__all__ = ["layouts_of", "plan_section"]


def plan_section(plan: Plan, currency: str, unit: Unit) -> Html:
    """Return what to buy, what it costs landed, and what could not be had and why."""
    blocks: list[Node] = []
    if plan.bought:
        rows: list[tuple[Node, ...]] = []
        for one in plan.bought:
            counts: dict[str, int] = {}
            for candidate in one.placements:
                name = plan.pieces[candidate.piece].name
                counts[name] = counts.get(name, 0) + 1
            parts = ", ".join(f"{n} × {name}" for name, n in counts.items())
            rows.append((one.offer.name, parts or "nothing (comes with its set)",
                         f"{one.offer.cost:,.2f} {currency}"))  # fmt: skip
        blocks.append(
            table(("slab", "cut from it", "landed, alone"), rows, caption="To buy", class_="cards")
        )
    else:
        blocks.append(el("p", "Nothing: no slab holds any of the parts wanted."))
    if plan.sets:
        blocks.append(el("p", f"Bought as a set: {', '.join(plan.sets)}."))
    blocks.append(el("p", f"Landed cost {plan.cost:,.2f} {currency}. {gap_words(plan, currency)}"))
    if plan.unmet:
        for lack in plan.unmet:
            blocks.append(el("h3", f"{lack.missing} of {lack.wanted} × {lack.name} not found"))
            blocks.append(el("ul", *(el("li", reason) for reason in lack.reasons)))
    if plan.refused:
        head = ("slab", "why")
        blocks.append(table(head, plan.refused, caption="Slabs left out"))
    notes = [f"{b.offer.name}: {note}" for b in plan.bought for note in b.offer.notes]
    if notes:
        blocks.append(el("ul", *(el("li", note) for note in notes), class_="sub"))
    blocks.append(
        el("p", "Every piece has the room all round that its fit needs to be sure (95 %); pieces "
                "lie a saw's kerf apart. Candidate placements on the clear region with keep-outs, "
                "chosen by a mixed-integer program.", class_="sub")
    )  # fmt: skip
    return section("What to buy", *blocks, level=2, key="plan")


def gap_words(plan: Plan, currency: str) -> str:
    """Say how sure it is that nothing is cheaper."""
    if plan.gap < 1e-4:
        return "No choice among the placements tried is cheaper."
    return (
        f"A cheaper choice could save {plan.cost - plan.bound:,.2f} {currency} "
        f"({plan.gap:.0%}) at most among the placements tried: time was up."
    )


def layouts_of(bought: Bought, names: Sequence[str], unit: Unit) -> tuple[LaidOut, ...]:
    """Return the pieces of one slab with their tape offsets."""
    offer = bought.offer
    out = []
    seen: dict[str, int] = {}
    for candidate in bought.placements:
        name = names[candidate.piece]
        seen[name] = seen.get(name, 0) + 1
        region = offer.region({})
        points = shapely.get_coordinates(candidate.polygon.exterior)[:-1]
        box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(candidate.polygon))
        sides = sorted(np.linalg.norm(np.diff(box[:3], axis=0), axis=1), reverse=True)
        round_ = len(points) > 20 and abs(sides[0] - sides[1]) < 0.02 * sides[0]
        if round_:
            centre = candidate.polygon.centroid
            marks = [("centre", np.array([centre.x, centre.y]))]
            # the polygon stands round the circle: its own radius is what is struck
            across = length_words(2 * inner(candidate.polygon), unit)
            size: tuple[tuple[str, Node], ...] = (("rough diameter", f"{across} (to be cut)"),)
        else:
            if len(points) > 12:
                points = box[:4]
            marks = [(f"corner {n}", point) for n, point in enumerate(points, 1)]
            size = (
                ("rough length", f"{length_words(sides[0], unit)} (to be cut)"),
                ("rough width", f"{length_words(sides[1], unit)} (to be cut)"),
            )
        rows = []
        for what, at in marks:
            found = strike(region, at, what=what, worlds=offer.worlds)
            rows.append(
                (
                    what,
                    f"{length(found.from_end_mm, unit, sixteenths=2)} from {found.end}",
                    f"{length(found.from_edge_mm, unit, sixteenths=2)} from {found.edge}",
                )
            )
        title = f"{name} {seen[name]}" if sum(
            names[c.piece] == name for c in bought.placements) > 1 else name  # fmt: skip
        out.append(LaidOut(title, size, candidate.polygon, tuple(rows)))
    return tuple(out)


def inner(polygon: shapely.Polygon) -> float:
    """Return the radius of the circle inside a regular polygon, mm."""
    return float(polygon.centroid.distance(polygon.exterior))
