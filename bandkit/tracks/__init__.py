"""Measure one track: from the strip beside the axis to its profile, marks and years.

The order of the work: straighten the slab along the axis, find the outer surface,
tell skeleton from background, follow the bands sideways, average along them,
find the annual marks (or take a person's), date them, and work out growth per year.
"""

from bandkit.tracks.cut import (
    BESIDE_MM,
    DEFAULT_WIDTH_MM,
    FINEST_STEP_MM,
    MOST_FOLLOWED_MM,
    UNDER_TRACK_MM,
    SlabImage,
    TrackStrip,
    cut_strip,
)
from bandkit.tracks.density import TrackDensity, middle_of_standards, track_density
from bandkit.tracks.measure import MeasuredTrack, measure_track
from bandkit.tracks.sequence import BandEvent, TrackMarks

__all__ = [
    "BESIDE_MM",
    "DEFAULT_WIDTH_MM",
    "FINEST_STEP_MM",
    "MOST_FOLLOWED_MM",
    "UNDER_TRACK_MM",
    "BandEvent",
    "MeasuredTrack",
    "SlabImage",
    "TrackDensity",
    "TrackMarks",
    "TrackStrip",
    "cut_strip",
    "measure_track",
    "middle_of_standards",
    "track_density",
]
