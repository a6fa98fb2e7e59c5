"""How well ends are read: directions, pith, intervals, and what is refused; beside plain ways."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from slabvision.study.ends_pictures import KnownEnd, real_ends, rendered_end, strips_of

__all__ = ["EndsStudy", "run", "table"]

Floats = NDArray[np.float64]
Said = Callable[[str], None]
Part = Literal["all", "seen", "inferred"]


def _apart(one: Floats, other: Floats) -> Floats:
    """Return angles between undirected directions, 0 to 90 degrees."""
    return np.asarray(np.abs((one - other + 90.0) % 180.0 - 90.0))


@dataclass
class Group:
    """Pictures of one sort: errors of directions by method, of the pith, and what held."""

    title: str
    count: int = 0
    refused: list[str] = field(default_factory=list)
    errors: dict[str, list[Floats]] = field(default_factory=dict)
    weights: list[Floats] = field(default_factory=list)
    piths: dict[str, list[float]] = field(default_factory=dict)
    seen: list[NDArray[np.bool_]] = field(default_factory=list)
    held: list[NDArray[np.bool_]] = field(default_factory=list)

    def add(self, method: str, error: Floats, pith: float | None) -> None:
        """Add one picture read by one method; the pith's error in percent of the diagonal."""
        self.errors.setdefault(method, []).append(error)
        if pith is not None:
            self.piths.setdefault(method, []).append(pith)

    def _of(self, method: str, part: Part) -> tuple[Floats, Floats]:
        """Return errors and weights of all points, of those seen or of those inferred."""
        error, weight = np.concatenate(self.errors[method]), np.concatenate(self.weights)
        if part == "all":
            return error, weight
        seen = np.concatenate(self.seen) == (part == "seen")
        return error[seen], weight[seen]

    def percentile(self, method: str, q: float, part: Part = "all") -> float:
        """Return a weighted percentile of the errors, degrees; NaN without any."""
        error, weight = self._of(method, part)
        if not error.size:
            return float("nan")
        order = np.argsort(error)
        share = np.cumsum(weight[order]) - 0.5 * weight[order]
        return float(np.interp(q / 100.0 * weight.sum(), share, error[order]))

    def mean(self, method: str, part: Part = "all") -> float:
        """Return the weighted mean error, degrees; NaN without any."""
        error, weight = self._of(method, part)
        return float(np.average(error, weights=weight)) if error.size else float("nan")

    def held_share(self, part: Part = "all") -> float:
        """Return how many intervals hold the truth; NaN where no face is known."""
        if not self.held:
            return float("nan")
        held = np.concatenate(self.held)
        if part != "all":
            held = held[np.concatenate(self.seen) == (part == "seen")]
        return float(held.mean()) if held.size else float("nan")

    def seen_share(self) -> float:
        """Return the share of the points at which rings were seen."""
        return float(np.concatenate(self.seen).mean())


@dataclass(frozen=True)
class EndsStudy:
    """What was counted."""

    groups: tuple[Group, ...]
    refusals: dict[str, tuple[int, int]]
    """By kind of picture that must be refused: how many were, of how many."""


METHODS = ("this", "structure tensor", "circles round the true pith")


def _one(group: Group, end: KnownEnd) -> None:
    from slabvision.endgrain import NotReadable, read_end_grain
    from slabvision.study.ends_plain import read_plainly, round_the_true_pith

    group.count += 1
    try:
        found = read_end_grain(end.pixels, mask=end.mask, face=end.face)
    except NotReadable as error:
        group.refused.append(f"{end.name}: {error.reason}")
        return
    plain = read_plainly(end)
    diagonal = end.diagonal / 100.0
    mine = _apart(found.ring_tangent_deg(end.points), end.tangent_deg)
    group.add("this", mine, float(np.hypot(*(found.pith - end.pith))) / diagonal)
    theirs = _apart(plain.tangent_deg, end.tangent_deg)
    group.add("structure tensor", theirs, float(np.hypot(*(plain.pith - end.pith))) / diagonal)
    circles = _apart(round_the_true_pith(end), end.tangent_deg)
    group.add("circles round the true pith", circles, None)
    group.weights.append(np.full(len(end.points), end.weight))
    group.seen.append(found.seen(end.points))
    if end.face is not None and len(end.points):
        true = end.angle_deg(end.tangent_deg)
        off = np.abs(found.ring_angle_deg(end.points) - true)
        group.held.append(off <= 1.96 * found.ring_angle_u_deg(end.points))


