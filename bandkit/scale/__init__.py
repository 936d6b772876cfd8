"""Millimetres per pixel: from a bar or a ruler (given or found), four corners, numbers, the file; magnification."""

from __future__ import annotations

from bandkit.scale.bar import find_bar, find_bar_within, search_bar
from bandkit.scale.from_ruler import propose_ruler
from bandkit.scale.perspective import Plane, plane_of
from bandkit.scale.piece import FoundBar
from bandkit.scale.resolve import (
    Scale,
    resolve_scale,
    scale_from_bar,
    scale_from_numbers,
    scale_from_tags,
)
from bandkit.scale.ruler import FoundRuler, find_rulers, read_ruler
from bandkit.scale.xray import magnification

__all__ = [
    "FoundBar",
    "FoundRuler",
    "Plane",
    "Scale",
    "find_bar",
    "find_bar_within",
    "find_rulers",
    "magnification",
    "plane_of",
    "propose_ruler",
    "read_ruler",
    "resolve_scale",
    "scale_from_bar",
    "scale_from_numbers",
    "scale_from_tags",
    "search_bar",
]
