"""Settings that persist: napari keeps them and gives them a page in its preferences."""

from __future__ import annotations

import contextlib
from typing import Any

__all__ = ["brush_mm", "keep_brush_mm", "keep_unit", "unit"]

PLUGIN = "slabvision"


def _general() -> Any | None:
    from napari.settings import get_plugin_settings

    with contextlib.suppress(Exception):  # used outside a napari that found the plugin's manifest
        return get_plugin_settings(PLUGIN).general
    return None


def unit() -> str:
    """Return ``"in"`` or ``"mm"``."""
    found = str(getattr(_general(), "unit", "inches"))
    return "mm" if "mm" in found or "milli" in found else "in"


def keep_unit(value: str) -> None:
    """Keep the unit for the next time."""
    general = _general()
    if general is not None:
        general.unit = "millimetres" if value == "mm" else "inches"


def brush_mm() -> float:
    """Return the brush's diameter on the wood, mm."""
    return float(getattr(_general(), "brush_mm", 12.0))


def keep_brush_mm(value: float) -> None:
    """Keep the brush's diameter for the next time."""
    general = _general()
    if general is not None:
        general.brush_mm = float(value)
