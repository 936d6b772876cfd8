"""From grey values to the intensity that arrived, and whether greys can be trusted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.errors import CalibrationError
from bandkit.flags import Flag
from bandkit.stats import robust_sd

FloatArray = NDArray[np.float64]
Dense = Literal["bright", "dark"]
Values = Literal["intensity", "optical-density", "hounsfield"]

# More of a patch than this at the end of the grey range makes it doubtful.
SATURATED_FRAC = 0.005
EIGHT_BIT_FULL_SCALE = 255.0


def transmitted_intensity(grey: ArrayLike, *, dense: Dense, values: Values, full_scale: float) -> FloatArray:
    """Intensity that arrived at the detector, from grey values.

    Parameters
    ----------
    grey : array_like
        Grey values as displayed, any shape.
    dense : {"bright", "dark"}
        Whether more material looks brighter or darker.
    values : {"intensity", "optical-density", "hounsfield"}
        What a grey is linear in.
    full_scale : float
        Largest grey that the image can hold.

    Returns
    -------
    ndarray of float64
        Intensity up to an unknown factor, and with "intensity" up to an unknown offset too;
        NaN stays NaN.

    Raises
    ------
    CalibrationError
        For another ``dense`` or ``values``.

    Notes
    -----
    - "intensity": the grey itself where dense is dark, ``full_scale - grey`` where dense is bright.
    - "optical-density": ``exp(-a)`` with ``a = grey / full_scale`` where dense is bright, else
      ``1 - grey / full_scale``. The unit of attenuation is arbitrary; standards give it.
    - "hounsfield": ``exp(-a)`` with ``a = (HU + 1000) / 1000``, 0 in air and 1 in water;
      ``dense`` does not matter.
    """
    array = np.asarray(grey, dtype=np.float64)
    if dense not in {"bright", "dark"}:
        msg = f"image.dense: {dense!r}; write 'bright' or 'dark'"
        raise CalibrationError(msg)
    if values not in {"intensity", "optical-density", "hounsfield"}:
        msg = f"image.values: {values!r}; write 'intensity', 'optical-density' or 'hounsfield'"
        raise CalibrationError(msg)
    if values == "intensity":
        return array if dense == "dark" else full_scale - array
    if values == "optical-density":
        share = array / full_scale
        return np.exp(-share if dense == "bright" else share - 1)
    return np.exp(-(array + 1000.0) / 1000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """What is needed of a box on the image.

    Parameters
    ----------
    intensity : float
        Robust mean.
    sd : float
        Standard deviation of that mean.
    n : int
        Pixels used.
    """

    intensity: float
    sd: float
    n: int


def measure_patch(intensity: ArrayLike) -> Patch:
    """Mean intensity of a box, without dust, scratches and a strip of the neighbouring step.

    Parameters
    ----------
    intensity : array_like
        Pixels of the box; NaN is left out.

    Returns
    -------
    Patch
        Mean of the pixels within 3 robust standard deviations of the median.

    Raises
    ------
    CalibrationError
        For a box without any pixel.

    Notes
    -----
    Neighbouring pixels share the detector's blur; the standard deviation of the mean allows for
    blocks of 3 x 3 pixels that move together.
    """
    pixels = np.asarray(intensity, dtype=np.float64).ravel()
    pixels = pixels[np.isfinite(pixels)]
    if pixels.size == 0:
        msg = "box_px: the box holds no pixels; move it onto the standard"
        raise CalibrationError(msg)
    middle = np.median(pixels)
    spread = robust_sd(pixels, about=float(middle))
    # Coarse greys can make the robust spread zero although the pixels differ.
    kept = pixels[np.abs(pixels - middle) <= 3 * (spread or pixels.std())]
    sd = 3 * float(kept.std()) / np.sqrt(kept.size)
    return Patch(intensity=float(kept.mean()), sd=float(sd), n=int(kept.size))


def saturated_frac(grey: ArrayLike, *, full_scale: float) -> float:
    """Share of pixels at either end of the grey range.

    Parameters
    ----------
    grey : array_like
        Grey values as read.
    full_scale : float
        Largest grey that the image can hold.

    Returns
    -------
    float
        Between 0 and 1; NaN pixels are left out.
    """
    array = np.asarray(grey)
    valid = np.isfinite(array)
    n = int(valid.sum())
    return float(((array <= 0) | (array >= full_scale))[valid].sum() / n) if n else 0.0


def grey_flags(saturated: Mapping[str, float], *, full_scale: float) -> tuple[Flag, ...]:
    """Doubts about the greys of one image.

    Parameters
    ----------
    saturated : mapping of str to float
        Share of saturated pixels by place, such as ``{"slab": 0.0, "aragonite 1 mm": 0.4}``.
    full_scale : float
        Largest grey that the image can hold.

    Returns
    -------
    tuple of Flag
        "saturated" and "eight-bit", where they hold.
    """
    flags = []
    bad = [f"{place} {100 * frac:.1f} %" for place, frac in saturated.items() if frac > SATURATED_FRAC]
    if bad:
        flags.append(Flag(code="saturated", detail=", ".join(bad)))
    if full_scale == EIGHT_BIT_FULL_SCALE:
        flags.append(Flag(code="eight-bit"))
    return tuple(flags)
