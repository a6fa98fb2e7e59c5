"""From the name on the tag to a wood: common, botanical and yard names.

A name never stops anything: an unknown one gives close matches and a wide interval over all
hardwoods or softwoods, until the person picks a stand-in.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache

from slabvision.trade.species_table import SpeciesRow, species_rows
from slabvision.trade.wood import Wood

__all__ = ["SEVERAL", "resolve_species", "species_names", "with_tree"]

SEVERAL = {
    "soft maple": ("red maple", "silver maple"),
    "southern yellow pine": ("loblolly pine", "longleaf pine", "shortleaf pine", "slash pine"),
    "southern pine": ("loblolly pine", "longleaf pine", "shortleaf pine", "slash pine"),
    "yellow pine": ("loblolly pine", "longleaf pine", "shortleaf pine", "slash pine"),
    "red cedar": ("eastern redcedar", "western redcedar"),
    "redcedar": ("eastern redcedar", "western redcedar"),
    "white cedar": ("atlantic white cedar", "northern white cedar"),
    "cedar": ("eastern redcedar", "western redcedar", "incense cedar", "atlantic white cedar",
              "northern white cedar", "port-orford cedar", "yellow cedar", "deodar cedar"),
    "aspen": ("quaking aspen", "bigtooth aspen"),
    "cottonwood": ("eastern cottonwood", "black cottonwood", "balsam poplar"),
    "redwood": ("old-growth redwood", "young-growth redwood"),
    "hickory": ("mockernut hickory", "pignut hickory", "shagbark hickory", "shellbark hickory",
                "bitternut hickory", "pecan hickory"),
    "douglas fir": ("coast douglas-fir", "interior north douglas-fir",
                    "interior west douglas-fir"),
    "mahogany": ("true mahogany", "african mahogany"),
}  # fmt: skip
"""Yard names that cover several species: common practice, no source."""

_UNKNOWN = re.compile(r"^(unknown|not known|\?|hardwood|softwood|conifer)?$")


def resolve_species(name: str, *, stand_in: str | None = None, tree: str = "") -> Wood:
    """Return the wood a stated name means.

    Parameters
    ----------
    name : str
        As on the tag: common (``Walnut, black`` or ``black walnut``), botanical
        (``Juglans nigra``) or yard name.
    stand_in : str, optional
        A known species to use for an unknown one; chosen by the person.
    tree : str
        Log or tree, when known.

    Returns
    -------
    Wood
        ``how`` says what happened; an unknown name gives "hardwood, unknown" (or "softwood,
        unknown" when the name says so) with the range of all of them, and close matches.

    Raises
    ------
    ValueError
        The stand-in itself is not in the table.

    Examples
    --------
    >>> resolve_species("Juglans nigra").title, resolve_species("walnut").title
    ('black walnut', 'black walnut')
    >>> resolve_species("hard mapel").close
    ('hard maple', ...)
    """
    found = _look_up(name)
    if found is not None:
        rows, how = found
        return Wood(name, _title(name, rows), rows, how, (), _remarks(rows, how), tree)
    close = _close(name)
    if stand_in is not None:
        other = _look_up(stand_in)
        if other is None:
            raise ValueError(
                f"stand-in {stand_in!r} is not in the species table; "
                f"close: {', '.join(_close(stand_in)) or 'nothing'}"
            )
        rows, how = other
        title = _title(stand_in, rows)
        remarks = (f"{title} stands in for {name!r}", *_remarks(rows, how))
        return Wood(name, title, rows, "stand-in", close, remarks, tree)
    kind = "softwood" if re.search(r"softwood|conifer", name.lower()) else "hardwood"
    rows = tuple(r for r in species_rows().values() if r.kind == kind)
    said = "no species given" if _UNKNOWN.match(_plain(name)) else f"{name!r} is not in the table"
    hint = f"; close: {', '.join(close)}" if close else ""
    remark = f"{said}: the range of all {kind}s is used{hint}"
    return Wood(name, f"{kind}, unknown", rows, "unknown", close, (remark,), tree)


def species_names() -> tuple[str, ...]:
    """Return the key of every species in the table, in reading order (``black walnut``)."""
    return tuple(species_rows())


def with_tree(wood: Wood, tree: str) -> Wood:
    """Return the same wood, of a known log or tree."""
    return replace(wood, tree=tree)


# Looking up --------------------------------------------------------------------------------------


def _plain(name: str) -> str:
    """Fold case, hyphens, accents of typing and the comma form."""
    text = re.sub(r"\((imported|group|flooring)[^)]*\)", " ", name.lower())
    text = text.replace("×", " x ").replace("’", "'")
    if text.count(",") == 1 and "unknown" not in text:
        last, first = text.split(",")
        text = f"{first} {last}"
    text = re.sub(r"[^a-z0-9'?. ]+", " ", text)
    text = re.sub(r"\b(slab|slabs|lumber|log|wood)\b", " ", text)
    text = re.sub(r"\b(sp|spp)\.?(?= |$)", " ", text)
    text = re.sub(r" x ", " ", f" {text} ")
    return re.sub(r"\s+", " ", text).strip(" .")


@lru_cache(maxsize=1)
def _index() -> dict[str, tuple[tuple[str, ...], str]]:
    """Return every known name in plain form with its keys and what kind of name it is."""
    index: dict[str, tuple[tuple[str, ...], str]] = {}
    table = species_rows()
    for words, how in ((lambda r: (r.key, r.common), "common name"),
                       (lambda r: r.yard_names, "yard name")):  # fmt: skip
        for row in table.values():
            for word in words(row):
                index.setdefault(_plain(word), ((row.key,), how))
    index["unknown"] = index["hardwood unknown"] = index["softwood unknown"] = ((), "unknown")
    for name, keys in SEVERAL.items():
        index[_plain(name)] = (keys, "several species")
    for name, keys in _shared(table.values()).items():
        index.setdefault(name, (keys, "several species"))
    botanical: dict[str, list[str]] = {}
    for row in table.values():
        names = {_plain(row.botanical)}
        if " " in _plain(row.botanical):
            genus, epithet = _plain(row.botanical).split(" ", 1)
            names |= {genus, f"{genus[0]}. {epithet}", f"{genus[0]} {epithet}"}
        for each in names:
            botanical.setdefault(each, []).append(row.key)
    for name, found in botanical.items():
        how = "botanical name" if len(found) == 1 else "several species"
        index.setdefault(name, (tuple(found), how))
    return index


def _shared(rows: Iterable[SpeciesRow]) -> dict[str, tuple[str, ...]]:
    """Return last words of common names that two or more species share (oak, elm, pine)."""
    last: dict[str, list[str]] = {}
    for row in rows:
        if " " in row.key and not row.botanical.endswith("spp."):
            last.setdefault(_plain(row.key).rsplit(" ", 1)[1], []).append(row.key)
    return {word: tuple(keys) for word, keys in last.items() if len(keys) > 1}


def _look_up(name: str) -> tuple[tuple[SpeciesRow, ...], str] | None:
    plain = _plain(name)
    for form in (plain, plain.removesuffix("es"), plain.removesuffix("s")):
        keys, how = _index().get(form, ((), ""))
        if keys:
            return tuple(species_rows()[key] for key in keys), how
    return None


def _close(name: str) -> tuple[str, ...]:
    plain = _plain(name)
    if not plain or _UNKNOWN.match(plain):
        return ()
    names = [n for n, (keys, _) in _index().items() if keys]
    near = difflib.get_close_matches(plain, names, n=4, cutoff=0.72)
    words = {w for w in plain.split() if len(w) > 2}
    sharing = [n for n in names if words & set(n.split())]
    sharing.sort(key=lambda n: -difflib.SequenceMatcher(None, plain, n).ratio())
    return tuple(dict.fromkeys([*near, *sharing]))[:4]


def _title(name: str, rows: tuple[SpeciesRow, ...]) -> str:
    return rows[0].key if len(rows) == 1 else f"{_plain(name)} (several species)"


def _remarks(rows: tuple[SpeciesRow, ...], how: str) -> tuple[str, ...]:
    if len(rows) > 1:
        names = ", ".join(row.key for row in rows[:6])
        more = f" and {len(rows) - 6} more" if len(rows) > 6 else ""
        return (f"the name covers {names}{more}: the interval covers them all",)
    row = rows[0]
    remarks = [row.note] if row.note else []
    if how == "yard name":
        remarks.append(f"yard name taken for {row.key} ({row.botanical}): common practice")
    return tuple(remarks)
