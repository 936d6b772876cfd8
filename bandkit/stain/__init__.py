"""Where the stain lines are, how sure, or that there are none; and the growth since.

`find_stains` looks for dye lines in a straightened colour strip, `assign_stains`
matches them to dates of staining, `extension_since` turns depth and time into growth.
"""

from __future__ import annotations

from bandkit.stain.around import GrowthAround, growth_around
from bandkit.stain.assign import StainAssignment, assign_stains
from bandkit.stain.colour import (
    ALIZARIN,
    CALCEIN,
    Dye,
    dye_index,
    dye_named,
    dye_of_tint,
    linear_light,
    srgb_to_linear,
)
from bandkit.stain.find import find_stains
from bandkit.stain.interval import Increment, extension_since, interval_flags, stain_increments
from bandkit.stain.line import StainLine, no_line

__all__ = [
    "ALIZARIN",
    "CALCEIN",
    "Dye",
    "GrowthAround",
    "Increment",
    "StainAssignment",
    "StainLine",
    "assign_stains",
    "dye_index",
    "dye_named",
    "dye_of_tint",
    "extension_since",
    "find_stains",
    "growth_around",
    "interval_flags",
    "linear_light",
    "no_line",
    "srgb_to_linear",
    "stain_increments",
]
