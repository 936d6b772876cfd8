"""A cut as a TIFF file, for a person who wants to look at it in another program."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt

_MM_PER_CM = 10.0
_INT16 = (-32768.0, 32767.0)


def tiff_bytes(values: npt.NDArray[np.float32], px_mm: float) -> bytes:
    """Write a grey picture as TIFF.

    Parameters
    ----------
    values : ndarray, shape (h, w)
        The picture; what is NaN becomes its lowest value.
    px_mm : float
        Side of a pixel, stated in the file.

    Returns
    -------
    bytes
        Signed 16-bit greys, or floating-point ones where the values do not fit.
    """
    import tifffile  # here, not above: it is needed for TIFF files only

    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    filled = np.where(np.isfinite(values), values, np.float32(low))
    whole = _INT16[0] <= low and high <= _INT16[1] and high - low > 255
    content = io.BytesIO()
    tifffile.imwrite(content, filled.round().astype(np.int16) if whole else filled.astype(np.float32),
                     photometric="minisblack", metadata=None, compression="zlib", resolutionunit="CENTIMETER",
                     resolution=(_MM_PER_CM / px_mm, _MM_PER_CM / px_mm))
    return content.getvalue()
