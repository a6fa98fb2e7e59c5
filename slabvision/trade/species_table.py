"""The species table as it stands in ``species.csv``: one row per species, every value sourced.

Each value has a status and a source beside it. ``read`` was read in the named publication,
``read-secondary`` in a copy of it, ``memory`` could not be verified: it is used only
where nothing better exists and is marked wherever it is used.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Literal, TextIO, cast

__all__ = ["PROPERTIES", "SpeciesRow", "SpeciesTableError", "Value", "read_species", "species_rows"]

Status = Literal["read", "read-secondary", "derived", "memory"]
_STATUSES = ("read", "read-secondary", "derived", "memory")

PROPERTIES = MappingProxyType(
    {
        "sg_green": (0.05, 1.4),
        "sg_12": (0.05, 1.4),
        "shrink_radial_pct": (0.5, 20.0),
        "shrink_tangential_pct": (0.5, 25.0),
        "shrink_volumetric_pct": (1.0, 35.0),
        "coef_radial": (0.0002, 0.01),
        "coef_tangential": (0.0002, 0.01),
        "industry_radial_64ths": (1.0, 40.0),
        "industry_rift_64ths": (1.0, 40.0),
        "industry_tangential_64ths": (1.0, 40.0),
    }
)
"""The columns that hold values, with the range a value must lie in."""


class SpeciesTableError(ValueError):
    """A species table cannot be read; says which row and why."""


@dataclass(frozen=True)
class Value:
    """One number of the table.

    Attributes
    ----------
    value : float
    status : {"read", "read-secondary", "derived", "memory"}
    source : str
        Publication and table, or how it was derived.
    """

    value: float
    status: Status
    source: str

    @property
    def read(self) -> bool:
        """Whether it was read in the publication or in a copy of it."""
        return self.status in ("read", "read-secondary")

    @property
    def mark(self) -> str:
        """What must stand beside an answer that used it; empty when it was read."""
        if self.status == "memory":
            return f"{self.source} (from memory)" if "memory" not in self.source else self.source
        return ""


@dataclass(frozen=True)
class SpeciesRow:
    """One species (or one group of the handbook's tables).

    Attributes
    ----------
    key : str
        Common name in reading order, ``black walnut``.
    common : str
        As the tables print it, ``Walnut, black``.
    botanical : str
    kind : {"hardwood", "softwood"}
    group : str
        Key of the group whose coefficients Table 13-5 prints for it; empty when none.
    yard_names : tuple of str
        Names heard at yards: common practice, no source.
    values : mapping of str to Value
        By column, see :data:`PROPERTIES`; a missing value is absent.
    fibre_saturation_pct : float
        Moisture at which shrinkage starts; 30 unless the row says otherwise (GTR-190 p.4-2).
    note : str
    """

    key: str
    common: str
    botanical: str
    kind: Literal["hardwood", "softwood"]
    group: str
    yard_names: tuple[str, ...]
    values: MappingProxyType[str, Value]
    fibre_saturation_pct: float = 30.0
    note: str = ""

    @property
    def genus(self) -> str:
        """First word of the botanical name."""
        return self.botanical.split()[0] if self.botanical else ""


def read_species(path: Path) -> MappingProxyType[str, SpeciesRow]:
    """Read a species table from a CSV file with the columns of ``species.csv``.

    Raises
    ------
    SpeciesTableError
        A column is missing, a value is not a number or out of range, a value has no status or
        source, or two rows share a key.
    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            return _read(file, path.name)
    except UnicodeDecodeError as error:
        raise SpeciesTableError(f"{path.name} is not UTF-8 text ({error.reason})") from None


@lru_cache(maxsize=1)
def species_rows() -> MappingProxyType[str, SpeciesRow]:
    """Return the package's own table, by key."""
    text = resources.files("slabvision.trade").joinpath("species.csv").read_text(encoding="utf-8")
    return _read(io.StringIO(text, newline=""), "species.csv")


def _read(file: TextIO, name: str) -> MappingProxyType[str, SpeciesRow]:
    reader = csv.DictReader(file)
    needed = {"key", "common", "botanical", "kind", *PROPERTIES}
    try:
        missing = needed - set(reader.fieldnames or ())
        if missing:
            raise SpeciesTableError(f"{name} lacks the columns {', '.join(sorted(missing))}")
        rows: dict[str, SpeciesRow] = {}
        for number, cells in enumerate(reader, start=2):
            row = _row(cells, f"{name} line {number}")
            if row.key in rows:
                raise SpeciesTableError(
                    f"{name} line {number}: {row.key[:40]!r} stands there twice"
                )
            rows[row.key] = row
    except csv.Error as error:
        raise SpeciesTableError(f"{name} is not a CSV table ({error})") from None
    if not rows:
        raise SpeciesTableError(f"{name} holds no species")
    return MappingProxyType(rows)


def _row(cells: dict[str, str | None], where: str) -> SpeciesRow:
    def text(column: str) -> str:
        return (cells.get(column) or "").strip()

    kind = text("kind")
    if not text("key"):
        raise SpeciesTableError(f"{where}: the key is empty")
    if kind not in ("hardwood", "softwood"):
        raise SpeciesTableError(f"{where}: kind is {kind[:40]!r}; it must be hardwood or softwood")
    values: dict[str, Value] = {}
    for column, (low, high) in PROPERTIES.items():
        if not text(column):
            continue
        number = _number(text(column), low, high, f"{where}: {column}")
        status, source = text(f"{column}_status"), text(f"{column}_source")
        if status not in _STATUSES or not source:
            raise SpeciesTableError(
                f"{where}: {column} needs a status ({', '.join(_STATUSES)}) and a source"
            )
        values[column] = Value(number, cast(Status, status), source)
    start = text("fibre_saturation_pct")
    return SpeciesRow(
        key=text("key").lower(),
        common=text("common"),
        botanical=text("botanical"),
        kind=cast(Literal["hardwood", "softwood"], kind),
        group=text("group").lower(),
        yard_names=tuple(n.strip().lower() for n in text("yard_names").split(";") if n.strip()),
        values=MappingProxyType(values),
        fibre_saturation_pct=_number(start, 15.0, 35.0, f"{where}: fibre_saturation_pct")
        if start
        else 30.0,
        note=text("note"),
    )


def _number(text: str, low: float, high: float, where: str) -> float:
    try:
        number = float(text)
    except ValueError:
        raise SpeciesTableError(f"{where} is {text[:40]!r}; it must be a number") from None
    if not low <= number <= high:
        raise SpeciesTableError(f"{where} is {number:g}; it must lie from {low:g} to {high:g}")
    return number
