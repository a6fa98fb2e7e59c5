"""``slabvision report``, ``sheet``, ``choose``: the buying desk from a shell."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

if TYPE_CHECKING:
    from slabvision.findings import Findings

__all__ = ["register"]

UnitOption = Annotated[
    str, typer.Option("--unit", help="in (inches, board feet) or mm.", metavar="in|mm")
]

JobsOption = Annotated[int, typer.Option(help="Worker processes for many slabs.", min=1, max=256)]


def register(app: typer.Typer) -> None:
    """Add the buying desk's commands to the program."""
    app.command(epilog="Example: slabvision report slab-07 -o slab-07.html")(report)
    app.command(epilog="Example: slabvision choose visit --wanted wanted.toml -o buy.html")(choose)
    app.command(epilog="Example: slabvision sheet visit -o sheet.html")(sheet)
    app.command("check", epilog="Example: slabvision check visit --by-hand taped.csv")(check)


def _fail(message: str) -> NoReturn:
    from slabvision.text import plain

    typer.echo(f"slabvision: {plain(message)}", err=True)
    raise typer.Exit(2)


def _unit(unit: str) -> Any:
    if unit not in ("in", "mm"):
        _fail(f"--unit {unit}: in or mm")
    return unit


def _track(items: Sequence[Any], doing: str) -> Any:
    if len(items) < 2 or not sys.stderr.isatty():
        return items
    from rich.console import Console
    from rich.progress import track

    return track(items, doing, console=Console(stderr=True), transient=True)


def _measured(
    places: Sequence[Path], unit: str, doing: str, ends: str | None = None
) -> tuple[list[Findings], list[tuple[str, str]]]:
    """Measure every slab of the places; what cannot be measured comes back with its reason."""
    from slabvision.desk.visit import slab_folders
    from slabvision.measure import Buying, MeasureError, measure_slab
    from slabvision.store import RecordError
    from slabvision.units import MM_PER_FT

    every = MM_PER_FT if unit == "in" else 300.0
    found, broken = [], []
    for folder in _track(slab_folders(places), doing):
        try:
            found.append(measure_slab(folder, buying=Buying(widths_every_mm=every), ends=ends))
        except (MeasureError, RecordError) as error:
            broken.append((str(folder), str(error)))
    return found, broken


def _say_broken(broken: Sequence[tuple[str, str]]) -> None:
    from slabvision.text import plain

    for folder, why in broken:
        typer.echo(f"slabvision: {plain(folder)}: {plain(why)}", err=True)


def report(
    places: Annotated[list[Path], typer.Argument(help="A slab folder, or a folder of them.")],
    output: Annotated[Path, typer.Option("-o", "--output", help="HTML file to write.")] = Path(
        "report.html"
    ),
    unit: UnitOption = "in",
    photo_pixels: Annotated[
        int, typer.Option(help="Longest side of the embedded photos.", min=200, max=6000)
    ] = 1400,
    jobs: JobsOption = 1,
) -> None:
    """Write a report that opens without a network, on a phone, at a desk and on paper."""
    from slabvision.desk.visit import slab_folders
    from slabvision.report.page import slab_report, write_page

    wanted = _unit(unit)
    folders = slab_folders(places)
    broken: list[tuple[str, str]] = []
    if len(folders) == 1:
        found, broken = _measured(places, wanted, "Measuring", "wood-handbook")
        text = slab_report(found[0], wanted, side_px=photo_pixels) if found else ""
    else:
        name = places[0].resolve().name if len(places) == 1 else "of several folders"
        text, broken = _visit_text(name, folders, wanted, photo_pixels, jobs)
    if not text:
        _say_broken(broken)
        _fail("nothing could be measured: no report was written")
    try:
        write_page(output, text)
    except OSError as error:
        _fail(f"{output}: cannot be written ({error.strerror or error})")
    typer.echo(f"wrote {output}")
    _say_broken(broken)
    if broken:
        raise typer.Exit(1)


