"""End grain: ring angle across a slab, where the pith is, how it was sawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from slabvision.endgrain.authorities import SAWING_AUTHORITIES, Authority, SawnClass
    from slabvision.endgrain.errors import NotReadable
    from slabvision.endgrain.reading import read_end_grain
    from slabvision.endgrain.result import EndGrain

__all__ = [
    "SAWING_AUTHORITIES",
    "Authority",
    "EndGrain",
    "NotReadable",
    "SawnClass",
    "read_end_grain",
]

_HOME = {
    "SAWING_AUTHORITIES": "authorities",
    "Authority": "authorities",
    "EndGrain": "result",
    "NotReadable": "errors",
    "SawnClass": "authorities",
    "read_end_grain": "reading",
}


def __getattr__(name: str) -> Any:
    # Loaded on first use: OpenCV and SciPy must not slow down a program that only asks for help.
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
