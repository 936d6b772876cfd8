import itertools

import numpy as np
import pytest

from bandkit.analysis.alignment import FIRST_YEAR_OFF_FRAC, MOST_LAG_YR, OUTLIER_FRAC, Expectation, align


def lay(z, mean, variance=0.2, *, missing=0.05, doubled=0.05, widths_add=False, sd=0.2):
    z, mean = np.atleast_2d(z), np.atleast_2d(mean)
    return align(z, Expectation(mean=mean, variance=np.full(z.shape, variance)), index_sd=np.full(len(z), sd),
                 missing_frac=np.full(z.shape, missing), doubled_frac=np.full(z.shape, doubled), widths_add=widths_add,
                 independence_frac=np.ones(len(z)))


def by_enumeration(z, mean, variance, rate, sd):
    """Every path of lags written out, for density-like values: a missed year averages two, a doubled one changes nothing."""
    spread = max(3 / sd, 6)

    def density(value, m, v):
        return (1 - OUTLIER_FRAC) * np.exp(-0.5 * (value - m) ** 2 / v) / np.sqrt(2 * np.pi * v) + OUTLIER_FRAC / spread

    def ahead(i):
        return (mean[i], variance) if 0 <= i < len(mean) else (0.0, 1.0)

    total, missing = 0.0, np.zeros(len(z))
    for first in (-1, 0, 1):
        for steps in itertools.product((0, 1, -1), repeat=len(z) - 1):
            lag = first + np.concatenate([[0], np.cumsum(steps)])
            if np.abs(lag).max() > MOST_LAG_YR:
                continue
            weight = 1 - 2 * FIRST_YEAR_OFF_FRAC if first == 0 else FIRST_YEAR_OFF_FRAC
            for row, value in enumerate(z):
                plain = density(value, *ahead(row + lag[row]))
                if row < len(steps) and steps[row] == 1:
                    (m1, v1), (m2, v2) = ahead(row + lag[row]), ahead(row + lag[row] + 1)
                    plain = 0.7 * density(value, 0.5 * (m1 + m2), 0.25 * (v1 + v2)) + 0.3 * plain
                weight *= plain
                if row < len(steps):
                    weight *= 1 - 2 * rate if steps[row] == 0 else rate
            total += weight
            missing[:-1] += weight * (np.array(steps) == 1)
    return missing / total, np.log(total)


def test_probabilities_are_those_of_all_alignments_written_out():
    rng = np.random.default_rng(2)
    mean = rng.standard_normal(6)
    z = np.concatenate([mean[:2], mean[3:], [0.3]]) + 0.2 * rng.standard_normal(6)
    wanted, evidence = by_enumeration(z, mean, 0.2, 0.05, 0.2)
    made = lay(z, mean)
    np.testing.assert_allclose(made.missing[0], wanted, rtol=1e-9)
    assert made.evidence[0] == pytest.approx(evidence, rel=1e-9)


@pytest.mark.parametrize("widths_add", [False, True])
def test_a_series_in_step_stays_in_step(widths_add):
    mean = np.random.default_rng(3).standard_normal(30)
    made = lay(mean, mean, widths_add=widths_add, missing=0.01, doubled=0.01)
    assert not made.lag.any()
    assert made.missing.sum() + made.doubled.sum() < 0.1


def test_a_missing_year_and_a_doubled_one_are_told_apart():
    mean = np.random.default_rng(4).standard_normal(40)
    missing = np.append(np.delete(mean, 20), 0.0)
    # A year in two equal parts: each has half of the index, so that both stand 2.5 standard deviations low.
    sd = 0.2
    half = 0.5 * (1 + sd * mean[20])
    doubled = np.concatenate([mean[:20], [(half - 1) / sd] * 2, mean[21:-1]])
    made = lay(np.stack([missing, doubled]), np.stack([mean, mean]), missing=0.01, doubled=0.01, widths_add=True)
    assert made.missing[0, 17:22].sum() > 0.9
    assert made.doubled[1, 20] > 0.9
    assert (made.lag[0, 25:-1] == 1).all()
    assert (made.lag[1, 25:] == -1).all()
    np.testing.assert_allclose(made.expected_lag[:, 30], [1, -1], atol=0.1)


def test_a_doubtful_mark_is_dropped_before_a_sure_one():
    mean = np.random.default_rng(6).standard_normal(40) * 0.05
    z = mean + 0.0
    doubled = np.full((1, 40), 1e-4)
    doubled[0, 12] = 0.5
    made = align(z[None], Expectation(mean=mean[None], variance=np.ones((1, 40))), index_sd=np.array([0.2]),
                 missing_frac=np.full((1, 40), 1e-4), doubled_frac=doubled, widths_add=False, independence_frac=np.ones(1))
    assert int(np.argmax(made.doubled[0])) == 12
    assert np.delete(made.doubled[0], 12).max() < 0.01


def test_without_a_reference_the_chances_stay_as_they_were():
    z = np.random.default_rng(7).standard_normal(20)
    made = align(z[None], Expectation(mean=np.zeros((1, 20)), variance=np.ones((1, 20))), index_sd=np.array([0.2]),
                 missing_frac=np.full((1, 20), 0.02), doubled_frac=np.full((1, 20), 0.03), widths_add=False,
                 independence_frac=np.zeros(1))
    np.testing.assert_allclose(made.missing[0, :-1], 0.02, atol=2e-3)
    np.testing.assert_allclose(made.doubled[0, :-1], 0.03, atol=2e-3)


def test_unknown_years_are_passed_over():
    mean = np.random.default_rng(8).standard_normal(30)
    z = mean.copy()
    z[10:14] = np.nan
    made = lay(z, mean, missing=0.01, doubled=0.01, widths_add=True)
    assert np.isfinite(made.missing).all()
    assert not made.lag.any()
