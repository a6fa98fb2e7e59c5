"""``wanted.toml``: the parts wanted, the shop's limits and what it costs to land a slab.

Lengths are typed as people write them (``"48 1/2 in"``, ``"1230 mm"``). Shop limits, allowances
and costs are the person's own; defaults are common practice, no source.
"""

from __future__ import annotations

import tomllib
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from slabvision.defects import KINDS
from slabvision.units import LB_KG, parse_length_mm

__all__ = ["Costs", "Shop", "SisterSet", "Wanted", "WantedError", "WantedPart", "read_wanted"]


_MAX_BYTES = 1_000_000


class WantedError(Exception):
    """``wanted.toml`` cannot be used; the message says which line of it and what to do."""


def _length(value: Any) -> Any:
    if isinstance(value, str):
        return parse_length_mm(value)
    raise ValueError(f'{value!r} has no unit: write for instance "48 1/2 in" or "1230 mm"')


def _mass(value: Any) -> Any:
    if isinstance(value, str):
        words = value.replace(",", "").split()
        scale = {"lb": LB_KG, "lbs": LB_KG, "kg": 1.0}
        if len(words) == 2 and words[1] in scale:
            return float(words[0]) * scale[words[1]]
    raise ValueError(f'{value!r}: write for instance "1200 lb" or "550 kg"')


def _length_or_none(value: Any) -> Any:
    """Return a length that may be nothing (``"0 in"``), as an allowance or a kerf may."""
    if isinstance(value, str) and value.split() in (["0", "in"], ["0", "mm"], ["0"]):
        return 0.0
    return _length(value)


_LENGTH_SCHEMA = {"type": "string", "examples": ["48 1/2 in", "4 ft 6 in", "1230 mm"]}
Length = Annotated[
    float, BeforeValidator(_length), Field(gt=0, le=20_000, json_schema_extra=_LENGTH_SCHEMA)
]
Mass = Annotated[
    float,
    BeforeValidator(_mass),
    Field(gt=0, le=100_000, json_schema_extra={"type": "string", "examples": ["1200 lb"]}),
]
Money = Annotated[float, Field(ge=0, le=1e7)]


def _kind(key: str) -> str:
    if key not in KINDS:
        raise ValueError(f"kind of defect {key!r} is not known; one of {', '.join(KINDS)}")
    return key


Kind = Annotated[str, AfterValidator(_kind)]


