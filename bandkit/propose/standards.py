"""Find standards: patches in rows, each even, alike in size, of grey that rises or falls along its row."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bandkit.propose.picture import Box, FloatArray, Parted, Thing

_FEWEST = 3
_LEAST_FILLED_FRAC = 0.8
_MOST_ASPECT = 2.0
_UNEVEN_FRAC = 0.12  # scatter within a patch against its contrast
_SIZE_RATIO = 1.5
_INSET_FRAC = 0.15  # of a side: kept clear of edges on each side of a proposed box
_LARGEST_FRAC = 0.2  # of the picture's shorter side


def find_standards(parted: Parted, *, apart_from: Thing | None = None) -> tuple[Box, ...]:
    """Find the rows or columns of standards.

    Parameters
    ----------
    parted : Parted
        The picture.
    apart_from : Thing, optional
        The slab, which is none.

    Returns
    -------
    tuple of Box
        Boxes x0, y0, x1, y1 in cells, well within the patches, in the order in which
        they lie, the longest row first; empty where there are not three in any.
    """
    patches: list[Box] = []
    for thing in parted.things:
        if thing is not apart_from and thing.filled_frac >= _LEAST_FILLED_FRAC:
            patches.extend(_steps(parted, thing))
    found: list[Box] = []
    while len(patches) >= _FEWEST:
        best = max((_longest_row(patches, axis) for axis in (0, 1)), key=len)
        if len(best) < _FEWEST or not _monotone(parted, best):
            break
        found.extend(_inset(box) for box in best)
        patches = [patch for patch in patches if patch not in best]
    return tuple(found)


def _steps(parted: Parted, thing: Thing) -> Iterator[Box]:
    """A thing as one patch, or parted where steps lie against each other."""
    h, w = thing.mask.shape
    box = (float(thing.left), float(thing.top), float(thing.left + w), float(thing.top + h))
    shorter, longer = sorted((h, w))
    if shorter < 4 or shorter > _LARGEST_FRAC * min(parted.grey.shape):
        return
    if longer <= _MOST_ASPECT * shorter:
        if _is_even(parted, box):
            yield box
        return
    along_x = w > h
    for first, last in _plateaus(_middle_profile(parted, box, along_x=along_x)):
        x0, y0, x1, y1 = box
        step = (x0 + first, y0, x0 + last, y1) if along_x else (x0, y0 + first, x1, y0 + last)
        if _aspect(step) <= _MOST_ASPECT and _is_even(parted, step):
            yield step


def _middle_profile(parted: Parted, box: Box, *, along_x: bool) -> FloatArray:
    """Grey along the middle half of a long thing."""
    x0, y0, x1, y1 = (int(value) for value in box)
    if along_x:
        quarter = (y1 - y0) // 4
        return np.asarray(np.median(parted.grey[y0 + quarter : y1 - quarter, x0:x1], axis=0))
    quarter = (x1 - x0) // 4
    return np.asarray(np.median(parted.grey[y0:y1, x0 + quarter : x1 - quarter], axis=1))


def _plateaus(profile: FloatArray) -> list[tuple[int, int]]:
    """Stretches between the jumps of a stair."""
    rise = np.abs(profile[2:] - profile[:-2])
    limit = max(4 * float(np.median(rise)), 0.25 * float(rise[2:-2].max(initial=0.0)))
    jumps = np.flatnonzero(rise > limit) + 1
    edges = [0, *(int(jump) for jump in jumps), len(profile)]
    return [(first, last) for first, last in pairwise(edges) if last - first >= 4]


def _is_even(parted: Parted, box: Box) -> bool:
    """Whether the inner part of a box is of one grey."""
    values = _values(parted.grey, _inset(box))
    contrast = abs(float(np.median(values - _values(parted.surround, _inset(box)))))
    return bool(contrast > 0 and values.std() <= _UNEVEN_FRAC * contrast + 2 * parted.noise)


def _longest_row(patches: list[Box], axis: int) -> list[Box]:
    """Most patches of like size that line up along x (0) or y (1), in the order in which they lie."""
    best: list[Box] = []
    for patch in patches:
        row = [other for other in patches if _alike(patch, other, axis)]
        if len(row) > len(best):
            best = sorted(row, key=lambda box: box[axis])
    return best


def _alike(box: Box, other: Box, axis: int) -> bool:
    """Whether two patches are of one size and side by side along the axis."""
    sizes = [(b[2] - b[0], b[3] - b[1]) for b in (box, other)]
    same_size = all(1 / _SIZE_RATIO <= sizes[0][k] / sizes[1][k] <= _SIZE_RATIO for k in (0, 1))
    across = 1 - axis
    offset = abs((box[across] + box[across + 2]) - (other[across] + other[across + 2])) / 2
    return same_size and offset <= 0.5 * sizes[0][across]


def _monotone(parted: Parted, row: list[Box]) -> bool:
    """Whether contrast with the surround only rises or only falls along a row."""
    levels = np.array([np.median(_values(parted.grey - parted.surround, _inset(box))) for box in row])
    steps = np.diff(levels)
    return bool((steps > 0).all() or (steps < 0).all())


def _inset(box: Box) -> Box:
    """Shrink a box so that it keeps clear of the patch's edges."""
    x0, y0, x1, y1 = box
    dx, dy = max(_INSET_FRAC * (x1 - x0), 1.0), max(_INSET_FRAC * (y1 - y0), 1.0)
    return x0 + dx, y0 + dy, x1 - dx, y1 - dy


def _aspect(box: Box) -> float:
    """Longer side over shorter side."""
    shorter, longer = sorted((box[2] - box[0], box[3] - box[1]))
    return longer / shorter


def _values(grey: FloatArray, box: Box) -> NDArray[np.float64]:
    """Cells within a box."""
    x0, y0, x1, y1 = (round(value) for value in box)
    return grey[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)]
