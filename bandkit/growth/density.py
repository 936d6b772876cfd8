"""Density of each piece of a track, and what it is off by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.growth.budget import DensityBudget, ErrorSources, carried, per_bound, sd_of
from bandkit.growth.profile import GrowthProfile, integrate

FloatArray = NDArray[np.float64]

# A year needs this share of its length measured to have a density.
LEAST_MEASURED_FRAC = 0.5
# Fewer pieces than this on the tracks beside do not tell what a track's place is worth.
_LEAST_PIECES = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PieceDensity:
    """Density of each piece of a track; NaN without standards.

    Parameters
    ----------
    mean_g_cm3 : ndarray, shape (n,)
        Mean over the samples that have one.
    budget : DensityBudget
        What it is off by, source by source.
    measured_frac : ndarray, shape (n,)
        Share of the piece's length with a density.
    bound_change : ndarray, shape (n, n + 1)
        Change of the mean with each bound, in g/cm3 per mm.
    picking_covariance_g2_cm6 : ndarray, shape (n, n)
        Covariance of the means by picking.
    """

    mean_g_cm3: FloatArray
    budget: DensityBudget
    measured_frac: FloatArray
    bound_change: FloatArray
    picking_covariance_g2_cm6: FloatArray


def piece_density(
    bound_mm: FloatArray, bound_covariance_mm2: FloatArray, length_mm: FloatArray, profile: GrowthProfile,
    errors: ErrorSources,
) -> PieceDensity:
    """Mean density of each piece over the samples that have one, and what it may be off by.

    Parameters
    ----------
    bound_mm : ndarray, shape (n + 1,)
        Depths between the pieces.
    bound_covariance_mm2 : ndarray, shape (n + 1, n + 1)
        Of those depths; see `bandkit.growth.budget.bound_covariance`.
    length_mm : ndarray, shape (n,)
        Length of each piece square to the bands.
    profile : GrowthProfile
        Tilt and density along the track.
    errors : ErrorSources
        What the profile may be off by.

    Returns
    -------
    PieceDensity
        All NaN where the profile has no density.

    Notes
    -----
    A bound that moves inwards by dz adds skeleton of the density there: the mean of the piece outside it changes by
    ``(rho - mean) cos(tilt) dz / length``.
    """
    nothing = np.full(length_mm.shape, np.nan)
    if profile.density_g_cm3 is None:
        empty = np.full((nothing.size, nothing.size + 1), np.nan)
        return PieceDensity(mean_g_cm3=nothing, measured_frac=nothing, bound_change=empty,
                            picking_covariance_g2_cm6=empty[:, :-1],
                            budget=DensityBudget(calibration_sd_g_cm3=nothing, beam_sd_g_cm3=nothing,
                                                 thickness_sd_g_cm3=nothing, noise_sd_g_cm3=nothing,
                                                 track_sd_g_cm3=nothing, picking_sd_g_cm3=nothing))
    averages = _Averages.over(bound_mm, length_mm, profile, profile.density_g_cm3)
    density, mean_of = profile.density_g_cm3, averages.mean_of
    mean = mean_of(density)
    change = _bound_change(bound_mm, length_mm, profile, mean)
    covariance = carried(change, bound_covariance_mm2)
    noise_length = max(errors.density_noise_length_mm, float(np.median(np.diff(profile.depth_mm))))
    n_independent = np.maximum(averages.measured_mm / noise_length, 1.0)
    noise = np.sqrt(mean_of(np.square(errors.density_noise_sd_g_cm3)) / n_independent)
    budget = DensityBudget(
        calibration_sd_g_cm3=mean_of(errors.density_calibration_sd_g_cm3),
        beam_sd_g_cm3=mean_of(errors.density_beam_sd_g_cm3),
        # The error of thickness goes one to one into density.
        thickness_sd_g_cm3=mean_of(np.where(np.isfinite(density), density, 0.0) * errors.thickness_sd_frac),
        noise_sd_g_cm3=noise,
        track_sd_g_cm3=_track_sd(bound_mm, length_mm, profile, noise),
        picking_sd_g_cm3=sd_of(covariance),
    )
    return PieceDensity(mean_g_cm3=mean, budget=budget, measured_frac=averages.measured_frac, bound_change=change,
                        picking_covariance_g2_cm6=covariance)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Averages:
    """Averages of a profile over the pieces, square to the bands, where it is known."""

    bound_mm: FloatArray
    profile: GrowthProfile
    weight: FloatArray
    measured_mm: FloatArray
    measured_frac: FloatArray

    @classmethod
    def over(
        cls, bound_mm: FloatArray, length_mm: FloatArray, profile: GrowthProfile, known_values: FloatArray,
    ) -> _Averages:
        """Averages over samples where some values are known."""
        weight = np.cos(np.radians(profile.tilt_deg)) * np.isfinite(known_values)
        measured_mm = integrate(weight, profile.depth_mm, bound_mm)
        frac = np.divide(measured_mm, length_mm, out=np.zeros(length_mm.shape), where=length_mm > 0)
        return cls(bound_mm=bound_mm, profile=profile, weight=weight, measured_mm=measured_mm, measured_frac=frac)

    def mean_of(self, values: FloatArray | float) -> FloatArray:
        """Mean over each piece; NaN where too little of it is known."""
        filled = np.where(self.weight > 0, values, 0.0)
        total = integrate(filled * self.weight, self.profile.depth_mm, self.bound_mm)
        enough = self.measured_frac >= LEAST_MEASURED_FRAC
        mean: FloatArray = np.divide(total, self.measured_mm, out=np.full(total.shape, np.nan), where=enough)
        return mean


def density_at(profile: GrowthProfile, depth_mm: FloatArray) -> FloatArray:
    """Density at depths, from the samples to both sides that have one.

    Parameters
    ----------
    profile : GrowthProfile
        With a density.
    depth_mm : ndarray
        Depths along the track.

    Returns
    -------
    ndarray
        In g/cm3; NaN where nothing is known at all.
    """
    if profile.density_g_cm3 is None or not (known := np.isfinite(profile.density_g_cm3)).any():
        return np.full(depth_mm.shape, np.nan)
    return np.interp(depth_mm, profile.depth_mm[known], profile.density_g_cm3[known])


def _bound_change(bound_mm: FloatArray, length_mm: FloatArray, profile: GrowthProfile, mean: FloatArray) -> FloatArray:
    """Change of each piece's mean density with its two bounds, in g/cm3 per mm."""
    cosine = np.cos(np.radians(np.interp(bound_mm, profile.depth_mm, profile.tilt_deg)))
    change = per_bound(density_at(profile, bound_mm), mean) * cosine
    # A piece of no length has no density that could change.
    length = np.where(length_mm > 0, length_mm, np.nan)
    return np.asarray(change / length[:, None], np.float64)


