"""Annual marks on a profile, each with its probability and interval.

A year is modelled as a stretch of the profile with a duration, a shape over its
phase, an amplitude and a level of its own, plus noise: a hidden semi-Markov model
whose boundaries are the annual marks. The mean duration, its spread, the annual
shape and the noise are learnt from the profile itself by expectation-maximisation;
candidate spacings are compared by their likelihood on the same data. The forward
and backward sums then give the probability of a mark at every depth, and drawing
whole sequences gives the distribution of the count. The model tells which band is a
year; each mark is then moved to the top of its own band, and its interval comes from
how far two looks at that band, through different corallites, disagree.

Notes
-----
For a year between samples s and t with phase u in (0, 1) the profile is

    y(u) = b + a f(u) + noise,   b ~ N(0, level_sd^2),  a ~ N(1, amplitude_sd^2),

with f the annual shape (a few harmonics, highest at the mark). b and a are
integrated out in closed form, so that each (s, t) has a likelihood; the logarithm
of the duration is normal. Samples that are masked or missing have weight zero,
which also serves the part-years at both ends.

References
----------
Rabiner, L. R. (1989) A tutorial on hidden Markov models. Proc. IEEE 77, 257-286.
Yu, S.-Z. (2010) Hidden semi-Markov models. Artificial Intelligence 174, 215-243.
Winstrup, M. et al. (2012) An automated approach for annual layer counting in ice
cores. Climate of the Past 8, 1881-1895.
"""

from bandkit.bands.find import find_marks
from bandkit.bands.model import AnnualMarks, YearModel

__all__ = ["AnnualMarks", "YearModel", "find_marks"]
