"""Follow the bands sideways, and average along them.

A corallite's own texture is as strong as the annual signal on a narrow track, but
a band goes on across centimetres of slab and the texture does not. So the strip
is averaged along the bands: for every place on the track, the shift tells how much
deeper or shallower the same band lies at each distance to the side.

The shift field is found in two steps. First every window of the track is tried
with straight and domed bands of all slopes, and the sequence of shapes with most
power in the stack, changing slowly with depth, is kept (dynamic programming).
Then the remaining shift is found by least squares on the gradient (Lucas and
Kanade 1981), smoothed over a window along and across, a few times over.

References
----------
Lucas, B. D. and Kanade, T. (1981) An iterative image registration technique with
an application to stereo vision. Proc. 7th IJCAI, 674-679.
Neidell, N. S. and Taner, M. T. (1971) Semblance and other coherency measures for
multichannel data. Geophysics 36, 482-497.
"""

from bandkit.follow.align import AlignedStrip, align_bands, average_along_bands, two_looks, without_holes
from bandkit.follow.field import BandField, follow_bands

__all__ = [
    "AlignedStrip",
    "BandField",
    "align_bands",
    "average_along_bands",
    "follow_bands",
    "two_looks",
    "without_holes",
]
