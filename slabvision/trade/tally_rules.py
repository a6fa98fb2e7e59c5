"""How yards turn a slab into board feet: the rules as data.

A rule says where widths are taken, what is rounded and which way. The presets at the end carry
the published text they follow; any other yard's habit is written by :func:`dataclasses.replace`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from slabvision.units import BOARD_FOOT_MM3, FT2_MM2, MM_PER_FT, MM_PER_IN

__all__ = ["EXACT", "RULES", "Rounding", "TallyRule", "tally_rule"]

Toward = Literal["nearest", "down", "up", "alternate"]
WidthAt = Literal["one", "middle", "ends", "three", "narrowest", "third", "mean"]
Basis = Literal["volume", "surface", "area", "each"]

_SLACK = 1e-9
"""27 1/2 in typed, turned into millimetres and back, must still be a half."""


@dataclass(frozen=True)
class Rounding:
    """One rounding: its step in the unit of what is rounded, and which way.

    Attributes
    ----------
    step : float
        0 leaves the number as it is.
    toward : {"nearest", "down", "up", "alternate"}
        ``alternate`` is nearest with exact halves raised and dropped in turn along a tally.

    Examples
    --------
    >>> float(Rounding(1.0, "down")(5.9)), float(Rounding(0.25, "up")(3.8))
    (5.0, 4.0)
    >>> alternate = Rounding(1.0, "alternate")
    >>> float(alternate(6.5, half_up=True)), float(alternate(6.5, half_up=False))
    (7.0, 6.0)
    """

    step: float = 0.0
    toward: Toward = "nearest"

    def __post_init__(self) -> None:
        if not (np.isfinite(self.step) and self.step >= 0):
            raise ValueError(f"rounding step is {self.step}; it must be 0 (none) or over 0")
        if self.toward not in ("nearest", "down", "up", "alternate"):
            raise ValueError(
                f"rounding goes {self.toward!r}; it must be nearest, down, up or alternate"
            )

    def __call__(self, amount: Any, *, half_up: bool = True) -> Any:
        """Round a float or an array; ``half_up`` says what an alternating exact half does."""
        if self.step == 0:
            return amount
        steps = np.asarray(amount, dtype=np.float64) / self.step
        if self.toward == "down":
            steps = np.floor(steps + _SLACK)
        elif self.toward == "up":
            steps = np.ceil(steps - _SLACK)
        elif self.toward == "alternate" and not half_up:
            steps = np.ceil(steps - 0.5 - _SLACK)
        else:
            steps = np.floor(steps + 0.5 + _SLACK)
        return steps * self.step

    def is_half(self, amount: float) -> bool:
        """Whether ``amount`` lies exactly between two steps of an alternating rounding."""
        if self.step == 0 or self.toward != "alternate":
            return False
        return bool(abs(amount / self.step % 1.0 - 0.5) < 2 * _SLACK)

    @property
    def reach(self) -> float:
        """Largest change the rounding can make, in the unit of what is rounded."""
        return self.step / 2 if self.toward in ("nearest", "alternate") else self.step


NONE = Rounding()


@dataclass(frozen=True)
class TallyRule:
    """A yard's rule for the figure on the tag.

    Attributes
    ----------
    name : str
        What the person picks it by.
    meaning : str
        One sentence.
    basis : {"volume", "surface", "area", "each"}
        Length × width × thickness; surface measure × thickness; square feet; one piece.
    width_at : {"one", "middle", "ends", "three", "narrowest", "third", "mean"}
        Where the width is taken: one width where the seller likes, the middle of the length,
        mean of both ends, mean of ends and middle, the narrowest, one third of the length from
        the narrow end, or the mean over the whole outline (area / length).
    both_faces : bool
        Mean of the widths of the narrow and of the wide face (waney edge counts half).
    bark : {"in", "out", "as measured"}
        Whether the rule's width includes bark.
    length_mm, width_each_mm, width_mm, thickness_mm : Rounding
        Steps in mm: of the length, of each width before the mean, of the mean width, of the
        thickness.
    thickness_as : {"sawn", "actual"}
        The thickness the slab was sawn to (its class), or what it measures now.
    thickness_least_mm : float
        Thinner stock counts as this thick.
    surface_ft2 : Rounding
        Step of the surface measure (or of the square feet), ft².
    total : Rounding
        Step of the figure, in ``unit``.
    unit : {"bf", "m3", "ft2", "each"}
        Unit of the figure.
    source, status : str
        Where the rule was read; ``read``, ``derived``, ``memory`` or ``practice``.
    remark : str
        What a reader must know beside the figure; printed with it.

    Examples
    --------
    >>> mine = replace(RULES["plain"], name="mine", total=Rounding(1.0, "up"))
    >>> mine.rounds
    True
    """

    name: str
    meaning: str = "as set by hand"
    basis: Basis = "volume"
    width_at: WidthAt = "one"
    both_faces: bool = False
    bark: Literal["in", "out", "as measured"] = "as measured"
    length_mm: Rounding = NONE
    width_each_mm: Rounding = NONE
    width_mm: Rounding = NONE
    thickness_mm: Rounding = NONE
    thickness_as: Literal["sawn", "actual"] = "actual"
    thickness_least_mm: float = 0.0
    surface_ft2: Rounding = NONE
    total: Rounding = NONE
    unit: Literal["bf", "m3", "ft2", "each"] = "bf"
    source: str = "common practice, no source"
    status: Literal["read", "derived", "memory", "practice"] = "practice"
    remark: str = ""

    def __post_init__(self) -> None:
        allowed = {
            "basis": ("volume", "surface", "area", "each"),
            "width_at": ("one", "middle", "ends", "three", "narrowest", "third", "mean"),
            "bark": ("in", "out", "as measured"),
            "thickness_as": ("sawn", "actual"),
            "unit": ("bf", "m3", "ft2", "each"),
        }
        for field, words in allowed.items():
            if getattr(self, field) not in words:
                raise ValueError(
                    f"rule {self.name!r}: {field} is {getattr(self, field)!r}; "
                    f"it must be one of {', '.join(words)}"
                )
        units = {"volume": ("bf", "m3"), "surface": ("bf",), "area": ("ft2",), "each": ("each",)}
        if self.unit not in units[self.basis]:
            raise ValueError(
                f"rule {self.name!r}: a figure by {self.basis} is in "
                f"{' or '.join(units[self.basis])}, not {self.unit}"
            )

    @property
    def rounds(self) -> bool:
        """Whether the figure moves in jumps."""
        return self.basis == "each" or self.total.step > 0

    def unrounded(self) -> TallyRule:
        """Return the same rule with every rounding taken out (a least thickness stays)."""
        return replace(
            self, name=f"{self.name}, not rounded", length_mm=NONE, width_each_mm=NONE,
            width_mm=NONE, thickness_mm=NONE, surface_ft2=NONE, total=NONE,
        )  # fmt: skip

    def figure(
        self, length_mm: Any, widths_mm: Any, thickness_mm: Any, *, half_up: bool = True
    ) -> Any:
        """Return the rule's figure, in ``unit``, elementwise.

        Parameters
        ----------
        length_mm, thickness_mm : float or ndarray of shape (N,)
            As measured; thickness is not looked at by area and each.
        widths_mm : sequence of float or ndarray of shape (N,)
            The widths the rule takes, one or more.
        half_up : bool
            What an alternating exact half does.
        """
        before = self.before_total(length_mm, widths_mm, thickness_mm, half_up=half_up)
        return self.total(before, half_up=half_up)

    def before_total(
        self, length_mm: Any, widths_mm: Any, thickness_mm: Any, *, half_up: bool = True
    ) -> Any:
        """Return the figure before its last rounding, in ``unit``, elementwise."""
        if self.basis == "each":
            return np.ones_like(np.asarray(length_mm, dtype=np.float64))
        raw = self.raw_surface(length_mm, widths_mm, half_up=half_up)
        surface = self.surface_ft2(raw, half_up=half_up)
        if self.basis == "area":
            return surface
        thickness = self.thickness_mm(thickness_mm, half_up=half_up)
        thickness = np.maximum(thickness, self.thickness_least_mm)
        return surface * FT2_MM2 * thickness / (BOARD_FOOT_MM3 if self.unit == "bf" else 1e9)

    def raw_surface(self, length_mm: Any, widths_mm: Any, *, half_up: bool = True) -> Any:
        """Return width × length, ft², before the surface measure itself is rounded."""
        each = [self.width_each_mm(w, half_up=half_up) for w in widths_mm]
        width = self.width_mm(sum(each) / len(each), half_up=half_up)
        return self.length_mm(length_mm, half_up=half_up) * width / FT2_MM2

    def reach(self, length_mm: float, width_mm: float, thickness_mm: float) -> float:
        """Return the largest difference the roundings can make to this slab's figure.

        Worst case of every rounding going the same way, in ``unit``.
        """
        if self.basis == "each":
            return 0.0
        more_length = self.length_mm.reach
        more_width = self.width_each_mm.reach + self.width_mm.reach
        grown = (length_mm + more_length) * (width_mm + more_width) / FT2_MM2
        more_surface = grown - length_mm * width_mm / FT2_MM2 + self.surface_ft2.reach
        if self.basis == "area":
            return more_surface + self.total.reach
        per_mm = FT2_MM2 / (BOARD_FOOT_MM3 if self.unit == "bf" else 1e9)
        surface = length_mm * width_mm / FT2_MM2
        thick = max(thickness_mm, self.thickness_least_mm)
        most = (surface + more_surface) * (thick + self.thickness_mm.reach)
        return (most - surface * thick) * per_mm + self.total.reach


_NHLA = "NHLA Rules 2015 par. 16 and 18 (length in whole feet, width actual, surface measure)"
_EXPORT = "American hardwood export council guide, measurement of sawn lumber"
_ALTERNATE = "exact halves go up and down in turn: read for the export tally only"

_ALL = (
    TallyRule("plain", "length × width × thickness in inches / 144, nothing rounded",
              source="a slab yard's public price page; dealers' public terminology pages",
              status="read"),
    TallyRule("plain, next whole foot", "plain formula, rounded up to a whole board foot",
              total=Rounding(1.0, "up"), source="a discussion among buyers", status="read"),
    TallyRule("plain, next quarter", "plain formula, rounded up to a quarter board foot",
              total=Rounding(0.25, "up"), source="a dealer's public terminology page",
              status="read"),
    TallyRule("generous rounding",
              "next whole inch of width, next foot of length, next half inch of thickness",
              length_mm=Rounding(MM_PER_FT, "up"), width_mm=Rounding(MM_PER_IN, "up"),
              thickness_mm=Rounding(MM_PER_IN / 2, "up"), source="a discussion among buyers",
              status="read", remark="favours the seller"),
    TallyRule("mean of three", "mean of the widths at both ends and the middle",
              width_at="three", status="practice"),
    TallyRule("mean of three, whole feet",
              "mean of three widths to the nearest inch, whole feet of length, nearest board foot",
              width_at="three", length_mm=Rounding(MM_PER_FT, "down"),
              width_mm=Rounding(MM_PER_IN, "nearest"), total=Rounding(1.0, "nearest"),
              status="practice"),
    TallyRule("mean of ends", "mean of the widths at both ends", width_at="ends",
              source="exact for straight tapering edges (trapezoid)", status="derived"),
    TallyRule("narrowest width", "the narrowest width only", width_at="narrowest",
              status="practice", remark="favours the buyer"),
    TallyRule("third from the narrow end", "width one third of the length from the narrow end",
              width_at="third", source="NHLA measurement of tapering boards", status="memory",
              remark="from memory of the NHLA rule for tapering boards, unverified"),
    TallyRule("outline", "area of the outline × thickness", width_at="mean",
              source="geometry; 144 in³ to the board foot (ASTM D9)", status="derived"),
    TallyRule("hardwood surface measure",
              "width × whole feet / 12 to the nearest whole, × thickness, whole board feet",
              basis="surface", length_mm=Rounding(MM_PER_FT, "down"),
              surface_ft2=Rounding(1.0, "alternate"), thickness_as="sawn",
              thickness_least_mm=MM_PER_IN, total=Rounding(1.0, "nearest"), source=_NHLA,
              status="read", remark=_ALTERNATE),
    TallyRule("hardwood export tally",
              "width to the nearest inch, whole feet of length, × thickness, whole board feet",
              width_mm=Rounding(MM_PER_IN, "alternate"), length_mm=Rounding(MM_PER_FT, "down"),
              thickness_as="sawn", thickness_least_mm=MM_PER_IN,
              total=Rounding(1.0, "nearest"), source=_EXPORT, status="read",
              remark="rounded widths differ from surface measure (NHLA warns of it)"),
    TallyRule("softwood nominal", "nominal thickness × nominal width × length / 12",
              thickness_as="sawn", source="public carpentry course, board measure",
              status="read", remark="type nominal sizes, not dressed ones"),
    TallyRule("unedged, both faces, whole cm up",
              "mean of narrow-face and wide-face width, up to whole cm, × thickness, m³",
              width_at="middle", both_faces=True, width_mm=Rounding(10.0, "up"), unit="m3",
              source="Tegernsee customs, 40 mm and thicker, as a public lexicon gives them",
              status="read", remark="others state the same rule rounded down: look at both"),
    TallyRule("unedged, both faces, whole cm down",
              "mean of narrow-face and wide-face width, down to whole cm, × thickness, m³",
              width_at="middle", both_faces=True, width_mm=Rounding(10.0, "down"), unit="m3",
              source="Tegernsee customs, traditional wording", status="memory",
              remark="rounding down is from memory, unverified; the text read rounds up"),
    TallyRule("square foot", "length × width in square feet, thickness not counted",
              basis="area", unit="ft2"),
    TallyRule("each", "one price for the piece", basis="each", unit="each"),
)  # fmt: skip

RULES = MappingProxyType({rule.name: rule for rule in _ALL})
"""Named rules, by name, in the order lists show them."""

EXACT = RULES["outline"]


def tally_rule(name: str) -> TallyRule:
    """Return a named rule, or raise ``ValueError`` that lists the close ones.

    >>> tally_rule("hardwood surface measure").basis
    'surface'
    """
    if name in RULES:
        return RULES[name]
    wanted = name.strip().lower()
    starts = [rule for rule in RULES if rule.startswith(wanted)] if wanted else []
    if len(starts) == 1:
        return RULES[starts[0]]
    raise ValueError(f"tally rule {name!r} is not known; one of: {'; '.join(RULES)}")
