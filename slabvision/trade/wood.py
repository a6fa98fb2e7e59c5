"""What is known about a wood: every value with its sources, its spread, and where they disagree.

Values that were read come first; values derived from read ones follow with their derivation;
values from memory come last and are marked. Where sources disagree, the first is used and all
are shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from slabvision.estimate import DRAWS, Estimate, Floats, named_normals, named_rng
from slabvision.trade.species_table import SpeciesRow, Value, species_rows

__all__ = [
    "COEFFICIENT_COV",
    "DENSITY_COV",
    "STAND_IN_COV",
    "Wood",
    "coefficient_from_shrinkage",
    "shrinkage_from_coefficient",
    "values_of_row",
]

DENSITY_COV = 0.10
"""Spread of density within a species: coefficient of variation about 10 % (GTR-190 p.4-9)."""

COEFFICIENT_COV = 0.14
"""Spread of a movement coefficient. Derived: root mean square of the log ratios between the
industry's table of movement (12 in, 10 to 5 % MC) and GTR-190 Table 13-5, 18 pairs, both read.
The handbook prints no spread beside its coefficients."""

STAND_IN_COV = 0.12
"""Added spread of a stand-in, or of a value borrowed from a relative.

Derived: pooled spread of the read values between species of one genus in the table (specific
gravity 10 %, total tangential shrinkage 10 %, coefficient 16 %)."""

_TWO_DIRECTIONS = 0.5
"""Half the variance of shrinkage is taken as shared by both directions (assumed)."""

Direction = Literal["radial", "tangential"]

_UNITS = {"sg_green": "", "sg_12": "", "shrink_radial_pct": "%", "shrink_tangential_pct": "%",
          "shrink_volumetric_pct": "%", "coef_radial": "%-1", "coef_tangential": "%-1"}  # fmt: skip


def coefficient_from_shrinkage(shrinkage_pct: float, fibre_saturation_pct: float = 30.0) -> float:
    """Return the change per 1 % moisture of a size at 10 %, from total shrinkage green to dry.

    C = S / (100 F - (F - 10) S), F the moisture at which shrinkage starts; S / (3000 - 20 S) for
    F = 30. Derived from a straight line between the two sizes; reproduces the coefficients read
    in GTR-190 Table 13-5 from the shrinkage read in Table 4-3 for single species.

    >>> round(coefficient_from_shrinkage(7.8), 5), round(coefficient_from_shrinkage(5.5), 5)
    (0.00274, 0.0019)
    """
    if not 0 < shrinkage_pct < 50:
        raise ValueError(f"total shrinkage is {shrinkage_pct:g} %; it must be over 0 and under 50")
    start = fibre_saturation_pct
    return shrinkage_pct / (100.0 * start - (start - 10.0) * shrinkage_pct)


def shrinkage_from_coefficient(coefficient: float, fibre_saturation_pct: float = 30.0) -> float:
    """Return total shrinkage, %, from the change per 1 % moisture (inverse of the above).

    >>> round(shrinkage_from_coefficient(0.00274), 1)
    7.8
    """
    if not 0 < coefficient < 0.02:
        raise ValueError(f"coefficient is {coefficient:g} per 1 %; it must be over 0, under 0.02")
    start = fibre_saturation_pct
    return 100.0 * start * coefficient / (1.0 + (start - 10.0) * coefficient)


# One species -------------------------------------------------------------------------------------


def values_of_row(row: SpeciesRow, column: str) -> tuple[Value, ...]:
    """Return every value known for a species, the one to use first.

    Parameters
    ----------
    row : SpeciesRow
    column : str
        ``sg_green``, ``sg_12``, ``shrink_…_pct``, ``coef_radial`` or ``coef_tangential``.

    Notes
    -----
    Order: read for the species; derived from a read value of the species; read for its group;
    the industry's table; from memory; derived from memory.
    """
    if column not in _UNITS:
        raise KeyError(f"property {column!r} is not known; one of {', '.join(_UNITS)}")
    found: list[tuple[int, Value]] = []
    own = row.values.get(column)
    if own is not None:
        found.append((0 if own.status != "memory" else 4, own))
    derived = _derived(row, column)
    if derived is not None:
        found.append((1 if derived.status == "derived" else 5, derived))
    if column.startswith("coef_"):
        direction = column.removeprefix("coef_")
        for each, rank in ((row, 3), (species_rows().get(row.group), 2)):
            if each is None:
                continue
            group = each.values.get(column)
            if each is not row and group is not None:
                text = f"{group.source}, printed for {each.key}"
                found.append((2 if group.read else 4, Value(group.value, group.status, text)))
            industry = each.values.get(f"industry_{direction}_64ths")
            if industry is not None:
                per_pct = industry.value / 64 / 12 / 5
                found.append((max(rank, 3), Value(per_pct, industry.status, industry.source)))
    return tuple(value for _, value in sorted(found, key=lambda item: item[0]))


def _derived(row: SpeciesRow, column: str) -> Value | None:
    start = row.fibre_saturation_pct
    if column.startswith("coef_"):
        direction = column.removeprefix("coef_")
        base = row.values.get(f"shrink_{direction}_pct")
        if base is None:
            return None
        value = coefficient_from_shrinkage(base.value, start)
        how = f"C = S/({100 * start:g} - {start - 10:g} S) from S = {base.value:g} %, {base.source}"
    elif column in ("shrink_radial_pct", "shrink_tangential_pct"):
        direction = column.split("_")[1]
        base = row.values.get(f"coef_{direction}")
        if base is None:
            return None
        value = shrinkage_from_coefficient(base.value, start)
        how = f"inverse of C = S/(3000 - 20 S) from C = {base.value:g}, {base.source}"
    elif column == "sg_green" and "sg_12" in row.values:
        base = row.values["sg_12"]
        value = base.value / (1.0 + 0.265 * 0.6 * base.value)
        how = f"GTR-190 eq. 4-11 turned round, from G(12 %) = {base.value:g}, {base.source}"
    else:
        return None
    shaky = base.status == "memory" or (start != 30.0 and column.startswith("coef_"))
    if shaky and base.status != "memory":
        how += f"; the start at {start:g} % is from memory"
    return Value(value, "memory" if shaky else "derived", how)


# A wood: one species, or several that share a name -----------------------------------------------


@dataclass(frozen=True)
class Wood:
    """A resolved species name: what the trade's functions take.

    Attributes
    ----------
    asked : str
        What was typed.
    title : str
        What it was taken for.
    rows : tuple of SpeciesRow
        One species, or several equally likely ones.
    how : str
        ``common name``, ``botanical name``, ``yard name``, ``several species``, ``stand-in`` or
        ``unknown``.
    close : tuple of str
        Close matches, when the name is not known.
    remarks : tuple of str
        What must stand beside every answer.
    tree : str
        Log or tree, when known: slabs of one tree share their density error, slabs of others
        do not.
    """

    asked: str
    title: str
    rows: tuple[SpeciesRow, ...]
    how: str
    close: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    tree: str = ""

    @property
    def kind(self) -> str:
        """``hardwood`` or ``softwood`` (of the first row)."""
        return self.rows[0].kind

    @property
    def fibre_saturation_pct(self) -> float:
        """Moisture at which shrinkage starts, %: about 30, varies by several points (p.4-2)."""
        return self.rows[0].fibre_saturation_pct if len(self.rows) == 1 else 30.0

    def values(self, column: str) -> tuple[Value, ...]:
        """Return every source's value when this is one species; the one in use first."""
        return values_of_row(self.rows[0], column) if len(self.rows) == 1 else ()

    def _pool(self, column: str) -> tuple[tuple[SpeciesRow, ...], str]:
        """Return the rows that have a value, and why others than the wood's own are used."""
        having = tuple(row for row in self.rows if values_of_row(row, column))
        if having:
            return having, ""
        table = species_rows().values()
        keys = {row.key for row in self.rows}
        genera = {row.genus for row in self.rows}
        steps = (
            ([r for r in table if r.group in keys], "its species"),
            ([r for r in table if r.genus in genera], f"all read {' and '.join(sorted(genera))}"),
            ([r for r in table if r.kind == self.kind], f"all {self.kind}s of the table"),
        )
        for rows, words in steps:
            having = tuple(row for row in rows if values_of_row(row, column))
            if having:
                what = having[0].key if len(having) == 1 else f"the range of {words}"
                return having, f"no {_NAMES[column]} for {self.title}: {what} is used"
        raise KeyError(f"no {self.kind} in the table has {column}")

    def value(self, column: str) -> float:
        """Return the value in use: the species' own, or the median of the pool."""
        rows, _ = self._pool(column)
        return float(np.median([values_of_row(row, column)[0].value for row in rows]))

    def source(self, column: str) -> str:
        """Return where the value in use comes from."""
        rows, why = self._pool(column)
        if len(rows) > 1:
            return f"median of {len(rows)} species"
        if why:
            return f"{rows[0].key}: {values_of_row(rows[0], column)[0].source}"
        return values_of_row(rows[0], column)[0].source

    def marks(self, *columns: str) -> tuple[str, ...]:
        """Return what must stand beside an answer that used these properties."""
        marks: list[str] = list(self.remarks)
        for column in columns:
            rows, why = self._pool(column)
            if why:
                marks.append(why)
            used = [values_of_row(row, column)[0] for row in rows]
            if len(rows) == 1 and used[0].mark:
                marks.append(f"{_NAMES[column]}: {used[0].mark}")
            elif len(rows) > 1 and any(value.mark for value in used):
                count = sum(1 for value in used if value.mark)
                marks.append(f"{_NAMES[column]}: {count} of {len(rows)} values from memory")
        return tuple(dict.fromkeys(marks))

    def estimate(self, column: str, *, draws: int = DRAWS) -> Estimate:
        """Return a property with its spread between trees (and between species of one name).

        Draw ``k`` is the same possible tree in every property.
        """
        rows, why = self._pool(column)
        members = np.array([values_of_row(row, column)[0].value for row in rows])
        name = f"{self.title}:{self.tree}"
        chosen: Floats = np.full(draws, members[0])
        if len(members) > 1:
            borrowed = f":{column}" if why else ""
            rank = named_rng(f"which species:{name}{borrowed}").permutation(draws)
            chosen = np.sort(members)[(rank * len(members)) // draws]
        stand_in = self.how == "stand-in" or (bool(why) and len(members) == 1)
        scatter = _scatter(column, name, draws, STAND_IN_COV if stand_in else 0.0)
        spread = chosen * np.maximum(1.0 + scatter, 0.05)
        return Estimate(self.value(column), spread, _UNITS[column])


def _scatter(column: str, name: str, draws: int, more: float) -> Floats:
    """Return the relative error of a property, by draw."""
    if column.startswith("sg_"):
        return float(np.hypot(DENSITY_COV, more)) * named_normals(f"density:{name}", draws)
    both = named_normals(f"shrinkage:{name}", draws)
    cov = float(np.hypot(COEFFICIENT_COV, more))
    direction = column.removesuffix("_pct").split("_")[1]
    if direction not in ("radial", "tangential"):
        return cov * both
    one = named_normals(f"shrinkage:{direction}:{name}", draws)
    shared, own = math.sqrt(_TWO_DIRECTIONS), math.sqrt(1 - _TWO_DIRECTIONS)
    return cov * (shared * both + own * one)


_NAMES = {
    "sg_green": "specific gravity",
    "sg_12": "specific gravity at 12 %",
    "shrink_radial_pct": "radial shrinkage",
    "shrink_tangential_pct": "tangential shrinkage",
    "shrink_volumetric_pct": "volumetric shrinkage",
    "coef_radial": "radial coefficient",
    "coef_tangential": "tangential coefficient",
}
