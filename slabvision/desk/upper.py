"""The upper storey of choosing: slabs, sets and counts, with everything learned so far."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from slabvision.desk.offers import Offer
from slabvision.desk.packing import Candidate, SlabPacking
from slabvision.desk.pieces import Piece
from slabvision.desk.wanted import SisterSet

__all__ = ["Desk", "from_patterns", "penalty", "upper_storey"]

_Row = tuple[dict[int, float], float, float]


@dataclass(eq=False)
class Desk:
    """What is for sale, what is wanted, and what was learned about them.

    Attributes
    ----------
    most : list of list of int
        Upper bound of how many of each piece each slab yields.
    why : list of list of str
        Why a slab cannot yield a piece at all.
    cuts : list of (slab, counts)
        Combinations that do not fit together.
    limits : list of (slab, worth, most)
        What the pieces of a slab are worth together at most.
    patterns : list of (slab, candidates)
        Layouts that were found.
    doubtful : bool
        A cut was made without proof, because time was short.
    """

    offers: Sequence[Offer]
    pieces: Sequence[Piece]
    sets: Sequence[SisterSet]
    payload_kg: float
    packings: list[SlabPacking]
    most: list[list[int]]
    why: list[list[str]]
    cuts: list[tuple[int, dict[int, int]]] = field(default_factory=list)
    limits: list[tuple[int, dict[int, float], float]] = field(default_factory=list)
    patterns: list[tuple[int, list[Candidate]]] = field(default_factory=list)
    looked: set[int] = field(default_factory=set)
    doubtful: bool = False


def penalty(desk: Desk) -> float:
    """Return what a missing piece costs: more than every slab together."""
    return 10.0 * (sum(o.cost for o in desk.offers) + sum(s.price for s in desk.sets) + 1.0)


def from_patterns(desk: Desk) -> tuple[dict[int, list[Candidate]], list[str]]:
    """Return the best choice that uses only layouts found so far."""
    found = upper_storey(desk, 2.0, patterns=desk.patterns)
    if found is None:
        return {}, []
    counts, sets, _ = found
    answer = {}
    for s, asked in counts.items():
        layouts = [layout for t, layout in desk.patterns if t == s]
        held = [
            layout
            for layout in layouts
            if all(sum(c.piece == i for c in layout) >= k for i, k in asked.items())
        ]
        kept: list[Candidate] = []
        for i, k in asked.items():
            kept += [c for c in held[0] if c.piece == i][:k] if held else []
        answer[s] = kept
    return answer, sets


def _held_to(
    desk: Desk,
    patterns: Sequence[tuple[int, Sequence[Candidate]]],
    columns: dict[Any, int],
    column: Callable[[Any, float], int],
) -> list[_Row]:
    """Return rows that let a slab yield only what one of its layouts holds."""
    rows: list[_Row] = []
    by_slab: dict[int, list[tuple[int, dict[int, int]]]] = {}
    for n, (s, layout) in enumerate(patterns):
        counts: dict[int, int] = {}
        for candidate in layout:
            counts[candidate.piece] = counts.get(candidate.piece, 0) + 1
        by_slab.setdefault(s, []).append((column(("layout", n), 0.0), counts))
    for s in range(len(desk.offers)):
        layouts = by_slab.get(s, [])
        one = {c: 1.0 for c, _ in layouts}
        rows.append((one | {columns["own", s]: -1.0}, -np.inf, 0.0))
        for i, most in enumerate(desk.most[s]):
            for c in range(1, most + 1):
                able = {at: -1.0 for at, counts in layouts if counts.get(i, 0) >= c}
                rows.append((able | {columns["yield", s, i, c]: 1.0}, -np.inf, 0.0))
    return rows


def upper_storey(
    desk: Desk,
    seconds: float,
    *,
    missing: int | None = None,
    patterns: Sequence[tuple[int, Sequence[Candidate]]] | None = None,
) -> tuple[dict[int, dict[int, int]], list[str], float] | None:
    """Solve the upper storey: slabs bought and how many of each piece each yields.

    Parameters
    ----------
    desk : Desk
    seconds : float
        Time limit.
    missing : int, optional
        Exactly so many pieces are missing.
    patterns : sequence of (int, candidates), optional
        A slab yields what one of these layouts of it holds, and nothing else.

    Returns
    -------
    tuple or None
        Counts by slab and piece, names of sets bought, lower bound of the objective.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_matrix

    slabs, kinds = len(desk.offers), len(desk.pieces)
    columns: dict[Any, int] = {}
    cost: list[float] = []
    upper: list[float] = []

    def column(key: Any, price: float, most: float = 1.0) -> int:
        columns[key] = len(cost)
        cost.append(price)
        upper.append(most)
        return columns[key]

    for s, offer in enumerate(desk.offers):
        column(("own", s), 0.0)
        column(("buy", s), offer.cost)
    for k, sister in enumerate(desk.sets):
        column(("set", k), sister.price)
    for i, piece in enumerate(desk.pieces):
        column(("short", i), penalty(desk), piece.count)
    logs = sorted({o.log or f"slab {o.name}" for o in desk.offers})
    for i, piece in enumerate(desk.pieces):
        if piece.part.same_log:
            for log in logs:
                column(("log", i, log), 0.0)
    for s in range(slabs):
        for i in range(kinds):
            for c in range(1, desk.most[s][i] + 1):
                column(("yield", s, i, c), 0.0)
    rows: list[tuple[dict[int, float], float, float]] = []
    for s, offer in enumerate(desk.offers):
        own = columns["own", s]
        terms = {own: 1.0, columns["buy", s]: -1.0}
        for n, sister in enumerate(desk.sets):
            if offer.name in sister.slabs:
                terms[columns["set", n]] = -1.0
        rows.append((terms, -np.inf, 0.0))
        area: dict[int, float] = {own: -_room_mm2(desk, s)}
        for i in range(kinds):
            for c in range(1, desk.most[s][i] + 1):
                here = columns["yield", s, i, c]
                area[here] = desk.pieces[i].area_mm2
                before = columns["yield", s, i, c - 1] if c > 1 else own
                rows.append(({here: 1.0, before: -1.0}, -np.inf, 0.0))
                if c == 1 and desk.pieces[i].part.same_log:
                    same = columns["log", i, offer.log or f"slab {offer.name}"]
                    rows.append(({here: 1.0, same: -1.0}, -np.inf, 0.0))
        rows.append((area, -np.inf, 0.0))
    for i, piece in enumerate(desk.pieces):
        terms = {columns["short", i]: 1.0}
        for s in range(slabs):
            for c in range(1, desk.most[s][i] + 1):
                terms[columns["yield", s, i, c]] = 1.0
        rows.append((terms, float(piece.count), float(piece.count)))
        if piece.part.same_log:
            rows.append(({columns["log", i, log]: 1.0 for log in logs}, -np.inf, 1.0))
    for s, combination in desk.cuts:
        keys = [("yield", s, i, k) for i, k in combination.items()]
        if all(key in columns for key in keys):
            rows.append(({columns[key]: 1.0 for key in keys}, -np.inf, len(keys) - 1.0))
    for s, worth, most in desk.limits:
        limit = {
            columns["yield", s, i, c]: w
            for i, w in worth.items()
            for c in range(1, desk.most[s][i] + 1)
        }
        rows.append((limit, -np.inf, most))
    if missing is not None:
        short = {columns["short", i]: 1.0 for i in range(kinds)}
        rows.append((short, float(missing), float(missing)))
    if patterns is not None:
        rows += _held_to(desk, patterns, columns, column)
    if math.isfinite(desk.payload_kg):
        load = {
            columns["own", s]: o.weight_kg
            for s, o in enumerate(desk.offers)
            if not math.isnan(o.weight_kg)
        }
        rows.append((load, -np.inf, desk.payload_kg))
    at = [(r, c, v) for r, (terms, _, _) in enumerate(rows) for c, v in terms.items()]
    at_row, at_column, value = (np.array(x) for x in zip(*at, strict=True))
    matrix = coo_matrix((value, (at_row, at_column)), shape=(len(rows), len(cost))).tocsr()
    found = milp(
        np.array(cost),
        constraints=LinearConstraint(
            matrix, np.array([row[1] for row in rows]), np.array([row[2] for row in rows])
        ),
        integrality=np.ones(len(cost)),
        bounds=Bounds(0, np.array(upper)),
        options={"time_limit": seconds, "mip_rel_gap": 1e-9},
    )
    if found.x is None:
        return None
    taken = found.x > 0.5
    counts: dict[int, dict[int, int]] = {}
    for s in range(slabs):
        if taken[columns["own", s]]:
            yields = {
                i: sum(bool(taken[columns["yield", s, i, c]])
                       for c in range(1, desk.most[s][i] + 1))
                for i in range(kinds)
            }  # fmt: skip
            counts[s] = {i: k for i, k in yields.items() if k > 0}
    sets = [sister.name for k, sister in enumerate(desk.sets) if taken[columns["set", k]]]
    low = found.mip_dual_bound if found.mip_dual_bound is not None else found.fun
    return counts, sets, float(low)


def _room_mm2(desk: Desk, s: int) -> float:
    """Return an upper bound of the area all pieces of a slab can take together."""
    offer = desk.offers[s]
    whole = float(offer.face.outline.area)
    if s not in desk.looked or any(p.part.shape == "live edge" for p in desk.pieces):
        return whole
    regions = [offer.region(p.part.treatments) for p in desk.pieces]
    return max(float(region.with_keep_outs.area) for region in regions)
