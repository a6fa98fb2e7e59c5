"""The report of one slab: every section of it, made from its findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import slabvision
from slabvision.ends import EndRead, combined_profile, mean_angle
from slabvision.findings import FaceFindings, Findings
from slabvision.measure import read_ends
from slabvision.report.layout_section import LaidOut, layout_section, usual_layout
from slabvision.report.markup import Html, Node, el, join, section, table
from slabvision.report.overlay import face_figure
from slabvision.report.ring_sections import ring_section
from slabvision.report.trade_sections import (
    flattening_section,
    moisture_section,
    movement_section,
    price_section,
    prices,
    tag_section,
    weight_section,
)
from slabvision.report.words import Unit, area, board_feet, length, money, percent, spread, weight
from slabvision.show import small_area_words
from slabvision.text import plain

__all__ = ["SlabParts", "cautions_section", "name_of", "slab_body"]


@dataclass(frozen=True, eq=False)
class SlabParts:
    """What a report adds to the findings: the ends as read and the parts laid out.

    Attributes
    ----------
    ends : tuple of EndRead, optional
        Read from the photos when left out.
    layout : tuple of LaidOut, optional
        Wanted parts; the largest shapes when left out.
    """

    ends: tuple[EndRead, ...] | None = None
    layout: tuple[LaidOut, ...] | None = None
    earlier: tuple[Findings, ...] = field(default=())
    """The same slab on earlier dates."""


def name_of(findings: Findings) -> str:
    """Return the slab's tag, or its folder's name."""
    return plain(findings.record.notebook.tag) or plain(Path(findings.folder).name)


def slab_body(
    findings: Findings,
    unit: Unit,
    *,
    parts: SlabParts | None = None,
    number: int = 1,
    side_px: int = 1400,
) -> Html:
    """Return everything a report says of one slab."""
    given = parts or SlabParts()
    ends = given.ends if given.ends is not None else findings.ends
    if ends is None:
        ends = read_ends(findings.record, findings.folder)
    rings = combined_profile(ends)
    key, book = f"s{number}", findings.record.notebook
    wanted = given.layout is not None
    on = findings.laid_out_on
    layout = given.layout or (usual_layout(on, unit) if on is not None and not wanted else ())
    moving, sources = movement_section(findings, rings, unit, f"{key}-move")
    what = plain(book.species) or "species not stated"
    title = f"Slab {name_of(findings)}: {what}"
    head: list[Node] = [el("h2", title, class_="first" if number == 1 else None)]
    where = [plain(x) for x in (book.place, book.date) if x]
    if book.log_number:
        where.append(f"log {plain(book.log_number)} {plain(book.place_in_log)}".strip())
    head.append(el("p", ", ".join(where) or "place and date not noted", class_="sub"))
    if book.invented:
        head.append(el("p", el("span", "Invented demonstration data", class_="flag")))
    return el(
        "article",
        *head,
        _glance(findings, ends, unit),
        section("Photos", *_photos(findings, unit, key, side_px)),
        layout_section(layout, _layout_figure(findings, layout, f"{key}-l", side_px),
                       wanted=wanted),
        tag_section(findings),
        price_section(findings),
        moisture_section(findings, unit, f"{key}-moist"),
        ring_section(ends, f"{key}-ring"),
        moving,
        flattening_section(findings, unit),
        weight_section(findings, unit),
        _sizes_section(findings, unit),
        _defects_section(findings, unit),
        _condition_section(findings, given.earlier, unit),
        _sources_section(findings, ends, sources),
        id=key,
    )  # fmt: skip


def _glance(findings: Findings, ends: tuple[EndRead, ...], unit: Unit) -> Html:
    face, numbers, claim = findings.best, findings.trade.numbers, findings.record.notebook.claim
    cost = prices(findings)

    def tile(title: str, value: Node, small: Node = None) -> Html:
        return el("div", el("dt", title), el("dd", value, el("small", small) if small else None))

    tiles = []
    if face is not None:
        seen = f"{face.face} seen" if len(findings.by_face) < 2 else f"on {face.face}"
        tiles += [
            tile("Clear, with keep-outs", area(face.keep_outs_mm2, unit), seen),
            tile("Clear, as seen", area(face.as_seen_mm2, unit), seen),
        ]
    tiles += [
        tile("Clear through both faces", area(findings.through_mm2, unit)),
        tile("Board feet, clear", board_feet(findings.clear_mm3),
             join(["gross ", board_feet(findings.gross_mm3)])),
        tile("Board feet on the tag",
             f"{claim.board_feet:g} board feet, as written" if claim.board_feet is not None
             else "none written down",
             findings.trade.words.get("tag_check") or numbers["rule_board_feet"].reason),
        tile("Price per clear board foot", money(cost["clear"], claim.currency),
             join(["for the slab ", money(cost["total"], claim.currency)])),
        tile("Moisture", percent(numbers["moisture_mean_pct"]),
             findings.trade.words.get("moisture_check") or "no stated figure to compare"),
        tile("Ring angle, mean", spread(mean_angle(ends), "°", step=1.0),
             "0° flat-sawn, 90° quarter-sawn"),
        tile("Left once both faces are flat",
             length(numbers["flat_thickness_mm"], unit, sixteenths=1),
             join(["now ", length(findings.thickness_mm, unit, sixteenths=1)])),
        tile("Weight as it lies", weight(numbers["weight_kg"], unit)),
    ]  # fmt: skip
    return el("dl", *tiles, class_="key", aria_label="at a glance")


def _photos(findings: Findings, unit: Unit, key: str, side_px: int) -> list[Node]:
    out: list[Node] = []
    for number, face in enumerate(findings.faces):
        clear = area(face.keep_outs_mm2, unit)
        said = clear if not isinstance(clear, Html) else "not determined"
        counts = len(face.defects)
        caption = (
            f"{_first_up(face.face)} of slab {name_of(findings)}, photo {face.photo}: the green "
            f"area is clear with keep-outs, {said}; {counts} defects are numbered as in the table. "
            "Numbers in brackets are 95 % intervals."
        )
        figure = face_figure(findings, face, caption, side_px=side_px, key=f"{key}-p{number}")
        out.append(figure)
        out.append(_reference_note(face))
    return out


def _reference_note(face: FaceFindings) -> Html:
    lines = [f"Camera tilted {face.tilt_deg.value:.0f}° off square to the face; "
             f"{face.mm_per_px:.2f} mm to the pixel.", *face.residuals]  # fmt: skip
    return el("ul", *(el("li", line) for line in lines), class_="sub")


def _layout_figure(
    findings: Findings, layout: Sequence[LaidOut], key: str, side_px: int
) -> Html | None:
    face = findings.laid_out_on
    if face is None or not layout:
        return None
    names = ", ".join(part.name for part in layout)
    known = "what is clear through, seen on " if findings.both is not None else ""
    caption = f"Laid out on {known}{face.face} of slab {name_of(findings)}: {names}."
    drawn = [part.drawn for part in layout]
    return face_figure(findings, face, caption, parts=drawn, side_px=side_px, key=key)


def _sizes_section(findings: Findings, unit: Unit) -> Html:
    blocks: list[Node] = []
    for face in findings.by_face:
        rows: list[tuple[Node, ...]] = [
            ("gross, inside the arris", area(face.gross_area_mm2, unit)),
            ("clear, as seen", area(face.as_seen_mm2, unit)),
            ("clear, with keep-outs and trims", area(face.keep_outs_mm2, unit)),
            ("not seen (covered)", area(face.not_seen_mm2, unit)),
            ("clear with keep-outs, if what is covered is clear",
             area(face.if_unseen_clear_mm2, unit)),
            ("length", length(face.length_mm, unit)),
            ("mean width", length(face.mean_width_mm, unit)),
            ("widest", length(face.max_width_mm, unit)),
        ]  # fmt: skip
        blocks.append(table(("", "value (95 % interval)"), rows, caption=_first_up(face.face)))
    rows = [
        ("clear through both faces", area(findings.through_mm2, unit)),
        ("thickness", length(findings.thickness_mm, unit, sixteenths=1)),
        ("board feet, gross", board_feet(findings.gross_mm3)),
        ("board feet, clear with keep-outs", board_feet(findings.clear_mm3)),
    ]
    blocks.append(table(("", "value (95 % interval)"), rows, caption="The slab"))
    if findings.best is not None and findings.best.widths:
        widths = [
            (f"{length_plain(w.station_mm, unit)} from end A", length(w.width_mm, unit))
            for w in findings.best.widths
        ]
        blocks.append(
            table(("where", "width (95 % interval)"), widths,
                  caption=f"Widths of {findings.best.face}, square to the long axis")
        )  # fmt: skip
    return section("Sizes", *blocks)


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def length_plain(mm: float, unit: Unit) -> str:
    """Write a place along the slab."""
    from slabvision.clear.strike import length_words

    return length_words(mm, unit)


def _defects_section(findings: Findings, unit: Unit) -> Html:
    blocks: list[Node] = []
    for face in findings.faces:
        if not face.defects:
            blocks.append(el("p", f"{_first_up(face.face)}: none painted."))
            continue
        rows = [
            (
                f"{d.number}",
                d.title,
                length(d.length_mm, unit, sixteenths=2),
                d.width_words or length(d.width_mm, unit, sixteenths=1),
                small_area_words(d.area_mm2, unit),
                length_plain(d.station_mm, unit),
                f"{d.treatment}, depth {'not known' if d.depth == 'unknown' else d.depth}",
            )
            for d in face.defects
        ]
        head = ("no.", "what", "length", "width", "area", "from end A", "this purchase")
        blocks.append(
            table(head, rows, caption=f"{_first_up(face.face)}; lengths and widths along and "
                  "across the slab, with 95 % intervals", class_="cards")
        )  # fmt: skip
    return section("Defects", *blocks)


def _condition_section(findings: Findings, earlier: Sequence[Findings], unit: Unit) -> Html:
    title = "Condition over time"
    every = sorted([*earlier, findings], key=lambda f: f.record.notebook.date)
    if len(every) < 2:
        date = plain(findings.record.notebook.date) or "a day that was not noted"
        return section(
            title,
            el("p", f"One visit only ({date}). Photograph the same slab again, with the same tag, "
                    "to see whether its checks grow and how fast it dries."),
        )  # fmt: skip
    rows: list[tuple[Node, ...]] = []
    for each in every:
        face = each.best
        checks = [d for d in face.defects if d.kind.endswith("check")] if face else []
        longest = max(checks, key=lambda d: d.length_mm.estimate.value, default=None)
        rows.append(
            (
                plain(each.record.notebook.date) or "not noted",
                percent(each.trade.numbers["moisture_mean_pct"]),
                area(face.keep_outs_mm2, unit) if face else "not determined: no face",
                length(longest.length_mm, unit, sixteenths=2) if longest else "no check painted",
            )
        )
    head = ("date", "moisture", "clear, with keep-outs", "longest check")
    return section(
        title,
        table(head, rows, caption="The same tag on each date (95 % intervals)", class_="cards"),
        el("p", "Intervals of one date against another hold what both photos share as well: a "
                "change smaller than both intervals is not shown to be a change.", class_="sub"),
    )  # fmt: skip


def _sources_section(findings: Findings, ends: tuple[EndRead, ...], sources: Sequence[str]) -> Html:
    face, notes = findings.best, [*findings.notes, *findings.trade.notes, *sources]
    if face is not None:
        notes += [f"{face.face}: {note}" for note in face.notes]
    region = face.region if face is not None else None
    assumed = [
        "Intervals are 95 % intervals: 1,000 equally likely worlds (JCGM 101:2008); draw k is the "
        "same tape, camera and board in every number.",
        "Gross areas are those inside the arris, where the sawn face ends; 1 board foot = 144 in³.",
        "Keep-outs and trims are common practice, no source, and a person can change them.",
    ]
    if region is not None:
        trims = region.trims
        named = ", ".join(
            f"{region.face.names[side]} {getattr(trims, side):.0f} mm"
            for side in ("left", "right", "top", "bottom")
        )
        assumed.append(f"Trims used: {named}.")
        if region.grain is not None:
            assumed.append("Keep-outs run along the local grain, taken from pith line or edges.")
    photos = [
        f"{p.file} ({p.role}): {p.focal_why or 'focal length not stated'}; SHA-256 {p.sha256[:16]}…"
        for p in findings.record.photos
    ]
    unread = [f"{e.role}: {e.reason}" for e in ends if e.end is None]
    return section(
        "Sources and assumptions",
        el("h4", "Assumed"),
        el("ul", *(el("li", a) for a in assumed)),
        el("h4", "Remarks on this slab"),
        el("ul", *(el("li", n) for n in dict.fromkeys([*notes, *unread]))),
        el("h4", "Photos"),
        el("ul", *(el("li", p) for p in photos)),
        el("p", f"slabvision {slabvision.__version__}, record generation "
                f"{findings.record.generation}.", class_="sub"),
    )  # fmt: skip


def cautions_section() -> Html:
    """Return every caution, each with who decides and its sources."""
    from slabvision.trade.cautions import cautions_for

    cards = [
        el(
            "div",
            el("h3", c.title),
            el("p", c.text),
            el("p", c.defer),
            el("p", f"Source: {'; '.join(c.sources)}.", class_="sub"),
            class_="caution",
        )
        for c in cautions_for(["report"])
    ]
    return section("Before anyone lifts, cuts or breathes", *cards, level=2, key="cautions")
