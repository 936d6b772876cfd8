"""Extension, density and calcification per year, with an error budget in three kinds.

A track is cut into pieces at its annual marks: outside the newest mark, between
marks, inside the oldest. Between two marks lies a whole year; the pieces at both
ends, and those with a gap in them, are partial and never enter a mean.

What may be wrong is of three kinds, which behave differently and stay apart:

picking
    A misplaced mark gives one year what it takes from the next. Over n years in a
    row all but the two outer marks cancel, so that their mean errs by
    ``e * sqrt(2) / n``, not ``e * sqrt(2) / sqrt(n)``.
systematic
    Scale, tilt, thickness and calibration are common to the slab and do not
    average away at all.
count
    A missed or doubled year shifts dates and is kept with the dates; see `bandkit.dating`.
"""

from bandkit.growth.budget import (
    SOURCES,
    SYSTEMATIC_SOURCES,
    DensityBudget,
    ErrorSources,
    calcification,
    calcification_from_daily,
    calcification_sd,
    picking_covariance,
    sd_of_interval,
    tilt_sd_frac,
)
from bandkit.growth.means import TrackMeans, track_means
from bandkit.growth.pieces import YearGrowth, growth_per_year, mark_certainty
from bandkit.growth.profile import GrowthProfile

__all__ = [
    "SOURCES",
    "SYSTEMATIC_SOURCES",
    "DensityBudget",
    "ErrorSources",
    "GrowthProfile",
    "TrackMeans",
    "YearGrowth",
    "calcification",
    "calcification_from_daily",
    "calcification_sd",
    "growth_per_year",
    "mark_certainty",
    "picking_covariance",
    "sd_of_interval",
    "tilt_sd_frac",
    "track_means",
]
