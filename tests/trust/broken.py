"""A deliberately broken reader, put in place in a child, to prove that the suite notices it."""

from __future__ import annotations

import itertools
import os
from pathlib import Path
from typing import Any

from slabvision.trade import species_table


def four_ways() -> None:
    """Break the reader of species another way each time: raise, lie, eat memory, die."""
    whole, number = species_table.read_species, species_table._number
    calls = itertools.count()
    good = Path(species_table.__file__).with_name("species.csv")

    def read(path: Any) -> Any:
        match next(calls) % 4:
            case 0:
                raise IndexError("list index out of range")
            case 1:
                species_table._number = lambda *_: -1.0  # type: ignore[assignment]
                try:
                    return whole(good)
                finally:
                    species_table._number = number
            case 2:
                full = bytearray(b"x") * 1_600_000_000
                return whole(good) if full[-1] else None
            case _:
                os.abort()

    species_table.read_species = read


def hangs() -> None:
    """Break it so that it never ends."""

    def read(path: Any) -> Any:
        while True:
            pass

    species_table.read_species = read
