"""Cross-dating: strength of a common signal and errors of counting.

Sources
-------
Wigley, Briffa & Jones (1984), Journal of Climate and Applied Meteorology 23, 201-213: expressed population signal
n r / (1 + (n - 1) r), read in its abstract; the subsample signal strength in the form that is 1 for the whole.
Comboul et al. (2014), Climate of the Past 10, 825-841: missed and doubled layers as independent processes, read in
its abstract; the standard deviation is arithmetic on the binomial form.
Critical correlations: arithmetic on Student's t.
Graybill's bristlecone pine series (Methuselah Walk) as kept in R's `treering`: a long annual series to try on.
"""

import csv

import numpy as np
import pytest

from bandkit.analysis.agreement import critical_r, expressed_signal, series_needed, subsample_strength
from bandkit.analysis.counting import count_error
from bandkit.analysis.crossdate import SeriesGroup, crossdate


@pytest.mark.parametrize(("r", "n", "wanted"), [(0.5, 6, 0.8571), (0.5, 5, 0.8333), (0.35, 10, 0.8434)])
def test_expressed_population_signal(r, n, wanted):
    assert expressed_signal(r, n) == pytest.approx(wanted, abs=1e-4)


def test_subsample_signal_strength():
    assert subsample_strength(0.5, 5, 10) == pytest.approx(0.9167, abs=1e-4)
    assert subsample_strength(0.5, 10, 10) == pytest.approx(1.0)


@pytest.mark.parametrize(("r", "wanted"), [(0.2, 23), (0.3, 14), (0.4, 9), (0.5, 6), (0.6, 4)])
def test_series_needed_for_085(r, wanted):
    assert series_needed(r) == wanted


@pytest.mark.parametrize(("rate", "years", "wanted"), [(0.01, 100, 1.41), (0.02, 100, 1.98), (0.05, 100, 3.08), (0.02, 300, 3.43)])
def test_count_error(rate, years, wanted):
    mean, sd = count_error(years, rate, rate)
    assert mean == 0.0
    assert sd == pytest.approx(wanted, abs=0.005)


@pytest.mark.parametrize(("n", "wanted"), [(50, 0.328), (30, 0.423), (20, 0.516)])
def test_critical_correlation_of_segments(n, wanted):
    # 0.516 was cut, not rounded: half a digit more is allowed.
    assert critical_r(n) == pytest.approx(wanted, abs=0.001)


def test_a_year_removed_from_a_long_series_is_found(real_data):
    path = real_data / "treering-series" / "treering.csv"
    if not path.exists():
        pytest.skip(f"{path} is not there")
    with path.open(encoding="utf-8") as file:
        index = np.array([float(row["treering"]) for row in csv.DictReader(file)])
    rng = np.random.default_rng(0)
    found, n_trials, n_years = 0, 40, 60
    for trial in range(n_trials):
        start = int(rng.integers(0, len(index) - n_years - 1))
        piece = index[start : start + n_years + 1][::-1]
        at = int(rng.integers(5, n_years - 5))
        values = np.stack([piece[:-1], np.delete(piece, at)], axis=1)
        chance = np.full(values.shape, 0.01)
        group = SeriesGroup(names=("whole", "less"), year=1979.0 - np.arange(n_years), missing_frac=chance,
                            doubled_frac=chance, values=np.where(values > 0, values, np.nan))
        found += any(one.series == "less" and one.kind == "missing" and abs(one.year - (1979 - at)) <= 2
                     for one in crossdate(group, seed=trial).suggestions)
    assert found >= 0.95 * n_trials
