"""Millimetres per pixel: from a bar (given or found), from numbers, from the image file; X-ray magnification."""

from __future__ import annotations

from bandkit.scale.bar import find_bar, find_bar_within, search_bar
from bandkit.scale.piece import FoundBar
from bandkit.scale.resolve import (
    Scale,
    magnification,
    resolve_scale,
    scale_from_bar,
    scale_from_numbers,
    scale_from_tags,
)

__all__ = [
    "FoundBar",
    "Scale",
    "find_bar",
    "find_bar_within",
    "magnification",
    "resolve_scale",
    "scale_from_bar",
    "scale_from_numbers",
    "scale_from_tags",
    "search_bar",
]
