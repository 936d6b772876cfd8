"""What a staining starts from: the growth expected, what gets lost, and what shall be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bandkit.errors import InputError

CONFIDENCE = 0.95
POWER = 0.8
ASSURANCE = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What the growth of a site is expected to be, and what its measurements scatter by.

    Parameters
    ----------
    extension_mm_yr : float
        Mean extension, in mm/yr.
    colonies_sd_mm_yr : float
        Spread of the colonies' own long-term means, in mm/yr.
    years_sd_mm_yr : float
        Spread of the years of one colony about its mean, each colony having good and bad years of its own.
    shared_years_sd_mm_yr : float
        Spread of the years that all colonies of the site have in common; more colonies do not average it away.
    measuring_sd_mm : float
        Error of the growth measured on one colony, from stain to surface, in mm.
    """

    extension_mm_yr: float
    colonies_sd_mm_yr: float
    years_sd_mm_yr: float = 0.0
    shared_years_sd_mm_yr: float = 0.0
    measuring_sd_mm: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.extension_mm_yr < np.inf:
            msg = f"extension_mm_yr: {self.extension_mm_yr:g} is not above 0; give the expected extension"
            raise InputError(msg)
        for name in ("colonies_sd_mm_yr", "years_sd_mm_yr", "shared_years_sd_mm_yr", "measuring_sd_mm"):
            if not 0 <= getattr(self, name) < np.inf:
                msg = f"{name}: {getattr(self, name):g} is no spread; give a standard deviation of 0 or more"
                raise InputError(msg)
        if not self.colonies_sd_mm_yr + self.years_sd_mm_yr + self.measuring_sd_mm > 0:
            msg = ("colonies_sd_mm_yr: 0, as all other spreads: one colony would tell all; give the spread between "
                   "colonies (often 15 to 25 percent of the extension)")
            raise InputError(msg)

    def colony_sd_mm_yr(self, wait_yr: float) -> float:
        """Tell what one colony's rate over an interval scatters by.

        Parameters
        ----------
        wait_yr : float
            Interval, in years.

        Returns
        -------
        float
            ``sqrt(colonies^2 + years^2 / T + (measuring / T)^2)``, in mm/yr.
        """
        return float(np.sqrt(
            self.colonies_sd_mm_yr**2 + self.years_sd_mm_yr**2 / wait_yr + (self.measuring_sd_mm / wait_yr) ** 2
        ))  # fmt: skip

    def site_sd_mm_yr(self, wait_yr: float) -> float:
        """Tell what no number of colonies averages away: the years that the site has in common.

        Parameters
        ----------
        wait_yr : float
            Interval, in years.

        Returns
        -------
        float
            ``shared / sqrt(T)``, in mm/yr.
        """
        return float(self.shared_years_sd_mm_yr / np.sqrt(wait_yr))


@dataclass(frozen=True, slots=True, kw_only=True)
class Losses:
    """What becomes of stained colonies.

    Parameters
    ----------
    unstained_frac : float
        Share on which no stain line is found: leaking bag, too little dye, a stressed colony.
    lost_per_yr_frac : float
        Share lost in a year: tag gone, overgrown, dead, toppled, taken.
    """

    unstained_frac: float = 0.0
    lost_per_yr_frac: float = 0.0

    def __post_init__(self) -> None:
        for name in ("unstained_frac", "lost_per_yr_frac"):
            if not 0 <= getattr(self, name) < 1:
                msg = f"{name}: {getattr(self, name):g} is not from 0 to below 1; 0.1 stands for one in ten"
                raise InputError(msg)

    def back_frac(self, wait_yr: float) -> float:
        """Share of the stained colonies that come back with a line.

        Parameters
        ----------
        wait_yr : float
            Interval, in years.

        Returns
        -------
        float
            ``(1 - unstained) (1 - lost per year)^T``.
        """
        return float((1 - self.unstained_frac) * (1 - self.lost_per_yr_frac) ** wait_yr)


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """What the staining shall tell; one of the two.

    Parameters
    ----------
    half_width_mm_yr : float or None
        Half width that the interval of a site's mean shall have, in mm/yr.
    difference_mm_yr : float or None
        Difference of two sites' means that shall be seen, in mm/yr.
    confidence : float
        Of the interval; one less it is the level of the two-sided test.
    power : float
        Chance to see a difference that is there.
    assurance : float
        Chance that as many colonies come back as are needed.
    """

    half_width_mm_yr: float | None = None
    difference_mm_yr: float | None = None
    confidence: float = CONFIDENCE
    power: float = POWER
    assurance: float = ASSURANCE

    def __post_init__(self) -> None:
        given = [v for v in (self.half_width_mm_yr, self.difference_mm_yr) if v is not None]
        if len(given) != 1:
            msg = ("aim: give one of precision_mm_yr (half width of the interval of a site's mean) and "
                   "difference_mm_yr (between two sites)")
            raise InputError(msg)
        if not 0 < given[0] < np.inf:
            name = "precision_mm_yr" if self.difference_mm_yr is None else "difference_mm_yr"
            msg = f"{name}: {given[0]:g} is not above 0; give what you want to be able to tell"
            raise InputError(msg)
        for name in ("confidence", "power", "assurance"):
            if not 0.5 <= getattr(self, name) < 1:
                msg = f"{name}: {getattr(self, name):g} is not from 0.5 to below 1; 0.8 and 0.95 are usual"
                raise InputError(msg)
