"""``slabvision report``, ``sheet``, ``choose``: the buying desk from a shell."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

if TYPE_CHECKING:
    from slabvision.findings import Findings

__all__ = ["register"]

UnitOption = Annotated[
    str, typer.Option("--unit", help="in (inches, board feet) or mm.", metavar="in|mm")
]


def register(app: typer.Typer) -> None:
    """Add the buying desk's commands to the program."""
    app.command(epilog="Example: slabvision report slab-07 -o slab-07.html")(report)


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
    places: Sequence[Path], unit: str, doing: str
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
            found.append(measure_slab(folder, buying=Buying(widths_every_mm=every)))
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
) -> None:
    """Write a report that opens without a network, on a phone, at a desk and on paper."""
    from slabvision.report.page import slab_report, write_page
    from slabvision.report.visit_page import visit_report

    wanted = _unit(unit)
    found, broken = _measured(places, wanted, "Measuring")
    if not found:
        _say_broken(broken)
        _fail("nothing could be measured: no report was written")
    if len(found) == 1 and not broken:
        text = slab_report(found[0], wanted, side_px=photo_pixels)
    else:
        name = places[0].resolve().name if len(places) == 1 else "of several folders"
        text = visit_report(
            name, found, wanted, broken=broken, side_px=photo_pixels,
            progress=lambda slabs: _track(slabs, "Writing"),
        )  # fmt: skip
    try:
        write_page(output, text)
    except OSError as error:
        _fail(f"{output}: cannot be written ({error.strerror or error})")
    typer.echo(f"wrote {output}")
    _say_broken(broken)
    if broken:
        raise typer.Exit(1)
