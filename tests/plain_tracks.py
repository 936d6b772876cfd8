"""Measured tracks made by hand: marks 10 mm apart on straight bands."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
from plain_strips import strip_of

from bandkit.dating import date_draws, date_marks
from bandkit.follow import BandField
from bandkit.growth import ErrorSources, GrowthProfile, growth_per_year
from bandkit.tracks import MeasuredTrack, TrackMarks

MARKS_MM = np.array([7.0, 17.0, 27.0, 37.0, 47.0])


def field_of(strip, slope=0.0):
    """Straight bands of one slope."""
    depth, across = strip.depth_mm[::2], np.arange(-4, 5) * 1.5
    shift = np.repeat(slope * across[None, :], len(depth), axis=0)
    return BandField(depth_mm=depth, across_mm=across, shift_mm=shift, weight=np.ones_like(shift),
                     tilt_deg=np.full(len(depth), np.degrees(np.arctan(slope))))


def track_of(record, *, name="A", marks_mm=MARKS_MM, slope=0.0, origin="computed", density=True, flags=(), events=()):
    """A track with marks 10 mm apart and a density that grows by 0.01 g/cm3 a millimetre."""
    strip = strip_of()
    n = len(marks_mm)
    certainty = np.where(np.arange(n) == 1, "doubtful", "certain")
    marks = TrackMarks(
        depth_mm=marks_mm, lo_mm=marks_mm - 0.4, hi_mm=marks_mm + 0.4, probability=np.where(certainty == "certain", 0.99, 0.6),
        certainty=certainty, origin=np.full(n, origin), count_lo=np.maximum(np.arange(n), 1.0), count_hi=np.arange(1.0, n + 1), total_lo=n - 1,
        total_hi=n + 1, draws_mm=[marks_mm, marks_mm + 0.1])
    dated = date_marks(n, collected=record.specimen.collected, mark_date=(1, 15), count_lo=marks.count_lo, count_hi=marks.count_hi)
    profile = GrowthProfile(depth_mm=strip.depth_mm, tilt_deg=np.full(len(strip.depth_mm), np.degrees(np.arctan(slope))),
                            density_g_cm3=1.0 + 0.01 * strip.depth_mm if density else None)
    growth = growth_per_year(marks_mm, dated, profile, certainty=certainty, errors=ErrorSources(), track=name)
    model = SimpleNamespace(spacing_mm=10.0, spacing_log_sd=0.12)
    return MeasuredTrack(
        spec=replace(record.tracks[0], name=name), strip=strip, field=field_of(strip, slope), value=0.5 * strip.depth_mm,
        density_g_cm3=profile.density_g_cm3, marks=marks, events=events, dated=dated,
        chronologies=date_draws(marks.draws_mm, dated), growth=growth,
        found=SimpleNamespace(model=model) if origin == "computed" else None, flags=flags)
