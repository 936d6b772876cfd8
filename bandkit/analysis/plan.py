"""Before going to the field: how many colonies to stain and how long to wait.

What staining a site gives is its mean extension. Colonies differ, years differ, and the two edges of a stain's
growth are measured with an error that a longer wait divides by more years.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from bandkit.analysis.plan_aim import ASSURANCE, CONFIDENCE, Aim, Expected, Losses
from bandkit.dates import DAYS_PER_YEAR
from bandkit.errors import InputError
from bandkit.table import Table

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]

# Beyond this nobody stains; the answer is then that waiting longer, or asking for less, is the only way.
MOST_COLONIES = 500

# Calcification was depressed for up to six days after 24 h in 10 mg/L (Dodge et al. 1984); a later study found no
# effect of this dye (Holcomb et al. 2013). The six days are taken as the most that can be lost.
MOST_DAYS_LOST = 6.0
# Shorter intervals: recovery and the dye's smear matter.
LEAST_DAYS = 60.0
# A rate over part of a year is that of its seasons.
WHOLE_YEAR_WITHIN_YR = 0.1



@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanTable(Table):
    """One row per wait; per site where two sites are compared.

    ``colonies_needed`` must come back, ``colonies_to_stain`` must go in for that; empty where no number up to
    500 is enough. ``half_width_mm_yr``, ``difference_mm_yr`` (seen with the power asked for) and ``power`` are what
    ``colonies_needed`` give.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"note"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"colonies_needed", "colonies_to_stain"})

    wait_yr: FloatArray
    growth_mm: FloatArray
    colony_sd_mm_yr: FloatArray
    site_sd_mm_yr: FloatArray
    back_frac: FloatArray
    colonies_needed: FloatArray
    colonies_to_stain: FloatArray
    half_width_mm_yr: FloatArray
    difference_mm_yr: FloatArray
    power: FloatArray
    dye_effect_most_frac: FloatArray
    note: StrArray

    @property
    def fewest_to_stain(self) -> int | None:
        """Least number of colonies to stain over the waits; None where no wait is enough."""
        known = self.colonies_to_stain[np.isfinite(self.colonies_to_stain)]
        return int(known.min()) if known.size else None

    def shortest_wait_yr(self, colonies: int) -> float | None:
        """Shortest wait of the plan for which some colonies are enough.

        Parameters
        ----------
        colonies : int
            Colonies that can be stained.

        Returns
        -------
        float or None
            In years; None where they are not enough for any.
        """
        enough = self.wait_yr[self.colonies_to_stain <= colonies]
        return float(enough.min()) if enough.size else None


def half_width_mm_yr(expected: Expected, wait_yr: float, colonies: int, *, confidence: float = CONFIDENCE) -> float:
    """Half width of the interval of a site's mean extension.

    Parameters
    ----------
    expected : Expected
        Growth and its spreads.
    wait_yr : float
        Interval, in years.
    colonies : int
        Colonies measured, two at least.
    confidence : float
        Of the interval.

    Returns
    -------
    float
        In mm/yr, ``sqrt(t^2 s^2 / n + z^2 site^2)``: Student's t with n - 1 degrees of freedom for the scatter of the
        colonies, the normal z for the years that the site has in common, of which one interval tells nothing.
    """
    # Imported here: scipy.stats takes half a second to load.
    from scipy.stats import norm, t

    tail = (1 + confidence) / 2
    own = t.ppf(tail, colonies - 1) * expected.colony_sd_mm_yr(wait_yr) / np.sqrt(colonies)
    return float(np.hypot(own, norm.ppf(tail) * expected.site_sd_mm_yr(wait_yr)))


def power_to_see(
    expected: Expected, wait_yr: float, colonies: int, difference_mm_yr: float, *, confidence: float = CONFIDENCE
) -> float:
    """Chance to see a difference between two sites.

    Parameters
    ----------
    expected : Expected
        Growth and its spreads, at both sites.
    wait_yr : float
        Interval, in years, the same at both.
    colonies : int
        Colonies measured at each site, two at least.
    difference_mm_yr : float
        True difference of the sites' long-term means, in mm/yr.
    confidence : float
        One less the level of the two-sided t test.

    Returns
    -------
    float
        Power. The t test with 2 (n - 1) degrees of freedom, its statistic noncentral by
        ``d / sqrt(2 (s^2 / n + site^2))``: the years that a site has in common count against both sites.

    References
    ----------
    The noncentral t power of the two-sample test, in any textbook of statistics.
    """
    # Imported here: scipy.stats takes half a second to load.
    from scipy.stats import f, ncf

    freedom = 2 * (colonies - 1)
    variance = expected.colony_sd_mm_yr(wait_yr) ** 2 / colonies + expected.site_sd_mm_yr(wait_yr) ** 2
    away = difference_mm_yr / float(np.sqrt(2 * variance))
    # Both tails of noncentral t at once: its square is noncentral F, which bears large differences.
    limit = f.ppf(confidence, 1, freedom)
    return float(np.clip(ncf.sf(limit, 1, freedom, away**2), 1 - confidence, 1.0))


def colonies_needed(expected: Expected, wait_yr: float, aim: Aim) -> int | None:
    """Fewest colonies, at each site where two are compared, that meet an aim.

    Parameters
    ----------
    expected : Expected
        Growth and its spreads.
    wait_yr : float
        Interval, in years.
    aim : Aim
        What shall be told.

    Returns
    -------
    int or None
        At least 2; None where 500 are not enough.
    """

    def meets(n: int) -> bool:
        if aim.half_width_mm_yr is not None:
            return half_width_mm_yr(expected, wait_yr, n, confidence=aim.confidence) <= aim.half_width_mm_yr
        assert aim.difference_mm_yr is not None
        return power_to_see(expected, wait_yr, n, aim.difference_mm_yr, confidence=aim.confidence) >= aim.power

    return _fewest(meets, 2)


