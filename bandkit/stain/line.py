"""What is known about one stain line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StainLine:
    """One stain line, or the answer that it is not there.

    Parameters
    ----------
    found : bool
        Whether a line was found.
    depth_mm, depth_sd_mm : float
        Distal (outer) edge of the line at the track centre and its standard error; NaN where not found.
    confidence : float
        Probability that this is a stain line; of what was not found, that of the likeliest path left.
    contrast_to_noise : float
        Step of the dye index at the edge over the standard deviation of single samples.
    across_mm : ndarray, shape (n_across,)
        Distance to the side of the track.
    line_depth_mm : ndarray, shape (n_across,)
        Depth of the distal edge across the strip; NaN where not found.
    tail_mm : float
        Depth over which the seeping dye falls to 1/e.
    flags : tuple of str
        Codes of doubt.
    """

    found: bool
    depth_mm: float
    depth_sd_mm: float
    confidence: float
    contrast_to_noise: float
    across_mm: FloatArray
    line_depth_mm: FloatArray
    tail_mm: float
    flags: tuple[str, ...] = ()


def no_line(across_mm: FloatArray, confidence: float) -> StainLine:
    """The answer that a stain line is not there.

    Parameters
    ----------
    across_mm : ndarray, shape (n_across,)
        Distance to the side of the track.
    confidence : float
        Probability that the best path left was one after all.

    Returns
    -------
    StainLine
        With ``found`` false and NaN for what could not be measured.
    """
    nan = float("nan")
    return StainLine(found=False, depth_mm=nan, depth_sd_mm=nan, confidence=confidence, contrast_to_noise=nan,
                     across_mm=across_mm, line_depth_mm=np.full(len(across_mm), nan), tail_mm=nan,
                     flags=("stain-not-found",))
