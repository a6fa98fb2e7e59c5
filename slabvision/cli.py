"""The same library from a shell. Heavy modules load inside the commands, so help is instant."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from slabvision import (
    __version__,
    cli_desk,
    cli_endgrain,
    cli_later,
    cli_render,
    cli_trade,
    cli_validate,
)

if TYPE_CHECKING:
    from slabvision.findings import Findings

__all__ = ["app"]

app = typer.Typer(
    name="slabvision",
    help="From photos of live-edge slabs to clear area, in real units, with an honest interval.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


UnitOption = Annotated[
    str, typer.Option("--unit", help="in (inches, board feet) or mm.", metavar="in|mm")
]


def fail(message: str) -> NoReturn:
    """End with one line a person can act on."""
    from slabvision.text import plain

    typer.echo(f"slabvision: {plain(message)}", err=True)
    raise typer.Exit(2)


def _unit(unit: str) -> Any:
    if unit not in ("in", "mm"):
        fail(f"--unit {unit}: in or mm")
    return unit


@app.callback(invoke_without_command=True)
def _root(
    version: Annotated[bool, typer.Option("--version", help="Print the version and end.")] = False,
) -> None:
    if version:
        typer.echo(f"slabvision {__version__}")
        raise typer.Exit


@app.command(epilog="Example: slabvision demo --out demo_out")
def demo(
    out: Annotated[Path, typer.Option(help="Folder for CSV and picture.")] = Path("demo_out"),
    unit: UnitOption = "in",
) -> None:
    """Measure a sample slab that comes with the program (invented demonstration data)."""
    from slabvision.sample import sample_folder

    with sample_folder() as folder:
        found = _measure_all([folder], _unit(unit))
        _show(found, unit)
        _save(found, out, unit)


@app.command(epilog="Example: slabvision new slab-07 face-a.jpg face-b.jpg end-a.jpg")
def new(
    folder: Annotated[Path, typer.Argument(help="Slab folder to make.")],
    photos: Annotated[list[Path], typer.Argument(help="Photos of the slab; they are copied in.")],
) -> None:
    """Make a slab folder from photos; mark and paint it in napari, then measure it.

    A photo's part is read from its name (face-a, face-b, end-a, end-b, edge). A printed board
    lying in a photo of a face is found and becomes its reference.
    """
    from slabvision.photo import PhotoError
    from slabvision.start import start_slab
    from slabvision.store import RecordError

    try:
        record, said = start_slab(folder, photos, progress=_progress)
    except (PhotoError, RecordError) as error:
        fail(str(error))
    for entry in record.photos:
        height, width = entry.shape
        typer.echo(f"{entry.file} ({entry.role}): {width} x {height} pixels. {entry.focal_why}")
    for line in said:
        typer.echo(line)
    typer.echo(f"{folder}: {len(record.photos)} photos. Next: napari {folder}")


@app.command(
    epilog="Example: slabvision measure slab-07 slab-08 --csv tables --unit in --explain",
)
def measure(
    folders: Annotated[list[Path], typer.Argument(help="Slab folders, or a folder of them.")],
    csv: Annotated[Path | None, typer.Option(help="Folder for the CSV tables.")] = None,
    unit: UnitOption = "in",
    explain: Annotated[
        bool, typer.Option("--explain", help="Say what dominates each interval.")
    ] = False,
    picture: Annotated[
        bool, typer.Option("--picture", help="Also write an annotated picture of each face.")
    ] = False,
    jobs: Annotated[int, typer.Option(help="Worker processes for many slabs.")] = 1,
    scheduler: Annotated[
        str, typer.Option(help="A running Dask scheduler, tcp://host:8786 (extra 'cluster').")
    ] = "",
    parquet: Annotated[
        Path | None, typer.Option(help="Folder for Parquet tables (extra 'parquet').")
    ] = None,
    ends: Annotated[
        str | None,
        typer.Option(
            help="Also read the photos of the ends (slower), and name the sawing by this "
            "authority: wood-handbook, aws-2009, flooring, ...",
            metavar="AUTHORITY",
        ),
    ] = None,
) -> None:
    """Measure slab folders: areas, widths, defects and board feet, each with its interval.

    A folder of slab folders is a visit: its slabs are measured with --jobs workers, totals are
    added up, and a run that was stopped takes up where it ended (with --csv).
    """
    if ends is not None:
        cli_endgrain.check_authority(ends)
    if cli_desk.is_visit(folders) or jobs != 1 or scheduler or parquet is not None:
        if explain or picture:
            fail("--explain and --picture are for single slabs: leave out --jobs, name the slab")
        cli_desk.measure_many(folders, csv, _unit(unit), jobs, scheduler, parquet, ends)
        return
    found = _measure_all(folders, _unit(unit), ends)
    if not found:
        raise typer.Exit(2)
    _show(found, unit, explain=explain)
    if csv is not None:
        _save(found, csv, unit, pictures=picture)
    elif picture:
        fail("--picture needs --csv DIR: the pictures go beside the tables")
    if len(found) < len(folders):
        raise typer.Exit(1)


@app.command(epilog="Example: slabvision board -o board.pdf --paper letter")
def board(
    output: Annotated[Path, typer.Option("-o", "--output", help="PDF to write.")] = Path(
        "board.pdf"
    ),
    paper: Annotated[str, typer.Option(help="letter or a4.", metavar="letter|a4")] = "letter",
) -> None:
    """Write the reference board as a PDF to print at full size and lay on the slab."""
    if paper not in ("letter", "a4"):
        fail(f"--paper {paper}: letter or a4")
    from slabvision.board import write_board

    try:
        write_board(output, paper=paper)
    except OSError as error:
        fail(f"{output}: cannot be written ({error.strerror})")
    typer.echo(
        f"{output}: print at 100 % (no 'fit to page'), measure the check length with a steel rule "
        "and type what you get when you mark the board."
    )


@app.command(hidden=True)
def schema() -> None:
    """Print the JSON Schema of slab.json."""
    import json

    from slabvision.record import json_schema

    typer.echo(json.dumps(json_schema(), indent=1))


# The other commands stand in modules of their own, listed after the main job.
cli_desk.register(app)
cli_endgrain.register(app)
app.add_typer(cli_trade.app, name="trade")
app.add_typer(cli_validate.app, name="validate")
cli_render.register(app)
cli_later.register(app)

# What the commands share ------------------------------------------------------------------------


def _measure_all(folders: list[Path], unit: str, ends: str | None = None) -> list[Findings]:
    from slabvision.measure import Buying, MeasureError, measure_slab
    from slabvision.store import RecordError
    from slabvision.text import plain
    from slabvision.units import MM_PER_FT

    every = MM_PER_FT if unit == "in" else 300.0
    found = []
    for folder in _progress(folders):
        try:
            buying = Buying(widths_every_mm=every)
            found.append(measure_slab(folder, buying=buying, ends=ends))
        except (MeasureError, RecordError) as error:
            typer.echo(f"slabvision: {plain(str(error))}", err=True)
    return found


def _progress(items: list[Path], doing: str = "Measuring") -> Any:
    if len(items) < 2 or not sys.stderr.isatty():
        return items
    from rich.console import Console
    from rich.progress import track

    return track(items, doing, console=Console(stderr=True), transient=True)


def _show(found: list[Findings], unit: str, *, explain: bool = False) -> None:
    from rich.console import Console

    from slabvision.show import explain_table, findings_table

    console = Console(markup=False)
    for each in found:
        console.print(findings_table(each, _unit(unit)))
        if explain:
            console.print(explain_table(each, _unit(unit)))


def _save(found: list[Findings], out: Path, unit: str, *, pictures: bool = True) -> None:
    from slabvision.tables import write_tables

    def attempt(work: Callable[[], Any]) -> Any:
        try:
            return work()
        except OSError as error:
            fail(f"{out}: cannot be written ({error.strerror or error})")

    written = list(attempt(lambda: write_tables(found, out, _unit(unit))))
    if pictures:
        from slabvision.picture import write_face_pictures

        written += attempt(
            lambda: [p for f in found for p in write_face_pictures(f, out, _unit(unit))]
        )
    for path in written:
        typer.echo(f"wrote {path}")