def _track_sd(bound_mm: FloatArray, length_mm: FloatArray, profile: GrowthProfile, noise_sd: FloatArray) -> FloatArray:
    """What another place of the track would change, beyond noise, by the tracks beside it.

    Two-way: what is common to a year on all tracks is its band, what is common to a track over all years is the slab;
    the rest is texture. It falls with the square root of the length that a piece averages over.
    """
    beside = profile.beside_g_cm3
    none = np.zeros(length_mm.shape)
    if beside is None:
        return none
    means = np.stack([_Averages.over(bound_mm, length_mm, profile, one).mean_of(one) for one in beside])
    pieces = np.flatnonzero(np.isfinite(means).sum(axis=0) > 1)
    tracks = np.flatnonzero(np.isfinite(means[:, pieces]).sum(axis=1) >= _LEAST_PIECES)
    if len(tracks) < 2 or len(pieces) < _LEAST_PIECES:
        return none
    rest, free = _interaction(means[np.ix_(tracks, pieces)])
    if free <= 0:
        return none
    per_mm = float(np.nansum(rest**2 * length_mm[pieces]) / free) * profile.beside_variance_frac
    positive = np.where(length_mm > 0, length_mm, np.nan)
    return np.asarray(np.sqrt(np.maximum(per_mm / positive - np.nan_to_num(noise_sd) ** 2, 0.0)))


def _interaction(means: FloatArray) -> tuple[FloatArray, int]:
    """What neither rows nor columns explain of a table with gaps, and its degrees of freedom."""
    rest = means.copy()
    # Alternate means close in on the least-squares fit also where there are gaps.
    for _ in range(20):
        rest = rest - np.nanmean(rest, axis=1, keepdims=True)
        rest = rest - np.nanmean(rest, axis=0, keepdims=True)
    n_rows, n_columns = means.shape
    return rest, int(np.isfinite(means).sum()) - n_rows - n_columns + 1