def colonies_to_stain(needed: int, back_frac: float, *, assurance: float = ASSURANCE) -> int | None:
    """Fewest colonies to stain so that enough come back.

    Parameters
    ----------
    needed : int
        Colonies that must come back with a stain line.
    back_frac : float
        Chance of each to do so.
    assurance : float
        Chance that enough do.

    Returns
    -------
    int or None
        By the binomial distribution; None where ten times 500 are not enough.
    """
    # Imported here: scipy.stats takes half a second to load.
    from scipy.stats import binom

    return _fewest(lambda n: bool(binom.sf(needed - 1, n, back_frac) >= assurance), needed, 10 * MOST_COLONIES)


def plan_staining(
    expected: Expected, aim: Aim, *, waits_yr: Sequence[float], losses: Losses | None = None
) -> PlanTable:
    """Tell for some waits how many colonies to stain.

    Parameters
    ----------
    expected : Expected
        Growth and its spreads.
    aim : Aim
        What the staining shall tell.
    waits_yr : sequence of float
        Intervals between staining and collection, in years.
    losses : Losses, optional
        What becomes of stained colonies; none are lost where absent.

    Returns
    -------
    PlanTable
        One row per wait.

    Raises
    ------
    InputError
        A wait that is not above 0.
    """
    losses = losses or Losses()
    for wait_yr in waits_yr:
        if not 0 < wait_yr < np.inf:
            msg = f"wait_yr: {wait_yr:g} is not above 0; give years between staining and collection"
            raise InputError(msg)
    return PlanTable.from_rows([_plan_row(expected, aim, wait_yr, losses) for wait_yr in waits_yr])


def _plan_row(expected: Expected, aim: Aim, wait_yr: float, losses: Losses) -> dict[str, object]:
    """One row of the plan."""
    back = losses.back_frac(wait_yr)
    row: dict[str, object] = {
        "wait_yr": wait_yr, "growth_mm": expected.extension_mm_yr * wait_yr,
        "colony_sd_mm_yr": expected.colony_sd_mm_yr(wait_yr), "site_sd_mm_yr": expected.site_sd_mm_yr(wait_yr),
        "back_frac": back, "dye_effect_most_frac": min(MOST_DAYS_LOST / (DAYS_PER_YEAR * wait_yr), 1.0),
    }  # fmt: skip
    notes = _wait_notes(expected, wait_yr)
    needed = colonies_needed(expected, wait_yr, aim)
    if needed is None:
        notes.insert(0, _why_never(expected, wait_yr, aim))
    else:
        stain = colonies_to_stain(needed, back, assurance=aim.assurance)
        difference = _difference_seen(expected, wait_yr, needed, aim)
        row |= {
            "colonies_needed": needed, "colonies_to_stain": np.nan if stain is None else stain,
            "half_width_mm_yr": half_width_mm_yr(expected, wait_yr, needed, confidence=aim.confidence),
            "difference_mm_yr": difference,
            "power": power_to_see(expected, wait_yr, needed, aim.difference_mm_yr or difference,
                                  confidence=aim.confidence),
        }  # fmt: skip
    return {**row, "note": "; ".join(notes)}


def _difference_seen(expected: Expected, wait_yr: float, colonies: int, aim: Aim) -> float:
    """Least difference between two sites that is seen with the power asked for."""
    # Imported here: scipy.optimize takes a while to load.
    from scipy.optimize import brentq

    scale = float(np.hypot(expected.colony_sd_mm_yr(wait_yr), expected.site_sd_mm_yr(wait_yr)))

    def lacking(difference_mm_yr: float) -> float:
        return power_to_see(expected, wait_yr, colonies, difference_mm_yr, confidence=aim.confidence) - aim.power

    # Two colonies at each site see anything of a hundred standard deviations.
    return float(brentq(lacking, 0.0, 100 * scale, xtol=1e-6 * scale))


def _why_never(expected: Expected, wait_yr: float, aim: Aim) -> str:
    """Say why no number of colonies meets the aim."""
    alone = Expected(extension_mm_yr=expected.extension_mm_yr, colonies_sd_mm_yr=expected.colonies_sd_mm_yr,
                     years_sd_mm_yr=expected.years_sd_mm_yr, measuring_sd_mm=expected.measuring_sd_mm)  # fmt: skip
    if colonies_needed(alone, wait_yr, aim) is not None:
        return "the years that a site has in common allow no such precision: wait longer"
    return f"not even {MOST_COLONIES} colonies are enough"


def _wait_notes(expected: Expected, wait_yr: float) -> list[str]:
    """What is doubtful about a wait."""
    notes = []
    if wait_yr * DAYS_PER_YEAR < LEAST_DAYS:
        notes.append("under 60 days: recovery after staining matters")
    if abs(wait_yr - round(wait_yr)) > WHOLE_YEAR_WITHIN_YR:
        notes.append("not a whole number of years: season biases the rate")
    if expected.extension_mm_yr * wait_yr < 5 * expected.measuring_sd_mm:
        notes.append("growth is less than five times its measuring error")
    return notes


def _fewest(meets: Callable[[int], bool], least: int, most: int = MOST_COLONIES) -> int | None:
    """Fewest that meet a condition which more always meet too; None where the most do not."""
    if least > most or not meets(most):
        return None
    low, high = least - 1, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if meets(middle) else (middle, high)
    return high
