"""What ``slabvision trade`` reads from and writes to a terminal: typed numbers in, tables out."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, ParamSpec, TypeVar

import typer

if TYPE_CHECKING:
    from slabvision.estimate import Estimate
    from slabvision.trade.cautions import Caution

__all__ = [
    "UnitOption",
    "change_text",
    "length",
    "number",
    "one_line_errors",
    "remarks",
    "show",
    "size_text",
    "span",
    "temperature_c",
    "warn",
]

P = ParamSpec("P")
T = TypeVar("T")

UnitOption = Annotated[
    str, typer.Option("--unit", help="Unit of bare numbers and of the answer.", metavar="in|mm")
]

LENGTH_U_MM, WIDTH_U_MM, THICKNESS_U_MM = 1.0, 4.0, 0.5
"""Standard uncertainty of a typed size without ±: tape along the face, a width between ragged
edges, a steel rule. Common practice, no source."""

_PLUS_MINUS = re.compile(r"\s*(?:±|\+/?-)\s*")


def fail(message: str) -> NoReturn:
    """End with one line a person can act on."""
    from slabvision.text import plain

    typer.echo(f"slabvision trade: {plain(message)}", err=True)
    raise typer.Exit(2)


def one_line_errors(command: Callable[P, T]) -> Callable[P, T]:
    """Turn a named error of the library into one line and exit code 2."""

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> T:
        try:
            return command(*args, **kwargs)
        except (ValueError, TypeError, KeyError) as error:
            fail(str(error.args[0]) if error.args else type(error).__name__)

    return run


def checked_unit(unit: str) -> str:
    """Return ``in`` or ``mm``, or raise."""
    if unit not in ("in", "mm"):
        raise ValueError(f"--unit is {unit!r}; it must be in or mm")
    return unit


# Typed numbers -----------------------------------------------------------------------------------


def length(text: str, unit: str, what: str, u_mm: float = 0.0) -> Estimate:
    """Read a typed length, ``27 1/4`` or ``27 1/4 in ± 1/8 in``; ± is the 95 % half-width.

    ``u_mm`` is the standard uncertainty where no ± was typed.
    """
    from slabvision.estimate import Estimate
    from slabvision.units import parse_length_mm

    parts = _PLUS_MINUS.split(text.strip())
    if len(parts) > 2 or not parts[0]:
        raise ValueError(f"{what} {text!r} cannot be read; write for instance 27 1/4 in ± 1/8 in")
    default = checked_unit(unit)
    if len(parts) == 1:
        return Estimate.normal(parse_length_mm(parts[0], default_unit=default), u_mm, "mm",
                               name=f"typed:{what}")  # fmt: skip
    first = parts[0]
    if not re.search(r"[a-z\"'′″”]\s*$", first, re.IGNORECASE):
        tail = re.search(r"([a-z.]+|[\"'″])\s*$", parts[1], re.IGNORECASE)
        first = f"{first} {tail[1]}" if tail else first
    mm = parse_length_mm(first, default_unit=default)
    if re.fullmatch(r"0+(\.0*)?\s*[a-z]*", parts[1], re.IGNORECASE):
        return Estimate.exact(mm, "mm")
    half = parse_length_mm(parts[1], default_unit=default)
    if half >= mm:
        raise ValueError(f"{what} {text!r}: the ± is as large as the length itself; measure again")
    return Estimate.normal(mm, half / 2, "mm", name=f"typed:{what}")


def signed_mm(text: str, unit: str, what: str) -> Estimate:
    """Read a length that may be 0 or below 0 (bow, cup, offsets)."""
    from slabvision.estimate import Estimate

    stripped = text.strip()
    if re.fullmatch(r"[+-]?0+(\.0*)?\s*(mm|cm|in|m|ft)?", stripped):
        return Estimate.exact(0.0, "mm")
    if stripped.startswith("-"):
        return -length(stripped[1:], unit, what)
    return length(stripped, unit, what)


def number(text: str, unit: str, what: str) -> Estimate:
    """Read a typed number, ``12`` or ``12 ± 1``; ± is the 95 % half-width."""
    from slabvision.estimate import Estimate

    parts = _PLUS_MINUS.split(text.strip().rstrip("%").strip())
    try:
        values = [float(part.rstrip("%").replace(",", ".")) for part in parts]
    except ValueError:
        values = []
    if len(values) not in (1, 2) or not all(abs(value) <= 1e9 for value in values):
        raise ValueError(f"{what} {text!r} cannot be read; write for instance 12 or 12 ± 1")
    half = values[1] if len(values) == 2 else 0.0
    return Estimate.normal(values[0], half / 2, unit, name=f"typed:{what}")


def temperature_c(text: str, unit: str, what: str) -> float:
    """Read a typed temperature, ``70F`` or ``21 C``, in °C; a bare one is °F with inches."""
    from slabvision.units import celsius

    found = re.fullmatch(r"\s*([+-]?\d{1,4}(?:[.,]\d+)?)\s*°?\s*([cf])?\s*", text, re.IGNORECASE)
    if found is None:
        raise ValueError(f"{what} {text!r} cannot be read; write for instance 70F or 21C")
    value = float(found[1].replace(",", "."))
    scale = (found[2] or ("f" if checked_unit(unit) == "in" else "c")).lower()
    return celsius(value) if scale == "f" else value


def weight_kg(text: str, unit: str, what: str) -> float:
    """Read a typed weight, ``132 lb`` or ``60 kg``, in kg; a bare one is lb with inches."""
    from slabvision.units import LB_KG

    found = re.fullmatch(r"\s*(\d{1,7}(?:[.,]\d+)?)\s*(kg|lb|lbs)?\s*", text, re.IGNORECASE)
    if found is None:
        raise ValueError(f"{what} {text!r} cannot be read; write for instance 132 lb or 60 kg")
    value = float(found[1].replace(",", "."))
    scale = (found[2] or ("lb" if checked_unit(unit) == "in" else "kg")).lower()
    return value * LB_KG if scale.startswith("lb") else value


# Numbers as they are shown -----------------------------------------------------------------------


def span(estimate: Estimate, shown: Callable[[float], str]) -> tuple[str, str]:
    """Return value and interval as text; the reason where there is no number."""
    if not estimate.determined:
        return "not determined", estimate.reason
    lo, hi = estimate.interval
    if hi - lo <= 1e-9 * max(abs(estimate.value), 1.0):
        return shown(estimate.value), ""
    return shown(estimate.value), f"{shown(lo)} to {shown(hi)}"


def size_text(unit: str, toward: str = "nearest") -> Callable[[float], str]:
    """Return how a size in mm is written: sixteenths of an inch, or millimetres.

    What can be got rounds ``down``.
    """
    from slabvision.units import inches_text, round_sum

    if checked_unit(unit) == "in":
        return lambda mm: inches_text(mm, sixteenths=1, toward=toward)
    return lambda mm: (
        f"{round_sum(mm, 1, toward):.0f} mm"
        if abs(mm) >= 100
        else f"{round_sum(mm, 0.1, toward):.1f} mm"
    )


def change_text(unit: str) -> Callable[[float], str]:
    """Return how a small change in mm is written: hundredths of an inch, or tenths of a mm."""
    from slabvision.units import inches

    if checked_unit(unit) == "in":
        return lambda mm: f"{inches(mm) + 0.0:+.2f} in"
    return lambda mm: f"{mm + 0.0:+.1f} mm"


def weight_text(unit: str) -> Callable[[float], str]:
    """Return how a weight in kg is written."""
    from slabvision.units import pounds

    if checked_unit(unit) == "in":
        return lambda kg: f"{pounds(kg):.0f} lb"
    return lambda kg: f"{kg:.0f} kg"


def percent(value: float) -> str:
    """Write a moisture or humidity."""
    return f"{value:.1f} %"


def _console() -> Any:
    from rich.console import Console

    return Console(highlight=False, markup=False, soft_wrap=False)


def show(title: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a small table; long text folds, no line is wider than the terminal."""
    from rich.table import Table
    from rich.text import Text

    from slabvision.text import plain

    table = Table(box=None, title_justify="left", pad_edge=False, padding=(0, 2, 0, 0),
                  title=Text(plain(title), style="bold"), header_style="dim")  # fmt: skip
    for column, name in enumerate(head):
        table.add_column(name, overflow="fold", no_wrap=column == 0 and len(head) > 2)
    for row in rows:
        table.add_row(*(Text(plain(cell)) for cell in row))
    _console().print(table)


def lines(texts: Iterable[str]) -> None:
    """Print lines, folded at the terminal's width."""
    from rich.text import Text

    from slabvision.text import plain

    console = _console()
    for text in texts:
        console.print(Text(plain(text)), overflow="fold")


def remarks(texts: Iterable[str]) -> None:
    """Print what must stand beside an answer."""
    kept = list(dict.fromkeys(texts))
    if kept:
        show("", ("", ""), (("note:", text) for text in kept))


def warn(cautions: Iterable[Caution]) -> None:
    """Print the usual cautions, one line each."""
    kept = list(cautions)
    if kept:
        show("", ("", ""), (("caution:", each.short) for each in kept))
        lines(["Local rules and qualified people decide: slabvision trade cautions"])
