"""What a year on a track looks like, the marks that come out, and the profile made ready for both."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Samples of a year at which the most probable sequence is found; the profile itself then places the marks.
SAMPLES_PER_YEAR = 24
# What a wholly known sample is worth: a year never has quite the model's shape, so that its samples err together.
SAMPLE_WORTH = 0.6
# A cell with a smaller known share says nothing.
LEAST_KNOWN_FRAC = 0.05
# What is left of a level once it is taken out, by rounding.
ROUNDING_FRAC = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class YearModel:
    """What a year on this track looks like.

    Parameters
    ----------
    spacing_mm : float
        Geometric mean of the years' lengths.
    spacing_log_sd : float
        Standard deviation of the logarithm of the years' lengths.
    harmonics : ndarray, shape (2, n_harmonics)
        Cosine and sine weights of the annual shape over phase 0 to 1; the shape is
        highest at phase 0, in units of the profile.
    amplitude_sd : float
        Standard deviation of a year's amplitude about 1.
    level_sd : float
        Standard deviation of a year's level, in units of the profile.
    noise_sd : float
        Standard deviation of the noise, in units of the profile.
    noise_mm : float
        Length over which the noise is correlated, in mm.
    """

    spacing_mm: float
    spacing_log_sd: float
    harmonics: FloatArray
    amplitude_sd: float
    level_sd: float
    noise_sd: float
    noise_mm: float

    def shape(self, phase: FloatArray) -> FloatArray:
        """Annual shape at the given phases, in units of the profile."""
        k = np.arange(1, self.harmonics.shape[1] + 1)
        angle = 2 * np.pi * np.asarray(phase)[..., None] * k
        return np.asarray(np.cos(angle) @ self.harmonics[0] + np.sin(angle) @ self.harmonics[1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AnnualMarks:
    """Annual marks on one track, from the surface inwards.

    Parameters
    ----------
    depth_mm, lo_mm, hi_mm : ndarray, shape (n_marks,)
        Depth of each mark and its 90 % interval, in mm.
    sd_mm : ndarray, shape (n_marks,)
        Standard deviation of its depth, in mm.
    probability : ndarray, shape (n_marks,)
        Probability that there is an annual mark there (within 0.3 of a year).
    doublet_mm : ndarray, shape (n_marks,)
        Second crest of the year that begins at the mark; NaN where it has none.
    stress_mm : ndarray, shape (n_stress,)
        Narrow crests that stand far above the years' own.
    count_lo, count_hi : int
        90 % interval of the number of marks.
    count_lo_at, count_hi_at : ndarray, shape (n_marks,)
        90 % interval of the number of marks down to each mark, itself included.
    draws_mm : list of ndarray
        Sequences of mark depths, equally defensible.
    model : YearModel
        The year that was learnt.
    cycle_snr : float
        Amplitude of the annual cycle over the noise.
    log_odds_cycle : float
        Log likelihood of the annual model over one without years, per year of length.
    agreement : float
        Correlation, over periods of a year, of two looks at the bands through different corallites;
        NaN where the strip could not be split.
    rival_spacing_mm : float
        Second best spacing, in mm; NaN where none comes near.
    rival_probability : float
        Probability of that rival.
    """

    depth_mm: FloatArray
    lo_mm: FloatArray
    hi_mm: FloatArray
    sd_mm: FloatArray
    probability: FloatArray
    count_lo: int
    count_hi: int
    count_lo_at: FloatArray
    count_hi_at: FloatArray
    draws_mm: list[FloatArray]
    model: YearModel
    cycle_snr: float
    log_odds_cycle: float
    rival_spacing_mm: float
    rival_probability: float
    agreement: float = float("nan")
    doublet_mm: FloatArray = field(default_factory=lambda: np.empty(0))
    stress_mm: FloatArray = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """The profile made ready: equal steps, level about zero.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Profile without its slow trend, in units of its own standard deviation; 0 where unknown.
    weight : ndarray, shape (n,)
        How much each sample counts: its known share, times `SAMPLE_WORTH`.
    step_mm : float
        Distance between samples.
    start_mm : float
        Depth of the first sample.
    fixed_mm : ndarray, shape (n_fixed,)
        Depths of marks that a person is certain of, increasing.
    """

    value: FloatArray
    weight: FloatArray
    step_mm: float
    start_mm: float
    fixed_mm: FloatArray = field(default_factory=lambda: np.empty(0))

    @property
    def n(self) -> int:
        """Number of samples."""
        return len(self.value)

    def head(self, length_mm: float) -> Series:
        """Take the outer part of the profile, of no more than this length."""
        n = max(int(length_mm / self.step_mm), 1)
        return replace(self, value=self.value[:n], weight=self.weight[:n])


def prepare(
    value: FloatArray,
    depth_mm: FloatArray,
    known_frac: FloatArray | None,
    *,
    step_mm: float,
    fixed_mm: FloatArray | None = None,
) -> Series:
    """Average onto equal steps, take out the slow trend.

    Parameters
    ----------
    value : ndarray, shape (n_depth,)
        Profile in any unit; NaN where unknown.
    depth_mm : ndarray, shape (n_depth,)
        Depth from the surface, in mm, equally spaced.
    known_frac : ndarray or None, shape (n_depth,)
        Share of the strip's width that was known, 0 to 1.
    step_mm : float
        Wanted distance between samples.
    fixed_mm : ndarray, shape (n_fixed,), optional
        Depths of marks that a person is certain of.

    Returns
    -------
    Series
        The profile made ready.
    """
    from scipy.ndimage import gaussian_filter1d

    weight = np.isfinite(value).astype(float)
    if known_frac is not None:
        weight = weight * np.clip(known_frac, 0.0, 1.0)
    # A sample stands for half a step on both sides, so that cells begin that much before the first.
    sample_mm = float(depth_mm[1] - depth_mm[0])
    start = float(depth_mm[0]) - 0.5 * sample_mm
    n = max(int((float(depth_mm[-1]) + 0.5 * sample_mm - start) / step_mm + 1e-6), 1)
    cell = np.minimum(((depth_mm - start) / step_mm).astype(int), n - 1)
    total = np.bincount(cell, weight, minlength=n)
    y = np.bincount(cell, np.where(weight > 0, value, 0.0) * weight, minlength=n) / np.maximum(total, 1e-9)
    share = total / np.maximum(np.bincount(cell, minlength=n), 1)
    w = np.where(share < LEAST_KNOWN_FRAC, 0.0, SAMPLE_WORTH * share)
    sd = 30.0 / step_mm
    slow = gaussian_filter1d(y * w, sd, mode="nearest") / np.maximum(gaussian_filter1d(w, sd, mode="nearest"), 1e-9)
    rest = np.where(w > 0, y - slow, 0.0)
    scale = float(np.sqrt(np.average(rest**2, weights=np.maximum(w, 1e-9))))
    if scale <= ROUNDING_FRAC * float(np.abs(y).max()):
        rest, scale = np.zeros_like(rest), 1.0
    fixed = np.empty(0) if fixed_mm is None else np.sort(np.asarray(fixed_mm, dtype=float))
    return Series(value=rest / scale, weight=w, step_mm=step_mm, start_mm=start + step_mm / 2, fixed_mm=fixed)


def log_noise(series: Series, model: YearModel) -> float:
    """Log likelihood of the profile as noise alone: what the years' likelihoods are relative to.

    Parameters
    ----------
    series : Series
        The profile made ready.
    model : YearModel
        Whose noise.

    Returns
    -------
    float
        Natural logarithm; neighbouring samples share their noise.
    """
    share = min(series.step_mm / model.noise_mm, 1.0)
    squares = float((series.weight * series.value**2).sum()) / model.noise_sd**2
    scale = float(series.weight.sum()) * float(np.log(2 * np.pi * model.noise_sd**2))
    return -0.5 * share * (scale + squares)
