"""``slabvision validate``: how often the intervals hold, counted on simulated slabs."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["app"]

app = typer.Typer(
    name="validate",
    help="Count how often the intervals hold on slabs whose truth is known.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


Output = Annotated[
    Path | None, typer.Option("-o", "--output", help="Also write the tables as Markdown.")
]
Kept = Annotated[
    Path | None, typer.Option("--keep", help="Finished rounds; a stopped count goes on from there.")
]
Workers = Annotated[int, typer.Option(help="Processes.", min=1)]


@app.command(epilog="Example: slabvision validate plane --cases 3000 -o plane.md")
def plane(
    cases: Annotated[int, typer.Option(help="Simulated photos in each cell.", min=10)] = 300,
    seed: Annotated[int, typer.Option(help="Seed of the study.")] = 1,
    output: Output = None,
    folder: Kept = None,
    workers: Workers = 1,
) -> None:
    """Geometry alone, without pictures: each kind of reference, square on and oblique."""
    from slabvision.study.plane_study import run, table

    text = table(run(cases=cases, seed=seed, folder=folder, workers=workers, progress=_said))
    typer.echo(text)
    if output is not None:
        output.write_text(text + "\n", encoding="utf-8")


@app.command(epilog="Example: slabvision validate slabs --cases 1000 --keep slabs -o slabs.md")
def slabs(
    cases: Annotated[int, typer.Option(help="Simulated photos in all.", min=1)] = 200,
    seed: Annotated[int, typer.Option(help="Seed of the study.")] = 1,
    output: Output = None,
    drawing: Annotated[
        Path | None, typer.Option("--figure", help="Also draw the figure, a PNG file.")
    ] = None,
    folder: Kept = None,
    workers: Workers = 1,
) -> None:
    """Whole slabs through the ordinary pipeline, marked and drawn as a hand would."""
    from slabvision.study.slab_study import run
    from slabvision.study.slab_table import figure, table

    with _counting("Slabs") as progress:
        study = run(cases, seed, folder=folder, workers=workers, progress=progress)
    text = table(study)
    typer.echo(text)
    if output is not None:
        output.write_text(text, encoding="utf-8")
    if drawing is not None:
        figure(study, drawing)


@app.command(epilog="Example: slabvision validate faces --cases 100 --wrong 1000 -o faces.md")
def faces(
    cases: Annotated[int, typer.Option(help="Right pairs in each row.", min=5)] = 25,
    wrong: Annotated[int, typer.Option(help="Wrong pairs in all.", min=20)] = 100,
    output: Output = None,
) -> None:
    """Face B laid on face A: right pairs, strangers, neighbours from one log, clear through."""
    from slabvision.study.faces_study import run, table

    text = table(run(cases=cases, wrong=wrong, progress=_said))
    typer.echo(text)
    if output is not None:
        output.write_text(text + "\n", encoding="utf-8")


@app.command(epilog="Example: slabvision validate extremes --cases 40")
def extremes(
    cases: Annotated[int, typer.Option(help="Drawings of each slab.", min=5)] = 40,
) -> None:
    """Largest circle and rectangle of a jittery outline: their bias and their intervals."""
    from slabvision.study.extremes_study import run, table

    typer.echo(table(run(cases=cases, progress=_said)))


@app.command(epilog="Example: slabvision validate ends --cases 60 --photos real_photos -o ends.md")
def ends(
    cases: Annotated[int, typer.Option(help="Rendered ends.", min=1)] = 60,
    refusals: Annotated[int, typer.Option(help="Pictures that must be refused.", min=0)] = 200,
    photos: Annotated[
        Path | None,
        typer.Option(help="Folder of real photographs (endgrain, boards, metrology)."),
    ] = None,
    strips: Annotated[
        int, typer.Option(help="Strips of each kind cut from each photo of an end.", min=0)
    ] = 4,
    fine: Annotated[
        int, typer.Option(help="Rendered ends shrunk until rings are 2 to 8 pixels wide.", min=0)
    ] = 0,
    seed: Annotated[int, typer.Option(help="Seed of the study.")] = 1,
    output: Output = None,
) -> None:
    """Ring angle, pith and refusals on ends whose rings are known, beside plain ways to do it."""
    from slabvision.study.ends_fine import fine_rings, fine_table
    from slabvision.study.ends_study import run, table

    if photos is not None and not (photos / "endgrain" / "images.csv").is_file():
        typer.echo(f"slabvision: --photos {photos}: no endgrain/images.csv in it", err=True)
        raise typer.Exit(2)
    text = table(run(cases, refusals, photos, strips=strips, seed=seed, progress=_said))
    if fine:
        text += "\n" + fine_table(fine_rings(fine, seed, _said))
    typer.echo(text)
    if output is not None:
        output.write_text(text, encoding="utf-8")


@contextlib.contextmanager
def _counting(what: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar on the terminal, or now and then a line where there is none."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda done, total: _said(f"{what}: {done} of {total}")
        return
    columns = (what, BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task(what, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)


def _said(text: str) -> None:
    typer.echo(text, err=True)
