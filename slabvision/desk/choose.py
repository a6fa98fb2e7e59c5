"""Which slabs to buy: the cheapest set that holds every part wanted, and how sure that is cheapest.

Packing model: candidate placements on each slab's clear region and the conflicts between them
(:mod:`slabvision.desk.packing`), solved with SciPy's MILP in two storeys that bring about the same
optimum as one large program. The upper storey decides which slabs are bought and how many pieces
of each kind each of them yields; it only knows areas and what was learned. The lower storey tries
each answer on the slab's candidates; where they do not fit together, the upper storey is told the
smallest such combination (a logic-based Benders cut; Hooker and Ottosson 2003) and asked again.
Its optimum is a lower bound of the cost at every step; when every slab agrees, it is the cost.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from slabvision.desk.offers import Offer, suits
from slabvision.desk.packing import Candidate, SlabPacking
from slabvision.desk.pieces import Piece, pieces_of, shop_refuses, slab_too_long
from slabvision.desk.upper import Desk, from_patterns, penalty, upper_storey
from slabvision.desk.wanted import Wanted

__all__ = ["Bought", "Plan", "Unmet", "choose"]


@dataclass(frozen=True, eq=False)
class Bought:
    """One slab to buy and what is cut from it."""

    offer: Offer
    placements: tuple[Candidate, ...]


@dataclass(frozen=True)
class Unmet:
    """A piece that no slab could give: how many are missing and why."""

    name: str
    missing: int
    wanted: int
    reasons: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Plan:
    """What to buy.

    Attributes
    ----------
    bought : tuple of Bought
    sets : tuple of str
        Sister sets bought as such.
    cost : float
        Landed, of everything bought.
    bound : float
        No choice among these candidates that gives as many pieces costs less.
    unmet : tuple of Unmet
    pieces : tuple of Piece
    refused : tuple of (str, str)
        Slabs that cannot be bought at all, and why.
    rounds : int
        How often the upper storey was asked.
    """

    bought: tuple[Bought, ...]
    sets: tuple[str, ...]
    cost: float
    bound: float
    unmet: tuple[Unmet, ...]
    pieces: tuple[Piece, ...]
    refused: tuple[tuple[str, str], ...]
    rounds: int

    @property
    def gap(self) -> float:
        """How much of the cost might be saved at best, as a share of it."""
        if self.cost <= 0:
            return 0.0
        return max(0.0, (self.cost - self.bound) / self.cost)


def choose(
    offers: Sequence[Offer],
    wanted: Wanted,
    *,
    time_limit_s: float = 12.0,
    refused: Sequence[tuple[str, str]] = (),
    progress: Callable[[str], None] | None = None,
    keep: int | None = None,
) -> Plan:
    """Return the cheapest set of slabs that holds the parts wanted.

    Parameters
    ----------
    offers : sequence of Offer
    wanted : Wanted
    time_limit_s : float
        After it the best answer so far is returned, with its gap to the bound.
    refused : sequence of (str, str)
        Slabs that could not be offered, and why: told again in the plan.
    progress : callable, optional
        Told in words what is being done.
    keep : int, optional
        Candidates for each kind of piece on a slab.

    Returns
    -------
    Plan
        Where not all parts can be had, as many as possible, and for each missing one why.
    """
    from slabvision.desk.packing import CANDIDATES

    until = time.monotonic() + time_limit_s
    names = [offer.name for offer in offers]
    if len(set(names)) < len(names):
        twice = sorted({n for n in names if names.count(n) > 1})
        raise ValueError(f"slabs named {', '.join(twice)} stand twice: give each its own tag")
    pieces = pieces_of(wanted)
    out = list(refused)
    kept = []
    for offer in offers:
        too_long = slab_too_long(offer, wanted.shop)
        if too_long:
            out.append((offer.name, too_long))
        else:
            kept.append(offer)
    desk = _set_up(kept, pieces, wanted, keep or CANDIDATES)
    best, bound, rounds = _search(desk, until, progress)
    counts, plan_cost, sets = best
    bought = tuple(
        Bought(desk.offers[s], tuple(placed))
        for s, placed in sorted(counts.items())
        if placed
        or desk.offers[s].name in {n for x in wanted.set if x.name in sets for n in x.slabs}
    )
    given = dict.fromkeys(range(len(pieces)), 0)
    for one in bought:
        for candidate in one.placements:
            given[candidate.piece] += 1
    unmet = tuple(
        Unmet(p.name, p.count - given[i], p.count, _explained(desk, i, wanted))
        for i, p in enumerate(pieces)
        if given[i] < p.count
    )
    return Plan(bought, tuple(sets), plan_cost, min(bound, plan_cost), unmet, pieces, tuple(out),
                rounds)  # fmt: skip


def _set_up(offers: Sequence[Offer], pieces: Sequence[Piece], wanted: Wanted, keep: int) -> Desk:
    most, why = [], []
    for offer in offers:
        row, said = [], []
        for piece in pieces:
            reason = shop_refuses(piece, wanted.shop) or suits(
                offer, piece.part, piece.length_mm, piece.width_mm
            )
            if not reason and max(piece.length_mm, piece.width_mm) > math.hypot(
                offer.length_mm, offer.width_mm
            ):
                reason = f"{max(piece.length_mm, piece.width_mm):.0f} mm is longer than the slab"
            said.append(reason)
            area = offer.face.outline.area
            row.append(0 if reason else min(piece.count, int(area // max(piece.area_mm2, 1.0))))
        most.append(row)
        why.append(said)
    packings = [SlabPacking(offer, pieces, wanted.shop.kerf, keep) for offer in offers]
    for packing, row in zip(packings, most, strict=True):
        for i, count in enumerate(row):
            row[i] = min(count, len(packing.candidates(i))) if count else 0
    payload = math.inf if wanted.shop.payload is None else wanted.shop.payload
    return Desk(offers, pieces, wanted.set, payload, packings, most, why)


_Answer = tuple[dict[int, list[Candidate]], float, list[str]]


def _search(
    desk: Desk, until: float, progress: Callable[[str], None] | None
) -> tuple[_Answer, float, int]:
    """Ask the upper storey until every slab it buys can do what it says, or time is up."""
    best: tuple[float, _Answer] = (math.inf, ({}, 0.0, []))
    _first_layouts(desk)
    rounds, proven = 0, 0
    while True:
        left = until - time.monotonic()
        rounds += 1
        upper = None if left <= 0 else upper_storey(desk, max(min(left, 3.0), 0.5))
        agreed = upper is not None
        if upper is not None:
            counts, sets, _ = upper
            if progress is not None:
                progress(f"round {rounds}: {len(counts)} slabs tried, {len(desk.patterns)} layouts")
            answer: dict[int, list[Candidate]] = {}
            for s, asked in counts.items():
                placed = _tried(desk, s, asked)
                agreed = agreed and placed is not None
                answer[s] = placed or []
            if not desk.doubtful:
                proven = len(desk.cuts)
            best = min(best, _scored(desk, answer, sets), key=lambda a: a[0])
            best = min(best, _scored(desk, *from_patterns(desk)), key=lambda a: a[0])
        if agreed or upper is None:
            break
    missing = sum(_missing(desk, best[1][0]).values())
    if agreed and not desk.doubtful:
        return best[1], best[1][1], rounds
    # The bound rests on proven combinations only, and on as many pieces as the answer gives.
    desk.cuts = desk.cuts[:proven]
    lower = upper_storey(desk, 2.0, missing=missing)
    bound = 0.0 if lower is None else lower[2] - penalty(desk) * missing
    return best[1], min(max(bound, 0.0), best[1][1]), rounds


def _first_layouts(desk: Desk) -> None:
    """Lay out the slabs that promise most wood for the money, so that an answer is there early."""

    def promise(s: int) -> float:
        held = sum(k * p.area_mm2 for k, p in zip(desk.most[s], desk.pieces, strict=True))
        room = min(held, float(desk.offers[s].face.outline.area))
        return room / max(desk.offers[s].cost, 1e-6)

    for s in sorted(range(len(desk.offers)), key=lambda s: -promise(s))[:15]:
        counts = {i: k for i, k in enumerate(desk.most[s]) if k}
        if counts:
            desk.patterns.append((s, desk.packings[s].greedy(counts)))


def _tried(desk: Desk, s: int, asked: Mapping[int, int]) -> list[Candidate] | None:
    """Return how a slab yields what is asked, or None once what was learned is written down."""
    packing = desk.packings[s]
    if s not in desk.looked and not _look(desk, s, asked):
        return None
    try:
        placed = packing.place(asked) if asked else []
        if placed is None:
            desk.cuts.append((s, _smallest(packing, asked)))
    except TimeoutError:
        placed, desk.doubtful = None, True
        desk.cuts.append((s, dict(asked)))
    if placed is None:
        bound = packing.bound(asked, dict.fromkeys(asked, 1.0))
        if bound < sum(asked.values()) - 1e-6:
            desk.limits.append((s, dict.fromkeys(asked, 1.0), math.floor(bound + 1e-6)))
        desk.patterns += [(s, packing.greedy(asked)), (s, packing.most(asked, seconds=0.3)[0])]
        return None
    desk.patterns.append((s, placed))
    return placed


def _scored(
    desk: Desk, answer: dict[int, list[Candidate]], sets: list[str]
) -> tuple[float, _Answer]:
    bought, cost = _worth(desk, answer, sets)
    return cost + penalty(desk) * sum(_missing(desk, bought).values()), (bought, cost, sets)


def _missing(desk: Desk, answer: Mapping[int, Sequence[Candidate]]) -> dict[int, int]:
    given = dict.fromkeys(range(len(desk.pieces)), 0)
    for placed in answer.values():
        for candidate in placed:
            given[candidate.piece] += 1
    return {i: max(p.count - given[i], 0) for i, p in enumerate(desk.pieces)}


def _worth(
    desk: Desk, answer: dict[int, list[Candidate]], sets: list[str]
) -> tuple[dict[int, list[Candidate]], float]:
    """Return the slabs that are really used, and what they cost with the sets bought."""
    in_sets = {name for s in desk.sets if s.name in sets for name in s.slabs}
    cost = sum(s.price for s in desk.sets if s.name in sets)
    kept = {}
    for s, placed in answer.items():
        offer = desk.offers[s]
        if offer.name in in_sets:
            kept[s] = placed
        elif placed:
            kept[s] = placed
            cost += offer.cost
    return kept, cost


def _look(desk: Desk, s: int, asked: Mapping[int, int]) -> bool:
    """Learn once what a slab can hold; say whether the question still stands."""
    desk.looked.add(s)
    packing = desk.packings[s]
    for i, most in enumerate(desk.most[s]):
        if most == 0:
            continue
        found = packing.candidates(i)
        if not found:
            desk.most[s][i] = 0
        elif most > 1:
            desk.most[s][i] = min(most, math.floor(packing.bound({i: most}, {i: 1.0}) + 1e-6))
    counts = {i: k for i, k in enumerate(desk.most[s]) if k}
    whole = desk.offers[s].face.outline.area
    area = {i: desk.pieces[i].area_mm2 / whole for i in counts}
    for worth in (area, dict.fromkeys(counts, 1.0)):
        desk.limits.append((s, worth, packing.bound(counts, worth) + 1e-6))
    desk.patterns.append((s, packing.greedy(counts)))
    desk.patterns.append((s, packing.greedy(asked)))
    return all(k <= desk.most[s][i] for i, k in asked.items())


def _smallest(packing: SlabPacking, asked: Mapping[int, int]) -> dict[int, int]:
    """Return a combination that does not fit, every piece of which is needed for that."""
    now = dict(asked)
    for i in sorted(now):
        while now[i] > 0:
            less = {**now, i: now[i] - 1}
            try:
                if sum(less.values()) == 0 or packing.place(less) is not None:
                    break
            except TimeoutError:
                break
            now = less
    return {i: k for i, k in now.items() if k > 0}


def _explained(desk: Desk, i: int, wanted: Wanted) -> tuple[str, ...]:
    """Return why a piece is missing: which limit, on which slab, by how much; nearest first."""
    from slabvision.clear.parts import best_placement
    from slabvision.desk.pieces import rough

    piece = desk.pieces[i]
    shop = shop_refuses(piece, wanted.shop)
    if shop:
        return (shop,)
    reasons: list[tuple[float, str]] = []
    able = [s for s in range(len(desk.offers)) if not desk.why[s][i]]
    able.sort(key=lambda s: -desk.offers[s].face.outline.area)
    for s in able[:3]:
        offer = desk.offers[s]
        if desk.packings[s].candidates(i):
            reasons.append((0.0, f"{offer.name}: fits alone, but not beside what else is cut, "
                                 "or the load is too heavy"))  # fmt: skip
            continue
        found = best_placement(offer.region(piece.part.treatments), rough(piece, offer),
                               offer.worlds)  # fmt: skip
        if found is None:
            reasons.append((math.inf, f"{offer.name}: nothing clear is long and wide enough"))
        else:
            tight = ", too tight for the margin that a layout keeps: tape it"
            words = found.words() + (tight if found.verdict == "fits" else "")
            reasons.append((-found.spare_mm.value, f"{offer.name}: {words}"))
    reasons.sort(key=lambda r: r[0])
    said = [text for _, text in reasons]
    others = [f"{desk.offers[s].name}: {desk.why[s][i]}" for s in range(len(desk.offers))
              if desk.why[s][i]]  # fmt: skip
    return tuple(said + others[: max(6 - len(said), 0)]) or ("no slab is for sale",)
