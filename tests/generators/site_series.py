"""Growth series of one site with a common signal and counting errors, by plain loops; shares no code with the package."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, kw_only=True)
class Error:
    colony: int
    kind: str  # "missing" or "doubled"
    year: int  # label of the band in the series as counted


def true_growth(rng, n_colonies, n_years, r, memory=0.2, cv=0.2):
    """Extension in mm per year, newest first: each colony its own mean, slow change, and share of the common signal."""
    common = _chain(rng, n_years, memory)
    columns = []
    for _ in range(n_colonies):
        own = _chain(rng, n_years, memory)
        slow = 1 + rng.normal(0, 0.15) * np.linspace(-1, 1, n_years) + 0.08 * np.sin(
            2 * np.pi * (np.arange(n_years) / rng.uniform(60, 120) + rng.random()))
        columns.append(rng.uniform(6, 16) * slow * np.exp(cv * (np.sqrt(r) * common + np.sqrt(1 - r) * own)))
    return np.array(columns).T


def miscount(rng, column, newest, kind, at, merged_share=0.7):
    """The series as a reader counts it who misses the mark inside year row ``at``, or takes that year for two."""
    widths = list(column)
    if kind == "missing":
        lost = widths.pop(at + 1)
        if rng.random() < merged_share:
            widths[at] += lost
    else:
        part = rng.uniform(0.25, 0.75)
        widths[at:at + 1] = [part * widths[at], (1 - part) * widths[at]]
    return np.array(widths), newest - at


def site(seed, *, n_colonies=8, n_years=40, r=0.5, n_errors=3, newest=2018, margin=5, memory=0.2, cv=0.2,
         merged_share=0.7):
    """Series as counted (a list of arrays, newest first) and the errors in them."""
    rng = np.random.default_rng(seed)
    # Two years more than are counted, so that all series are equally long whatever was missed.
    growth = true_growth(rng, n_colonies, n_years + 2, r, memory, cv)
    wrong = rng.choice(n_colonies, n_errors, replace=False)
    series, errors = [], []
    for j in range(n_colonies):
        column = growth[:, j]
        if j in wrong:
            kind = "missing" if rng.random() < 0.5 else "doubled"
            at = int(rng.integers(margin, n_years - margin))
            column, year = miscount(rng, column, newest, kind, at, merged_share)
            errors.append(Error(colony=j, kind=kind, year=year))
        series.append(column[:n_years])
    return series, errors


def _chain(rng, n, memory):
    x = [rng.standard_normal()]
    for _ in range(n - 1):
        x.append(memory * x[-1] + np.sqrt(1 - memory**2) * rng.standard_normal())
    return np.array(x)
