"""What a count of years is off by when single years are missed or counted twice."""

from __future__ import annotations

import math


def count_error(n_years: float, missed_frac: float, doubled_frac: float) -> tuple[float, float]:
    """Mean and standard deviation of a count's error.

    Parameters
    ----------
    n_years : float
        Years that there are.
    missed_frac, doubled_frac : float
        Chance for each year to be missed and to be counted twice, independent of one another.

    Returns
    -------
    mean_yr, sd_yr : float
        Of the counted less the true number of years.

    Notes
    -----
    ``n (doubled - missed)`` and ``sqrt(n (missed (1 - missed) + doubled (1 - doubled)))``.

    References
    ----------
    Comboul, M. et al. (2014) A probabilistic model of chronological errors in layer-counted
    climate proxies. Climate of the Past 10, 825-841.
    """
    variance = missed_frac * (1.0 - missed_frac) + doubled_frac * (1.0 - doubled_frac)
    return n_years * (doubled_frac - missed_frac), math.sqrt(n_years * variance)
