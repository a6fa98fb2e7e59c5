"""The report of a visit: all slabs side by side, totals, what to buy, then slab by slab."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from slabvision.desk.visit import BrokenFolder
from slabvision.estimate import Estimate
from slabvision.findings import Budget, Findings
from slabvision.record import SlabRecord
from slabvision.report.markup import Html, Node, el, join, section, table
from slabvision.report.page import document
from slabvision.report.slab_page import SlabParts, cautions_section, name_of, slab_body
from slabvision.report.trade_sections import prices
from slabvision.report.words import Unit, area, board_feet, length, money, percent, weight
from slabvision.text import plain

__all__ = ["SlabPage", "by_tag", "page_of_folder", "slab_page", "visit_document", "visit_report"]


@dataclass(frozen=True, eq=False)
class SlabPage:
    """One slab's share of a visit's page: what a worker sends back.

    Attributes
    ----------
    row : tuple of str
        Its line in the table of slabs.
    body : Html
    totals : mapping of str to Estimate
        By title, what is summed over the visit.
    """

    row: tuple[Html | str, ...]
    body: Html
    totals: Mapping[str, Estimate]


def slab_page(
    found: Findings, unit: Unit, number: int, *, parts: SlabParts | None = None, side_px: int = 1100
) -> SlabPage:
    """Return one slab's share of a visit's page."""
    body = slab_body(found, unit, parts=parts, number=number, side_px=side_px)
    face, trade = found.best, found.trade.numbers
    none = Estimate.undetermined("no face could be measured", "mm2")
    totals = {
        "clear area with keep-outs": face.keep_outs_mm2.estimate if face else none,
        "board feet, gross": found.gross_mm3.estimate,
        "board feet, clear": found.clear_mm3.estimate,
        "weight": trade["weight_kg"],
    }
    return SlabPage(_row(found, unit, number), el("div", body, class_="slab"), totals)


def page_of_folder(
    folder: str,
    unit: Unit,
    side_px: int,
    numbers: Mapping[str, int],
    earlier: Mapping[str, Sequence[str]],
) -> SlabPage | BrokenFolder:
    """Measure a folder and return its share of the page, or why there is none; never raises."""
    from slabvision.measure import Buying, MeasureError, measure_slab
    from slabvision.store import RecordError
    from slabvision.units import MM_PER_FT

    buying = Buying(widths_every_mm=MM_PER_FT if unit == "in" else 300.0)
    try:
        before = tuple(measure_slab(f, buying=buying) for f in earlier.get(folder, ()))
        found = measure_slab(folder, buying=buying, ends="wood-handbook")
        parts = SlabParts(earlier=before)
        return slab_page(found, unit, numbers[folder], parts=parts, side_px=side_px)
    except (MeasureError, RecordError) as error:
        return BrokenFolder(folder, str(error))
    except Exception as error:  # a fault of the program: it is named and the rest goes on
        return BrokenFolder(folder, f"{type(error).__name__}: {error}")


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
    by_folder = {found.folder: found for found in slabs}
    order, earlier = by_tag([(f.folder, f.record) for f in slabs])
    pages = []
    for number, folder in enumerate(progress(order) if progress else order, 1):
        own = given.get(folder, SlabParts())
        own = SlabParts(own.ends, own.layout, tuple(by_folder[f] for f in earlier.get(folder, ())))
        pages.append(slab_page(by_folder[folder], unit, number, parts=own, side_px=side_px))
    return visit_document(name, pages, unit, broken=broken, plan=plan)


def visit_document(
    name: str,
    pages: Sequence[SlabPage],
    unit: Unit,
    *,
    broken: Sequence[tuple[str, str]] = (),
    plan: Html | None = None,
) -> str:
    """Return a visit's page from the shares of its slabs."""
    count = f"{len(pages)} slabs" if len(pages) != 1 else "1 slab"
    return document(
        f"Visit {plain(name)}",
        plan,
        _overview(pages),
        _totals(pages, unit),
        *([_not_measured(broken)] if broken else []),
        *(page.body for page in pages),
        cautions_section(),
        subtitle=f"{count} measured, {len(broken)} not. Brackets hold 95 % intervals.",
    )


def by_tag(
    slabs: Sequence[tuple[str, SlabRecord]],
) -> tuple[list[str], dict[str, list[str]]]:
    """Return the latest folder of each tag, and the earlier ones of the same tag by it."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for folder, record in slabs:
        tag, date = record.notebook.tag, record.notebook.date
        groups.setdefault(f"tag {tag}" if tag else f"folder {folder}", []).append((date, folder))
    latest: list[str] = []
    earlier: dict[str, list[str]] = {}
    for group in groups.values():
        dates = {date for date, _ in group}
        if len(dates) < len(group) or "" in dates:
            latest += [folder for _, folder in group]  # one tag twice on one day: two slabs
            continue
        ordered = [folder for _, folder in sorted(group)]
        latest.append(ordered[-1])
        earlier[ordered[-1]] = ordered[:-1]
    return latest, earlier


def _row(found: Findings, unit: Unit, number: int) -> tuple[Html | str, ...]:
    face, cost = found.best, prices(found)
    currency = found.record.notebook.claim.currency
    return (
        join([el("a", name_of(found), href=f"#s{number}"), " ",
              plain(found.record.notebook.species)]),
        area(face.keep_outs_mm2, unit) if face is not None else "not determined: no face",
        board_feet(found.clear_mm3),
        length(found.thickness_mm, unit, sixteenths=1),
        percent(found.trade.numbers["moisture_mean_pct"]),
        weight(found.trade.numbers["weight_kg"], unit),
        money(cost["total"], currency),
        money(cost["clear"], currency),
    )  # fmt: skip


def _overview(pages: Sequence[SlabPage]) -> Html:
    head = ("slab", "clear, with keep-outs", "clear", "thickness", "moisture", "weight", "asked",
            "per clear board foot")  # fmt: skip
    return section(
        "Slabs side by side",
        table(head, [page.row for page in pages], caption="95 % intervals in brackets",
              class_="cards"),
        level=2,
    )  # fmt: skip


def _totals(pages: Sequence[SlabPage], unit: Unit) -> Html:
    """Return sums over the slabs, draw by draw, so that what they share stays shared."""
    rows: list[tuple[Node, ...]] = []
    for title in pages[0].totals if pages else ():
        every = [page.totals[title] for page in pages]
        known = [e for e in every if e.determined]
        summed = known[0] if known else Estimate.undetermined("no slab has it")
        for other in known[1:]:
            summed = summed + other
        if title == "weight":
            words: Node = weight(summed, unit)
        elif title.startswith("board feet"):
            words = board_feet(Budget(summed))
        else:
            words = area(Budget(summed), unit)
        rows.append((title, words, f"{len(known)} of {len(every)}"))
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
