"""What can be cut: the largest shapes, or the parts wanted, with tape offsets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import shapely

from slabvision.findings import FaceFindings
from slabvision.report.markup import Html, Node, el, section, table
from slabvision.report.overlay import Placed
from slabvision.report.words import Unit, length

if TYPE_CHECKING:
    from slabvision.clear.parts import Placement

__all__ = ["LaidOut", "laid_out", "layout_section", "usual_layout"]


@dataclass(frozen=True, eq=False)
class LaidOut:
    """One shape on the face: its size in words with interval, and where to strike it."""

    name: str
    size: tuple[tuple[str, Node], ...]
    polygon: shapely.Polygon
    strikes: tuple[tuple[str, str, str], ...]
    """What, from the end, from the edge: each in words with its interval."""
    says: str = ""

    @property
    def drawn(self) -> Placed:
        """As drawn over a photo."""
        return Placed(self.name, self.polygon)


def usual_layout(face: FaceFindings, unit: Unit) -> tuple[LaidOut, ...]:
    """Return the largest round and the largest rectangle along the grain, each on its own."""
    from slabvision.clear.circle import circle_size, largest_circle
    from slabvision.clear.rectangle import along_grain, rectangle_size

    region, worlds = face.region, face.view.worlds
    out: list[LaidOut] = []
    circle = largest_circle(region.with_keep_outs)
    if circle is not None:
        size = circle_size(region, circle, worlds)
        rows: tuple[tuple[str, Node], ...] = (("diameter", length(size.estimate, unit)),)
        strikes = _strikes(face, [("centre", circle.centre)], unit)
        out.append(LaidOut("largest round", rows, circle.polygon, strikes))
    found = along_grain(region.with_keep_outs, region.grain)
    if found is not None:
        sizes = rectangle_size(region, found, worlds, turns=True)
        rows = (
            ("length", length(sizes.length_mm.estimate, unit)),
            ("width", length(sizes.width_mm.estimate, unit)),
        )
        polygon = found.polygon
        corners = [
            (f"corner {i + 1}", (float(u), float(v)))
            for i, (u, v) in enumerate(shapely.get_coordinates(polygon)[:4])
        ]
        out.append(LaidOut("largest rectangle", rows, polygon, _strikes(face, corners, unit)))
    return tuple(out)


def laid_out(placement: Placement, name: str, unit: Unit) -> LaidOut:
    """Return a placed part for the page."""
    from slabvision.clear.strike import length_words

    rows = tuple(
        (
            s.what,
            f"{length(s.from_end_mm, unit, sixteenths=2)} from {s.end}",
            f"{length(s.from_edge_mm, unit, sixteenths=2)} from {s.edge}",
        )
        for s in placement.strikes
    )
    tape = placement.tape_at
    across = f"{length_words(tape.from_end_mm.value, unit)} from {tape.end}"
    room = (("room all round", length(placement.spare_mm.estimate, unit, sixteenths=2)),)
    says = f"{placement.words(unit)}; the tightest place is {across}, at {placement.limit}"
    return LaidOut(name, room, placement.polygon, rows, says)


def _strikes(
    face: FaceFindings, points: list[tuple[str, tuple[float, float]]], unit: Unit
) -> tuple[tuple[str, str, str], ...]:
    from slabvision.clear.strike import strike

    rows = []
    for what, at in points:
        try:
            found = strike(face.region, at, what=what, worlds=face.view.worlds)
        except ValueError as error:  # the frame cuts both ends: nowhere to hook a tape
            rows.append((what, f"not determined: {error}", "not determined"))
            continue
        rows.append(
            (
                what,
                f"{length(found.from_end_mm, unit, sixteenths=2)} from {found.end}",
                f"{length(found.from_edge_mm, unit, sixteenths=2)} from {found.edge}",
            )
        )
    return tuple(rows)


def layout_section(parts: Sequence[LaidOut], figure: Html | None, *, wanted: bool) -> Html:
    """Return the section on layout."""
    title = "Layout of the parts wanted" if wanted else "Layout: what can be cut"
    if not parts:
        return section(title, el("p", "Nothing is clear with keep-outs: no part can be laid out."))
    blocks: list[Node] = []
    if not wanted:
        blocks.append(el("p", "Each on its own, on clear wood with keep-outs and trims."))
    if figure is not None:
        blocks.append(figure)
    for part in parts:
        blocks.append(el("h4", part.name[:1].upper() + part.name[1:]))
        if part.says:
            blocks.append(el("p", part.says))
        blocks.append(table(("", "size (95 % interval)"), part.size, caption="Size"))
        blocks.append(
            table(
                ("mark", "along the slab", "across"),
                part.strikes,
                caption="Tape offsets: hook the tape at the named end, along the line between the "
                "middles of the ends; across is square to it, from the arris",
                class_="marks",
            )
        )
    return section(title, *blocks)