class _Typed(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class WantedPart(_Typed):
    """One part, finished size at the moisture it will have in use."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    shape: Literal["round", "rectangle", "outline", "live edge", "glued-up"]
    count: Annotated[int, Field(ge=1, le=50)] = 1
    diameter: Length | None = None
    length: Length | None = None
    width: Length | None = None
    least_width: Length | None = None
    most_width: Length | None = None
    keep: Literal["both", "one"] = "both"
    """Live edges a live-edge part keeps."""
    outline: list[tuple[float, float]] = []
    """Corners of a free outline, in inches or millimetres as ``outline_unit`` says."""
    outline_unit: Literal["in", "mm"] = "mm"
    thickness: Length
    allowance: Annotated[float, BeforeValidator(_length_or_none), Field(ge=0, le=200)] = 6.35
    """Left on all round for sawing and planing to the line."""
    strips: Annotated[int, Field(ge=2, le=40)] = 4
    """A glued-up top: how many strips of equal width."""
    joint: Annotated[float, BeforeValidator(_length_or_none), Field(ge=0, le=50)] = 3.175
    """Added to each strip for jointing."""
    same_log: bool = False
    """All of them from slabs of one log."""
    off_grain_deg: Annotated[float, Field(ge=0, le=90)] = 10.0
    ring_angle_deg: tuple[
        Annotated[float, Field(ge=0, le=90)], Annotated[float, Field(ge=0, le=90)]
    ] = (0.0, 90.0)
    species: list[Annotated[str, Field(max_length=80)]] = []
    avoid: list[Kind] = []
    accept: list[Kind] = []
    fill: list[Kind] = []
    in_use_percent: Annotated[float, Field(ge=2, le=30)] = 8.0

    @model_validator(mode="after")
    def _enough(self) -> WantedPart:
        needs = {
            "round": ("diameter",),
            "rectangle": ("length", "width"),
            "glued-up": ("length", "width"),
            "live edge": ("length", "least_width", "most_width"),
            "outline": (),
        }[self.shape]
        missing = [name for name in needs if getattr(self, name) is None]
        if missing:
            raise ValueError(f"a {self.shape} part needs {' and '.join(missing)}")
        if self.shape == "outline" and len(self.outline) < 3:
            raise ValueError("an outline part needs three corners or more")
        low, high = self.ring_angle_deg
        if low > high:
            raise ValueError(f"ring_angle_deg is [{low:g}, {high:g}]; the first must be the less")
        twice = (set(self.avoid) & set(self.accept)) | (set(self.fill) & set(self.accept))
        if twice:
            raise ValueError(f"{', '.join(sorted(twice))}: avoid, accept or fill, only one of them")
        return self

    @property
    def treatments(self) -> dict[str, Literal["avoid", "accept", "fill"]]:
        """What this part does with each kind, where it says so."""
        said: dict[str, Literal["avoid", "accept", "fill"]] = {}
        said |= dict.fromkeys(self.avoid, "avoid")
        said |= dict.fromkeys(self.accept, "accept")
        said |= dict.fromkeys(self.fill, "fill")
        return said


class Shop(_Typed):
    """What the shop and the road take; nothing said is no limit."""

    flattening_bed_width: Length | None = None
    kiln_length: Length | None = None
    door_height: Length | None = None
    """A part goes through on edge: its lesser side is held against this."""
    truck_bed_length: Length | None = None
    payload: Mass | None = None
    kerf: Annotated[float, BeforeValidator(_length_or_none), Field(ge=0, le=50)] = 4.8
    """Left between two parts for the saw."""


class Costs(_Typed):
    """What it costs to land a slab beside its price; the person's own figures."""

    tax_percent: Annotated[float, Field(ge=0, le=100)] = 0.0
    haul_per_slab: Money = 0.0
    kiln_per_board_foot: Money = 0.0
    flattening_per_square_foot: Money = 0.0
    fill_per_slab: Money = 0.0


class SisterSet(_Typed):
    """Slabs sold together, by tag, and what the set costs."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    slabs: Annotated[list[Annotated[str, Field(max_length=500)]], Field(min_length=2)]
    price: Money


class Wanted(_Typed):
    """The whole file."""

    part: Annotated[list[WantedPart], Field(min_length=1, max_length=60)]
    shop: Shop = Shop()
    costs: Costs = Costs()
    set: list[SisterSet] = []

    @model_validator(mode="after")
    def _names_once(self) -> Wanted:
        names = [part.name for part in self.part]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"parts named {', '.join(twice)} stand twice: count says how many")
        return self

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of the parts in order."""
        return tuple(part.name for part in self.part)


def read_wanted(path: Path | str) -> Wanted:
    """Read ``wanted.toml``.

    Raises
    ------
    WantedError
        The file cannot be read, is not TOML, or one of its values cannot be used.
    """
    try:
        size = Path(path).stat().st_size
        if size > _MAX_BYTES:
            raise WantedError(f"{path}: {size} bytes; a list of wanted parts has a few thousand")
        text = Path(path).read_bytes()
    except OSError as error:
        raise WantedError(f"{path}: cannot be read ({error.strerror})") from None
    try:
        return Wanted.model_validate(tomllib.loads(text.decode("utf-8")))
    except RecursionError:
        raise WantedError(f"{path}: brackets within brackets, thousands deep") from None
    except (ValueError, OverflowError) as error:
        if isinstance(error, ValidationError):
            raise WantedError(f"{path}: {_fault(error)}") from None
        raise WantedError(f"{path}: not TOML: {error}") from None


def _fault(error: ValidationError) -> str:
    fault = error.errors(include_url=False)[0]
    where = ".".join(str(step) for step in fault["loc"]) or "the file"
    message = fault["msg"].removeprefix("Value error, ")
    return f"{where}: {message}"


def json_schema() -> dict[str, Any]:
    """Return the published JSON Schema (2020-12) of ``wanted.toml``."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Wanted.model_json_schema(),
        "title": "slabvision wanted parts, version 1",
    }
