"""``slabvision endgrain``: ring angle across a sawn end, from a shell."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

if TYPE_CHECKING:
    from slabvision.endgrain.result import EndGrain
    from slabvision.ends import EndRead

__all__ = ["check_authority", "register"]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(epilog="Example: slabvision endgrain end-a.jpg --authority aws-2009 -o rings")(
        endgrain
    )


def _fail(message: str) -> NoReturn:
    from slabvision.text import plain

    typer.echo(f"slabvision: {plain(message)}", err=True)
    raise typer.Exit(2)


def check_authority(key: str) -> None:
    """End with the list of authorities where this one is not known."""
    from slabvision.endgrain.authorities import authority_named

    try:
        authority_named(key)
    except ValueError as error:
        _fail(str(error))


def _point(text: str, option: str) -> tuple[float, float]:
    try:
        row, col = (float(part) for part in text.split(","))
    except ValueError:
        _fail(f"{option} {text}: two numbers row,column are needed, for instance 420,1310")
    return row, col


def endgrain(
    places: Annotated[
        list[Path], typer.Argument(help="Photos of sawn ends, or slab folders.", metavar="PHOTO...")
    ],
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", help="Folder for the picture and the profile as CSV."),
    ] = None,
    authority: Annotated[
        str, typer.Option(help="Who names the sawing; 'list' lists them with their limits.")
    ] = "wood-handbook",
    face: Annotated[
        tuple[str, str] | None,
        typer.Option(help="Two points row,column along the wide face.", metavar="R,C R,C"),
    ] = None,
    pith: Annotated[
        str | None, typer.Option(help="Roughly where the pith is: row,column.", metavar="R,C")
    ] = None,
    wood: Annotated[
        Path | None, typer.Option(help="Picture of the photo's size, white where the wood is.")
    ] = None,
) -> None:
    """Read the angle between growth rings and wide face across a sawn end, and the pith.

    Photograph the end square on, sharp, planed or cut fresh. A slab folder uses the marks of its
    own end photos and puts both ends together. Nothing is written without -o.
    """
    if authority == "list":
        _list_authorities()
        return
    check_authority(authority)
    marks: dict[str, Any] = {
        "face": [_point(one, "--face") for one in face] if face else None,
        "pith_hint": _point(pith, "--pith") if pith else None,
    }
    if wood is not None:
        marks["mask"] = _mask(wood)
    read = failed = 0
    for place in _track(places):
        if place.is_dir():
            if any(value is not None for value in marks.values()):
                _fail(f"{place}: --face, --pith and --wood are for photos, not for slab folders")
            done, bad = _folder(place, output, authority)
        else:
            done, bad = _photo(place, output, authority, marks)
        read, failed = read + done, failed + bad
    if not read:
        raise typer.Exit(2)
    if failed:
        raise typer.Exit(1)


def _track(places: list[Path]) -> Any:
    if len(places) < 2 or not sys.stderr.isatty():
        return places
    from rich.console import Console
    from rich.progress import track

    return track(places, "Reading", console=Console(stderr=True), transient=True)


def _list_authorities() -> None:
    from slabvision.endgrain import SAWING_AUTHORITIES

    for one in SAWING_AUTHORITIES.values():
        classes = ", ".join(f"{c.name} {c.from_deg:g} to {c.to_deg:g}°" for c in one.classes)
        typer.echo(f"{one.key}: {one.title} ({one.read}): {classes}")
        typer.echo(f"    {one.source}" + (f". {one.note}" if one.note else ""))


def _mask(path: Path) -> Any:
    from slabvision.photo import PhotoError, read_photo

    try:
        return read_photo(path).pixels[..., 0] > 127
    except PhotoError as error:
        _fail(str(error))


def _photo(
    path: Path, output: Path | None, authority: str, marks: dict[str, Any]
) -> tuple[int, int]:
    from slabvision.endgrain import NotReadable, read_end_grain
    from slabvision.photo import PhotoError, read_photo

    try:
        pixels = read_photo(path).pixels
        end = read_end_grain(pixels, **marks)
    except NotReadable as error:
        _say(f"{path}: not readable. {error.reason}. {error.what_to_do}.")
        return 0, 1
    except (PhotoError, ValueError) as error:
        _say(str(error) if path.name in str(error) else f"{path}: {error}")
        return 0, 1
    _said(path.name, end, authority)
    if output is not None:
        _write(output, path.stem, pixels, end, authority)
    return 1, 0


def _say(message: str) -> None:
    from slabvision.text import plain

    typer.echo(f"slabvision: {plain(message)}", err=True)


def _said(name: str, end: EndGrain, authority: str) -> None:
    from slabvision.text import plain

    typer.echo(f"{plain(name)}: {end.sawn(authority)}")
    spread = [float(s) for s in end.pith_cov.diagonal() ** 0.5]
    typer.echo(
        f"  pith at row {end.pith[0]:.0f}, column {end.pith[1]:.0f} "
        f"(give or take {2 * spread[0]:.0f} and {2 * spread[1]:.0f} pixels)"
    )
    table = end.profile
    for share in (0.1, 0.3, 0.5, 0.7, 0.9):
        row = table.iloc[round(share * (len(table) - 1))]
        angle, u = float(row["ring_angle_deg"]), float(row["ring_angle_u_deg"])
        low, high = max(0.0, angle - 1.96 * u), min(90.0, angle + 1.96 * u)
        seen = "" if row["seen"] else ", inferred"
        typer.echo(f"  {share:4.0%} of the width: {angle:2.0f}° ({low:.0f} to {high:.0f}){seen}")
    rings = end.rings_per_inch
    if rings.determined:
        low, high = rings.interval
        typer.echo(f"  {rings.value:.0f} rings per inch ({low:.0f} to {high:.0f})")
    for mark in end.saw_marks:
        typer.echo(f"  saw marks at {mark.direction_deg:.0f}° in the picture were taken out")


def _write(folder: Path, stem: str, pixels: Any, end: EndGrain, authority: str) -> None:
    from slabvision.ring_picture import write_ring_picture
    from slabvision.tables import csv_bytes, write_whole

    try:
        folder.mkdir(parents=True, exist_ok=True)
        written = [
            write_ring_picture(folder / f"{stem}-rings.png", pixels, end, end.sawn(authority)),
            write_whole(folder / f"{stem}-rings.csv", csv_bytes(end.profile)),
        ]
    except OSError as error:
        _fail(f"{folder}: cannot be written ({error.strerror or error})")
    for path in written:
        typer.echo(f"  wrote {path}")


def _folder(folder: Path, output: Path | None, authority: str) -> tuple[int, int]:
    from slabvision.measure import read_ends
    from slabvision.store import RecordError, load_slab

    try:
        record = load_slab(folder)
        ends = read_ends(record, folder)
    except RecordError as error:
        _say(str(error))
        return 0, 1
    if not ends:
        _say(f"{folder}: no photo of an end; add one named end-a or end-b")
        return 0, 1
    for each in ends:
        if each.end is None:
            bad = "" if each.coarse_deg else "not readable. "
            _say(f"{folder / each.photo}: {bad}{each.reason}")
        else:
            _said(f"{folder.name} {each.role}", each.end, authority)
            if output is not None:
                _write_end(output, folder, each, authority)
    unread = sum(each.end is None and each.coarse_deg is None for each in ends)
    return _both(folder, ends, output, authority), unread


def _write_end(output: Path, folder: Path, each: EndRead, authority: str) -> None:
    from slabvision.photo import read_photo

    pixels = read_photo(folder / each.photo).pixels
    assert each.end is not None
    _write(output, f"{folder.resolve().name}-{Path(each.photo).stem}", pixels, each.end, authority)


def _both(folder: Path, ends: tuple[EndRead, ...], output: Path | None, authority: str) -> int:
    from slabvision.ends import combined_table, sawn_of
    from slabvision.tables import csv_bytes, write_whole
    from slabvision.text import plain

    sawn = sawn_of(ends, authority)
    if sawn is None:
        return 0
    count = sum(each.end is not None for each in ends)
    if count != 1:
        which = "both ends" if count else "coarse, by the face's figure"
        typer.echo(f"{plain(folder.resolve().name)}, {which}: {sawn}")
    if output is not None:
        path = output / f"{folder.resolve().name}-rings.csv"
        typer.echo(f"  wrote {write_whole(path, csv_bytes(combined_table(ends)))}")
    return count