def _visit_text(
    name: str, folders: Sequence[Path], unit: Any, side_px: int, jobs: int
) -> tuple[str, list[tuple[str, str]]]:
    """Return a visit's page, made slab by slab in workers, and what could not be measured."""
    from slabvision.desk.visit import BrokenFolder, pooled
    from slabvision.report.visit_page import by_tag, page_of_folder, visit_document
    from slabvision.store import RecordError, load_slab

    records, broken = [], []
    for folder in folders:
        try:
            records.append((str(folder.resolve()), load_slab(folder)))
        except RecordError as error:
            broken.append((str(folder), str(error)))
    order, earlier = by_tag(records)
    numbers = {folder: number for number, folder in enumerate(order, 1)}
    pages = {}
    with _bar(len(order)) as progress:
        work = pooled(page_of_folder, order, (unit, side_px, numbers, earlier), jobs)
        for done, (name_, page) in enumerate(work, 1):
            if isinstance(page, BrokenFolder):
                broken.append((page.folder, page.reason))
            else:
                pages[name_] = page
            if progress is not None:
                progress(done, len(order))
    if not pages:
        return "", broken
    ordered = [pages[name_] for name_ in order if name_ in pages]
    broken.sort()
    return visit_document(name, ordered, unit, broken=broken), broken


def sheet(
    places: Annotated[
        list[Path] | None,
        typer.Argument(help="Slab folders, or a folder of them; none for empty sheets."),
    ] = None,
    output: Annotated[Path, typer.Option("-o", "--output", help="HTML file to write.")] = Path(
        "sheet.html"
    ),
    blank: Annotated[
        int, typer.Option(help="Empty sheets for slabs nobody has seen yet.", min=0, max=200)
    ] = 0,
    unit: UnitOption = "in",
) -> None:
    """Write yard sheets: what to photograph, measure and ask; afterwards what is still missing."""
    from slabvision.desk.visit import slab_folders
    from slabvision.report.page import write_page
    from slabvision.report.sheet import missing_before_leaving, sheet_page
    from slabvision.store import RecordError, load_slab

    shown = _unit(unit)
    slabs, broken = [], []
    for folder in slab_folders(places or []):
        try:
            slabs.append((folder.name, load_slab(folder)))
        except RecordError as error:
            broken.append((str(folder), str(error)))
    if not slabs and broken:
        _say_broken(broken)
        _fail("no sheet was written")
    try:
        write_page(output, sheet_page(slabs, shown, blank=blank or (0 if slabs else 1)))
    except OSError as error:
        _fail(f"{output}: cannot be written ({error.strerror or error})")
    typer.echo(f"wrote {output}")
    for name, record in slabs:
        left = [task for task in missing_before_leaving(record, shown) if task.needed]
        typer.echo(f"{name}: " + (f"{len(left)} still missing" if left else "nothing missing"))
    _say_broken(broken)
    if broken:
        raise typer.Exit(1)


def choose(
    places: Annotated[
        list[Path] | None, typer.Argument(help="A folder of slab folders, or slab folders.")
    ] = None,
    wanted: Annotated[Path, typer.Option(help="The parts wanted.")] = Path("wanted.toml"),
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="Also write a report with the layout.")
    ] = None,
    unit: UnitOption = "in",
    seconds: Annotated[
        float, typer.Option(help="Time to search for a cheaper choice.", min=1, max=3600)
    ] = 12.0,
    rings: Annotated[
        bool, typer.Option("--rings/--no-rings", help="Read ring angles from the end photos.")
    ] = True,
    jobs: JobsOption = 1,
    schema: Annotated[
        bool, typer.Option("--schema", help="Print the JSON Schema of wanted.toml and end.")
    ] = False,
) -> None:
    """Choose the cheapest slabs that hold the parts wanted, and say where each part goes."""
    import json

    from slabvision.desk.wanted import WantedError, json_schema, read_wanted

    if schema:
        typer.echo(json.dumps(json_schema(), indent=1))
        return
    if not places:
        _fail("name the folder of the visit, or the slab folders")
    shown = _unit(unit)
    try:
        wishes = read_wanted(wanted)
    except WantedError as error:
        _fail(str(error))
    found, broken = _measured(places, shown, "Measuring")
    if not found:
        _say_broken(broken)
        _fail("nothing could be measured: nothing can be chosen")
    _choose_and_say(found, broken, wishes, output, shown, seconds, jobs if rings else 0)
    if broken:
        raise typer.Exit(1)


