"""How the simulated coral grew: extension, density and its season, year by year.

Only the growth axis is treated here; `bandkit.simulate.colony` spreads it over a slab.

Notes
-----
The surface moves at ``e(t)`` (mm/yr), so skeleton formed at time ``t`` lies at
``s(t)``, the integral of ``e`` from ``t`` to the collection, below today's surface.
While it is laid down the skeleton has an instantaneous density::

    rho_i(t) = rho_0 [1 + l(t) + A(t) g(phase) + D(t) + S(t)]

with slow variation ``l``, the season ``g`` (a cosine with an uneven rise and fall) of
amplitude ``A``, doublets ``D`` and stress bands ``S``. A fraction ``f`` of the mass is laid
down at the surface, the rest evenly over the depth ``T`` of the tissue layer, so
the density that is found at depth ``x`` is the running mean::

    rho(x) = f rho_i(x) + (1 - f) / T  *  integral of rho_i from x - T to x

An annual cycle is weakened by ``|f + (1 - f) sinc(w) exp(-i pi w)|``, ``w = T / e`` in years,
and shifted towards older skeleton. Within ``T`` of the surface the integral starts at
the surface: the youngest skeleton is unfinished.

References
----------
Barnes DJ, Lough JM (1993) On the nature and causes of density banding in massive coral
skeletons. J Exp Mar Biol Ecol 167:91-108 (tissue thickening as a running mean; from memory).
Barnes DJ, Lough JM (1992) Systematic variations in the depth of skeleton occupied by coral
tissue in massive colonies of Porites from the Great Barrier Reef. J Exp Mar Biol Ecol
159:113-128 (5.4 +/- 1.5 mm, range 2.1 to 10.2 mm).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating]

TIME_STEP_YR = 1 / 400
DEPTH_STEP_MM = 0.02
# Marks are looked for from a little after to well before the season's peak: thickening
# moves the recorded maximum into older skeleton by at most about half the tissue window.
MARK_AFTER_YR = 0.25
MARK_BEFORE_YR = 0.65


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthDesign:
    """How a colony grew; fractions are of the mean density unless said otherwise.

    Parameters
    ----------
    collected : date
        Day of collection, top alive.
    years : float
        Length of the core in years.
    extension_mm_yr, extension_cv_frac, extension_ar1 : float
        Mean, coefficient of variation and lag-one correlation of annual extension (lognormal).
    extension_season_frac : float
        Amplitude of the extension rate within the year, as a fraction of the year's mean rate.
    density_g_cm3, density_cv_frac : float
        Mean density and its slow variation over several years.
    cycle_frac : float
        Amplitude (half of peak to trough) of the *recorded* annual density cycle, after
        thickening, in a year of mean extension.
    cycle_cv_frac, weak_year_chance, weak_year_frac : float
        Year-to-year variation of the amplitude; chance of a weak year and what is left of its amplitude.
    cycle_skew : float
        Unevenness of rise and fall of the season; 0 is a plain cosine.
    peak_yr : float
        Fraction of the calendar year at which calcification per extension peaks.
    doublet_frac, doublet_lag_yr : float
        Height of a second dense band as a fraction of the annual amplitude, and its lag.
    stress_chance, stress_frac : float
        Chance per year of a thin stress band, and its height.
    tissue_mm, initial_frac : float
        Depth of the tissue layer, and the share of mass laid down at once at the surface.
    """

    collected: date = date(2019, 6, 15)
    years: float = 20.0
    extension_mm_yr: float = 11.0
    extension_cv_frac: float = 0.15
    extension_ar1: float = 0.3
    extension_season_frac: float = 0.2
    density_g_cm3: float = 1.30
    density_cv_frac: float = 0.02
    cycle_frac: float = 0.15
    cycle_cv_frac: float = 0.2
    weak_year_chance: float = 0.0
    weak_year_frac: float = 0.4
    cycle_skew: float = 0.4
    peak_yr: float = 0.85
    doublet_frac: float = 0.0
    doublet_lag_yr: float = 0.42
    stress_chance: float = 0.0
    stress_frac: float = 0.2
    tissue_mm: float = 5.0
    initial_frac: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Growth:
    """What grew, along the growth axis.

    Parameters
    ----------
    depth_mm : ndarray, shape (n,)
        Distance below the surface along the growth axis, equally spaced, from 0.
    formed_yr : ndarray, shape (n,)
        When the surface was there, as a decimal year.
    density_g_cm3 : ndarray, shape (n,)
        Density that is found, with everything in it.
    season_g_cm3 : ndarray, shape (n,)
        Density with the annual season alone (no doublets, no stress bands), thickening finished.
    mark_depth_mm, mark_formed_yr : ndarray, shape (n_marks,)
        Annual density maxima of ``season_g_cm3``, from the surface inwards, and when the surface was there.
    mark_year : ndarray of int, shape (n_marks,)
        Calendar year of each mark, taken at the marks' mean date.
    mark_date : tuple of int
        Month and day that the marks stand for: the mean date at which the surface was at a mark.
    length_mm : float
        Depth reached by the years of the design.
    """

    depth_mm: FloatArray
    formed_yr: FloatArray
    density_g_cm3: FloatArray
    season_g_cm3: FloatArray
    mark_depth_mm: FloatArray
    mark_formed_yr: FloatArray
    mark_year: NDArray[np.int_]
    mark_date: tuple[int, int]
    length_mm: float


def decimal_year(day: date) -> float:
    """Turn a day into a decimal year.

    Parameters
    ----------
    day : date
        Calendar day.

    Returns
    -------
    float
        Year and fraction, noon of the day.
    """
    first = date(day.year, 1, 1)
    length_d = (date(day.year + 1, 1, 1) - first).days
    return day.year + ((day - first).days + 0.5) / length_d


def tissue_gain_frac(window_yr: FloatArray | float, initial_frac: float = 0.0) -> FloatArray:
    """Tell what thickening through the tissue layer leaves of an annual cycle.

    Parameters
    ----------
    window_yr : ndarray or float
        Tissue depth over annual extension, in years.
    initial_frac : float, optional
        Share of the mass laid down at once at the surface.

    Returns
    -------
    ndarray
        Recorded amplitude over instantaneous amplitude, 0 to 1.

    Notes
    -----
    ``|f + (1 - f) sin(pi w) / (pi w) exp(-i pi w)|``: the transfer function of the running mean at
    one cycle a year.
    """
    window = np.asarray(window_yr, dtype=np.float64)
    smoothed = (1 - initial_frac) * np.sinc(window) * np.exp(-1j * np.pi * window)
    return np.asarray(np.abs(initial_frac + smoothed))


def thicken(density_g_cm3: FloatArray, step_mm: float, *, tissue_mm: float, initial_frac: float,
            first: int = 0) -> FloatArray:
    """Spread the mass that is laid down over the depth of the tissue layer.

    Parameters
    ----------
    density_g_cm3 : ndarray, shape (n,)
        Instantaneous density by depth, youngest first.
    step_mm : float
        Spacing of the samples.
    tissue_mm, initial_frac : float
        Depth of the tissue layer; share of mass laid down at once.
    first : int, optional
        Sample that is the surface: nothing above it has been laid down yet.

    Returns
    -------
    ndarray, shape (n,)
        Density that is found; 0 above the surface.
    """
    laid = np.where(np.arange(density_g_cm3.size) >= first, density_g_cm3, 0.0)
    # Trapezoid rule, so that a window that is no whole number of samples is still exact enough.
    total = np.concatenate([[0.0], np.cumsum(0.5 * (laid[1:] + laid[:-1]))]) * step_mm
    depth = np.arange(laid.size) * step_mm
    spread = (total - np.interp(depth - tissue_mm, depth, total)) / tissue_mm
    return np.asarray(initial_frac * laid + (1 - initial_frac) * spread)


def season_shape(phase_yr: FloatArray, skew: float) -> FloatArray:
    """Shape the season of density: 1 at its peak, -1 at its trough, less its own mean.

    Parameters
    ----------
    phase_yr : ndarray
        Years since a peak.
    skew : float
        Unevenness of rise and fall; 0 is a plain cosine.

    Returns
    -------
    ndarray
        Season, peak to trough exactly 2.
    """
    mean_angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    mean = np.cos(mean_angle + skew * (1 - np.cos(mean_angle))).mean()
    angle = 2 * np.pi * phase_yr
    return np.asarray(np.cos(angle + skew * (1 - np.cos(angle))) - mean)


def grow(design: GrowthDesign, rng: np.random.Generator) -> Growth:
    """Grow one colony along its axis.

    Parameters
    ----------
    design : GrowthDesign
        How it grew.
    rng : numpy.random.Generator
        Source of the year-to-year variation.

    Returns
    -------
    Growth
        Density by depth and the annual marks.
    """
    collected_yr = decimal_year(design.collected)
    time_yr, surface_mm = _surface_history(design, collected_yr, rng)
    first = int(-surface_mm[0] / DEPTH_STEP_MM)
    depth_mm = (np.arange(first + int(surface_mm[-1] / DEPTH_STEP_MM)) - first) * DEPTH_STEP_MM
    formed_yr = np.interp(depth_mm, surface_mm, time_yr)
    season, events = _laid_down(design, formed_yr, rng)
    finished = thicken(season, DEPTH_STEP_MM, tissue_mm=design.tissue_mm, initial_frac=design.initial_frac)
    found = thicken(season + events, DEPTH_STEP_MM, tissue_mm=design.tissue_mm, initial_frac=design.initial_frac,
                    first=first)
    length_mm = float(np.interp(-(collected_yr - design.years), -time_yr, surface_mm))
    marks_mm, peaks = _season_maxima(depth_mm, finished, surface=(time_yr, surface_mm), peak_yr=design.peak_yr)
    inside = (marks_mm > 0) & (marks_mm < length_mm)
    marks_yr = np.interp(marks_mm, depth_mm, formed_yr)
    lag_yr = float(np.mean((marks_yr - peaks)[inside])) + design.peak_yr
    return Growth(
        depth_mm=depth_mm[first:], formed_yr=formed_yr[first:], density_g_cm3=found[first:],
        season_g_cm3=finished[first:], mark_depth_mm=marks_mm[inside], mark_formed_yr=marks_yr[inside],
        mark_year=np.rint(peaks[inside] - design.peak_yr + np.floor(lag_yr)).astype(np.int_),
        mark_date=_month_day(lag_yr % 1.0), length_mm=length_mm)


def _surface_history(
    design: GrowthDesign, collected_yr: float, rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Follow the surface: times, newest first and past the collection, and the depth below today's surface."""
    # A slab that is drawn obliquely or on a bump shows more than its axis does; a year is grown past the collection so
    # that the season of the newest skeleton can be followed to its end.
    older_yr = 3.0 + 40.0 / design.extension_mm_yr
    time_yr = np.arange(collected_yr + 1.5, collected_yr - design.years - older_yr, -TIME_STEP_YR)
    growth_year = np.floor(time_yr - design.peak_yr - 0.5).astype(np.int_)
    annual = _lognormal_ar1(int(np.ptp(growth_year)) + 1, design.extension_cv_frac, design.extension_ar1, rng)
    rate = design.extension_mm_yr * annual[growth_year.max() - growth_year]
    rate = rate * (1 + design.extension_season_frac * np.cos(2 * np.pi * (time_yr - design.peak_yr - 0.4)))
    surface_mm = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]))]) * TIME_STEP_YR
    return time_yr, surface_mm - np.interp(-collected_yr, -time_yr, surface_mm)


