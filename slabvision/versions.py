"""Records of other versions of the schema: older ones are brought up, newer ones only looked at."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

from slabvision.record import SCHEMA_VERSION, SlabRecord

__all__ = ["UPGRADES", "as_far_as_known", "upgraded", "version_of"]

Tree = dict[str, Any]

UPGRADES: dict[int, Callable[[Tree], Tree]] = {}
"""From each older version of ``slab.json`` to the next one; there is none older than 1 yet.

A version that is superseded gets its function here and keeps its sample under ``tests/records``.
"""

_NOT_KNOWN = {"extra_forbidden", "union_tag_invalid"}
"""Faults that a newer record has only because this version is older: a field, a kind of mark."""


def version_of(data: Tree) -> int | None:
    """Return the version a record says it has; None where it says none."""
    version = data.get("schema_version", 1)
    return version if isinstance(version, int) and not isinstance(version, bool) else None


def upgraded(data: Tree) -> Tree:
    """Return an older record brought up to this version, step by step; others as they are."""
    version = version_of(data)
    while version is not None and version in UPGRADES and version < SCHEMA_VERSION:
        data = UPGRADES[version](copy.deepcopy(data))
        version += 1
        data["schema_version"] = version
    return data


def as_far_as_known(data: Tree) -> SlabRecord | None:
    """Return what this version understands of a newer record, to be looked at; never to be saved.

    Fields and kinds of marks it does not know are left out. None where what is left makes no
    record here.
    """
    from pydantic import ValidationError

    known = copy.deepcopy(data) | {"schema_version": SCHEMA_VERSION}
    for _ in range(_MOST_ROUNDS):
        try:
            return SlabRecord.model_validate(known)
        except ValidationError as error:
            faults = [fault for fault in error.errors() if fault["type"] in _NOT_KNOWN]
            if not faults:
                return None
            # From behind, so that the places of a list's other members stay true.
            for fault in sorted(faults, key=lambda fault: _order(fault["loc"]), reverse=True):
                _leave_out(known, fault["loc"])
    return None


_MOST_ROUNDS = 50


def _order(place: tuple[int | str, ...]) -> tuple[tuple[int, str], ...]:
    return tuple((step, "") if isinstance(step, int) else (0, step) for step in place)


def _leave_out(tree: Any, place: tuple[int | str, ...]) -> None:
    """Remove a place; steps that name a choice of a union, not a place, are passed over."""
    holder, last = None, None
    for step in place:
        try:
            inner = tree[step]
        except (LookupError, TypeError):
            continue
        holder, last, tree = tree, step, inner
    if holder is not None:
        del holder[last]
