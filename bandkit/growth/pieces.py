"""The pieces of a track between its marks, and how much each grew."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.dating import DatedMarks
from bandkit.errors import InputError
from bandkit.flags import Flag
from bandkit.growth.budget import (
    MM_PER_CM,
    DensityBudget,
    ErrorSources,
    bound_covariance,
    calcification,
    calcification_sd,
    carried,
    per_bound,
    sd_of,
    tilt_sd_frac,
)
from bandkit.growth.density import density_at, piece_density
from bandkit.growth.doubts import doubtful_pieces, doubts, flag_codes
from bandkit.growth.profile import GrowthProfile, integrate

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
StrArray = NDArray[np.str_]

# Bands along the track: no extension can be told.
SQUARE_DEG = 90.0

# A mark at least this probable is certain.
CERTAIN_PROBABILITY = 0.9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class YearGrowth:
    """Growth of each piece of a track, from the surface inwards.

    With ``n_marks`` marks there are ``n = n_marks + 1`` pieces; the first lies outside
    the newest mark, the last inside the oldest. NaN is not measured, 0 a measured zero.

    Parameters
    ----------
    year : ndarray, shape (n,)
        Label of the piece; see `bandkit.dating`.
    year_start, year_end : ndarray, shape (n,)
        Decimal years of its inner end (earlier) and outer end (later).
    start_mm, end_mm : ndarray, shape (n,)
        Depths of its outer and inner end along the track, in mm.
    extension_mm : ndarray, shape (n,)
        Its length square to the bands, in mm.
    duration_yr : ndarray, shape (n,)
        Years that it stands for.
    extension_mm_yr, extension_sd_mm_yr : ndarray, shape (n,)
        Linear extension, in mm/yr, and its standard deviation of picking and systematic errors together.
    extension_picking_sd_mm_yr, extension_systematic_sd_mm_yr : ndarray, shape (n,)
        The two apart.
    density_g_cm3, density_sd_g_cm3 : ndarray, shape (n,)
        Mean bulk density, in g/cm3, and its standard deviation of random and systematic errors together.
    density_random_sd_g_cm3, density_systematic_sd_g_cm3 : ndarray, shape (n,)
        The two apart.
    density_budget : DensityBudget
        The same by source.
    calcification_g_cm2_yr, calcification_sd_g_cm2_yr : ndarray, shape (n,)
        Extension times density of the same piece, in g/cm2/yr, and its standard deviation, which knows that both
        lean on the same marks.
    tilt_deg : ndarray, shape (n,)
        Mean tilt of the track, in degrees.
    measured_frac : ndarray, shape (n,)
        Share of the piece's length with a density; NaN without standards.
    complete : ndarray of bool, shape (n,)
        True for a whole year between two marks without a gap.
    certainty : ndarray of str, shape (n,)
        "certain", "doubtful" or "inserted".
    flags : ndarray of str, shape (n,)
        Flag codes of the piece, parted by spaces.
    picking_covariance_mm2_yr2 : ndarray, shape (n, n)
        Covariance of ``extension_mm_yr`` by picking; NaN for pieces of unknown duration.
    density_picking_covariance_g2_cm6 : ndarray, shape (n, n)
        Covariance of ``density_g_cm3`` by picking.
    calcification_picking_covariance_g2_cm4_yr2 : ndarray, shape (n, n)
        Covariance of ``calcification_g_cm2_yr`` by picking.
    doubts : tuple of Flag
        The same doubts with their values, and those of the whole track.
    """

    year: FloatArray
    year_start: FloatArray
    year_end: FloatArray
    start_mm: FloatArray
    end_mm: FloatArray
    extension_mm: FloatArray
    duration_yr: FloatArray
    extension_mm_yr: FloatArray
    extension_sd_mm_yr: FloatArray
    extension_picking_sd_mm_yr: FloatArray
    extension_systematic_sd_mm_yr: FloatArray
    density_g_cm3: FloatArray
    density_sd_g_cm3: FloatArray
    density_random_sd_g_cm3: FloatArray
    density_systematic_sd_g_cm3: FloatArray
    density_budget: DensityBudget
    calcification_g_cm2_yr: FloatArray
    calcification_sd_g_cm2_yr: FloatArray
    tilt_deg: FloatArray
    measured_frac: FloatArray
    complete: BoolArray
    certainty: StrArray
    flags: StrArray
    picking_covariance_mm2_yr2: FloatArray
    density_picking_covariance_g2_cm6: FloatArray
    calcification_picking_covariance_g2_cm4_yr2: FloatArray
    doubts: tuple[Flag, ...]


def mark_certainty(probability: ArrayLike) -> StrArray:
    """How sure a computed mark is, in words.

    Parameters
    ----------
    probability : array_like, shape (n_marks,)
        Probability that the mark is annual.

    Returns
    -------
    ndarray of str, shape (n_marks,)
        "certain" from 0.9 on, "doubtful" below.
    """
    return np.where(np.asarray(probability, np.float64) >= CERTAIN_PROBABILITY, "certain", "doubtful")


def growth_per_year(
    mark_depth_mm: ArrayLike,
    dated: DatedMarks,
    profile: GrowthProfile,
    *,
    mark_sd_mm: ArrayLike = 0.0,
    certainty: ArrayLike | None = None,
    errors: ErrorSources | None = None,
    taxon: str = "",
    track: str = "",
) -> YearGrowth:
    """Extension, density and calcification of each piece of a track.

    Parameters
    ----------
    mark_depth_mm : array_like, shape (n_marks,)
        Depths of the marks from the surface inwards, in mm; an absent year has its
        mark at the same depth as the one before.
    dated : DatedMarks
        The same marks with their years.
    profile : GrowthProfile
        Tilt and density along the track, to its end.
    mark_sd_mm : array_like, shape (n_marks,) or scalar
        Standard deviation of each mark's depth, in mm.
    certainty : array_like of str, shape (n_marks,), optional
        "certain", "doubtful" or "inserted"; all certain where absent.
    errors : ErrorSources, optional
        What else may be wrong; nothing where absent.
    taxon : str, optional
        Scientific name, for the ranges that are plausible.
    track : str, optional
        Name for the flags.

    Returns
    -------
    YearGrowth
        One row per piece.

    Raises
    ------
    InputError
        Marks out of order or off the track, or arrays that do not fit together.

    Notes
    -----
    Each sample stands for the depth half-way to its neighbours and counts in a piece
    by the part of it that lies inside. With tilt t along the track::

        extension = integral of cos(t) dz
        density   = integral of rho cos(t) dz / integral of cos(t) dz, over samples that have a density
        C         = extension * density = integral of rho cos(t) dz where all of the year is measured

    Between marks lies one year. The piece outside the newest mark is divided by the
    time from that mark's date to the collection; other partial pieces have no rate.
    A year that is absent has extension and calcification 0 and no density.
    """
    errors = errors or ErrorSources()
    marks = _check_input(mark_depth_mm, dated, profile)
    bound_mm = np.concatenate([[0.0], marks, profile.depth_mm[-1:]])
    duration = np.where(dated.piece_duration_yr > 0, dated.piece_duration_yr, np.nan)
    complete = np.isfinite(duration) & ~dated.crosses_gap
    complete[[0, -1]] = False
    length, tilt = _lengths(bound_mm, profile)
    extension = length / duration
    bound_sd_mm = np.concatenate([[errors.surface_sd_mm], np.broadcast_to(mark_sd_mm, marks.shape), [0.0]])
    bounds = bound_covariance(bound_sd_mm, bound_mm)
    density = piece_density(bound_mm, bounds, length, profile, errors)
    picked = _carry_picking(bound_mm, bounds, duration, profile, density.bound_change)
    picking = sd_of(picked.extension)
    systematic = extension * np.hypot(errors.scale_sd_frac, tilt_sd_frac(tilt, errors.tilt_sd_deg))
    extension_sd, density_sd = np.hypot(picking, systematic), density.budget.sd_g_cm3
    # No skeleton was laid in an absent year: its calcification is a measured zero although it has no density.
    nothing_laid = (extension == 0) & (profile.density_g_cm3 is not None)
    mean = density.mean_g_cm3
    masks = doubtful_pieces(length, extension, mean, density.measured_frac,
                            complete=complete, crosses_gap=dated.crosses_gap, taxon=taxon)
    return YearGrowth(
        year=dated.piece_year, year_start=dated.piece_start_decimal, year_end=dated.piece_end_decimal,
        start_mm=bound_mm[:-1], end_mm=bound_mm[1:], extension_mm=length, duration_yr=duration,
        extension_mm_yr=extension, extension_sd_mm_yr=extension_sd,
        extension_picking_sd_mm_yr=picking, extension_systematic_sd_mm_yr=systematic,
        density_g_cm3=mean, density_sd_g_cm3=density_sd, density_random_sd_g_cm3=density.budget.random_sd_g_cm3,
        density_systematic_sd_g_cm3=density.budget.systematic_sd_g_cm3, density_budget=density.budget,
        calcification_g_cm2_yr=np.where(nothing_laid, 0.0, calcification(extension, mean)),
        calcification_sd_g_cm2_yr=calcification_sd(extension, extension_sd, mean, density_sd,
                                                   covariance=picked.extension_and_density),
        tilt_deg=tilt, measured_frac=density.measured_frac, complete=complete,
        certainty=_piece_certainty(certainty, marks.size), flags=flag_codes(masks, complete.size),
        picking_covariance_mm2_yr2=picked.extension,
        density_picking_covariance_g2_cm6=density.picking_covariance_g2_cm6,
        calcification_picking_covariance_g2_cm4_yr2=picked.calcification,
        doubts=doubts(masks, bound_mm, extension, mean, n_years=int(complete.sum()), track=track),
    )


def _check_input(mark_depth_mm: ArrayLike, dated: DatedMarks, profile: GrowthProfile) -> FloatArray:
    """Return the marks as an array that fits the profile and the dates."""
    marks = np.asarray(mark_depth_mm, dtype=np.float64)
    depth = profile.depth_mm
    if depth.ndim != 1 or depth.size <= 1 or not np.all(np.diff(depth) > 0):
        msg = "depth_mm: needs at least two samples, rising from the surface inwards"
        raise InputError(msg)
    if profile.tilt_deg.shape != depth.shape or not np.all(np.abs(profile.tilt_deg) < SQUARE_DEG):
        msg = "tilt_deg: needs one finite angle below 90 degrees for each depth"
        raise InputError(msg)
    if profile.density_g_cm3 is not None and profile.density_g_cm3.shape != depth.shape:
        msg = f"density_g_cm3: needs one value for each of {depth.size} depths, got {profile.density_g_cm3.shape}"
        raise InputError(msg)
    if marks.ndim != 1 or not np.all(np.diff(marks, prepend=0.0, append=depth[-1]) >= 0):
        msg = (f"mark_depth_mm: must rise from the surface (0 mm) to the end of the track ({depth[-1]:.2f} mm), "
               f"got {marks.tolist()}")
        raise InputError(msg)
    if dated.year.shape != marks.shape:
        msg = f"dated: holds {dated.year.size} marks, but mark_depth_mm holds {marks.size}"
        raise InputError(msg)
    return marks


def _lengths(bound_mm: FloatArray, profile: GrowthProfile) -> tuple[FloatArray, FloatArray]:
    """Length of each piece square to the bands, in mm, and its mean tilt in degrees."""
    length = integrate(np.cos(np.radians(profile.tilt_deg)), profile.depth_mm, bound_mm)
    along = np.diff(bound_mm)
    tilt = np.interp(bound_mm[:-1], profile.depth_mm, profile.tilt_deg)
    np.divide(integrate(profile.tilt_deg, profile.depth_mm, bound_mm), along, out=tilt, where=along > 0)
    return length, tilt


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Picked:
    """Covariances of the pieces by picking; ``extension_and_density`` of the two in the same piece."""

    extension: FloatArray
    calcification: FloatArray
    extension_and_density: FloatArray


def _carry_picking(
    bound_mm: FloatArray, bounds: FloatArray, duration_yr: FloatArray, profile: GrowthProfile,
    density_change: FloatArray,
) -> _Picked:
    """Carry the error of the marks into rates; a bound moves skeleton of its own density from one piece to the next."""
    cosine = np.cos(np.radians(np.interp(bound_mm, profile.depth_mm, profile.tilt_deg)))
    years = duration_yr[:, None]
    extension = per_bound(cosine) / years
    mass = per_bound(cosine * density_at(profile, bound_mm)) / (MM_PER_CM * years)
    return _Picked(extension=carried(extension, bounds), calcification=carried(mass, bounds),
                   extension_and_density=np.diag(carried(extension, bounds, density_change)))


def _piece_certainty(certainty: ArrayLike | None, n_marks: int) -> StrArray:
    """Certainty of each piece: the lesser of the marks at its ends."""
    words = np.full(n_marks, "certain") if certainty is None else np.asarray(certainty, dtype=np.str_)
    unknown = set(words.tolist()) - {"certain", "doubtful", "inserted"}
    if words.shape != (n_marks,) or unknown:
        msg = f"certainty: needs certain, doubtful or inserted for each of {n_marks} marks, got {words.tolist()}"
        raise InputError(msg)

    def either(word: str) -> BoolArray:
        is_word = np.concatenate([[False], words == word, [False]])
        at_an_end: BoolArray = is_word[:-1] | is_word[1:]
        return at_an_end

    return np.select([either("inserted"), either("doubtful")], ["inserted", "doubtful"], "certain")
