"""The report of a visit: all slabs side by side, totals, what to buy, then slab by slab."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from slabvision.estimate import Estimate
from slabvision.findings import Budget, Findings
from slabvision.report.markup import Html, Node, el, join, section, table
from slabvision.report.page import document
from slabvision.report.slab_page import SlabParts, cautions_section, name_of, slab_body
from slabvision.report.trade_sections import prices
from slabvision.report.words import Unit, area, board_feet, length, money, percent, weight
from slabvision.text import plain

__all__ = ["visit_report"]


def visit_report(
    name: str,
    slabs: Sequence[Findings],
    unit: Unit = "in",
    *,
    broken: Sequence[tuple[str, str]] = (),
    parts: Mapping[str, SlabParts] | None = None,
    plan: Html | None = None,
    side_px: int = 1100,
    progress: Callable[[Sequence[Any]], Any] | None = None,
) -> str:
    """Return the report of several slabs as one page.

    Parameters
    ----------
    name : str
        Of the visit.
    slabs : sequence of Findings
    unit : {"in", "mm"}
    broken : sequence of (str, str)
        Folders that could not be measured, and why.
    parts : mapping of str to SlabParts, optional
        By folder.
    plan : Html, optional
        What to buy, as the buying desk chose.
    side_px : int
        Longest side of the embedded photos.
    progress : callable, optional
        Wraps the sequence of slabs.
    """
    given = dict(parts or {})
    latest, earlier = _by_tag(slabs)
    bodies = []
    for number, found in enumerate(progress(latest) if progress else latest, 1):
        own = given.get(found.folder, SlabParts())
        own = SlabParts(own.ends, own.layout, tuple(earlier.get(found.folder, ())))
        bodies.append(
            el("div", slab_body(found, unit, parts=own, number=number, side_px=side_px),
               class_="slab")
        )  # fmt: skip
    title = f"Visit {plain(name)}"
    count = f"{len(latest)} slabs" if len(latest) != 1 else "1 slab"
    return document(
        title,
        plan,
        _overview(latest, unit),
        _totals(latest, unit),
        *([_not_measured(broken)] if broken else []),
        *bodies,
        cautions_section(),
        subtitle=f"{count} measured, {len(broken)} not. Brackets hold 95 % intervals.",
    )


def _by_tag(
    slabs: Sequence[Findings],
) -> tuple[list[Findings], dict[str, list[Findings]]]:
    """Return the latest findings of each tag, and the earlier ones by the latest's folder."""
    groups: dict[str, list[Findings]] = {}
    for found in slabs:
        tag = found.record.notebook.tag
        groups.setdefault(f"tag {tag}" if tag else f"folder {found.folder}", []).append(found)
    latest, earlier = [], {}
    for group in groups.values():
        dates = {f.record.notebook.date for f in group}
        if len(dates) < len(group) or "" in dates:
            latest += group  # two slabs of one tag on one day are two slabs
            continue
        ordered = sorted(group, key=lambda f: f.record.notebook.date)
        latest.append(ordered[-1])
        earlier[ordered[-1].folder] = ordered[:-1]
    return latest, earlier


def _overview(slabs: Sequence[Findings], unit: Unit) -> Html:
    rows: list[tuple[Node, ...]] = []
    for number, found in enumerate(slabs, 1):
        face, cost = found.best, prices(found)
        currency = found.record.notebook.claim.currency
        rows.append(
            (
                join([el("a", name_of(found), href=f"#s{number}"), " ",
                      plain(found.record.notebook.species)]),
                area(face.keep_outs_mm2, unit) if face is not None else "not determined: no face",
                board_feet(found.clear_mm3),
                length(found.thickness_mm, unit, sixteenths=1),
                percent(found.trade.numbers["moisture_mean_pct"]),
                weight(found.trade.numbers["weight_kg"], unit),
                money(cost["total"], currency),
                money(cost["clear"], currency),
            )
        )  # fmt: skip
    head = ("slab", "clear, with keep-outs", "clear", "thickness", "moisture", "weight", "asked",
            "per clear board foot")  # fmt: skip
    return section(
        "Slabs side by side",
        table(head, rows, caption="95 % intervals in brackets", class_="cards"),
        level=2,
    )


def _totals(slabs: Sequence[Findings], unit: Unit) -> Html:
    """Return sums over the slabs, draw by draw, so that what they share stays shared."""

    def total(estimates: Sequence[Estimate]) -> tuple[Estimate, str]:
        known = [e for e in estimates if e.determined]
        if not known:
            return Estimate.undetermined("no slab has it"), "0"
        out = known[0]
        for other in known[1:]:
            out = out + other
        return out, f"{len(known)} of {len(estimates)}"

    faces = [f.best for f in slabs if f.best is not None]
    wanted = {
        "clear area with keep-outs": [f.keep_outs_mm2.estimate for f in faces],
        "board feet, gross": [f.gross_mm3.estimate for f in slabs],
        "board feet, clear": [f.clear_mm3.estimate for f in slabs],
        "weight": [f.trade.numbers["weight_kg"] for f in slabs],
    }
    rows: list[tuple[Node, ...]] = []
    for title, estimates in wanted.items():
        summed, count = total(estimates)
        if title == "weight":
            words: Node = weight(summed, unit)
        elif title.startswith("board feet"):
            words = board_feet(Budget(summed))
        else:
            words = area(Budget(summed), unit)
        rows.append((title, words, count))
    return section(
        "Together",
        table(("", "total (95 % interval)", "slabs in it"), rows,
              caption="Errors that slabs share (one board, one tape, one phone) are added as "
                      "shared, not averaged out"),
        level=2,
    )  # fmt: skip


def _not_measured(broken: Sequence[tuple[str, str]]) -> Html:
    rows = [(plain(Path(folder).name), reason) for folder, reason in broken]
    return section(
        "Not measured", table(("folder", "why"), rows, caption="Left out of everything"), level=2
    )
