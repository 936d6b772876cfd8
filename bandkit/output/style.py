"""Colours, line styles and sizes that the panels of the figure share.

Every difference is told twice, by colour and by line or marker style, so that the
figure works in grey and for people with colour-vision deficiency. The colours are
from the palette of Okabe and Ito.

References
----------
Okabe, M., Ito, K. (2008): Color universal design: how to make figures and
presentations that are friendly to colorblind people.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MARK_COLOUR = "#E69F00"
STAIN_COLOUR = "#56B4E9"
INK = "#222222"
FAINT = "#777777"
# Colour, line style, marker: one row per track.
TRACK_STYLES: tuple[tuple[str, Any, str], ...] = (
    ("#0072B2", "-", "o"),
    ("#D55E00", "--", "s"),
    ("#009E73", "-.", "^"),
    ("#CC79A7", ":", "D"),
)
CERTAINTY_DASHES: dict[str, Any] = {"certain": "solid", "doubtful": (0, (5, 2.5)), "inserted": (0, (1, 1.8))}
STAIN_DASHES: Any = (0, (7, 2, 1.5, 2))
# Bands that are no years, and what is missing: told apart by their dashes, so that grey prints tell them too.
EVENT_COLOUR = "#F0E442"
EVENT_DASHES: dict[str, Any] = {
    "doublet": (0, (1.2, 2.2)),
    "stress band": (0, (6, 1.5, 1.2, 1.5, 1.2, 1.5)),
    "gap": (0, (9, 3)),
}
EVENT_LABELS = {"doublet": "second crest of a year", "stress band": "stress band", "gap": "gap"}
STRIP_DASHES: Any = (0, (1, 2.2))
# The tracks' colours, light enough for dots on a dark picture.
STRIP_COLOURS = ("#A6D4F2", "#FFB38A", "#8FE3C6", "#F0C3DB")
INTERVAL_ALPHA = 0.3

SMALL_PT = 7.5
LABEL_INCH = 0.135
CASING = (withStroke(linewidth=3.2, foreground="#111111"),)
EVENT_CASING = (withStroke(linewidth=2.4, foreground="#444444"),)
LIGHT_CASING = (withStroke(linewidth=3.0, foreground="#ffffff"),)


def track_style(index: int) -> tuple[str, Any, str]:
    """Colour, line style and marker of a track.

    Parameters
    ----------
    index : int
        Position of the track in the record, from 0.

    Returns
    -------
    tuple of str
        Styles repeat after the fourth track.
    """
    return TRACK_STYLES[index % len(TRACK_STYLES)]


def inch_per_mm(ax: Axes) -> float:
    """Length on paper of a millimetre of slab, downwards.

    Parameters
    ----------
    ax : Axes
        Axes whose vertical unit is mm.

    Returns
    -------
    float
        Inches per mm.
    """
    low, high = ax.get_ylim()
    return ax.get_position().height * figure_height_inch(ax) / abs(high - low)


def width_inch(ax: Axes) -> float:
    """Width of axes on paper.

    Parameters
    ----------
    ax : Axes
        Axes on a figure.

    Returns
    -------
    float
        Inches.
    """
    figure: Any = ax.get_figure()
    return float(ax.get_position().width * figure.get_size_inches()[0])


def figure_height_inch(ax: Axes) -> float:
    """Height of the figure that the axes are on.

    Parameters
    ----------
    ax : Axes
        Axes on a figure.

    Returns
    -------
    float
        Inches.
    """
    figure: Any = ax.get_figure()
    return float(figure.get_size_inches()[1])


def thin_labels(positions_mm: FloatArray, labels: list[str], gap_mm: float) -> list[int]:
    """Choose labels that do not touch; where it is dense, every 2nd, 5th, 10th ... year.

    Parameters
    ----------
    positions_mm : ndarray, shape (n_labels,)
        Where the labels belong.
    labels : list of str
        Their texts; years are thinned to round years.
    gap_mm : float
        Least distance between two labels, in mm.

    Returns
    -------
    list of int
        Which labels to draw.
    """
    order = np.argsort(positions_mm, kind="stable")
    if len(order) > 1:
        spacing = float(np.median(np.diff(positions_mm[order])))
        # Thinned labels need more room than touching ones, or uneven years would drop out of the pattern.
        step = 1 if spacing >= gap_mm else next((s for s in (2, 5, 10, 20, 50) if s * spacing >= 1.6 * gap_mm), 100)
        order = np.array(
            [i for i in order if not labels[i].lstrip("-").isdigit() or int(labels[i]) % step == 0], dtype=int
        )
    chosen: list[int] = []
    for i in order.tolist():
        if labels[i] and (not chosen or positions_mm[i] - positions_mm[chosen[-1]] >= gap_mm):
            chosen.append(i)
    return chosen
