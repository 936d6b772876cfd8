"""A colony's size, its growth, and how that growth changed over its life."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.errors import InputError
from bandkit.plausible import genus_range

FloatArray = NDArray[np.float64]

MM_PER_M = 1000.0
YR_PER_CENTURY = 100.0
LEAST_YEARS = 3
# From this ratio of height to radius on a colony is told as taller or flatter than a hemisphere.
HEMISPHERE_WITHIN_FRAC = 0.15

# Years in a row are alike; a short series cannot tell how much: common practice, no source.
_AR1_OF_SHORT_SERIES = 0.3
_LEAST_YEARS_FOR_AR1 = 15
_MOST_AR1 = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Yardstick:
    """A colony of known size to hold an estimate against.

    Parameters
    ----------
    height_m, circumference_m : float
        Its size, in m.
    age_yr : float
        The age that it is put at, in years.
    source : str
        Where the numbers come from.
    """

    height_m: float
    circumference_m: float
    age_yr: float
    source: str

    @property
    def rate_mm_yr(self) -> float:
        """Mean growth over its height, in mm/yr."""
        return MM_PER_M * self.height_m / self.age_yr


YARDSTICK = Yardstick(height_m=7.0, circumference_m=41.0, age_yr=360.0, source="common practice, no source")


@dataclass(frozen=True, slots=True, kw_only=True)
class ColonySize:
    """Size of a colony; NaN for what was not measured.

    Parameters
    ----------
    height_m, height_sd_m : float
        From where the colony began to its top, and what it may be off by, in m.
    circumference_m, circumference_sd_m : float
        The way around it, and what it may be off by, in m.
    """

    height_m: float = float("nan")
    height_sd_m: float = float("nan")
    circumference_m: float = float("nan")
    circumference_sd_m: float = float("nan")

    @property
    def radius_m(self) -> float:
        """Radius of a round colony of that circumference, ``circumference / (2 pi)``, in m."""
        return self.circumference_m / (2 * np.pi)

    @property
    def radius_sd_m(self) -> float:
        """What the radius may be off by through the circumference, in m."""
        return self.circumference_sd_m / (2 * np.pi)

    @property
    def lacks_sd(self) -> bool:
        """Whether a size was given without what it may be off by."""
        pairs = ((self.height_m, self.height_sd_m), (self.circumference_m, self.circumference_sd_m))
        return any(np.isfinite(value) and np.isnan(sd) for value, sd in pairs)

    @property
    def height_to_radius(self) -> float:
        """Height over radius: 1 for a hemisphere; NaN where only one of them was measured."""
        return self.height_m / self.radius_m

    @property
    def shape(self) -> str:
        """What the two say of the shape; empty where only one was measured."""
        ratio = self.height_to_radius
        if not np.isfinite(ratio):
            return ""
        if abs(ratio - 1) <= HEMISPHERE_WITHIN_FRAC:
            return "close to a hemisphere"
        return "taller than a hemisphere" if ratio > 1 else "flatter than a hemisphere"


@dataclass(frozen=True, slots=True, kw_only=True)
class ColonyRate:
    """What is known of a colony's growth.

    Parameters
    ----------
    mean_mm_yr : float
        Mean extension, in mm/yr.
    sd_mm_yr : float
        What that mean may be off by: by measurement for a series; for a rate from elsewhere by all in which this
        colony's mean over its life may differ from it.
    years_sd_mm_yr : float
        Standard deviation of the years of a series about their mean, in mm/yr; 0 for a rate.
    year_to_year_ar1 : float
        Correlation of a year with the next.
    n_years : int
        Whole years in the series; 0 for a rate.
    counted_yr, counted_sd_yr : float
        Years from the surface to the innermost mark, and what the count may be off by; 0 for a rate.
    counted_mm : float
        How far down they reach, in mm.
    """

    mean_mm_yr: float
    sd_mm_yr: float
    years_sd_mm_yr: float = 0.0
    year_to_year_ar1: float = 0.0
    n_years: int = 0
    counted_yr: float = 0.0
    counted_sd_yr: float = 0.0
    counted_mm: float = 0.0

    def effective(self, years: float) -> float:
        """How many independent years a stretch of years is worth, ``n (1 - r) / (1 + r)``, at least 1.

        Parameters
        ----------
        years : float
            Length of the stretch.

        Returns
        -------
        float
            Independent years.
        """
        return max(years * (1 - self.year_to_year_ar1) / (1 + self.year_to_year_ar1), 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slowing:
    """How growth changed over the life of the colony.

    Parameters
    ----------
    frac_per_century : float
        By how much growth fell in a hundred years: 0.05 for 5 percent; below 0 where it rose.
    sd_frac_per_century : float
        What that may be off by.
    """

    frac_per_century: float = 0.0
    sd_frac_per_century: float = 0.0

    @property
    def per_yr(self) -> float:
        """The same as a rate for an exponential, per year."""
        return float(-np.log1p(-self.frac_per_century)) / YR_PER_CENTURY

    @property
    def sd_per_yr(self) -> float:
        """Standard deviation of that rate, per year."""
        return self.sd_frac_per_century / (1 - self.frac_per_century) / YR_PER_CENTURY


def rate_of_series(
    extension_mm_yr: ArrayLike, *, mean_sd_mm_yr: float, counted_yr: float, counted_sd_yr: float, counted_mm: float
) -> ColonyRate:
    """Take a colony's growth from the whole years of a slab of it.

    Parameters
    ----------
    extension_mm_yr : array_like, shape (n_years,)
        Extension of the whole years, in the order of time (either way), in mm/yr; NaN is left out.
    mean_sd_mm_yr : float
        What their mean may be off by through measurement, in mm/yr.
    counted_yr, counted_sd_yr : float
        Years from the surface to the innermost mark, and what the count may be off by.
    counted_mm : float
        How far down they reach, in mm.

    Returns
    -------
    ColonyRate
        With the year-to-year spread and its persistence.

    Raises
    ------
    InputError
        Fewer than three whole years, or a mean that is not above 0.

    Notes
    -----
    The lag-1 correlation is corrected for its bias in a short series, ``(n r + 1) / (n - 4)`` (Marriott & Pope 1954,
    Kendall 1954, to first order; from memory). Below 15 years 0.3 is assumed.
    """
    values = np.asarray(extension_mm_yr, dtype=np.float64)
    values = values[np.isfinite(values)]
    if values.size < LEAST_YEARS:
        msg = (f"extension_mm_yr: {values.size} whole years are too few to tell a lifetime's growth by; give a rate "
               "with its error instead")
        raise InputError(msg)
    mean = need_positive(float(values.mean()), "extension_mm_yr")
    return ColonyRate(
        mean_mm_yr=mean, sd_mm_yr=mean_sd_mm_yr, years_sd_mm_yr=float(values.std(ddof=1)),
        year_to_year_ar1=_persistence(values), n_years=values.size,
        counted_yr=counted_yr, counted_sd_yr=counted_sd_yr, counted_mm=counted_mm,
    )  # fmt: skip


def rate_doubts(rate: ColonyRate, taxon: str) -> tuple[str, ...]:
    """Tell whether a rate is outside what the coral's genus is known to grow.

    Parameters
    ----------
    rate : ColonyRate
        Growth.
    taxon : str
        Scientific name, genus first; empty where not known.

    Returns
    -------
    tuple of str
        In words; empty where nothing is doubtful or the genus is not listed.
    """
    known = genus_range(taxon)
    if known is None or known.extension_mm_yr[0] <= rate.mean_mm_yr <= known.extension_mm_yr[1]:
        return ()
    low, high = known.extension_mm_yr
    genus = taxon.split(maxsplit=1)[0]
    return (f"{rate.mean_mm_yr:.1f} mm/yr is outside the {low:g} to {high:g} mm/yr known of {genus} ({known.source}); "
            "check the unit",)


def need_positive(value: float, name: str) -> float:
    """Refuse what is not a number above 0.

    Parameters
    ----------
    value : float
        What was given.
    name : str
        What it is called where it was given.

    Returns
    -------
    float
        The value.

    Raises
    ------
    InputError
        When it is 0, below, or no number.
    """
    if not (np.isfinite(value) and value > 0):
        msg = f"{name}: {value:g} is not above 0; give what was measured"
        raise InputError(msg)
    return value


def _persistence(values: FloatArray) -> float:
    """Correlation of a year with the next, corrected for the shortness of the series."""
    n = values.size
    if n < _LEAST_YEARS_FOR_AR1:
        return _AR1_OF_SHORT_SERIES
    away = values - values.mean()
    total = float(away @ away)
    raw = float(away[1:] @ away[:-1]) / total if total > 0 else 0.0
    return float(np.clip((n * raw + 1) / (n - 4), 0.0, _MOST_AR1))
