"""The machine does the tedious part, the person decides: outline, trace, grow, suggest.

Arrays in, masks out; every tool works in a window round the clicks.
"""

from slabvision.segment.grow import GrownRegion, RegionSearch, grow_region, grow_region_soft
from slabvision.segment.outline import (
    NoSlabError,
    OutlineSearch,
    SlabOutline,
    find_outline,
    find_slab_outline,
)
from slabvision.segment.suggest import BadOutlineError, suggest_defects
from slabvision.segment.trace import CheckLine, trace_check, trace_check_line

__all__ = [
    "BadOutlineError",
    "CheckLine",
    "GrownRegion",
    "NoSlabError",
    "OutlineSearch",
    "RegionSearch",
    "SlabOutline",
    "find_outline",
    "find_slab_outline",
    "grow_region",
    "grow_region_soft",
    "suggest_defects",
    "trace_check",
    "trace_check_line",
]
