"""The pieces of a track between its marks, and how much each grew."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.dating import DatedMarks
from bandkit.errors import InputError
from bandkit.flags import Flag
from bandkit.growth.budget import ErrorSources, calcification, calcification_sd, picking_covariance, tilt_sd_frac
from bandkit.growth.doubts import doubtful_pieces, doubts, flag_codes

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
StrArray = NDArray[np.str_]

# Bands along the track: no extension can be told.
SQUARE_DEG = 90.0

# A mark at least this probable is certain.
CERTAIN_PROBABILITY = 0.9

# A year needs this share of its length measured to have a density.
LEAST_MEASURED_FRAC = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrowthProfile:
    """What was measured along a track, from the surface (depth 0) inwards.

    Parameters
    ----------
    depth_mm : ndarray, shape (n_depth,)
        Depth along the track, in mm, rising.
    tilt_deg : ndarray, shape (n_depth,)
        Angle of the track to the growth direction (square to the bands), in degrees.
    density_g_cm3 : ndarray, shape (n_depth,), optional
        Bulk density, in g/cm3; NaN where masked. None without standards.
    """

    depth_mm: FloatArray
    tilt_deg: FloatArray
    density_g_cm3: FloatArray | None = None


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
        Mean bulk density, in g/cm3, and its standard deviation of noise and systematic errors together.
    density_noise_sd_g_cm3, density_systematic_sd_g_cm3 : ndarray, shape (n,)
        The two apart.
    calcification_g_cm2_yr, calcification_sd_g_cm2_yr : ndarray, shape (n,)
        Extension times density of the same piece, in g/cm2/yr, and its standard deviation.
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
    density_noise_sd_g_cm3: FloatArray
    density_systematic_sd_g_cm3: FloatArray
    calcification_g_cm2_yr: FloatArray
    calcification_sd_g_cm2_yr: FloatArray
    tilt_deg: FloatArray
    measured_frac: FloatArray
    complete: BoolArray
    certainty: StrArray
    flags: StrArray
    picking_covariance_mm2_yr2: FloatArray
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
    sd_mm = np.concatenate([[errors.surface_sd_mm], np.broadcast_to(mark_sd_mm, marks.shape), [0.0]])
    covariance = _rate_covariance(bound_mm, sd_mm, duration, profile)
    picking = np.sqrt(np.diag(covariance))
    systematic = extension * np.hypot(errors.scale_sd_frac, tilt_sd_frac(tilt, errors.tilt_sd_deg))
    density = _densities(bound_mm, length, profile, errors)
    extension_sd, density_sd = np.hypot(picking, systematic), np.hypot(density.noise_sd, density.systematic_sd)
    # No skeleton was laid in an absent year: its calcification is a measured zero although it has no density.
    nothing_laid = (extension == 0) & (profile.density_g_cm3 is not None)
    masks = doubtful_pieces(length, extension, density.mean, density.measured_frac,
                            complete=complete, crosses_gap=dated.crosses_gap, taxon=taxon)
    return YearGrowth(
        year=dated.piece_year, year_start=dated.piece_start_decimal, year_end=dated.piece_end_decimal,
        start_mm=bound_mm[:-1], end_mm=bound_mm[1:], extension_mm=length, duration_yr=duration,
        extension_mm_yr=extension, extension_sd_mm_yr=extension_sd,
        extension_picking_sd_mm_yr=picking, extension_systematic_sd_mm_yr=systematic,
        density_g_cm3=density.mean, density_sd_g_cm3=density_sd,
        density_noise_sd_g_cm3=density.noise_sd, density_systematic_sd_g_cm3=density.systematic_sd,
        calcification_g_cm2_yr=np.where(nothing_laid, 0.0, calcification(extension, density.mean)),
        calcification_sd_g_cm2_yr=calcification_sd(extension, extension_sd, density.mean, density_sd),
        tilt_deg=tilt, measured_frac=density.measured_frac, complete=complete,
        certainty=_piece_certainty(certainty, marks.size), flags=flag_codes(masks, complete.size),
        picking_covariance_mm2_yr2=covariance,
        doubts=doubts(masks, bound_mm, extension, density.mean, n_years=int(complete.sum()), track=track),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _PieceDensity:
    """Density of each piece, its two errors, and the share of its length that has a density."""

    mean: FloatArray
    noise_sd: FloatArray
    systematic_sd: FloatArray
    measured_frac: FloatArray


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


def _integrate(per_mm: FloatArray, depth_mm: FloatArray, bound_mm: FloatArray) -> FloatArray:
    """Integral of a sampled quantity between bounds; a sample holds half-way to its neighbours."""
    middle = (depth_mm[1:] + depth_mm[:-1]) / 2
    first = min(2 * depth_mm[0] - middle[0], bound_mm[0])
    last = max(2 * depth_mm[-1] - middle[-1], bound_mm[-1])
    edges = np.concatenate([[first], middle, [last]])
    running = np.concatenate([[0.0], np.cumsum(per_mm * np.diff(edges))])
    return np.diff(np.interp(bound_mm, edges, running))


def _lengths(bound_mm: FloatArray, profile: GrowthProfile) -> tuple[FloatArray, FloatArray]:
    """Length of each piece square to the bands, in mm, and its mean tilt in degrees."""
    length = _integrate(np.cos(np.radians(profile.tilt_deg)), profile.depth_mm, bound_mm)
    along = np.diff(bound_mm)
    tilt = np.interp(bound_mm[:-1], profile.depth_mm, profile.tilt_deg)
    np.divide(_integrate(profile.tilt_deg, profile.depth_mm, bound_mm), along, out=tilt, where=along > 0)
    return length, tilt


def _rate_covariance(
    bound_mm: FloatArray, sd_mm: FloatArray, duration_yr: FloatArray, profile: GrowthProfile,
) -> FloatArray:
    """Covariance of the pieces' extension rates by picking, in mm2/yr2."""
    cos_tilt = np.cos(np.radians(np.interp(bound_mm, profile.depth_mm, profile.tilt_deg)))
    return picking_covariance(sd_mm, cos_tilt, bound_mm=bound_mm) / np.outer(duration_yr, duration_yr)