def _choose_and_say(
    found: list[Findings],
    broken: list[tuple[str, str]],
    wishes: Any,
    output: Path | None,
    unit: Any,
    seconds: float,
    jobs: int,
) -> None:
    from slabvision.desk.choose import choose as choose_slabs
    from slabvision.desk.offers import offer_of
    from slabvision.desk.visit import BrokenFolder, pooled
    from slabvision.measure import profile_of_folder
    from slabvision.report.page import write_page
    from slabvision.report.plan_section import layouts_of, plan_section
    from slabvision.report.slab_page import SlabParts
    from slabvision.report.visit_page import visit_report

    profiles = {}
    if jobs:
        names = [each.folder for each in found]
        with _bar(len(names)) as progress:
            for done, (folder, profile) in enumerate(pooled(profile_of_folder, names, (), jobs), 1):
                if not isinstance(profile, BrokenFolder):
                    profiles[folder] = profile
                if progress is not None:
                    progress(done, len(names))
    offers, refused = [], list(broken)
    for each in found:
        offer = offer_of(each, wishes.costs, profiles.get(each.folder))
        if isinstance(offer, str):
            refused.append((Path(each.folder).name, offer))
        else:
            offers.append(offer)
    currencies = {each.record.notebook.claim.currency for each in found}
    if len(currencies) > 1:
        _fail(f"prices are in {' and '.join(sorted(currencies))}: they cannot be compared")
    currency = currencies.pop()
    try:
        plan = choose_slabs(offers, wishes, time_limit_s=seconds, refused=refused)
    except ValueError as error:
        _fail(str(error))
    _say_plan(plan, currency)
    if output is None:
        return
    pieces = [piece.name for piece in plan.pieces]
    parts = {
        one.offer.folder: SlabParts(layout=layouts_of(one, pieces, unit)) for one in plan.bought
    }
    bought = [each for each in found if each.folder in parts]
    page = visit_report(
        "what to buy", bought, unit, parts=parts, plan=plan_section(plan, currency, unit),
        progress=lambda slabs: _track(slabs, "Writing"),
    )  # fmt: skip
    try:
        write_page(output, page)
    except OSError as error:
        _fail(f"{output}: cannot be written ({error.strerror or error})")
    typer.echo(f"wrote {output}")


def _say_plan(plan: Any, currency: str) -> None:
    from rich.console import Console
    from rich.table import Table

    from slabvision.report.plan_section import gap_words
    from slabvision.text import plain

    table = Table(title="What to buy", title_justify="left")
    for column in ("slab", "cut from it", "landed, alone"):
        table.add_column(column)
    for one in plan.bought:
        counts: dict[str, int] = {}
        for candidate in one.placements:
            name = plain(plan.pieces[candidate.piece].name)
            counts[name] = counts.get(name, 0) + 1
        cut = ", ".join(f"{n} × {name}" for name, n in counts.items()) or "nothing"
        table.add_row(plain(one.offer.name), cut, f"{one.offer.cost:,.2f} {currency}")
    console = Console(markup=False)
    if plan.bought:
        console.print(table)
    console.print(f"Landed cost {plan.cost:,.2f} {currency}. {gap_words(plan, currency)}")
    for lack in plan.unmet:
        console.print(f"{lack.missing} of {lack.wanted} x {plain(lack.name)} not found:")
        for reason in lack.reasons:
            console.print(f"  {plain(reason)}")
    for name, why in plan.refused:
        console.print(f"left out: {plain(name)}: {plain(why)}")


# A visit ------------------------------------------------------------------------------------------


def is_visit(places: Sequence[Path]) -> bool:
    """Return whether one of the places is a folder of slab folders."""
    return any(
        place.is_dir() and not (place / "slab.json").exists() and any(place.glob("*/slab.json"))
        for place in places
    )


