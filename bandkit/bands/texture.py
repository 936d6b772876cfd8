"""The texture of a strip: how far it reaches along the track, and a profile in which it is evened out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.bands.model import Series

FloatArray = NDArray[np.float64]

# The texture's spectrum is taken from its correlation up to this distance.
MOST_LAG_MM = 8.0
# Texture slower than this is a level, not texture.
SLOW_MM = 4.0
# Evening out never lifts a frequency by more than this power would: what holds hardly any texture holds noise.
FLOOR_FRAC = 0.1
# Two looks that differ by less are the same look: a series is in units of its own standard deviation.
LEAST_POWER = 1e-12
# A profile further off its median than this, in robust standard deviations, is a stress band or a hole.
MOST_ROBUST_SD = 2.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Texture:
    """What two looks at the same bands do not share.

    Parameters
    ----------
    length_mm : float
        Distance at which the correlation of it, without what is slower than `SLOW_MM`, has fallen to a half.
    frequency_mm, power : ndarray, shape (n,)
        Its power spectrum: cycles per mm, and power on any scale.
    """

    length_mm: float
    frequency_mm: FloatArray
    power: FloatArray


def texture_of(series: Series) -> Texture | None:
    """Texture from half the difference of two looks at the same bands.

    Parameters
    ----------
    series : Series
        Half the difference, on equal steps.

    Returns
    -------
    Texture or None
        None where too little of it is known, or there is none.

    Notes
    -----
    The spectrum is the cosine transform of the autocovariance under Parzen's window,
    which reaches `MOST_LAG_MM` (Blackman and Tukey 1958).
    """
    n_lag = int(MOST_LAG_MM / series.step_mm)
    if series.weight.sum() < 3 * n_lag:
        return None
    covariance = _autocovariance(series.value, series.weight, n_lag + 1)
    if covariance[0] < LEAST_POWER:
        return None
    u = np.arange(n_lag + 1) / n_lag
    parzen = np.where(u < 0.5, 1 - 6 * u**2 + 6 * u**3, 2 * (1 - u) ** 3)
    frequency = np.linspace(0.0, 0.5 / series.step_mm, 4 * n_lag)
    terms = covariance * parzen * np.where(u > 0, 2.0, 1.0)
    power = np.cos(2 * np.pi * frequency[:, None] * np.arange(n_lag + 1) * series.step_mm) @ terms
    return Texture(
        length_mm=_half_length(series), frequency_mm=frequency, power=np.maximum(power, 1e-3 * float(power.max()))
    )


def _autocovariance(value: FloatArray, weight: FloatArray, n_lag: int) -> FloatArray:
    """Autocovariance of what is known, at lags of 0 to ``n_lag - 1`` samples."""
    n = len(value)
    size = 1 << int(np.ceil(np.log2(2 * n)))
    product, pairs = (
        np.fft.irfft(np.abs(np.fft.rfft(x, size)) ** 2, size)[:n_lag] for x in (value * weight, weight)
    )
    return np.asarray(product / np.maximum(pairs, 1e-9))


def _half_length(series: Series) -> float:
    """Distance at which the correlation of the texture, without its slow part, has fallen to a half."""
    from scipy.ndimage import gaussian_filter1d

    quick = series.value - gaussian_filter1d(series.value, SLOW_MM / series.step_mm)
    r = _autocovariance(quick, series.weight, int(MOST_LAG_MM / series.step_mm))
    r = r / max(float(r[0]), 1e-12)
    below = np.flatnonzero(r < 0.5)
    if len(below) == 0:
        return MOST_LAG_MM
    k = int(below[0])
    return float(series.step_mm * (k - 1 + (r[k - 1] - 0.5) / max(float(r[k - 1] - r[k]), 1e-9)))


def even_out(series: Series, texture: Texture | None) -> Series:
    """Make the profile's texture alike at all frequencies, so that its samples are worth the same.

    Parameters
    ----------
    series : Series
        The profile made ready.
    texture : Texture or None
        Its texture; None leaves the frequencies alone.

    Returns
    -------
    Series
        In units of its own standard deviation, outliers held back.

    Notes
    -----
    The filter has no phase: crests stay where they are. Its gain is one over the root of
    the texture's power and `FLOOR_FRAC` of its greatest.
    """
    known = series.weight > 0
    value = np.interp(np.arange(series.n), np.flatnonzero(known), series.value[known])
    median = float(np.median(value))
    spread = 1.4826 * float(np.median(np.abs(value - median))) or 1.0
    value = np.clip((value - median) / spread, -MOST_ROBUST_SD, MOST_ROBUST_SD)
    if texture is not None:
        value = _filtered(value, series.step_mm, texture)
    weight = np.maximum(series.weight, 1e-9)
    value = value - np.average(value, weights=weight)
    sd = float(np.sqrt(np.average(value**2, weights=weight))) or 1.0
    return replace(series, value=np.where(known, value / sd, 0.0))


def _filtered(value: FloatArray, step_mm: float, texture: Texture) -> FloatArray:
    """The profile divided by the root of the texture's power."""
    margin = min(int(10.0 / step_mm), len(value) - 1)
    padded = np.pad(value, margin, mode="reflect")
    frequency = np.fft.rfftfreq(len(padded), step_mm)
    power = np.interp(frequency, texture.frequency_mm, texture.power) / float(texture.power.max())
    smooth = np.fft.irfft(np.fft.rfft(padded) / np.sqrt(power + FLOOR_FRAC), len(padded))
    return np.asarray(smooth[margin : margin + len(value)])
