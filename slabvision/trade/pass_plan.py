"""In which order to take material off: both faces in turn, with rests and measuring again."""

from __future__ import annotations

import math
from dataclasses import dataclass

from slabvision.trade.flattening import Flattened
from slabvision.trade.quantity import checked

__all__ = ["PASS_PLAN_SOURCE", "FlatteningPass", "pass_plan"]

PASS_PLAN_SOURCE = "common practice, no source"


@dataclass(frozen=True)
class FlatteningPass:
    """One step of the plan.

    Attributes
    ----------
    number : int
    what : str
        ``cut``, ``rest`` or ``measure``.
    face : str
        ``first`` (the one the warp was read on), ``second``, or empty.
    depth_mm : float
        Of this cut at the high spots; 0 for rests.
    taken_mm : float
        From this face so far.
    text : str
    """

    number: int
    what: str
    face: str
    depth_mm: float
    taken_mm: float
    text: str


def pass_plan(
    flattened: Flattened,
    *,
    depth_mm: float = 1.6,
    leave_mm: float = 1.6,
    rest_days: int = 7,
) -> tuple[FlatteningPass, ...]:
    """Return a plan of cuts that takes from both faces in turn, with a rest before the last ones.

    Parameters
    ----------
    flattened : Flattened
        From :func:`slabvision.trade.flattening.flatten`.
    depth_mm : float
        Of one pass.
    leave_mm : float
        Left on each face for after the rest.
    rest_days : int
        Days on stickers, air on both faces, before measuring again.

    Notes
    -----
    Common practice, no source: wood dried or grown under stress moves when it is released, so
    roughly equal amounts come off both faces, and the last cuts wait until it has settled.
    """
    checked(depth_mm, "mm", "depth of a pass", over=0, at_most=20)
    checked(leave_mm, "mm", "amount left for after the rest", at_least=0, at_most=20)
    if not 0 <= rest_days <= 365:
        raise ValueError(f"rest is {rest_days} days; it must be 0 to 365")
    if not flattened.thickness_mm.determined:
        raise ValueError(flattened.thickness_mm.reason)
    totals = {"first": flattened.first_face_mm, "second": flattened.second_face_mm}
    rough = {face: max(total - leave_mm, 0.0) for face, total in totals.items()}
    plan: list[FlatteningPass] = []
    taken = dict.fromkeys(totals, 0.0)

    def add(what: str, face: str, depth: float, text: str) -> None:
        plan.append(FlatteningPass(len(plan) + 1, what, face, depth,
                                   taken.get(face, 0.0), text))  # fmt: skip

    def cuts(goal: dict[str, float]) -> None:
        passes = {f: math.ceil((goal[f] - taken[f]) / depth_mm - 1e-9) for f in goal}
        steps = {f: (goal[f] - taken[f]) / passes[f] if passes[f] > 0 else 0.0 for f in goal}
        for turn in range(max(passes.values(), default=0)):
            for face in ("first", "second"):
                if turn < passes[face]:
                    taken[face] += steps[face]
                    add("cut", face, steps[face], f"{face} face: take {steps[face]:.1f} mm "
                        f"off the high spots")  # fmt: skip

    cuts(rough)
    if rest_days > 0 and any(taken.values()):
        add("rest", "", 0.0, f"on stickers, air on both faces, {rest_days} days")
    add("measure", "", 0.0, "measure bow, cup, twist, thickness and moisture again; if it moved "
        "by more than what is left, plan again")  # fmt: skip
    cuts(totals)
    return tuple(plan)
