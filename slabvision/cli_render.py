"""``slabvision render``: photos of a slab whose truth is known, for trying the program out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(
        epilog="Example: slabvision render --seed 7 --out rendered --like oak --reference board"
    )(render)


def render(
    seed: Annotated[int, typer.Option(help="Every slab has its own number.", min=0)],
    out: Annotated[Path, typer.Option(help="Folder for photos; their truth goes to OUT/truth.")],
    like: Annotated[str, typer.Option(help="Species look: walnut, elm, plane, oak, ...")] = "oak",
    reference: Annotated[
        str, typer.Option(help="two tapes, tape on face, plywood, board, square, none, ...")
    ] = "two tapes",
    megapixels: Annotated[float, typer.Option(help="Size of each photo.", min=0.1, max=50)] = 12.0,
    tilt_band: Annotated[str, typer.Option(help="ladder (0 to 15°), eye height (30 to 60°).")] = (
        "ladder"
    ),
    lens: Annotated[str, typer.Option(help="main, ultra-wide.")] = "main",
    yard: Annotated[
        str, typer.Option(help="gravel, concrete, grass, stack, rack; any draws one.")
    ] = "gravel",
    light: Annotated[str, typer.Option(help="overcast, sun, sun edge, tarp; any draws one.")] = (
        "any"
    ),
    messenger: Annotated[
        bool, typer.Option("--messenger", help="As a messenger leaves it: small, no metadata.")
    ] = False,
    every_view: Annotated[
        bool, typer.Option("--every-view", help="Both faces, both ends and an edge.")
    ] = False,
) -> None:
    """Render photos of an invented slab together with their truth (invented data)."""
    from slabvision.scene import looks, render_slab
    from slabvision.scene.write import write_scene

    if like not in looks():
        typer.echo(f"slabvision: --like {like}: one of {', '.join(looks())}", err=True)
        raise typer.Exit(2)
    views = ("face A", "face B", "end A", "end B", "edge") if every_view else ("face A",)
    try:
        scene = render_slab(
            seed,
            look=like,
            views=views,
            reference=reference,
            megapixels=megapixels,
            tilt_band=tilt_band,
            lens=lens,
            yard=None if yard == "any" else yard,
            light=None if light == "any" else light,
            messenger=messenger,
        )
        write_scene(scene, out)
    except (ValueError, OSError) as error:
        typer.echo(f"slabvision: {error}", err=True)
        raise typer.Exit(2) from None
    typer.echo(f"{out}: {len(scene.photos)} photos of slab {seed} like {like}, and their truth")
