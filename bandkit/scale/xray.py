"""How much larger than the slab its X-ray shadow is."""

from __future__ import annotations

import numpy as np

from bandkit.errors import ScaleError


def magnification(source_to_detector_mm: float, slab_to_detector_mm: float) -> float:
    """How much larger than the slab its X-ray shadow is.

    Parameters
    ----------
    source_to_detector_mm : float
        From the X-ray source to film or detector.
    slab_to_detector_mm : float
        From the middle of the slab's thickness to film or detector.

    Returns
    -------
    float
        Lengths at the detector over lengths in the slab, at least 1.

    Raises
    ------
    ScaleError
        Distances that no set-up has.

    Notes
    -----
    By similar triangles :math:`M = D / (D - h)`, with the distance D from source to
    detector and the height h of the slab's middle over the detector: at 1000 mm a slab
    lying 5 mm up on average is shown 0.5 % too large, one on a tray 40 mm up 4.2 %.
    """
    if not (np.isfinite(source_to_detector_mm) and source_to_detector_mm > 0):
        msg = f"scale.source_to_detector_mm: must be positive, got {source_to_detector_mm:g}"
        raise ScaleError(msg)
    if not 0 <= slab_to_detector_mm < source_to_detector_mm:
        msg = (f"scale.slab_to_detector_mm: must be from 0 up to source_to_detector_mm ({source_to_detector_mm:g}), "
               f"got {slab_to_detector_mm:g}")
        raise ScaleError(msg)
    return source_to_detector_mm / (source_to_detector_mm - slab_to_detector_mm)
