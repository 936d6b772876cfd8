"""Where the stain lines are, how sure, or that there are none."""

from __future__ import annotations

from bandkit.stain.colour import ALIZARIN, Dye, dye_index, linear_light, srgb_to_linear
from bandkit.stain.find import confidence_of, find_stains
from bandkit.stain.line import StainLine, no_line

__all__ = ["ALIZARIN", "Dye", "StainLine", "confidence_of", "dye_index", "find_stains", "linear_light", "no_line",
           "srgb_to_linear"]
