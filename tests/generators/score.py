"""How well what was measured agrees with what is true.

A found mark is right when it lies within 0.3 of the local year of a true one that no
other found mark has. Marks within a third of a year of the track's inner end are left out:
whether the last band counts there is a matter of where the saw went.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import linear_sum_assignment

from generators import Slab

TOLERANCE_YR = 0.3
INNER_END_YR = 1.0 / 3.0
# Half width of a 90 % interval of a normal error, in standard deviations.
SD_OF_90_PERCENT = 1.645
RELIABILITY_EDGES = (0.0, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class SlabScore:
    """Marks of one slab or, pooled, of many.

    ``error_yr`` is found minus true in local years and ``covered`` whether the interval
    holds the truth, both for marks that are right; ``probability`` and ``right`` are for all found marks.
    """

    n_true: int
    n_found: int
    error_yr: np.ndarray
    covered: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=bool))
    probability: np.ndarray = field(default_factory=lambda: np.empty(0))
    right: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=bool))

    @property
    def n_right(self) -> int:
        return len(self.error_yr)

    @property
    def f1(self) -> float:
        """Twice the right marks over all true and all found ones."""
        return 2 * self.n_right / max(self.n_true + self.n_found, 1)

    @property
    def count_right(self) -> bool:
        return self.n_true == self.n_found

    @property
    def median_error_yr(self) -> float:
        return float(np.median(np.abs(self.error_yr))) if self.n_right else float("nan")


def local_year_mm(true_mm: np.ndarray) -> np.ndarray:
    """Length of a year at each true mark: the mean of the years on both sides."""
    steps = np.diff(true_mm)
    return 0.5 * (np.append(steps[:1], steps) + np.append(steps, steps[-1:]))


def match_marks(found_mm: np.ndarray, true_mm: np.ndarray, tolerance_yr: float = TOLERANCE_YR) -> list[tuple[int, int]]:
    """Pairs (found, true), one to one, as many as possible and as close as possible.

    Parameters
    ----------
    found_mm, true_mm : ndarray
        Depths in mm, increasing; at least two true ones.
    tolerance_yr : float
        Most distance in local years.
    """
    if len(found_mm) == 0:
        return []
    distance = np.abs(found_mm[:, None] - true_mm[None, :]) / local_year_mm(true_mm)[None, :]
    near = distance <= tolerance_yr
    # No sum of distances outweighs one more pair.
    far = tolerance_yr * (min(distance.shape) + 1)
    pairs = zip(*linear_sum_assignment(np.where(near, distance, far)), strict=True)
    return [(int(i), int(j)) for i, j in pairs if near[i, j]]


def score_marks(found_mm: Sequence[float], true_mm: Sequence[float], end_mm: float, *,
                intervals_mm: Sequence[tuple[float, float]] | None = None,
                probability: Sequence[float] | None = None) -> SlabScore:
    """Score one slab.

    Parameters
    ----------
    found_mm, true_mm : sequence of float
        Depths along the track in mm.
    end_mm : float
        Depth of the track's inner end.
    intervals_mm : sequence of (lo, hi), optional
        Interval of each found mark.
    probability : sequence of float, optional
        Probability of each found mark.
    """
    found, true = np.asarray(found_mm, float), np.asarray(true_mm, float)
    year = local_year_mm(true)
    limit = end_mm - INNER_END_YR * year[-1]
    pairs = match_marks(found, true)
    partner = dict(pairs)
    kept = [i for i in range(len(found)) if (true[partner[i]] if i in partner else found[i]) < limit]
    right = np.array([i in partner for i in kept], dtype=bool)
    hits = [(i, partner[i]) for i in kept if i in partner]
    covered = [intervals_mm[i][0] <= true[j] <= intervals_mm[i][1] for i, j in hits] if intervals_mm is not None else []
    return SlabScore(n_true=int((true < limit).sum()), n_found=len(kept),
                     error_yr=np.array([(found[i] - true[j]) / year[j] for i, j in hits], dtype=float),
                     covered=np.array(covered, dtype=bool), right=right,
                     probability=np.array([probability[i] for i in kept] if probability is not None else [], dtype=float))


def pool(scores: Sequence[SlabScore]) -> SlabScore:
    """All marks of several slabs as if they were of one."""
    arrays = {name: np.concatenate([getattr(s, name) for s in scores])
              for name in ("error_yr", "covered", "probability", "right")}
    return SlabScore(n_true=sum(s.n_true for s in scores), n_found=sum(s.n_found for s in scores), **arrays)


def reliability(probability: np.ndarray, right: np.ndarray, edges: Sequence[float] = RELIABILITY_EDGES
                ) -> list[tuple[float, float, int]]:
    """Mean stated probability, share that is right, and number of marks, for each bin that holds any."""
    which = np.clip(np.digitize(probability, edges) - 1, 0, len(edges) - 2)
    return [(float(probability[which == k].mean()), float(right[which == k].mean()), int((which == k).sum()))
            for k in range(len(edges) - 1) if (which == k).any()]


@dataclass(frozen=True, kw_only=True, eq=False)
class Verdict:
    """What a measurement of one slab is worth.

    ``extension_error_frac`` is the relative error of the extension of every whole year whose two
    marks are both right; the two density errors, in g/cm3, are against the skeleton that lies on
    the track and against the bands without the track's own texture. The ``covered`` arrays say
    whether the 90 % interval of the same year holds the truth. That of density is meant for the band;
    for the very skeleton on the track, what the place of the track is worth is left out of it.
    """

    marks: SlabScore
    count_covered: bool
    extension_error_frac: np.ndarray
    extension_covered: np.ndarray
    density_error_g_cm3: np.ndarray
    density_covered: np.ndarray
    band_density_error_g_cm3: np.ndarray
    band_density_covered: np.ndarray


def judge(slab: Slab, result) -> Verdict:
    """Hold a measured slab (a result of `bandkit.measure`) against its truth."""
    marks, growth, track = result.marks, result.growth, result.tracks
    score = score_marks(marks.depth_mm, slab.mark_depth_mm, slab.track_length_mm, probability=marks.probability,
                        intervals_mm=list(zip(marks.depth_lo_mm, marks.depth_hi_mm, strict=True)))
    true_years = len(slab.mark_depth_mm) - 1
    covered = len(track) == 1 and bool(track.years_lo[0] <= true_years <= track.years_hi[0])
    rows = {round(float(start), 6): k for k, start in enumerate(growth.start_mm) if growth.complete[k] == "yes"}
    partner = dict(match_marks(marks.depth_mm, slab.mark_depth_mm))
    years = [(rows[key], partner[i]) for i in sorted(partner) if partner.get(i + 1) == partner[i] + 1
             and (key := round(float(marks.depth_mm[i]), 6)) in rows]
    row, year = (np.array(v, dtype=int) for v in (zip(*years, strict=True) if years else ((), ())))
    extension, true_extension = growth.extension_mm_yr[row], slab.year_extension_mm[year]
    extension_error = extension - true_extension
    known = np.isfinite(growth.density_g_cm3[row])
    density, density_sd = growth.density_g_cm3[row][known], growth.density_sd_g_cm3[row][known]
    density_error = density - slab.year_density_g_cm3[year][known]
    band_error = density - slab.band_density_g_cm3[year][known]
    under_the_track_sd = np.sqrt(density_sd**2 - growth.density_track_sd_g_cm3[row][known] ** 2)
    return Verdict(
        marks=score, count_covered=covered, extension_error_frac=extension_error / true_extension,
        extension_covered=np.abs(extension_error) <= SD_OF_90_PERCENT * growth.extension_sd_mm_yr[row],
        density_error_g_cm3=density_error, band_density_error_g_cm3=band_error,
        density_covered=np.abs(density_error) <= SD_OF_90_PERCENT * under_the_track_sd,
        band_density_covered=np.abs(band_error) <= SD_OF_90_PERCENT * density_sd)


def nothing_measured(slab: Slab) -> Verdict:
    """The verdict on a slab that was refused."""
    none, no = np.empty(0), np.empty(0, dtype=bool)
    return Verdict(marks=score_marks([], slab.mark_depth_mm, slab.track_length_mm, intervals_mm=[], probability=[]),
                   count_covered=False, extension_error_frac=none, extension_covered=no, density_error_g_cm3=none,
                   density_covered=no, band_density_error_g_cm3=none, band_density_covered=no)