def run(
    cases: int,
    refusals: int,
    photos: Path | None,
    *,
    strips: int = 4,
    seed: int = 1,
    progress: Said = print,
) -> EndsStudy:
    """Read rendered ends, photographed ones and strips of them, and pictures to be refused.

    Parameters
    ----------
    cases : int
        Rendered ends.
    refusals : int
        Pictures that must be refused.
    photos : path or None
        Folder of real photographs, with ``endgrain`` and the others in it; None leaves them out.
    strips : int
        Strips of each kind cut from each photographed cross-section.
    seed : int
        First number of the rendered ends, and seed of the rest.
    progress : callable
        Told in words what is being done.
    """
    ends: list[KnownEnd] = []
    rendered = Group("rendered ends")
    for number in range(cases):
        end = rendered_end(1000 * seed + number)
        if number < 12:
            ends.append(end)
        _one(rendered, end)
        if number % 10 == 9:
            progress(f"{number + 1} of {cases} rendered ends")
    groups = [rendered]
    if photos is not None:
        groups += _photographed(photos / "endgrain", strips, seed, progress)
    return EndsStudy(tuple(groups), _refused(refusals, ends, photos, seed, progress))


def _photographed(folder: Path, count: int, seed: int, progress: Said) -> list[Group]:
    rng = np.random.default_rng(seed)
    whole = Group("photographed cross-sections")
    strips = {place: Group(f"strips, {place}") for place in
              ("pith inside", "pith at the edge", "pith outside")}  # fmt: skip
    for end in real_ends(folder):
        progress(f"{end.name} and strips of it")
        _one(whole, end)
        if not len(end.points):
            continue
        for strip in strips_of(end, count, rng):
            place = strip.name.split(" ", 1)[1].rsplit(" ", 1)[0]
            _one(strips[place], strip)
    return [whole, *strips.values()]


def _refused(
    count: int, ends: list[KnownEnd], photos: Path | None, seed: int, progress: Said
) -> dict[str, tuple[int, int]]:
    from slabvision.endgrain import NotReadable, read_end_grain
    from slabvision.study.ends_unreadable import unreadable

    found: dict[str, tuple[int, int]] = {}
    for number, picture in enumerate(unreadable(count, ends, photos, seed)):
        try:
            read_end_grain(picture.pixels, mask=picture.mask)
            said = 0
        except NotReadable:
            said = 1
        before = found.get(picture.kind, (0, 0))
        found[picture.kind] = before[0] + said, before[1] + 1
        if number % 20 == 19:
            progress(f"{number + 1} of {count} pictures that must be refused")
    return found


def _percent(share: float) -> str:
    return "" if np.isnan(share) else f"{100 * share:.1f}"


def _spread(group: Group, method: str, part: Part) -> list[str]:
    """Return median, mean and 90th percentile of the errors as cells."""
    numbers = (
        group.percentile(method, 50, part),
        group.mean(method, part),
        group.percentile(method, 90, part),
    )
    return ["" if np.isnan(n) else f"{n:.{places}f}" for n, places in zip(numbers, (2, 2, 1),
                                                                          strict=True)]  # fmt: skip


def table(study: EndsStudy) -> str:
    """Return the study as Markdown tables."""
    lines = [
        "| pictures | method | read | refused | ring direction: median, ° | mean, ° | "
        "90th percentile, ° | pith off: median, % | worst, % | intervals hold, % |",
        "| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for group in study.groups:
        for method in METHODS:
            if method not in group.errors:
                continue
            own = method == "this"
            pith = group.piths.get(method)
            cells = [
                group.title if own else "",
                method,
                str(len(group.weights)) if own else "",
                str(len(group.refused)) if own else "",
                *_spread(group, method, "all"),
                f"{np.median(pith):.2f}" if pith else "",
                f"{max(pith):.1f}" if pith else "",
                _percent(group.held_share()) if own else "",
            ]
            lines.append("| " + " | ".join(cells) + " |")
            if own and group.seen:
                share = group.seen_share()
                parts: tuple[tuple[Part, float], ...] = (("seen", share), ("inferred", 1 - share))
                for part, of_it in parts:
                    held = _percent(group.held_share(part))
                    name = f"this, rings {part} ({100 * of_it:.0f} %)"
                    cells = ["", name, "", "", *_spread(group, method, part), "", "", held]
                    lines.append("| " + " | ".join(cells) + " |")
    good = sum(group.count for group in study.groups)
    wrong = sum(len(group.refused) for group in study.groups)
    lines += ["", f"Good ends refused: {wrong} of {good} ({100 * wrong / max(good, 1):.1f} %).", ""]
    lines += ["| must be refused | refused | of |", "| --- | ---: | ---: |"]
    lines += [f"| {kind} | {n} | {of} |" for kind, (n, of) in study.refusals.items()]
    refused, asked = (sum(pair[k] for pair in study.refusals.values()) for k in (0, 1))
    lines.append(f"| all | {refused} ({100 * refused / max(asked, 1):.1f} %) | {asked} |")
    return "\n".join(lines) + "\n"
