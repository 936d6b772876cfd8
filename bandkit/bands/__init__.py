"""Annual marks on a profile, each with its probability and interval.

A year is modelled as a stretch of the profile with a duration, a shape over its
phase, an amplitude and a level of its own, plus noise: a hidden semi-Markov model
whose boundaries are the annual marks. The work goes in this order:

1. The profile is laid on equal steps and its slow trend taken out (`prepare`).
2. Half the difference of two looks at the same bands, through different corallites,
   is texture without bands; its spectrum tells how far it reaches (`texture_of`).
3. The profile is divided by the root of that spectrum, without moving a crest, so
   that its samples are worth the same, and what stands far off is held back
   (`even_out`). On this profile candidate lengths of a year are compared by their
   likelihood, summed over all sequences of years; from the best few, duration, shape
   and noise are learnt by expectation-maximisation (`compare_spacings`).
4. With the best length the year is learnt once more on the profile as it is, not
   evened, and the most probable sequence of years is found.
5. Whole sequences are drawn from every length of a year that cannot be ruled out. No
   year has quite the model's shape, so the likelihood is taken for less than it says
   (`MODESTY`). The probability of a mark is the share of sequences that have one within
   0.3 of a year; their number of marks gives the interval of the count (`Ensemble`).
6. The model tells which band is a year; each mark is then moved to the top of its
   own band, and its interval comes from how far the two looks at that band disagree.
7. Second crests of a year (doublets) and narrow crests far above those of the years
   (stress bands) are listed; they are no marks.

Marks that a person is certain of are fixed: no year of any sequence leaves one out,
and it stays where the person set it. They do not say that nothing lies between them:
a person who knows that states the length of a year, or declares the doublet.

Notes
-----
For a year between samples s and t with phase u in (0, 1) the profile is

    y(u) = b + a f(u) + noise,   b ~ N(0, level_sd^2),  a ~ N(1, amplitude_sd^2),

with f the annual shape (a few harmonics, highest at the mark). b and a are
integrated out in closed form, so that each (s, t) has a likelihood; the logarithm
of the duration is normal. Neighbouring samples share their noise: each counts for its
step over the noise's length. Samples that are masked or missing have weight zero,
which also serves the part-years at both ends.

References
----------
Blackman, R. B. and Tukey, J. W. (1958) The measurement of power spectra from the
point of view of communications engineering. Bell Syst. Tech. J. 37, 185-282, 485-569.
Rabiner, L. R. (1989) A tutorial on hidden Markov models and selected applications in
speech recognition. Proc. IEEE 77, 257-286.
Rasmussen, S. O. et al. (2006) A new Greenland ice core chronology for the last glacial
termination. J. Geophys. Res. 111, D06102 (what the count of layers may be off by).
Winstrup, M. et al. (2012) An automated approach for annual layer counting in ice
cores. Climate of the Past 8, 1881-1895.
Yu, S.-Z. (2010) Hidden semi-Markov models. Artificial Intelligence 174, 215-243.
"""

from bandkit.bands.ensemble import Ensemble, draw_ensemble
from bandkit.bands.find import NOISE_PER_TEXTURE, find_marks
from bandkit.bands.lattice import Lattice, best_sequence, log_evidence, make_lattice, posterior_of
from bandkit.bands.learn import first_guess, learn
from bandkit.bands.model import AnnualMarks, Series, YearModel, log_noise, prepare
from bandkit.bands.spacing import compare_spacings
from bandkit.bands.texture import Texture, even_out, texture_of

__all__ = [
    "NOISE_PER_TEXTURE",
    "AnnualMarks",
    "Ensemble",
    "Lattice",
    "Series",
    "Texture",
    "YearModel",
    "best_sequence",
    "compare_spacings",
    "draw_ensemble",
    "even_out",
    "find_marks",
    "first_guess",
    "learn",
    "log_evidence",
    "log_noise",
    "make_lattice",
    "posterior_of",
    "prepare",
    "texture_of",
]
