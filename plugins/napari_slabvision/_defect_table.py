"""The table of defects beside the label image: conversion and colours, no window.

While a photo is open the table lives in the Labels layer's ``features`` (one row per defect,
column ``index`` is the number in the image), where napari shows it on hover. Centre lines of
traced checks do not fit a table cell; they lie in the layer's metadata.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from slabvision.defects import KINDS, ZONES
from slabvision.record import Defect

__all__ = [
    "STRAY",
    "colors",
    "defects_of",
    "features_of",
    "traces_of",
    "zone_colors",
    "zone_features",
]

STRAY = "#ff00ff"
"""A number that stands in no table is shown loudly."""

Row = dict[str, Any]


def features_of(defects: Sequence[Defect]) -> dict[str, list[Any]]:
    """Return the defects as columns."""
    return {
        "index": [0, *(d.number for d in defects)],
        "defect": ["", *(KINDS[d.kind].title for d in defects)],
        "kind": ["", *(d.kind for d in defects)],
        "depth": ["", *(d.depth for d in defects)],
        "tool": ["", *(d.tool for d in defects)],
        "note": ["", *(d.note for d in defects)],
    }


def traces_of(defects: Sequence[Defect]) -> dict[int, dict[str, Any]]:
    """Return centre lines and widths of the traced ones, by number."""
    return {
        d.number: {"centre_line": list(d.centre_line), "widths_px": list(d.widths_px)}
        for d in defects
        if d.centre_line or d.widths_px
    }


def defects_of(
    rows: Sequence[Mapping[str, Any]],
    traces: Mapping[int, Mapping[str, Any]],
    present: Collection[int] | None = None,
) -> list[Defect]:
    """Return the defects of a table, in order of number.

    Parameters
    ----------
    rows : sequence of mapping
        One per defect, as in :func:`features_of`.
    traces : mapping
        As :func:`traces_of` gives them.
    present : collection of int, optional
        Numbers that the image holds. A row whose pixels were all erased stays in the layer (an
        undo may bring them back) but does not go into the record.
    """
    found = []
    for row in rows:
        number = int(row["index"])
        if number == 0 or (present is not None and number not in present):
            continue
        found.append(
            Defect(
                number=number,
                kind=str(row["kind"]),
                depth=row["depth"],
                tool=str(row["tool"]),
                note=str(row["note"]),
                **traces.get(number, {}),
            )
        )
    return sorted(found, key=lambda d: d.number)


def colors(kind_of: Mapping[int, str]) -> dict[int | None, str]:
    """Return the colour of every number; what stands in no table is loud."""
    return {
        0: "transparent",
        **{number: KINDS[kind].color for number, kind in kind_of.items()},
        None: STRAY,
    }


def zone_colors() -> dict[int | None, str]:
    """Return the colour of every zone."""
    return {0: "transparent", **{z.value: z.color for z in ZONES.values()}, None: STRAY}


def zone_features() -> dict[str, list[Any]]:
    """Return the zones as columns, for the hover text."""
    return {
        "index": [0, *(z.value for z in ZONES.values())],
        "zone": ["", *(z.title for z in ZONES.values())],
    }