def measure_many(
    places: Sequence[Path],
    csv: Path | None,
    unit: Any,
    jobs: int,
    scheduler: str,
    parquet: Path | None,
    ends: str | None = None,
) -> None:
    """Measure a visit, write its tables, say its totals and what could not be measured."""
    from slabvision.desk.visit import (
        VisitError,
        measure_visit,
        slab_folders,
        write_parquet,
        write_visit,
    )

    folders = [folder.absolute() for folder in slab_folders(places)]
    keep = csv / KEPT if csv is not None else None
    try:
        with _bar(len(folders)) as progress:
            visit = measure_visit(
                folders, unit, jobs=jobs, scheduler=scheduler, keep=keep, progress=progress,
                ends=ends,
            )  # fmt: skip
        written = list(write_visit(visit, csv)) if csv is not None else []
        if parquet is not None:
            written += write_parquet(visit, parquet)
    except VisitError as error:
        _fail(str(error))
    except OSError as error:
        _fail(f"{csv or parquet}: cannot be written ({error.strerror or error})")
    _say_visit(visit)
    for path in written:
        typer.echo(f"wrote {path}")
    _say_broken([(b.folder, b.reason) for b in visit.broken])
    if not visit.slabs:
        raise typer.Exit(2)
    if visit.broken:
        raise typer.Exit(1)


KEPT = ".kept"
"""Folder beside the tables that holds finished slabs, so that a stopped run can be taken up."""


@contextlib.contextmanager
def _bar(count: int) -> Iterator[Any]:
    if count < 2 or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    columns = ("Measuring", BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("Measuring", total=count)
        yield lambda done, _: progress.update(task, completed=done)


def _say_visit(visit: Any) -> None:
    from rich.console import Console
    from rich.table import Table

    from slabvision.desk.visit import totals_rows

    table = Table(title=f"{len(visit.slabs)} slabs measured, {len(visit.broken)} not",
                  title_justify="left")  # fmt: skip
    for column in ("together", "total (95 % interval)", "slabs"):
        table.add_column(column)
    for row in totals_rows(visit):
        words = "not determined"
        if row["value"] == row["value"]:
            words = f"{row['value']:,.1f} {row['unit']} ({row['lo95']:,.1f} to {row['hi95']:,.1f})"
        table.add_row(row["total"], words, f"{row['slabs']} of {len(visit.slabs)}")
    Console(markup=False).print(table)


# The field check ----------------------------------------------------------------------------------


def check(
    places: Annotated[
        list[Path], typer.Argument(help="Folders of slabs, of any number of visits.")
    ],
    by_hand: Annotated[
        Path, typer.Option(help="CSV of lengths you taped: slab, what, at, measured.")
    ] = Path("taped.csv"),
    unit: UnitOption = "in",
) -> None:
    """Count how often the intervals held what you taped by hand in your own yard.

    Each line of the list is a slab (folder or tag), what was taped (length, or width with its
    distance from end A in column at) and what the tape read, with its unit.
    """
    from rich.console import Console
    from rich.table import Table

    from slabvision.desk.field_check import FieldCheckError, field_check, read_by_hand
    from slabvision.desk.visit import slab_folders
    from slabvision.findings import Budget
    from slabvision.show import length_words
    from slabvision.text import plain

    shown = _unit(unit)
    try:
        taped = read_by_hand(by_hand)
    except FieldCheckError as error:
        _fail(str(error))
    found = field_check(taped, slab_folders(places))
    table = Table(title="Taped by hand against the photos", title_justify="left")
    for column in ("slab", "what", "taped", "by photo (95 % interval)", "held"):
        table.add_column(column)
    for each in found.checks:
        words = length_words(Budget(each.estimate), shown)
        hand = length_words(Budget(_exact(each.hand.measured_mm)), shown).split(" (")[0]
        held = "yes" if each.held else f"NO, {each.off_percent:+.2f} %"
        table.add_row(plain(each.hand.slab), each.hand.what, hand, words, held)
    console = Console(markup=False)
    if found.checks:
        console.print(table)
    console.print(found.words[:1].upper() + found.words[1:] + ".")
    _say_broken(found.left_out)
    if not found.checks:
        raise typer.Exit(2)


def _exact(mm: float) -> Any:
    from slabvision.estimate import Estimate

    return Estimate.exact(mm, "mm")