def _densities(
    bound_mm: FloatArray, length_mm: FloatArray, profile: GrowthProfile, errors: ErrorSources,
) -> _PieceDensity:
    """Mean density of each piece over the samples that have one, and what it may be off by."""
    nothing = np.full(length_mm.shape, np.nan)
    if profile.density_g_cm3 is None:
        return _PieceDensity(mean=nothing, noise_sd=nothing, systematic_sd=nothing, measured_frac=nothing)
    valid = np.isfinite(profile.density_g_cm3)
    weight = np.cos(np.radians(profile.tilt_deg)) * valid
    measured_mm = _integrate(weight, profile.depth_mm, bound_mm)
    measured_frac = np.divide(measured_mm, length_mm, out=np.zeros(length_mm.shape), where=length_mm > 0)
    enough = measured_frac >= LEAST_MEASURED_FRAC

    def mean_of(values: FloatArray | float) -> FloatArray:
        filled = np.where(valid, values, 0.0)
        total = _integrate(filled * weight, profile.depth_mm, bound_mm)
        mean: FloatArray = np.divide(total, measured_mm, out=nothing.copy(), where=enough)
        return mean

    mean = mean_of(profile.density_g_cm3)
    noise_length = max(errors.density_noise_length_mm, float(np.median(np.diff(profile.depth_mm))))
    n_independent = np.maximum(measured_mm / noise_length, 1.0)
    noise_sd = np.sqrt(mean_of(np.square(errors.density_noise_sd_g_cm3)) / n_independent)
    systematic_sd = np.hypot(mean_of(errors.density_systematic_sd_g_cm3), mean * errors.thickness_sd_frac)
    return _PieceDensity(mean=mean, noise_sd=noise_sd, systematic_sd=systematic_sd, measured_frac=measured_frac)


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
