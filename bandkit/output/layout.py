"""Where the panels of the slab's figure stand, in inches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bandkit.output.view import View
from bandkit.results import SlabResult

TOP, _BOTTOM_AXIS, LEFT, RIGHT = 0.95, 0.6, 0.62, 0.2
_GAP, _GROWTH_WIDTH = 0.85, 4.3
_YEARS_WIDTH, _NO_YEARS_WIDTH = 0.42, 0.16
LINE_INCH = 0.165
_MIN_PICTURE_WIDTH, _MAX_PICTURE_WIDTH, _MIN_HEIGHT = 1.3, 4.8, 4.6
# A long core gets a taller figure, so that its years stay apart.
_PICTURE_HEIGHT, _TALLEST, _HEIGHT_PER_MARK = 8.2, 13.0, 0.115
_WIDE_PICTURE, _WIDE_RATIO = (11.4, 5.6), 1.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A place on the figure in inches.

    Parameters
    ----------
    left, top : float
        Distance from the left and upper edge of the figure.
    width, height : float
        Size.
    """

    left: float
    top: float
    width: float
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """The profiles: one per track, each with room for its years at the right.

    Parameters
    ----------
    number : int
        How many.
    width, years_width : float
        Of one profile and of its years, in inches.
    """

    number: int
    width: float
    years_width: float

    @property
    def total_width(self) -> float:
        """Width of all of them, in inches."""
        return self.number * (self.width + self.years_width)

    def boxes(self, left: float, top: float, height: float) -> tuple[Box, ...]:
        """Places of the profiles, one beside the other.

        Parameters
        ----------
        left, top, height : float
            Where the first begins and how high all are, in inches.

        Returns
        -------
        tuple of Box
            One per profile.
        """
        step = self.width + self.years_width
        return tuple(Box(left=left + i * step, top=top, width=self.width, height=height) for i in range(self.number))


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where the panels stand.

    Parameters
    ----------
    size : tuple of float
        Width and height of the figure in inches.
    picture : Box
        Place of the picture.
    profiles : tuple of Box
        Places of the profiles.
    growth : Box
        Place of the growth series.
    beside : bool
        Whether the profiles stand beside the picture and share its depth axis.
    """

    size: tuple[float, float]
    picture: Box
    profiles: tuple[Box, ...]
    growth: Box
    beside: bool


def profile_columns(result: SlabResult, n_tracks: int) -> Columns:
    """Choose the widths of the profiles: the more tracks, the slimmer.

    Parameters
    ----------
    result : SlabResult
        The measured slab.
    n_tracks : int
        Tracks that are shown.

    Returns
    -------
    Columns
        Room for years only where there are dated marks.
    """
    years_width = _YEARS_WIDTH if np.isfinite(result.marks.year).any() else _NO_YEARS_WIDTH
    return Columns(number=n_tracks, width={1: 2.1, 2: 1.5}.get(n_tracks, 1.15), years_width=years_width)


def plan_layout(view: View, columns: Columns, *, depth_mm: float, n_marks: int, n_footer: int) -> Layout:
    """Place the panels: profiles beside an upright picture, below a wide one.

    Parameters
    ----------
    view : View
        What is shown of the picture.
    columns : Columns
        The profiles.
    depth_mm : float
        Greatest depth on a track that is shown, in mm.
    n_marks : int
        Marks on the track that has most.
    n_footer : int
        Lines of text at the foot.

    Returns
    -------
    Layout
        Places in inches.
    """
    top_mm = min(view.box_mm[1], 0.0)
    height_mm = max(view.box_mm[3], depth_mm * 1.02) - top_mm
    foot = 0.32 + LINE_INCH * n_footer
    if view.width_mm > _WIDE_RATIO * height_mm:
        return _plan_below(view, columns, foot)
    height = min(max(_PICTURE_HEIGHT, _HEIGHT_PER_MARK * n_marks), _TALLEST)
    width = height * view.width_mm / height_mm
    if width > _MAX_PICTURE_WIDTH:
        height = max(height * _MAX_PICTURE_WIDTH / width, _MIN_HEIGHT)
        width = _MAX_PICTURE_WIDTH
    width = max(width, _MIN_PICTURE_WIDTH)
    profiles_left = LEFT + width + 0.25
    growth_left = profiles_left + columns.total_width + _GAP
    return Layout(
        size=(growth_left + _GROWTH_WIDTH + RIGHT, TOP + height + _BOTTOM_AXIS + foot),
        picture=Box(left=LEFT, top=TOP, width=width, height=height),
        profiles=columns.boxes(profiles_left, TOP, height),
        growth=Box(left=growth_left, top=TOP, width=_GROWTH_WIDTH, height=height),
        beside=True,
    )


def _plan_below(view: View, columns: Columns, foot: float) -> Layout:
    """Place the panels below a wide picture."""
    width, tallest = _WIDE_PICTURE
    height = min(width * view.height_mm / view.width_mm, tallest)
    below = TOP + height + 0.85
    growth_left = LEFT + columns.total_width + _GAP
    growth_width = max(LEFT + width - growth_left, _GROWTH_WIDTH)
    return Layout(
        size=(growth_left + growth_width + RIGHT, below + _MIN_HEIGHT + _BOTTOM_AXIS + foot),
        picture=Box(left=LEFT, top=TOP, width=height * view.width_mm / view.height_mm, height=height),
        profiles=columns.boxes(LEFT, below, _MIN_HEIGHT),
        growth=Box(left=growth_left, top=below, width=growth_width, height=_MIN_HEIGHT),
        beside=False,
    )
