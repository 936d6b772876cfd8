"""Whether a path that stands out is a stain line: a probability that means what it says.

What else gives a path (algae, rust, shadows, the grain of the skeleton) seldom has all that a
stain line has: evidence far above the slab's own texture and above all other paths on the strip, an edge as sharp as
the lens, one that can be placed, and in the colour of the dye. A logistic regression weighs these.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandkit.stain.colour import Dye
from bandkit.stain.trace import Trace

FloatArray = NDArray[np.float64]

# A line counts as found from this probability on.
FOUND_FROM = 0.9
# Pixels coarser than this blur an edge, and place it worse, in proportion.
FINE_MM = 0.05
# A lens and the columns' relief blur an edge less than this; what colours a slab otherwise is mostly softer.
SHARP_MM = 0.2
# Texture alone gives a path of at least this score on any strip, even where few rows are looked at.
LEAST_RIVAL = 4.0
# Intercept, and weight of each measure in the order of `measures`, by maximum likelihood on 322 strips: 202 of
# `tests/generators/stained_photo.py`, two in three of them stained with strengths from below what can be seen, and 120
# of `tests/generators/dyed_slab.py`, unstained and of contrast 0.5 and 1 (seeds 2000 to 2039, and no others).
WEIGHTS = (-8.509, 3.824, 4.942, 0.47, -0.232, -0.729, -1.122)


def line_probability(score: float, rival: float, trace: Trace, dye: Dye, step_mm: float) -> float:
    """Probability that a path is a stain line.

    Parameters
    ----------
    score : float
        Evidence along the path, see `Candidate`.
    rival : float
        Evidence along the best path elsewhere on the strip that can be no line of the dye.
    trace : Trace
        Its edge.
    dye : Dye
        The dye.
    step_mm : float
        Distance between samples along the depth.

    Returns
    -------
    float
        From 0 to 1.

    Notes
    -----
    ``1 / (1 + exp(-(w0 + w . m)))`` with the measures m of `measures`.
    """
    told = WEIGHTS[0] + float(measures(score, rival, trace, dye, step_mm) @ WEIGHTS[1:])
    return float(1.0 / (1.0 + np.exp(-told)))


def measures(score: float, rival: float, trace: Trace, dye: Dye, step_mm: float) -> FloatArray:
    """What tells a stain line from other paths.

    Parameters
    ----------
    score, rival, trace, dye, step_mm
        As for `line_probability`.

    Returns
    -------
    ndarray, shape (6,)
        Logarithms of the score, of its ratio to the rival's, of the amplitude over its error and of the error of the
        place; how far the colour is outside the dye's, in standard errors; and the logarithm of the blur beyond 0.2 mm
        times that of the score, since the blur of a faint line is not known.
    """
    fit, coarse = trace.fit, max(1.0, step_mm / FINE_MM)
    steepness = fit.amplitude / max(fit.amplitude_sd, 1e-9)
    evidence = np.clip(score, 1.0, 20.0)
    softness = max(float(np.log(fit.blur_mm / coarse / SHARP_MM)), 0.0)
    return np.array([
        np.log(evidence), np.log(evidence / np.clip(rival, LEAST_RIVAL, 20.0)), np.log(np.clip(steepness, 0.3, 30.0)),
        np.log(np.clip(trace.placed_sd_mm / coarse, 0.01, 1.0) / FINE_MM), _off_hue(trace, dye),
        softness * np.log(evidence)])


def _off_hue(trace: Trace, dye: Dye) -> float:
    """How far a colour lies outside the dye's range, over its error."""
    middle, half = 0.5 * (dye.hue_lo_deg + dye.hue_hi_deg), 0.5 * (dye.hue_hi_deg - dye.hue_lo_deg)
    away = abs((trace.hue_deg - middle + 180.0) % 360.0 - 180.0) - half
    return float(np.clip(away / (10.0 + min(trace.hue_sd_deg, 40.0)), 0.0, 3.0))