def _laid_down(design: GrowthDesign, formed_yr: FloatArray, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Instantaneous density with the season alone, and what doublets and stress bands add."""
    years = np.arange(np.floor(formed_yr[-1]) - 1, np.ceil(formed_yr[0]) + 2)
    peaks = years + design.peak_yr
    amplitude = _lognormal_ar1(years.size, design.cycle_cv_frac, 0.0, rng)
    amplitude[rng.random(years.size) < design.weak_year_chance] *= design.weak_year_frac
    gain = float(tissue_gain_frac(design.tissue_mm / design.extension_mm_yr, design.initial_frac))
    amplitude *= design.cycle_frac / gain
    slow = _lognormal_ar1(years.size, design.density_cv_frac, 0.7, rng) - 1
    base = design.density_g_cm3
    season = np.interp(formed_yr, peaks, amplitude) * season_shape(formed_yr - design.peak_yr, design.cycle_skew)
    events = np.zeros_like(formed_yr)
    doublets = amplitude * design.doublet_frac * rng.uniform(0.3, 1.7, years.size)
    stress = design.stress_frac * (rng.random(years.size) < design.stress_chance)
    stress_at = peaks + rng.uniform(0.15, 0.85, years.size)
    for height, at_yr, width_yr in ((doublets, peaks - design.doublet_lag_yr, 0.07), (stress, stress_at, 0.045)):
        for h, at in zip(height[height > 0], at_yr[height > 0], strict=True):
            events += h * np.exp(-0.5 * ((formed_yr - at) / width_yr) ** 2)
    return base * (1 + np.interp(formed_yr, peaks, slow) + season), base * events


def _season_maxima(depth_mm: FloatArray, season: FloatArray, *, surface: tuple[FloatArray, FloatArray],
                   peak_yr: float) -> tuple[FloatArray, FloatArray]:
    """Depths of the annual maxima of the finished season, and the season's peak times they belong to."""
    time_yr, surface_mm = surface
    peaks = np.arange(np.floor(time_yr[0]), np.ceil(time_yr[-1]), -1.0) + peak_yr
    peaks = peaks[(peaks + MARK_AFTER_YR < time_yr[0]) & (peaks - MARK_BEFORE_YR > time_yr[-1])]
    marks = []
    for peak in peaks:
        bounds = np.interp([-(peak + MARK_AFTER_YR), -(peak - MARK_BEFORE_YR)], -time_yr, surface_mm)
        lo, hi = np.searchsorted(depth_mm, bounds)
        marks.append(depth_mm[lo + int(np.argmax(season[lo:hi]))])
    return np.array(marks), peaks


def _lognormal_ar1(count: int, cv_frac: float, ar1: float, rng: np.random.Generator) -> FloatArray:
    """Positive values of mean 1 whose logarithms follow a first-order autoregression."""
    sd = float(np.sqrt(np.log1p(cv_frac**2)))
    steps = rng.standard_normal(count)
    values = np.empty(count)
    values[0] = steps[0]
    for i in range(1, count):
        values[i] = ar1 * values[i - 1] + np.sqrt(1 - ar1**2) * steps[i]
    return np.exp(sd * values - 0.5 * sd**2)


def _month_day(fraction_yr: float) -> tuple[int, int]:
    """Month and day of a fraction of a common year."""
    day = date(2001, 1, 1) + timedelta(days=int(fraction_yr * 365))
    return day.month, day.day
