"""``slabvision later``: the same slab at two dates."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(epilog="Example: slabvision later spring/slab-07 autumn/slab-07 --csv changes")(
        later
    )


def later(
    before: Annotated[Path, typer.Argument(help="Slab folder of the earlier date.")],
    after: Annotated[Path, typer.Argument(help="Slab folder of the later date.")],
    face: Annotated[str, typer.Option(help="Face to compare.", metavar="A|B")] = "A",
    unit: Annotated[str, typer.Option(help="in or mm.", metavar="in|mm")] = "in",
    csv: Annotated[Path | None, typer.Option(help="Folder for changes.csv.")] = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="Say what dominates each interval.")
    ] = False,
) -> None:
    """Compare one face at two dates: checks that grew, rot that spread, what is new.

    The later photo is laid on the earlier one by the live edge; what is measured twice in the same
    scale is compared, so growth is better known than either size. A name given to one spot in both
    photos helps where the edges are plain.
    """
    if unit not in ("in", "mm"):
        _fail(f"--unit {unit}: in or mm")
    if face not in ("A", "B"):
        _fail(f"--face {face}: A or B")
    from rich.console import Console

    from slabvision.faces_match import NotTheSameSlabError
    from slabvision.later import changes_frame, changes_table, compare_faces, same_face, when_words
    from slabvision.measure import MeasureError, measure_slab
    from slabvision.store import RecordError
    from slabvision.tables import write_made
    from slabvision.text import plain

    in_unit: Any = unit
    try:
        found = [measure_slab(folder) for folder in (before, after)]
        one, two = same_face(found[0], found[1], f"face {face}")
        compared = compare_faces(one, two)
    except (MeasureError, RecordError, NotTheSameSlabError, ValueError) as error:
        _fail(str(error))
    console = Console()
    console.print(changes_table(one, compared, in_unit, explain=explain))
    when = when_words(one, two)
    if when:
        typer.echo(plain(when))
    if csv is not None:
        frame = changes_frame(after, one, compared, in_unit)
        try:
            for path in write_made({"changes.csv": frame}, csv, in_unit):
                typer.echo(f"wrote {path}")
        except OSError as error:
            _fail(f"{csv}: cannot be written ({error.strerror or error})")


def _fail(message: str) -> Any:
    from slabvision.text import plain

    typer.echo(f"slabvision: {plain(message)}", err=True)
    raise typer.Exit(2)
