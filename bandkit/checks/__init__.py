"""Hold independent evidence of one slab against each other: marks against stains, track against track.

Nothing is changed by a check. Where two pieces of evidence do not fit, a flag says so,
with the place and both numbers, and a person decides.
"""

from bandkit.checks.replicates import TrackPair, compare_tracks, confirmed_of
from bandkit.checks.stains import check_count

__all__ = ["TrackPair", "check_count", "compare_tracks", "confirmed_of"]
