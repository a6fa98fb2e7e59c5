"""The trade's arithmetic: board feet, species, moisture, movement, weight, flattening, cost.

No pixels: nothing here imports an image library. Every function takes plain floats or
:class:`~slabvision.estimate.Estimate` and says in its docstring which published table or rule it
follows; a value from memory is marked in the data and in every answer that used it.
"""

from slabvision.trade import (
    board_feet,
    cautions,
    cup,
    drying_log,
    flattening,
    landed_cost,
    meter,
    moisture,
    movement,
    movement_equations,
    pass_plan,
    rings,
    slab_trade,
    species,
    tag,
    tally_rules,
    weight,
    wood,
)

__all__ = [
    "board_feet",
    "cautions",
    "cup",
    "drying_log",
    "flattening",
    "landed_cost",
    "meter",
    "moisture",
    "movement",
    "movement_equations",
    "pass_plan",
    "rings",
    "slab_trade",
    "species",
    "tag",
    "tally_rules",
    "weight",
    "wood",
]
